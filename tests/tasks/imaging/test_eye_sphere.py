"""Lamps mirrored in an eye: the law of reflection, and the drawn eye against the closed form."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.eye_sphere import (
    CORNEA_MM,
    IRIS_MM,
    MIRRORED,
    DrawnEye,
    Vector,
    clock_of,
    draw_eye,
    hours_apart,
    light_place,
    mirror_place,
    predicted,
    reflection,
)
from glassine.tasks.imaging.simulated_set import FACE_HEIGHT_M, Light

directions = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: math.hypot(*v) > 0.1)
distances = st.floats(1.05, 500.0)


def unit(vector: Vector) -> Vector:
    return vector / np.linalg.norm(vector)


def lamp(bearing: float, height_m: float, distance_m: float, size_m: float = 0.4, shape: str = "round") -> Light:
    return Light("lamp", bearing, height_m, distance_m, size_m, 0.0, "", "", shape)


@given(directions, distances, directions, distances, directions, st.floats(0.001, 10.0))
def test_light_is_mirrored_by_the_law_of_reflection(
    camera: tuple[float, ...],
    camera_far: float,
    light: tuple[float, ...],
    light_far: float,
    centre: tuple[float, ...],
    radius: float,
) -> None:
    """Equal angles to the normal on both sides, all in one plane, on the sphere, facing both; within 1e-9 radians."""
    middle = np.array(centre)
    eye = middle + radius * camera_far * unit(np.array(camera))
    source = middle + radius * light_far * unit(np.array(light))
    met = mirror_place(eye, source, middle, radius)
    between = math.acos(float(np.clip(unit(eye - middle) @ unit(source - middle), -1, 1)))
    horizon = math.acos(1 / camera_far) + math.acos(1 / light_far)
    if abs(between - horizon) < 1e-6:
        return
    assert (met is not None) == (between < horizon)
    if met is None:
        return
    normal = unit(met - middle)
    assert np.linalg.norm(met - middle) == pytest.approx(radius, rel=1e-12)
    seen, lit = unit(eye - met), unit(source - met)
    assert seen @ normal > -1e-9
    assert np.linalg.norm(2 * (seen @ normal) * normal - seen - lit) < 1e-9 * max(
        1.0, 1 / (camera_far - 1), 1 / (light_far - 1)
    )


@given(st.floats(-80, 80), st.floats(-60, 60), st.floats(0.3, 5.0))
def test_the_way_by_the_mirrored_point_is_the_shortest(bearing: float, rise: float, distance: float) -> None:
    """Fermat's principle, on the outside of a sphere: every point beside it makes the way longer."""
    b, r = math.radians(bearing), math.radians(rise)
    source = distance * np.array([math.cos(r) * math.sin(b), math.sin(r), math.cos(r) * math.cos(b)])
    eye, middle, radius = np.array([0, 0, 2.0]), np.zeros(3), 0.1
    met = mirror_place(eye, source, middle, radius)
    assert met is not None

    def way(place: Vector) -> float:
        return float(np.linalg.norm(eye - place) + np.linalg.norm(source - place))

    for step in np.eye(3):
        for sign in (-1e-3, 1e-3):
            assert way(radius * unit(met + sign * radius * step)) >= way(met) - 1e-15


def test_from_far_away_the_normal_halves_the_angle() -> None:
    met = mirror_place(np.array([0, 0, 1e9]), np.array([1e9, 0, 0]), np.zeros(3), 1.0)
    assert met is not None
    assert met == pytest.approx([math.sqrt(0.5), 0, math.sqrt(0.5)], abs=1e-8)


def test_a_light_in_line_with_the_camera_is_in_the_middle_or_hidden() -> None:
    eye = np.array([0, 0, 2.0])
    assert mirror_place(eye, np.array([0, 0, 5.0]), np.zeros(3), 1.0) == pytest.approx([0, 0, 1])
    assert mirror_place(eye, np.array([0, 0, -5.0]), np.zeros(3), 1.0) is None
    with pytest.raises(CallError, match="within the eye"):
        mirror_place(eye, np.array([0, 0, 0.5]), np.zeros(3), 1.0)


def test_hours_are_those_of_a_clock() -> None:
    assert [clock_of(*place) for place in ((0, 1), (1, 0), (0, -1), (-1, 0))] == [0.0, 3.0, 6.0, 9.0]
    assert clock_of(-1, math.sqrt(3)) == pytest.approx(11)
    assert hours_apart(11.75, 0.25) == 0.5
    assert hours_apart(3, 9) == 6


def test_the_place_in_the_iris_follows_half_the_angle() -> None:
    """Far camera and lamp: a lamp at an angle a off the lens lies at the cornea's radius times sin(a / 2)."""
    for angle in (10.0, 40.0, 80.0):
        met = reflection("", light_place(-angle, FACE_HEIGHT_M, 1000.0), camera_m=1000.0)
        assert met is not None
        assert met.radius == pytest.approx(CORNEA_MM / IRIS_MM * math.sin(math.radians(angle / 2)), abs=1e-4)
        assert met.clock == pytest.approx(9.0)


def test_a_camera_at_another_distance_moves_nothing_much() -> None:
    """As `CAMERA_M` says of itself."""
    for bearing in (-70.0, -20.0, 45.0):
        met = [reflection("", light_place(bearing, 1.9, 1.5), camera_m=far) for far in (1.0, 2.0, 10.0)]
        for one, other in pairwise(met):
            assert one is not None
            assert other is not None
            assert math.hypot(one.right - other.right, one.up - other.up) < 0.005


def test_a_light_from_behind_gives_no_catchlight() -> None:
    """Common practice: from 45 degrees behind the sitter (135 from the camera), whichever side or height."""
    for bearing in (135.0, -135.0, 180.0):
        for height in (0.3, 1.35, 2.6):
            assert reflection("", light_place(bearing, height, 1.8)) is None


def test_two_lights_before_the_sitter_give_two_in_each_eye() -> None:
    """Common practice. Eyes lie 6.4 cm apart (from memory), which moves neither light by half an hour."""
    lights = [
        {"name": "main", "azimuth_degrees": -45, "height_m": 2.0, "distance_m": 1.5},
        {"name": "fill", "azimuth_degrees": 40, "height_m": 1.5, "distance_m": 2.2},
        {"name": "rim", "azimuth_degrees": 135, "height_m": 2.0, "distance_m": 1.8},
    ]
    found = predicted(lights)
    assert [one.name for one in found] == ["main", "fill"]
    assert 10 < found[0].clock < 11
    assert 2 < found[1].clock < 3
    for aside in (-0.032, 0.032):
        for one, light in zip(found, lights, strict=False):
            place = light_place(light["azimuth_degrees"], light["height_m"], light["distance_m"])  # type: ignore[arg-type]
            met = reflection("", place - np.array([aside, 0, 0]))
            assert met is not None
            assert hours_apart(met.clock, one.clock) < 0.5


@pytest.mark.parametrize(
    "light",
    [
        {"name": "main"},
        {"name": "main", "azimuth_degrees": "left", "height_m": 2, "distance_m": 1},
        {"name": "main", "azimuth_degrees": 0, "height_m": 2, "distance_m": 0},
        {"name": "main", "azimuth_degrees": math.nan, "height_m": 2, "distance_m": 1},
    ],
)
def test_a_light_without_its_numbers_is_named(light: dict[str, object]) -> None:
    with pytest.raises(CallError, match="“main” needs"):
        predicted([light])


@pytest.mark.parametrize("shape", ["round", "square"])
@pytest.mark.parametrize(
    ("bearing", "height_m", "distance_m", "gaze"),
    [(-45, 2.0, 1.5, (0, 0)), (60, 1.2, 2.5, (0, 0)), (5, 2.2, 1.2, (4, -3)), (-25, 1.0, 1.0, (-6, 5))],
)
def test_a_drawn_reflection_is_where_the_closed_form_says(
    bearing: float, height_m: float, distance_m: float, gaze: tuple[float, float], shape: str
) -> None:
    """The drawing goes the other way, from each pixel to what it mirrors."""
    light = lamp(bearing, height_m, distance_m, 0.3, shape)
    eye = DrawnEye((light,), lid_above=1.2, lid_below=1.2, gaze_degrees=gaze)
    dark = replace(eye, lamps=(replace(light, fired=False),))
    # Three stops under, so that nothing is clipped.
    with_lamp, without = (draw_eye(one, 100.0, stops=-3.0) for one in (eye, dark))
    glow = (with_lamp - without)[..., 1].astype(np.float64)
    rows, columns = np.indices(glow.shape)
    middle = (glow.shape[0] - 1) / 2
    right, up = (columns * glow).sum() / glow.sum() - middle, middle - (rows * glow).sum() / glow.sum()
    met = eye.shown(light)
    assert met is not None
    assert (right / 50, up / 50) == pytest.approx((met.right, met.up), abs=0.012)
    # As large as it says: a square of side 2 s has the area of a disc of radius 1.128 s.
    reach = math.sqrt(float((glow > glow.max() / 2).sum()) / math.pi) / 50
    assert reach == pytest.approx(met.size * (2 / math.sqrt(math.pi) if shape == "square" else 1), rel=0.12)


def test_a_drawn_reflection_is_as_light_as_fresnel_says() -> None:
    light = lamp(-30, 1.9, 1.6, 0.5)
    eye = DrawnEye((light,), room=0.0)
    met = eye.shown(light)
    assert met is not None
    picture = draw_eye(eye, 60.0, stops=-2.0)
    place = (picture.shape[0] // 2 - round(met.up * 30), picture.shape[1] // 2 + round(met.right * 30))
    over = picture[place] * 4 - np.array(eye.iris)
    assert over == pytest.approx(MIRRORED / math.sin(light.angular_radius) ** 2, rel=0.06)
    tone = 0.2880 * eye.iris[0] + 0.7119 * eye.iris[1] + 0.0001 * eye.iris[2]
    assert eye.strength(light) == pytest.approx(MIRRORED / math.sin(light.angular_radius) ** 2 / tone)
    assert eye.strength(light, 100.0) < 0.01 * eye.strength(light)
    assert eye.strength(lamp(150, 1.9, 1.6)) == 0


def test_lids_cover_a_reflection() -> None:
    light = lamp(0, 2.6, 1.3)
    assert DrawnEye((light,), lid_above=1.0).shown(light) is not None
    assert DrawnEye((light,), lid_above=0.2).shown(light) is None
    fill = lamp(0, 0.2, 1.3)
    assert DrawnEye((fill,), lid_below=1.0).shown(fill) is not None
    assert DrawnEye((fill,), lid_below=0.2).shown(fill) is None
    unfired = replace(light, fired=False)
    assert DrawnEye((unfired,)).shown(unfired) is None


def test_the_same_eye_is_drawn_the_same() -> None:
    eye = DrawnEye((lamp(-45, 2.0, 1.5),), seed=3)
    one, other = (draw_eye(eye, 33.3, off=(0.2, -0.4), noise=0.03, noise_seed=5) for _ in range(2))
    assert one.tobytes() == other.tobytes()
    assert one.dtype == np.float32
    assert one.shape == (2 * round(1.15 * 33.3) + 1,) * 2 + (3,)
    assert one.min() >= 0
    assert one.max() <= 1
    assert not np.array_equal(one, draw_eye(eye, 33.3, off=(0.2, -0.4), noise=0.03, noise_seed=6))
