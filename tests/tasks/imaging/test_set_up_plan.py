"""A set-up in numbers: places on the floor, ratios, what the camera sees, and what is not known."""

from __future__ import annotations

import json
import math
from importlib.resources import files
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.errors import DocumentError
from glassine.schemas.validation import check_document
from glassine.tasks.imaging.eye_sphere import light_place
from glassine.tasks.imaging.set_up_plan import PlacedLight, plan_set_up
from glassine.tasks.imaging.simulated_plan import SET_UPS, SetUp
from glassine.tasks.imaging.simulated_set import HEAD_M

SHEET: dict[str, Any] = json.loads((files("glassine.config") / "job_sheet.example.json").read_text("utf-8"))
BENCH: dict[str, Any] = SHEET["set_ups"][0]


def light(name: str = "main", **fields: Any) -> dict[str, Any]:
    return {"name": name, "height_m": 1.35, "distance_m": 2.0, "azimuth_degrees": 0, "power": "full", **fields}


def placed(*lights: dict[str, Any], **fields: Any) -> tuple[PlacedLight, ...]:
    return plan_set_up({"name": "a", "lights": list(lights), **fields}).lights


def test_the_set_up_that_comes_along_leaves_nothing_open() -> None:
    plan = plan_set_up(BENCH)
    assert plan.unknown == plan.warnings == ()
    assert [one.azimuth_degrees for one in plan.lights] == [-45, 20, 145]
    assert plan.main is plan.lights[0]
    # Power and distance: the fill has 3 stops less power and stands 1.30 stops further off.
    assert plan.against_main(plan.lights[1]) == pytest.approx(-3 - 2 * math.log2(2.2 / 1.4))
    assert plan.ratios[0] == ("main to fill: 4.3 stops, 20:1; where both light the face, 21:1 to the fill alone.")
    assert "a meter decides" in plan.ratios[2]
    assert plan.estimates == (
        "rim: a 20° grid lights a spot about 0.63 m wide at 1.80 m (an estimate: the full angle, soft borders).",
    )
    facts = dict(plan.facts)
    assert facts["Exposure"] == "1/160 s, f/8, ISO 100: EV 13.32, at ISO 100 EV 13.32"
    assert facts["Lens"] == "85 mm; sees 16.1° × 23.9° (width × height)"


@pytest.mark.parametrize("plan", SET_UPS, ids=lambda plan: plan.name)
def test_the_simulated_studio_is_planned_as_it_was_lit(plan: SetUp) -> None:
    read = plan_set_up(plan.for_job_sheet())
    for lamp, one in zip(plan.lighting.lamps, read.lights, strict=True):
        assert one.floor is not None
        right, _, ahead = lamp.towards * lamp.distance_m
        assert one.floor == pytest.approx((right, ahead), abs=0.03)
        assert one.on_background == lamp.on_backdrop
        assert one.metered
    assert read.main is not None
    assert read.main.name == "main"
    assert read.background_m == plan.lighting.backdrop_m
    assert read.background_m > HEAD_M


def test_ratios_of_the_simulated_bench() -> None:
    # main 0.1 over, fill 3.9 under the exposure: 4 stops, 16:1, 17:1.
    assert plan_set_up(SET_UPS[0].for_job_sheet()).ratios[:3] == (
        "main to fill: 4.0 stops, 16:1; where both light the face, 17:1 to the fill alone.",
        "rim: 0.9 stops over main, 1.9:1.",
        "These lights were metered.",
    )


@given(st.floats(-180, 180), st.floats(0.3, 10), st.floats(0, 4), st.floats(0.5, 2))
def test_a_light_on_the_floor_is_its_tape_seen_from_above(
    azimuth: float, distance: float, height: float, face: float
) -> None:
    (one,) = placed(light(azimuth_degrees=azimuth, distance_m=distance, height_m=height), face_height_m=face)
    if abs(height - face) > distance:
        assert one.floor is None
        return
    assert one.floor is not None
    assert math.hypot(*one.floor, height - face) == pytest.approx(distance)
    # The same place as catchlights are predicted from.
    right, _, ahead = light_place(azimuth, height, distance, face)
    assert one.floor == pytest.approx((right, ahead), abs=1e-6)


def test_left_is_camera_left_and_front_is_the_cameras_side() -> None:
    left, behind, right = placed(
        light(azimuth_degrees=-90), light(azimuth_degrees=180), light(place="camera right, 45°", azimuth_degrees=45)
    )
    assert left.floor == pytest.approx((-2, 0))
    assert behind.floor == pytest.approx((0, -2))
    assert right.floor == pytest.approx((math.sqrt(2), math.sqrt(2)))


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"place": "by the door"}, "main: its place (“by the door”) is not known as a number: give azimuth_degrees. It is not drawn."),
        ({}, "main: its place is not known as a number: give azimuth_degrees. It is not drawn."),
        ({"azimuth_degrees": 3, "distance_m": 0}, "main: its distance is not given. It is not drawn."),
        ({"azimuth_degrees": 3, "height_m": 4}, "main: it cannot be 2 m from the face at a height of 4 m. It is not drawn."),
    ],
)  # fmt: skip
def test_a_light_without_a_place_is_told_and_not_drawn(fields: dict[str, Any], words: str) -> None:
    plan = plan_set_up({"name": "a", "lights": [{"name": "main", "distance_m": 2.0, **fields}]})
    assert plan.lights[0].floor is None
    assert words in plan.unknown


def test_a_light_without_a_height_is_drawn_level_and_that_is_told() -> None:
    plan = plan_set_up({"name": "a", "lights": [{"name": "main", "distance_m": 2.0, "place": "by the lens"}]})
    assert plan.lights[0].floor == pytest.approx((0, 2))
    assert "main: its height is not given; it is drawn as if level with the face." in plan.unknown


def test_what_is_not_said_of_the_camera_is_told() -> None:
    unknown = " ".join(plan_set_up({"name": "a"}).unknown)
    for words in (
        "sitter's face",
        "background",
        "How far the camera",
        "height of the lens",
        "sensor's sides and the focal length are",
    ):
        assert words in unknown
    assert "The focal length is not known" in " ".join(plan_set_up({"name": "a", "camera": "full frame"}).unknown)


def test_numbers_that_contradict_their_words_are_taken_and_told() -> None:
    plan = plan_set_up(
        {
            **BENCH,
            "f_number": 11,
            "focal_mm": 50,
            "background_m": 3,
            "lights": [light(place="camera left, 45°", azimuth_degrees=45)],
        }
    )
    assert len(plan.warnings) == 4
    assert "f_number is 11, but the words of “exposure” say 8: the number is taken." in plan.warnings
    assert "main: azimuth_degrees is 45, but its place says -45: the number is taken." in plan.warnings
    assert plan.background_m == 3
    assert "EV 14.2" in dict(plan.facts)["Exposure"]
    agreeing = {**BENCH, "f_number": 8.0, "shutter_s": 0.00625, "iso": 100, "focal_mm": 85, "background_m": 2.5}
    assert plan_set_up(agreeing).warnings == ()


def test_a_time_that_is_too_short_for_the_strobes_is_told() -> None:
    (warning,) = plan_set_up({**BENCH, "sync_s": 1 / 125}).warnings
    assert warning.startswith("1/160 s is faster than the sync speed of 1/125 s")


def test_what_the_camera_sees() -> None:
    # Common practice: 65 mm on 36 x 24 mm sees 31.0 x 20.9 degrees.
    fields = {"name": "a", "sensor_mm": [36, 24], "focal_mm": 65, "camera_m": 2.6, "background_m": 1.3}
    view = plan_set_up(fields).view
    assert view is not None
    assert (view.width_degrees, view.height_degrees) == pytest.approx((31.0, 20.9), abs=0.05)
    assert view.at_sitter_m == pytest.approx((36 / 25, 24 / 25))
    assert view.at_background_m == pytest.approx((36 / 25 * 1.5, 24 / 25 * 1.5))
    upright = plan_set_up({**fields, "camera": "upright"}).view
    assert upright is not None
    assert upright.at_sitter_m == pytest.approx((24 / 25, 36 / 25))


def test_intent_is_said_with_its_headroom() -> None:
    def intent(stops: float) -> str | None:
        return dict(plan_set_up({"name": "a", "intent_stops": stops}).facts).get("Intent")

    assert intent(1) == "1.0 stop over the meter: 18 % grey lies at 36 %, 2.0 stops below saturation (ISO 12232)"
    assert intent(-0.5) == "0.5 stops under the meter: 18 % grey lies at 13 %, 3.5 stops below saturation (ISO 12232)"
    assert intent(4) == "4.0 stops over the meter: 18 % grey is lost, beyond saturation (ISO 12232)"
    assert intent(0) is None


def test_the_main_light_is_the_one_of_that_name_else_the_brightest_before_the_sitter() -> None:
    def main(*lights: dict[str, Any]) -> str | None:
        found = plan_set_up({"name": "a", "lights": list(lights)}).main
        return None if found is None else found.name

    assert main(light("top", power="full less 1 stop"), light("side")) == "side"
    assert main(light("top", power="full less 1 stop"), light("rim", azimuth_degrees=150)) == "top"
    assert main(light("side"), light("key", power="full less 3 stops")) == "key"
    assert main(light("side"), light("top", power="1 stop under the exposure")) == "top"
    assert main(light("side", power="bright")) is None
    assert main(light("ground", aim="background")) is None


def test_metered_and_reckoned_lights_are_not_compared() -> None:
    plan = plan_set_up(
        {"name": "a", "lights": [light(power="0.5 stops over the exposure"), light("fill", power="full less 2 stops")]}
    )
    assert plan.against_main(plan.lights[1]) is None
    assert plan.ratios == ()
    assert "Power or distance of the lights is not known well enough to compare them." in plan.unknown


def test_aims() -> None:
    at_sitter, behind, elsewhere = placed(
        light(), light("ground", aim="Background", modifier="reflector, 20 cm, grid, 20°", azimuth_degrees=180), light("hair", aim="the hair, from above"),
        background_m=3.0,
    )  # fmt: skip
    assert at_sitter.aim_floor == (0, 0)
    assert behind.aim_floor == (0, -3)
    assert behind.on_background
    assert behind.stops is None
    assert elsewhere.aim == "the hair, from above"
    assert elsewhere.aim_floor is None
    plan = plan_set_up({"name": "a", "background_m": 3.0, "lights": [light("ground", aim="background", modifier="reflector, 20 cm, grid, 20°", azimuth_degrees=180)]})  # fmt: skip
    # One metre from the light to the background: 0.353 m and the reflector's own 0.2 m.
    assert "about 0.55 m wide at 1.00 m" in plan.estimates[0]


def test_fall_off_to_the_background_is_said_for_a_main_light_from_the_front() -> None:
    # Straight before the sitter at 1 m, background 1 m behind: twice the distance, two stops (CHECKS 3.3).
    plan = plan_set_up({"name": "a", "background_m": 1.0, "lights": [light(distance_m=1.0)]})
    assert plan.ratios == (
        "In the middle of the background main is 2.0 stops darker than on the face (inverse square).",
    )
    assert plan_set_up({"name": "a", "background_m": 1.0, "lights": [light(azimuth_degrees=170)]}).ratios == ()


SET_UP_FIELDS = ["background_m", "face_height_m", "camera_m", "camera_height_m", "focal_mm", "shutter_s", "f_number", "iso", "sync_s"]  # fmt: skip


@pytest.mark.parametrize("field", SET_UP_FIELDS)
@pytest.mark.parametrize("wrong", ["85 mm", -1, 1e9])
def test_numbers_of_a_set_up_are_checked(field: str, wrong: object) -> None:
    with pytest.raises(DocumentError) as refused:
        check_document({**SHEET, "set_ups": [{"name": "a", field: wrong}]}, "job_sheet", label="job.json")
    assert refused.value.code == "D002"
    assert field in str(refused.value)


@pytest.mark.parametrize(
    "set_up",
    [
        {"sensor_mm": [36]}, {"sensor_mm": [36, 24, 1]}, {"sensor_mm": [0, 24]}, {"sensor_mm": 36},
        {"lights": [{"name": "a", "azimuth_degrees": 181}]}, {"lights": [{"name": "a", "azimuth_degrees": "45°"}]},
        {"lights": [{"name": "a", "aim": 3}]},
    ],
)  # fmt: skip
def test_other_fields_are_checked(set_up: dict[str, Any]) -> None:
    with pytest.raises(DocumentError):
        check_document({**SHEET, "set_ups": [{"name": "a", **set_up}]}, "job_sheet", label="job.json")


def test_a_set_up_with_all_fields_is_right() -> None:
    set_up = {**BENCH, "sensor_mm": [36, 24], **dict.fromkeys(SET_UP_FIELDS, 1), "lights": [light(aim="the hair")]}
    check_document({**SHEET, "set_ups": [set_up]}, "job_sheet", label="job.json")
