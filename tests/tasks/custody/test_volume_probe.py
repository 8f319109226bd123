"""What a folder's file system is found to do, on real ones where this machine has them."""

from __future__ import annotations

import errno
import os
import shutil
import time
from pathlib import Path
from typing import IO, Any

import pytest

from glassine.schemas import file_system
from glassine.tasks.custody.volume_probe import COARSEST_CLOCK_S, probe_folder


def test_a_good_folder_and_nothing_is_left_in_it(tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("mine")
    found = probe_folder(tmp_path)
    assert (found.unwritable, found.no_replace) == ("", "")
    assert abs(found.clock_off_s) < COARSEST_CLOCK_S
    assert found.device == tmp_path.stat().st_dev
    assert 0 < found.free_bytes <= shutil.disk_usage(tmp_path).total
    assert [path.name for path in tmp_path.iterdir()] == ["kept"]


def test_folder_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        probe_folder(tmp_path / "away")
    assert not (tmp_path / "away").exists()


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a folder that nobody can write in")
def test_folder_that_cannot_be_written_says_why() -> None:
    found = probe_folder(Path("/proc/self"))
    assert found.unwritable
    assert found.clock_off_s == 0


@pytest.mark.parametrize("hours", [-1, 3])
def test_clock_of_the_file_system_is_told_from_the_systems(
    hours: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flush = file_system.flush

    def flush_and_date(stream: IO[bytes]) -> None:  # what a network drive with another clock does
        flush(stream)
        os.utime(stream.fileno(), times=(time.time(), time.time() + hours * 3600))

    monkeypatch.setattr(file_system, "flush", flush_and_date)
    assert probe_folder(tmp_path).clock_off_s == pytest.approx(hours * 3600, abs=60)


def test_file_system_without_links_and_no_replace_rename(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*names: Any) -> bool:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(file_system, "link", refuse)
    monkeypatch.setattr(file_system, "rename_if_absent", refuse)
    found = probe_folder(tmp_path)
    assert "neither hard links" in found.no_replace
    assert found.unwritable == ""
    assert list(tmp_path.iterdir()) == []
