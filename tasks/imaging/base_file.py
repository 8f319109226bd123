"""Base files: what a retoucher starts from."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from glassine.schemas.errors import CallError
from glassine.tasks.imaging import tiff_picture
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.rendering import open_light

STOPS_LIMIT: Final = 5.0
"""A rendering further off than this shows nothing that an area of the picture could be taken from (own choice)."""


def make_base(
    source: Path, out: Path, *, exposure_stops: float = 0.0, balance: Balance = AS_SHOT, threads: int | None = None
) -> dict[str, Any]:
    """Render an original, without a look and at full size, as a 16-bit TIFF in ROMM RGB.

    Parameters
    ----------
    source : any original that `raw_rendering.render` takes
    out : put in place at once when it is whole; its folder is made
    exposure_stops : -5 to 5; a second rendering for another area, all light multiplied by 2 to this power. What
        comes to lie above 1.0 is clipped, channel by channel; what the original has clipped stays so, grey where
        the rendering is darker. 0 changes nothing.
    balance : of the original; its own exposure comes first
    threads : by default one for each core, 8 at most

    Returns
    -------
    {"width", "height", "bits": 16, "profile": "ROMM RGB", "sha256", "size"}. The same original, exposure and
    balance give the same bytes on the same pins and architecture, on any number of threads.

    Raises
    ------
    CallError
        W001: no exposure from -5 to 5 stops.
    FrameError
        P001 where the original does not decode.
    """
    if isinstance(exposure_stops, bool) or not math.isfinite(exposure_stops) or abs(exposure_stops) > STOPS_LIMIT:
        raise CallError(
            "W001",
            f"A second rendering is from -{STOPS_LIMIT:g} to {STOPS_LIMIT:g} stops brighter, not {exposure_stops!r}.",
        )
    gain = np.float32(2.0**exposure_stops)
    with open_light(source, balance) as light:
        bands = (partial(_multiplied, band, gain) for _, band in light.bands)
        return tiff_picture.write_bands(out, light.width, light.height, bands, "ROMM RGB", threads=threads)


def _multiplied(band: Callable[[], FloatImage], gain: np.float32) -> FloatImage:
    light = band()
    return light if gain == 1 else light * gain
