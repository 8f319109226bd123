"""Verify: what rotted or went is found, named, and mended from a whole copy when asked to."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows import verify as module
from glassine.flows.cli import main
from glassine.flows.job_sheet import open_new_job
from glassine.flows.studio import Studio
from glassine.schemas import file_system
from glassine.schemas.errors import RecordError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody import fixity
from glassine.tasks.custody.fixity import KnownCopy

Run = Callable[..., Document]
JOB = "2611-04"


def flip(path: Path, at: int = 1000) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(content)


@pytest.fixture
def rotten(at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]) -> tuple[Studio, Path, Path]:
    """A job with one flipped bit on the backup, and one original missing from the working volume."""
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    flipped = backup.locate(JOB, manifest_of(studio).frame(1)["path"])
    flip(flipped)
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
    studio = at("ingested")
    read: list[str] = []
    whole = fixity.read_copy

    def count(job: str, copy: KnownCopy, *words: Any) -> Any:
        read.append(f"{copy.volume.name}: {copy.path}")
        return whole(job, copy, *words)

    with monkeypatch.context() as patched:
        patched.setattr(module, "BATCH_BYTES", 1)
        patched.setattr(fixity, "read_copy", lambda *words: _stop_after(3, read, count, *words))
        with pytest.raises(KeyboardInterrupt):
            run("verify", studio)
    manifest = manifest_of(studio)
    assert (manifest.document["passes"]["opened"], manifest.document["passes"]["closed"]) == (1, 0)
    copies = [copy for _, holder in manifest.every_file() for copy in holder["copies"]]
    said = sum(copy["pass"] == 1 for copy in copies)
    assert 0 < said <= len(read) < len(copies)
    read.clear()
    monkeypatch.setattr(fixity, "read_copy", count)
    outcome = run("verify", studio)
    assert (outcome["ok"], outcome["not_read"]["earlier"]) == (True, said)
    assert len(read) == len(copies) - said, "copies that were read before the kill are not read again in the same pass"
    copies = [copy for _, holder in manifest_of(studio).every_file() for copy in holder["copies"]]
    assert {copy["pass"] for copy in copies} == {1}


def test_bytes_seconds_and_rate_are_said(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("ingested")
    outcome = run("verify", studio)
    files = manifest_of(studio).every_file()
    assert outcome["bytes"] == sum(holder["size"] * len(holder["copies"]) for _, holder in files)
    assert outcome["seconds"] > 0
    (line,) = [line for line in outcome["said"] if "MB/s" in line]
    assert line.startswith(f"{outcome['copies']} copies, {outcome['bytes'] / 1e6:.1f} MB in ")


def test_unreadable_is_told_apart_from_different(rotten: tuple[Studio, Path, Path], run: Run) -> None:
    studio, flipped, missing = rotten
    missing.mkdir()  # a folder: reading it is an OSError, as reading a bad sector is
    outcome = run("verify", studio)
    words = {Path(entry["path"]).name: (entry["outcome"], entry["unreadable"]) for entry in outcome["bad"]}
    assert words == {flipped.name: ("differs", False), missing.name: ("differs", True)}
    assert any(line.startswith("Differs: ") and flipped.name in line for line in outcome["said"])
    assert any(line.startswith("Cannot be read: ") and missing.name in line for line in outcome["said"])


def test_bad_copies_on_one_disk_are_a_warning_about_the_disk(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    for number in (1, 2, 4):
        flip(backup.locate(JOB, manifest_of(studio).frame(number)["path"]))
    for repair, status in ((False, 1), (True, 0)):
        outcome = run("verify", studio, repair=repair)
        assert outcome["status"] == status
        (cluster,) = outcome["clusters"]
        assert (cluster["medium"], len(cluster["copies"])) == (backup.medium, 3)
        assert cluster["folders"] == [{"volume": "backup", "folder": "originals/100SIMUL"}]
        assert cluster["frames_in_a_row"] == [[1, 2]]
        assert ("--repair" in outcome["said"][-1]) is not repair
        (warning,) = [line for line in outcome["said"] if "take that disk" in line.lower()]
        assert warning.startswith(
            f"All 3 bad copies lie on backup ({backup.medium}), in originals/100SIMUL, frames 0001 to 0002 in a row: "
        )
        assert "Bairavasundaram et al., FAST 2008" in warning
    assert run("verify", studio)["clusters"] == []


def test_copy_that_came_back_is_whole_again_after_all(
    rotten: tuple[Studio, Path, Path], run: Run, tmp_path: Path
) -> None:
    studio, _, missing = rotten
    (backup,) = studio.backups()[0]
    good = (backup.job_folder(JOB) / missing.relative_to(studio.working_volume().job_folder(JOB))).read_bytes()
    assert run("verify", studio)["status"] == 1
    missing.write_bytes(good)  # as when something that was mounted over it is gone
    outcome = run("verify", studio, repair=True)
    assert (outcome["status"], len(outcome["mended"])) == (0, 1)
    assert outcome["recovered"] == [f"working: {missing.relative_to(studio.job_folder(JOB)).as_posix()}"]
    assert any(line.startswith("Whole again after all: working: ") for line in outcome["said"])


def test_copy_on_a_volume_that_was_away_is_mended_when_it_is_back(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], tmp_path: Path
) -> None:
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    path = manifest_of(studio).frame(3)["path"]
    flip(backup.locate(JOB, path))
    shutil.move(backup.root, tmp_path / "drawer")
    away = run("verify", studio, repair=True)
    assert (away["status"], away["not_read"]["away"], away["mended"]) == (3, away["read"], [])
    shutil.move(tmp_path / "drawer", backup.root)
    back = run("verify", studio, repair=True)
    assert (back["status"], back["mended"]) == (0, [f"backup: {path}"])


def test_nothing_is_touched_when_no_copy_is_whole(
    at: Callable[[str], Studio],
    run: Run,
    manifest_of: Callable[..., Manifest],
    contents: Callable[[Path], dict[str, str]],
) -> None:
    studio = at("ingested")
    volumes = (studio.working_volume(), *studio.backups()[0])
    path = manifest_of(studio).frame(1)["path"]
    for index, volume in enumerate(volumes):
        flip(volume.locate(JOB, path), at=index + 10)

    def held() -> list[dict[str, str]]:
        every = [contents(volume.job_folder(JOB)) for volume in volumes]
        return [
            {name: digest for name, digest in one.items() if name.startswith(("originals/", "aside/"))} for one in every
        ]

    before = held()
    for repair in (False, True, True):
        outcome = run("verify", studio, repair=repair)
        assert (outcome["status"], outcome["mended"]) == (1, [])
        assert outcome["lost"] == [manifest_of(studio).frame(1)["sha256"]]
        first = outcome["problems"][0]
        assert first.startswith(f"No whole copy of {path} is left"), "it is the first thing that is said on stderr"
        assert len([problem for problem in outcome["problems"] if "No whole copy" in problem]) == 1
        assert held() == before


def test_a_lost_file_names_the_volume_that_is_away_and_may_have_it(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], tmp_path: Path
) -> None:
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    flip(studio.working_volume().locate(JOB, manifest_of(studio).frame(1)["path"]))
    shutil.move(backup.root, tmp_path / "drawer")
    outcome = run("verify", studio, repair=True)
    assert outcome["status"] == 1
    assert outcome["problems"][0].endswith("By the record a whole one is on backup.")


def test_full_volume_leaves_the_bad_file_aside_and_the_next_run_mends(
    rotten: tuple[Studio, Path, Path], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    studio, flipped, missing = rotten
    missing.write_bytes(b"")
    bad, root = flipped.read_bytes(), str(studio.backups()[0][0].root)
    real = file_system.flush

    def full(stream: Any) -> None:
        if str(stream.name).startswith(root + "/" + JOB + "/originals"):
            raise OSError(28, "No space left on device")
        real(stream)

    with monkeypatch.context() as patched:
        patched.setattr(file_system, "flush", full)
        outcome = run("verify", studio, repair=True)
    assert outcome["status"] == 1
    assert any("is full" in problem for problem in outcome["problems"])
    (aside,) = [path for path in (Path(root) / JOB / "aside").rglob("*") if path.is_file()]
    assert (aside.read_bytes(), flipped.exists()) == (bad, False)
    assert run("verify", studio, repair=True)["status"] == 0
    assert aside.read_bytes() == bad
    assert run("verify", studio)["ok"]


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


def test_without_a_job_every_job_is_read_and_a_damaged_one_stops_no_other(
    at: Callable[[str], Studio], capfd: pytest.CaptureFixture[str]
) -> None:
    studio = at("ingested")
    for number in ("2611-03", "2611-05"):
        open_new_job(studio, number, None, title="Ada", client="Ada Quill", by="Tove Abel")
    entry = studio.job_folder("2611-03") / "record" / "00000001.json"
    entry.write_bytes(entry.read_bytes().replace(b"2611-03", b"2611-99"))
    (studio.job_folder("2611-03") / "manifest.json").unlink(missing_ok=True)
    capfd.readouterr()
    status = main(["verify", "--sample", "50%", "--json", "--studio", str(studio.folder)])
    outcome = json.loads(capfd.readouterr().out)
    assert (status, outcome["status"]) == (1, 1)
    damaged, whole, small = outcome["jobs"]
    assert (damaged["error"], whole["job"], small["job"]) == ("R001", JOB, "2611-05")
    assert (whole["status"], small["status"]) == (0, 0)
    assert any(problem.startswith("Job 2611-03: Entry 1 ") for problem in outcome["problems"])
    assert outcome["said"][-1].startswith(f"3 jobs: {whole['read'] + small['read']} copies read now, ")
    assert outcome["said"][-1].endswith("not right: 1.")
