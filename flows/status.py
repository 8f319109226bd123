"""Status: where everything stands, in a moment; reads only, and loads neither the flow engine nor picture libraries."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from glassine.flows.job_sheet import say_lost
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.due import (
    bad_copies,
    contact_sheet_inputs,
    deliveries_with,
    due_deliveries,
    due_finals,
    late_deliverables,
    late_frames,
    owed_copies,
    owed_hand_offs,
    owed_rounds,
    unidentified,
    unproofed,
    waits,
)
from glassine.schemas.errors import NOT_RIGHT, DocumentError, GlassineError
from glassine.schemas.identifiers import counted
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import STAGES, Frame, is_blocked
from glassine.schemas.three_two_one import count_short
from glassine.schemas.validation import Document, read_document


def status(studio: Studio, number: str | None) -> Document:
    """Where one job stands, or every job of the studio."""
    if number:
        found = _job_status(studio, number)
        faults = found["record_faults"]
        return summary(_say(found), faults, status=NOT_RIGHT if faults else 0, **found)
    jobs, problems = [], []
    for one in studio.job_numbers():
        try:
            jobs.append(_job_status(studio, one))
            problems += [f"Job {one}: {fault}" for fault in jobs[-1]["record_faults"]]
        except GlassineError as error:
            problems.append(f"Job {one}: {error}")
    problems += [say_lost(one) for one in studio.lost_jobs()]
    said = [line for job in jobs for line in _say(job)]
    if not said and not problems:
        said = ["No job yet: open one with `glassine job open NUMBER --client NAME`."]
    return summary(said, problems, status=NOT_RIGHT if problems else 0, jobs=jobs)


def _job_status(studio: Studio, number: str) -> Document:
    folder: Path = studio.job_folder(number)
    record = JobRecord(folder)
    manifest = record.manifest()
    faults = check_chain(folder)
    today = datetime.now(UTC).date()
    ids = [volume["volume"] for volume in studio.settings["volumes"] if volume.get("volume")]
    counts = Counter(frame["stage"] for frame in manifest.frames)
    return {
        "job": number,
        "title": manifest.sheet.get("title", ""),
        "client": manifest.sheet.get("client", ""),
        "folder": str(folder),
        "frames": len(manifest.frames),
        "stages": {stage: counts[stage] for stage in STAGES if counts[stage]},
        "strays": len(manifest.document["strays"]),
        "owed_copies": sum(len(owed.missing) for owed in owed_copies(manifest, ids)),
        "bad_copies": len(bad_copies(manifest)),
        "three_two_one": count_short(manifest),
        "read_back_since": _read_back_since(manifest),
        "due": _due(manifest, folder),
        "waits": [
            {"for": wait.person, "what": wait.what, "command": wait.command}
            for wait in waits(manifest, record.people, today)
        ],
        "late": late_frames(manifest, today),
        "late_deliverables": late_deliverables(manifest, today),
        "blocked_but_delivered": [
            {"frame": frame["number"], "delivery": delivery["delivery"], "client": delivery["client"]}
            for frame in manifest.frames
            if is_blocked(frame)
            for delivery in deliveries_with(manifest, frame["frame"])
        ],
        "head": manifest.document["head"],
        "record_faults": faults,
        "sheet_fault": _sheet_fault(folder),
    }


def _read_back_since(manifest: Manifest) -> str | None:
    """Since when every whole copy was read back: the oldest time of all; None without copies."""
    copies = [copy for _, holder in manifest.every_file() for copy in holder["copies"]]
    return min((copy["whole_at"] for copy in copies if copy["outcome"] == "whole"), default=None)


def _due(manifest: Manifest, folder: Path) -> list[str]:
    """What `advance` would do now, in words."""
    found = [
        (len(unidentified(manifest)), "frames to identify"),
        (len(unproofed(manifest, 0)) + len(lost_proofs(manifest, folder)), "proofs to make"),
        (len(owed_hand_offs(manifest)), "rounds to hand off"),
        (len(owed_rounds(manifest)), "retouch rounds to brief again"),
        (int(is_sheet_due(manifest) or _is_sheet_lost(manifest, folder)), "contact sheet to make"),
        (len(due_finals(manifest)), "finals to render"),
        (len(due_deliveries(manifest)), "deliveries to send"),
    ]
    return [f"{count} {what}" for count, what in found if count]


def lost_proofs(manifest: Manifest, folder: Path) -> list[Frame]:
    """Frames whose proof is in the record and not in the job's folder: its disk was lost, for one; it is made again."""
    shown = (frame for frame in manifest.frames if frame["proof"] and not is_blocked(frame))
    return [frame for frame in shown if not (folder / frame["proof"]["path"]).exists()]


def _is_sheet_lost(manifest: Manifest, folder: Path) -> bool:
    known = manifest.document["contact_sheet"]
    return bool(known) and not all((folder / known[kind]["path"]).exists() for kind in ("pdf", "jpeg"))


def is_sheet_due(manifest: Manifest) -> bool:
    """Whether the contact sheet is not that of the frames as they are now."""
    inputs, frames = contact_sheet_inputs(manifest)
    known = manifest.document["contact_sheet"]
    return bool(frames) and (known is None or known["inputs"] != inputs)


def _sheet_fault(folder: Path) -> str | None:
    """What is wrong with a job sheet that somebody edits just now."""
    try:
        read_document(folder / "job.json", "job_sheet")
    except DocumentError as error:
        return str(error)
    return None


def _say(job: Document) -> list[str]:
    stages = ", ".join(f"{count} {stage}" for stage, count in job["stages"].items()) or "no frames yet"
    said = [f"{job['job']}  {job['title']}, for {job['client']}", f"  {job['frames']} frames: {stages}"]
    if job["bad_copies"]:
        said.append(
            f"  {job['bad_copies']} copies are missing or differ: `glassine verify {job['job']} --repair`. Delete nothing until then."
        )
    if job["owed_copies"]:
        said.append(f"  {job['owed_copies']} copies are owed to a volume: do not format the card.")
    short = job["three_two_one"]
    if short["files"]:
        words = "; ".join(f"{what}: {count}" for what, count in short["missing"].items())
        said.append(f"  {counted(short['files'], 'file')} short of three copies, two media, one off site: {words}")
    if job["read_back_since"]:
        said.append(f"  Every whole copy was read back since {job['read_back_since'][:10]}.")
    if job["due"]:
        said.append(f"  Due now (`glassine advance {job['job']}`): {', '.join(job['due'])}")
    said += [f"  Waits for {wait['for']} {wait['what']}: {wait['command']}" for wait in job["waits"]]
    if job["sheet_fault"]:
        said.append(f"  The job sheet cannot be used as it is: {job['sheet_fault']}")
    if job["late"]:
        said.append(f"  Late from the retouch: {', '.join(job['late'])}")
    said += [f"  Late: {late}" for late in job["late_deliverables"]]
    said += [
        f"  Blocked, but in delivery {found['delivery']} to {found['client']}: frame {found['frame']}"
        for found in job["blocked_but_delivered"]
    ]
    return said
