"""Strokes of a grease pencil: a little wavy, of varying width, and the same again for the same seed."""

from __future__ import annotations

import math
import random

Point = tuple[float, float]

_STATION_MM = 1.6
_WAVE_EVERY_MM = 9.0
_WAVE_SHARE = 0.014
_WAVE_MM = 0.5
"""How far a hand strays from a straight line: a share of its length, and never more than this; own choice, by looking."""
_THIN, _THICK = 0.72, 1.2
"""Widths along a stroke, as shares of the width asked for."""
_LIFTED = 0.5
"""Width where the pencil is set down and lifted."""


def draw_stroke(start: Point, end: Point, width: float, seed: str, *, ruled: bool = False) -> list[Point]:
    """The outline of one stroke.

    Parameters
    ----------
    start, end, width : in mm
    seed : the same seed gives the same stroke on every machine: only sums, products and square roots are taken
    ruled : drawn along a ruler: straight, of varying width

    Returns
    -------
    Corners of a closed shape, in mm, rounded to 0.001.
    """
    (x0, y0), (x1, y1) = start, end
    length = math.sqrt((x1 - x0) ** 2 + (y1 - y0) ** 2)
    if length < 1e-6:
        return []
    along = (x1 - x0) / length, (y1 - y0) / length
    chance = random.Random(seed)
    reach = 0.0 if ruled else min(_WAVE_MM, length * _WAVE_SHARE)
    bends = [chance.uniform(-reach, reach) for _ in range(max(3, math.ceil(length / _WAVE_EVERY_MM) + 1))]
    stations = max(4, math.ceil(length / _STATION_MM))
    one_side: list[Point] = []
    other_side: list[Point] = []
    for station in range(stations + 1):
        way = station / stations
        stray = _between(bends, way)
        half = width / 2 * (_LIFTED if station in (0, stations) else chance.uniform(_THIN, _THICK))
        x, y = x0 + along[0] * length * way, y0 + along[1] * length * way
        for side, off in ((one_side, stray - half), (other_side, stray + half)):
            side.append((round(x - along[1] * off, 3), round(y + along[0] * off, 3)))
    return [*one_side, *reversed(other_side)]


def _between(values: list[float], way: float) -> float:
    """A value between neighbours, without a kink at any of them; `way` is 0 at the first and 1 at the last."""
    place = way * (len(values) - 1)
    before = min(int(place), len(values) - 2)
    share = place - before
    return values[before] + (values[before + 1] - values[before]) * share * share * (3 - 2 * share)
