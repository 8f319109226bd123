"""Strokes: near the line that was asked for, each its own, and the same again."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.tasks.imaging.pencil_stroke import draw_stroke

coordinates = st.floats(-500, 500).map(lambda value: round(value, 2))
points = st.tuples(coordinates, coordinates)


@given(start=points, end=points, width=st.floats(0.1, 3), seed=st.text(max_size=8), ruled=st.booleans())
def test_a_stroke_keeps_to_its_line(
    start: tuple[float, float], end: tuple[float, float], width: float, seed: str, *, ruled: bool
) -> None:
    outline = draw_stroke(start, end, width, seed, ruled=ruled)
    length = math.dist(start, end)
    assert outline == draw_stroke(start, end, width, seed, ruled=ruled)
    assert bool(outline) == (length > 1e-6)
    for x, y in outline:
        along = ((x - start[0]) * (end[0] - start[0]) + (y - start[1]) * (end[1] - start[1])) / length
        off = ((x - start[0]) * (end[1] - start[1]) - (y - start[1]) * (end[0] - start[0])) / length
        assert -0.002 <= along <= length + 0.002
        assert abs(off) <= width * 0.6 + (0 if ruled else min(0.5, length * 0.014)) + 0.002


def test_strokes_of_two_frames_differ_and_one_wavers() -> None:
    first, second, ruled = (
        draw_stroke((0, 0), (40, 0), 0.7, seed, ruled=by_ruler)
        for seed, by_ruler in (("0001", False), ("0002", False), ("0001", True))
    )
    assert first != second
    half = len(first) // 2
    middles, straight = (
        [(one[1] + other[1]) / 2 for one, other in zip(drawn[:half], reversed(drawn[half:]), strict=True)]
        for drawn in (first, ruled)
    )
    widths = [other[1] - one[1] for one, other in zip(first[:half], reversed(first[half:]), strict=True)]
    assert max(middles) - min(middles) > 0.1
    assert straight == pytest.approx([0.0] * half, abs=0.001)
    assert max(widths) > 1.2 * min(widths)


def test_a_stroke_is_the_same_on_every_machine() -> None:
    # Written down on one: a change here changes every sheet that is made again.
    assert draw_stroke((0, 0), (4, 3), 0.5, "0001")[:3] == [(0.06, -0.08), (1.139, 0.565), (2.117, 1.344)]
