"""A volume: a place that holds copies, known by its identity file, so that another disk at the same path is noticed."""

from __future__ import annotations

import json
import platform
from dataclasses import dataclass
from pathlib import Path

from glassine.schemas.durable_file import write_if_absent
from glassine.schemas.entry import Head
from glassine.schemas.errors import VolumeError
from glassine.schemas.identifiers import VOLUME_IDENTITY, new_volume_id, utc_now
from glassine.schemas.job_record import read_heads, write_head
from glassine.schemas.validation import check_document, read_document


@dataclass(frozen=True)
class Volume:
    """A volume that is there now, at `root`."""

    volume: str
    name: str
    root: Path
    medium: str
    site: str

    def job_folder(self, job: str) -> Path:
        """The job's folder on this volume; the paths of facts are relative to it."""
        return self.root / job

    def locate(self, job: str, path: str) -> Path:
        """Where a path of a fact lies on this volume."""
        return self.job_folder(job).joinpath(*path.split("/"))

    def heads(self, job: str) -> list[Head]:
        """The heads of a job's record that this volume knows."""
        return read_heads(self.job_folder(job) / "heads")

    def keep_head(self, job: str, head: Head) -> None:
        """Keep the head of a job's record, if absent."""
        write_head(self.job_folder(job), job, head)


def make_volume(root: Path, name: str, *, medium: str | None = None, site: str = "studio") -> Volume:
    """Give a folder its identity file, or read the one it has.

    `medium` tells which folders fail together; by default it is the device that the folder lies on.

    Raises
    ------
    VolumeError
        V003: the folder cannot be made or written.
    """
    try:
        root.mkdir(parents=True, exist_ok=True)
        device = root.stat().st_dev
    except OSError as error:
        raise VolumeError(
            "V003",
            f"The folder {root} for volume {name} cannot be made ({error.strerror}): name one where you may write.",
        ) from error
    path = root / VOLUME_IDENTITY
    if not path.exists():
        identity = {
            "format": 1,
            "volume": new_volume_id(),
            "name": name,
            "medium": medium or f"disk {device:x} of {platform.node() or 'this machine'}",
            "site": site,
            "made": utc_now(),
        }
        check_document(identity, "volume_identity", label=str(path))
        write_if_absent(path, (json.dumps(identity, indent=2, ensure_ascii=False) + "\n").encode())
    return _read_identity(root)


def open_volume(root: Path, name: str, volume: str | None) -> Volume:
    """The volume at a path, when it is there and is the one it should be.

    Raises
    ------
    VolumeError
        V001: nothing is there. V002: another disk is there.
    """
    if not (root / VOLUME_IDENTITY).is_file():
        raise VolumeError(
            "V001",
            f"Volume {name} is absent: {root} holds no {VOLUME_IDENTITY}. Connect it and run the same command again.",
        )
    found = _read_identity(root)
    if volume is not None and found.volume != volume:
        raise VolumeError(
            "V002",
            f"At {root} lies volume {found.name} ({found.volume}), not {name} ({volume}): another disk is mounted there. Nothing was written.",
        )
    return found


def _read_identity(root: Path) -> Volume:
    identity = read_document(root / VOLUME_IDENTITY, "volume_identity")
    return Volume(identity["volume"], identity["name"], root, identity["medium"], identity["site"])
