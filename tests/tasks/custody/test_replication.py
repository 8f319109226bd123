"""One read, many copies; nothing overwritten, nothing half, nothing left behind."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas import durable_file, file_system
from glassine.schemas.errors import FixityError, VolumeError
from glassine.tasks.custody import replication, source_file, store
from glassine.tasks.custody.medium import ReadBack, read_back
from glassine.tasks.custody.replication import replicate
from glassine.tasks.custody.source_file import SourceFile
from glassine.tasks.custody.volume import Volume, make_volume

JOB = "2611-04"
CONTENT = bytes(range(256)) * 50
SHA = hashlib.sha256(CONTENT).hexdigest()
NamesUnder = Callable[[Path], list[str]]


def place(sha256: str) -> str:
    return f"originals/100/A.{sha256[:8]}.DNG"


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "card" / "A.DNG"
    path.parent.mkdir()
    path.write_bytes(CONTENT)
    os.utime(path, ns=(1_700_000_000_000_000_000, 1_600_000_000_123_456_789))
    return path


def test_a_pipe_can_be_read_once_and_gives_every_copy(
    tmp_path: Path, volumes: list[Volume], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(source_file, "BLOCK_BYTES", 1000)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=pipe.write_bytes, args=(CONTENT,))
    writer.start()
    told: list[int] = []
    replica = replicate(SourceFile(pipe), JOB, volumes, place, on_bytes=told.append)
    writer.join()
    assert (replica.sha256, replica.size, sum(told)) == (SHA, len(CONTENT), len(CONTENT))
    assert [copy.volume for copy in replica.copies] == [volume.volume for volume in volumes]
    assert replica.failures == []
    for volume in volumes:
        assert volume.locate(JOB, place(SHA)).read_bytes() == CONTENT


def test_the_source_is_opened_once_and_only_read(
    source: Path, volumes: list[Volume], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []
    real = Path.open

    def open_path(path: Path, mode: str = "r", *args: Any, **words: Any) -> Any:
        if path == source:
            opened.append(mode)
        return real(path, mode, *args, **words)

    monkeypatch.setattr(Path, "open", open_path)
    replicate(SourceFile(source), JOB, volumes, place)
    assert opened == ["rb"]


def test_times_are_kept_and_temporary_names_are_gone(
    source: Path, volumes: list[Volume], names_under: NamesUnder
) -> None:
    replicate(SourceFile(source), JOB, volumes, place)
    for volume in volumes:
        copy = volume.locate(JOB, place(SHA))
        assert copy.stat().st_mtime_ns == 1_600_000_000_123_456_789
        assert copy.stat().st_nlink == 1
        assert copy.stat().st_ino != source.stat().st_ino
        assert names_under(volume.job_folder(JOB)) == [place(SHA)]
    assert source.read_bytes() == CONTENT


def test_a_name_with_other_content_is_left_and_a_longer_one_taken(
    source: Path, volumes: list[Volume], names_under: NamesUnder
) -> None:
    taken = volumes[1].locate(JOB, place(SHA))
    taken.parent.mkdir(parents=True)
    taken.write_bytes(b"something else")
    replica = replicate(SourceFile(source), JOB, volumes, place)
    longer = f"originals/100/A.{SHA[:24]}.DNG"
    assert [copy.path for copy in replica.copies] == [place(SHA), longer, place(SHA)]
    assert taken.read_bytes() == b"something else"
    assert volumes[1].locate(JOB, longer).read_bytes() == CONTENT
    again = replicate(SourceFile(source), JOB, volumes, place)
    assert [(copy.volume, copy.path) for copy in again.copies] == [(copy.volume, copy.path) for copy in replica.copies]
    assert names_under(volumes[1].job_folder(JOB)) == sorted([place(SHA), longer])


def test_both_names_taken_is_a_failure_of_that_volume_only(source: Path, volumes: list[Volume]) -> None:
    folder = volumes[1].locate(JOB, "originals/100")
    folder.mkdir(parents=True)
    (folder / f"A.{SHA[:8]}.DNG").write_bytes(b"one")
    (folder / f"A.{SHA[:24]}.DNG").write_bytes(b"two")
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert [copy.volume for copy in replica.copies] == [volumes[0].volume, volumes[2].volume]
    (failure,) = replica.failures
    assert (failure.code, "backup" in str(failure)) == ("V003", True)
    assert sorted(path.read_bytes() for path in folder.iterdir()) == [b"one", b"two"]


def test_a_folder_that_bears_the_name_is_not_replaced(
    source: Path, volumes: list[Volume], names_under: NamesUnder
) -> None:
    volumes[0].locate(JOB, place(SHA)).mkdir(parents=True)
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert len(replica.copies) == 2
    assert [failure.code for failure in replica.failures] == ["V003"]
    assert names_under(volumes[0].job_folder(JOB)) == []


def test_the_same_content_under_the_name_is_that_copy(source: Path, volumes: list[Volume]) -> None:
    """As after a kill between the placing and the record."""
    there = volumes[0].locate(JOB, place(SHA))
    there.parent.mkdir(parents=True)
    there.write_bytes(CONTENT)
    inode = there.stat().st_ino
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert len(replica.copies) == 3
    assert there.stat().st_ino == inode


def test_a_file_under_the_name_that_the_medium_gives_otherwise_is_no_copy(
    source: Path, volumes: list[Volume], monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the cache it reads as it should, from the disk it does not: the longer name is taken."""
    there = volumes[0].locate(JOB, place(SHA))
    there.parent.mkdir(parents=True)
    there.write_bytes(CONTENT)

    def from_disk(path: Path, **words: Any) -> ReadBack:
        return ReadBack("0" * 64, "medium") if path == there else read_back(path, **words)

    monkeypatch.setattr(store, "read_back", from_disk)
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert [copy.path for copy in replica.copies] == [f"originals/100/A.{SHA[:24]}.DNG", place(SHA), place(SHA)]


def test_known_content_is_read_and_not_placed(source: Path, volumes: list[Volume], names_under: NamesUnder) -> None:
    asked: list[str] = []

    def is_known(sha256: str) -> bool:
        asked.append(sha256)
        return True

    replica = replicate(SourceFile(source), JOB, volumes, place, is_known=is_known)
    assert (asked, replica.sha256, replica.copies, replica.failures) == ([SHA], SHA, [], [])
    assert [names_under(volume.job_folder(JOB)) for volume in volumes] == [[], [], []]


def test_a_source_that_is_not_what_it_should_be_is_not_placed(
    source: Path, volumes: list[Volume], names_under: NamesUnder
) -> None:
    with pytest.raises(FixityError) as differs:
        replicate(SourceFile(source), JOB, volumes, place, expected="0" * 64)
    assert (differs.value.code, differs.value.expected, differs.value.found) == ("C001", "0" * 64, SHA)
    assert [names_under(volume.job_folder(JOB)) for volume in volumes] == [[], [], []]


@pytest.mark.parametrize("there", ["nothing", "a folder"])
def test_a_source_that_cannot_be_read(
    tmp_path: Path, volumes: list[Volume], names_under: NamesUnder, there: str
) -> None:
    source = tmp_path / "gone.DNG"
    if there == "a folder":
        source.mkdir()
    with pytest.raises(VolumeError) as unreadable:
        replicate(SourceFile(source), JOB, volumes, place)
    assert (unreadable.value.code, str(source) in str(unreadable.value)) == ("V004", True)
    assert [names_under(volume.job_folder(JOB)) for volume in volumes] == [[], [], []]


@pytest.mark.parametrize("end", [0, 5000, len(CONTENT) + 1])
def test_a_short_read_or_a_file_still_being_written_is_no_frame(
    source: Path, volumes: list[Volume], names_under: NamesUnder, monkeypatch: pytest.MonkeyPatch, end: int
) -> None:
    """The file's length, once told, changes while it is read: a reader that gives up, a camera that still writes."""
    monkeypatch.setattr(source_file, "BLOCK_BYTES", 1024)
    real = os.fstat

    def stat_then_change(descriptor: int) -> os.stat_result:
        status = real(descriptor)
        os.truncate(source, end)
        return status

    monkeypatch.setattr(source_file.os, "fstat", stat_then_change)  # type: ignore[attr-defined]
    with pytest.raises(VolumeError) as short:
        replicate(SourceFile(source), JOB, volumes, place)
    assert short.value.code == "V004"
    assert f"{end} of {len(CONTENT)} bytes" in str(short.value)
    assert [names_under(volume.job_folder(JOB)) for volume in volumes] == [[], [], []]


def test_an_empty_file_is_a_file(tmp_path: Path, volumes: list[Volume]) -> None:
    source = tmp_path / "empty.DNG"
    source.touch()
    replica = replicate(SourceFile(source), JOB, volumes, place)
    # FIPS 180-4: the digest of the empty message
    assert replica.sha256 == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert len(replica.copies) == 3


def test_a_copy_that_reads_back_otherwise_is_thrown_away(
    source: Path, volumes: list[Volume], names_under: NamesUnder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flipped bit between writing and the medium."""

    def flip(path: Path, **words: Any) -> ReadBack:
        if path.is_relative_to(volumes[1].root):
            content = bytearray(path.read_bytes())
            content[1234] ^= 1
            path.write_bytes(content)
        return read_back(path, **words)

    monkeypatch.setattr(store, "read_back", flip)
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert [copy.volume for copy in replica.copies] == [volumes[0].volume, volumes[2].volume]
    (failure,) = replica.failures
    assert (failure.code, "backup" in str(failure)) == ("V003", True)
    assert names_under(volumes[1].job_folder(JOB)) == []


@pytest.mark.parametrize("call", ["make_folder", "create", "write", "flush", "set_times", "link", "flush_folder"])
def test_a_volume_that_fails_is_told_of_and_the_others_go_on(
    source: Path, volumes: list[Volume], names_under: NamesUnder, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """An input/output error of one disk at each step."""
    bad = volumes[1].root

    def unless_bad(path: Any) -> Any:
        if Path(path).is_relative_to(bad):
            raise OSError(5, "Input/output error", str(path))
        return path

    real = getattr(file_system, call)

    def fail(first: Any, *words: Any) -> Any:
        unless_bad(first if isinstance(first, Path) else first.name)
        return real(first, *words)

    monkeypatch.setattr(file_system, call, fail)
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert [copy.volume for copy in replica.copies] == [volumes[0].volume, volumes[2].volume]
    assert [failure.code for failure in replica.failures] == ["V003"]
    assert names_under(bad / JOB) == []
    assert names_under(volumes[2].job_folder(JOB)) == [place(SHA)]


def test_a_volume_taken_out_since_is_not_written_into_its_empty_mount_point(
    source: Path, volumes: list[Volume], tmp_path: Path
) -> None:
    shutil.move(volumes[1].root, tmp_path / "drawer")
    volumes[1].root.mkdir()
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert [failure.code for failure in replica.failures] == ["V001"]
    assert list(volumes[1].root.iterdir()) == []
    assert len(replica.copies) == 2


def test_another_disk_in_its_place_is_not_written(source: Path, volumes: list[Volume], tmp_path: Path) -> None:
    shutil.move(volumes[1].root, tmp_path / "drawer")
    other = make_volume(volumes[1].root, "someone's")
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert [failure.code for failure in replica.failures] == ["V002"]
    assert [path.name for path in other.root.iterdir()] == ["glassine-volume.json"]
    assert len(replica.copies) == 2


def test_without_hard_links_a_copy_is_renamed_into_place_and_replaces_nothing(
    source: Path, volumes: list[Volume], names_under: NamesUnder, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any) -> None:
        raise OSError(1, "Operation not permitted")  # EPERM: what Linux answers on exFAT (link(2))

    monkeypatch.setattr(os, "link", refuse)
    taken = volumes[1].locate(JOB, place(SHA))
    taken.parent.mkdir(parents=True)
    taken.write_bytes(b"something else")
    replica = replicate(SourceFile(source), JOB, volumes, place)
    assert len(replica.copies) == 3
    assert taken.read_bytes() == b"something else"
    assert names_under(volumes[0].job_folder(JOB)) == [place(SHA)]
    assert len(names_under(volumes[1].job_folder(JOB))) == 2


def test_only_leftovers_whose_writer_is_gone_are_removed(
    source: Path, volumes: list[Volume], names_under: NamesUnder, monkeypatch: pytest.MonkeyPatch
) -> None:
    replicate(SourceFile(source), JOB, volumes, place)
    folder = volumes[0].job_folder(JOB)
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    own = durable_file.temporary_name()
    of_the_dead = own.replace(f"-{os.getpid()}-", f"-{gone.pid}-")
    of_another_machine = re.sub("-[0-9a-f]{8}-", "-00000000-", own)
    for name in (own, of_the_dead, of_another_machine, ".glassine-0123456789ab.part", ".other.part"):
        (folder / "originals" / name).write_bytes(CONTENT)
        os.utime(folder / "originals" / name, ns=(0, 0))  # a copy bears the time of the file on the card
    before = names_under(folder)
    volumes[0].store.remove_leftovers(JOB)
    assert sorted({*before} - {*names_under(folder)}) == [f"originals/{of_the_dead}"]
    now = time.time()
    monkeypatch.setattr(durable_file.time, "time", lambda: now + 2 * 24 * 3600)  # type: ignore[attr-defined]
    durable_file.abandon(own)
    volumes[0].store.remove_leftovers(JOB)
    assert names_under(folder) == sorted([place(SHA), "originals/.other.part"])
    volumes[0].store.remove_leftovers("absent")


def test_a_leftover_of_this_very_process_is_removed_once_it_has_done_with_it(volumes: list[Volume]) -> None:
    """Its disk was away when it should have been removed, and the process goes on for hours."""
    folder = volumes[0].job_folder(JOB) / "originals"
    folder.mkdir(parents=True)
    left = folder / durable_file.temporary_name()
    left.write_bytes(CONTENT)
    volumes[0].store.remove_leftovers(JOB)
    assert left.exists()
    durable_file.abandon(left.name)
    volumes[0].store.remove_leftovers(JOB)
    assert not left.exists()


def test_old_packing_folders_are_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / ".packing-1").mkdir()
    (tmp_path / ".packing-1" / "0001.tif").write_bytes(CONTENT)
    replication.remove_old(tmp_path.iterdir())
    assert (tmp_path / ".packing-1").exists()
    now = time.time()
    monkeypatch.setattr(replication.time, "time", lambda: now + 2 * 24 * 3600)  # type: ignore[attr-defined]
    replication.remove_old(tmp_path.iterdir())
    assert list(tmp_path.iterdir()) == []


def test_extended_attributes_of_the_user_are_kept(source: Path, volumes: list[Volume]) -> None:
    if not hasattr(os, "setxattr"):
        pytest.skip("extended attributes are read on Linux only")
    try:
        os.setxattr(source, "user.note", b"from the second body")
    except OSError:
        pytest.skip("no extended attributes on this file system")
    replicate(SourceFile(source), JOB, volumes, place)
    for volume in volumes:
        assert os.getxattr(volume.locate(JOB, place(SHA)), "user.note") == b"from the second body"


def test_a_source_that_is_written_over_while_it_is_read_is_refused(
    source: Path, volumes: list[Volume], names_under: NamesUnder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the same length, so that no count of bytes tells."""
    monkeypatch.setattr(source_file, "BLOCK_BYTES", 1000)

    def write_over(_: int) -> None:
        source.write_bytes(CONTENT[::-1])

    with pytest.raises(VolumeError, match="changed while it was read") as changed:
        replicate(SourceFile(source), JOB, volumes, place, on_bytes=write_over)
    assert changed.value.code == "V004"
    assert [names_under(volume.job_folder(JOB)) for volume in volumes] == [[], [], []]


def test_two_runs_at_once_place_one_copy(tmp_path: Path, source: Path, volumes: list[Volume]) -> None:
    replicas: list[replication.Replica] = []
    start = threading.Barrier(4)

    def run() -> None:
        start.wait()
        replicas.append(replicate(SourceFile(source), JOB, volumes, place))

    runs = [threading.Thread(target=run) for _ in range(4)]
    for each in runs:
        each.start()
    for each in runs:
        each.join()
    assert [len(replica.copies) for replica in replicas] == [3, 3, 3, 3]
    for volume in volumes:
        assert [path.name for path in volume.locate(JOB, "originals/100").iterdir()] == [f"A.{SHA[:8]}.DNG"]
        assert volume.locate(JOB, place(SHA)).read_bytes() == CONTENT
