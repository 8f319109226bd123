"""A bit that flips in a copy is found, named, mended from a whole copy, and the bad file is kept."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.errors import RecordError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
Flow = Callable[..., Document]


@pytest.fixture
def folders(opened: Studio, small_card: Path, ingest_now: Flow) -> list[Path]:
    """The job's folders on the working volume and the backup, with the card taken in."""
    outcome = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["owed_copies"]) == (0, 0)
    return [opened.folder.parent / "volumes" / name / JOB for name in ("working", "backup")]


def copy_of(folder: Path, ending: str) -> Path:
    (path,) = (folder / "originals").rglob(f"SIMU0001.*.{ending}")
    return path


def flip_a_bit(path: Path) -> bytes:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    return bytes(content)


@pytest.mark.parametrize("volume", [0, 1])
def test_a_flipped_bit_is_named_and_mended(
    opened: Studio,
    folders: list[Path],
    small_card: Path,
    verify_now: Flow,
    check_custody: Callable[..., Manifest],
    snapshot: Callable[..., dict[str, Any]],
    volume: int,
) -> None:
    assert verify_now(opened)["status"] == 0
    bad = copy_of(folders[volume], "NEF")
    rotten = flip_a_bit(bad)
    found = verify_now(opened)
    relative = bad.relative_to(folders[volume]).as_posix()
    assert (found["ok"], found["status"]) == (False, 1)
    (named,) = found["bad"]
    assert (named["path"], named["outcome"], named["volume"], named["frame"]) == (
        relative,
        "differs",
        ("working", "backup")[volume],
        "0002",
    )
    assert any(relative in sentence for sentence in found["said"])
    assert bad.read_bytes() == rotten  # looking changes nothing

    others = snapshot(folders[1 - volume] / "originals")
    mended = verify_now(opened, repair=True)
    assert (mended["status"], mended["bad"], len(mended["mended"])) == (0, [], 1)
    (aside,) = [path for path in (folders[volume] / "aside").rglob("*") if path.is_file()]
    assert aside.read_bytes() == rotten
    assert snapshot(folders[1 - volume] / "originals") == others
    check_custody(folders, small_card)
    assert verify_now(opened)["status"] == 0


def test_a_missing_copy_and_a_cut_off_copy(
    opened: Studio, folders: list[Path], small_card: Path, verify_now: Flow, check_custody: Callable[..., Manifest]
) -> None:
    copy_of(folders[0], "DNG").unlink()
    cut = copy_of(folders[1], "JPG")
    cut.write_bytes(cut.read_bytes()[:100])
    found = verify_now(opened)
    assert found["status"] == 1
    assert {(bad["volume"], bad["outcome"]) for bad in found["bad"]} == {("working", "missing"), ("backup", "differs")}
    assert verify_now(opened, repair=True)["status"] == 0
    check_custody(folders, small_card)


def test_rot_in_every_copy_is_said_and_nothing_is_touched_until_the_card_comes_back(
    opened: Studio,
    folders: list[Path],
    small_card: Path,
    ingest_now: Flow,
    verify_now: Flow,
    snapshot: Callable[..., dict[str, Any]],
) -> None:
    rotten = [flip_a_bit(copy_of(folder, "DNG")) for folder in folders]
    before = [snapshot(folder / "originals") for folder in folders]
    lost = verify_now(opened, repair=True)
    assert (lost["status"], lost["mended"], len(lost["bad"])) == (1, [], 2)
    assert any("No whole copy" in problem for problem in lost["problems"])
    assert [snapshot(folder / "originals") for folder in folders] == before

    back = ingest_now(opened, small_card)  # the card still has it
    # It is frame 1 still; what it says of the rotten copies stays until they are mended.
    assert (back["status"], back["frames"], back["owed_copies"], back["bad_copies"]) == (1, [], 0, 2)
    mended = verify_now(opened, repair=True)
    assert (mended["status"], mended["bad"]) == (0, [])
    on_card = (small_card / "DCIM/100SIMUL/SIMU0001.DNG").read_bytes()
    manifest = JobRecord(folders[0]).manifest()
    for folder in folders:
        paths = {copy["path"] for copy in manifest.frame(1)["copies"]}
        assert [(folder / path).read_bytes() == on_card for path in paths] == [True] * len(paths)
        aside = [path for path in (folder / "aside").rglob("*") if path.is_file()]
        assert [path.read_bytes() for path in aside] == [rotten[0]]


def test_a_lost_copy_of_everything_comes_back_from_the_card(
    opened: Studio, folders: list[Path], small_card: Path, ingest_now: Flow, verify_now: Flow
) -> None:
    for folder in folders:
        copy_of(folder, "NEF").unlink()
    assert verify_now(opened)["status"] == 1
    assert ingest_now(opened, small_card)["status"] == 0
    assert verify_now(opened)["status"] == 0
    for folder in folders:
        on_card = (small_card / "DCIM/101SIMUL/SIMU0001.NEF").read_bytes()
        assert copy_of(folder, "NEF").read_bytes() == on_card


def alter(entry: Path) -> bytes:
    """Another time in an entry, in canonical form: only its digest tells."""
    document = json.loads(entry.read_bytes())
    document["at"] = "2026-01-01T00:00:00.000000Z"
    entry.write_bytes((json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n").encode())
    return entry.read_bytes()


@pytest.mark.parametrize("lost", [False, True])
def test_a_damaged_entry_is_named_and_mended_from_the_backup(
    opened: Studio, folders: list[Path], verify_now: Flow, lost: bool
) -> None:
    entry, mirrored = (folder / "record" / "00000002.json" for folder in folders)
    good = mirrored.read_bytes()
    altered = alter(entry)
    if lost:
        entry.unlink()
    with pytest.raises(RecordError) as named:
        verify_now(opened)
    assert "Entry 2 of the record is" in named.value.sentence
    assert mirrored.read_bytes() == good
    found = verify_now(opened, repair=True)
    assert (found["status"], found["chain_faults"]) == (0, [])
    assert (entry.read_bytes(), mirrored.read_bytes()) == (good, good)
    kept = list((folders[0] / "aside" / "record").glob("*"))
    assert [path.read_bytes() for path in kept] == ([] if lost else [altered])


def test_an_entry_damaged_on_every_volume_is_left_as_it_is(
    opened: Studio, folders: list[Path], verify_now: Flow
) -> None:
    altered = [alter(folder / "record" / "00000002.json") for folder in folders]
    with pytest.raises(RecordError, match="Entry 2 of the record is altered"):
        verify_now(opened, repair=True)
    assert [(folder / "record" / "00000002.json").read_bytes() for folder in folders] == altered


def test_a_damaged_entry_on_the_backup_is_mended(opened: Studio, folders: list[Path], verify_now: Flow) -> None:
    entry, mirrored = (folder / "record" / "00000002.json" for folder in folders)
    rotten = flip_a_bit(mirrored)
    found = verify_now(opened)
    assert (found["status"], [str(mirrored) in fault for fault in found["chain_faults"]]) == (1, [True])
    assert mirrored.read_bytes() == rotten
    assert verify_now(opened, repair=True)["status"] == 0
    assert mirrored.read_bytes() == entry.read_bytes()
    (aside,) = [path for path in (folders[1] / "aside").rglob("*") if path.is_file()]
    assert aside.read_bytes() == rotten


def test_mending_touches_no_entry_that_is_right(opened: Studio, folders: list[Path], verify_now: Flow) -> None:
    """The backup's newest entry rotted, and no head knows it there: it must not take the place of the good one."""
    own = sorted((folders[0] / "record").glob("*.json"))
    newest, mirrored = own[-1], folders[1] / "record" / own[-1].name
    for folder in folders[1:]:
        for head in (folder / "heads").glob(f"{newest.stem}-*.json"):
            head.unlink()
    good = newest.read_bytes()
    bad = alter(mirrored)
    older = alter(own[1])
    assert verify_now(opened, repair=True)["chain_faults"] == []
    assert newest.read_bytes() == good
    assert mirrored.read_bytes() == good != bad
    assert own[1].read_bytes() != older
