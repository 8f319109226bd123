"""Set-up sheets: a page for each set-up of the job sheet, from which its lights can be built again. Nothing is recorded."""

from __future__ import annotations

from pathlib import Path

from glassine.flows.on_set import check_set_up, set_ups_of
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, is_blocked
from glassine.schemas.validation import Document
from glassine.tasks.custody.original_name import safe_part
from glassine.tasks.imaging.set_up_plan import plan_set_up
from glassine.tasks.imaging.set_up_sheet import make_set_up_sheet

FOLDER = "proofs/set-ups"
"""Where a job's set-up sheets lie; they can be made again at any time, so they are no holdings."""


def make_sheets(studio: Studio, number: str, set_up: str | None = None) -> Document:
    """Make the sheet of one set-up, or of all that the job sheet names, each with its best frame where there is one.

    Raises
    ------
    CallError
        W002: the job sheet names no set-up, or not this one.
    """
    folder = studio.job_folder(number)
    manifest = JobRecord(folder).manifest()
    if set_up is not None:
        check_set_up(manifest, set_up)
    if not set_ups_of(manifest):
        raise CallError("W002", f"The job sheet of {number} names no set-up: write them into job.json, under set_ups.")
    said, made = [], []
    for wanted in manifest.sheet["set_ups"]:
        if set_up not in (None, wanted["name"]):
            continue
        out = folder / FOLDER / f"{safe_part(wanted['name'], 80)}.pdf"
        best = best_frame(manifest, wanted["name"], folder)
        shown = (folder / best["proof"]["path"], f"{best['number']}  {best['name']}") if best else None
        make_set_up_sheet(out, job=number, studio=studio.name, set_up=wanted, best=shown)
        plan = plan_set_up(wanted)
        said.append(f"Set-up {wanted['name']}: {out}")
        said += [f"  {words}" for words in (*plan.warnings, *plan.unknown)]
        made.append({"set_up": wanted["name"], "path": str(out), "frame": best["number"] if best else None})
    return summary(said, [], job=number, sheets=made)


def best_frame(manifest: Manifest, set_up: str, folder: Path) -> Frame | None:
    """The picture that stands for a set-up: its hero, else a select, else the sharpest that nobody left out."""
    there = [
        frame
        for frame in manifest.frames
        if frame["set_up"] == set_up
        and frame["purpose"] == "picture"
        and frame["proof"]
        and not is_blocked(frame)
        and (frame["selection"] or {"verdict": ""})["verdict"] != "out"
        and (folder / frame["proof"]["path"]).exists()
    ]

    def rank(frame: Frame) -> tuple[bool, bool, float]:
        chosen = frame["selection"] or {"hero": False, "verdict": ""}
        sharp = frame["reading"]["sharpness"] if frame["reading"] else 0.0
        return chosen["hero"], chosen["verdict"] == "select", sharp

    return max(there, key=rank, default=None)
