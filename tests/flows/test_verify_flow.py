"""Verify: what rotted or went is found, named, and mended from a whole copy when asked to."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.errors import RecordError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

Run = Callable[..., Document]
JOB = "2611-04"


@pytest.fixture
def rotten(at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]) -> tuple[Studio, Path, Path]:
    """A job with one flipped bit on the backup, and one original missing from the working volume."""
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    flipped = backup.locate(JOB, manifest_of(studio).frame(1)["path"])
    content = bytearray(flipped.read_bytes())
    content[len(content) // 2] ^= 1
    flipped.write_bytes(content)
    missing = studio.working_volume().locate(JOB, manifest_of(studio).frame(2)["path"])
    missing.unlink()
    return studio, flipped, missing


def test_every_pass_reads_all_copies_again(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("ingested")
    before = {c["whole_at"] for _, holder in manifest_of(studio).every_file() for c in holder["copies"]}
    for number in (1, 2):
        outcome = run("verify", studio)
        assert (outcome["ok"], outcome["bad"]) == (True, [])
        manifest = manifest_of(studio)
        passes = manifest.document["passes"]
        assert (passes["opened"], passes["closed"]) == (number, number)
        copies = [copy for _, holder in manifest.every_file() for copy in holder["copies"]]
        assert outcome["copies"] == len(copies)
        assert {(copy["pass"], copy["outcome"]) for copy in copies} == {(number, "whole")}
        assert min(copy["whole_at"] for copy in copies) > max(before)
        before = {copy["whole_at"] for copy in copies}


def test_what_differs_and_what_is_missing_is_listed(
    rotten: tuple[Studio, Path, Path], run: Run, contents: Callable[[Path], dict[str, str]]
) -> None:
    studio, flipped, missing = rotten
    originals = [volume.job_folder(JOB) / "originals" for volume in (studio.working_volume(), *studio.backups()[0])]
    before = [contents(folder) for folder in originals]
    outcome = run("verify", studio)
    assert (outcome["ok"], outcome["status"]) == (False, 1)
    found = {(entry["volume"], entry["outcome"], Path(entry["path"]).name) for entry in outcome["bad"]}
    assert found == {("backup", "differs", flipped.name), ("working", "missing", missing.name)}
    assert any("--repair" in line for line in outcome["said"])
    assert [contents(folder) for folder in originals] == before, "without --repair nothing is touched"


def test_repair_mends_from_a_whole_copy_and_keeps_the_bad_file(
    rotten: tuple[Studio, Path, Path], run: Run, contents: Callable[[Path], dict[str, str]]
) -> None:
    studio, flipped, missing = rotten
    bad = flipped.read_bytes()
    outcome = run("verify", studio, repair=True)
    assert outcome["ok"], outcome
    assert len(outcome["mended"]) == 2
    assert missing.is_file()
    aside = [path for path in (flipped.parents[3] / JOB / "aside").rglob("*") if path.is_file()]
    assert [path.read_bytes() for path in aside] == [bad]
    assert run("verify", studio)["ok"]


def test_no_whole_copy_left_is_said_and_nothing_is_made_of_a_bad_one(
    rotten: tuple[Studio, Path, Path], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio, flipped, _ = rotten
    working = studio.working_volume().locate(JOB, manifest_of(studio).frame(1)["path"])
    shutil.copyfile(flipped, working)
    bad = working.read_bytes()
    outcome = run("verify", studio, repair=True)
    assert outcome["status"] == 1
    assert len(outcome["mended"]) == 1
    assert {entry["frame"] for entry in outcome["bad"]} == {"0001"}
    assert any("no whole copy" in problem.lower() for problem in outcome["problems"]), outcome["problems"]
    assert working.read_bytes() == bad


def test_killed_pass_is_gone_on_with(
    at: Callable[[str], Studio], run: Run, monkeypatch: pytest.MonkeyPatch, manifest_of: Callable[..., Manifest]
) -> None:
    from glassine.flows import verify as module

    studio = at("ingested")
    read: list[str] = []
    from glassine.tasks.custody.fixity import read_copy as whole

    def count(job: str, copy: object, number: int, on_bytes: object = None) -> object:
        read.append(str(copy))
        return whole(job, copy, number, on_bytes)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(module, "BATCH_BYTES", 1)
        patched.setattr(module, "read_copy", lambda *words: _stop_after(3, read, count, *words))
        with pytest.raises(KeyboardInterrupt):
            run("verify", studio)
    passes = manifest_of(studio).document["passes"]
    assert (passes["opened"], passes["closed"]) == (1, 0)
    before = len(read)
    monkeypatch.setattr(module, "read_copy", count)
    assert run("verify", studio)["ok"]
    copies = [copy for _, holder in manifest_of(studio).every_file() for copy in holder["copies"]]
    assert before == 3
    assert len(read) == len(copies), "copies that were read before the kill are not read again in the same pass"
    assert {copy["pass"] for copy in copies} == {1}


def test_entry_that_rotted_on_the_backup_is_named_and_mended(
    at: Callable[[str], Studio], run: Run, contents: Callable[[Path], dict[str, str]]
) -> None:
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    record = backup.job_folder(JOB) / "record"
    content = bytearray((record / "00000003.json").read_bytes())
    content[20] ^= 1
    (record / "00000003.json").write_bytes(content)
    outcome = run("verify", studio)
    assert outcome["status"] == 1
    assert any("Entry 3 " in problem and "backup" in problem for problem in outcome["problems"])
    assert run("verify", studio, repair=True)["ok"]
    assert contents(record) == contents(studio.job_folder(JOB) / "record")
    assert run("verify", studio)["ok"]


def test_damaged_chain_stops_it_and_names_the_entry(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("ingested")
    entry = JobRecord(studio.job_folder(JOB)).record_folder / "00000003.json"
    (studio.job_folder(JOB) / "manifest.json").unlink()
    content = bytearray(entry.read_bytes())
    content[content.index(b'"at":"2') + 6] ^= 1
    entry.write_bytes(content)
    with pytest.raises(RecordError, match="Entry 3 ") as damaged:
        run("verify", studio)
    assert damaged.value.exit_status == 1


def _stop_after(count: int, read: list[str], work: Callable[..., object], *words: object) -> object:
    if len(read) >= count:
        raise KeyboardInterrupt
    return work(*words)
