"""Files that appear whole or not at all, and stay after a power cut."""

from __future__ import annotations

import errno
import os
import secrets
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from glassine.schemas.errors import RecordError, VolumeError

TEMPORARY_PREFIX = ".glassine-"
"""How the name of a file that is not whole yet begins."""


def flush_to_medium(descriptor: int) -> None:
    """Have the system write a file out to its medium; on macOS fsync alone leaves it in the drive's cache (man fsync)."""
    if sys.platform == "darwin":
        import fcntl

        fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
    else:
        os.fsync(descriptor)


def flush_folder(folder: Path) -> None:
    """Make a new name in a folder last; Windows has no such call and needs none (NTFS journals names)."""
    if sys.platform == "win32":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some network file systems refuse to flush a folder
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def temporary_beside(path: Path) -> Path:
    """A name in the same folder that no one else uses and that is never taken for a finished file."""
    return path.with_name(f"{TEMPORARY_PREFIX}{secrets.token_hex(6)}.part")


@contextmanager
def temporary_file(path: Path, *, make_folder: bool = True) -> Iterator[tuple[Path, IO[bytes]]]:
    """Open a temporary file beside `path`; it is removed when the block raises or leaves it there."""
    if make_folder:
        path.parent.mkdir(parents=True, exist_ok=True)
    temporary = temporary_beside(path)
    try:
        stream = temporary.open("xb")
        try:
            yield temporary, stream
        finally:
            # What is still buffered here belongs to a file that is thrown away: on a full disk closing fails again.
            with suppress(OSError):
                stream.close()
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def write_if_absent(path: Path, content: bytes, *, make_folder: bool = True) -> bool:
    """Put a file in place whole, never over another one.

    Returns whether it is ours: also true when the name exists with these very bytes, since a network drive may have
    done the link and lost the reply.

    Raises
    ------
    VolumeError
        V003: the disk is full or cannot be written.
    """
    try:
        with temporary_file(path, make_folder=make_folder) as (temporary, stream):
            stream.write(content)
            stream.flush()
            flush_to_medium(stream.fileno())
            stream.close()
            placed = place_if_absent(temporary, path)
        if placed:
            flush_folder(path.parent)
            return True
        return path.read_bytes() == content
    except OSError as error:
        raise unwritable(path, error) from error


def place_if_absent(temporary: Path, path: Path, *, look_first: bool = False) -> bool:
    """Give a finished temporary file its name, if no file has it; false when one has.

    A hard link where the file system has them, else a rename that does not replace. Where there is neither (exFAT
    on macOS), `look_first` looks whether the name is taken and renames: enough for copies, whose names hold their
    digest, never for entries.
    """
    try:
        os.link(temporary, path)
    except FileExistsError:
        return False
    except OSError as error:
        if error.errno not in {
            errno.EPERM,
            errno.ENOTSUP,
            errno.EOPNOTSUPP,
            errno.ENOSYS,
            errno.EMLINK,
            errno.EACCES,
            errno.EINVAL,
        }:
            raise
        try:
            return _rename_without_replacing(temporary, path)
        except OSError:
            if not look_first:
                raise
            if path.exists():
                return False
            temporary.rename(path)
    return True


def replace_file(path: Path, content: bytes) -> None:
    """Write a derived file over an older one, whole or not at all."""
    try:
        with temporary_file(path) as (temporary, stream):
            stream.write(content)
            stream.flush()
            flush_to_medium(stream.fileno())
            stream.close()
            temporary.replace(path)
        flush_folder(path.parent)
    except OSError as error:
        raise unwritable(path, error) from error


def unwritable(path: Path, error: OSError) -> VolumeError:
    """The sentence for a file that could not be written."""
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return VolumeError("V003", f"{path.parent} is full: free some space and run the same command again.")
    return VolumeError(
        "V003", f"{path} cannot be written ({error.strerror or error}): mend that and run the same command again."
    )


def check_no_replace(folder: Path) -> None:
    """Raise R005 when a folder's file system can neither link nor rename without replacing."""
    folder.mkdir(parents=True, exist_ok=True)
    name = folder / f"{TEMPORARY_PREFIX}probe-{secrets.token_hex(6)}"
    try:
        first, second = write_if_absent(name, b"first"), write_if_absent(name, b"second")
        held = name.read_bytes() == b"first"
    except (OSError, VolumeError) as error:
        raise RecordError(
            "R005",
            f"{folder} cannot hold a job: its file system has neither hard links nor a rename that does not replace ({error}). Keep jobs on another disk.",
        ) from error
    finally:
        with suppress(OSError):
            name.unlink(missing_ok=True)
    if not (first and not second and held):
        raise RecordError(
            "R005",
            f"{folder} cannot hold a job: two writers there could overwrite each other. Keep jobs on another disk.",
        )


def _rename_without_replacing(temporary: Path, path: Path) -> bool:
    """Rename unless the name is taken: Windows' rename never replaces; Linux and macOS have a call for it."""
    if sys.platform == "win32":
        try:
            temporary.rename(path)
        except FileExistsError:
            return False
        return True
    import ctypes

    system = ctypes.CDLL(None, use_errno=True)
    source, target = os.fsencode(temporary), os.fsencode(path)
    if sys.platform == "darwin":
        result = system.renamex_np(source, target, 4)  # RENAME_EXCL, <sys/stdio.h>
    else:
        at_current_folder, no_replace = -100, 1  # AT_FDCWD, RENAME_NOREPLACE, <linux/fs.h>
        result = system.renameat2(at_current_folder, source, at_current_folder, target, no_replace)
    if result == 0:
        return True
    number = ctypes.get_errno()
    if number == errno.EEXIST:
        return False
    raise OSError(number, os.strerror(number), str(path))
