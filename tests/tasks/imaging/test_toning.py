"""Toning against colour-science, and what it promises of luminance and gamut."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.tasks.imaging import tone_range, toning
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.icc_profile import D50, ROMM_TO_XYZ, luminance, to_lab

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

SEPIA = [[0.0, 0.0, 0.0], [20.0, 3.0, 6.0], [60.0, 5.0, 14.0], [100.0, 0.0, 4.0]]


def greys(*lightness: float) -> FloatImage:
    light = [tone_range.lightness_to_luminance(value) for value in lightness]
    return np.repeat(np.array(light, np.float32)[np.newaxis, :, np.newaxis], 3, axis=2)


# Between two points a* and b* go straight with L*: half-way from 20 to 60 lies at 40.
@pytest.mark.parametrize(
    ("lightness", "expected"),
    [(10.0, (1.5, 3.0)), (20.0, (3.0, 6.0)), (40.0, (4.0, 10.0)), (60.0, (5.0, 14.0)), (80.0, (2.5, 9.0))],
)
def test_points_give_their_colour_by_colour_science(lightness: float, expected: tuple[float, float]) -> None:
    toned = toning.tone(greys(lightness), SEPIA)[0, 0].astype(np.float64)
    lab = colour.XYZ_to_Lab(ROMM_TO_XYZ @ toned, colour.XYZ_to_xy(D50))
    assert lab == pytest.approx([lightness, *expected], abs=0.01)


def test_outside_its_points_a_toning_stays_as_at_the_first_and_the_last() -> None:
    lab = to_lab(toning.tone(greys(30.0, 40.0, 70.0, 80.0), [[40.0, 2.0, 3.0], [70.0, 4.0, 9.0]]))[0]
    assert lab[0, 1:] == pytest.approx([2.0, 3.0], abs=5e-3)
    assert lab[1, 1:] == pytest.approx([2.0, 3.0], abs=5e-3)
    assert lab[2, 1:] == pytest.approx([4.0, 9.0], abs=5e-3)
    assert lab[3, 1:] == pytest.approx([4.0, 9.0], abs=5e-3)


chroma = st.floats(-60, 60)
point_lists = st.lists(st.tuples(st.integers(0, 100), chroma, chroma), min_size=2, max_size=12, unique_by=lambda p: p[0]).map(
    lambda drawn: [list(point) for point in sorted(drawn)]
)  # fmt: skip


@given(points=point_lists)
@settings(deadline=None, max_examples=40)
def test_toning_keeps_luminance_and_stays_in_gamut(points: list[list[float]]) -> None:
    image = greys(*np.linspace(0, 100, 41))
    image[0, 20] = [0.9, 0.1, 0.4]
    toned = toning.tone(image, points)
    assert luminance(toned) == pytest.approx(luminance(image), abs=1e-5)
    assert toned.min() >= 0
    assert toned.max() <= 1


def test_points_must_rise() -> None:
    assert toning.rises(SEPIA)
    assert not toning.rises([[10.0, 0.0, 0.0], [10.0, 5.0, 0.0]])
    assert not toning.rises([[10.0, 0.0, 0.0], [5.0, 5.0, 0.0]])
