"""A landing file: whether it is whole yet, told by its size and time at rest and by what its own structure says.

A program that receives frames over a cable writes them into a folder while we look on. Nothing says when it has done
with one; so a file is looked at again and again, and is whole when it rests and its own structure ends where it does.
"""

from __future__ import annotations

import stat
import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

LOOK_SECONDS = 0.03
"""Between two looks at a landing file: short against a rest, and each costs a fraction of a millisecond."""
REST_SECONDS = 0.1
"""A whole file has to be at rest for so long: a program that lays a file out at full length first, and fills it then,
writes on within that time (own choice: a writer that pauses longer between two blocks is slower than 40 MB/s)."""
UNKNOWN_REST_SECONDS = 1.0
"""The same for a file whose structure tells no end, a text or a maker's own container: rest is all there is to go by."""
GIVE_UP_SECONDS = 10.0
"""A file that rests and is not whole is taken in all the same after so long: half a frame is better than none."""

_UNDER_WAY_ENDINGS = (".tmp", ".part", ".partial")
_MOST_DIRECTORIES, _MOST_ENTRIES, _MOST_SEGMENTS = 64, 4096, 1 << 18
"""Bounds for a walk through a stranger's file; no camera comes near them (common practice)."""
_PNG_END = b"IEND\xaeB`\x82"  # ISO/IEC 15948, 11.2.5, with its checksum
_TIFF_MAGIC = {42, 0x55, 0x4F52, 0x5352}  # TIFF 6.0; the others are makers' variants of it, from memory
_INTEGER = {1: "B", 3: "H", 4: "I", 13: "I"}  # TIFF 6.0, section 2; 13 of its technical note 1
_SEGMENTS = ((273, 279), (324, 325), (513, 514))  # offsets and lengths: strips, tiles, an old-style JPEG
_SUB_DIRECTORIES = 330


@dataclass
class Landing:
    """A file that lands.

    `landed_at` and `written_at` are seconds since 1970: when it was first seen, and its last write as the file system
    says it. `doubtful`: it was given up waiting for its end. `again`: it had been taken in, and was written to since.
    """

    path: Path
    landed_at: float
    again: bool = False
    doubtful: bool = False
    size: int = -1
    modified_ns: int = -1
    whole: bool | None = None
    since: float = 0.0

    @property
    def version(self) -> tuple[int, int]:
        """Size and time of change: what tells this state of the file from a later one."""
        return self.size, self.modified_ns

    @property
    def written_at(self) -> float:
        """Its last write, seconds since 1970."""
        return self.modified_ns / 1e9

    @property
    def rest_seconds(self) -> float:
        """How long it has to be at rest."""
        return {True: REST_SECONDS, None: UNKNOWN_REST_SECONDS, False: GIVE_UP_SECONDS}[self.whole]


@dataclass
class Landings:
    """The files of a folder that land, and those that have landed.

    Times `now` are those of one steady clock, given by the caller.
    """

    pending: dict[Path, Landing] = field(default_factory=dict)
    landed: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def notice(self, path: Path, landed_at: float) -> None:
        """Something happened to a file. One that is written under a temporary name is waited for under its own."""
        if path not in self.pending and not is_under_way(path.name):
            self.pending[path] = Landing(path, landed_at, again=path in self.landed)

    def look(self, now: float) -> tuple[list[Landing], list[Landing]]:
        """Look at every file that lands: those that seem whole since this look, and those that are whole and at rest.

        The first may still be written to, and appear again; the others are done with.
        """
        seem, done = [], []
        for landing in list(self.pending.values()):
            found = _state_of(landing.path)
            if found is None or found == self.landed.get(landing.path):
                del self.pending[landing.path]  # taken away again, or only looked at
                continue
            if found != landing.version:
                (landing.size, landing.modified_ns), landing.since = found, now
                landing.whole = is_whole(landing.path)
                seem += [landing] if landing.whole else []
                continue
            if landing.whole is False and (whole := is_whole(landing.path)):  # within one tick of the disk's clock
                landing.whole = whole
                seem.append(landing)
            if now - landing.since >= landing.rest_seconds:
                landing.doubtful = landing.whole is False
                self.landed[landing.path] = landing.version
                del self.pending[landing.path]
                done.append(landing)
        return seem, done

    def forget(self, path: Path) -> None:
        """A file that could not be taken in is to be looked at anew."""
        self.landed.pop(path, None)


def is_under_way(name: str) -> bool:
    """Whether a name says that its file is still being written: it begins with a dot, or ends in .tmp, .part, .partial.

    Examples
    --------
    >>> [is_under_way(name) for name in ("IMG_0001.DNG", ".IMG_0001.DNG", "IMG_0001.DNG.part")]
    [False, True, True]
    """
    return name.startswith(".") or name.casefold().endswith(_UNDER_WAY_ENDINGS)


def is_whole(path: Path) -> bool | None:
    """Whether a file ends where its own structure says; None where its kind tells no end.

    TIFF and the raws built like one: every strip and tile of every picture lies within the file. JPEG: the end of the
    image is its last marker (padding of zeros is passed over). PNG: its last chunk. Files of boxes (ISO/IEC 14496-12):
    every box lies within, and one is of media data. An empty file, and one that cannot be read now, is not whole.
    """
    try:
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(0)
            head = file.read(12)
            if size == 0:
                return False
            if head[:2] in (b"II", b"MM"):
                return _is_whole_tiff(file, size, "<" if head[:2] == b"II" else ">")
            if head[:2] == b"\xff\xd8":
                return _tail(file, size).rstrip(b"\0").endswith(b"\xff\xd9")  # ISO/IEC 10918-1, B.1.1.3
            if head[:4] == b"\x89PNG":
                return _tail(file, size).endswith(_PNG_END)
            return _is_whole_boxes(file, size) if head[4:8] == b"ftyp" else None
    except OSError:
        return False


def _state_of(path: Path) -> tuple[int, int] | None:
    """Size and time of change of a file; None when it is gone, or no plain file."""
    try:
        found = path.lstat()
    except OSError:
        return None
    return (found.st_size, found.st_mtime_ns) if stat.S_ISREG(found.st_mode) else None


def _tail(file: BinaryIO, size: int) -> bytes:
    file.seek(max(0, size - 65536))
    return file.read()


def _is_whole_tiff(file: BinaryIO, size: int, order: str) -> bool | None:
    """Follow the directories (TIFF 6.0, section 2), without believing any number in them."""
    file.seek(2)
    head = file.read(6)
    if len(head) < 6:
        return False
    magic, first = struct.unpack(f"{order}HI", head)
    if magic not in _TIFF_MAGIC:
        return None
    waiting, seen, tells = [first], set[int](), False
    while waiting and len(seen) < _MOST_DIRECTORIES:
        at = waiting.pop()
        if at == 0 or at in seen:
            continue
        seen.add(at)
        file.seek(at)
        start = file.read(2)
        count = struct.unpack(f"{order}H", start)[0] if len(start) == 2 else 0
        table = file.read(12 * min(count, _MOST_ENTRIES) + 4)
        if len(start) < 2 or len(table) < 12 * min(count, _MOST_ENTRIES):
            return False
        values: dict[int, tuple[int, ...]] = {}
        for index in range(min(count, _MOST_ENTRIES)):
            tag, kind, number = struct.unpack_from(f"{order}HHI", table, 12 * index)
            if tag == _SUB_DIRECTORIES or any(tag in pair for pair in _SEGMENTS):
                found = _values(file, size, order, kind, number, table[12 * index + 8 : 12 * index + 12])
                if found is None:
                    return False
                values[tag] = found
        for offsets, lengths in _SEGMENTS:
            for offset, length in zip(values.get(offsets, ()), values.get(lengths, ()), strict=False):
                tells = True
                if offset + length > size:
                    return False
        waiting += values.get(_SUB_DIRECTORIES, ())
        if len(table) >= 12 * count + 4:
            waiting.append(struct.unpack_from(f"{order}I", table, 12 * count)[0])
    return True if tells else None


def _values(file: BinaryIO, size: int, order: str, kind: int, number: int, field_: bytes) -> tuple[int, ...] | None:
    """The whole numbers of an entry; none where it holds others; None where they lie beyond the end of the file."""
    letter = _INTEGER.get(kind)
    if letter is None or number > _MOST_SEGMENTS:
        return ()
    layout = f"{order}{number}{letter}"
    length = struct.calcsize(layout)
    if length > 4:
        at = struct.unpack(f"{order}I", field_)[0]
        if at + length > size:
            return None
        file.seek(at)
        field_ = file.read(length)
    return tuple(struct.unpack_from(layout, field_)) if len(field_) >= length else None


def _is_whole_boxes(file: BinaryIO, size: int) -> bool | None:
    """ISO/IEC 14496-12, 4.2: each box says its length; 0 is to the end of the file, 1 that the length follows.

    One that ends with a box, and has none of media data yet (8.1.1), has hardly begun.
    """
    at, has_data = 0, False
    while at < size:
        file.seek(at)
        head = file.read(16)
        length = int.from_bytes(head[:4], "big")
        has_data = has_data or head[4:8] == b"mdat"
        if length == 0:
            break
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        if length < 8 or at + length > size:
            return False
        at += length
    return True if has_data else None
