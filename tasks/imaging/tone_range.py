"""The black and the white of a picture: as lightness or as density, and the straight line that takes them there."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from glassine.tasks.imaging.bit_depth import FloatImage

Range = tuple[float, float]
"""Luminance Y [0, 1] of black and of white."""


def lightness_to_luminance(lightness: float) -> float:
    """Relative luminance Y [0, 1] of a CIE lightness L* [0, 100]. CIE 15:2018, 8.2.1.

    Examples
    --------
    >>> round(lightness_to_luminance(50), 8)
    0.18418652
    """
    if lightness > 8:
        return float(((lightness + 16) / 116) ** 3)
    return float(lightness * 27 / 24389)


def density_to_luminance(density: float) -> float:
    """Relative luminance Y (0, 1] of a density D = -log10 Y, 0 or more. ISO 5-1:2009.

    Examples
    --------
    >>> round(density_to_luminance(0.3), 6)
    0.501187
    """
    return float(10.0**-density)


def point_luminance(step: Mapping[str, float]) -> float:
    """Luminance that a black point or a white point asks for, by its `lightness` or its `density`."""
    return density_to_luminance(step["density"]) if "density" in step else lightness_to_luminance(step["lightness"])


def stretch(light: FloatImage, old: Range, new: Range) -> FloatImage:
    """Straight line that takes an old black and white to new ones; what lies outside the old is clipped.

    Parameters
    ----------
    light : float32, any shape, display-linear
        Not modified.
    old, new : each with a white above its black
    """
    slope = (new[1] - new[0]) / (old[1] - old[0])
    return np.clip(light, *old) * np.float32(slope) + np.float32(new[0] - old[0] * slope)
