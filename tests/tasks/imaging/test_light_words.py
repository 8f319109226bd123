"""Numbers read from a job sheet's words: what is plain is read, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.tasks.imaging.light_words import (
    Metered,
    Settings,
    is_on_background,
    is_upright,
    read_azimuth_degrees,
    read_background_m,
    read_focal_mm,
    read_metered,
    read_modifier,
    read_power_stops,
    read_sensor_mm,
    read_settings,
)
from glassine.tasks.imaging.simulated_plan import SET_UPS, SetUp


@pytest.mark.parametrize(
    ("words", "width", "height", "form", "grid"),
    [
        ("octagonal softbox, 120 cm", 1.2, 1.2, "round", None),
        ("beauty dish, 55 cm", 0.55, 0.55, "round", None),
        # 1 ft is 0.3048 m exactly; 0.305 x 1.219 m for this strip is common practice.
        ("strip, 1 x 4 ft", 0.305, 1.219, "square", None),
        ("softbox 3' × 4'", 0.914, 1.219, "square", None),
        ("softbox, 120 × 180 cm, in place of a window", 1.2, 1.8, "square", None),
        ("strip softbox with grid, 30 by 120 cm", 0.3, 1.2, "square", None),
        ("umbrella, 5 ft", 1.524, 1.524, "round", None),
        ("reflector, 7 in, grid 10 degrees", 0.178, 0.178, "round", 10),
        ("grid, 20°", None, None, "round", 20),
        ("white board, 100 × 200 cm", 1.0, 2.0, "flat", None),
        ("reflector with barn doors", None, None, "round", None),
        ("softbox, 2 x 3", None, None, "square", None),
        ("softbox, 60 × 90 cm, two layers, 1 m apart", None, None, "square", None),
        ("grid, 200°", None, None, "round", None),
        ("softbox, 0 cm", None, None, "square", None),
        ("softbox tilted by 20°", None, None, "square", None),
        ("", None, None, "square", None),
    ],
)
def test_modifiers(words: str, width: float | None, height: float | None, form: str, grid: float | None) -> None:
    read = read_modifier(words)
    assert read.width_m == (None if width is None else pytest.approx(width, abs=5e-4))
    assert read.height_m == (None if height is None else pytest.approx(height, abs=5e-4))
    assert (read.form, read.grid_degrees) == (form, grid)


@pytest.mark.parametrize(
    ("place", "azimuth"),
    [
        ("camera left, 45°", -45),
        ("Camera right, 60 degrees", 60),
        ("to camera left at 45°, high", -45),
        ("45°, camera right, just above eye level", 45),
        ("by the lens", 0),
        ("over the lens", 0),
        ("on axis, high", 0),
        ("behind the sitter", 180),
        ("straight behind", 180),
        ("behind, camera left, 150°", -150),
        ("behind, camera right, 160°, on the background", 160),
        ("camera left, 180°", 180),
    ],
)
def test_plain_places_are_read(place: str, azimuth: float) -> None:
    assert read_azimuth_degrees(place) == azimuth


@pytest.mark.parametrize(
    "place",
    [
        "", "camera left", "behind right", "behind, camera left, 45°", "camera right, by the lens", "45°", "window",
        "camera left, 45°, or right", "camera left, 45°, 60°", "camera left, camera right, 45°", "camera left, 190°",
        "camera left, about 45°", "left, 45°", "by the lens, behind", "clamped to the door, camera left, 45°",
    ],
)  # fmt: skip
def test_places_that_are_not_plain_are_not_guessed(place: str) -> None:
    assert read_azimuth_degrees(place) is None


@given(st.integers(1, 179), st.sampled_from(["left", "right"]))
def test_any_angle_comes_back(angle: int, side: str) -> None:
    behind = "behind, " if angle > 90 else ""
    assert read_azimuth_degrees(f"{behind}camera {side}, {angle}°") == (angle if side == "right" else -angle)


@pytest.mark.parametrize("plan", SET_UPS, ids=lambda plan: plan.name)
def test_the_simulated_studio_is_read_as_it_was_lit(plan: SetUp) -> None:
    for lamp in plan.lighting.lamps:
        assert read_azimuth_degrees(lamp.place) == pytest.approx(lamp.bearing_degrees, abs=0.5)
        assert is_on_background(lamp.place) == lamp.on_backdrop
        words = next(light["power"] for light in plan.for_job_sheet()["lights"] if light["name"] == lamp.name)
        read = read_metered(words)
        assert read is not None
        assert read.stops == pytest.approx(lamp.stops, abs=0.051)
        assert read.on_background == lamp.on_backdrop


@pytest.mark.parametrize(
    ("power", "stops"),
    [
        ("full", 0), ("full power", 0), ("full less 2 stops", -2), ("full less 2.5 stops", -2.5), ("full minus 1 stop", -1),
        ("Full power, less 1/3 stop.", -1 / 3), ("full less 2 1/3 stops", -7 / 3), ("full less 2½ stops", -2.5),
        ("3 stops below full", -3), ("1/4", -2), ("1/16 of full power", -4), ("half power", -1), ("quarter", -2), ("½", -1),
    ],
)  # fmt: skip
def test_power_against_full(power: str, stops: float) -> None:
    assert read_power_stops(power) == pytest.approx(stops)


@pytest.mark.parametrize(
    "power", ["", "500 J", "bright", "6.5", "full or less", "1/0", "less 2 stops", "full less some stops", "50 %"]
)
def test_other_words_for_power_are_not_guessed(power: str) -> None:
    assert read_power_stops(power) is None


def test_metered_lights() -> None:
    assert read_metered("0.3 stops over the exposure, metered at the face") == Metered(0.3, False)
    assert read_metered("1 stop under exposure") == Metered(-1, False)
    assert read_metered("0.8 stops under the exposure, metered on the background") == Metered(-0.8, True)
    assert read_metered("the exposure, metered at the sitter") == Metered(0, False)
    for words in ("full less 2 stops", "a bit over the exposure", ""):
        assert read_metered(words) is None


@pytest.mark.parametrize(
    ("words", "settings"),
    [
        ("1/160 s, f/8, ISO 100", (1 / 160, 8, 100)),
        ("f8 at 1/200 sec, iso 400", (1 / 200, 8, 400)),
        ("0.5 s f/5.6", (0.5, 5.6, None)),
        ("2 seconds", (2, None, None)),
        ("f/8 to f/11, ISO 100", (None, None, 100)),
        ("1/125 s or 1/160 s", (None, None, None)),
        ("as metered", (None, None, None)),
        ("0 s, f/0, ISO 0", (None, None, None)),
    ],
)
def test_settings(words: str, settings: tuple[float | None, float | None, float | None]) -> None:
    assert read_settings(words) == Settings(*settings)


def test_camera_lens_and_background() -> None:
    assert read_focal_mm("85 mm") == 85
    assert read_focal_mm("macro, 100mm, tilted") == 100
    assert [read_focal_mm(words) for words in ("24-70 mm", "24 mm to 70 mm", "85", "")] == [None] * 4
    # 36 x 24 mm for "full frame" is common practice.
    assert read_sensor_mm("full frame, upright") == (36, 24)
    assert read_sensor_mm("43.8 × 32.9 mm, on a stand") == (43.8, 32.9)
    assert read_sensor_mm("medium format") is None
    assert is_upright("full frame, upright")
    assert not is_upright("full frame")
    assert read_background_m("grey paper, 2.5 m behind") == 2.5
    assert read_background_m("cloth, 6 ft behind the sitter") == pytest.approx(1.829, abs=1e-3)
    assert read_background_m("grey paper, 2.7 m wide") is None


@pytest.mark.parametrize(
    "read",
    [read_modifier, read_azimuth_degrees, read_power_stops, read_metered, read_settings, read_focal_mm, read_sensor_mm, read_background_m],
)  # fmt: skip
@given(words=st.text(st.sampled_from("0123456789./ ,°x×'\"½cmftin-fullstopbehdraISO:s"), max_size=60))
def test_whatever_is_read_is_a_number_or_nothing(read: Callable[[str], object], words: str) -> None:
    found = read(words)
    values = found if isinstance(found, tuple) else (found,)
    for value in values:
        assert value is None or isinstance(value, str | bool) or math.isfinite(value)
