"""A real photograph of the 24-patch chart, rendered, against the published values of its patches.

Published: "ColorChecker24 - After November 2014", the maker's data for charts from then on (D50, 2° observer), as
colour-science 0.4.7 carries them. The picture: CRW_0101, of an old compact camera, rendered at full size, multiplied by
one factor (least squares over the luminance of the six neutral patches), patch means against published CIELAB (D50).
"""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from glassine.tasks.imaging import icc_profile, raw_rendering
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.change_map import ciede2000
from glassine.tasks.imaging.grey_card import measure_card
from glassine.tasks.imaging.region import region_mask

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

CHART = Path(__file__).resolve().parents[4] / "shared" / "real-frames" / "CRW_0101.CRW"
pytestmark = pytest.mark.skipif(not CHART.is_file(), reason="the photograph of the chart is not on this machine")

CORNERS = np.array([[(15.39, 19.01), (82.66, 18.59)], [(15.78, 72.79), (82.81, 72.37)]])
"""Centres of the four outermost patches, percent of the picture, as a look at it shows them."""
PATCH = (6.0, 8.0)
"""Width and height of what is measured of each patch, percent: half of its sides."""
ROWS, COLUMNS = 4, 6
NEUTRAL = slice(18, 24)
MIDDLE_GREYS = slice(19, 22)
"""Neutral 8, 6.5 and 5: neither near white nor lost in flare."""


def regions() -> list[dict[str, Any]]:
    """The patches by rows, in between the corners."""
    found = []
    for row in range(ROWS):
        for column in range(COLUMNS):
            down, across = row / (ROWS - 1), column / (COLUMNS - 1)
            left, right = CORNERS[0] * (1 - down) + CORNERS[1] * down
            x, y = left * (1 - across) + right * across
            width, height = PATCH
            found.append(
                {"shape": "rectangle", "x": x - width / 2, "y": y - height / 2, "width": width, "height": height}
            )
    return found


def published_xyz() -> NDArray[np.float64]:
    """XYZ of the 24 patches under D50, white 1."""
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    assert chart.illuminant == pytest.approx((0.3457, 0.3585), abs=1e-3)
    assert list(chart.data)[18].startswith("white")
    return np.asarray(colour.xyY_to_XYZ(list(chart.data.values())), np.float64)


def lab(xyz: NDArray[np.float64]) -> FloatImage:
    found: FloatImage = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(icc_profile.D50)).astype(np.float32)
    return found


def measured_xyz(balance: Balance) -> NDArray[np.float64]:
    linear = raw_rendering.render(CHART, balance=balance)
    height, width = linear.shape[:2]
    means = [linear[region_mask(region, width, height)].mean(axis=0, dtype=np.float64) for region in regions()]
    xyz: NDArray[np.float64] = np.array(means) @ icc_profile.ROMM_TO_XYZ.T
    return xyz


def differences(measured: NDArray[np.float64]) -> FloatImage:
    """CIEDE2000 of each patch after the one factor."""
    published = published_xyz()
    y, wanted = measured[NEUTRAL, 1], published[NEUTRAL, 1]
    factor = float((y * wanted).sum() / (y * y).sum())
    found: FloatImage = ciede2000(lab(measured * factor)[np.newaxis], lab(published)[np.newaxis])[0]
    return found


@cache
def balance_of_the_greys() -> Balance:
    found = np.mean([measure_card(CHART, region)["multipliers"] for region in regions()[MIDDLE_GREYS]], axis=0)
    return Balance((float(found[0]), float(found[1]), float(found[2])))


def test_the_patches_are_where_they_are_said_to_be() -> None:
    """Lightness falls along the neutral row, and its middle greys agree on the light to 2 %."""
    row = regions()[NEUTRAL]
    assert np.all(np.diff(measured_xyz(AS_SHOT)[NEUTRAL, 1]) < 0)
    found = np.array([measure_card(CHART, region)["multipliers"] for region in row[:5]])
    assert (found.max(axis=0) / found.min(axis=0) - 1).max() < 0.045
    assert (found[1:4].max(axis=0) / found[1:4].min(axis=0) - 1).max() < 0.02


def test_balanced_by_its_own_greys() -> None:
    """Mean 4.26, median 3.4, worst 9.54 (red, 9 too light; then cyan 8.5, moderate red 8.1); the neutrals 2.5.

    Why not better: the camera's matrix is LibRaw's, made for daylight, while by the multipliers the light had two and
    a half times daylight's red over blue: see the next test but one. The light falls by 0.9 of a stop from the middle of the paper to its
    corners; the chart is printed, of unknown age; its black is lifted by flare (L* 22.9 for 20.6).
    """
    found = differences(measured_xyz(balance_of_the_greys()))
    assert found.mean() < 4.4
    assert found.max() < 9.8
    assert found[NEUTRAL].mean() < 2.7


def test_balanced_as_shot() -> None:
    """Mean 5.09, worst 10.08 (red), the neutrals 5.0: the camera's own white balance leaves them warm, b* +4."""
    found = differences(measured_xyz(AS_SHOT))
    assert found.mean() < 5.3
    assert found.max() < 10.4


def test_what_remains_is_mostly_the_matrix() -> None:
    """With the matrix of this very light (least squares over the patches' XYZ): mean 2.8, worst 5.1."""
    measured = measured_xyz(balance_of_the_greys())
    matrix = np.linalg.lstsq(measured, published_xyz(), rcond=None)[0]
    found = differences(measured @ matrix)
    assert found.mean() < 3.0
    assert found.max() < 5.5
