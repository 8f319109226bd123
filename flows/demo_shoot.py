"""The demo's shoot: three makers of an instrument workshop, a dozen frames on a simulated card, and a retoucher's hand.

Everybody and everything here is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from scipy import ndimage

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.decoder_pool import DecoderPool
from glassine.tasks.imaging.icc_profile import profile_bytes
from glassine.tasks.imaging.region import region_mask
from glassine.tasks.imaging.simulated_camera import CaptureData, take_frame
from glassine.tasks.imaging.simulated_scene import regions, render_scene
from glassine.tasks.imaging.simulated_set import Lighting, Scene, Sitter
from glassine.tasks.imaging.tiff_picture import read_picture, write_picture

WIDTH, HEIGHT = 2000, 3000
"""About 6 megapixels, upright."""
_TAKEN = datetime(2026, 11, 24, 14, 3, 20, tzinfo=timezone(timedelta(hours=1)))
_SECONDS_BETWEEN = 17
HAIR_PX, MARK_PX = 21, 71
"""Side of the median that tells what should be there: more than twice as wide as a hair, as a mark on the skin."""
_DARKER, _MUCH_DARKER = 0.06, 0.18
"""Share of its surroundings by which a pixel must be darker to be closed a little, and wholly; by eye."""
NOTES_TXT = "Bench portraits. Third sitter: ask again about the release for the web pages.\n"


@dataclass(frozen=True)
class Exposure:
    """One exposure of the shoot: what stands before the camera, and by how much the exposure was off."""

    scene: Scene
    exposure_stops: float = 0.0


def exposures() -> list[Exposure]:
    """The dozen, in the order they were taken; with what goes wrong in a shoot: eyes shut, no main light, out of focus."""
    lighting = Lighting()
    first = Scene(lighting=lighting, seed=11)
    second = Scene(
        sitter=Sitter(
            skin=(0.36, 0.20, 0.135), hair=(0.02, 0.016, 0.014), shirt=(0.42, 0.40, 0.36), beard=0.7, head_width=1.06
        ),
        lighting=lighting,
        turn_degrees=-14,
        tilt_degrees=-2,
        smile=0.1,
        stray_hair=False,
        skin_mark=False,
        seed=23,
    )
    third = Scene(
        sitter=Sitter(skin=(0.56, 0.36, 0.27), hair=(0.30, 0.28, 0.26), shirt=(0.10, 0.12, 0.17), head_width=0.96),
        lighting=lighting,
        turn_degrees=6,
        tilt_degrees=5,
        smile=0.5,
        skin_mark=False,
        seed=37,
    )
    dark = replace(lighting, main=replace(lighting.main, fired=False))
    return [
        Exposure(replace(first, turn_degrees=20, smile=0.0), -0.9),
        Exposure(first),
        Exposure(replace(first, turn_degrees=4, smile=0.6)),
        Exposure(replace(first, eyes_open=0.05)),
        Exposure(replace(second, lighting=dark)),
        Exposure(second),
        Exposure(replace(second, turn_degrees=-4, smile=0.5)),
        Exposure(replace(second, defocus_px=9.0)),
        Exposure(third),
        Exposure(replace(third, turn_degrees=-10, tilt_degrees=-4, smile=0.2)),
        Exposure(replace(third, turn_degrees=14, smile=0.8), 0.8),
        Exposure(replace(third, gaze=(0.5, 0.0), smile=0.3)),
    ]


def make_card(card: Path, workers: int) -> Path:
    """Write the shoot as a camera would, in a DCF folder (CIPA DC-009); frames that are there already are left alone."""
    folder = card / "DCIM" / "100DEMOG"
    folder.mkdir(parents=True, exist_ok=True)
    wanted = [(index, folder / f"DEMO{index + 1:04d}.DNG") for index in range(len(exposures()))]
    missing = [(index, path) for index, path in wanted if not path.exists()]
    with DecoderPool(workers) as pool:
        for outcome in pool.run(write_frame, missing):
            if outcome.failure:
                raise RuntimeError(f"the demo's camera failed: {outcome.failure}")
    (card / "NOTES.TXT").write_text(NOTES_TXT, encoding="utf-8")
    return card


def write_frame(index: int, path: Path) -> None:
    """Take one frame of the shoot, with the camera's own JPEG beside it."""
    exposure = exposures()[index]
    light = render_scene(exposure.scene, WIDTH, HEIGHT)
    taken = _TAKEN + timedelta(seconds=index * _SECONDS_BETWEEN)
    capture = CaptureData(counter=index + 1, taken=taken)
    _write_camera_jpeg(light * np.float32(2.0**exposure.exposure_stops), path.with_suffix(".JPG"))
    take_frame(path, light, capture, exposure_stops=exposure.exposure_stops, seed=index)


def truth(index: int) -> dict[str, Any]:
    """Where things are in a frame's picture, in percent: what a person would mark."""
    return regions(exposures()[index].scene, WIDTH, HEIGHT)


def heal(base: Path, returned: Path, marked: list[tuple[dict[str, Any], int]]) -> None:
    """Retouch a base file as a retoucher would: close what is dark in each marked region, and leave the rest alone.

    `marked` holds regions, each with the side in pixels of the median that it is closed with.
    """
    picture, info = read_picture(base)
    healed = picture.copy()
    height, width = picture.shape[:2]
    for region, side_px in marked:
        mask = region_mask(region, width, height)
        rows, columns = np.where(mask)
        window = (
            slice(max(0, rows.min() - side_px), rows.max() + side_px),
            slice(max(0, columns.min() - side_px), columns.max() + side_px),
        )
        around = ndimage.median_filter(picture[window], size=(side_px, side_px, 1))
        smooth = ndimage.gaussian_filter(picture[window], (1.5, 1.5, 0))
        darker = 1 - smooth.mean(axis=2) / np.maximum(around.mean(axis=2), 1e-6)
        weight = np.clip((darker - _DARKER) / (_MUCH_DARKER - _DARKER), 0, 1) * mask[window]
        weight = ndimage.gaussian_filter(ndimage.grey_dilation(weight, size=(5, 5)), 1.5) * mask[window]
        healed[window] += weight.astype(np.float32)[..., np.newaxis] * (around - healed[window])
    write_picture(returned, healed, info.profile)


def _write_camera_jpeg(light: FloatImage, path: Path) -> None:
    small = np.clip(light[::3, ::3], 0, 1)
    encoded = np.where(
        small <= 0.0031308, small * 12.92, 1.055 * np.maximum(small, 1e-9) ** (1 / 2.4) - 0.055
    )  # IEC 61966-2-1
    picture = Image.fromarray((encoded * 255 + 0.5).astype(np.uint8))
    picture.save(path, "JPEG", quality=85, icc_profile=profile_bytes("sRGB"))
