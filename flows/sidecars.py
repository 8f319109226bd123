"""The XMP sidecars of the selects in `handoff/`: written for any program, away while a frame is blocked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from glassine.flows.open_job import OpenJob
from glassine.schemas.stage import Frame, is_blocked
from glassine.schemas.validation import Document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.handoff.xmp_sidecar import write_sidecar

Fact = dict[str, Any]
HERO_RATING, SELECT_RATING = 5, 4
"""xmp:Rating of what was chosen (XMP Specification Part 1: 0 to 5; that these two stand for it is our own choice)."""


def write_sidecar_of(job: OpenJob, frame: Frame, found: Document, folder: str) -> Fact:
    """Write the sidecar of a frame that a round chose; what the fact of the hand-off says of it."""
    sheet = job.manifest.sheet
    path = f"{folder}/{Path(frame['path']).stem}.xmp"
    marks = found["marks"][str(frame["frame"])].values()
    write_sidecar(
        job.path(path),
        rating=HERO_RATING if any(given["hero"] for given in marks) else SELECT_RATING,
        label=found["round"],
        title=f"{job.number} {frame['number']}",
        creator=[sheet["photographer"]] if sheet.get("photographer") else (),
        job=job.number,
    )
    return {"frame": frame["frame"], "path": path, "sha256": hash_file(job.path(path))}


def bring_sidecars_in_line(job: OpenJob, numbers: Sequence[int]) -> None:
    """Take the sidecars of blocked frames away from `handoff/`, and put back those of frames that are free again."""
    for found in job.manifest.document["selects_rounds"]:
        for listed in found["hand_off"] or []:
            if listed["frame"] not in numbers:
                continue
            frame = job.manifest.frame(listed["frame"])
            path = job.path(listed["path"])
            if not is_blocked(frame):
                write_sidecar_of(job, frame, found, Path(listed["path"]).parent.as_posix())
            elif job.manifest.holder(listed["sha256"]) is None:  # older jobs hold theirs in custody
                path.unlink(missing_ok=True)
