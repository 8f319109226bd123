"""Catchlights are counted and placed as the lamps were; where nobody could tell, it says so."""

import math
from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.catchlight import compare_eyes, read_eye
from glassine.tasks.imaging.eye_sphere import DrawnEye, Reflection, draw_eye, hours_apart, reflection
from glassine.tasks.imaging.simulated_plan import WHITE
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_set import (
    EYE_CENTRE,
    EYE_RADIUS,
    Light,
    Scene,
    Sitter,
    from_head,
    on_picture,
    pose_matrix,
)

IRIS_TONES = ((0.025, 0.016, 0.010), (0.05, 0.033, 0.02), (0.06, 0.065, 0.04), (0.10, 0.13, 0.15), (0.13, 0.16, 0.18))
SKIN_TONES = ((0.50, 0.31, 0.22), (0.33, 0.185, 0.125), (0.20, 0.11, 0.07))
MAIN = Light("main", -45, 2.0, 1.5, 0.5, 0.0, "", "")
FILL = Light("fill", 40, 1.6, 2.0, 0.6, -0.5, "", "")
RIM = Light("rim", 140, 2.0, 1.8, 0.4, 1.0, "", "")

Marks = tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Taken:
    """An eye as a camera took it and a person marked it."""

    eye: DrawnEye
    iris_px: float
    blur_px: float
    light: FloatImage
    marks: Marks

    def read(self) -> dict[str, Any]:
        return read_eye(self.light, *self.marks)

    def told(self) -> tuple[list[Reflection], list[Reflection], bool]:
        """Reflections that must be counted, those that may be, and whether two lie too near for this blur.

        One that lifts the iris by less than its own tone (a stop), is cut by a lid or lies towards the rim is in
        between: it may count or not.
        """
        sigma = self.blur_px / (self.iris_px / 2)
        must: list[Reflection] = []
        may: list[Reflection] = []
        for lamp in self.eye.lamps:
            place = lamp.towards * lamp.distance_m
            met = reflection(lamp.name, place, lamp.size_m, gaze_degrees=self.eye.gaze_degrees)
            if met is None:
                continue
            strength = self.eye.strength(lamp, sigma)
            margin = 1.2 * max(met.size, 0.05)
            above, below = (float(edge) for edge in self.eye.lid_edges(np.array(met.right, np.float32)))
            cut = min(abs(met.up - above), abs(met.up - below)) < margin
            if strength < 0.25 or (self.eye.covered(met) and not cut):
                continue
            (may if strength < 1 or cut or met.radius > 0.8 else must).append(met)
        every = must + may
        near = any(
            math.hypot(one.right - other.right, one.up - other.up) < one.size + other.size + 0.05 + 3.5 * sigma
            for number, one in enumerate(every)
            for other in every[:number]
        )
        return must, may, near


def taken(eye: DrawnEye, iris_px: float = 50.0, *, off: tuple[float, float] = (0, 0), stops: float = 0.0,
          blur_px: float = 0.7, noise: float = 0.01, seed: int = 0, mark: tuple[float, float] = (0, 0),
          rim: float = 1.0, rim_degrees: float = 0.0) -> Taken:  # fmt: skip
    """`mark` is how far the first click is off, `rim` how far the second is away, in iris radii."""
    light = draw_eye(eye, iris_px, off=off, stops=stops, blur_px=blur_px, noise=noise, noise_seed=seed)
    side, radius = light.shape[0], iris_px / 2
    x, y = side / 2 + off[0] + mark[0] * radius, side / 2 + off[1] + mark[1] * radius
    turn = math.radians(rim_degrees)
    place = (x + rim * radius * math.cos(turn), y + rim * radius * math.sin(turn))
    marks = ((x / side * 100, y / side * 100), (place[0] / side * 100, place[1] / side * 100))
    return Taken(eye, iris_px, blur_px, light, marks)


def random_pair(seed: int) -> list[Taken]:
    """Both eyes before a random set-up: up to three lamps in front, often one behind; any eye, size, exposure, noise.

    Clicks are off by a few percent of the iris's radius. The lamps' reflections do not overlap.
    """
    draw = np.random.Generator(np.random.Philox(seed))
    lamps: list[Light] = []
    for number in range(int(draw.integers(0, 4))):
        for _ in range(100):
            lamp = Light(
                f"front {number}", float(draw.uniform(-75, 75)), float(draw.uniform(1.0, 2.4)),
                float(draw.uniform(1.0, 3.0)), float(draw.uniform(0.2, 1.5)),
                float(draw.uniform(-2.5, 0.0)) if number else 0.0, "", "", "square" if draw.random() < 0.5 else "round",
            )  # fmt: skip
            places = [reflection("", one.towards * one.distance_m, one.size_m) for one in (*lamps, lamp)]
            seen = [place for place in places if place is not None]
            if all(math.hypot(one.right - seen[-1].right, one.up - seen[-1].up) > 1.3 * (one.size + seen[-1].size) + 0.15
                   for one in seen[:-1]):  # fmt: skip
                lamps.append(lamp)
                break
    if draw.random() < 0.4:
        behind = float(draw.choice([-1, 1]) * draw.uniform(125, 170))
        lamps.append(replace(RIM, bearing_degrees=behind, height_m=float(draw.uniform(1.2, 2.4))))
    eye = DrawnEye(
        tuple(lamps), IRIS_TONES[draw.integers(0, 5)], skin=SKIN_TONES[draw.integers(0, 3)],
        pupil=float(draw.uniform(0.22, 0.5)), texture=float(draw.uniform(0.05, 0.22)),
        room=float(draw.uniform(0, 0.012)), lid_below=float(draw.uniform(0.8, 1.0)),
    )  # fmt: skip
    iris_px = float(np.exp(draw.uniform(np.log(15), np.log(120))))
    lid, noise = float(draw.uniform(0.6, 1.0)), float(draw.uniform(0.005, 0.06))
    stops, blur_px = float(draw.uniform(-1.5, 0.7)), float(draw.uniform(0.5, 1.1))
    pair = []
    for side in (0, 1):
        gaze = (float(draw.uniform(-6, 6)), float(draw.uniform(-6, 6)))
        one = replace(eye, lid_above=lid + float(draw.uniform(-0.05, 0.05)), gaze_degrees=gaze, seed=2 * seed + side)
        mark = np.clip(draw.normal(0, 0.03, 2), -0.06, 0.06)
        pair.append(taken(
            one, iris_px, off=(float(draw.uniform(-0.5, 0.5)), float(draw.uniform(-0.5, 0.5))), stops=stops,
            blur_px=blur_px, noise=noise, seed=2 * seed + side, mark=(float(mark[0]), float(mark[1])),
            rim=1 + float(np.clip(draw.normal(0, 0.03), -0.07, 0.07)),
            rim_degrees=float(draw.uniform(-35, 35) + 180 * draw.integers(0, 2)),
        ))  # fmt: skip
    return pair


def is_at(one: dict[str, Any], met: Reflection) -> bool:
    """Half an hour of the clock; nearer to the middle than a fifth of the radius, where clicks cannot tell hours, 0.1."""
    away = math.hypot(one["right"] - met.right, one["up"] - met.up)
    if min(met.radius, one["radius"]) < 0.2:
        return away < 0.1
    return one["clock"] is not None and hours_apart(one["clock"], met.clock) < 0.5 and away < 0.2


def is_right(found: list[dict[str, Any]], must: list[Reflection], may: list[Reflection]) -> bool:
    left = list(found)
    for met in must:
        here = [one for one in left if is_at(one, met)]
        if not here:
            return False
        left.remove(min(here, key=lambda one: math.hypot(one["right"] - met.right, one["up"] - met.up)))
    return all(any(math.hypot(one["right"] - met.right, one["up"] - met.up) < 0.3 for met in may) for one in left)


def judged(pair: list[Taken]) -> str:
    """ "right", "wrong" (counted, and not as it is), or "not told"."""
    told = []
    for one in pair:
        answer = one.read()
        must, may, _ = one.told()
        if answer["state"] != "counted":
            told.append("not told")
        else:
            told.append("right" if is_right(answer["catchlights"], must, may) else "wrong")
    return min(told, key=["wrong", "not told", "right"].index)


def pairs_from(seed: int, count: int, *, at_the_limit: bool) -> list[list[Taken]]:
    found: list[list[Taken]] = []
    while len(found) < count:
        pair = random_pair(seed)
        hard = any(bool(may) or near for _, may, near in (one.told() for one in pair))
        if hard == at_the_limit:
            found.append(pair)
        seed += 1
    return found


def test_a_hundred_random_set_ups_are_told_right() -> None:
    """95 at least, both eyes; none is told wrong. Tuned on other seeds (0 to 600)."""
    tally = Counter(judged(pair) for pair in pairs_from(20_000, 100, at_the_limit=False))
    assert tally["wrong"] == 0
    assert tally["right"] >= 95


def test_where_the_truth_is_at_its_limit_it_would_rather_not_say() -> None:
    """Reflections that are faint, cut by a lid, at the rim, or nearer to each other than the lens can part them."""
    tally = Counter(judged(pair) for pair in pairs_from(40_000, 25, at_the_limit=True))
    assert tally["wrong"] == 0
    assert tally["not told"] > 5


def test_the_same_picture_gives_the_same_numbers() -> None:
    one = taken(DrawnEye((MAIN, FILL)))
    before = one.light.copy()
    assert one.read() == one.read()
    assert np.array_equal(one.light, before)


def test_a_catchlight_is_described() -> None:
    answer = taken(DrawnEye((MAIN, RIM)), 60.0).read()
    assert answer["state"] == "counted"
    assert answer["why"] == ""
    assert answer["iris_px"] == pytest.approx(60, rel=0.05)
    (one,) = answer["catchlights"]
    met = DrawnEye((MAIN,)).shown(MAIN)
    assert met is not None
    assert hours_apart(one["clock"], met.clock) < 0.2
    assert one["radius"] == pytest.approx(met.radius, abs=0.04)
    assert one["size"] == pytest.approx(met.size, abs=0.04)
    assert one["strength_stops"] == pytest.approx(math.log2(1 + DrawnEye((MAIN,)).strength(MAIN)), abs=0.6)


def test_a_mirrored_picture_gives_mirrored_hours() -> None:
    one = taken(DrawnEye((MAIN, FILL), texture=0.05), 70.0)
    flipped = np.ascontiguousarray(one.light[:, ::-1])
    (x, y), (rim_x, rim_y) = one.marks
    other = read_eye(flipped, (100 - x, y), (100 - rim_x, rim_y))
    here, there = (sorted(c["clock"] for c in answer["catchlights"]) for answer in (one.read(), other))
    assert here == pytest.approx(sorted((12 - hour) % 12 for hour in there), abs=0.1)


@pytest.mark.parametrize("stops", [-2.0, 0.0, 1.0])
def test_exposure_changes_no_count(stops: float) -> None:
    answer = taken(DrawnEye((MAIN, FILL)), stops=stops).read()
    assert [answer["state"], len(answer["catchlights"])] == ["counted", 2]


@pytest.mark.parametrize("iris", IRIS_TONES)
@pytest.mark.parametrize("skin", SKIN_TONES)
def test_eyes_that_are_shut_are_not_applicable(
    iris: tuple[float, float, float], skin: tuple[float, float, float]
) -> None:
    for above, below in ((0.0, 0.0), (0.03, 0.06)):
        shut = DrawnEye((MAIN,), iris, skin=skin, lid_above=above, lid_below=below)
        answer = taken(shut, noise=0.02).read()
        assert answer["state"] == "not applicable"
        assert "shut, down or turned away" in answer["why"]
        assert answer["catchlights"] == []


def test_what_it_cannot_see_it_says() -> None:
    eye = DrawnEye((MAIN, FILL))
    blurred = taken(eye, 40.0, blur_px=6.0).read()
    assert blurred["state"] == "not sure"
    assert taken(eye, 9.0).read()["why"] == "The iris is only 9 pixels across."
    assert taken(eye, 40.0, noise=1.2, stops=-2.0).read()["state"] != "counted"
    cut = taken(eye, 40.0)
    half = np.ascontiguousarray(cut.light[:, : cut.light.shape[1] // 2 + 8])
    wide = cut.light.shape[1] / half.shape[1]
    (x, y), (rim_x, rim_y) = cut.marks
    assert (
        read_eye(half, (x * wide, y), (2 * x * wide - rim_x * wide, rim_y))["why"]
        == "The picture's border cuts the eye."
    )
    assert taken(DrawnEye((MAIN,), (0.9, 0.9, 0.9))).read()["state"] == "not sure"


def test_two_that_run_into_each_other_are_not_counted_as_one() -> None:
    """Side by side in an iris of 16 px: a pixel apart."""
    beside = replace(MAIN, name="second", bearing_degrees=-18.0, size_m=0.35)
    answer = taken(DrawnEye((replace(MAIN, size_m=0.35), beside)), 16.0, blur_px=1.1).read()
    assert answer["state"] == "not sure" or len(answer["catchlights"]) == 2


def test_marks_outside_the_picture_or_in_one_place_are_refused() -> None:
    light = np.zeros((20, 20, 3), np.float32)
    with pytest.raises(CallError, match="outside the picture"):
        read_eye(light, (101, 50), (60, 50))
    with pytest.raises(CallError, match="outside the picture"):
        read_eye(light, (50, 50), (60, math.nan))
    with pytest.raises(CallError, match="are one"):
        read_eye(light, (50, 50), (50, 50))
    with pytest.raises(FrameError):
        read_eye(np.zeros((100, 100), np.float32), (50, 50), (70, 50))
    with pytest.raises(FrameError):
        read_eye(np.full((100, 100, 3), np.nan, np.float32), (50, 50), (70, 50))


LIGHTS = [
    {
        "name": lamp.name,
        "azimuth_degrees": lamp.bearing_degrees,
        "height_m": lamp.height_m,
        "distance_m": lamp.distance_m,
    }
    for lamp in (MAIN, FILL, RIM)
]


def test_an_eye_with_fewer_is_found_and_the_light_named() -> None:
    both, main, none = (taken(DrawnEye(lamps)).read() for lamps in ((MAIN, FILL, RIM), (MAIN, RIM), (RIM,)))
    assert compare_eyes(both, both, LIGHTS) == []
    assert compare_eyes(none, main, LIGHTS) == [
        "The left eye, as seen, has no catchlight: the one at 10:00 on the clock (it may be “main”) is missing."
    ]
    assert compare_eyes(both, main, LIGHTS) == [
        "The right eye, as seen, has one catchlight where the left has two: the one at 2:30 on the clock (it may be “fill”) is missing."
    ]
    assert compare_eyes(both, main)[0].endswith("the one at 2:30 on the clock is missing.")
    assert "(it may be “main”) and the one at" in compare_eyes(both, none, LIGHTS)[0]
    assert compare_eyes(both, none, LIGHTS)[0].endswith("are missing.")


def test_where_neither_eye_has_one_the_front_lights_are_named() -> None:
    none = taken(DrawnEye((RIM,))).read()
    assert compare_eyes(none, none, LIGHTS) == [
        "Neither eye has a catchlight; the set-up would give “main” at 10:00 on the clock and “fill” at 2:30 on the clock."
    ]
    assert compare_eyes(none, none) == ["Neither eye has a catchlight."]
    assert compare_eyes(none, none, LIGHTS[2:]) == ["Neither eye has a catchlight."]


def test_an_eye_that_is_not_counted_is_not_compared() -> None:
    shut = taken(DrawnEye((MAIN,), lid_above=0.0, lid_below=0.0)).read()
    one, none = (taken(DrawnEye(lamps)).read() for lamps in ((MAIN,), ()))
    (told,) = compare_eyes(shut, one, LIGHTS)
    assert told.startswith("The left eye, as seen: not applicable. No iris is seen")
    small = taken(DrawnEye((MAIN,)), 9.0).read()
    assert compare_eyes(one, small) == [
        "The right eye, as seen: not sure. The iris is only 9 pixels across. No catchlight was made out."
    ]
    assert compare_eyes(shut, none)[1:] == ["The right eye, as seen, has no catchlight."]


def eye_marks(scene: Scene, width: int, height: int) -> list[Marks]:
    """Where a person would click in the demo's faces: left eye, right eye; from how `simulated_sitter` paints them."""
    marks: list[Marks] = []
    for side in (-1, 1):
        sight = pose_matrix(scene)[2] + np.array([0.3 * scene.gaze[0], 0.3 * scene.gaze[1], 0])
        sight[0] = 0.74 * sight[0] - side * 0.03
        middle = np.array([side * EYE_CENTRE[0], *EYE_CENTRE[1:]]) + EYE_RADIUS * sight / np.linalg.norm(sight)
        x, y = on_picture(scene, from_head(scene, middle), width, height)
        radius = 0.0285 * scene.zoom * width / 2
        marks.append(((x / width * 100, y / height * 100), ((x + radius) / width * 100, y / height * 100)))
    return marks


@pytest.mark.parametrize("lit", [(True, True), (True, False), (False, True), (False, False)])
def test_the_simulated_sitters_eyes_are_told(lit: tuple[bool, bool]) -> None:
    """The demo's white set-up: main and fill in each eye that has its light; the other is never told to have any.

    With dark eyes: in light ones the fill, 2.4 stops under, does not stand out. The painted ball keeps a broad sheen
    of the main light where its catchlight is left out, so that nothing or "not sure" is right there.
    """
    width, height = 900, 500
    scene = Scene(
        Sitter(iris=(0.035, 0.02, 0.012)),
        lighting=WHITE.lighting,
        turn_degrees=2.0,
        zoom=3.0,
        look_at=(0.0, 0.30),
        catchlights=lit,
    )
    light = np.clip(render_scene(scene, width, height), 0, 1)
    eyes = [read_eye(light, *marks) for marks in eye_marks(scene, width, height)]
    told = compare_eyes(eyes[0], eyes[1], LIGHTS)
    for side, eye, there in zip(("left", "right"), eyes, lit, strict=True):
        if there:
            assert [eye["state"], len(eye["catchlights"])] == ["counted", 2]
            assert 9.5 < eye["catchlights"][0]["clock"] < 11
            assert 2.5 < eye["catchlights"][1]["clock"] < 3.5
        else:
            assert eye["state"] == "not sure" or not eye["catchlights"]
            assert any(f"{side} eye, as seen" in sentence or "Neither" in sentence for sentence in told)
    assert told == [] or lit != (True, True)


@pytest.mark.parametrize(
    ("changes", "allowed"),
    [({"eyes_open": 0.0}, {"not applicable"}), ({"defocus_px": 18.0}, {"not sure", "not applicable"})],
)
def test_the_simulated_sitters_shut_or_blurred_eyes_are_not_counted(
    changes: dict[str, float], allowed: set[str]
) -> None:
    width, height = 900, 500
    scene = replace(Scene(lighting=WHITE.lighting, turn_degrees=2.0, zoom=3.0, look_at=(0.0, 0.30)), **changes)  # type: ignore[arg-type]
    light = np.clip(render_scene(scene, width, height), 0, 1)
    assert {read_eye(light, *marks)["state"] for marks in eye_marks(scene, width, height)} <= allowed
