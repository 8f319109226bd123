"""Clocks of the cameras: what is to be added to the times that a body writes, typed or measured. No file is touched.

The time so put right is each frame's `taken`; `captured` stays what the camera wrote. Gaps in the counters and frames of
one exposure are found within one body, by its own clock, so that an offset changes nothing there; frames keep their
numbers.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.identifiers import counted
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame
from glassine.schemas.strike import bodies_of
from glassine.schemas.validation import Document

Fact = dict[str, Any]
MOST_S = 100 * 366 * 86_400
"""Further off than a century is no clock that was set wrong (own choice)."""
_DAY = timedelta(days=1)


def list_clocks(studio: Studio, number: str) -> Document:
    """The bodies of a job, each with its frames, and what is known of its clock. Reads only."""
    manifest = JobRecord(studio.job_folder(number)).manifest()
    bodies = [
        {name: body[name] for name in ("serial", "camera", "frames", "offset_s", "how")} for body in bodies_of(manifest)
    ]
    said = [
        "  ".join(
            [body["serial"], body["camera"] or "unknown camera", counted(body["frames"], "frame"), _say_offset(body)]
        )
        for body in bodies
    ]
    return summary(said or [_say_no_body(manifest)], [], job=number, bodies=bodies)


def _say_no_body(manifest: Manifest) -> str:
    if not manifest.frames:
        return "No frame yet: the bodies are known from their frames."
    return "No frame bears the serial of a body: this camera writes none, so that no clock can be put right by it."


def set_clock(
    studio: Studio,
    number: str,
    camera: str,
    *,
    add_s: float | None = None,
    frame: int | None = None,
    shows: str | None = None,
    by: str | None = None,
) -> Document:
    """Say what a body's clock is off: seconds to add, or a frame that shows a clock and what that clock says.

    Parameters
    ----------
    camera : a serial of the job's bodies, or a part of one that no other has
    add_s : typed, seconds; what a clock that is slow needs is positive
    frame, shows : measured, both or none. `shows` is "2026-11-25 10:00:00", or "10:00:00" of the day that the camera
        wrote, or of the next to it, whichever is nearer; seconds may have decimals

    Raises
    ------
    CallError
        W001: neither or both ways, or a time that cannot be read. W002: no such body or frame, or several.
    """
    measured = frame is not None and shows is not None
    if (add_s is None) == (not measured) or (frame is None) != (shows is None):
        raise CallError(
            "W001",
            "Say either --add SECONDS, or --frame NUMBER and --shows 'YYYY-MM-DD HH:MM:SS', what a clock in it says.",
        )
    job = OpenJob(studio, number, by)
    serial = find_body(job.manifest, camera)
    offset = add_s if frame is None or shows is None else _measure(job.manifest.frame(frame), serial, shows)
    if offset is None or not math.isfinite(offset) or abs(offset) > MOST_S:
        raise CallError(
            "W001", "A clock is not off by more than a hundred years: give the seconds to add, such as --add 37."
        )
    said: Document = {"offset_s": offset, "how": "measured" if measured else "typed", "frame": frame}

    def propose(manifest: Manifest) -> list[Fact]:
        known = manifest.document["clocks"].get(serial)
        if known and all(known[name] == value for name, value in said.items()):
            return []
        return [{"kind": "clock", "serial": serial, "revision": known["revision"] + 1 if known else 1, **said}]

    job.commit("clock", propose)
    (body,) = [found for found in bodies_of(job.manifest) if found["serial"] == serial]
    told = f"Body {serial}, {counted(body['frames'], 'frame')}: {_say_offset(body)}. The files stay as they are."
    return summary([told], job.finish(), job=number, serial=serial, **said)


def find_body(manifest: Manifest, named: str) -> str:
    """The serial of the body of a job that is so called, or that alone has this part. Raises CallError W002."""
    serials: dict[str, int] = {body["serial"]: body["frames"] for body in bodies_of(manifest)}
    if named in serials:
        return named
    alike = [serial for serial in serials if named.strip() and named.strip().casefold() in serial.casefold()]
    if len(alike) == 1:
        return alike[0]
    known = ", ".join(f"{serial} ({counted(frames, 'frame')})" for serial, frames in serials.items()) or "none yet"
    what = f"{len(alike)} bodies of job {manifest.job} have" if alike else f"No body of job {manifest.job} has"
    raise CallError(
        "W002", f"{what} a serial with {named!r} (known: {known}): write as much of it as tells them apart."
    )


def _measure(frame: Frame, serial: str, shows: str) -> float:
    """Seconds from what the camera wrote to what the clock in the frame says, both as shown, whatever their zone."""
    number = frame["number"]
    if frame["serial"] != serial:
        raise CallError("W002", f"Frame {number} is not of body {serial}: name a frame that it took.")
    try:
        written = datetime.fromisoformat(frame["captured"] or "").replace(tzinfo=None)
    except ValueError:
        raise CallError("W002", f"Frame {number} says no time: name another, or give --add SECONDS.") from None
    text = shows.strip()
    is_time_of_day = len(text.partition(":")[0]) <= 2
    try:
        shown = datetime.fromisoformat(f"{written.date().isoformat()}T{text}" if is_time_of_day else text)
    except ValueError:
        shown = None
    if shown is None or shown.tzinfo is not None or ":" not in text:
        raise CallError("W001", f"{shows!r} is no time as a clock shows it: write --shows '2026-11-25 10:00:00'.")
    if is_time_of_day:
        shown = min((shown - _DAY, shown, shown + _DAY), key=lambda time: abs(time - written))
    return round((shown - written).total_seconds(), 3)


def _say_offset(body: Document) -> str:
    if body["offset_s"] is None:
        return "nobody has said what its clock is off"
    return f"{body['offset_s']:+g} s are added to its times ({body['how']})"
