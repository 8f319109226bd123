"""Tone curves: their properties, and values from end to end."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from glassine.tasks.imaging.tone_curve import MIDDLE_GREY, ToneCurve, bend_stops, rises

Points = list[list[float]]


def bent(points: Points, *light: float) -> list[float]:
    picture = np.array(light, np.float32).reshape(1, -1, 1)
    ToneCurve(points).bend(picture)
    return [float(value) for value in picture.ravel()]


points = st.lists(
    st.tuples(st.floats(-12, 6).map(lambda v: round(v, 2)), st.floats(-14, 2.4)), min_size=2, max_size=8,
    unique_by=lambda point: point[0],
).map(lambda drawn: [list(p) for p in zip(sorted(p[0] for p in drawn), sorted(p[1] for p in drawn), strict=True)])  # fmt: skip


@given(points=points)
@settings(deadline=None, max_examples=40)
def test_a_curve_rises_and_goes_through_its_points(points: Points) -> None:
    assert rises(points)
    ramp = MIDDLE_GREY * 2.0 ** np.linspace(-20, 8, 400)
    assert np.all(np.diff(bent(points, *ramp)) >= -1e-7)
    stops_in = np.array([point[0] for point in points])
    through = bend_stops(stops_in, points)
    assert through == pytest.approx([point[1] for point in points], abs=1e-6)
    # The ramp's float32 light is known to about 1e-7 of itself, which a steep curve magnifies.
    steepest = max((b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(points))
    at_points = bent(points, *(MIDDLE_GREY * 2.0**stops_in))
    assert at_points == pytest.approx(MIDDLE_GREY * 2.0**through, rel=max(1e-4, 1e-6 * steepest))


def test_a_curve_of_two_points_is_its_own_line_and_goes_on_outside() -> None:
    points = [[-1.0, -1.5], [1.0, 1.5]]
    stops = np.array([-10.0, -1.0, 0.0, 0.5, 1.0, 3.0])
    assert bend_stops(stops, points) == pytest.approx(stops * 1.5, abs=1e-12)
    unchanged = [0.0, 1e-5, 0.001, 0.18, 0.5, 1.0, 7.5]
    assert bent([[-16.0, -16.0], [2.0, 2.0]], *unchanged) == pytest.approx(unchanged, rel=1e-6, abs=1e-7)


# By hand: a slope of 1.5 about 18 % grey takes 0.09 to 0.18 / 2^1.5, and 0.36 to 0.18 · 2^1.5.
def test_values_from_end_to_end() -> None:
    steeper = [[-4.0, -6.0], [2.0, 3.0]]
    assert bent(steeper, 0.09, 0.18, 0.36) == pytest.approx([0.0636396, 0.18, 0.5091169], rel=1e-6)
    shouldered = [[-4.0, -4.0], [0.0, 0.0], [2.0, 1.5], [2.474, 1.6]]
    assert bent(shouldered, 0.18, 0.72, 1.0) == pytest.approx([0.18, 0.18 * 2**1.5, 0.18 * 2**1.6], rel=2e-5)


@pytest.mark.parametrize(
    "points", [[[-9.0, -16.0], [-4.0, -7.9], [0.0, 0.05], [1.0, 1.63], [2.974, 2.44]], [[-3.0, -12.0], [0.0, 0.0], [0.1, 2.4]]]
)  # fmt: skip
def test_the_table_is_the_cubic(points: Points) -> None:
    """SciPy's cubic itself, between the first and the last point, at places that are no entries of the table."""
    stops = np.random.default_rng(4).uniform(points[0][0], points[-1][0], 4000)
    light = (MIDDLE_GREY * 2.0**stops).astype(np.float32)
    cubic = PchipInterpolator(*np.array(points).T)(np.log2(light.astype(np.float64) / MIDDLE_GREY))
    assert bent(points, *light) == pytest.approx(MIDDLE_GREY * 2.0**cubic, rel=5e-5)


@pytest.mark.parametrize("points", [[[0.0, 1.0], [0.0, 2.0]], [[0.0, 1.0], [1.0, 0.0]], [[1.0, 0.0], [0.0, 1.0]]])
def test_what_does_not_rise_is_no_curve(points: Points) -> None:
    assert not rises(points)


@given(rows=st.integers(1, 40), channels=st.sampled_from([1, 3]))
@settings(deadline=None, max_examples=10)
def test_every_sample_is_bent_wherever_it_lies(rows: int, channels: int) -> None:
    picture = np.random.default_rng(rows).random((rows, 3000, channels), np.float32)
    curve = ToneCurve([[-6.0, -8.0], [0.0, 0.1], [2.0, 2.0]])
    whole = picture.copy()
    curve.bend(whole)
    for row in range(rows):
        single = picture[row : row + 1].copy()
        curve.bend(single)
        assert np.array_equal(single[0], whole[row])
