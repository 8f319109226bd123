"""A store: whatever keeps the files of a volume. One set of calls for every kind, and a folder as the first of them."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import IO, NamedTuple, Protocol, Self

from glassine.schemas import file_system
from glassine.schemas.durable_file import (
    TEMPORARY_PREFIX,
    is_abandoned,
    place_if_absent,
    replace_file,
    temporary_file,
    write_if_absent,
)
from glassine.tasks.custody.digest import BLOCK_BYTES
from glassine.tasks.custody.medium import ReadBack, read_back

OnBytes = Callable[[int], None]


@dataclass(frozen=True)
class Traits:
    """What a copy keeps of its file besides the bytes.

    `times_ns`: of the last access and modification, nanoseconds since 1970. `attributes`: the extended attributes that
    a user gave it (`user.*` on Linux; elsewhere none are read).
    """

    times_ns: tuple[int, int]
    attributes: dict[str, bytes] = field(default_factory=dict)


class Listed(NamedTuple):
    """A file in a folder of a store: its name, its size in bytes, and when it last changed (seconds since 1970)."""

    name: str
    size: int
    changed: float


class Incoming(Protocol):
    """A file on its way into a store, under a temporary name until `place`; left without it, nothing stays behind.

    Every method raises OSError when the store cannot do it.
    """

    def __enter__(self) -> Self:
        """Begin."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the temporary name away."""

    def write(self, block: bytes) -> None:
        """Write all of a block."""

    def finish(self, traits: Traits | None) -> None:
        """Give it its times and attributes, have it written out to the medium, and close it."""

    def read_back(self) -> ReadBack:
        """Read again what was finished, from the medium where that can be had."""

    def place(self, path: str) -> bool:
        """Give it its name, and make that last; false when another file has it."""


class Store(Protocol):
    """A place that keeps files by path: relative, `/` between parts.

    Every kind passes one conformance suite (tests/conformance/test_store.py). Methods raise OSError when the store
    cannot do it, FileNotFoundError where a path names nothing, unless they say otherwise.
    """

    @property
    def label(self) -> str:
        """Where it is, for a sentence: a folder, or an address."""

    @property
    def root(self) -> Path | None:
        """The folder in which other programs can open its files; None where there is none."""

    def exists(self, path: str) -> bool:
        """Whether a file or folder is there."""

    def list_files(self, folder: str) -> list[Listed]:
        """The files (not folders) directly in a folder, by name; none when the folder is not there."""

    def list_folders(self, folder: str) -> list[str]:
        """The folders directly in a folder, by name; none when it is not there."""

    def read_bytes(self, path: str) -> bytes:
        """A small file, whole."""

    def read_blocks(self, path: str) -> Iterator[bytes]:
        """A file of any size, block by block."""

    def traits(self, path: str) -> Traits:
        """A file's times and attributes."""

    def read_back(self, path: str, on_bytes: OnBytes | None = None) -> ReadBack:
        """Read a file and hash it, from the medium where that can be had; `on_bytes` is told of each block."""

    def flush(self, path: str) -> None:
        """Have a finished file and its name written out to the medium."""

    def put_if_absent(self, path: str, content: bytes) -> bool:
        """Put a small file in place whole, never over another; true also when it has these very bytes.

        Raises VolumeError V003 when it cannot be written.
        """

    def replace(self, path: str, content: bytes) -> None:
        """Put a small file in place whole, over an older one. Raises VolumeError V003 when it cannot be written."""

    def move(self, path: str, to: str) -> None:
        """Rename a file within the store, making the folder; FileExistsError when the name is taken."""

    def begin(self, folder: str) -> Incoming:
        """A new file, under a temporary name in a folder, which is made."""

    def remove_leftovers(self, folder: str) -> None:
        """Remove temporary files in a folder, and in those two levels below it, that a process which is gone left."""

    def free_bytes(self) -> int | None:
        """How much room is left; None where the store does not say."""


@dataclass(frozen=True)
class FolderStore:
    """A folder of a file system: a disk of this machine, or a network drive that is mounted."""

    root: Path

    @property
    def label(self) -> str:
        """The folder."""
        return str(self.root)

    def locate(self, path: str) -> Path:
        """Where a path of this store lies."""
        return self.root.joinpath(*path.split("/"))

    def exists(self, path: str) -> bool:
        """Whether a file or folder is there."""
        return self.locate(path).exists()

    def list_files(self, folder: str) -> list[Listed]:
        """The files directly in a folder, by name."""
        found = []
        for entry in self._scan(folder):
            if entry.is_file(follow_symlinks=False):
                with suppress(FileNotFoundError):  # gone since
                    status = entry.stat(follow_symlinks=False)
                    # st_ctime: the time of modification is that of the file on the card.
                    found.append(Listed(entry.name, status.st_size, status.st_ctime))
        return sorted(found)

    def list_folders(self, folder: str) -> list[str]:
        """The folders directly in a folder, by name."""
        return sorted(entry.name for entry in self._scan(folder) if entry.is_dir(follow_symlinks=False))

    def read_bytes(self, path: str) -> bytes:
        """A small file, whole."""
        return self.locate(path).read_bytes()

    def read_blocks(self, path: str) -> Iterator[bytes]:
        """A file of any size, block by block."""
        with self.locate(path).open("rb", buffering=0) as stream:
            while block := stream.read(BLOCK_BYTES):
                yield block

    def traits(self, path: str) -> Traits:
        """A file's times and attributes."""
        return traits_of(self.locate(path))

    def read_back(self, path: str, on_bytes: OnBytes | None = None) -> ReadBack:
        """Read a file and hash it, from the medium where the system can drop its cached pages."""
        return read_back(self.locate(path), on_bytes=on_bytes)

    def flush(self, path: str) -> None:
        """Have a finished file and its name written out to the medium."""
        with self.locate(path).open("rb+") as stream:
            file_system.flush(stream)
        file_system.flush_folder(self.locate(path).parent)

    def put_if_absent(self, path: str, content: bytes) -> bool:
        """Put a small file in place whole, never over another."""
        return write_if_absent(self.locate(path), content)

    def replace(self, path: str, content: bytes) -> None:
        """Put a small file in place whole, over an older one."""
        replace_file(self.locate(path), content)

    def move(self, path: str, to: str) -> None:
        """Rename a file within the store; its old name is gone only when the new one lasts."""
        source, place = self.locate(path), self.locate(to)
        file_system.make_folder(place.parent)
        if place.exists():
            raise FileExistsError(errno.EEXIST, "the name is taken", str(place))
        file_system.rename(source, place)
        file_system.flush_folder(place.parent)
        file_system.flush_folder(source.parent)

    def begin(self, folder: str) -> FolderIncoming:
        """A new file, under a temporary name in a folder."""
        return FolderIncoming(self, self.locate(folder))

    def remove_leftovers(self, folder: str) -> None:
        """Remove temporary files that a process which is gone left."""
        for levels in ("", "*/", "*/*/"):
            for path in self.locate(folder).glob(f"{levels}{TEMPORARY_PREFIX}*"):
                with suppress(OSError):
                    if is_abandoned(path.name, path.stat().st_ctime):
                        file_system.remove(path)

    def free_bytes(self) -> int | None:
        """How much room is left."""
        return shutil.disk_usage(self.root).free

    def _scan(self, folder: str) -> list[os.DirEntry[str]]:
        try:
            with os.scandir(self.locate(folder)) as entries:
                return list(entries)
        except (FileNotFoundError, NotADirectoryError):
            return []


class FolderIncoming:
    """A file on its way into a folder."""

    def __init__(self, store: FolderStore, folder: Path) -> None:
        self._store = store
        self._folder = folder
        self._stack = ExitStack()
        self._temporary: Path
        self._stream: IO[bytes]

    def __enter__(self) -> Self:
        """Open the temporary file."""
        self._temporary, self._stream = self._stack.enter_context(temporary_file(self._folder / "x"))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the temporary name away."""
        self._stack.close()

    def write(self, block: bytes) -> None:
        """Write all of a block."""
        file_system.write(self._stream, block)

    def finish(self, traits: Traits | None) -> None:
        """Give it its times and attributes, flush it, and close it."""
        if traits:
            file_system.set_attributes(self._temporary, traits.attributes)
            file_system.set_times(self._temporary, traits.times_ns)
        file_system.flush(self._stream)
        self._stream.close()

    def read_back(self) -> ReadBack:
        """Read it again from the medium."""
        return read_back(self._temporary)

    def place(self, path: str) -> bool:
        """Give it its name, and flush the folder."""
        place = self._store.locate(path)
        self._temporary.stat()  # a volume taken out meanwhile must have no folders made at its empty mount point
        file_system.make_folder(place.parent)
        placed = place_if_absent(self._temporary, place, look_first=True)
        file_system.flush_folder(place.parent)
        return placed


def traits_of(path: Path) -> Traits:
    """A file's times, and the extended attributes of its user. Raises OSError."""
    status = path.stat()
    attributes: dict[str, bytes] = {}
    if sys.platform == "linux":
        with suppress(OSError):  # FAT and many network drives have none
            names = [name for name in os.listxattr(path) if name.startswith("user.")]
            attributes = {name: os.getxattr(path, name) for name in names}
    return Traits((status.st_atime_ns, status.st_mtime_ns), attributes)


def hash_stored(store: Store, path: str) -> str:
    """SHA-256 of a stored file's bytes, in hexadecimal, from wherever they come soonest. Raises OSError."""
    digest = hashlib.sha256()
    for block in store.read_blocks(path):
        digest.update(block)
    return digest.hexdigest()
