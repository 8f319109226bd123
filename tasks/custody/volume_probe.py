"""What a folder's file system can do just now: found out with one small file, which is removed again."""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass
from pathlib import Path

from glassine.schemas import file_system
from glassine.schemas.durable_file import check_no_replace, temporary_file
from glassine.schemas.errors import RecordError

COARSEST_CLOCK_S = 2.0
"""The coarsest times that a file system writes: FAT's, by its published specification (Microsoft, 2000)."""


@dataclass(frozen=True)
class Probe:
    """What was found in a folder.

    `device` and `free_bytes` as the system says. `unwritable` and `no_replace` are empty where all is well, else they
    say why nothing can be written, and why two writers could overwrite each other. `clock_off_s` is how far the time
    that the file system gave the file lies outside the system's clock around the writing: behind it below zero,
    ahead of it above.
    """

    device: int
    free_bytes: int
    unwritable: str
    no_replace: str
    clock_off_s: float


def probe_folder(folder: Path) -> Probe:
    """Try a folder with a file of a few bytes.

    Raises
    ------
    OSError
        The folder is not there, or the system says nothing of it.
    """
    device, free = folder.stat().st_dev, shutil.disk_usage(folder).free
    try:
        off = _clock_off_s(folder)
    except OSError as error:
        return Probe(device, free, error.strerror or str(error), "", 0.0)
    try:
        check_no_replace(folder)
    except RecordError as error:
        return Probe(device, free, "", str(error), off)
    return Probe(device, free, "", "", off)


def _clock_off_s(folder: Path) -> float:
    before = time.time()
    with temporary_file(folder / "probe", make_folder=False) as (temporary, stream):
        stream.write(b"probe")
        file_system.flush(stream)
        written = temporary.stat().st_mtime
    return min(written - before, 0.0) + max(written - time.time(), 0.0)
