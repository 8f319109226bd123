"""The demo's shoot: makers of an instrument workshop, thirty frames in three set-ups, on two simulated cards.

Everybody and everything here is invented.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bit_depth import FloatImage, to_uint8
from glassine.tasks.imaging.decoder_pool import DecoderPool
from glassine.tasks.imaging.simulated_camera import CaptureData, take_frame
from glassine.tasks.imaging.simulated_plan import BENCH, SET_UPS, WHITE, WINDOW, SetUp
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_set import Scene, Sitter
from glassine.tasks.imaging.simulated_truth import regions

WIDTH, HEIGHT = 1600, 2400
"""About 4 megapixels, upright: thirty of them are to be made, graded and delivered in three minutes on two cores."""
SERIAL = "GS-000117"
"""Of the camera body."""
_TAKEN = datetime(2026, 11, 24, 14, 3, 20, tzinfo=timezone(timedelta(hours=1)))
_SECONDS_BETWEEN, _SECONDS_TO_CHANGE = 17, 1500
_FIRST_NUMBER, _LAST_NUMBER = 9987, 9999
"""Of files: a DCF file number ends at 9999 and goes on with 0001 in the next folder (CIPA DC-009, 3.2)."""
_PREFIX, _FOLDER, _FOLDER_NUMBER = "DEMO", "DEMOG", 100
NOTES_TXT = "Bench, window, white. Third sitter: ask again about the release for the web pages.\n"
COPIES = "COPY"
"""Folder of the second card with the photographer's own copy of a frame of the first."""

# Indexes of exposures; ingested card by card, frame numbers are one more.
HERO, DONOR = 1, 2
"""The frame that is retouched, and the one in the same pose whose eye has its light."""
EYES_SHUT, NOT_FIRED, SOFT, STOP_OVER, TRUNCATED, DUPLICATED = 3, 7, 9, 16, 24, 14
SECOND_CARD_FROM = 19
HERO_NOTES = {
    "stray_hair": "take out the stray hair on the forehead",
    "skin_mark": "take out the mark on the cheek",
    "catchlight": "bring the light in this eye over from the donor frame",
    "stand_shadow": "clean the stand's shadow off the background",
    "lint": "take the lint off the shirt",
}
"""What is asked of the hero frame: the name of its region in `truth(HERO)`, and the note."""

_ADA = Sitter(hair=(0.050, 0.030, 0.020), shirt=(0.20, 0.235, 0.27), age=0.15, jaw=0.45)
_BRAM = Sitter(
    skin=(0.33, 0.185, 0.125), hair=(0.018, 0.014, 0.012), shirt=(0.055, 0.065, 0.080), apron=None,
    iris=(0.05, 0.03, 0.018), beard=0.75, age=0.4, head_width=1.05, jaw=0.8, nose=0.7, brow=0.9, neck=0.245,
    hair_style="cropped", collar="crew",
)  # fmt: skip
_INES = Sitter(
    skin=(0.52, 0.325, 0.24), hair=(0.075, 0.034, 0.018), shirt=(0.26, 0.085, 0.060), apron=None,
    iris=(0.055, 0.062, 0.036), age=0.1, head_width=0.95, jaw=0.2, nose=0.25, brow=0.3, neck=0.19, hair_style="long",
    lips=0.8, collar="crew",
)  # fmt: skip
_JOSS = Sitter(
    skin=(0.50, 0.315, 0.235), hair=(0.30, 0.285, 0.27), shirt=(0.34, 0.32, 0.28), iris=(0.12, 0.15, 0.12), age=0.9,
    jaw=0.6, nose=0.8, stubble=0.35, hair_style="receding", glasses=True, neck=0.235,
)  # fmt: skip
_MIRA = Sitter(
    skin=(0.24, 0.130, 0.085), hair=(0.012, 0.010, 0.009), shirt=(0.45, 0.36, 0.14), apron=None,
    iris=(0.035, 0.02, 0.012), age=0.25, head_width=0.97, jaw=0.25, nose=0.5, brow=0.4, neck=0.19, hair_style="tied",
    lips=0.95, collar="shirt",
)  # fmt: skip
_TEO = Sitter(
    skin=(0.46, 0.285, 0.195), hair=(0.16, 0.085, 0.035), shirt=(0.07, 0.085, 0.075), apron=(0.16, 0.12, 0.08),
    iris=(0.10, 0.12, 0.10), age=0.3, jaw=0.7, nose=0.4, brow=0.7, stubble=0.6, neck=0.235, parting=0.5,
)  # fmt: skip


@dataclass(frozen=True)
class Exposure:
    """One exposure of the shoot: its set-up and sitter, what stands before the camera, how far the exposure was off."""

    set_up: SetUp
    sitter: str
    scene: Scene
    exposure_stops: float = 0.0


@cache
def exposures() -> tuple[Exposure, ...]:
    """The thirty, in the order they were taken; with what goes wrong in a shoot."""
    taken: list[Exposure] = []

    def take(set_up: SetUp, sitter: str, scene: Scene, stops: float = 0.0, **changes: Any) -> None:
        taken.append(Exposure(set_up, sitter, replace(scene, lighting=set_up.lighting, **changes), stops))

    ada = Scene(_ADA, skin_mark=True, seed=100)
    take(BENCH, "Ada Quill", ada, -0.9, turn_degrees=18, smile=0.0)
    take(BENCH, "Ada Quill", ada, stray_hair=True, lint=True, stand_shadow=True, catchlights=(True, False))
    take(BENCH, "Ada Quill", ada, lint=True, stand_shadow=True)
    take(BENCH, "Ada Quill", ada, eyes_open=0.0)
    take(BENCH, "Ada Quill", ada, smile=0.15, nod_degrees=-3)
    take(BENCH, "Ada Quill", ada, turn_degrees=4, smile=0.65, tilt_degrees=6)
    bram = Scene(_BRAM, turn_degrees=-16, tilt_degrees=-3, body_degrees=-22, smile=0.05, seed=200)
    take(BENCH, "Bram Oake", bram)
    dark = replace(bram, lighting=BENCH.lighting.without("main"))
    taken.append(Exposure(BENCH, "Bram Oake", dark))
    take(BENCH, "Bram Oake", bram, turn_degrees=-4, smile=0.45)
    take(BENCH, "Bram Oake", bram, defocus_px=9.0)
    take(BENCH, "Bram Oake", bram, turn_degrees=10, body_degrees=16, instrument=True)
    take(BENCH, "Bram Oake", bram, turn_degrees=-24, gaze=(-0.6, 0.1))
    ines = Scene(_INES, turn_degrees=-18, body_degrees=-24, tilt_degrees=-4, smile=0.1, seed=300)
    take(WINDOW, "Ines Tarr", ines, -0.6)
    take(WINDOW, "Ines Tarr", ines)
    take(WINDOW, "Ines Tarr", ines, turn_degrees=8, body_degrees=14, smile=0.35, instrument=True)
    take(WINDOW, "Ines Tarr", ines, turn_degrees=-6, smile=0.55, tilt_degrees=4)
    take(WINDOW, "Ines Tarr", ines, 1.0, turn_degrees=-10)
    joss = Scene(_JOSS, turn_degrees=-14, body_degrees=-18, tilt_degrees=2, smile=0.3, seed=400)
    take(WINDOW, "Joss Wend", joss)
    take(WINDOW, "Joss Wend", joss, smile=0.6, turn_degrees=-4)
    take(WINDOW, "Joss Wend", joss, turn_degrees=-26, gaze=(-0.5, 0.0), smile=0.1)
    take(WINDOW, "Joss Wend", joss, eyes_open=0.45)
    mira = Scene(_MIRA, turn_degrees=10, body_degrees=18, tilt_degrees=3, smile=0.4, seed=500)
    take(WHITE, "Mira Sand", mira)
    take(WHITE, "Mira Sand", mira, turn_degrees=-8, smile=0.7)
    take(WHITE, "Mira Sand", mira, turn_degrees=16, instrument=True, smile=0.2)
    take(WHITE, "Mira Sand", mira, tilt_degrees=-3, smile=0.5)
    take(WHITE, "Mira Sand", mira, turn_degrees=2, smile=0.3, zoom=1.45, look_at=(0.0, 0.12))
    teo = Scene(_TEO, turn_degrees=12, body_degrees=10, tilt_degrees=-2, smile=0.3, seed=600)
    take(WHITE, "Teo Lund", teo)
    take(WHITE, "Teo Lund", teo, turn_degrees=-10, smile=0.6)
    take(WHITE, "Teo Lund", teo, gaze=(0.6, 0.2), smile=0.1)
    take(WHITE, "Teo Lund", teo, turn_degrees=4, smile=0.8, zoom=1.4, look_at=(0.0, 0.10))
    return tuple(taken)


def job_sheet_set_ups() -> list[dict[str, Any]]:
    """The set-ups as the job sheet has them (`set_ups`), from the same plan that the pictures are lit by."""
    return [set_up.for_job_sheet() for set_up in SET_UPS]


def frames_by_set_up() -> dict[str, list[int]]:
    """Indexes of the exposures of each set-up, by its name."""
    return {
        set_up.name: [index for index, exposure in enumerate(exposures()) if exposure.set_up is set_up]
        for set_up in SET_UPS
    }


def frames_by_sitter() -> dict[str, list[int]]:
    """Indexes of the exposures of each sitter, by name."""
    found: dict[str, list[int]] = {}
    for index, exposure in enumerate(exposures()):
        found.setdefault(exposure.sitter, []).append(index)
    return found


def place_on_card(index: int) -> Path:
    """Where on its card an exposure's raw file lies: a DCF folder and file name (CIPA DC-009)."""
    number = _FIRST_NUMBER + index
    turn, number = divmod(number - 1, _LAST_NUMBER)
    return Path("DCIM") / f"{_FOLDER_NUMBER + turn}{_FOLDER}" / f"{_PREFIX}{number + 1:04d}.DNG"


def card_of(index: int) -> int:
    """On which card an exposure is: 0 or 1."""
    return int(index >= SECOND_CARD_FROM)


def make_cards(folder: Path, workers: int, *, width: int = WIDTH, height: int = HEIGHT) -> tuple[Path, Path]:
    """Write the shoot on two cards as a camera would; frames that are there already are left alone.

    Returns the cards, `folder/card-one` and `folder/card-two`. The second holds, besides, a copy of a frame of the
    first, byte for byte; one of its files is cut short.
    """
    cards = folder / "card-one", folder / "card-two"
    for number, card in enumerate(cards):
        _write_card(card, [i for i in range(len(exposures())) if card_of(i) == number], workers, width, height)
    copied = cards[0] / place_on_card(DUPLICATED)
    copy = cards[1] / COPIES / copied.name
    if not copy.exists():
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(copied, copy)
    (cards[0] / "NOTES.TXT").write_text(NOTES_TXT, encoding="utf-8")
    return cards


def _write_card(card: Path, indexes: list[int], workers: int, width: int, height: int) -> None:
    missing = [(i, card / place_on_card(i), width, height) for i in indexes if not (card / place_on_card(i)).exists()]
    for _, path, _, _ in missing:
        path.parent.mkdir(parents=True, exist_ok=True)
    with DecoderPool(workers) as pool:
        for outcome in pool.run(write_frame, missing):
            if outcome.failure:
                raise FrameError("P001", f"The demo's camera failed: {outcome.failure}")


def write_frame(index: int, path: Path, width: int = WIDTH, height: int = HEIGHT) -> None:
    """Take one frame of the shoot, with the camera's own JPEG beside it; the one that is cut short is cut here."""
    exposure = exposures()[index]
    light = render_scene(exposure.scene, width, height)
    _write_camera_jpeg(light * np.float32(2.0**exposure.exposure_stops), path.with_suffix(".JPG"))
    if index == TRUNCATED:
        whole = path.with_suffix(".part")
        take_frame(whole, light, _capture(index), exposure_stops=exposure.exposure_stops, seed=index)
        contents = whole.read_bytes()
        whole.write_bytes(contents[: len(contents) * 3 // 5])
        whole.replace(path)
    else:
        take_frame(path, light, _capture(index), exposure_stops=exposure.exposure_stops, seed=index)


def truth(index: int) -> dict[str, Any]:
    """Where things are in a frame's picture, in percent: what a person would mark."""
    return regions(exposures()[index].scene, WIDTH, HEIGHT)


def _capture(index: int) -> CaptureData:
    set_up = exposures()[index].set_up
    changes = [member.name for member in SET_UPS].index(set_up.name)
    taken = _TAKEN + timedelta(seconds=index * _SECONDS_BETWEEN + changes * _SECONDS_TO_CHANGE)
    number = int(place_on_card(index).stem.removeprefix(_PREFIX))
    return CaptureData(
        counter=number,
        taken=taken,
        exposure_seconds=set_up.exposure_seconds,
        f_number=set_up.f_number,
        iso=set_up.iso,
        serial_number=SERIAL,
    )


def _write_camera_jpeg(light: FloatImage, path: Path) -> None:
    small = np.ascontiguousarray(np.clip(light[::3, ::3], 0, 1))
    picture = Image.fromarray(to_uint8(icc_profile.SPACES["sRGB"].curve.encode(small)))
    picture.save(path, "JPEG", quality=85, icc_profile=icc_profile.profile_bytes("sRGB"))
