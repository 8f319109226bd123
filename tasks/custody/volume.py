"""A volume: a place that holds copies, known by its identity file, so that another disk at the same path is noticed."""

from __future__ import annotations

import json
import os
import platform
import sys
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from glassine.schemas.entry import Head
from glassine.schemas.errors import VolumeError
from glassine.schemas.identifiers import VOLUME_IDENTITY, new_volume_id, utc_now
from glassine.schemas.job_record import head_bytes, head_name, parse_head
from glassine.schemas.validation import check_document, parse_document
from glassine.tasks.custody.store import FolderStore, Store


@dataclass(frozen=True)
class Volume:
    """A volume that is there now, and the store that keeps its files."""

    volume: str
    name: str
    store: Store
    medium: str
    site: str

    @property
    def root(self) -> Path:
        """The folder of a volume whose files can be opened in place. Raises VolumeError W001 where there is none."""
        if self.store.root is None:
            raise VolumeError("W001", f"Volume {self.name} is on a server ({self.store.label}): name one on a disk.")
        return self.store.root

    @property
    def is_folder(self) -> bool:
        """Whether its files can be opened in place."""
        return self.store.root is not None

    def job_folder(self, job: str) -> Path:
        """The job's folder on this volume; the paths of facts are relative to it."""
        return self.root / job

    def locate(self, job: str, path: str) -> Path:
        """Where a path of a fact lies on this volume."""
        return self.job_folder(job).joinpath(*path.split("/"))

    def heads(self, job: str, known: Iterable[Head] = ()) -> list[Head]:
        """The heads of a job's record that this volume knows; one that cannot be read is passed over.

        Of those `known` from elsewhere, a volume on a server is asked for the newest only: that vouches for all before it.
        """
        elsewhere = {} if self.is_folder else {head_name(head): head for head in known}
        found: list[Head | None] = []
        files = self.store.list_files(f"{job}/heads")
        for listed in files:
            if listed.name in elsewhere and listed != files[-1]:
                found.append(elsewhere[listed.name])
                continue
            with suppress(OSError):
                found.append(parse_head(listed.name, self.store.read_bytes(f"{job}/heads/{listed.name}")))
        return [head for head in found if head]

    def keep_head(self, job: str, head: Head) -> None:
        """Keep the head of a job's record, if absent."""
        path = f"{job}/heads/{head_name(head)}"
        if head.entry and not self.store.exists(path):
            self.store.put_if_absent(path, head_bytes(job, head))

    def check_present(self) -> None:
        """Raise V001 or V002 when it was taken out since: its mount point may be a folder of the system's own disk."""
        open_volume(self.store, self.name, self.volume)


def make_volume(
    place: Path | Store, name: str, *, medium: str | None = None, site: str = "studio", volume: str | None = None
) -> Volume:
    """Give a folder or another store its identity file, or read the one it has.

    `medium` tells which volumes fail together; by default it is the device that the folder lies on, or the address.
    `volume` is the id of a lost volume whose place this one takes; by default it gets an id of its own.

    Raises
    ------
    VolumeError
        V003: the folder cannot be made or written.
    """
    store = _as_store(place)
    try:
        if store.root:
            store.root.mkdir(parents=True, exist_ok=True)
        known = store.exists(VOLUME_IDENTITY)
        medium = medium or _medium_of(store)
    except OSError as error:
        raise VolumeError(
            "V003",
            f"The folder {store.label} for volume {name} cannot be made ({error.strerror}): name one where you may write.",
        ) from error
    if not known:
        identity = {
            "format": 1,
            "volume": volume or new_volume_id(),
            "name": name,
            "medium": medium,
            "site": site,
            "made": utc_now(),
        }
        check_document(identity, "volume_identity", label=f"{store.label}/{VOLUME_IDENTITY}")
        store.put_if_absent(VOLUME_IDENTITY, (json.dumps(identity, indent=2, ensure_ascii=False) + "\n").encode())
    return _read_identity(store, name)


def open_volume(place: Path | Store, name: str, volume: str | None) -> Volume:
    """The volume at a place, when it is there and is the one it should be.

    Raises
    ------
    VolumeError
        V001: nothing is there. V002: another disk is there.
    """
    store = _as_store(place)
    found = _read_identity(store, name)
    if volume is not None and found.volume != volume:
        raise VolumeError(
            "V002",
            f"At {store.label} lies volume {found.name} ({found.volume}), not {name} ({volume}): another disk is mounted there. Nothing was written.",
        )
    return found


def _as_store(place: Path | Store) -> Store:
    return FolderStore(place) if isinstance(place, Path) else place


def _medium_of(store: Store) -> str:
    if store.root is None:
        return f"server at {store.label}"
    return f"disk {_disk_of(store.root.stat().st_dev):x} of {platform.node() or 'this machine'}"


def _disk_of(device: int) -> int:
    """The disk that a device lies on: two partitions of one, or a mapped or encrypted one, fail with it.

    Linux says so (sysfs, Documentation/ABI/stable/sysfs-block); elsewhere each file system counts as a disk.
    """
    if sys.platform != "linux":
        return device
    place = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}")
    try:
        if (place / "partition").exists():
            under = place.resolve().parent / "dev"
        else:
            (one,) = (place / "slaves").iterdir()
            under = one.resolve() / "dev"
        major, minor = under.read_text().strip().split(":")
    except (OSError, ValueError):  # a disk of its own, several under one, or a network drive
        return device
    return _disk_of(os.makedev(int(major), int(minor)))


def _read_identity(store: Store, name: str) -> Volume:
    try:
        content = store.read_bytes(VOLUME_IDENTITY)
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError) as error:
        raise VolumeError(
            "V001",
            f"Volume {name} is absent: {store.label} holds no {VOLUME_IDENTITY}. Connect it and run the same command again.",
        ) from error
    except (ConnectionError, TimeoutError) as error:
        raise VolumeError(
            "V001",
            f"Volume {name} is absent: {store.label}, {error.strerror or error}. Connect it and run the same command again.",
        ) from error
    except OSError as error:
        raise VolumeError(
            "V001",
            f"Volume {name} is absent: {store.label} cannot be read ({error.strerror or error}). Connect it and run the same command again.",
        ) from error
    identity = parse_document(content, "volume_identity", label=f"{store.label}/{VOLUME_IDENTITY}")
    return Volume(identity["volume"], identity["name"], store, identity["medium"], identity["site"])
