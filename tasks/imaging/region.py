"""Marked regions of a picture: a rectangle, an ellipse or a polygon, in percent, as a mask of pixels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glassine.schemas.errors import CallError

Mask = NDArray[np.bool_]


def region_mask(region: Mapping[str, Any], width: int, height: int) -> Mask:
    """Which pixels belong to a region: those whose centre lies in it.

    Parameters
    ----------
    region : {"shape": "rectangle" or "ellipse", "x", "y", "width", "height"}, the ellipse filling its box, or
        {"shape": "polygon", "points": [[x, y], ...]}; percent of the picture, origin at its upper left
    width, height : of the picture, px

    Returns
    -------
    bool, (height, width). What of the region lies outside the picture is left out.

    Raises
    ------
    CallError
        W001 for an unknown shape, a number that is missing or not finite, an empty box, fewer than three
        points.

    Notes
    -----
    A left and an upper border belong to the region, a right and a lower do not: regions side by side share no
    pixel. A polygon that crosses itself is filled by the even-odd rule (SVG 2, 13.4.2).

    Examples
    --------
    >>> region_mask({"shape": "rectangle", "x": 50, "y": 0, "width": 50, "height": 50}, 4, 2).tolist()
    [[False, False, True, True], [False, False, False, False]]
    """
    x = (np.arange(width) + 0.5) * 100 / width
    y = (np.arange(height) + 0.5) * 100 / height
    shape = region.get("shape")
    if shape == "polygon":
        return _polygon(_corners(region.get("points")), x, y)
    if shape not in ("rectangle", "ellipse"):
        raise CallError("W001", f"A region is a rectangle, an ellipse or a polygon, not “{shape}”.")
    left, top, across, down = (_number(region.get(key), key) for key in ("x", "y", "width", "height"))
    if across <= 0 or down <= 0:
        raise CallError("W001", f"A region of {across} by {down} percent is empty: give it a width and a height.")
    if shape == "rectangle":
        inside: Mask = ((y >= top) & (y < top + down))[:, np.newaxis] & ((x >= left) & (x < left + across))
        return inside
    u = (x - left - across / 2) / (across / 2)
    v = (y - top - down / 2) / (down / 2)
    within: Mask = (v**2)[:, np.newaxis] + u**2 < 1
    return within


def _number(value: object, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise CallError("W001", f"A region's {name} is a number in percent, not {value!r}.")
    return float(value)


def _corners(points: object) -> list[tuple[float, float]]:
    if not isinstance(points, list | tuple) or len(points) < 3:
        raise CallError("W001", "A polygon has three points or more.")
    corners = []
    for point in points:
        if not isinstance(point, list | tuple) or len(point) != 2:
            raise CallError("W001", f"A polygon's point is a pair of numbers, not {point!r}.")
        corners.append((_number(point[0], "x"), _number(point[1], "y")))
    return corners


def _polygon(corners: list[tuple[float, float]], x: NDArray[np.float64], y: NDArray[np.float64]) -> Mask:
    """Even-odd rule: an edge turns every pixel over that lies to the right of it."""
    mask: Mask = np.zeros((y.size, x.size), np.bool_)
    for (x0, y0), (x1, y1) in zip(corners, [*corners[1:], corners[0]], strict=True):
        rows = np.flatnonzero((y >= min(y0, y1)) & (y < max(y0, y1)))
        if rows.size:
            crossing = x0 + (y[rows] - y0) * (x1 - x0) / (y1 - y0)
            mask[rows[0] : rows[-1] + 1] ^= x >= crossing[:, np.newaxis]
    return mask
