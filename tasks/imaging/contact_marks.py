"""Marks on a contact sheet, drawn over a picture as a grease pencil draws them, and the lines of its crop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from glassine.tasks.imaging.contact_paper import Ink, Paper
from glassine.tasks.imaging.pencil_stroke import Point, draw_stroke

MARK_INK: Final[Ink] = (196, 48, 32)
"""Grease-pencil red, as a contact sheet is marked by hand; own choice."""
_EDGE_MM = 0.17
"""Paper colour left beside a stroke, so that it shows on a dark picture that is printed in black and white."""
_CROP_LINE_MM = 0.35
_CROP_OVERRUN_MM = 1.6
"""By how much the lines of a crop cross at its corners, as they do where somebody draws them along a ruler."""
# Corners of a five-pointed star in the order in which a hand draws it without lifting the pencil, a step of two
# fifths of a turn each; sine and cosine to four places, so that no machine's own differ.
_STAR: Final = ((0.0, -1.0), (0.5878, 0.809), (-0.9511, -0.309), (0.9511, -0.309), (-0.5878, 0.809), (0.0, -1.0))


class Place(NamedTuple):
    """Where a picture lies on the paper, in mm."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.bottom - self.top


def draw_mark(paper: Paper, place: Place, mark: str, seed: str, *, hero: bool = False) -> None:
    """Draw a frame's mark; `seed`, its number, makes its strokes its own and the same every time.

    "select" is a frame round the picture, "out" a stroke through it, "hold" its corners; any other word draws nothing.
    A hero has a star besides, in the upper right corner.
    """
    short = min(place.width, place.height)
    width = min(1.6, max(0.55, short * 0.026))
    left, top, right, bottom = place
    strokes: list[tuple[Point, Point]] = []
    if mark == "select":
        over = width * 1.3
        strokes = [
            ((left - over, top), (right + over, top)),
            ((right, top - over), (right, bottom + over)),
            ((right + over, bottom), (left - over, bottom)),
            ((left, bottom + over), (left, top - over)),
        ]
    elif mark == "out":
        strokes = [((left, bottom), (right, top))]
    elif mark == "hold":
        arm = short * 0.24
        for x, along in ((left, arm), (right, -arm)):
            for y, down in ((top, arm), (bottom, -arm)):
                strokes += [((x, y), (x + along, y)), ((x, y), (x, y + down))]
    _draw_strokes(paper, strokes, width, seed)
    if hero:
        size = short * 0.13
        middle = right - size * 1.5, top + size * 1.5
        star = pairwise((middle[0] + x * size, middle[1] + y * size) for x, y in _STAR)
        _draw_strokes(paper, list(star), width * 0.7, f"{seed} star")


def draw_crop(paper: Paper, place: Place, corners: Sequence[Point], turn_degrees: int, seed: str) -> None:
    """Draw the outline of a crop: lines that overrun at the corners, drawn along a ruler.

    corners : in mm, as `crop_outline` orders them
    turn_degrees : with 90, 180 or 270 an arrow towards what becomes the upper side
    """
    sides = list(zip(corners, [*corners[1:], corners[0]], strict=True))
    strokes = [(_overrun(end, start, place), _overrun(start, end, place)) for start, end in sides]
    if turn_degrees:
        # Turned clockwise by 90 degrees the left side, which is the last one, becomes the upper one.
        (x0, y0), (x1, y1) = sides[-turn_degrees // 90]
        tip_x, tip_y = (x0 + x1) / 2, (y0 + y1) / 2
        # Its tail is a quarter of the way to the opposite side, which runs parallel.
        tail_x = tip_x + (sum(x for x, _ in corners) / 4 - tip_x) / 2
        tail_y = tip_y + (sum(y for _, y in corners) / 4 - tip_y) / 2
        strokes.append(((tail_x, tail_y), (tip_x, tip_y)))
        along_x, along_y = (tail_x - tip_x) * 0.35, (tail_y - tip_y) * 0.35
        for turn in (-0.6, 0.6):
            strokes.append(((tip_x + along_x - turn * along_y, tip_y + along_y + turn * along_x), (tip_x, tip_y)))
    _draw_strokes(paper, strokes, _CROP_LINE_MM, f"{seed} crop", ruled=True)


def _draw_strokes(
    paper: Paper, strokes: Sequence[tuple[Point, Point]], width: float, seed: str, *, ruled: bool = False
) -> None:
    edge = _EDGE_MM * (0.5 if ruled else 1)
    outlines = [
        draw_stroke(start, end, width, f"{seed} {index}", ruled=ruled) for index, (start, end) in enumerate(strokes)
    ]
    for outline in filter(None, outlines):
        paper.shape(outline, paper.ground, swell=edge)
    for outline in filter(None, outlines):
        paper.shape(outline, MARK_INK)


def _overrun(start: Point, end: Point, place: Place) -> Point:
    """The end of a line drawn on beyond it, as far as the picture goes."""
    length = max(math.dist(start, end), 1e-9)
    along = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    by = _CROP_OVERRUN_MM
    for axis in (0, 1):
        if abs(along[axis]) > 1e-9:
            border = place[axis + 2] if along[axis] > 0 else place[axis]
            by = min(by, max(0.0, (border - end[axis]) / along[axis]))
    return end[0] + by * along[0], end[1] + by * along[1]
