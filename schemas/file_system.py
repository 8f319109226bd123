"""Every call by which glassine changes files that must last.

One thin seam between what may never be lost and the system: tests take the power away here (a model drops what was not
flushed), fill the disk, or let a call fail. Call these as `file_system.link(...)`, so that one place governs them.
All raise OSError.
"""

from __future__ import annotations

import errno
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import IO

_NO_FOLDER_FLUSH = {
    errno.EINVAL,
    errno.ENOTSUP,
    errno.EOPNOTSUPP,
    errno.ENOSYS,
    errno.EBADF,
    errno.EPERM,
    errno.EACCES,
}
"""How some network file systems refuse to flush a folder."""


def make_folder(folder: Path) -> None:
    """Make a folder with its parents, if absent; each new name is flushed, so that what is put in it cannot be lost with it."""
    if folder.is_dir() or folder == folder.parent:
        return
    make_folder(folder.parent)
    with suppress(FileExistsError):
        folder.mkdir()
        flush_folder(folder.parent)


def create(path: Path) -> IO[bytes]:
    """Open a new file for writing; FileExistsError when the name is taken."""
    return path.open("xb")


def write(stream: IO[bytes], block: bytes) -> None:
    """Write all of a block."""
    stream.write(block)


def flush(stream: IO[bytes]) -> None:
    """Have the system write a file out to its medium; on macOS fsync alone leaves it in the drive's cache (man fsync)."""
    stream.flush()
    if sys.platform == "darwin":
        import fcntl

        fcntl.fcntl(stream.fileno(), fcntl.F_FULLFSYNC)
    else:
        os.fsync(stream.fileno())


def flush_folder(folder: Path) -> None:
    """Make a new name in a folder last; Windows has no such call and needs none (NTFS journals names)."""
    if sys.platform == "win32":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in _NO_FOLDER_FLUSH:  # a disk that fails is never passed over
            raise
    finally:
        os.close(descriptor)


def set_times(path: Path, times_ns: tuple[int, int]) -> None:
    """Give a file its times of access and modification, in nanoseconds since 1970."""
    os.utime(path, ns=times_ns)


def set_attributes(path: Path, attributes: dict[str, bytes]) -> None:
    """Give a file extended attributes, where its file system takes them."""
    if sys.platform == "linux":
        for name, value in attributes.items():
            with suppress(OSError):  # FAT and many network drives have none
                os.setxattr(path, name, value)


def link(source: Path, path: Path) -> None:
    """Give a file a second name; FileExistsError when it is taken."""
    os.link(source, path)


def rename(source: Path, path: Path) -> None:
    """Rename a file to a name that is free."""
    source.rename(path)


def replace(source: Path, path: Path) -> None:
    """Rename a file over another one, in one step."""
    source.replace(path)


def remove(path: Path) -> None:
    """Take a name away, if it is there."""
    path.unlink(missing_ok=True)


def rename_if_absent(source: Path, path: Path) -> bool:
    """Rename unless the name is taken: Windows' rename never replaces; Linux and macOS have a call for it."""
    if sys.platform == "win32":
        try:
            source.rename(path)
        except FileExistsError:
            return False
        return True
    import ctypes

    system = ctypes.CDLL(None, use_errno=True)
    before, after = os.fsencode(source), os.fsencode(path)
    if sys.platform == "darwin":
        result = system.renamex_np(before, after, 4)  # RENAME_EXCL, <sys/stdio.h>
    else:
        at_current_folder, no_replace = -100, 1  # AT_FDCWD, RENAME_NOREPLACE, <linux/fs.h>
        result = system.renameat2(at_current_folder, before, at_current_folder, after, no_replace)
    if result == 0:
        return True
    number = ctypes.get_errno()
    if number == errno.EEXIST:
        return False
    raise OSError(number, os.strerror(number), str(path))
