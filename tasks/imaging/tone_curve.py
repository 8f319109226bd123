"""Tone curves: control points in stops about middle grey, in and out, and a monotone curve through them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from glassine.tasks.imaging.bit_depth import FloatImage

MIDDLE_GREY = 0.18
"""Where a tone curve has its zero: the 18 % grey of the light meter's convention."""
_DARKEST_STOPS, _LIGHTEST_STOPS = -24.0, 16.0
"""A curve is sampled between these; a 16-bit sensor ends 14 stops below middle grey, all below is black."""
_BLACKEST_STOPS = -64.0
"""What a steep curve gives is kept between this and `_LIGHTEST_STOPS`, so that float32 holds it."""
_SAMPLES_PER_STOP = 2048
_CELL_BITS = 13
"""Of a float32's 23 bits of fraction; the ten before them number the 1024 cells of a stop."""
_WITHIN_CELL = (1 << _CELL_BITS) - 1
_TOLERANCE = 1e-5
_UNSEEN = 1e-7
"""Light that is black in 16 bits whatever the curve does to it."""
_BLOCK = 1 << 16
"""Samples worked on at once, which a processor's own memory holds (measured: twice as fast as all at once)."""

Points = Sequence[Sequence[float]]
"""[stops in, stops out] of each control point."""


def rises(points: Points) -> bool:
    """Whether points make a curve: stops in strictly rising, stops out never falling."""
    x, y = _knots(points)
    return bool(np.all(np.diff(x) > 0) and np.all(np.diff(y) >= 0))


def bend_stops(stops: NDArray[np.float64], points: Points) -> NDArray[np.float64]:
    """A tone curve in stops about middle grey: monotone cubic between its points, straight outside.

    Parameters
    ----------
    stops : float64, log2 of light over `MIDDLE_GREY`
    points : two or more that `rises` allows

    Source: Fritsch and Carlson 1980 for the monotone cubic, as SciPy's PchipInterpolator has it.
    """
    x, y = _knots(points)
    curve = PchipInterpolator(x, y)
    low, high = curve.derivative()(x[[0, -1]])
    inside: NDArray[np.float64] = curve(np.clip(stops, x[0], x[-1]))
    bent: NDArray[np.float64] = inside + low * np.minimum(stops - x[0], 0.0) + high * np.maximum(stops - x[-1], 0.0)
    return bent


class ToneCurve:
    """A tone curve made ready for pictures.

    Parameters
    ----------
    points : two or more that `rises` allows

    Notes
    -----
    Within 1e-5 of `bend_stops`, relative to the light: from a table with 1024 entries a stop, straight between them,
    that a float's own bits point into (exponent and leading digits; IEEE 754), 36 times as fast as a logarithm and a
    search. A curve too steep for that table is searched.
    """

    def __init__(self, points: Points) -> None:
        count = round((_LIGHTEST_STOPS - _DARKEST_STOPS) * _SAMPLES_PER_STOP) + 1
        # Its own points are among the samples, so that a steep curve goes through them too.
        self._stops = np.union1d(np.linspace(_DARKEST_STOPS, _LIGHTEST_STOPS, count), _knots(points)[0])
        self._bent = np.clip(bend_stops(self._stops, points), _BLACKEST_STOPS, _LIGHTEST_STOPS)
        self._first = _cell(2.0**_DARKEST_STOPS)
        cells = np.arange(self._first, _cell(2.0**_LIGHTEST_STOPS) + 2, dtype=np.int32) << _CELL_BITS
        edges = cells.view(np.float32).astype(np.float64)
        bent = self._searched(edges)
        self._low = bent[:-1].astype(np.float32)
        self._rise = (np.diff(bent) / (1 << _CELL_BITS)).astype(np.float32)
        # What lies below the table or above it is held at its ends.
        self._rise[[0, -1]] = 0
        middles, straight = self._searched((edges[1:] + edges[:-1]) / 2), (bent[1:] + bent[:-1]) / 2
        seen = (middles > _UNSEEN) & (bent[:-1] < 1)
        self._is_smooth = bool(np.all(np.abs(straight - middles)[seen] <= _TOLERANCE * middles[seen]))

    def bend(self, light: FloatImage) -> None:
        """Bend light, in place, each channel for itself.

        Parameters
        ----------
        light : float32, (H, W, 1 or 3), 0 or more
        """
        rows = max(1, _BLOCK // max(1, light[:1].size))
        for top in range(0, light.shape[0], rows):
            block = light[top : top + rows]
            block[...] = self._looked_up(block) if self._is_smooth else self._searched(block)

    def _searched(self, light: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
        stops = np.log2(np.maximum(light, MIDDLE_GREY * 2.0**_DARKEST_STOPS) * (1 / MIDDLE_GREY))
        bent: NDArray[np.floating[Any]] = MIDDLE_GREY * np.exp2(np.interp(stops, self._stops, self._bent))
        return bent

    def _looked_up(self, light: FloatImage) -> FloatImage:
        bits = light.view(np.int32)
        cells = (bits >> _CELL_BITS) - self._first
        bent: FloatImage = (bits & _WITHIN_CELL).astype(np.float32)
        bent *= self._rise.take(cells, mode="clip")
        bent += self._low.take(cells, mode="clip")
        return bent


def _cell(relative_light: float) -> int:
    """The number of the table's cell that holds some light, relative to middle grey."""
    return int(np.float32(MIDDLE_GREY * relative_light).view(np.int32)) >> _CELL_BITS


def _knots(points: Points) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A curve's points in millionths of a stop: finer differences overflow in the cubic's slopes."""
    x, y = np.round(np.array(points, np.float64), 6).T
    return x, y
