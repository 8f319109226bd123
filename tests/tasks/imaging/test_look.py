"""Looks against CIE lightness, and the properties that each step promises."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from glassine.schemas.errors import DocumentError, FrameError
from glassine.tasks.imaging import look
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.icc_profile import lightness, luminance, to_lab

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


@pytest.mark.parametrize("path", LOOKS, ids=lambda path: path.stem)
def test_the_studios_looks_rise_from_black_to_white(path: Path) -> None:
    document = json.loads(path.read_text("utf-8"))
    document["steps"] = [step for step in document["steps"] if step["step"] != "grain"]
    ramp = grey(0.0, *(0.18 * 2.0 ** np.arange(-9, 2.5, 0.5)), 1.0)
    rendered = look.apply(document, ramp, seed=1)[0, :, 1]
    assert np.all(np.diff(rendered) >= 0)
    assert rendered[0] < 0.012, "black is no lighter than L* 10"
    assert rendered[-1] > 0.85
    assert 0.14 < rendered[19] < 0.24, "18 % grey stays a middle tone"


def test_the_four_looks_are_there() -> None:
    assert [path.stem for path in LOOKS] == ["hard-mono", "lifted-mono", "plain-colour", "soft-mono"]


# CIE 15 (L* = 116 f(Y) - 16), the values as in ISO/CIE 11664-4, computed by colour-science 0.4.7.
@pytest.mark.parametrize(
    ("y", "expected"),
    [(1.0, 100.0), (0.5, 76.069261), (0.18, 49.496108), (0.1, 37.842430), (0.01, 8.991442), (0.001, 0.903296)],
)
def test_lightness_to_luminance_is_the_inverse_of_cie_lightness(y: float, expected: float) -> None:
    assert look.lightness_to_luminance(expected) == pytest.approx(y, rel=1e-6)


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
    low, high = look.lightness_to_luminance(9.0), look.lightness_to_luminance(96.0)
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


points = st.lists(
    st.tuples(st.floats(-12, 6).map(lambda v: round(v, 2)), st.floats(-14, 2.4)), min_size=2, max_size=8,
    unique_by=lambda point: point[0],
).map(lambda drawn: [list(p) for p in zip(sorted(p[0] for p in drawn), sorted(p[1] for p in drawn), strict=True)])  # fmt: skip


@given(points=points)
@settings(deadline=None, max_examples=40)
def test_a_tone_curve_rises_and_goes_through_its_points(points: list[list[float]]) -> None:
    step = {"step": "tone_curve", "points": points}
    ramp = 0.18 * 2.0 ** np.linspace(-20, 8, 400)
    rendered = render([step], grey(*ramp))[0, :, 0]
    assert np.all(np.diff(rendered) >= -1e-7)
    stops_in = np.array([point[0] for point in points])
    through = look.bend_stops(stops_in, points)
    assert through == pytest.approx([point[1] for point in points], abs=1e-6)
    at_points = render([step], grey(*(0.18 * 2.0**stops_in)))[0, :, 0]
    # The ramp's float32 light is known to about 1e-7 of itself, which a steep curve magnifies.
    steepest = max((b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(points))
    assert at_points == pytest.approx(np.minimum(0.18 * 2.0**through, 1.0), rel=max(1e-4, 1e-6 * steepest))


def test_a_straight_curve_of_two_points_is_its_own_line_and_goes_on_outside() -> None:
    points = [[-1.0, -1.5], [1.0, 1.5]]
    stops = np.array([-10.0, -1.0, 0.0, 0.5, 1.0, 3.0])
    assert look.bend_stops(stops, points) == pytest.approx(stops * 1.5, abs=1e-12)
    step = {"step": "tone_curve", "points": [[-16.0, -16.0], [2.0, 2.0]]}
    light = grey(0.0, 1e-5, 0.001, 0.18, 0.5, 1.0)
    assert render([step], light) == pytest.approx(light, abs=TOLERANCE)


@given(
    shadows=st.tuples(st.floats(-60, 60), st.floats(-60, 60)),
    lights=st.tuples(st.floats(-60, 60), st.floats(-60, 60)),
)
@settings(deadline=None, max_examples=40)
def test_toning_keeps_luminance_and_stays_in_gamut(shadows: tuple[float, float], lights: tuple[float, float]) -> None:
    step = {"step": "toning", "shadows": list(shadows), "lights": list(lights)}
    light = np.linspace(0, 1, 41)
    image = grey(*light)
    image[0, 20] = [0.9, 0.1, 0.4]
    rendered = render([step], image)
    assert luminance(rendered) == pytest.approx(luminance(image), abs=1e-5)
    assert rendered.min() >= 0
    assert rendered.max() <= 1


def test_toning_gives_the_chroma_that_was_asked_for() -> None:
    step = {"step": "toning", "shadows": [2.0, 6.0], "lights": [4.0, 12.0]}
    lab = to_lab(render([step], grey(look.lightness_to_luminance(50.0))))[0, 0]
    assert lab == pytest.approx([50.0, 3.0, 9.0], abs=2e-3)


def test_a_look_without_a_curve_ends_within_range_and_leaves_its_input_alone() -> None:
    image = grey(-0.5, 0.5, 7.0)
    before = image.copy()
    rendered = render([{"step": "exposure", "stops": 1.0}], image)
    assert rendered[0, :, 0].tolist() == [0.0, 1.0, 1.0]
    assert rendered.dtype == np.float32
    assert np.array_equal(image, before)


def test_is_monochrome_knows_toning() -> None:
    mono = {"step": "monochrome", "red": 1.0, "green": 1.0, "blue": 1.0}
    toning = {"step": "toning", "shadows": [0.0, 5.0], "lights": [0.0, 5.0]}
    assert look.is_monochrome(of_steps(mono))
    assert not look.is_monochrome(of_steps(mono, toning))
    assert look.is_monochrome(of_steps(toning, mono))
    assert not look.is_monochrome(of_steps(toning))


@pytest.mark.parametrize(
    ("steps", "place"),
    [
        ([{"step": "monochrome", "red": 1.0, "green": -1.0, "blue": 0.0}], "steps/0"),
        ([{"step": "exposure", "stops": 0}, {"step": "tone_curve", "points": [[0, 1], [1, 0]]}], "steps/1"),
        ([{"step": "tone_curve", "points": [[0, 1], [0, 1]]}], "steps/0"),
        ([{"step": "black_point", "lightness": 50}, {"step": "white_point", "lightness": 50}], "steps/1"),
        (
            [
                {"step": "grain", "granularity": 1, "format_long_side_mm": 36, "clump_um": 0},
                {"step": "exposure", "stops": 1},
            ],
            "steps/0",
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
