"""Reading copies again and mending them; a good copy is never touched."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.errors import GlassineError, VolumeError
from glassine.schemas.validation import check_document
from glassine.tasks.custody import fixity
from glassine.tasks.custody.fixity import KnownCopy, read_copy, repair_copy
from glassine.tasks.custody.replication import replicate
from glassine.tasks.custody.source_file import SourceFile
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
    flip_a_bit(where(copies[1]))

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("glassine.schemas.file_system.flush", full)
        with pytest.raises(VolumeError) as refused:
            repair_copy(JOB, copies[1], [copies[0]], 1)
    assert (refused.value.code, "is full" in str(refused.value)) == ("V003", True)
    repair_copy(JOB, copies[1], [copies[0]], 1)
    assert where(copies[1]).read_bytes() == CONTENT
