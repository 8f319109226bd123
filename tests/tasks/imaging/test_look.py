"""Looks against CIE lightness, and the properties that each step promises."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from numpy.typing import NDArray

from glassine.schemas.errors import DocumentError, FrameError
from glassine.schemas.validation import check_document
from glassine.tasks.imaging import icc_profile, look, tone_range
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.cube import Cube, pack_table
from glassine.tasks.imaging.icc_profile import lightness, to_lab

ROOT = Path(__file__).parents[3]
LOOKS = sorted((ROOT / "config" / "looks").glob("*.json"))
TOLERANCE = 2e-6


def of_steps(*steps: dict[str, Any]) -> dict[str, Any]:
    return {"format": 1, "name": "test", "purpose": "A test.", "steps": list(steps)}


def grey(*values: float) -> FloatImage:
    return np.repeat(np.array(values, np.float32)[np.newaxis, :, np.newaxis], 3, axis=2)


def render(steps: list[dict[str, Any]], image: FloatImage) -> FloatImage:
    return look.apply(of_steps(*steps), image, seed=1)


@pytest.mark.parametrize("path", LOOKS, ids=lambda path: path.stem)
def test_the_studios_looks_meet_the_schema_and_bear_their_file_name(path: Path) -> None:
    document = json.loads(path.read_text("utf-8"))
    schema = json.loads((ROOT / "schemas" / "look.schema.json").read_text("utf-8"))
    assert [error.message for error in Draft202012Validator(schema).iter_errors(document)] == []
    assert document["name"] == path.stem


def without_grain(path: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(path.read_text("utf-8"))
    document["steps"] = [step for step in document["steps"] if step["step"] != "grain"]
    return document


@pytest.mark.parametrize("path", LOOKS, ids=lambda path: path.stem)
def test_the_studios_looks_rise_from_black_to_white_with_the_metered_grey_in_the_middle(path: Path) -> None:
    # A metered 18 % grey lies at 18 % / √2 of a raw's saturation: ISO 12232:2019.
    ramp = grey(0.0, *(0.127 * 2.0 ** np.arange(-9, 3, 0.5)), 1.0)
    rendered = look.apply(without_grain(path), ramp, seed=1)[0, :, 1]
    assert np.all(np.diff(rendered) >= 0)
    assert rendered[0] <= 0.01779, "black is no lighter than D 1.75"
    assert 0.86 < rendered[-1] < 0.985, "saturation is white, and no look burns it out"
    assert 0.165 < rendered[19] < 0.225, "metered grey is shown as a grey between 118 and 130 (sRGB)"


@pytest.mark.parametrize("path", LOOKS, ids=lambda path: path.stem)
def test_the_studios_looks_keep_tones_apart_up_to_saturation(path: Path) -> None:
    light = grey(*(2.0 ** np.array([-1.0, -0.5, 0.0])))
    rendered = icc_profile.encode(look.apply(without_grain(path), light, seed=1), "sRGB")[0, :, 1] * 255
    assert np.all(np.diff(rendered) >= 3), "half stops below saturation are three codes apart or more"


def test_lifted_mono_has_the_black_and_the_white_of_its_densities() -> None:
    document = without_grain(ROOT / "config" / "looks" / "lifted-mono.json")
    black, white = look.apply(document, grey(0.0, 40.0), seed=1)[0, :, 0]
    assert -np.log10([black, white]) == pytest.approx([1.75, 0.05], abs=2e-3)


def test_the_four_looks_are_there() -> None:
    assert [path.stem for path in LOOKS] == ["hard-mono", "lifted-mono", "plain-colour", "soft-mono"]


# Density D = -log10 T (ISO 5-1) of a lifted black, with its L*: L* 5, 10, 16 are D 2.257, 1.948, 1.678.
@pytest.mark.parametrize(("black", "density"), [(5.0, 2.257), (10.0, 1.948), (16.0, 1.678)])
def test_a_black_point_lifts_black_to_its_density_and_keeps_white(black: float, density: float) -> None:
    rendered = render([{"step": "black_point", "lightness": black}], grey(0.0, 1.0))
    assert -np.log10(rendered[0, 0, 0]) == pytest.approx(density, abs=5e-4)
    assert rendered[0, 1] == pytest.approx(1.0, abs=TOLERANCE)


@pytest.mark.parametrize("black_first", [True, False])
def test_black_and_white_point_hold_in_either_order(black_first: bool) -> None:
    steps: list[dict[str, Any]] = [
        {"step": "black_point", "lightness": 9.0},
        {"step": "white_point", "lightness": 96.0},
    ]
    rendered = render(steps if black_first else steps[::-1], grey(0.0, 0.4, 1.0, 3.0))
    assert lightness(rendered)[0, [0, 2, 3]] == pytest.approx([9.0, 96.0, 96.0], abs=1e-3)
    low, high = tone_range.lightness_to_luminance(9.0), tone_range.lightness_to_luminance(96.0)
    assert rendered[0, 1, 0] == pytest.approx(low + 0.4 * (high - low), abs=TOLERANCE)


@given(stops=st.floats(-6, 2), light=st.floats(0, 0.2))
@settings(deadline=None, max_examples=30)
def test_exposure_is_a_power_of_two(stops: float, light: float) -> None:
    rendered = render([{"step": "exposure", "stops": stops}], grey(light))
    assert rendered[0, 0, 0] == pytest.approx(min(light * 2.0**stops, 1.0), rel=1e-6, abs=1e-9)


@given(weights=st.tuples(*[st.floats(-2, 3)] * 3).filter(lambda w: sum(w) > 0.1), light=st.floats(0, 1))
@settings(deadline=None, max_examples=50)
def test_monochrome_keeps_a_neutral_and_gives_three_equal_channels(
    weights: tuple[float, float, float], light: float
) -> None:
    step = {"step": "monochrome", **dict(zip(("red", "green", "blue"), weights, strict=True))}
    image = grey(light, light)
    image[0, 1] = [light, 0.5, 0.2]
    rendered = render([step], image)
    assert rendered[0, 0, 0] == pytest.approx(light, abs=5e-5)
    assert np.array_equal(rendered[..., 0], rendered[..., 1])
    assert np.array_equal(rendered[..., 0], rendered[..., 2])
    by_hand = np.clip(np.dot(np.array(weights) / sum(weights), image[0, 1].astype(np.float64)), 0, 1)
    assert rendered[0, 1, 0] == pytest.approx(by_hand, abs=5e-5)


def test_toning_gives_the_chroma_that_was_asked_for() -> None:
    step = {"step": "toning", "shadows": [2.0, 6.0], "lights": [4.0, 12.0]}
    lab = to_lab(render([step], grey(tone_range.lightness_to_luminance(50.0))))[0, 0]
    assert lab == pytest.approx([50.0, 3.0, 9.0], abs=2e-3)


def test_a_look_without_a_curve_ends_within_range_and_leaves_its_input_alone() -> None:
    image = grey(-0.5, 0.5, 7.0)
    before = image.copy()
    rendered = render([{"step": "exposure", "stops": 1.0}], image)
    assert rendered[0, :, 0].tolist() == [0.0, 1.0, 1.0]
    assert rendered.dtype == np.float32
    assert np.array_equal(image, before)


def test_toning_by_two_colours_is_toning_by_two_points() -> None:
    image = grey(*np.linspace(0, 1, 20))
    by_colours = render([{"step": "toning", "shadows": [2.0, 6.0], "lights": [4.0, 12.0]}], image)
    by_points = render([{"step": "toning", "points": [[0, 2.0, 6.0], [100, 4.0, 12.0]]}], image)
    assert np.array_equal(by_colours, by_points)


MONOCHROME = {"step": "monochrome", "filter": "yellow"}
NO_GRADE = {"slope": [1.0] * 3, "offset": [0.0] * 3, "power": [1.0] * 3, "saturation": 1.0, "style": "clamp"}
GRADE = {"step": "cdl", "space": "sRGB", **NO_GRADE}
TONING = {"step": "toning", "points": [[0, 0.0, 5.0], [100, 0.0, 5.0]]}


def table_of(change: Callable[[NDArray[np.float32]], NDArray[np.float32]], size: int = 17) -> dict[str, Any]:
    """A `cube` step whose table is a function of colours, red fastest."""
    side = np.linspace(0, 1, size, dtype=np.float32)
    blue, green, red = np.meshgrid(side, side, side, indexing="ij")
    table = change(np.stack([red, green, blue], axis=-1))
    packed = pack_table(Cube("", "3D", size, (0.0, 0.0, 0.0), (1.0, 1.0, 1.0), table))
    return {"step": "cube", "space": "sRGB", "interpolation": "tetrahedral", "table": packed}


@pytest.mark.parametrize("colour", [TONING, GRADE, table_of(np.positive)], ids=["toning", "cdl", "cube"])
def test_is_monochrome_asks_the_last_step_that_gives_or_takes_colour(colour: dict[str, Any]) -> None:
    assert look.is_monochrome(of_steps(MONOCHROME))
    assert not look.is_monochrome(of_steps(MONOCHROME, colour))
    assert look.is_monochrome(of_steps(colour, MONOCHROME))
    assert look.is_monochrome(of_steps(MONOCHROME, colour, MONOCHROME))
    assert not look.is_monochrome(of_steps(colour))
    assert look.PreparedLook(of_steps(MONOCHROME), width=4, height=4, seed=1).channels == 1
    assert look.PreparedLook(of_steps(MONOCHROME, colour), width=4, height=4, seed=1).channels == 3


# The table of densities that CIE lightness and 8-bit sRGB codes are printed beside.
@pytest.mark.parametrize(
    ("density", "lightness_of_it", "code"), [(1.50, 20.682, 49.77), (2.00, 8.991, 25.46), (2.40, 3.596, 12.88)]
)
def test_a_black_point_by_density_is_the_printed_black(density: float, lightness_of_it: float, code: float) -> None:
    rendered = render([{"step": "black_point", "density": density}], grey(0.0, 1.0))
    assert lightness(rendered)[0] == pytest.approx([lightness_of_it, 100.0], abs=1e-3)
    assert icc_profile.encode(rendered, "sRGB")[0, 0, 1] * 255 == pytest.approx(code, abs=0.01)


def test_a_white_point_by_density_keeps_black() -> None:
    rendered = render([{"step": "white_point", "density": 0.05}], grey(0.0, 1.0, 5.0))
    assert rendered[0, :, 0] == pytest.approx([0.0, 0.891251, 0.891251], abs=TOLERANCE)


def test_a_filter_darkens_blue_and_keeps_grey() -> None:
    sky = np.array([[[0.2, 0.3, 0.7], [0.3, 0.3, 0.3]]], np.float32)
    plain, red = (render([{"step": "monochrome", "filter": name}], sky)[0, :, 0] for name in ("none", "red"))
    assert red[0] < plain[0] / 2
    assert [plain[1], red[1]] == pytest.approx([0.3, 0.3], abs=1e-6)


BURN = {"step": "burn_in", "stops": 1.0, "outside": False, "feather_percent": 5.0}
MIDDLE = {"shape": "rectangle", "x": 30, "y": 30, "width": 40, "height": 40}


def test_burning_in_darkens_the_region_and_holding_back_lightens_it() -> None:
    image = np.full((80, 120, 3), 0.2, np.float32)
    burnt = render([{**BURN, "region": MIDDLE}], image)
    assert burnt[40, 60] == pytest.approx([0.1] * 3, rel=1e-3)
    assert burnt[5, 5] == pytest.approx([0.2] * 3, rel=1e-3)
    corners = render([{**BURN, "region": MIDDLE, "outside": True}], image)
    assert corners[40, 60] == pytest.approx([0.2] * 3, rel=1e-3)
    assert corners[5, 5] == pytest.approx([0.1] * 3, rel=1e-3)
    held = render([{**BURN, "step": "hold_back", "region": MIDDLE}], image)
    assert held[40, 60] == pytest.approx([0.4] * 3, rel=1e-3)


def test_a_cdl_grades_the_encoded_picture() -> None:
    """0.18 -> 0.138714 by slope 1.2, offset -0.05, power 1.1 (OpenColorIO 2.6)."""
    step = {**GRADE, "slope": [1.2] * 3, "offset": [-0.05] * 3, "power": [1.1] * 3}
    light = icc_profile.decode(np.full((1, 1, 3), 0.18, np.float32), "sRGB")
    assert icc_profile.encode(render([step], light), "sRGB")[0, 0] == pytest.approx([0.138714] * 3, abs=2e-6)


@pytest.mark.parametrize("step", [GRADE, table_of(np.positive)], ids=["cdl", "cube"])
@pytest.mark.parametrize("space", ["sRGB", "Adobe RGB (1998)", "ROMM RGB"])
def test_a_grade_that_changes_nothing_changes_nothing(step: dict[str, Any], space: str) -> None:
    light = icc_profile.decode(np.random.default_rng(2).random((4, 9, 3), np.float32), space)
    assert render([{**step, "space": space}], light) == pytest.approx(light, abs=4e-6)


def test_a_table_exchanges_what_it_says() -> None:
    light = icc_profile.decode(np.array([[[0.25, 0.5, 0.75]]], np.float32), "sRGB")
    swapped = render([table_of(lambda colours: colours[..., ::-1])], light)
    assert icc_profile.encode(swapped, "sRGB")[0, 0] == pytest.approx([0.75, 0.5, 0.25], abs=1e-5)


def test_after_a_grade_black_and_white_are_the_displays() -> None:
    darker = {**GRADE, "slope": [0.5] * 3}
    steps = [{"step": "black_point", "density": 1.5}, darker, {"step": "black_point", "density": 2.0}]
    rendered = render(steps, grey(0.0))
    black = np.full((1, 1, 3), 10**-1.5, np.float32)
    graded = icc_profile.decode(icc_profile.encode(black, "sRGB") * np.float32(0.5), "sRGB")[0, 0, 1]
    assert rendered[0, 0, 1] == pytest.approx(0.01 + 0.99 * graded, abs=1e-5)


EVERY_STEP: list[dict[str, Any]] = [
    {"step": "exposure", "stops": 0.5},
    {**BURN, "region": {"shape": "ellipse", "x": -20, "y": 10, "width": 80, "height": 60}, "feather_percent": 15.0},
    MONOCHROME,
    {"step": "tone_curve", "points": [[-6, -8], [0, 0.1], [2, 2.0], [3, 2.4]]},
    {"step": "white_point", "density": 0.05},
    {"step": "black_point", "density": 1.8},
    {**GRADE, "power": [1.1, 1.0, 0.9]},
    table_of(np.sqrt),
    TONING,
    {"step": "grain", "granularity": 17, "format_long_side_mm": 8, "clump_um": 40},
]


@given(cuts=st.lists(st.integers(1, 199), max_size=8), seed=st.integers(0, 2**32 - 1), order=st.randoms())
@settings(deadline=None, max_examples=12)
def test_bands_in_any_order_on_several_threads_are_the_whole_picture(cuts: list[int], seed: int, order: Random) -> None:
    linear = np.random.default_rng(1).random((200, 130, 3), np.float32)
    whole = look.apply(of_steps(*EVERY_STEP), linear, seed=seed)
    prepared = look.PreparedLook(of_steps(*EVERY_STEP), width=130, height=200, seed=seed)
    edges = sorted({0, 200, *cuts})
    bands = list(pairwise(edges))
    order.shuffle(bands)
    banded = np.empty_like(whole)
    with ThreadPoolExecutor(3) as threads:
        rendered = threads.map(lambda band: prepared.rows(linear[band[0] : band[1]], band[0]), bands)
        for (top, bottom), rows in zip(bands, rendered, strict=True):
            banded[top:bottom] = rows
    assert np.array_equal(banded, whole)


def test_every_step_is_valid_by_the_schema() -> None:
    schema = json.loads((ROOT / "schemas" / "look.schema.json").read_text("utf-8"))
    older: list[dict[str, Any]] = [
        {"step": "monochrome", "red": 0.4, "green": 0.5, "blue": 0.1},
        {"step": "monochrome", "red": 0.4, "green": 0.5, "blue": 0.1, "primaries": "sRGB"},
        {"step": "black_point", "lightness": 9},
        {"step": "white_point", "lightness": 97},
        {"step": "toning", "shadows": [0, 5], "lights": [0, 8]},
        {**BURN, "step": "hold_back", "region": {"shape": "polygon", "points": [[0, 0], [50, 120], [-10, 90]]}},
    ]
    assert list(Draft202012Validator(schema).iter_errors(of_steps(*EVERY_STEP, *older))) == []


@pytest.mark.parametrize(
    "step",
    [
        {"step": "black_point", "lightness": 9, "density": 2.0},
        {"step": "black_point"},
        {"step": "monochrome", "filter": "yellow", "red": 1},
        {"step": "monochrome", "filter": "blue"},
        {"step": "toning", "points": [[0, 1, 1]]},
        {"step": "toning", "points": [[0, 1, 1], [100, 1, 1]], "lights": [0, 1]},
        {**BURN, "region": {**MIDDLE, "width": 0}},
        {**BURN, "region": MIDDLE, "feather_percent": 0},
        {**GRADE, "power": [0, 1, 1]},
    ],
)
def test_what_says_a_thing_twice_or_not_at_all_is_not_valid(step: dict[str, Any]) -> None:
    schema = json.loads((ROOT / "schemas" / "look.schema.json").read_text("utf-8"))
    assert list(Draft202012Validator(schema).iter_errors(of_steps(step)))


@pytest.mark.parametrize(
    ("steps", "place"),
    [
        ([{"step": "monochrome", "red": 1.0, "green": -1.0, "blue": 0.0}], "steps[1]"),
        ([{"step": "exposure", "stops": 0}, {"step": "tone_curve", "points": [[0, 1], [1, 0]]}], "steps[2]"),
        ([{"step": "tone_curve", "points": [[0, 1], [0, 1]]}], "steps[1]"),
        ([{"step": "black_point", "lightness": 50}, {"step": "white_point", "lightness": 50}], "steps[2]"),
        (
            [
                {"step": "white_point", "density": 0.7},
                {"step": "black_point", "lightness": 50},
                {"step": "white_point", "lightness": 50},
            ],
            "steps[3]",
        ),
        ([{"step": "toning", "points": [[50, 1, 1], [50, 2, 2]]}], "steps[1]"),
        (
            [
                {"step": "grain", "granularity": 1, "format_long_side_mm": 36, "clump_um": 0},
                {"step": "exposure", "stops": 1},
            ],
            "steps[1]",
        ),
    ],
)
def test_what_the_schema_cannot_say_is_refused_with_its_place(steps: list[dict[str, Any]], place: str) -> None:
    with pytest.raises(DocumentError) as caught:
        render(steps, grey(0.5))
    assert (caught.value.code, caught.value.place) == ("D002", place)


@pytest.mark.parametrize("bad", [np.zeros((2, 2), np.float32), np.full((2, 2, 3), np.nan, np.float32)])
def test_what_is_no_picture_is_refused(bad: FloatImage) -> None:
    with pytest.raises(FrameError) as caught:
        render([{"step": "exposure", "stops": 0}], bad)
    assert caught.value.code == "P002"


EVERYWHERE = {"shape": "rectangle", "x": -100, "y": -100, "width": 300, "height": 300}
HOLD = {**BURN, "step": "hold_back", "stops": 6, "region": EVERYWHERE}


@pytest.mark.parametrize(
    "steps",
    [
        [{"step": "exposure", "stops": 10}] * 14 + [{"step": "monochrome", "filter": "orange"}],
        [HOLD] * 31 + [{"step": "monochrome", "filter": "red"}],
        [
            {"step": "white_point", "lightness": 50},
            {"step": "black_point", "lightness": 49.99999999},
            {"step": "white_point", "lightness": 100},
            {"step": "monochrome", "red": 3, "green": -2, "blue": -0.99},
        ]
        * 8,
    ],
    ids=["exposure", "region", "range"],
)
@pytest.mark.parametrize("brightest", [1.0, 3e38])
def test_no_numbers_of_a_look_make_a_good_picture_one_that_is_none(
    steps: list[dict[str, Any]], brightest: float
) -> None:
    check_document(of_steps(*steps), "look", label="look test")
    image = np.linspace(0, brightest, 8 * 12 * 3, dtype=np.float32).reshape(8, 12, 3)
    rendered = render(steps, image)
    assert np.all((rendered >= 0) & (rendered <= 1)), "neither NaN nor infinite"


WILD_STEPS = st.sampled_from(
    [
        {"step": "exposure", "stops": 10},
        {"step": "exposure", "stops": -10},
        HOLD,
        {**BURN, "stops": 6, "region": EVERYWHERE},
        *({"step": "monochrome", "filter": name} for name in ("orange", "red")),
        {"step": "monochrome", "red": 3, "green": -2, "blue": -0.99, "primaries": "sRGB"},
        {"step": "tone_curve", "points": [[-16, -16], [-15.999, 2.48]]},
        {"step": "white_point", "lightness": 100},
        {"step": "white_point", "density": 0.7299999},
        {"step": "toning", "points": [[0, -60.0, 60.0], [100, 60.0, -60.0]]},
        {**GRADE, "slope": [100.0] * 3, "offset": [-100.0, 0, 100.0], "power": [1e-9, 1, 100.0], "style": "no clamp"},
    ]
)


@given(runs=st.lists(st.tuples(WILD_STEPS, st.integers(1, 30)), min_size=1, max_size=8))
@settings(deadline=None, max_examples=40)
def test_whatever_the_steps_light_stays_a_number(runs: list[tuple[dict[str, Any], int]]) -> None:
    steps = [step for step, times in runs for _ in range(times)][:32]
    rendered = render(steps, np.random.default_rng(1).random((2, 5, 3), np.float32) * np.float32(8))
    assert np.all((rendered >= 0) & (rendered <= 1))


def test_a_table_that_is_none_is_refused_with_its_place() -> None:
    step = table_of(np.positive)
    step["table"] = {**step["table"], "size": 16}
    with pytest.raises(DocumentError) as caught:
        render([{"step": "exposure", "stops": 0}, step], grey(0.5))
    assert caught.value.code == "D002"
    assert str(caught.value).startswith("look test, steps[2].table, at values: ")
