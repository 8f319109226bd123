"""Burning in and holding back: a soft mask against the Gaussian itself, in bands and at several sizes."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.local_exposure import SoftRegion, expose_region
from glassine.tasks.imaging.region import region_mask

RECTANGLE = {"shape": "rectangle", "x": 20, "y": 30, "width": 50, "height": 40}
ELLIPSE = {"shape": "ellipse", "x": 10, "y": 5, "width": 60, "height": 80}
POLYGON = {"shape": "polygon", "points": [[-20, 50], [40, -10], [130, 60], [50, 90]]}


def soft_edge(low: float, high: float, sigma: float, count: int) -> NDArray[np.float64]:
    """A box of one dimension through a Gaussian, at the middles of pixels; all in pixels."""
    x = np.arange(count) + 0.5
    return np.asarray((erf((high - x) / (sigma * 2**0.5)) - erf((low - x) / (sigma * 2**0.5))) / 2)


@pytest.mark.parametrize("feather", [2.0, 7.0, 15.0, 60.0])
def test_a_rectangle_is_the_gaussians_own_integral(feather: float) -> None:
    width, height = 300, 200
    sigma = feather / 200 * 300
    wanted = soft_edge(60, 140, sigma, height)[:, np.newaxis] * soft_edge(60, 210, sigma, width)
    found = SoftRegion(RECTANGLE, feather, width, height).rows(0, height)
    # An edge lies right to 1/16 of a cell, 1/64 of the standard deviation: 0.006 where the Gaussian is steepest.
    assert np.abs(found - wanted).max() < 0.007
    assert found.sum() == pytest.approx(wanted.sum(), rel=0.03)


@pytest.mark.parametrize("region", [ELLIPSE, POLYGON], ids=["ellipse", "polygon"])
def test_other_shapes_are_the_blurred_mask(region: dict[str, Any]) -> None:
    """Against SciPy's Gaussian over the mask on pixels, on a picture with a wide margin, so that its edge is no edge."""
    width, height = 400, 300
    sigma = 10 / 200 * 400
    if region["shape"] == "polygon":
        placed: dict[str, Any] = {
            "shape": "polygon",
            "points": [[(x + 100) / 3, (y + 100) / 3] for x, y in region["points"]],
        }
    else:
        placed = {**region, "x": (region["x"] + 100) / 3, "y": (region["y"] + 100) / 3, "width": 20, "height": 80 / 3}
    wide = gaussian_filter(region_mask(placed, 1200, 900).astype(np.float64), sigma)[300:600, 400:800]
    assert np.abs(SoftRegion(region, 10, width, height).rows(0, height) - wide).max() < 0.007


def test_the_feather_is_the_way_from_16_to_84_percent() -> None:
    across = SoftRegion({**RECTANGLE, "y": -200, "height": 400, "x": 50, "width": 200}, 20, 1000, 700).rows(350, 1)[0]
    assert across[400] == pytest.approx(0.159, abs=0.003)
    assert across[500] == pytest.approx(0.5, abs=0.003)
    assert across[600] == pytest.approx(0.841, abs=0.003)


@given(cuts=st.lists(st.integers(1, 119), max_size=6), feather=st.floats(2, 100), outside=st.booleans())
@settings(deadline=None, max_examples=25)
def test_bands_have_what_the_whole_has(cuts: list[int], feather: float, outside: bool) -> None:
    soft = SoftRegion(POLYGON, feather, 90, 120, outside=outside)
    whole = soft.rows(0, 120)
    edges = sorted({0, 120, *cuts})
    bands = [soft.rows(top, bottom - top) for top, bottom in pairwise(edges)]
    assert np.array_equal(np.concatenate(bands), whole)


@pytest.mark.parametrize("region", [RECTANGLE, ELLIPSE, POLYGON], ids=["rectangle", "ellipse", "polygon"])
def test_a_small_picture_looks_like_a_large_one(region: dict[str, Any]) -> None:
    large = SoftRegion(region, 8, 1200, 800).rows(0, 800)
    small = SoftRegion(region, 8, 300, 200).rows(0, 200)
    reduced = large.reshape(200, 4, 300, 4).mean(axis=(1, 3))
    assert np.abs(small - reduced).max() < 1e-3


@given(
    x=st.floats(-200, 300), y=st.floats(-200, 300), width=st.floats(0.1, 300), height=st.floats(0.1, 300),
    feather=st.floats(2, 100), shape=st.sampled_from(["rectangle", "ellipse"]),
    size=st.sampled_from([(1, 1), (60, 1), (1, 60), (40, 30)]),
)  # fmt: skip
@settings(deadline=None, max_examples=40)
def test_any_region_gives_shares_from_0_to_1_and_outside_is_the_rest(
    x: float, y: float, width: float, height: float, feather: float, shape: str, size: tuple[int, int]
) -> None:
    region = {"shape": shape, "x": x, "y": y, "width": width, "height": height}
    inside = SoftRegion(region, feather, *size).rows(0, size[1])
    rest = SoftRegion(region, feather, *size, outside=True).rows(0, size[1])
    assert inside.shape == (size[1], size[0])
    assert inside.min() >= 0
    assert inside.max() <= 1 + 1e-6
    assert inside + rest == pytest.approx(np.ones_like(inside), abs=2e-6)


def test_burning_in_and_holding_back_are_stops() -> None:
    light: FloatImage = np.full((1, 3, 3), 0.4, np.float32)
    share = np.array([[0.0, 0.5, 1.0]], np.float32)
    expose_region(light, -1.0, share)
    assert light[0, :, 1] == pytest.approx([0.4, 0.4 * 2**-0.5, 0.2], rel=1e-6)
    expose_region(light, 2.0, share)
    assert light[0, :, 1] == pytest.approx([0.4, 0.4 * 2**0.5, 0.8], rel=1e-6)


def test_a_shape_that_is_none_is_refused() -> None:
    with pytest.raises(CallError) as caught:
        SoftRegion({**RECTANGLE, "shape": "star"}, 10, 30, 20)
    assert caught.value.code == "W001"
