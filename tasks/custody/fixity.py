"""Reading copies again, and mending a bad one from a good one without ever touching the good one."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

from glassine.schemas.durable_file import unwritable
from glassine.schemas.errors import GlassineError, VolumeError
from glassine.tasks.custody.replication import replicate
from glassine.tasks.custody.source_file import StoredSource
from glassine.tasks.custody.store import hash_stored
from glassine.tasks.custody.volume import Volume

Fact = dict[str, Any]


@dataclass(frozen=True)
class KnownCopy:
    """A copy that the record knows: of which file, on which volume, at which path."""

    sha256: str
    volume: Volume
    path: str
    size: int


def read_copy(job: str, copy: KnownCopy, pass_number: int, on_bytes: Callable[[int], None] | None = None) -> Fact:
    """Read one copy again; the fact `read_back` with its outcome: whole, missing or differs.

    Raises
    ------
    VolumeError
        V001, V002: the copy was not there because its volume went away; that says nothing of the copy.
    """
    fact: Fact = {
        "kind": "read_back",
        "sha256": copy.sha256,
        "volume": copy.volume.volume,
        "path": copy.path,
        "pass": pass_number,
        "outcome": "missing",
        "found": None,
        "read_from": None,
    }
    try:
        found = copy.volume.store.read_back(f"{job}/{copy.path}", on_bytes)
    except OSError as error:
        copy.volume.check_present()
        if isinstance(error, FileNotFoundError):
            return fact
        return {**fact, "outcome": "differs"}  # unreadable sectors: bytes that can't be read differ from those written
    outcome = "whole" if found.sha256 == copy.sha256 else "differs"
    return {**fact, "outcome": outcome, "found": found.sha256, "read_from": found.read_from}


def repair_copy(job: str, bad: KnownCopy, good: Sequence[KnownCopy], pass_number: int) -> Fact:
    """Make a bad or missing copy again from the first whole one; the bad file is kept aside.

    Raises
    ------
    GlassineError
        C003: no whole copy is left; nothing was touched.
    VolumeError
        The bad copy's volume cannot be written.
    """
    store, place = bad.volume.store, f"{job}/{bad.path}"
    source = next((copy for copy in good if _is_whole(job, copy)), None)
    if source is None:
        raise GlassineError(
            "C003",
            f"No whole copy of {bad.path} is left on any volume that is here: nothing was touched. "
            "Connect every volume that ever held it, and look for the card it came from.",
        )
    aside = None
    try:
        if store.exists(place):
            found = _hash_or_none(bad, job)
            if found == bad.sha256:  # mended already, by a run that was killed before it could say so
                return _repaired(bad, source, pass_number, None)
            aside = _free_name(bad, job, f"aside/{bad.path}.{(found or 'unreadable')[:10]}")
            store.move(place, f"{job}/{aside}")
    except OSError as error:
        raise unwritable(f"{store.label}/{place}", error) from error
    stored = StoredSource(source.volume.store, f"{job}/{source.path}")
    replica = replicate(stored, job, [bad.volume], lambda _: bad.path, expected=bad.sha256)
    if replica.failures:
        raise replica.failures[0]
    return _repaired(bad, source, pass_number, aside)


def _repaired(bad: KnownCopy, source: KnownCopy, pass_number: int, aside: str | None) -> Fact:
    return {
        "kind": "repair",
        "sha256": bad.sha256,
        "volume": bad.volume.volume,
        "path": bad.path,
        "pass": pass_number,
        "from_volume": source.volume.volume,
        "aside": aside,
    }


def _free_name(bad: KnownCopy, job: str, path: str) -> str:
    """`path`, or with a count where that name is taken: a bad copy may have been put aside there before."""
    names = (f"{path}-{number}" if number > 1 else path for number in count(1))
    return next(name for name in names if not bad.volume.store.exists(f"{job}/{name}"))


def _hash_or_none(copy: KnownCopy, job: str) -> str | None:
    with contextlib.suppress(OSError):
        return hash_stored(copy.volume.store, f"{job}/{copy.path}")
    return None


def _is_whole(job: str, copy: KnownCopy) -> bool:
    with contextlib.suppress(OSError, VolumeError):
        return copy.volume.store.read_back(f"{job}/{copy.path}").sha256 == copy.sha256
    return False
