"""Reading back from the medium itself, not from the system's memory of what was just written."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from glassine.tasks.custody.digest import hash_file


class ReadBack(NamedTuple):
    """A file's SHA-256 as it was read again, and from where: `medium`, or `cache` where the system can't tell."""

    sha256: str
    read_from: str


def read_back(path: Path, *, on_bytes: Callable[[int], None] | None = None) -> ReadBack:
    """Read a file again and hash it, from its medium where the system can drop its cached pages. Raises OSError."""
    dropped = drop_cached_pages(path)
    return ReadBack(hash_file(path, on_bytes=on_bytes), "medium" if dropped else "cache")


def drop_cached_pages(path: Path) -> bool:
    """Ask the system to forget a flushed file's pages (posix_fadvise, IEEE Std 1003.1); whether it could be asked."""
    if sys.platform == "linux":
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        except OSError:
            return False
        finally:
            os.close(descriptor)
        return True
    return False
