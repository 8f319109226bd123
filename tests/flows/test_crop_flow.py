"""Crops: who may be cropped, what a crop takes back, and what leaves."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from glassine.flows.crop import set_crop
from glassine.flows.frame_list import list_frames
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, DeliveryRefusedError, GlassineError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

Run = Callable[..., Document]
JOB, PHOTOGRAPHER, CLIENT = "2611-04", "Imre Falk", "Sorrel Lane Instruments"


def crop(studio: Studio, frames: list[int], region: str | None = None, **words: Any) -> Document:
    usual: Document = {"straighten_degrees": 0.0, "turn_degrees": 0, "specification": None, "full": False, "by": None}
    return set_crop(studio, JOB, frames, region, **{**usual, **words})


def delivered(manifest: Manifest, number: int) -> dict[tuple[str, int], Path]:
    """Specification and frame to the delivered file of the final `print`, of deliveries from this number on."""
    return {
        (delivery["specification"], file["frame"]): Path(delivery["handed_over"]["place"]) / "data" / file["name"]
        for delivery in manifest.document["deliveries"][number:]
        for file in delivery["files"]
        if file["final"] == "print"
    }


def test_a_crop_takes_the_sign_off_back_and_is_what_leaves(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("signed")
    said = crop(studio, [1], "xywh=percent:10,10,50,80")["said"]
    assert any("0001 are to be signed off again" in line for line in said)
    with pytest.raises(DeliveryRefusedError) as refused:
        run("deliver", studio, client=CLIENT)
    assert any("0001 is not signed off" in cause for cause in refused.value.details)
    assert any(
        "crop for every delivery: xywh=percent:10,10,50,80" in line for line in list_frames(studio, JOB, [1])["said"]
    )
    run("grade.sign_off", studio, frames=[1], by=PHOTOGRAPHER)
    crop(studio, [1], "xywh=percent:0,0,40,100", turn_degrees=90, specification="page")
    run("grade.sign_off", studio, frames=[1], by=PHOTOGRAPHER)
    run("deliver", studio, client=CLIENT)
    files = delivered(manifest_of(studio), 0)
    sizes = {key: pixels(path).shape[1::-1] for key, path in files.items()}
    # Frame 1 has 300 x 200 px; the long edge of both specifications is 160 px.
    assert sizes["screen", 1] == (150, 160), "half the width, eight tenths of the height"
    assert sizes["page", 1] == (160, 96), "four tenths of the width, then turned by a quarter"
    assert sizes["screen", 3] == (107, 160), "an upright frame, as it is"
    before = manifest_of(studio).head
    run("deliver", studio, client=CLIENT)
    crop(studio, [1], "xywh=percent:10,10,50,80")
    assert manifest_of(studio).head == before, "said again, sent again: nothing"


def test_the_full_frame_again_is_another_picture(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("signed")
    crop(studio, [1, 3], "xywh=percent:25,0,50,100")
    run("grade.sign_off", studio, frames=[1, 3], by=PHOTOGRAPHER)
    run("deliver", studio, client=CLIENT)
    first = delivered(manifest_of(studio), 0)
    crop(studio, [1], full=True)
    run("grade.sign_off", studio, frames=[1], by=PHOTOGRAPHER)
    count = len(manifest_of(studio).document["deliveries"])
    run("advance", studio)
    again = delivered(manifest_of(studio), count)
    assert set(again) == {("page", 1), ("screen", 1)}, "only what changed is sent again"
    assert pixels(again["screen", 1]).shape == (107, 160, 3)
    assert pixels(first["screen", 1]).shape == (160, 120, 3)


def pixels(path: Path) -> np.ndarray[Any, np.dtype[np.int64]]:
    with Image.open(path) as picture:
        return np.asarray(picture.convert("RGB")).astype(np.int64)


@pytest.mark.parametrize(
    ("stage", "words", "said"),
    [
        ("closed", {"frames": [2], "region": "xywh=percent:0,0,50,50"}, "no select of a closed round"),
        ("closed", {"frames": [1]}, "Say how"),
        ("closed", {"frames": [1], "region": "xywh=percent:0,0,50,50", "full": True}, "Say how"),
        ("closed", {"frames": [1], "region": "ellipse=percent:0,0,50,50"}, "A crop is a rectangle"),
        ("closed", {"frames": [1], "straighten_degrees": 5.0}, "sticks out"),
        ("closed", {"frames": [1], "region": "xywh=percent:0,0,50,50", "specification": "poster"}, "poster"),
        ("closed", {"frames": [77], "region": "xywh=percent:0,0,50,50"}, "has no frame 0077"),
    ],
)
def test_an_unclear_crop_is_one_sentence_and_no_fact(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest], stage: str, words: Document, said: str
) -> None:
    studio = at(stage)
    before = manifest_of(studio).head
    with pytest.raises(GlassineError, match=said) as refused:
        crop(studio, **words)
    assert refused.value.exit_status == 2
    assert manifest_of(studio).head == before


def test_a_crop_is_seen_on_the_contact_sheet(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("closed")
    run("proof", studio)
    sheet = studio.job_folder(JOB) / "proofs" / "contact-sheet.jpg"
    plain = pixels(sheet)
    crop(studio, [1], "xywh=percent:20,20,50,50")
    run("proof", studio)
    marked = pixels(sheet)
    assert marked.shape == plain.shape
    changed = np.abs(marked - plain).max(axis=2) > 40
    assert 0.0005 < changed.mean() < 0.2, "the outline and what is outside it, of one frame of four"


def test_an_unknown_region_is_refused_by_the_command_line_as_by_the_function(at: Callable[[str], Studio]) -> None:
    studio = at("closed")
    with pytest.raises(CallError) as refused:
        crop(studio, [1], "somewhere")
    assert refused.value.code == "W001"
