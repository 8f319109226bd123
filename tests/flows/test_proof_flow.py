"""Proof: which frames get one, what it says, and what makes it due again."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from glassine.flows.proof import DEPARTURE_STOPS, findings_of
from glassine.flows.studio import Studio
from glassine.schemas.errors import DocumentError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document, read_document

Run = Callable[..., Document]
JOB = "2611-04"


def test_every_frame_has_a_proof_a_reading_and_a_place_on_the_sheet(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("proofed")
    folder = studio.job_folder(JOB)
    for frame in manifest_of(studio).frames:
        proof = frame["proof"]
        assert (proof["look"], proof["picture"], proof["warning"]) == ("hard-mono", "raw", None)
        with Image.open(folder / proof["path"]) as picture:
            assert picture.info["icc_profile"]
            assert picture.size == (proof["width"], proof["height"])
        assert frame["reading"]["exposure_stops"] is not None
        assert frame["reading"]["against_set_up_stops"] is not None
    portrait, landscape = manifest_of(studio).frame(3), manifest_of(studio).frame(1)
    assert (portrait["orientation"], landscape["orientation"]) == (6, 1)  # Exif 2.32, tag 274
    with Image.open(folder / portrait["proof"]["path"]) as picture:
        assert picture.height > picture.width
    with Image.open(folder / "proofs" / "contact-sheet.jpg") as sheet:
        assert sheet.info["icc_profile"]
    assert (folder / "proofs" / "contact-sheet.pdf").read_bytes().startswith(b"%PDF-")
    assert manifest_of(studio).document["contact_sheet"]["frames"] == 4


def test_lost_proof_is_made_again_with_the_same_bytes_and_no_new_fact(
    at: Callable[[str], Studio], run: Run, contents: Callable[[Path], dict[str, str]]
) -> None:
    studio = at("proofed")
    before = contents(studio.folder.parent)
    shutil.rmtree(studio.job_folder(JOB) / "proofs")
    run("proof", studio)
    pictures = {path: digest for path, digest in before.items() if not path.endswith("contact-sheet.pdf")}
    assert {path: contents(studio.folder.parent).get(path) for path in pictures} == pictures


def test_changed_look_makes_proofs_due_and_the_old_ones_stay(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], change_sheet: Callable[..., None]
) -> None:
    studio = at("proofed")
    change_sheet(studio, preview_look="soft-mono")
    assert run("proof", studio)["made"] == ["0001", "0002", "0003", "0004"]
    frame = manifest_of(studio).frame(1)
    assert frame["proof"]["look"] == "soft-mono"
    assert {proof["look"] for proof in frame["proofs"].values()} == {"hard-mono", "soft-mono"}
    change_sheet(studio, preview_look="hard-mono")
    assert run("proof", studio)["made"] == []


def test_blocked_frame_is_not_shown(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    from glassine.flows.job_sheet import set_block

    studio = at("ingested")
    set_block(studio, JOB, [2], "the sitter refused", blocked=True, by=None)
    assert run("proof", studio)["made"] == ["0001", "0003", "0004"]
    assert manifest_of(studio).document["contact_sheet"]["frames"] == 3
    set_block(studio, JOB, [2], "the sitter agreed", blocked=False, by=None)
    assert run("proof", studio)["made"] == ["0002"]
    assert manifest_of(studio).document["contact_sheet"]["frames"] == 4


def test_raw_without_a_picture_shows_the_cameras_own_and_says_so(
    at: Callable[[str], Studio], run: Run, card: Path, tmp_path: Path, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("opened")
    source = tmp_path / "odd"
    source.mkdir()
    for name in ("WORDS.CR2", "ALONE.CR2"):
        (source / name).write_bytes(f"no picture in {name}\n".encode())
    shutil.copy(card / "DCIM" / "100SIMUL" / "SIMU0001.JPG", source / "WORDS.JPG")
    run("ingest", studio, sources=[str(source)])
    outcome = run("proof", studio)
    alone, words = manifest_of(studio).frames
    assert (alone["name"], words["name"]) == ("ALONE.CR2", "WORDS.CR2")
    assert words["proof"]["picture"] != "raw"
    assert words["proof"]["warning"]
    assert any(words["proof"]["warning"] in line for line in outcome["said"])
    assert alone["proof"] is None
    assert any(f"Frame {alone['number']} cannot be shown" in line for line in outcome["said"])
    assert run("proof", studio)["made"] == [], "what cannot be shown is not tried for ever"


def test_unknown_look_in_an_edited_sheet_is_named(
    at: Callable[[str], Studio], run: Run, change_sheet: Callable[..., None], contents: Callable[..., dict[str, str]]
) -> None:
    studio = at("ingested")
    change_sheet(studio, preview_look="no-such-look")
    before = contents(studio.folder.parent)
    with pytest.raises(DocumentError, match=r"holds no no-such-look\.json \(known: hard-mono") as unknown:
        run("proof", studio)
    assert unknown.value.code == "D004"
    assert contents(studio.folder.parent) == before


def test_broken_look_is_named_with_its_place(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("ingested")
    path = studio.folder / "looks" / "hard-mono.json"
    assert read_document(path, "look")
    path.write_text(path.read_text("utf-8")[:-20], encoding="utf-8")
    with pytest.raises(DocumentError, match=r"hard-mono\.json, at line \d+") as broken:
        run("proof", studio)
    assert broken.value.exit_status == 2


@pytest.mark.parametrize(("stops", "said"), [(0.4, []), (0.7, ["0.7 stops lighter"]), (-1.3, ["1.3 stops darker"])])
def test_departure_from_the_set_up_is_said_in_words(stops: float, said: list[str]) -> None:
    frame = {"reading": {"findings": ["Soft."], "against_set_up_stops": stops}, "exposure_match": None}
    found = findings_of(frame)
    matched = frame | {"exposure_match": {"stops": -stops}}
    assert findings_of(matched) == ["Soft."], "what is matched departs no more"
    assert found[0] == "Soft."
    assert [line.partition(" than")[0] for line in found[1:]] == said
    assert findings_of({"reading": None}) == []
    assert DEPARTURE_STOPS == 0.5


def test_too_little_time_condemns_no_frame(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], monkeypatch: pytest.MonkeyPatch
) -> None:
    studio = at("ingested")
    with monkeypatch.context() as patched:
        patched.setattr(Studio, "decode_limits", (4 * 2**30, 0.001))
        outcome = run("proof", studio)
    assert outcome["status"] == 3
    assert len(outcome["problems"]) == 4
    assert [frame["stage"] for frame in manifest_of(studio).frames] == ["received"] * 4
    assert run("proof", studio)["ok"]
    assert [frame["stage"] for frame in manifest_of(studio).frames] == ["proofed"] * 4


def test_a_place_that_cannot_be_written_condemns_no_frame(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("ingested")
    (studio.job_folder(JOB) / "proofs").write_text("in the way", encoding="utf-8")
    assert run("proof", studio)["status"] == 3
    (studio.job_folder(JOB) / "proofs").unlink()
    assert run("proof", studio)["ok"]
    assert [frame["stage"] for frame in manifest_of(studio).frames] == ["proofed"] * 4
