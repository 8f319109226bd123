"""Toning: a colour given to the tones of a picture by their lightness, without touching their luminance."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.icc_profile import D50, ROMM_TO_XYZ, to_lab

Points = Sequence[Sequence[float]]
"""[L*, a*, b*] of each point."""


def rises(points: Points) -> bool:
    """Whether L* rises strictly from point to point."""
    return bool(np.all(np.diff([point[0] for point in points]) > 0))


def tone(light: FloatImage, points: Points) -> FloatImage:
    """Add a*, b* by L*, keeping luminance.

    Parameters
    ----------
    light : float32, (H, W, 3), [0, 1], display-linear ROMM RGB, D50
        Not modified.
    points : two or more that `rises` allows, CIELAB under D50; between them a* and b* go in straight lines with
        L*, and outside they stay as at the first and the last

    Returns
    -------
    float32, (H, W, 3), [0, 1].

    Notes
    -----
    CIE 15:2018, 8.2.1. A colour that leaves the gamut is drawn to the grey of its luminance until it is within.
    """
    lightness, red_green, yellow_blue = np.array(points, np.float64).T
    to_romm = np.linalg.inv(ROMM_TO_XYZ) * D50
    lab = to_lab(light).astype(np.float64)
    y = (lab[..., 0] + 16) / 116
    x = y + (lab[..., 1] + np.interp(lab[..., 0], lightness, red_green)) / 500
    z = y - (lab[..., 2] + np.interp(lab[..., 0], lightness, yellow_blue)) / 200
    ratios = [_cube(x), _cube(y), _cube(z)]
    rgb = np.stack([row[0] * ratios[0] + row[1] * ratios[1] + row[2] * ratios[2] for row in to_romm], axis=-1)
    toned: FloatImage = _keep_in_gamut(rgb, ratios[1][..., np.newaxis]).astype(np.float32)
    # A last digit may still lie outside.
    return np.clip(toned, 0.0, 1.0, out=toned)


def _cube(f: NDArray[np.float64]) -> NDArray[np.float64]:
    """The inverse of CIE 15's f: the cube, and a straight line below 6/29."""
    return np.where(f > 6 / 29, f**3, (116 * f - 16) * 27 / 24389)


def _keep_in_gamut(rgb: NDArray[np.float64], luminance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Draw a colour towards the grey of its luminance just so far that no channel leaves [0, 1].

    Clipping a channel would change the luminance; a step along this line does not.
    """
    chroma = rgb - luminance
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.where(chroma > 0, (1 - luminance) / chroma, np.where(chroma < 0, -luminance / chroma, 1.0))
    kept: NDArray[np.float64] = luminance + chroma * np.clip(room, 0.0, 1.0).min(axis=-1, keepdims=True)
    return kept
