"""Reading copies again, and mending a bad one from a good one without ever touching the good one."""

from __future__ import annotations

import contextlib
import threading
from collections import Counter, deque
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

from glassine.schemas.durable_file import unwritable
from glassine.schemas.errors import GlassineError, VolumeError
from glassine.tasks.custody.replication import replicate
from glassine.tasks.custody.source_file import StoredSource
from glassine.tasks.custody.volume import Volume

Fact = dict[str, Any]
READERS = 3
"""How many copies are read at once: two hash on two cores while a third waits for its disk. Measured on two busy cores,
60 copies of 20 MB on one disk, best of eight: 1.01 s with one, 0.60 with two, 0.53 with three, 0.49 with four."""
AHEAD = 64
"""So many copies reading may be ahead of what was taken: what a kill makes it read again is bounded by this."""
STOP_SECONDS = 5.0
"""So long a reader that is told to stop is waited for: it does at its next block, if its disk still answers."""


@dataclass(frozen=True)
class KnownCopy:
    """A copy that the record knows: of which file, on which volume, at which path."""

    sha256: str
    volume: Volume
    path: str
    size: int


def read_copies(
    job: str,
    copies: Sequence[KnownCopy],
    pass_number: int,
    on_bytes: Callable[[int], None] | None = None,
    *,
    readers: int = READERS,
) -> Generator[Fact | VolumeError, None, None]:
    """Read many copies again, several at once; yields, in their order, what `read_copy` returns or raises for each.

    Each medium is read in the order given, by one reader as long as another medium has copies waiting, so that two
    disks work at once and none seeks to and fro. Once a volume went away, its other copies are not tried. `on_bytes`
    is told of each block by one thread at a time. Closing the iterator stops the readers.
    """
    reading = _Reading(job, copies, pass_number, on_bytes)
    threads = [threading.Thread(target=reading.run, name=f"reader {n + 1}", daemon=True) for n in range(readers)]
    try:
        for thread in threads:
            thread.start()
        for index in range(len(copies)):
            yield reading.take(index)
    finally:
        reading.stop()
        for thread in threads:
            thread.join(STOP_SECONDS)


def read_copy(job: str, copy: KnownCopy, pass_number: int, on_bytes: Callable[[int], None] | None = None) -> Fact:
    """Read one copy again; the fact `read_back` with its outcome: whole, missing or differs.

    What cannot be read is tried once more; `found` is null when it cannot be read then either, and its outcome
    `differs`: bytes that no longer come are not those that were written.

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
    for _ in range(2):
        try:
            found = copy.volume.store.read_back(f"{job}/{copy.path}", on_bytes)
        except OSError as error:
            copy.volume.check_present()
            if isinstance(error, FileNotFoundError):
                return fact
            trouble = error
        else:
            outcome = "whole" if found.sha256 == copy.sha256 else "differs"
            return {**fact, "outcome": outcome, "found": found.sha256, "read_from": found.read_from}
    if isinstance(trouble, (ConnectionError, TimeoutError)):
        raise VolumeError(
            "V001",
            f"The connection to volume {copy.volume.name} ({copy.volume.store.label}) breaks off ({trouble}): "
            "run the same command again when it holds.",
        ) from trouble
    return {**fact, "outcome": "differs"}


def repair_copy(job: str, bad: KnownCopy, good: Sequence[KnownCopy], pass_number: int) -> Fact:
    """Make a bad or missing copy again from the first whole one; the bad file is kept aside.

    Nothing is touched before a whole copy was read to its end just now, and no file is ever written over. A copy that
    turns out to be whole itself is left as it is: the fact's `from_volume` is its own volume then.

    Raises
    ------
    GlassineError
        C003: no whole copy is left; nothing was touched.
    VolumeError
        The bad copy's volume cannot be written. What was put aside stays there, and the same call goes on from it.
    """
    store, place = bad.volume.store, f"{job}/{bad.path}"
    found = _digest_or_none(job, bad)
    if found == bad.sha256:  # its mount came back; or a run that was killed mended it before it could say so
        return _repaired(bad, bad, pass_number, None)
    source = next((copy for copy in good if _digest_or_none(job, copy) == copy.sha256), None)
    if source is None:
        raise GlassineError(
            "C003",
            f"No whole copy of {bad.path} is left on any volume that is here: nothing was touched. "
            "Connect every volume that ever held it, and look for the card it came from.",
        )
    aside = None
    try:
        bad.volume.check_present()  # taken out since, its mount point is an empty folder of the system's own disk
        if store.exists(place):
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


def _digest_or_none(job: str, copy: KnownCopy) -> str | None:
    """The digest of what lies at a copy's place, read from its medium; None where nothing does that can be read."""
    with contextlib.suppress(OSError, VolumeError):
        return copy.volume.store.read_back(f"{job}/{copy.path}").sha256
    return None


class _StoppedError(Exception):
    """Nobody wants what is being read any more."""


class _Reading:
    """Copies waiting to be read, one queue a medium, and what came of those that were."""

    def __init__(
        self, job: str, copies: Sequence[KnownCopy], pass_number: int, on_bytes: Callable[[int], None] | None
    ) -> None:
        self._job = job
        self._copies = copies
        self._pass_number = pass_number
        self._on_bytes = on_bytes
        self._changed = threading.Condition()
        self._telling = threading.Lock()
        self._waiting: dict[str, deque[int]] = {}
        for index, copy in enumerate(copies):
            self._waiting.setdefault(copy.volume.medium, deque()).append(index)
        self._readers_at: Counter[str] = Counter()
        self._results: dict[int, Fact | BaseException] = {}
        self._gone: dict[str, VolumeError] = {}
        self._taken = 0
        self._stopped = False

    def take(self, index: int) -> Fact | VolumeError:
        """What came of a copy, once it was read; raises what no copy or volume is to blame for."""
        with self._changed:
            while index not in self._results:
                self._changed.wait(0.5)  # a wait without end does not hear Ctrl-C on Windows
            result = self._results.pop(index)
            self._taken = index + 1
            self._changed.notify_all()
        if isinstance(result, BaseException) and not isinstance(result, VolumeError):
            raise result
        return result

    def stop(self) -> None:
        """Have the readers end, at their next block."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()

    def run(self) -> None:
        """Read copies until none is left."""
        while (index := self._next()) is not None:
            copy = self._copies[index]
            try:
                result: Fact | BaseException = self._read(copy)
            except GlassineError as error:
                result = error if isinstance(error, VolumeError) else VolumeError("V002", str(error))
            except BaseException as error:  # a defect is told of where the results are taken
                result = error
            with self._changed:
                self._readers_at[copy.volume.medium] -= 1
                self._results[index] = result
                if isinstance(result, VolumeError):
                    self._gone[copy.volume.volume] = result
                self._changed.notify_all()

    def _next(self) -> int | None:
        with self._changed:
            while self._waiting and not self._stopped:
                free = [medium for medium in self._waiting if not self._readers_at[medium]]
                if not free and len(self._waiting) == 1:
                    free = list(self._waiting)
                ready = [medium for medium in free if self._waiting[medium][0] < self._taken + AHEAD]
                if ready:
                    return self._begin(min(ready, key=lambda medium: self._waiting[medium][0]))
                self._changed.wait()
        return None

    def _begin(self, medium: str) -> int:
        index = self._waiting[medium].popleft()
        if not self._waiting[medium]:
            del self._waiting[medium]
        self._readers_at[medium] += 1
        self._changed.notify_all()  # a medium may be the last one now, and take a second reader
        return index

    def _read(self, copy: KnownCopy) -> Fact | VolumeError:
        return self._gone.get(copy.volume.volume) or read_copy(self._job, copy, self._pass_number, self._tell)

    def _tell(self, count: int) -> None:
        if self._stopped:
            raise _StoppedError
        if self._on_bytes:
            with self._telling:
                self._on_bytes(count)
