"""The heads that volumes know of a job's record; a backup that cannot be read is left out, and holds up no other."""

from __future__ import annotations

from collections.abc import Iterable

from glassine.flows.open_job import unreadable
from glassine.schemas.entry import Head
from glassine.schemas.errors import VolumeError
from glassine.tasks.custody.volume import Volume


def read_known_heads(
    working: Volume, backups: Iterable[Volume], number: str
) -> tuple[dict[str, list[Head]], list[VolumeError]]:
    """The heads by the id of each volume that could be read, the working volume first; and a sentence for each other.

    Raises
    ------
    OSError
        The working volume cannot be read: without it there is no job.
    """
    heads = {working.volume: working.heads(number)}
    failed = []
    for volume in backups:
        try:
            heads[volume.volume] = volume.heads(number)
        except OSError as error:
            failed.append(unreadable(volume, error))
    return heads, failed
