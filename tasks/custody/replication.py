"""One read, many copies: a source file is read once while it is written to every volume, then each copy is read back.

Each volume has a thread of its own, so that a slow one holds up no other by more than a few blocks; digests, writes and
flushes leave the interpreter free while they last.
"""

from __future__ import annotations

import hashlib
import shutil
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from queue import Queue
from typing import Any

from glassine.schemas.durable_file import LEFTOVER_SECONDS, unwritable
from glassine.schemas.errors import FixityError, VolumeError
from glassine.tasks.custody.source_file import Source
from glassine.tasks.custody.store import Incoming, Traits, hash_stored
from glassine.tasks.custody.volume import Volume

Named = Callable[[str], str]
PACKING_PREFIX = ".packing-"
"""How the name of a folder begins in which a delivery is packed."""
BLOCKS_AHEAD = 16
"""How many blocks a volume may lag behind the reading: 16 MiB, which bounds the memory whatever the file's size."""


@dataclass
class Replica:
    """What became of one source file: its digest and size, its verified copies, and the volumes that failed."""

    sha256: str
    size: int
    copies: list[PlacedCopy] = field(default_factory=list)
    failures: list[VolumeError] = field(default_factory=list)


@dataclass(frozen=True)
class PlacedCopy:
    """A copy that was flushed, read back whole, and then given its name."""

    volume: str
    path: str
    read_from: str

    def as_fact(self, sha256: str) -> dict[str, Any]:
        """The fact that this copy was written, flushed and read back whole."""
        place = {"volume": self.volume, "path": self.path, "read_from": self.read_from}
        return {"kind": "copy", "sha256": sha256, **place}


def replicate(
    source: Source,
    job: str,
    volumes: Sequence[Volume],
    path_for: Named,
    *,
    expected: str | None = None,
    is_known: Callable[[str], bool] = lambda _: False,
    on_bytes: Callable[[int], None] | None = None,
) -> Replica:
    """Copy one file to several volumes, all at once, with a single read of the source.

    Each copy is written under a temporary name, flushed, read back from the medium, compared, and only then given
    the name `path_for(sha256)`, never over another file. A name that is taken by the same content is that copy. A
    volume that fails is told of in `failures`; the others go on.

    Parameters
    ----------
    path_for : from the digest to the path in the job folder, `/` between parts
    expected : the digest that the source must have
    is_known : whether content of that digest is in custody already; then no copy of it is placed

    Raises
    ------
    VolumeError
        V004: the source cannot be read, or not to its end, or changed meanwhile.
    FixityError
        The source is not what `expected` says; nothing was placed.
    """
    writers = [_Writer(volume, job, path_for) for volume in volumes]
    digest = hashlib.sha256()
    size = 0
    order: _Order | None = None
    try:
        for block in source.blocks():
            for writer in writers:
                writer.queue.put(block)
            digest.update(block)
            size += len(block)
            if on_bytes:
                on_bytes(len(block))
        sha256 = digest.hexdigest()
        if expected is not None and sha256 != expected:
            raise FixityError(source.label, "SHA-256", expected, sha256)
        if not is_known(sha256):
            order = _Order(sha256, source.traits())
    finally:
        for writer in writers:
            writer.queue.put(order)
        for writer in writers:
            writer.join()
    replica = Replica(sha256, size)
    for writer in writers:
        if writer.defect:
            raise writer.defect
        if writer.copy:
            replica.copies.append(writer.copy)
        elif writer.failure and order:
            replica.failures.append(writer.failure)
    return replica


def remove_old(leftovers: Iterable[Path]) -> None:
    """Remove temporary files and folders, but none of the last day: it may be another process's, at work now.

    By the time of change (st_ctime): the time of modification is that of the file on the card.
    """
    for path in leftovers:
        with suppress(OSError):
            if time.time() - path.stat().st_ctime > LEFTOVER_SECONDS:
                if path.is_dir():
                    shutil.rmtree(path)
                else:
                    path.unlink()


@dataclass(frozen=True)
class _Order:
    """What to do with the blocks once all were read: finish them as this file. None stands for: throw them away."""

    sha256: str
    traits: Traits


class _Writer(threading.Thread):
    """One copy under way on one volume."""

    def __init__(self, volume: Volume, job: str, path_for: Named) -> None:
        super().__init__(name=f"copy to {volume.name}", daemon=True)
        self.volume = volume
        self.job = job
        self.path_for = path_for
        self.queue: Queue[bytes | _Order | None] = Queue(BLOCKS_AHEAD)
        self.copy: PlacedCopy | None = None
        self.failure: VolumeError | None = None
        self.defect: BaseException | None = None
        self._ended = False
        self.start()

    def run(self) -> None:
        """Write what comes through the queue, to its end whatever happens: who reads the source must never wait for ever."""
        try:
            self.copy = self._copy()
        except VolumeError as error:
            self.failure = error
        except OSError as error:
            self.failure = unwritable(f"{self.volume.store.label}/{self.job}/originals/", error)
        except BaseException as error:
            self.defect = error
        while not self._ended:
            self._next()

    def _next(self) -> bytes | _Order | None:
        item = self.queue.get()
        self._ended = not isinstance(item, bytes)
        return item

    def _copy(self) -> PlacedCopy | None:
        # Taken out since the flow began, its mount point is an empty folder of the system's own disk.
        self.volume.check_present()
        with self.volume.store.begin(f"{self.job}/originals") as incoming:
            while isinstance(item := self._next(), bytes):
                incoming.write(item)
            if item is None:
                return None
            incoming.finish(item.traits)
            return self._place(incoming, item.sha256)

    def _place(self, incoming: Incoming, sha256: str) -> PlacedCopy:
        """Read a flushed temporary file back, and give it its name when it is whole."""
        found = incoming.read_back()
        if found.sha256 != sha256:
            raise VolumeError(
                "V003",
                f"Volume {self.volume.name}: a copy read back as {found.sha256[:16]}…, not {sha256[:16]}…; it was thrown away. "
                "Check the disk and its cable, then run the same command again.",
            )
        path, store = self.path_for(sha256), self.volume.store
        for candidate in (path, _longer(path, sha256)):
            place = f"{self.job}/{candidate}"
            if incoming.place(place):
                return PlacedCopy(self.volume.volume, candidate, found.read_from)
            if hash_stored(store, place) == sha256:  # by a run that was killed before it could say so, or flush it
                store.flush(place)
                again = store.read_back(place)
                if again.sha256 == sha256:
                    return PlacedCopy(self.volume.volume, candidate, again.read_from)
        raise VolumeError(
            "V003",
            f"Volume {self.volume.name} holds other files under the names {path} and {_longer(path, sha256)}: move them away, and run the same command again.",
        )


def _longer(path: str, sha256: str) -> str:
    """The name for the case that the short one is taken by other content."""
    return path.replace(f".{sha256[:8]}", f".{sha256[:24]}", 1)
