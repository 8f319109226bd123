"""Reading back: from the medium where the system can, and never more than the file holds."""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path

import pytest

from glassine.schemas import file_system
from glassine.tasks.custody.medium import read_back


def flushed(path: Path) -> Path:
    with path.open("wb") as stream:
        stream.write(b"abc")
        file_system.flush(stream)
    return path


def test_the_digest_and_where_it_was_read(tmp_path: Path) -> None:
    path = flushed(tmp_path / "copy")
    steps: list[int] = []
    found = read_back(path, on_bytes=steps.append)
    assert found.sha256 == hashlib.sha256(b"abc").hexdigest()
    assert found.read_from == ("medium" if sys.platform == "linux" else "cache")
    assert steps == [3]


@pytest.mark.skipif(sys.platform != "linux", reason="posix_fadvise and mincore's count of cached pages")
def test_cached_pages_are_asked_to_be_dropped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int, int, int]] = []
    real = os.posix_fadvise

    def advise(descriptor: int, offset: int, length: int, advice: int) -> None:
        asked.append((offset, length, advice))
        real(descriptor, offset, length, advice)

    monkeypatch.setattr(os, "posix_fadvise", advise)
    path = flushed(tmp_path / "copy")
    read_back(path)
    assert set(asked) == {(0, 0, os.POSIX_FADV_DONTNEED)}  # length 0: to the end (IEEE Std 1003.1, posix_fadvise)


@pytest.mark.skipif(sys.platform != "linux", reason="posix_fadvise")
def test_a_system_that_refuses_is_told_as_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: int) -> None:
        raise OSError(22, "Invalid argument")

    monkeypatch.setattr(os, "posix_fadvise", refuse)
    path = tmp_path / "copy"
    path.write_bytes(b"abc")
    assert read_back(path) == (hashlib.sha256(b"abc").hexdigest(), "cache")


@pytest.mark.skipif(sys.platform != "linux", reason="preadv2 with RWF_NOWAIT")
def test_pages_that_stayed_in_memory_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The system was asked to drop them, and did not: what is read then is no proof of what the disk holds."""
    monkeypatch.setattr(os, "posix_fadvise", lambda *_: None)
    path = flushed(tmp_path / "copy")
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.preadv(descriptor, [bytearray(1)], 0, os.RWF_NOWAIT)
    except OSError:
        pytest.skip("this file system cannot say what is cached")
    finally:
        os.close(descriptor)
    assert read_back(path).read_from == "cache"


@pytest.mark.skipif(sys.platform != "linux", reason="preadv2 with RWF_NOWAIT")
def test_where_nobody_can_say_it_is_called_the_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def cannot_say(*_: object) -> int:
        raise OSError(95, "Operation not supported")  # EOPNOTSUPP: a disk in memory, some network drives

    monkeypatch.setattr(os, "preadv", cannot_say)
    assert read_back(flushed(tmp_path / "copy")).read_from == "cache"


def test_a_missing_file_is_no_empty_file(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read_back(tmp_path / "absent")
