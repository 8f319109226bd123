"""The reading of a frame: exposure, clipping, headroom, sharpness. It advises; it never rejects."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging.bit_depth import FloatImage, check_finite
from glassine.tasks.imaging.icc_profile import luminance
from glassine.tasks.imaging.photosites import NO_MOSAIC, Photosites
from glassine.tasks.imaging.tone_curve import MIDDLE_GREY

METHOD = 3
"""Counts changes of how frames are measured; a reading by an older method is taken again."""
_CENTRE = 0.5
"""Share of each side that the exposure is read from: common practice, as a meter weights the centre."""
_FAR_STOPS = 1.0
_CLIPPED_SHARE = 0.001
_ROOM_STOPS = 1.5
_THIN_STOPS = 1 / 3
"""From which figures on a finding is said: our own choice."""
_STRIP_PX = 512


def take_reading(linear: FloatImage, counted: Photosites = NO_MOSAIC) -> dict[str, Any]:
    """Measure a frame.

    Parameters
    ----------
    linear : float32, (H, W, 3), scene-linear ROMM RGB, D50: what `raw_rendering.render` gave for the original
    counted : its photosites, where it has any

    Returns
    -------
    {"exposure_stops": log2 of the median luminance of the central area (half of each side) over 0.18,
    "clipped": {"red", "green", "blue"}: share of the channel's photosites at or above the white level, else
    None,
    "headroom_stops": from the 99.9th percentile of the fullest channel up to the white level, else None,
    "sharpness": `sharpness`, comparable between frames of one camera rendered at one size,
    "findings": sentences that are true of this frame alone}

    Raises
    ------
    FrameError
        P002 where `linear` is no such picture.
    """
    light = luminance(linear)
    measured: dict[str, Any] = {
        "exposure_stops": round(exposure_stops(light), 4),
        "clipped": counted.clipped,
        "headroom_stops": counted.headroom_stops,
        "sharpness": round(sharpness(light), 6),
    }
    return measured | {"findings": _findings(measured)}


def exposure_stops(light: FloatImage) -> float:
    """Stops that the median of the central area lies above (+) or below (-) middle grey.

    Parameters
    ----------
    light : float32, (H, W), linear luminance
        Black counts as 24 stops under, so that the figure is finite.

    Examples
    --------
    >>> exposure_stops(np.full((8, 8), 0.36, np.float32))
    1.0
    """
    height, width = light.shape
    top, left = int(height * (1 - _CENTRE) / 2), int(width * (1 - _CENTRE) / 2)
    median = float(np.median(light[top : height - top, left : width - left]))
    return round(math.log2(max(median, MIDDLE_GREY * 2.0**-24) / MIDDLE_GREY), 6)


def sharpness(light: FloatImage) -> float:
    """Variance of the Laplacian of luminance over its mean, less what noise adds to it.

    Parameters
    ----------
    light : float32, (H, W), linear luminance, at least 3 × 3

    Returns
    -------
    0 for a picture without detail; dividing by the mean makes it the same at any exposure.

    Raises
    ------
    FrameError
        P001 for a smaller picture, P002 for NaN or infinity.

    Notes
    -----
    4-neighbour Laplacian, over the inner pixels. White noise of σ adds 20 σ² (the kernel's squares, summed).
    σ is from the second difference along both axes, of weights (1, -2, 1) each, which edges along one of them
    leave at zero (Immerkær 1996), by the median of its size, so that corners and texture raise it little.

    Examples
    --------
    >>> sharpness(np.full((8, 8), 0.3, np.float32))
    0.0
    """
    check_finite(light)
    height, width = light.shape
    if min(height, width) < 3:
        raise FrameError("P001", f"A picture of {width} × {height} pixels is too small to be measured.")
    mean = float(light.mean(dtype=np.float64))
    if mean <= 0:
        return 0.0
    total, squares = 0.0, 0.0
    noise: list[FloatImage] = []
    for top in range(0, height - 2, _STRIP_PX):
        strip = light[top : top + _STRIP_PX + 2] / np.float32(mean)
        laplacian = laplacian_inside(strip)
        total += float(laplacian.sum(dtype=np.float64))
        squares += float(np.square(laplacian, dtype=np.float64).sum())
        along_rows = strip[:, :-2] - 2 * strip[:, 1:-1] + strip[:, 2:]
        noise.append(np.abs(along_rows[:-2] - 2 * along_rows[1:-1] + along_rows[2:]).ravel())
    count = (height - 2) * (width - 2)
    variance = squares / count - (total / count) ** 2
    # The median of |x| of a Gaussian is 0.6745 σ; the kernel's norm is √36 = 6.
    sigma = float(np.median(np.concatenate(noise))) / (0.67449 * 6)
    corrected: float = max(variance - 20 * sigma**2, 0.0)
    return corrected


def laplacian_inside(light: FloatImage) -> FloatImage:
    """4-neighbour Laplacian of the pixels that have four neighbours: (H - 2, W - 2)."""
    laplacian: FloatImage = (
        light[:-2, 1:-1] + light[2:, 1:-1] + light[1:-1, :-2] + light[1:-1, 2:] - 4 * light[1:-1, 1:-1]
    )
    return laplacian


def _findings(measured: dict[str, Any]) -> list[str]:
    said: list[str] = []
    stops = measured["exposure_stops"]
    if abs(stops) >= _FAR_STOPS:
        side = "above" if stops > 0 else "below"
        said.append(f"The middle of the picture lies {abs(stops):.1f} stops {side} 18 % grey.")
    for channel, share in measured["clipped"].items():
        if share is not None and share >= _CLIPPED_SHARE:
            said.append(f"{share * 100:.1f} % of the {channel} photosites are clipped.")
    headroom = measured["headroom_stops"]
    if headroom is not None and headroom >= _ROOM_STOPS:
        said.append(f"{headroom:.1f} stops of headroom are left unused.")
    elif headroom is not None and 0 < headroom < _THIN_STOPS:
        said.append("Less than a third of a stop of headroom is left.")
    if measured["sharpness"] == 0:
        said.append("There is no detail in it beyond noise.")
    return said
