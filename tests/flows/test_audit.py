"""Audit: what went to whom, whose a file is, and whether the records are whole."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.audit import audit
from glassine.flows.job_sheet import open_new_job, set_block
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, VolumeError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

Run = Callable[..., Document]
JOB, CLIENT, SITTER = "2611-04", "Sorrel Lane Instruments", "Ada Quill"


def test_deliveries_of_a_client_with_version_digest_and_licence(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("delivered")
    found = audit(studio, client=CLIENT.lower())
    assert (found["ok"], found["status"]) == (True, 0)
    assert [delivery["delivery"] for delivery in found["deliveries"]] == [1, 2]
    manifest = manifest_of(studio)
    for delivery in found["deliveries"]:
        assert delivery["licence"]["terms"] == "Yearbook, two years."
        assert delivery["handed_over_by"] == "Tove Abel"
        for file in delivery["files"]:
            path = studio.job_folder(JOB) / manifest.document["deliveries"][delivery["delivery"] - 1]["folder"]
            content = (path / "data" / file["name"]).read_bytes()
            assert hashlib.sha256(content).hexdigest() == file["sha256"]
            made = file["sources"]
            frame = manifest.frame(file["frame"])
            assert (made["original"], made["original_sha256"]) == (frame["name"], frame["sha256"])
            assert made["round"] == {1: 1, 3: 0}[file["frame"]]
    assert found["said"][-1] == "Chain: 1 of 1 records are whole."
    assert any("Yearbook, two years." in line for line in found["said"])


def test_every_kind_of_file_is_recognised(at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]) -> None:
    studio = at("delivered")
    folder = studio.job_folder(JOB)
    frame = manifest_of(studio).frame(1)
    retouch = frame["rounds"][0]
    delivered = manifest_of(studio).document["deliveries"][0]
    known = {
        "original": frame["path"],
        "companion": frame["companions"][0]["path"],
        "proof": frame["proof"]["path"],
        "base file of round 1": retouch["brief"]["base"]["path"],
        "return of round 1": retouch["take_backs"][0]["path"],
        "final 'print' of round 1": next(f["path"] for f in frame["finals"] if f["final"] == "print"),
        "delivered": f"{delivered['folder']}/data/{delivered['files'][0]['name']}",
    }
    for role, path in known.items():
        found = audit(studio, file=folder / path)
        assert found["ok"], role
        (owner,) = found["owners"]
        assert owner["as"] == role
        assert (owner["file"]["frame"] if role == "delivered" else owner["frame"]) == 1
        assert JOB in found["said"][0]
    (stray,) = manifest_of(studio).document["strays"]
    (owner,) = audit(studio, file=folder / stray["path"])["owners"]
    assert (owner["as"], owner["frame"]) == ("stray", None)


def test_file_nobody_knows_or_that_is_changed_by_a_bit(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest], tmp_path: Path
) -> None:
    studio = at("delivered")
    delivered = manifest_of(studio).document["deliveries"][0]
    whole = studio.job_folder(JOB) / delivered["folder"] / "data" / delivered["files"][0]["name"]
    content = bytearray(whole.read_bytes())
    content[-1] ^= 1
    changed = tmp_path / "changed.tif"
    changed.write_bytes(content)
    found = audit(studio, file=changed)
    assert (found["ok"], found["status"], found["owners"]) == (False, 1, [])
    assert "No job of this studio knows" in found["said"][0]
    with pytest.raises(VolumeError, match="cannot be read") as absent:
        audit(studio, file=tmp_path / "nowhere")
    assert absent.value.code == "V004"


@pytest.mark.parametrize("damage", ["altered", "missing", "last altered"])
def test_damaged_chain_is_status_1_and_names_the_entry(at: Callable[[str], Studio], damage: str) -> None:
    studio = at("delivered")
    entries = sorted((studio.job_folder(JOB) / "record").glob("*.json"))
    number = len(entries) if damage == "last altered" else 5
    entry = entries[number - 1]
    if damage == "missing":
        entry.unlink()
    else:
        content = bytearray(entry.read_bytes())
        place = content.index(b'"at":"2') + len(b'"at":"20')
        content[place] ^= 1
        entry.write_bytes(content)
    found = audit(studio, client=CLIENT)
    assert (found["ok"], found["status"]) == (False, 1)
    assert found["deliveries"] == [], "what a damaged record says is no evidence"
    word = "is missing" if damage == "missing" else "is altered"
    assert found["problems"] == [problem for problem in found["problems"] if f"Entry {number} of" in problem]
    assert any(word in problem for problem in found["problems"])
    assert found["said"][-1] == "Chain: 0 of 1 records are whole."


def test_two_clients_and_two_jobs_are_told_apart(
    at: Callable[[str], Studio], run: Run, change_sheet: Callable[..., None]
) -> None:
    studio = at("delivered")
    licence = {"client": CLIENT, "terms": "Yearbook."}
    change_sheet(studio, licences=[licence, {"client": SITTER, "terms": "Own web page."}])
    run("deliver", studio, client=SITTER, specification="screen", frames=[3])
    open_new_job(studio, "2612-01", None, title=None, client="Brook & Daughter", by=None)
    assert [d["delivery"] for d in audit(studio, client=SITTER)["deliveries"]] == [3]
    assert [d["delivery"] for d in audit(studio, client=CLIENT)["deliveries"]] == [1, 2]
    assert audit(studio, client="Brook & Daughter")["said"][0] == (
        "Nothing has been delivered to Brook & Daughter yet."
    )
    assert audit(studio, job="2612-01")["deliveries"] == []
    assert len(audit(studio)["deliveries"]) == 3
    with pytest.raises(CallError, match="names a client 'Nobody'") as unknown:
        audit(studio, client="Nobody")
    assert (unknown.value.code, unknown.value.exit_status) == ("W002", 2)


def test_it_only_reads(at: Callable[[str], Studio], contents: Callable[[Path], dict[str, str]]) -> None:
    studio = at("delivered")
    before = contents(studio.folder.parent)
    audit(studio)
    assert contents(studio.folder.parent) == before


def test_a_block_after_the_delivery_is_said(at: Callable[[str], Studio]) -> None:
    studio = at("delivered")
    set_block(studio, JOB, [1], "the sitter refused", blocked=True, by="Tove Abel")
    found = audit(studio, client=CLIENT)
    files = [file for delivery in found["deliveries"] for file in delivery["files"]]
    assert {(file["frame"], file["blocked"]) for file in files} == {(1, "0001: the sitter refused"), (3, None)}
    assert any("the sitter refused" in line for line in found["said"])
