"""One suite for every kind of store: what custody asks of a place that keeps files."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import stat
import subprocess
import sys
import threading
import time
import unicodedata
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest

from glassine.schemas import durable_file
from glassine.schemas.errors import VolumeError
from glassine.tasks.custody.digest import BLOCK_BYTES
from glassine.tasks.custody.source_file import SourceFile
from glassine.tasks.custody.store import Store, Traits, hash_stored

CONTENT = bytes(range(256)) * 40
LARGE = os.urandom(BLOCK_BYTES + 2**20 + 17)
"""5 MB and a bit: two blocks, the second not full."""
NAMES = (
    "A frame 1.dng",
    "Käthe Groß.dng",
    "100% – 50%25.dng",
    'it\'s "quoted".dng',
    "$(x);&|*?[a].dng",
    "-rf",
    ".hidden",
    "写真.dng",
    "a/b/c/d/deep.dng",
)
FIPS_640 = (b"01234567" * 80, "594847328451bdfa85056225462cc1d867d877fb388df0ce35f25ab5562bfbb5")
"""RFC 6234, section 8.5, TEST4: ten times 64 bytes."""


def everything(folder: Path) -> dict[str, bytes]:
    """The path and content of every file under a folder, temporary ones too."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def put(store: Store, path: str, content: bytes, traits: Traits | None = None) -> bool:
    """As a copy is put in place: written, finished, placed."""
    with store.begin(path.rpartition("/")[0]) as incoming:
        for begin in range(0, len(content), BLOCK_BYTES):
            incoming.write(content[begin : begin + BLOCK_BYTES])
        incoming.finish(traits)
        return incoming.place(path)


@pytest.mark.parametrize("content", [b"", b"\0", CONTENT, LARGE], ids=["empty", "one byte", "10 kB", "5 MB"])
def test_bytes_come_back(store: Store, folder: Path, content: bytes) -> None:
    assert put(store, "job/originals/A.dng", content)
    assert everything(folder) == {"job/originals/A.dng": content}
    assert b"".join(store.read_blocks("job/originals/A.dng")) == content
    assert store.read_bytes("job/originals/A.dng") == content
    assert hash_stored(store, "job/originals/A.dng") == hashlib.sha256(content).hexdigest()
    assert [(found.name, found.size) for found in store.list_files("job/originals")] == [("A.dng", len(content))]


@pytest.mark.parametrize("name", NAMES)
def test_names_that_a_system_bears(store: Store, folder: Path, name: str) -> None:
    assert unicodedata.is_normalized("NFC", name)
    path = f"job/{name}"
    assert put(store, path, CONTENT)
    assert store.exists(path)
    assert store.read_bytes(path) == CONTENT
    assert everything(folder) == {path: CONTENT}
    assert [found.name for found in store.list_files(path.rpartition("/")[0])] == [name.rpartition("/")[2]]
    store.move(path, f"aside/{name}")
    assert everything(folder) == {f"aside/{name}": CONTENT}


def test_put_if_absent(store: Store, folder: Path) -> None:
    assert store.put_if_absent("job/record/00000001.json", CONTENT)
    assert store.put_if_absent("job/record/00000001.json", CONTENT), "these very bytes are there"
    assert not store.put_if_absent("job/record/00000001.json", CONTENT[1:])
    assert store.put_if_absent("top.json", b""), "in the store's own folder too"
    assert everything(folder) == {"job/record/00000001.json": CONTENT, "top.json": b""}


def race(calls: list[Callable[[], bool]]) -> list[bool]:
    """Call each in a thread of its own, all at once."""
    start = threading.Barrier(len(calls))

    def run(call: Callable[[], bool]) -> bool:
        start.wait()
        return call()

    with ThreadPoolExecutor(len(calls)) as threads:
        return list(threads.map(run, calls))


def test_one_of_several_writers_wins(store: Store, folder: Path) -> None:
    for turn in range(5):
        path = f"race/{turn}"
        won = race([partial(store.put_if_absent, path, b"%d" % writer) for writer in range(4)])
        assert sum(won) == 1
        assert store.read_bytes(f"race/{turn}") == b"%d" % won.index(True)
    assert len(everything(folder)) == 5


def test_one_of_several_copies_gets_the_name(store: Store, folder: Path) -> None:
    for turn in range(3):
        path = f"deep/{turn}/A.dng"
        won = race([partial(put, store, path, bytes([writer]) * 100_000) for writer in range(3)])
        assert sum(won) == 1
        assert store.read_bytes(f"deep/{turn}/A.dng") == bytes([won.index(True)]) * 100_000
    assert len(everything(folder)) == 3


def test_several_copies_at_once_are_all_whole(store: Store, folder: Path) -> None:
    contents = [bytes([number]) * (BLOCK_BYTES + number) for number in range(4)]
    placed = race([partial(put, store, f"job/{number}", content) for number, content in enumerate(contents)])
    assert placed == [True] * 4
    assert everything(folder) == {f"job/{number}": content for number, content in enumerate(contents)}


@pytest.mark.parametrize("how", ["nothing", "written", "finished", "raised"])
def test_what_was_begun_and_not_placed_leaves_nothing(store: Store, folder: Path, how: str) -> None:
    try:
        with store.begin("job/originals") as incoming:
            if how != "nothing":
                incoming.write(CONTENT)
                assert list(everything(folder)) != [], "it is written as it comes"
            if how == "finished":
                incoming.finish(None)
            if how == "raised":
                raise RuntimeError("stopped")
    except RuntimeError:
        pass
    assert everything(folder) == {}


def test_a_taken_name_is_left_as_it_is(store: Store, folder: Path) -> None:
    assert put(store, "job/A.dng", CONTENT)
    with store.begin("job") as incoming:
        incoming.write(b"other")
        incoming.finish(None)
        assert not incoming.place("job/A.dng")
        assert everything(folder)["job/A.dng"] == CONTENT
        assert incoming.place("job/B.dng"), "it may still get another name"
    (folder / "job" / "C.dng").mkdir()
    with store.begin("job") as incoming:
        incoming.write(b"other")
        incoming.finish(None)
        assert not incoming.place("job/C.dng"), "a folder bears the name"
    assert everything(folder) == {"job/A.dng": CONTENT, "job/B.dng": b"other"}


def test_move_takes_no_name_that_is_taken(store: Store, folder: Path) -> None:
    for name in ("A", "B"):
        assert put(store, f"job/{name}", name.encode())
    with pytest.raises(FileExistsError):
        store.move("job/A", "job/B")
    with pytest.raises(FileNotFoundError):
        store.move("job/absent", "job/elsewhere")
    assert everything(folder) == {"job/A": b"A", "job/B": b"B"}
    store.move("job/A", "aside/new/A")
    assert everything(folder) == {"aside/new/A": b"A", "job/B": b"B"}


def test_replace(store: Store, folder: Path) -> None:
    store.replace("job/people.json", b"first")
    store.replace("job/people.json", CONTENT)
    assert everything(folder) == {"job/people.json": CONTENT}


def test_what_is_absent(store: Store, folder: Path) -> None:
    assert store.list_files("absent/folder") == []
    assert store.list_folders("absent/folder") == []
    assert not store.exists("absent/folder")
    (folder / "file").write_bytes(b"")
    assert store.list_files("file") == []
    for read in (
        store.read_bytes,
        store.read_back,
        store.traits,
        store.flush,
        lambda path: list(store.read_blocks(path)),
    ):
        with pytest.raises(FileNotFoundError):
            read("absent/A.dng")
    assert everything(folder) == {"file": b""}


def test_what_is_listed(store: Store, folder: Path) -> None:
    for name in ("b", "a", ".c"):
        assert put(store, f"job/{name}", name.encode())
    for name in ("z", "y"):
        (folder / "job" / name).mkdir()
    (folder / "elsewhere").mkdir()
    for name, target in (("link", "a"), ("lost", "nowhere"), ("out", "../elsewhere")):
        (folder / "job" / name).symlink_to(target)
    listed = store.list_files("job")
    assert [(found.name, found.size) for found in listed] == [(".c", 2), ("a", 1), ("b", 1)]
    assert all(abs(found.changed - time.time()) < 600 for found in listed)
    assert store.list_folders("job") == ["y", "z"]
    assert store.list_folders("") == ["elsewhere", "job"]


def test_times_are_kept(store: Store, kind: str, folder: Path) -> None:
    times = (1_700_000_001_500_000_000, 1_600_000_000_123_456_789)
    assert put(store, "job/A.dng", CONTENT, Traits(times))
    status = (folder / "job" / "A.dng").stat()
    unit = 1 if kind == "folder" else 10**9  # SFTP tells whole seconds
    assert status.st_mtime_ns // unit == times[1] // unit
    assert store.traits("job/A.dng").times_ns[1] // unit == times[1] // unit
    for ancient in (-1_000_000_000_000, 2**32 * 10**9):  # before 1970, and after 2106
        assert put(store, f"job/{ancient}", CONTENT, Traits((0, ancient)))


@pytest.mark.parametrize("content", [b"", CONTENT, LARGE, FIPS_640[0]], ids=["empty", "10 kB", "5 MB", "FIPS"])
def test_read_back_gives_the_digest(store: Store, folder: Path, kind: str, content: bytes) -> None:
    with store.begin("job") as incoming:
        incoming.write(content)
        incoming.finish(None)
        before = incoming.read_back()
        assert incoming.place("job/A.dng")
    told: list[int] = []
    after = store.read_back("job/A.dng", told.append)
    assert before.sha256 == after.sha256 == hashlib.sha256(content).hexdigest()
    assert sum(told) == len(content)
    if kind != "folder":
        assert (before.read_from, after.read_from) == ("cache", "cache")
    if content == FIPS_640[0]:
        assert after.sha256 == FIPS_640[1]
    if program := shutil.which("sha256sum"):
        said = subprocess.run([program, folder / "job" / "A.dng"], capture_output=True, text=True, check=True).stdout
        assert said.split()[0] == after.sha256


def test_read_back_sees_what_lies_there_now(store: Store, folder: Path) -> None:
    assert put(store, "job/A.dng", LARGE)
    changed = bytearray(LARGE)
    changed[BLOCK_BYTES + 5] ^= 1
    (folder / "job" / "A.dng").write_bytes(changed)
    assert store.read_back("job/A.dng").sha256 == hashlib.sha256(changed).hexdigest()


def test_leftovers_of_the_dead_are_removed(
    store: Store, kind: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    own = durable_file.temporary_name()
    of_the_dead = own.replace(f"-{os.getpid()}-", f"-{gone.pid}-")
    of_another = re.sub("-[0-9a-f]{8}-", "-00000000-", own)
    kept = {}
    for depth in ("job", "job/originals", "job/originals/100"):
        (folder / depth).mkdir()
        for name in (own, of_another, ".glassine-other", "A.dng"):
            kept[f"{depth}/{name}"] = CONTENT
            (folder / depth / name).write_bytes(CONTENT)
        (folder / depth / of_the_dead).write_bytes(CONTENT)
    store.remove_leftovers("job")
    store.remove_leftovers("absent")
    assert everything(folder) == kept
    now = time.time
    monkeypatch.setattr(durable_file.time, "time", lambda: now() + 2 * 24 * 3600)  # type: ignore[attr-defined]
    if kind != "folder":
        store.remove_leftovers("job")
        assert everything(folder) == kept, "written just now by the server's clock, though ours is two days ahead"
        for path in folder.rglob(".glassine-*"):
            os.utime(path, (now() - 2 * 24 * 3600, now() - 2 * 24 * 3600))
    store.remove_leftovers("job")
    assert {path for path in everything(folder) if of_another in path} == set(), "of another machine, after a day"
    assert {path for path in everything(folder) if own not in path} == {path for path in kept if "part" not in path}


def test_a_file_under_way_is_no_leftover_though_its_original_is_old(store: Store, folder: Path) -> None:
    """A copy bears the time of the file on the card: another machine must not take it for one that was left."""
    with store.begin("job/originals") as incoming:
        incoming.write(CONTENT)
        incoming.finish(Traits((0, 1_000_000_000)))
        (temporary,) = (folder / "job" / "originals").iterdir()
        foreign = temporary.with_name(re.sub("-[0-9a-f]{8}-", "-00000000-", temporary.name))
        temporary.rename(foreign)
        store.remove_leftovers("job")
        assert foreign.exists()
        foreign.rename(temporary)
        assert incoming.place("job/originals/A.dng")


def test_flush_and_room(store: Store, kind: str) -> None:
    assert put(store, "job/A.dng", CONTENT)
    store.flush("job/A.dng")
    free = store.free_bytes()
    if kind == "sftp without extensions":
        assert free is None
    else:
        assert free is not None
        assert 0 < free < 2**60


def test_a_folder_that_may_not_be_written(store: Store, folder: Path) -> None:
    locked = folder / "job"
    locked.mkdir()
    if os.geteuid() == 0:
        locked = folder / "file"
        locked.write_bytes(b"")
    else:
        locked.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        with pytest.raises(VolumeError) as refused:
            store.put_if_absent(f"{locked.name}/A.json", b"")
        with pytest.raises(VolumeError):
            store.replace(f"{locked.name}/A.json", b"")
        with pytest.raises(OSError, match=r"\S"), store.begin(locked.name):
            pass
    finally:
        locked.chmod(0o755)
    assert (refused.value.code, store.label in str(refused.value)) == ("V003", True)


def test_the_label_says_where_it_is(store: Store, kind: str, folder: Path) -> None:
    assert store.label.endswith(folder.as_posix())
    assert store.label.startswith("/" if kind == "folder" else "sftp://")
    assert (store.root is None) is (kind != "folder")


def test_a_file_of_a_folder_can_be_copied_there(store: Store, tmp_path: Path) -> None:
    card = tmp_path / "A.dng"
    card.write_bytes(LARGE)
    source = SourceFile(card)
    with store.begin("job") as incoming:
        for block in source.blocks():
            incoming.write(block)
        incoming.finish(source.traits())
        assert incoming.read_back().sha256 == hashlib.sha256(LARGE).hexdigest()
        assert incoming.place("job/A.dng")
    assert abs(store.traits("job/A.dng").times_ns[1] - card.stat().st_mtime_ns) < 10**9
