"""Files that appear whole or not at all, and stay after a power cut."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import IO

from glassine.schemas import file_system
from glassine.schemas.errors import RecordError, VolumeError

TEMPORARY_PREFIX = ".glassine-"
"""How the name of a file that is not whole yet begins."""
TEMPORARY_ENDING = ".part"
LEFTOVER_SECONDS = 24 * 3600.0
"""After so long a temporary file of another machine counts as left over."""
UNFLUSHED_SECONDS = 3600.0
"""After so long the system has written a folder out by itself (Linux: 30 s; proc(5), dirty_expire_centisecs)."""
_in_use: set[str] = set()
"""Temporary names of this process's own that it still works at."""
_NO_LINKS = {
    errno.EPERM,
    errno.ENOTSUP,
    errno.EOPNOTSUPP,
    errno.ENOSYS,
    errno.EMLINK,
    errno.EACCES,
    errno.EINVAL,
}


def temporary_name() -> str:
    """A name that no one else uses, that is never taken for a finished file, and that says whose it is, until `abandon`."""
    name = f"{TEMPORARY_PREFIX}{_machine()}-{_boot()}-{os.getpid()}-{secrets.token_hex(6)}{TEMPORARY_ENDING}"
    _in_use.add(name)
    return name


def abandon(name: str) -> None:
    """This process has done with a temporary name; should its file still be there (its disk went away), it is left over."""
    _in_use.discard(name)


def is_abandoned(name: str, changed: float) -> bool:
    """Whether a file of this name, last changed then (seconds since 1970), is temporary and its writer is gone.

    A process of this machine is asked for, unless the machine was started since (another process may have its number
    now); one of another machine is given a day.
    """
    if not (name.startswith(TEMPORARY_PREFIX) and name.endswith(TEMPORARY_ENDING)):
        return False
    machine, boot, process, *_ = [*name.removeprefix(TEMPORARY_PREFIX).split("-"), "", ""]
    if machine == _machine() and process.isdecimal():
        if boot != _boot() or not _is_running(int(process)):
            return True
        if int(process) == os.getpid():
            return name not in _in_use
    return time.time() - changed > LEFTOVER_SECONDS


@contextmanager
def temporary_file(path: Path, *, make_folder: bool = True) -> Iterator[tuple[Path, IO[bytes]]]:
    """Open a temporary file beside `path`; it is removed when the block raises or leaves it there."""
    if make_folder:
        file_system.make_folder(path.parent)
    temporary = path.with_name(temporary_name())
    try:
        stream = file_system.create(temporary)
        try:
            yield temporary, stream
        finally:
            with suppress(OSError):
                stream.close()
    finally:
        with suppress(OSError):
            file_system.remove(temporary)
        abandon(temporary.name)


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
            file_system.write(stream, content)
            file_system.flush(stream)
            stream.close()
            placed = place_if_absent(temporary, path)
        # Also where the name was taken: who put it there may have been killed before it was flushed.
        file_system.flush_folder(path.parent)
        return placed or path.read_bytes() == content
    except OSError as error:
        raise unwritable(path, error) from error


def place_if_absent(temporary: Path, path: Path, *, look_first: bool = False) -> bool:
    """Give a finished temporary file its name, if no file has it; false when one has.

    A hard link where the file system has them, else a rename that does not replace. Where there is neither (exFAT
    on macOS), `look_first` looks whether the name is taken and renames: enough for copies, whose names hold their
    digest, never for entries.
    """
    try:
        file_system.link(temporary, path)
    except FileExistsError:
        return False
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        try:
            return file_system.rename_if_absent(temporary, path)
        except OSError:
            if not look_first:
                raise
            if path.exists():
                return False
            file_system.rename(temporary, path)
    return True


def replace_file(path: Path, content: bytes) -> None:
    """Write a derived file over an older one, whole or not at all."""
    try:
        with temporary_file(path) as (temporary, stream):
            file_system.write(stream, content)
            file_system.flush(stream)
            stream.close()
            file_system.replace(temporary, path)
        file_system.flush_folder(path.parent)
    except OSError as error:
        raise unwritable(path, error) from error


def flush_folders(folder: Path) -> None:
    """Make every name in a folder and below it last, and its own.

    Files are flushed before they get their names; a process that was killed may have left it at that. Whoever builds on
    what lies there flushes the names first, or they may be gone after a power cut, and what was said of them not.
    Raises OSError.
    """
    for place in (folder.parent, *(Path(found) for found, _, _ in os.walk(folder))):
        with suppress(FileNotFoundError, PermissionError):  # gone since; or another's, and no name in it is ours
            if abs(time.time() - place.stat().st_mtime) < UNFLUSHED_SECONDS:
                file_system.flush_folder(place)


def unwritable(path: Path | str, error: OSError) -> VolumeError:
    """The sentence for a file that could not be written, on a disk or on a server."""
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return VolumeError(
            "V003", f"{str(path).rpartition(os.sep)[0]} is full: free some space and run the same command again."
        )
    return VolumeError(
        "V003", f"{path} cannot be written ({error.strerror or error}): mend that and run the same command again."
    )


def check_no_replace(folder: Path) -> None:
    """Raise R005 when a folder's file system can neither link nor rename without replacing."""
    file_system.make_folder(folder)
    name = folder / temporary_name()  # so that it is removed, should this process be killed
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
            file_system.remove(name)
        abandon(name.name)
    if not (first and not second and held):
        raise RecordError(
            "R005",
            f"{folder} cannot hold a job: two writers there could overwrite each other. Keep jobs on another disk.",
        )


@cache
def _machine() -> str:
    """Eight hexadecimal digits for this machine, and for the container, where it has processes of its own."""
    import platform
    import uuid

    space = ""
    with suppress(OSError):
        space = str(Path("/proc/self/ns/pid").readlink())
    return hashlib.sha256(f"{platform.node()} {uuid.getnode()} {space}".encode()).hexdigest()[:8]


@cache
def _boot() -> str:
    """Eight hexadecimal digits for this start of the machine (Linux, proc(5)); elsewhere zeros."""
    with suppress(OSError):
        return hashlib.sha256(Path("/proc/sys/kernel/random/boot_id").read_bytes()).hexdigest()[:8]
    return "00000000"


def _is_running(process: int) -> bool:
    """Whether a process of that number runs on this machine now (or one of its number, since: then it is waited for)."""
    if sys.platform == "win32":
        import ctypes

        kernel = ctypes.windll.kernel32
        handle = kernel.OpenProcess(0x00100000, False, process)  # SYNCHRONIZE, <winnt.h>
        if not handle:
            return False
        try:
            return bool(kernel.WaitForSingleObject(handle, 0))
        finally:
            kernel.CloseHandle(handle)
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:  # it runs, and is another user's
        return True
    return True
