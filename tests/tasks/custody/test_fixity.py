"""Reading copies again and mending them; a good copy is never touched."""

from __future__ import annotations

import hashlib
import os
import shutil
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.errors import GlassineError, VolumeError
from glassine.schemas.validation import check_document
from glassine.tasks.custody import fixity
from glassine.tasks.custody.fixity import AHEAD, KnownCopy, read_copies, read_copy, repair_copy
from glassine.tasks.custody.replication import replicate
from glassine.tasks.custody.source_file import SourceFile
from glassine.tasks.custody.store import FolderStore
from glassine.tasks.custody.volume import Volume

JOB = "2611-04"
CONTENT = bytes(range(256)) * 50
SHA = hashlib.sha256(CONTENT).hexdigest()
PATH = f"originals/100/A.{SHA[:8]}.DNG"
NamesUnder = Callable[[Path], list[str]]


@pytest.fixture
def copies(tmp_path: Path, volumes: list[Volume]) -> list[KnownCopy]:
    source = tmp_path / "A.DNG"
    source.write_bytes(CONTENT)
    replicate(SourceFile(source), JOB, volumes, lambda _: PATH)
    return [KnownCopy(SHA, volume, PATH, len(CONTENT)) for volume in volumes]


def where(copy: KnownCopy) -> Path:
    return copy.volume.locate(JOB, copy.path)


def flip_a_bit(path: Path, at: int = 777) -> bytes:
    content = bytearray(path.read_bytes())
    content[at] ^= 0x10
    path.write_bytes(content)
    return bytes(content)


def state(path: Path) -> tuple[int, int, bytes]:
    status = path.stat()
    return status.st_ino, status.st_mtime_ns, path.read_bytes()


def assert_is_a_fact(fact: dict[str, Any]) -> None:
    entry = {
        "format": 1,
        "entry": 1,
        "previous": "0" * 64,
        "at": "2026-11-25T09:00:00Z",
        "by": "p-0123456789",
        "event": "fixity check",
        "facts": [fact],
    }
    check_document(entry, "record_entry", label="entry")


def test_a_whole_copy(copies: list[KnownCopy]) -> None:
    told: list[int] = []
    fact = read_copy(JOB, copies[0], 3, told.append)
    assert (fact["outcome"], fact["found"], fact["pass"]) == ("whole", SHA, 3)
    assert fact["read_from"] in {"medium", "cache"}
    assert sum(told) == len(CONTENT)
    assert_is_a_fact(fact)


def test_a_missing_copy(copies: list[KnownCopy]) -> None:
    where(copies[1]).unlink()
    fact = read_copy(JOB, copies[1], 1)
    assert (fact["outcome"], fact["found"], fact["read_from"]) == ("missing", None, None)
    assert_is_a_fact(fact)


@pytest.mark.parametrize("at", [0, 777, len(CONTENT) - 1])
def test_one_flipped_bit(copies: list[KnownCopy], at: int) -> None:
    bad = flip_a_bit(where(copies[1]), at)
    fact = read_copy(JOB, copies[1], 1)
    assert (fact["outcome"], fact["found"]) == ("differs", hashlib.sha256(bad).hexdigest())
    assert_is_a_fact(fact)


@pytest.mark.parametrize("size", [0, 1, len(CONTENT) - 1, len(CONTENT) + 1])
def test_a_copy_cut_short_or_grown(copies: list[KnownCopy], size: int) -> None:
    os.truncate(where(copies[1]), size)
    assert read_copy(JOB, copies[1], 1)["outcome"] == "differs"


def test_an_unreadable_copy_differs(copies: list[KnownCopy]) -> None:
    # a folder: reading it is an OSError, as reading a bad sector is
    where(copies[1]).unlink()
    where(copies[1]).mkdir()
    fact = read_copy(JOB, copies[1], 1)
    assert (fact["outcome"], fact["found"]) == ("differs", None)
    assert_is_a_fact(fact)


class _Troubled(FolderStore):
    """A folder whose reads fail so many times before they go through, as a bad cable's or a busy line's do."""

    def __init__(self, root: Path, error: OSError, times: int) -> None:
        super().__init__(root)
        vars(self).update(error=error, left=times)

    def read_back(self, path: str, on_bytes: Any = None) -> Any:
        if vars(self)["left"]:
            vars(self)["left"] -= 1
            raise vars(self)["error"]
        return super().read_back(path, on_bytes)


def troubled(copy: KnownCopy, error: OSError, times: int) -> KnownCopy:
    return replace(copy, volume=replace(copy.volume, store=_Troubled(copy.volume.root, error, times)))


def test_what_cannot_be_read_is_tried_once_more(copies: list[KnownCopy]) -> None:
    error = OSError(5, "Input/output error")
    assert read_copy(JOB, troubled(copies[0], error, 1), 1)["outcome"] == "whole"
    fact = read_copy(JOB, troubled(copies[0], error, 2), 1)
    assert (fact["outcome"], fact["found"]) == ("differs", None)


def test_a_line_that_breaks_says_nothing_of_the_copy(copies: list[KnownCopy]) -> None:
    assert read_copy(JOB, troubled(copies[0], ConnectionResetError("reset"), 1), 1)["outcome"] == "whole"
    with pytest.raises(VolumeError, match="The connection to volume working") as broken:
        read_copy(JOB, troubled(copies[0], ConnectionResetError("reset"), 2), 1)
    assert broken.value.exit_status == 3


@pytest.fixture
def many(copies: list[KnownCopy]) -> list[KnownCopy]:
    """Forty small files on each of three volumes, each volume a disk of its own; file by file, as the record has them."""
    made = []
    for number in range(40):
        content = bytes([number]) * (500 + number)
        for copy in copies:
            volume = replace(copy.volume, medium=f"disk of {copy.volume.name}")
            known = KnownCopy(hashlib.sha256(content).hexdigest(), volume, f"originals/{number}.DNG", len(content))
            where(known).parent.mkdir(parents=True, exist_ok=True)
            where(known).write_bytes(content)
            made.append(known)
    return made


@pytest.mark.parametrize("readers", [1, 2, 3, 8])
@pytest.mark.parametrize("disks", [1, 3])
def test_many_copies_are_read_as_one_by_one_and_in_order(many: list[KnownCopy], readers: int, disks: int) -> None:
    if disks == 1:
        many = [replace(copy, volume=replace(copy.volume, medium="one")) for copy in many]
    flip_a_bit(where(many[3]), 7)
    where(many[50]).unlink()
    told: list[int] = []
    one_by_one = [read_copy(JOB, copy, 4) for copy in many]
    read = list(read_copies(JOB, many, 4, told.append, readers=readers))
    # Whether the system could drop the pages of a file written a moment ago is its own affair.
    assert [{**fact, "read_from": None} for fact in read if isinstance(fact, dict)] == [
        {**fact, "read_from": None} for fact in one_by_one
    ]
    assert {fact["outcome"] for fact in one_by_one} == {"whole", "missing", "differs"}
    assert sum(told) == sum(copy.size for copy in many) - many[50].size
    assert list(read_copies(JOB, [], 4)) == []


def test_two_disks_are_read_at_once_and_one_disk_by_one_reader(
    many: list[KnownCopy], monkeypatch: pytest.MonkeyPatch
) -> None:
    two_disks = [copy for copy in many if copy.volume.name != "vault"][:20]
    first_two = threading.Barrier(2, timeout=30)
    lock = threading.Lock()
    at_work: list[str] = []
    begun: list[str] = []
    crowded: list[int] = []
    real = fixity.read_copy

    def watched(job: str, copy: KnownCopy, *words: Any) -> Any:
        medium = copy.volume.medium
        with lock:
            if medium in at_work:
                crowded.append(sum(other != medium for other in begun))
            at_work.append(medium)
            begun.append(medium)
        if copy in two_disks[:2]:
            first_two.wait()  # passes only when both are being read at one time
        fact = real(job, copy, *words)
        with lock:
            at_work.remove(medium)
        return fact

    monkeypatch.setattr(fixity, "read_copy", watched)
    assert len(list(read_copies(JOB, two_disks, 1, readers=2))) == 20
    assert set(crowded) <= {10}, "a disk takes a second reader only when every copy on the other has been begun"


def test_reading_does_not_run_far_ahead_of_what_is_taken(
    many: list[KnownCopy], monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[KnownCopy] = []
    real = fixity.read_copy

    def watched(job: str, copy: KnownCopy, *words: Any) -> Any:
        begun.append(copy)
        return real(job, copy, *words)

    monkeypatch.setattr(fixity, "read_copy", watched)
    reading = read_copies(JOB, many, 1)
    for taken in range(1, 31):
        next(reading)
        assert len(begun) <= taken + AHEAD
    reading.close()
    stopped = len(begun)
    assert stopped < len(many)
    assert [thread.name for thread in threading.enumerate() if thread.name.startswith("reader")] == []


def test_a_volume_that_goes_away_is_told_of_and_the_others_are_read(many: list[KnownCopy], tmp_path: Path) -> None:
    shutil.move(tmp_path / "backup", tmp_path / "drawer")
    (tmp_path / "backup").mkdir()  # an empty mount point
    for copy, result in zip(many, read_copies(JOB, many, 1), strict=True):
        if copy.volume.name == "backup":
            assert isinstance(result, VolumeError)
            assert result.code == "V001"
        else:
            assert isinstance(result, dict)
            assert result["outcome"] == "whole"


def test_a_damaged_identity_file_is_that_volumes_trouble(many: list[KnownCopy], tmp_path: Path) -> None:
    (tmp_path / "backup" / "glassine-volume.json").write_text("{")
    where(many[1]).unlink()  # only when a copy is not there is the volume asked for
    results = list(read_copies(JOB, many[:6], 1))
    assert [isinstance(result, VolumeError) for result in results][:3] == [False, True, False]


def test_a_defect_is_raised_where_the_results_are_taken(many: list[KnownCopy], monkeypatch: pytest.MonkeyPatch) -> None:
    def defect(*_: Any) -> None:
        raise _KilledError

    monkeypatch.setattr(fixity, "read_copy", defect)
    with pytest.raises(_KilledError):
        next(read_copies(JOB, many, 1))
    assert [thread.name for thread in threading.enumerate() if thread.name.startswith("reader")] == []


def test_repair_keeps_the_bad_file_and_does_not_touch_the_good_ones(
    copies: list[KnownCopy], names_under: NamesUnder
) -> None:
    bad_bytes = flip_a_bit(where(copies[1]))
    good_before = [state(where(copy)) for copy in (copies[0], copies[2])]
    fact = repair_copy(JOB, copies[1], [copies[0], copies[2]], 1)
    aside = f"aside/{PATH}.{hashlib.sha256(bad_bytes).hexdigest()[:10]}"
    assert (fact["aside"], fact["from_volume"]) == (aside, copies[0].volume.volume)
    assert_is_a_fact(fact)
    assert where(copies[1]).read_bytes() == CONTENT
    assert copies[1].volume.locate(JOB, aside).read_bytes() == bad_bytes
    assert [state(where(copy)) for copy in (copies[0], copies[2])] == good_before
    assert names_under(copies[1].volume.job_folder(JOB)) == sorted([PATH, aside])


def test_repair_of_a_missing_copy(copies: list[KnownCopy]) -> None:
    where(copies[1]).unlink()
    fact = repair_copy(JOB, copies[1], [copies[0]], 1)
    assert fact["aside"] is None
    assert where(copies[1]).read_bytes() == CONTENT


def test_repair_passes_over_a_good_copy_that_has_rotted_too(copies: list[KnownCopy]) -> None:
    flip_a_bit(where(copies[0]))
    rotten = state(where(copies[0]))
    where(copies[1]).unlink()
    assert repair_copy(JOB, copies[1], [copies[0], copies[2]], 1)["from_volume"] == copies[2].volume.volume
    assert where(copies[1]).read_bytes() == CONTENT
    assert state(where(copies[0])) == rotten


def test_repair_without_a_whole_copy_touches_nothing(copies: list[KnownCopy], names_under: NamesUnder) -> None:
    flip_a_bit(where(copies[0]))
    flip_a_bit(where(copies[1]), 5)
    where(copies[2]).unlink()
    before = [state(where(copy)) for copy in copies[:2]]
    with pytest.raises(GlassineError) as lost:
        repair_copy(JOB, copies[1], [copies[0], copies[2]], 1)
    assert (lost.value.code, lost.value.exit_status, PATH in str(lost.value)) == ("C003", 1, True)
    assert [state(where(copy)) for copy in copies[:2]] == before
    assert names_under(copies[2].volume.job_folder(JOB)) == []
    with pytest.raises(GlassineError, match="No whole copy"):
        repair_copy(JOB, copies[1], [], 1)


def test_a_copy_that_is_whole_after_all_is_left_as_it_is(copies: list[KnownCopy], names_under: NamesUnder) -> None:
    flip_a_bit(where(copies[0]))  # and it is the only whole one, whatever the record says of the others
    where(copies[2]).unlink()
    before = state(where(copies[1]))
    fact = repair_copy(JOB, copies[1], [copies[0], copies[2]], 1)
    assert (fact["from_volume"], fact["aside"]) == (copies[1].volume.volume, None)
    assert_is_a_fact(fact)
    assert state(where(copies[1])) == before
    assert names_under(copies[1].volume.job_folder(JOB)) == [PATH]


def test_repair_into_an_empty_mount_point_writes_nothing(copies: list[KnownCopy], tmp_path: Path) -> None:
    flip_a_bit(where(copies[1]))
    shutil.move(tmp_path / "backup", tmp_path / "drawer")
    (tmp_path / "backup").mkdir()
    with pytest.raises(VolumeError) as away:
        repair_copy(JOB, copies[1], [copies[0]], 1)
    assert away.value.code == "V001"
    assert list((tmp_path / "backup").iterdir()) == []


class _KilledError(BaseException):
    """Not an Exception, so that nothing on the way takes it for a fault and tidies up after it."""


@pytest.mark.parametrize("when", ["before the copy is made", "before it is said"])
def test_repair_goes_on_after_a_kill(
    copies: list[KnownCopy], monkeypatch: pytest.MonkeyPatch, names_under: NamesUnder, when: str
) -> None:
    bad_bytes = flip_a_bit(where(copies[1]))

    def killed(*_: Any, **__: Any) -> None:
        raise _KilledError

    with monkeypatch.context() as patch:
        patch.setattr(fixity, "replicate" if when == "before the copy is made" else "_repaired", killed)
        with pytest.raises(_KilledError):
            repair_copy(JOB, copies[1], [copies[0]], 1)
    aside = f"aside/{PATH}.{hashlib.sha256(bad_bytes).hexdigest()[:10]}"
    assert copies[1].volume.locate(JOB, aside).read_bytes() == bad_bytes
    fact = repair_copy(JOB, copies[1], [copies[0]], 1)
    assert_is_a_fact(fact)
    assert where(copies[1]).read_bytes() == CONTENT
    assert names_under(copies[1].volume.job_folder(JOB)) == sorted([PATH, aside])


def test_every_bad_file_put_aside_is_kept(copies: list[KnownCopy]) -> None:
    for number in range(3):  # a folder has no digest, so all three would bear one name
        if number:
            where(copies[1]).unlink()
        else:
            flip_a_bit(where(copies[1]))
            repair_copy(JOB, copies[1], [copies[0]], 1)
            where(copies[1]).unlink()
        where(copies[1]).mkdir()
        (where(copies[1]) / f"sector {number}").touch()
        repair_copy(JOB, copies[1], [copies[0]], 1)
    aside = copies[1].volume.locate(JOB, f"aside/{PATH}.unreadable").parent
    assert len(list(aside.iterdir())) == 4
    assert sorted(path.name for path in aside.glob("*/sector*")) == ["sector 0", "sector 1", "sector 2"]


def test_repair_on_a_full_volume_says_so_and_can_be_run_again(
    copies: list[KnownCopy], monkeypatch: pytest.MonkeyPatch
) -> None:
    bad_bytes = flip_a_bit(where(copies[1]))

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("glassine.schemas.file_system.flush", full)
        with pytest.raises(VolumeError) as refused:
            repair_copy(JOB, copies[1], [copies[0]], 1)
    assert (refused.value.code, "is full" in str(refused.value)) == ("V003", True)
    (aside,) = copies[1].volume.locate(JOB, f"aside/{PATH}").parent.iterdir()
    assert aside.read_bytes() == bad_bytes
    repair_copy(JOB, copies[1], [copies[0]], 1)
    assert where(copies[1]).read_bytes() == CONTENT
