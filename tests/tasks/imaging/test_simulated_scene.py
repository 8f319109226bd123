"""The scene keeps its promises: light where lamps are, marks where the truth says, softness when out of focus."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.region import region_mask
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_set import Lighting, Scene, Sitter
from glassine.tasks.imaging.simulated_truth import regions

WIDTH, HEIGHT = 400, 600
SCENE = Scene(skin_mark=True, stray_hair=True, lint=True, stand_shadow=True)
LIGHT = render_scene(SCENE, WIDTH, HEIGHT)


def cut(light: FloatImage, box: dict[str, Any]) -> FloatImage:
    height, width = light.shape[:2]
    left, top = round(box["x"] / 100 * width), round(box["y"] / 100 * height)
    return light[top : top + round(box["height"] / 100 * height), left : left + round(box["width"] / 100 * width)]


def lit_by(scene: Scene, *names: str) -> FloatImage:
    """The scene with only these lamps."""
    lamps = tuple(replace(lamp, fired=lamp.name in names) for lamp in scene.lighting.lamps)
    return render_scene(replace(scene, lighting=replace(scene.lighting, lamps=lamps)), WIDTH, HEIGHT)


def moved(scene: Scene, **changes: Any) -> Lighting:
    """The scene's lamps, the main one changed."""
    lamps = scene.lighting.lamps
    return replace(scene.lighting, lamps=(replace(lamps[0], **changes), *lamps[1:]))


def test_the_same_scene_gives_the_same_light() -> None:
    assert np.array_equal(render_scene(replace(SCENE), WIDTH, HEIGHT), LIGHT)
    assert LIGHT.dtype == np.float32
    assert LIGHT.shape == (HEIGHT, WIDTH, 3)


def test_a_face_is_exposed_as_a_face() -> None:
    """Skin lies about a stop over 18 % grey (common practice), and nothing but lamps in the eyes comes near 1."""
    face = cut(LIGHT, regions(SCENE, WIDTH, HEIGHT)["face"])
    assert 0.08 < np.median(face[..., 1]) < 0.36
    assert np.mean(LIGHT > 0.95) < 0.001


@pytest.mark.parametrize("name", ["skin_mark", "stray_hair", "lint", "stand_shadow"])
def test_marks_are_where_the_truth_says(name: str) -> None:
    truth = regions(SCENE, WIDTH, HEIGHT)
    changes: dict[str, Any] = {name: False}
    without = replace(SCENE, **changes)
    assert name not in regions(without, WIDTH, HEIGHT)
    difference = (LIGHT - render_scene(without, WIDTH, HEIGHT)).sum(axis=2)
    assert np.abs(difference).sum() > 0
    inside = difference[region_mask(truth[name], WIDTH, HEIGHT)]
    assert np.abs(inside).sum() > 0.95 * np.abs(difference).sum()
    # Lint is lighter than what it lies on, all else is darker.
    assert (inside.sum() > 0) == (name == "lint")


def test_the_stray_hair_is_darker_than_what_is_beside_it() -> None:
    light = render_scene(SCENE, 1000, 1500)
    band = region_mask(regions(SCENE, 1000, 1500)["stray_hair"], 1000, 1500)
    darkest = np.where(band, light[..., 1], np.inf).min(axis=1)
    usual = np.array([np.median(light[row][band[row]][..., 1]) if band[row].any() else np.nan for row in range(1500)])
    rows = np.flatnonzero(band.any(axis=1))[60:-20]
    assert (darkest[rows] < 0.6 * usual[rows]).mean() > 0.9


def test_lamps_are_mirrored_in_the_eyes_on_their_own_side() -> None:
    scene = replace(SCENE, turn_degrees=0.0, tilt_degrees=0.0, stray_hair=False, skin_mark=False)
    truth = regions(scene, 1000, 1500)
    places = []
    for bearing in (-40.0, 40.0):
        lit = replace(scene, lighting=moved(scene, bearing_degrees=bearing))
        mirrored = render_scene(lit, 1000, 1500) - render_scene(replace(lit, catchlights=(False, False)), 1000, 1500)
        for eye in ("left_eye", "right_eye"):
            part = cut(mirrored, truth[eye])[..., 2]
            assert part.max() > 0.3
            places.append(int(np.argmax(part.max(axis=0))) - part.shape[1] / 2)
        outside = mirrored.copy()
        for eye in ("left_eye", "right_eye"):
            outside[region_mask(truth[eye], 1000, 1500)] = 0
        assert np.abs(outside).max() < 1e-5
    assert max(places[:2]) < min(places[2:])


def test_a_catchlight_that_is_missing_is_missing_in_that_eye_only() -> None:
    blind = replace(SCENE, catchlights=(True, False))
    truth = regions(blind, 800, 1200)
    lost = render_scene(SCENE, 800, 1200) - render_scene(blind, 800, 1200)
    where = region_mask(truth["catchlight"], 800, 1200)
    assert lost[where][..., 2].max() > 0.15
    assert np.abs(lost[~where]).max() < 1e-5


def test_a_lamp_that_did_not_fire_leaves_the_dark() -> None:
    face = regions(SCENE, WIDTH, HEIGHT)["face"]
    for lamp, share in (("main", 0.6), ("fill", 0.995)):
        dark = render_scene(replace(SCENE, lighting=SCENE.lighting.without(lamp)), WIDTH, HEIGHT)
        assert cut(dark, face).mean() < share * cut(LIGHT, face).mean()
    with pytest.raises(KeyError):
        SCENE.lighting.without("moon")


def test_each_stop_of_a_lamp_is_twice_its_light() -> None:
    still = replace(SCENE, lighting=replace(SCENE.lighting, spill=0.0))
    less = replace(still, lighting=moved(still, stops=-1.0))
    more = replace(still, lighting=moved(still, stops=0.0))
    face = regions(SCENE, WIDTH, HEIGHT)["face"]
    low, high = (np.median(cut(lit_by(scene, "main"), face)) for scene in (less, more))
    assert high / low == pytest.approx(2.0, rel=0.12)


def test_a_larger_lamp_throws_a_softer_shadow() -> None:
    """On a face lit from the side by one lamp, the steepest steps are gentler, and less of it is black."""
    scene = replace(SCENE, turn_degrees=0.0, stray_hair=False, skin_mark=False)
    face = regions(scene, WIDTH, HEIGHT)["face"]
    middle = {"shape": "ellipse", "x": face["x"] + 0.2 * face["width"], "width": 0.6 * face["width"]}
    middle |= {"y": face["y"] + 0.3 * face["height"], "height": 0.6 * face["height"]}
    where = region_mask(middle, WIDTH, HEIGHT)
    steepest, black = [], []
    for size in (0.2, 2.2):
        lit = lit_by(replace(scene, lighting=moved(scene, size_m=size, bearing_degrees=-60.0)), "main")[..., 1]
        steps = np.abs(np.diff(np.log(lit + 0.02), axis=1, prepend=0))
        steepest.append(float(np.percentile(steps[where], 99)))
        black.append(float((lit[where] < 0.15 * np.percentile(lit[where], 95)).mean()))
    assert steepest[1] < 0.75 * steepest[0]
    assert black[1] < 0.8 * black[0]


def test_the_rim_light_is_at_the_edge() -> None:
    rim = lit_by(SCENE, "rim")
    face = regions(SCENE, WIDTH, HEIGHT)["face"]
    middle = {**face, "x": face["x"] + 0.35 * face["width"], "width": 0.3 * face["width"]}
    edge = {**face, "x": face["x"] + 0.80 * face["width"], "width": 0.35 * face["width"]}
    assert cut(rim, edge).mean() > 2 * cut(rim, middle).mean()


def test_out_of_focus_is_soft() -> None:
    def detail(light: FloatImage) -> float:
        return float(np.diff(np.log(light[..., 1] + 0.01), axis=1).var())

    levels = [detail(render_scene(replace(SCENE, defocus_px=defocus), WIDTH, HEIGHT)) for defocus in (0.0, 1.5, 5.0)]
    assert levels[0] > 1.3 * levels[1] > 1.5 * levels[2]


@settings(deadline=None, max_examples=10)
@given(
    st.floats(-35, 35),
    st.floats(-15, 15),
    st.floats(-12, 12),
    st.floats(0, 1),
    st.floats(0, 1),
    st.booleans(),
    st.sampled_from(["short", "cropped", "receding", "tied", "long"]),
    st.integers(0, 99),
)
def test_any_pose_is_a_picture(
    turn: float, tilt: float, nod: float, smile: float, eyes: float, instrument: bool, hair: str, seed: int
) -> None:
    sitter = Sitter(
        beard=smile, age=eyes, hair_style=hair, glasses=instrument, collar="crew" if instrument else "shirt"
    )
    scene = replace(
        SCENE, sitter=sitter, turn_degrees=turn, tilt_degrees=tilt, nod_degrees=nod, smile=smile, eyes_open=eyes,
        instrument=instrument, catchlights=(False, True), seed=seed,
    )  # fmt: skip
    light = render_scene(scene, 80, 120)
    assert np.isfinite(light).all()
    assert light.min() >= 0
    for box in regions(scene, 80, 120).values():
        if box["shape"] == "polygon":
            assert all(0 < number < 100 for point in box["points"] for number in point)
        else:
            assert 0 < box["x"] < box["x"] + box["width"] < 100
            assert 0 < box["y"] < box["y"] + box["height"] < 100


@pytest.mark.parametrize(("width", "height"), [(81, 121), (300, 200), (64, 64)])
def test_any_size_is_a_picture(width: int, height: int) -> None:
    assert render_scene(SCENE, width, height).shape == (height, width, 3)
    assert regions(SCENE, width, height)
