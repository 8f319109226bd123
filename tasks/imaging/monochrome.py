"""Monochrome: channel weights in linear light, or what a film sees through a contrast filter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bit_depth import FloatImage

Weights = NDArray[np.float64]

FILTERS = {
    "none": (0.327, 0.225, 0.448),
    "yellow": (0.539, 0.457, 0.004),
    "orange": (1.085, 0.055, -0.140),
    "red": (1.387, -0.281, -0.106),
    "green": (0.067, 0.774, 0.159),
}
"""Weights of linear ROMM RGB for a panchromatic film without a filter, and through the trade's yellow (No. 8),
orange (No. 21), red (No. 25) and green (No. 11).

By least squares, of what the film sees of 123 measured surfaces under D55 (strobe; common practice): the 24-patch
chart and the 99 samples of CIE 224:2017. `tests/tasks/imaging/test_monochrome.py` computes them again, and says
where the filters' transmittances and the film's sensitivity come from. A neutral keeps its luminance, as when the
exposure is lengthened by the filter's factor. The fit's error (rms) is 0.05 to 0.07 stops, for red 0.2: three channels
cannot tell well what lies on either side of 600 nm.
"""
SMALLEST_SUM = 0.01
"""Of channel weights: below it their quotient is all noise (common practice)."""


def channel_weights(step: Mapping[str, Any]) -> Weights | None:
    """Weights of linear ROMM RGB, with a sum of 1, so that a neutral keeps its luminance.

    Parameters
    ----------
    step : {"filter": a key of `FILTERS`}, or {"red", "green", "blue"}: weights for linear light of the primaries
        that "primaries" names, a key of `icc_profile.SPACES`; without it, of ROMM RGB

    Returns
    -------
    float64, (3,); None where the weights' sum is under `SMALLEST_SUM`.
    """
    if "filter" in step:
        return np.array(FILTERS[step["filter"]])
    weights = np.array([step["red"], step["green"], step["blue"]])
    total = weights.sum()
    if total < SMALLEST_SUM:
        return None
    shares: Weights = weights / total
    space = step.get("primaries", "ROMM RGB")
    if space == "ROMM RGB":
        return shares
    # Each row is a primary of that space in linear ROMM RGB; all spaces share their white after adaptation.
    primaries = icc_profile.decode(np.eye(3, dtype=np.float32)[np.newaxis], space)[0]
    in_romm: Weights = np.linalg.solve(primaries.astype(np.float64), shares)
    in_romm /= in_romm.sum()
    return in_romm


def mix_channels(light: FloatImage, weights: Weights) -> FloatImage:
    """One channel out of three; a negative sum is black.

    Parameters
    ----------
    light : float32, (H, W, 3), linear ROMM RGB
        Not modified.

    Returns
    -------
    float32, (H, W, 1), 0 or more.
    """
    # A sum spelt out has one order; a matrix product may be split over threads in another.
    red, green, blue = np.float32(weights[0]), np.float32(weights[1]), np.float32(weights[2])
    mixed = light[..., 0] * red
    mixed += light[..., 1] * green
    mixed += light[..., 2] * blue
    np.maximum(mixed, 0.0, out=mixed)
    return mixed[..., np.newaxis]
