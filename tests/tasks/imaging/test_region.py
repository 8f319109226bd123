"""Regions against scikit-image's polygon, areas known from geometry, and hostile numbers."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.measure import grid_points_in_poly

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.region import region_mask

percent = st.floats(0, 100)


def box(shape: str, x: float, y: float, width: float, height: float) -> dict[str, Any]:
    return {"shape": shape, "x": x, "y": y, "width": width, "height": height}


def test_a_rectangle_takes_the_pixels_whose_centre_lies_in_it() -> None:
    mask = region_mask(box("rectangle", 10, 20, 30, 40), 200, 100)
    assert mask.shape == (100, 200)
    assert mask[20:60, 20:80].all()
    assert int(mask.sum()) == 40 * 60


@given(split=st.floats(1, 99))
@settings(deadline=None, max_examples=30)
def test_rectangles_side_by_side_share_no_pixel_and_leave_none_out(split: float) -> None:
    left = region_mask(box("rectangle", 0, 0, split, 100), 97, 31)
    right = region_mask(box("rectangle", split, 0, 200, 100), 97, 31)
    assert np.array_equal(left, ~right)


def test_an_ellipse_has_the_area_of_its_box_times_a_quarter_pi() -> None:
    mask = region_mask(box("ellipse", 20, 10, 60, 70), 1000, 800)
    assert int(mask.sum()) == pytest.approx(600 * 560 * math.pi / 4, rel=1e-3)
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    assert (rows[0], rows[-1], columns[0], columns[-1]) == (80, 639, 200, 799)


@given(points=st.lists(st.tuples(percent, percent), min_size=3, max_size=7))
@settings(deadline=None, max_examples=40)
def test_a_polygon_is_filled_as_scikit_image_fills_it(points: list[tuple[float, float]]) -> None:
    width, height = 40, 30
    mask = region_mask({"shape": "polygon", "points": [list(point) for point in points]}, width, height)
    corners = np.array([[y / 100 * height - 0.5, x / 100 * width - 0.5] for x, y in points])
    other = grid_points_in_poly((height, width), corners)  # type: ignore[no-untyped-call]
    # Centres that lie on an edge belong to either side.
    assert int((mask != other).sum()) <= 3


def test_a_polygon_that_crosses_itself_is_filled_by_the_even_odd_rule() -> None:
    star = [[50.0 + 45 * math.sin(4 * math.pi * k / 5), 50 - 45 * math.cos(4 * math.pi * k / 5)] for k in range(5)]
    mask = region_mask({"shape": "polygon", "points": star}, 200, 200)
    assert not mask[100, 100]
    assert mask[40, 100]


def test_what_lies_outside_the_picture_is_left_out() -> None:
    assert region_mask(box("rectangle", -50, -50, 300, 300), 8, 8).all()
    assert not region_mask(box("ellipse", 150, 150, 10, 10), 8, 8).any()


@pytest.mark.parametrize(
    "region",
    [
        {},
        {"shape": "star"},
        box("rectangle", 0, 0, 0, 10),
        box("rectangle", 0, 0, 10, -1),
        box("ellipse", math.nan, 0, 10, 10),
        box("ellipse", 0, math.inf, 10, 10),
        {"shape": "rectangle", "x": 0, "y": 0, "width": 10},
        {"shape": "rectangle", "x": "0", "y": 0, "width": 10, "height": 10},
        {"shape": "rectangle", "x": True, "y": 0, "width": 10, "height": 10},
        {"shape": "polygon"},
        {"shape": "polygon", "points": [[0, 0], [1, 1]]},
        {"shape": "polygon", "points": [[0, 0], [1, 1], [1]]},
        {"shape": "polygon", "points": [[0, 0], [1, 1], [1, math.nan]]},
        {"shape": "polygon", "points": "0,0 1,1 1,0"},
    ],
)
def test_what_is_no_region_is_refused(region: dict[str, Any]) -> None:
    with pytest.raises(CallError) as caught:
        region_mask(region, 10, 10)
    assert caught.value.code == "W001"
