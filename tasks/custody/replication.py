"""One read, many copies: a source file is read once while it is written to every volume, then each copy is read back."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import IO, Any

from glassine.schemas.durable_file import (
    TEMPORARY_PREFIX,
    flush_folder,
    flush_to_medium,
    place_if_absent,
    temporary_file,
    unwritable,
)
from glassine.schemas.errors import FixityError, VolumeError
from glassine.tasks.custody.digest import BLOCK_BYTES, hash_file
from glassine.tasks.custody.medium import read_back
from glassine.tasks.custody.volume import Volume, open_volume

Named = Callable[[str], str]
LEFTOVER_SECONDS = 24 * 3600.0
PACKING_PREFIX = ".packing-"
"""How the name of a folder begins in which a delivery is packed."""


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


@dataclass
class _Target:
    volume: Volume
    temporary: Path = Path(os.devnull)
    stream: IO[bytes] = field(default_factory=BytesIO)
    failure: VolumeError | None = None


def replicate(
    source: Path,
    job: str,
    volumes: Sequence[Volume],
    path_for: Named,
    *,
    expected: str | None = None,
    is_known: Callable[[str], bool] = lambda _: False,
    on_bytes: Callable[[int], None] | None = None,
) -> Replica:
    """Copy one file to several volumes with a single read of the source.

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
        V004: the source cannot be read, or not to its end.
    FixityError
        The source is not what `expected` says; nothing was placed.
    """
    digest = hashlib.sha256()
    size = 0
    with ExitStack() as all_targets:
        targets = [_open_target(volume, job, all_targets) for volume in volumes]
        try:
            with source.open("rb", buffering=0) as stream:
                status = os.fstat(stream.fileno())
                while block := stream.read(BLOCK_BYTES):
                    digest.update(block)
                    size += len(block)
                    for target in targets:
                        _write(target, block)
                    if on_bytes:
                        on_bytes(len(block))
        except OSError as error:
            raise VolumeError(
                "V004",
                f"{source} cannot be read ({error.strerror or error}) and was not taken in: try another reader or cable, and run the same command again.",
            ) from error
        if stat.S_ISREG(status.st_mode) and size != status.st_size:
            raise VolumeError(
                "V004",
                f"{source} gave {size} of {status.st_size} bytes: it is still being written, or its medium is failing; "
                "it was not taken in. Wait, or try another reader or cable, and run the same command again.",
            )
        sha256 = digest.hexdigest()
        if expected is not None and sha256 != expected:
            raise FixityError(source, "SHA-256", expected, sha256)
        replica = Replica(sha256, size)
        if is_known(sha256):
            return replica
        for target in targets:
            _flush(target, (status.st_atime_ns, status.st_mtime_ns))
        for target in targets:
            try:
                if target.failure:
                    raise target.failure
                replica.copies.append(_place(target, job, sha256, path_for))
            except VolumeError as error:
                replica.failures.append(error)
    return replica


def remove_leftovers(job_folder: Path) -> None:
    """Remove temporary files and folders that a killed run left in a job's folder."""
    remove_old(job_folder.glob(f"*/{TEMPORARY_PREFIX}*.part"))
    remove_old(job_folder.glob(f"deliveries/{PACKING_PREFIX}*"))


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


def _open_target(volume: Volume, job: str, all_targets: ExitStack) -> _Target:
    stack = all_targets.enter_context(ExitStack())
    beside = volume.job_folder(job) / "originals" / "x"
    try:
        # Taken out since the flow began, its mount point is an empty folder of the system's own disk.
        open_volume(volume.root, volume.name, volume.volume)
        temporary, stream = stack.enter_context(temporary_file(beside))
    except VolumeError as error:
        return _Target(volume, failure=error)
    except OSError as error:
        return _Target(volume, failure=unwritable(beside, error))
    return _Target(volume, temporary, stream)


def _write(target: _Target, block: bytes) -> None:
    if target.failure is None:
        try:
            target.stream.write(block)
        except OSError as error:
            target.failure = unwritable(target.temporary, error)


def _flush(target: _Target, times_ns: tuple[int, int]) -> None:
    if target.failure is None:
        try:
            target.stream.flush()
            flush_to_medium(target.stream.fileno())
            target.stream.close()
            os.utime(target.temporary, ns=times_ns)
        except OSError as error:
            target.failure = unwritable(target.temporary, error)


def _place(target: _Target, job: str, sha256: str, path_for: Named) -> PlacedCopy:
    """Read a flushed temporary file back, and give it its name when it is whole."""
    try:
        found = read_back(target.temporary)
        if found.sha256 != sha256:
            raise VolumeError(
                "V003",
                f"Volume {target.volume.name}: a copy read back as {found.sha256[:16]}…, not {sha256[:16]}…; it was thrown away. "
                "Check the disk and its cable, then run the same command again.",
            )
        path = path_for(sha256)
        for candidate in (path, _longer(path, sha256)):
            place = target.volume.locate(job, candidate)
            place.parent.mkdir(parents=True, exist_ok=True)
            if place_if_absent(target.temporary, place, look_first=True):
                flush_folder(place.parent)
                return PlacedCopy(target.volume.volume, candidate, found.read_from)
            if hash_file(place) == sha256:  # a run that was killed before it could say so, perhaps before it flushed
                _flush_file(place)
                return PlacedCopy(target.volume.volume, candidate, read_back(place).read_from)
    except OSError as error:
        raise unwritable(target.temporary, error) from error
    raise VolumeError(
        "V003",
        f"Volume {target.volume.name} holds other files under the names {path} and {_longer(path, sha256)}: move them away, and run the same command again.",
    )


def _flush_file(path: Path) -> None:
    with path.open("rb+") as stream:
        flush_to_medium(stream.fileno())


def _longer(path: str, sha256: str) -> str:
    """The name for the case that the short one is taken by other content."""
    return path.replace(f".{sha256[:8]}", f".{sha256[:24]}", 1)
