"""Reading back from the medium itself, not from the system's memory of what was just written."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from glassine.tasks.custody.digest import hash_file

_ASKED = 3
"""Times that the system is asked: a page that is in use just now stays (measured: once in some hundred small files)."""


class ReadBack(NamedTuple):
    """A file's SHA-256 as it was read again, and from where: `medium`, or `cache` where the system can't tell."""

    sha256: str
    read_from: str


def read_back(path: Path, *, on_bytes: Callable[[int], None] | None = None) -> ReadBack:
    """Read a file again and hash it, from its medium where the system can drop its cached pages. Raises OSError."""
    dropped = drop_cached_pages(path)
    return ReadBack(hash_file(path, on_bytes=on_bytes), "medium" if dropped else "cache")


def drop_cached_pages(path: Path) -> bool:
    """Ask the system to forget a flushed file's pages (posix_fadvise, IEEE Std 1003.1); whether it did, as far as it says.

    Linux may keep them all the same (not flushed, in use, a disk in memory): where its file system can be asked for
    cached pages only (preadv2 with RWF_NOWAIT, man preadv2), the first, the middle and the last are asked for.
    """
    if sys.platform == "linux":
        descriptor = os.open(path, os.O_RDONLY)
        try:
            size = os.fstat(descriptor).st_size
            for _ in range(_ASKED):
                os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
                if not any(_is_cached(descriptor, offset) for offset in {0, size // 2, max(size - 1, 0)} if size):
                    return True
        except OSError:
            return False
        finally:
            os.close(descriptor)
    return False


def _is_cached(descriptor: int, offset: int) -> bool:
    """Whether the byte at an offset is in the system's memory. Raises OSError where the file system cannot say."""
    try:
        return bool(os.preadv(descriptor, [bytearray(1)], offset, os.RWF_NOWAIT))
    except BlockingIOError:  # EAGAIN: it would have to be read
        return False
