"""Disks that lose their power, by model: what a file system may have kept of what was not flushed.

A `Computer` runs a piece of work on real folders while it follows each call of `glassine.schemas.file_system`, the seam
through which everything that must last is changed. At a call of choice the power goes, and the folders are made anew
in one of the states in which the disks may come back. Killing a process proves nothing about this: what it wrote stays
in the system's memory.

What a disk owes, and all that it owes: IEEE Std 1003.1 (`fsync`) for the bytes of a file; for its name, a flush of the
folder (Pillai et al., All File Systems Are Not Created Equal, OSDI 2014: which calls file systems reorder, split or
drop). So here
- bytes that were not flushed may be absent, there up to some length, zeros of the right length, or whole;
- each change of names may have come to last or not, whatever became of those before and after it, until its folder
  was flushed; a rename shows one of its two sides; one from folder to folder may be halved by a flush of one of them;
- a folder whose own name is lost takes what is in it along;
- what was flushed is there.
Every disk keeps or loses for itself.
"""

from __future__ import annotations

import errno
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, TypeVar

import pytest

from glassine.schemas import durable_file, file_system

Result = TypeVar("Result")


class PowerCutError(BaseException):
    """Nothing more reaches a disk. No Exception: whoever works may not take it for a fault that can be told of."""


@dataclass(frozen=True)
class Loss:
    """What becomes of all that was not flushed: the bits of `names` say which changes of names came to last, the digits
    (to the base 4) of `contents` what is left of each file's bytes."""

    names: int
    contents: int

    def keeps(self, index: int) -> bool:
        """Whether the change of that index came to last."""
        return bool(self.names >> (index % 64) & 1)

    def rest(self, index: int, flushed: bytes, content: bytes) -> bytes:
        """What is left of a file that was flushed as it once was, and then written to."""
        digit = self.contents >> (2 * (index % 32)) & 3
        return (flushed, content[: len(content) // 2], bytes(len(content)), content)[digit]


@dataclass(eq=False)
class File:
    """The bytes of a file now, and as they were when they were last flushed."""

    content: bytes = b""
    flushed: bytes = b""


@dataclass(eq=False)
class Folder:
    """What a folder's names stand for now, and which of them would be found after a cut."""

    now: dict[str, Node] = field(default_factory=dict)
    lasting: dict[str, Node] = field(default_factory=dict)


Node = File | Folder
IsIdle = Callable[[str, Path], bool]
"""Which calls flush nothing, to see whether it is noticed: `flush` of a file, `flush_folder`, or `make_folder` (of the
new folder's own name)."""
Change = list[tuple[Folder, str, Node | None]]
"""What one call gave names in folders (None: took away), as far as those folders were not flushed since."""


class Disk:
    """One file system: a folder of the test's, and what of it would last."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.top = _read(root)
        self.pending: list[Change] = []

    def find(self, path: Path) -> Node | None:
        """What a path stands for now."""
        node: Node | None = self.top
        for part in path.relative_to(self.root).parts:
            node = node.now.get(part) if isinstance(node, Folder) else None
        return node

    def folder(self, path: Path) -> Folder:
        """The folder at a path."""
        found = self.find(path)
        assert isinstance(found, Folder)
        return found

    def file(self, path: Path) -> File:
        """The file at a path."""
        found = self.find(path)
        assert isinstance(found, File)
        return found

    def change(self, *names: tuple[Path, Node | None]) -> None:
        """One call that changed names."""
        sets: Change = [(self.folder(path.parent), path.name, node) for path, node in names]
        for folder, name, node in sets:
            _set(folder.now, name, node)
        self.pending.append(sets)

    def flush_folder(self, path: Path) -> None:
        """All changes of names in one folder last from here on."""
        flushed = self.folder(path)
        for change in self.pending:
            for folder, name, node in change:
                if folder is flushed:
                    _set(folder.lasting, name, node)
            change[:] = [each for each in change if each[0] is not flushed]
        self.pending = [change for change in self.pending if change]

    def lose(self, loss: Loss) -> None:
        """Come back from a cut: the folder is made anew."""
        for index, change in enumerate(self.pending):
            if loss.keeps(index):
                for folder, name, node in change:
                    _set(folder.lasting, name, node)
        self.pending = []
        for path in self.root.iterdir():
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()
        _write(self.top, self.root, loss, [])

    def paths(self) -> dict[str, bytes]:
        """Every file by its path now."""
        return dict(_walk(self.top, ""))


class Computer:
    """Runs work on some disks, until it is done, its process is killed or the power goes."""

    def __init__(self, roots: list[Path], *, links: bool = True, is_idle: IsIdle = lambda call, path: False) -> None:
        self.disks = [Disk(root) for root in roots]
        self.links = links
        self.is_idle = is_idle
        self.before_call: Callable[[Path], None] = lambda path: None
        """Called before each call, with the file or folder that it is about; may raise the OSError of a failing disk."""
        self.boots = 1
        self.calls = 0
        self._last: int | None = None
        self._stopped = False
        self._in_make_folder = threading.local()
        self._lock = threading.RLock()

    def run(self, work: Callable[[], Result], stop_at: int | None = None) -> Result | None:
        """Do the work; None when it was stopped at the call of that number, before it did anything."""
        self.calls, self._last, self._stopped = 0, stop_at, False
        with self._watched():
            try:
                return work()
            except PowerCutError:
                return None
            finally:
                self.boots += 1

    def cut_power(self, losses: list[Loss]) -> None:
        """Take the power away and give it back, with one loss a disk."""
        self.boots += 1
        for disk, loss in zip(self.disks, losses, strict=True):
            disk.lose(loss)

    @contextmanager
    def _watched(self) -> Iterator[None]:
        calls: dict[str, Callable[..., Any]] = {
            "make_folder": self._make_folder,
            "create": self._create,
            "write": self._write,
            "flush": self._flush,
            "flush_folder": self._flush_folder,
            "set_times": self._counted(file_system.set_times),
            "set_attributes": self._counted(file_system.set_attributes),
            "link": self._link,
            "rename": self._rename(file_system.rename),
            "replace": self._rename(file_system.replace),
            "rename_if_absent": self._rename(file_system.rename_if_absent),
            "remove": self._remove,
        }
        self._real = {name: getattr(file_system, name) for name in calls}
        with pytest.MonkeyPatch.context() as patch:
            for name, call in calls.items():
                patch.setattr(file_system, name, call)
            # Each run stands for a process, yet all have the number of one: the start of the machine tells them apart.
            boot = f"{self.boots:08x}{id(self):x}"
            patch.setattr(durable_file, "_boot", lambda: boot)
            yield

    def _disk(self, path: Path) -> Disk | None:
        return next((disk for disk in self.disks if path == disk.root or disk.root in path.parents), None)

    def _step(self, path: Path) -> None:
        """Called with the lock held, before each call."""
        self.calls += 1
        if self.calls == self._last:
            self._stopped = True
        if self._stopped:
            raise PowerCutError
        self.before_call(path)

    def _counted(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: Path, *words: Any) -> Any:
            with self._lock:
                self._step(path)
                return real(path, *words)

        return call

    def _make_folder(self, folder: Path) -> None:
        with self._lock:
            if folder.is_dir() or folder == folder.parent:
                return
            self._make_folder(folder.parent)
            self._step(folder)
            disk = self._disk(folder)
            if disk:
                disk.change((folder, Folder()))
            self._in_make_folder.now = folder
            try:
                self._real["make_folder"](folder)
            finally:
                self._in_make_folder.now = None

    def _create(self, path: Path) -> IO[bytes]:
        with self._lock:
            self._step(path)
            stream: IO[bytes] = self._real["create"](path)
            if disk := self._disk(path):
                disk.change((path, File()))
            return stream

    def _write(self, stream: IO[bytes], block: bytes) -> None:
        with self._lock:
            self._step(Path(stream.name))
            self._real["write"](stream, block)
            if disk := self._disk(Path(stream.name)):
                disk.file(Path(stream.name)).content += bytes(block)

    def _flush(self, stream: IO[bytes]) -> None:
        with self._lock:
            self._step(Path(stream.name))
            stream.flush()
            disk = self._disk(Path(stream.name))
            if disk and not self.is_idle("flush", Path(stream.name)):
                file = disk.file(Path(stream.name))
                file.flushed = file.content

    def _flush_folder(self, folder: Path) -> None:
        with self._lock:
            self._step(folder)
            if not folder.is_dir():
                raise FileNotFoundError(errno.ENOENT, "no such folder", str(folder))
            disk = self._disk(folder)
            made = getattr(self._in_make_folder, "now", None)
            if disk and not (self.is_idle("make_folder", made) if made else self.is_idle("flush_folder", folder)):
                disk.flush_folder(folder)

    def _link(self, source: Path, path: Path) -> None:
        with self._lock:
            self._step(path)
            if not self.links:
                raise OSError(errno.EPERM, "no links here", str(path))
            self._real["link"](source, path)
            if disk := self._disk(path):
                disk.change((path, disk.find(source)))

    def _rename(self, real: Callable[[Path, Path], bool | None]) -> Callable[[Path, Path], bool | None]:
        def call(source: Path, path: Path) -> bool | None:
            with self._lock:
                self._step(path)
                disk = self._disk(path)
                node = disk.find(source) if disk else None
                done = real(source, path)
                if disk and done is not False:
                    disk.change((source, None), (path, node))
                return done

        return call

    def _remove(self, path: Path) -> None:
        with self._lock:
            self._step(path)
            disk = self._disk(path)
            there = path.exists()
            self._real["remove"](path)
            if disk and there:
                disk.change((path, None))


def _set(names: dict[str, Node], name: str, node: Node | None) -> None:
    if node is None:
        names.pop(name, None)
    else:
        names[name] = node


def _read(folder: Path) -> Folder:
    """A folder as it lies there, taken for flushed."""
    found: dict[str, Node] = {}
    for path in folder.iterdir():
        found[path.name] = _read(path) if path.is_dir() else File(path.read_bytes(), path.read_bytes())
    return Folder(found, dict(found))


def _write(folder: Folder, place: Path, loss: Loss, written: list[File]) -> None:
    folder.now = dict(folder.lasting)
    for name, node in sorted(folder.lasting.items()):
        if isinstance(node, Folder):
            (place / name).mkdir()
            _write(node, place / name, loss, written)
            continue
        if node.content != node.flushed:
            node.content = node.flushed = loss.rest(len(written), node.flushed, node.content)
            written.append(node)
        (place / name).write_bytes(node.content)


def _walk(folder: Folder, prefix: str) -> Iterator[tuple[str, bytes]]:
    for name, node in folder.now.items():
        if isinstance(node, Folder):
            yield from _walk(node, f"{prefix}{name}/")
        else:
            yield f"{prefix}{name}", node.content
