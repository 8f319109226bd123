"""Crop and rotation: facts of a select, or of one delivery specification; applied when it is delivered."""

from __future__ import annotations

from typing import Any

from glassine.flows.frame_list import say_crop
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, is_selected
from glassine.schemas.validation import Document
from glassine.tasks.handoff.annotation import parse_region
from glassine.tasks.imaging.crop import check_crop

Fact = dict[str, Any]
FULL_FRAME = {"shape": "rectangle", "x": 0, "y": 0, "width": 100, "height": 100}


def set_crop(
    studio: Studio,
    number: str,
    frames: list[int],
    region: str | None,
    *,
    straighten_degrees: float,
    turn_degrees: int,
    specification: str | None,
    full: bool,
    by: str | None,
) -> Document:
    """Crop selects for every delivery, or for those to one specification; `full` takes the crop away again.

    Whoever signed finals of them off saw another picture: they are to be signed off again.
    """
    if full == bool(region or straighten_degrees or turn_degrees):
        raise CallError("W001", "Say how: a REGION, --straighten or --turn; or --full for the full frame again.")
    if specification:
        studio.specification(specification)  # an unknown one is said at once
    crop = None
    if not full:
        area = parse_region(region) if region else FULL_FRAME
        if area["shape"] != "rectangle":
            raise CallError("W001", f"A crop is a rectangle, not {area['shape']}: xywh=percent:X,Y,WIDTH,HEIGHT.")
        crop = {"region": area, "straighten_degrees": straighten_degrees, "turn_degrees": turn_degrees}
    job = OpenJob(studio, number, by)
    was_signed = [
        frame for frame in frames if any(final["signed_off"] for final in job.manifest.frame(frame)["finals"])
    ]

    def propose(manifest: Manifest) -> list[Fact]:
        facts = []
        for frame in (manifest.frame(frame) for frame in frames):
            _check(frame, crop)
            crops = frame["crops"]
            if specification:
                known = specification in crops["specifications"]
                is_there = known and crops["specifications"][specification] == crop
            else:
                is_there = crops["general"] == crop
            if not is_there:
                said = {"revision": crops["revision"] + 1, "specification": specification, "crop": crop}
                facts.append({"kind": "crop", "frame": frame["frame"], **said})
        return facts

    before = job.manifest.head
    changed = job.commit("crop", propose).head != before
    where = f"deliveries to {specification!r}" if specification else "every delivery"
    said = [f"Frame {frame:04d}, {where}: {say_crop(crop) if crop else 'the full frame'}." for frame in frames]
    said += [f"The finals of {frame:04d} are to be signed off again, in this crop." for frame in was_signed if changed]
    said.append(f"Next: glassine proof {number} shows it on the contact sheet.")
    return summary(said, job.finish(), job=number, frames=frames, crop=crop, specification=specification)


def _check(frame: Frame, crop: Document | None) -> None:
    if not is_selected(frame):
        raise CallError(
            "W004", f"Frame {frame['number']} is no select of a closed round: mark it and close the round first."
        )
    if crop and frame["finals"]:
        check_crop(crop, frame["finals"][-1]["width"], frame["finals"][-1]["height"])
    elif crop and frame["width"] and frame["height"]:
        width, height = frame["width"], frame["height"]
        lies = (frame["orientation"] or 1) >= 5  # TIFF 6.0, tag 274: 5 to 8 are turned by a quarter
        check_crop(crop, *((height, width) if lies else (width, height)))
