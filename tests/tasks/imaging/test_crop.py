"""Crops: against slices and quarter turns of numpy, a spline of scipy's, and drawn scenes whose angle is known."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.crop import apply_crop, check_crop, crop_outline, cropped_size

BOX = ("x", "y", "width", "height")


def crop(*box: float, straighten: float = 0, turn: float = 0) -> dict[str, Any]:
    region = {"shape": "rectangle", **dict(zip(BOX, box, strict=True))}
    return {"region": region, "straighten_degrees": straighten, "turn_degrees": turn}


def noise(height: int, width: int, *channels: int) -> FloatImage:
    return np.random.default_rng(7).random((height, width, *channels), np.float32)


PERCENT = st.integers(0, 1_000_000).map(lambda number: number / 10_000)
SIDES = st.integers(1, 12_000)
TURNS = st.sampled_from([0, 90, 180, 270])
REGIONS = st.tuples(PERCENT, PERCENT, PERCENT, PERCENT).filter(lambda box: box[2] > 0 and box[3] > 0)
CROPS = st.builds(
    lambda box, straighten, turn: crop(*box, straighten=straighten, turn=turn),
    REGIONS,
    st.one_of(st.just(0.0), st.floats(-45, 45)),
    TURNS,
)
INNER = st.builds(
    lambda x, y, share, straighten, turn: crop(
        x, y, share * (100 - x), share * (100 - y), straighten=straighten, turn=turn
    ),
    st.floats(0, 60),
    st.floats(0, 60),
    st.floats(0.01, 1),
    st.one_of(st.just(0.0), st.floats(-45, 45)),
    TURNS,
)
"""Many of these lie within the frame, of `CROPS` few do."""


def overhang(cut: dict[str, Any], width: int, height: int) -> float:
    """By how much the turned rectangle sticks out, in percent: by complex numbers, in pixels."""
    x, y, across, down = (cut["region"][key] for key in BOX)
    centre = complex((x + across / 2) * width, (y + down / 2) * height) / 100
    turn = np.exp(1j * np.deg2rad(cut["straighten_degrees"]))
    corners = [centre + turn * complex(a * across * width, b * down * height) / 200 for a in (-1, 1) for b in (-1, 1)]
    across_px, down_px = [corner.real for corner in corners], [corner.imag for corner in corners]
    return 100 * float(
        max(-min(across_px) / width, max(across_px) / width - 1, -min(down_px) / height, max(down_px) / height - 1)
    )


@pytest.mark.parametrize("shape", [(40, 60, 3), (40, 60)])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_without_straightening_it_is_a_slice_and_quarter_turns(shape: tuple[int, ...], turn: int) -> None:
    picture = noise(*shape)
    before = picture.copy()
    got = apply_crop(picture, crop(10, 25, 50, 50, turn=turn))
    assert got.dtype == np.float32
    assert np.array_equal(got, np.rot90(picture[10:30, 6:36], -turn // 90))
    assert np.array_equal(picture, before)


def test_turned_clockwise_the_left_column_becomes_the_upper_row() -> None:
    picture = np.array([[1, 2], [3, 4]], np.float32)
    assert apply_crop(picture, crop(0, 0, 100, 100, turn=90)).tolist() == [[3, 1], [4, 2]]


def test_the_full_frame_is_the_same_array() -> None:
    picture = noise(20, 30, 3)
    assert apply_crop(picture, crop(0, 0, 100, 100)) is picture


@given(height=st.integers(1, 9), width=st.integers(1, 9), channels=st.sampled_from([(), (3,)]))
@settings(deadline=None, max_examples=60)
def test_four_quarter_turns_are_none(height: int, width: int, channels: tuple[int, ...]) -> None:
    picture = turned = noise(height, width, *channels)
    for count in range(1, 5):
        turned = apply_crop(turned, crop(0, 0, 100, 100, turn=90))
        assert np.array_equal(turned, apply_crop(picture, crop(0, 0, 100, 100, turn=count * 90 % 360)))
    assert np.array_equal(turned, picture)


@pytest.mark.parametrize(
    ("box", "width", "height", "size"),
    [
        ((0, 0, 50, 100), 5, 4, (3, 4)),  # 2.5 goes up to 3
        ((50, 0, 50, 100), 5, 4, (2, 4)),  # and the other half begins there
        ((0, 0, 49.99, 100), 5, 4, (2, 4)),
        ((10, 10, 0.001, 0.001), 6000, 4000, (1, 1)),
        ((99.9999, 99.9999, 0.0001, 0.0001), 6000, 4000, (1, 1)),
        ((12.5, 0, 75, 100), 6000, 4000, (4500, 4000)),
    ],
)
def test_edges_go_to_the_nearest_pixel_border(
    box: tuple[float, ...], width: int, height: int, size: tuple[int, int]
) -> None:
    assert cropped_size(crop(*box), width, height) == size
    assert cropped_size(crop(*box, turn=270), width, height) == size[::-1]


@given(cut=PERCENT.filter(lambda value: 1 < value < 99), width=st.integers(100, 12_000))
@settings(deadline=None)
def test_crops_side_by_side_share_no_pixel_and_lose_none(cut: float, width: int) -> None:
    parts = [cropped_size(crop(start, 0, end - start, 100), width, 10)[0] for start, end in ((0, cut), (cut, 100))]
    assert sum(parts) == width


@given(cut=st.one_of(CROPS, INNER), width=SIDES, height=SIDES)
@settings(deadline=None, max_examples=400)
def test_a_crop_lies_within_the_frame_or_is_refused(cut: dict[str, Any], width: int, height: int) -> None:
    sticks_out = overhang(cut, width, height)
    assume(abs(sticks_out - 1e-4) > 1e-6)
    if sticks_out <= 1e-4:
        check_crop(cut, width, height)
        outline = crop_outline(cut, width, height)
        assert all(0 <= number <= 100 for corner in outline for number in corner)
        # Twice the area of the outline by the shoelace formula is that of the rectangle, whatever its turn.
        x, y = np.array(outline).T
        doubled = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
        region = cut["region"]
        assert doubled == pytest.approx(2 * region["width"] * region["height"], rel=1e-5, abs=0.05)
        across, down = cropped_size({**cut, "turn_degrees": 0}, width, height)
        assert 1 <= across <= width
        assert 1 <= down <= height
        assert across == pytest.approx(region["width"] * width / 100, abs=1)
        assert down == pytest.approx(region["height"] * height / 100, abs=1)
    else:
        for refuse in (check_crop, cropped_size):
            with pytest.raises(CallError) as caught:
                refuse(cut, width, height)
            assert caught.value.code == "W001"
            assert "sticks out of the frame by" in str(caught.value)


@given(cut=INNER, width=st.integers(2, 12_000), height=st.integers(2, 12_000))
@settings(deadline=None, max_examples=300)
def test_the_crop_that_is_offered_instead_fits(cut: dict[str, Any], width: int, height: int) -> None:
    try:
        check_crop(cut, width, height)
    except CallError as refused:
        found = re.search(
            r"is ([\d.e-]+) percent wide and ([\d.e-]+) high, at x ([\d.e-]+), y ([\d.e-]+)\.", str(refused)
        )
        assert found, str(refused)
        across, down, x, y = map(float, found.groups())
        offered = {**cut, "region": {"shape": "rectangle", "x": x, "y": y, "width": across, "height": down}}
        check_crop(offered, width, height)
        # It is the largest: a thousandth more, and a little for its rounding, no longer fits.
        larger: dict[str, Any] = {"shape": "rectangle", "width": across * 1.001 + 0.002, "height": down * 1.001 + 0.002}
        larger |= {"x": x - (larger["width"] - across) / 2, "y": y - (larger["height"] - down) / 2}
        assert overhang({**cut, "region": larger}, width, height) > 0


def test_the_sentence_says_by_how_much_where_and_what_would_do() -> None:
    # 4000 / (6000 sin 3° + 4000 cos 3°) = 0.928390; half of 4308.534 less 2000 is 154.27 px.
    with pytest.raises(CallError) as caught:
        check_crop(crop(0, 0, 100, 100, straighten=3), 6000, 4000)
    assert str(caught.value) == (
        "The crop, turned by 3 degrees, sticks out of the frame by 3.86 percent (154 px) at the top: the largest of "
        "its shape about its centre is 92.839 percent wide and 92.839 high, at x 3.5805, y 3.5805."
    )
    with pytest.raises(CallError, match=r"^The crop sticks out of the frame by 20 percent \(1200 px\) at the right: "):
        check_crop(crop(60, 0, 60, 100), 6000, 4000)
    with pytest.raises(CallError, match="its centre lies outside; give one whose"):
        check_crop(crop(90, 0, 60, 100), 6000, 4000)


def test_the_rectangle_is_turned_in_pixels_and_clockwise() -> None:
    corners = crop_outline(crop(25, 25, 50, 50, straighten=30), 2000, 1000)
    pixels = np.array(corners) * (20, 10)
    # The upper side runs from the first corner to the second, and sinks to the right; angles stay right ones.
    across, down = pixels[1] - pixels[0], pixels[3] - pixels[0]
    assert np.rad2deg(np.arctan2(across[1], across[0])) == pytest.approx(30)
    assert np.hypot(*across) == pytest.approx(1000)
    assert np.hypot(*down) == pytest.approx(500)
    assert np.dot(across, down) == pytest.approx(0, abs=1e-6)


def test_the_outline_on_a_smaller_picture_is_kept_within_it() -> None:
    tight = crop(3.5805, 3.5805, 92.839, 92.839, straighten=3)
    check_crop(tight, 6000, 4000)
    outline = crop_outline(tight, 1600, 1066)
    assert all(0 <= number <= 100 for corner in outline for number in corner)
    assert np.allclose(outline, crop_outline(tight, 6000, 4000), atol=0.05)


def smooth_scene(height: int, width: int) -> FloatImage:
    """Soft spots on grey, nothing finer than 12 px."""
    spots = ndimage.gaussian_filter(noise(height, width), 5)
    return np.asarray(0.05 + 0.9 * (spots - spots.min()) / np.ptp(spots), np.float32)


@pytest.mark.parametrize("straighten", [-45, -7.3, 0.4, 12, 45])
@pytest.mark.parametrize("turn", [0, 270])
def test_straightening_agrees_with_another_implementation(straighten: float, turn: int) -> None:
    scene = smooth_scene(240, 330)
    picture = np.stack([scene, scene**2, np.flipud(scene)], axis=-1)
    cut = crop(35, 30, 30, 40, straighten=straighten, turn=turn)
    got = apply_crop(picture, cut)
    # Left 115.5 goes to 116, right 214.5 to 215. Complex numbers do the turning; a spline of degree 5, in linear light.
    rows, columns = np.mgrid[:96, :99]
    place = complex((116 + 215) / 2, (72 + 168) / 2) + np.exp(1j * np.deg2rad(straighten)) * (
        (columns + 0.5 - 99 / 2) + 1j * (rows + 0.5 - 96 / 2)
    )
    coordinates = [place.imag - 0.5, place.real - 0.5]
    planes = [ndimage.map_coordinates(np.float64(picture[..., n]), coordinates, order=5) for n in range(3)]
    wanted = np.rot90(np.stack(planes, axis=-1), -turn // 90)
    assert got.shape == wanted.shape == (*cropped_size(cut, 330, 240)[::-1], 3)
    assert got.dtype == np.float32
    assert np.abs(got - wanted).max() < 2e-3


def test_a_slanting_horizon_becomes_level() -> None:
    """An edge that sinks to the right by 4.2 degrees; the light is averaged over each pixel's depth."""
    rows, columns = np.mgrid[:300, :400]
    sea = np.clip((rows - 150 - (columns - 200) * np.tan(np.deg2rad(4.2))) + 0.5, 0, 1).astype(np.float32)

    def slope(picture: NDArray[np.float32]) -> float:
        heights = (1 - picture).sum(axis=0)
        return float(np.rad2deg(np.arctan(np.polyfit(np.arange(heights.size), heights, 1)[0])))

    assert slope(sea) == pytest.approx(4.2, abs=0.02)
    assert slope(apply_crop(sea, crop(20, 20, 60, 60, straighten=4.2))) == pytest.approx(0, abs=0.01)
    assert slope(apply_crop(sea, crop(20, 20, 60, 60, straighten=-4.2))) == pytest.approx(8.4, abs=0.05)


def test_straightening_by_nearly_nothing_is_nearly_nothing() -> None:
    picture = noise(50, 70, 3)
    exact, nearly = (apply_crop(picture, crop(13.3, 11.1, 61.7, 70.3, straighten=by)) for by in (0, 1e-6))
    assert exact.shape == nearly.shape
    assert np.abs(exact - nearly).max() < 1e-4


def test_a_catchlight_gets_no_dark_rim_and_no_light_beyond_its_own() -> None:
    picture = np.full((60, 60, 3), 0.25, np.float32)
    picture[25:33, 25:33] = (1.0, 0.9, 4.0)
    seen = apply_crop(picture, crop(20, 20, 60, 60, straighten=8))
    assert (seen.reshape(-1, 3).max(axis=0) <= (1.0, 0.9, 4.0)).all()
    assert seen.min() >= np.float32(0.25)
    black = np.where(picture > 0.25, picture, 0).astype(np.float32)
    assert apply_crop(black, crop(20, 20, 60, 60, straighten=8)).min() == 0


@given(
    value=st.floats(-0.5, 4, width=32),
    straighten=st.floats(-45, 45),
    side=st.integers(1, 40),
    channels=st.sampled_from([(), (3,)]),
)
@settings(deadline=None, max_examples=80)
def test_a_plain_area_stays_as_it_is(value: float, straighten: float, side: int, channels: tuple[int, ...]) -> None:
    plain = np.full((side, side, *channels), value, np.float32)
    got = apply_crop(plain, crop(20, 20, 60, 60, straighten=straighten))
    assert got.shape == (*cropped_size(crop(20, 20, 60, 60, straighten=straighten), side, side)[::-1], *channels)
    assert (got == np.float32(value)).all()


@given(cut=INNER, height=st.integers(1, 60), width=st.integers(1, 60))
@settings(deadline=None, max_examples=150)
def test_any_crop_has_its_size_and_keeps_the_range(cut: dict[str, Any], height: int, width: int) -> None:
    assume(overhang(cut, width, height) < 0)
    picture = noise(height, width, 3) - np.float32(0.1)
    got = apply_crop(picture, cut)
    assert got.shape == (*cropped_size(cut, width, height)[::-1], 3)
    assert got.dtype == np.float32
    assert got.min() >= picture.min()
    assert got.max() <= picture.max()


def test_far_away_pixels_do_not_count() -> None:
    """Only what lies round the rectangle is read: light elsewhere changes nothing that 16 bits could tell."""
    picture = noise(200, 200)
    other = picture.copy()
    other[:40] = 1 - other[:40]
    cut = crop(40, 50, 20, 20, straighten=10)
    assert np.array_equal(apply_crop(picture, cut), apply_crop(other, cut))


@pytest.mark.parametrize("poison", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("straighten", [0, 5])
def test_what_is_no_number_is_refused(poison: float, straighten: float) -> None:
    picture = noise(20, 20, 3)
    picture[0, 0, 1] = poison
    with pytest.raises(FrameError) as caught:
        apply_crop(picture, crop(40, 40, 20, 20, straighten=straighten))
    assert caught.value.code == "P002"


@pytest.mark.parametrize(
    "picture",
    [np.zeros((4, 4, 3)), np.zeros((4, 4, 4), np.float32), np.zeros(4, np.float32), np.zeros((4, 4), np.uint16)],
    ids=["float64", "four channels", "one row", "integers"],
)
def test_another_kind_of_array_is_refused(picture: NDArray[Any]) -> None:
    with pytest.raises(FrameError) as caught:
        apply_crop(picture, crop(0, 0, 100, 100))
    assert caught.value.code == "P002"


GOOD = crop(10, 10, 50, 50, straighten=1, turn=90)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"turn_degrees": 45}, "turned by 0, 90, 180 or 270"),
        ({"turn_degrees": True}, "turned by 0, 90, 180 or 270"),
        ({"turn_degrees": "90"}, "turned by 0, 90, 180 or 270"),
        ({"straighten_degrees": 45.01}, "-45 to 45 degrees"),
        ({"straighten_degrees": float("nan")}, "-45 to 45 degrees"),
        ({"straighten_degrees": None}, "-45 to 45 degrees"),
        ({"region": None}, "is a rectangle"),
        ({"region": {"shape": "polygon", "points": [[0, 0], [1, 0], [1, 1]]}}, "is a rectangle"),
        ({"region": {**GOOD["region"], "shape": "ellipse"}}, "is a rectangle"),
        ({"region": {**GOOD["region"], "unit": "px"}}, "is a rectangle"),
        ({"region": {**GOOD["region"], "x": float("inf")}}, "x is a number from 0 to 100"),
        ({"region": {**GOOD["region"], "y": -1}}, "y is a number from 0 to 100"),
        ({"region": {**GOOD["region"], "width": "5"}}, "width is a number from 0 to 100"),
        ({"region": {**GOOD["region"], "height": 0}}, "50 by 0 percent is empty"),
        ({"zoom": 2}, "and nothing else"),
    ],
)
def test_what_is_no_crop_is_refused(change: dict[str, Any], words: str) -> None:
    for refuse in (check_crop, crop_outline, cropped_size):
        with pytest.raises(CallError, match=words) as caught:
            refuse({**GOOD, **change}, 600, 400)
        assert caught.value.code == "W001"
    with pytest.raises(CallError, match="and nothing else"):
        check_crop({"region": GOOD["region"]}, 600, 400)
