"""Base files: what a retoucher starts from."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final

import numpy as np

from glassine.schemas.errors import CallError
from glassine.tasks.imaging import raw_rendering, tiff_picture

STOPS_LIMIT: Final = 5.0
"""A rendering further off than this shows nothing that an area of the picture could be taken from (own choice)."""


def make_base(source: Path, out: Path, *, exposure_stops: float = 0.0) -> dict[str, Any]:
    """Render an original, without a look and at full size, as a 16-bit TIFF in ROMM RGB.

    Parameters
    ----------
    source : any original that `raw_rendering.render` takes
    out : put in place at once when it is whole; its folder is made
    exposure_stops : -5 to 5; a second rendering for another area, all light multiplied by 2 to this power. What
        comes to lie above 1.0 is clipped, channel by channel; what the original has clipped stays so, grey where
        the rendering is darker. 0 changes nothing.

    Returns
    -------
    {"width", "height", "bits": 16, "profile": "ROMM RGB", "sha256", "size"}. The same original and exposure
    give the same bytes on the same pins and architecture.

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
    light = raw_rendering.render(source)
    if exposure_stops:
        light = light * np.float32(2.0**exposure_stops)
    return tiff_picture.write_picture(out, light, "ROMM RGB")
