"""Burning in and holding back: more or less exposure in one region of a picture, with a soft edge."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.region import region_mask

_GRID_SIGMA = 4.0
"""Standard deviation of the edge's Gaussian in cells of the grid that holds it."""
_REACH = 4.0
"""Standard deviations round the picture that are looked at, for what of the region lies outside."""
_FINE = 8
"""Points along a cell's side by which the region's share of the cell is counted: an edge lies right to 1/16 of a cell."""


class SoftRegion:
    """A region with a soft edge, as a function of the place in the picture.

    It is made on a grid of its own that depends on the picture's proportions and not on its pixels; so a band of
    rows has what the whole picture has there, and a small picture looks like a large one.

    Parameters
    ----------
    region : as `region_mask` takes it; it may lie partly or wholly outside the picture
    feather_percent : over how much of the long side the edge goes from 16 % to 84 %: twice the standard deviation
        of the Gaussian that softens it
    width, height : of the whole picture, px
    outside : take what is outside the region

    Raises
    ------
    CallError
        W001 for a region that `region_mask` refuses.
    """

    def __init__(
        self, region: Mapping[str, Any], feather_percent: float, width: int, height: int, *, outside: bool = False
    ) -> None:
        self._width, self._height = width, height
        self._cell_px = max(width, height) * feather_percent / 200 / _GRID_SIGMA
        self._margin = math.ceil(_REACH * _GRID_SIGMA) + 2
        across, down = (math.ceil(side / self._cell_px) + 2 * self._margin for side in (width, height))
        placed = _on_grid(region, self._cell_px, self._margin, (width, height), (across, down))
        fine = region_mask(placed, across * _FINE, down * _FINE)
        share = fine.reshape(down, _FINE, across, _FINE).mean(axis=(1, 3), dtype=np.float64)
        # A cubic B-spline blurs by a variance of 1/3 cell itself.
        self._cells: NDArray[np.float64] = gaussian_filter(
            1.0 - share if outside else share, math.sqrt(_GRID_SIGMA**2 - 1 / 3), mode="nearest", truncate=_REACH
        )

    def rows(self, top: int, count: int) -> FloatImage:
        """The region's share [0, 1] of the pixels of `count` rows from row `top` on: float32, (count, width)."""
        down_first, down_weights = self._splines(top, count)
        across_first, across_weights = self._splines(0, self._width)
        columns = sum(weights[:, np.newaxis] * self._cells[down_first + k] for k, weights in enumerate(down_weights))
        columns = np.asarray(columns, np.float32)
        share = np.zeros((count, self._width), np.float32)
        for k, weights in enumerate(across_weights.astype(np.float32)):
            share += columns[:, across_first + k] * weights
        return share

    def _splines(self, first_px: int, count: int) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """For pixels along one axis, the first of the four cells about each, and the cells' weights, (4, count)."""
        place = (np.arange(first_px, first_px + count) + 0.5) / self._cell_px + self._margin - 0.5
        cell = np.floor(place)
        t = place - cell
        weights = np.stack([(1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3]) / 6
        return cell.astype(np.intp) - 1, weights


def _on_grid(
    region: Mapping[str, Any], cell_px: float, margin: int, picture_px: tuple[int, int], cells: tuple[int, int]
) -> dict[str, Any]:
    """A region in percent of a picture, as the same region in percent of the grid round it."""
    scale = [side / cell_px / count for side, count in zip(picture_px, cells, strict=True)]
    shift = [margin * 100 / count for count in cells]
    if region["shape"] == "polygon":
        points = [[x * scale[0] + shift[0], y * scale[1] + shift[1]] for x, y in region["points"]]
        return {"shape": "polygon", "points": points}
    return {
        "shape": region["shape"],
        "x": region["x"] * scale[0] + shift[0],
        "y": region["y"] * scale[1] + shift[1],
        "width": region["width"] * scale[0],
        "height": region["height"] * scale[1],
    }


def expose_region(light: FloatImage, stops: float, share: FloatImage) -> None:
    """Multiply light by 2 to `stops`, in place, as far as each pixel belongs to a region.

    Parameters
    ----------
    light : float32, (H, W, 1 or 3), linear
    stops : negative to burn in, positive to hold back
    share : float32, (H, W), [0, 1]
    """
    light *= np.exp2(share * np.float32(stops))[..., np.newaxis]
