"""The change map against Sharma's CIEDE2000 pairs, and against changes that were made on purpose."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging import change_map
from glassine.tasks.imaging.icc_profile import profile_bytes

# Sharma, Wu and Dalal 2005, Color Research and Application 30:21-30, table 1: L1 a1 b1 L2 a2 b2 and CIEDE2000.
# As in colour-science's tests, without pair 14, which lies on a tie of the arc tangent.
SHARMA = np.array([
    (50.0, 2.6772, -79.7751, 50.0, 0.0, -82.7485, 2.0425),
    (50.0, 3.1571, -77.2803, 50.0, 0.0, -82.7485, 2.8615),
    (50.0, 2.8361, -74.02, 50.0, 0.0, -82.7485, 3.4412),
    (50.0, -1.3802, -84.2814, 50.0, 0.0, -82.7485, 1.0),
    (50.0, -1.1848, -84.8006, 50.0, 0.0, -82.7485, 1.0),
    (50.0, -0.9009, -85.5211, 50.0, 0.0, -82.7485, 1.0),
    (50.0, 0.0, 0.0, 50.0, -1.0, 2.0, 2.3669),
    (50.0, -1.0, 2.0, 50.0, 0.0, 0.0, 2.3669),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.0009, 7.1792),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.001, 7.1792),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.0011, 7.2195),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.0012, 7.2195),
    (50.0, -0.001, 2.49, 50.0, 0.0009, -2.49, 4.8045),
    (50.0, -0.001, 2.49, 50.0, 0.0011, -2.49, 4.7461),
    (50.0, 2.5, 0.0, 50.0, 0.0, -2.5, 4.3065),
    (50.0, 2.5, 0.0, 73.0, 25.0, -18.0, 27.1492),
    (50.0, 2.5, 0.0, 61.0, -5.0, 29.0, 22.8977),
    (50.0, 2.5, 0.0, 56.0, -27.0, -3.0, 31.903),
    (50.0, 2.5, 0.0, 58.0, 24.0, 15.0, 19.4535),
    (50.0, 2.5, 0.0, 50.0, 3.1736, 0.5854, 1.0),
    (50.0, 2.5, 0.0, 50.0, 3.2972, 0.0, 1.0),
    (50.0, 2.5, 0.0, 50.0, 1.8634, 0.5757, 1.0),
    (50.0, 2.5, 0.0, 50.0, 3.2592, 0.335, 1.0),
    (60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644),
    (63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.263),
    (61.2901, 3.7196, -5.3901, 61.4292, 2.248, -4.962, 1.8731),
    (35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645),
    (22.7233, 20.0904, -46.694, 23.0331, 14.973, -42.5619, 2.0373),
    (36.4612, 47.858, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146),
    (90.8027, -2.0831, 1.441, 91.1528, -1.6435, 0.0447, 1.4441),
    (90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381),
    (6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377),
    (2.0776, 0.0795, -1.135, 0.9033, -0.0636, -0.5514, 0.9082),
])  # fmt: skip

Samples = NDArray[np.uint16]


def write(path: Path, samples: Samples) -> Path:
    tifffile.imwrite(path, samples, photometric="rgb", iccprofile=profile_bytes("ROMM RGB"))
    return path


@pytest.fixture
def base() -> Samples:
    """A picture of 1200 × 800, so that a change can lie over the border of two tiles."""
    rng = np.random.default_rng(7)
    light = np.linspace(8000, 50000, 1200)[np.newaxis, :, np.newaxis] * np.array([1.0, 0.9, 0.8])
    return np.asarray(light + rng.integers(-400, 400, (800, 1200, 3))).astype(np.uint16)


def compare(
    tmp_path: Path, base: Samples, returned: Samples, *regions: dict[str, Any], **options: Any
) -> dict[str, Any]:
    return change_map.compare(
        write(tmp_path / "base.tif", base), write(tmp_path / "returned.tif", returned), regions, **options
    )


def test_ciede2000_is_sharmas() -> None:
    """The table is rounded to 4 decimals: half a unit of the last, and 1 % of it for the machine."""
    found = change_map.ciede2000(SHARMA[:, :3], SHARMA[:, 3:6])
    assert found == pytest.approx(SHARMA[:, 6], abs=5e-5 * 1.01)
    assert change_map.ciede2000(SHARMA[:, 3:6], SHARMA[:, :3]) == pytest.approx(found, abs=1e-6)
    # Pair 14 lies on the tie: 4.8045 in the table, 4.7461 where the arc tangent falls to the other side.
    tie = change_map.ciede2000(np.array([[50, -0.001, 2.49]]), np.array([[50, 0.001, -2.49]]))[0]
    assert min(abs(tie - 4.8045), abs(tie - 4.7461)) < 5e-5 * 1.01
    single = SHARMA.astype(np.float32)
    assert change_map.ciede2000(single[:, :3], single[:, 3:6]) == pytest.approx(SHARMA[:, 6], abs=1e-3)


def test_a_changed_rectangle_is_found_to_the_pixel(tmp_path: Path, base: Samples) -> None:
    returned = base.copy()
    returned[480:560, 500:600] += 6000
    told = compare(tmp_path, base, returned)
    assert told["changed_fraction"] == round(80 * 100 / (1200 * 800), 8)
    assert told["outside"]["changed_fraction"] == told["changed_fraction"]
    assert told["outside"]["boxes"] == [[round(500 / 12, 4), 60.0, round(100 / 12, 4), 10.0]]
    assert told["regions"] == []
    assert told["max"] > 2


def test_the_soft_edge_of_a_brush_is_no_change_outside(tmp_path: Path) -> None:
    light = np.full((400, 600, 3), 20000, np.uint16)
    region = {"shape": "rectangle", "x": 25, "y": 25, "width": 50, "height": 50}
    for spill, count in ((3, 0), (4, 1)):  # half a percent of 600 px is 3
        brushed = light.copy()
        brushed[100 - spill : 300 + spill, 150 - spill : 450 + spill] = 24000
        told = compare(tmp_path, light, brushed, region)
        assert len(told["outside"]["boxes"]) == count, spill


def test_each_region_is_told_apart_and_what_lies_outside_is_listed(tmp_path: Path, base: Samples) -> None:
    returned = base.copy()
    returned[80:160, 120:240] += 6000
    returned[700, 1000] = 0
    asked = {"shape": "rectangle", "x": 10, "y": 10, "width": 20, "height": 10}
    untouched = {"shape": "ellipse", "x": 60, "y": 40, "width": 10, "height": 10}
    told = compare(tmp_path, base, returned, asked, untouched)
    assert told["regions"][0]["changed"] is True
    assert told["regions"][0]["changed_fraction"] == 0.5
    assert told["regions"][1] == {"changed": False, "changed_fraction": 0.0, "max": 0.0}
    assert told["outside"]["boxes"] == [[round(1000 / 12, 4), 87.5, round(1 / 12, 4), 0.125]]
    apart = 1200 * 800 - 240 * 80 - _ellipse_pixels(base)  # and the rims of both regions, 6 px wide
    assert told["outside"]["changed_fraction"] == pytest.approx(1 / apart, rel=0.02)


def _ellipse_pixels(base: Samples) -> int:
    height, width = base.shape[:2]
    x = (np.arange(width) + 0.5) / width * 100
    y = (np.arange(height) + 0.5) / height * 100
    return int((((x - 65) / 5) ** 2 + (((y - 45) / 5) ** 2)[:, np.newaxis] < 1).sum())


def test_two_changes_apart_are_two_boxes_the_larger_first(tmp_path: Path, base: Samples) -> None:
    returned = base.copy()
    returned[80:88, 120:132] = 0
    returned[640:720, 960:1080] = 0
    assert compare(tmp_path, base, returned)["outside"]["boxes"] == [
        [80.0, 80.0, 10.0, 10.0],
        [10.0, 10.0, 1.0, 1.0],
    ]


def test_the_same_picture_has_not_changed(tmp_path: Path, base: Samples) -> None:
    told = compare(tmp_path, base, base)
    assert (told["changed_fraction"], told["mean"], told["max"]) == (0.0, 0.0, 0.0)
    assert told["outside"]["boxes"] == []


def test_a_change_below_the_threshold_is_none(tmp_path: Path, base: Samples) -> None:
    returned = base.copy()
    returned[:, :] += 30
    told = compare(tmp_path, base, returned)
    assert 0 < told["max"] < 1
    assert told["changed_fraction"] == 0
    assert compare(tmp_path, base, returned, threshold=0.0)["changed_fraction"] == 1


def test_the_picture_marks_what_was_asked_for_and_what_was_not(tmp_path: Path, base: Samples) -> None:
    returned = base.copy()
    returned[80:160, 120:240] = 0
    returned[640:720, 960:1080] = 0
    asked = {"shape": "polygon", "points": [[5, 5], [25, 5], [25, 25], [5, 25]]}
    compare(tmp_path, base, returned, asked, picture=tmp_path / "new" / "map.jpg")
    with Image.open(tmp_path / "new" / "map.jpg") as picture:
        shown = np.asarray(picture).astype(int)
        assert picture.info["icc_profile"] == profile_bytes("sRGB")
    assert shown.shape == (800, 1200, 3)
    red, _, blue = shown[120, 180]
    assert blue > red + 60
    red, _, blue = shown[680, 1000]
    assert red > blue + 60
    assert np.ptp(shown[400, 600]) <= 2
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["map.jpg"]


def test_pictures_of_two_sizes_and_regions_that_are_none_are_refused(tmp_path: Path, base: Samples) -> None:
    with pytest.raises(FrameError) as caught:
        compare(tmp_path, base, base[:, :1199])
    assert caught.value.code == "P002"
    with pytest.raises(CallError):
        compare(tmp_path, base, base, {"shape": "star"})
