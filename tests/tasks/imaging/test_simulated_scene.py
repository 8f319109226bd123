"""The scene keeps its promises: light where lamps are, marks where the truth says, softness when out of focus."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.region import region_mask
from glassine.tasks.imaging.simulated_scene import regions, render_scene
from glassine.tasks.imaging.simulated_set import Scene, Sitter

WIDTH, HEIGHT = 400, 600
SCENE = Scene()
LIGHT = render_scene(SCENE, WIDTH, HEIGHT)


def cut(light: FloatImage, box: dict[str, Any]) -> FloatImage:
    height, width = light.shape[:2]
    left, top = round(box["x"] / 100 * width), round(box["y"] / 100 * height)
    return light[top : top + round(box["height"] / 100 * height), left : left + round(box["width"] / 100 * width)]


def test_the_same_scene_gives_the_same_light() -> None:
    assert np.array_equal(render_scene(Scene(), WIDTH, HEIGHT), LIGHT)
    assert LIGHT.dtype == np.float32
    assert LIGHT.shape == (HEIGHT, WIDTH, 3)


def test_a_face_is_exposed_as_a_face() -> None:
    """Skin lies about a stop over 18 % grey (common practice), and nothing but lamps in the eyes comes near 1."""
    face = cut(LIGHT, regions(SCENE, WIDTH, HEIGHT)["face"])
    assert 0.08 < np.median(face[..., 1]) < 0.36
    assert np.mean(LIGHT > 0.95) < 0.001


@pytest.mark.parametrize(
    ("name", "change"), [("skin_mark", {"skin_mark": False}), ("stray_hair", {"stray_hair": False})]
)
def test_marks_are_where_the_truth_says(name: str, change: dict[str, Any]) -> None:
    truth = regions(SCENE, WIDTH, HEIGHT)
    without = replace(SCENE, **change)
    assert name not in regions(without, WIDTH, HEIGHT)
    difference = np.abs(render_scene(without, WIDTH, HEIGHT) - LIGHT).sum(axis=2)
    assert difference.sum() > 0
    inside = difference[region_mask(truth[name], WIDTH, HEIGHT)]
    assert inside.sum() > 0.97 * difference.sum()


def test_lamps_are_mirrored_in_both_eyes() -> None:
    truth = regions(SCENE, WIDTH, HEIGHT)
    dark = replace(SCENE, lighting=replace(SCENE.lighting, main=replace(SCENE.lighting.main, fired=False)))
    unlit = render_scene(dark, WIDTH, HEIGHT)
    for eye in ("left_eye", "right_eye"):
        # White light that comes with the lamp, where skin would give little blue.
        assert (cut(LIGHT, truth[eye]) - cut(unlit, truth[eye]))[..., 2].max() > 0.4


def test_a_lamp_that_did_not_fire_leaves_the_dark() -> None:
    face = regions(SCENE, WIDTH, HEIGHT)["face"]
    for lamp, share in (("main", 0.4), ("fill", 0.99)):
        off = replace(
            SCENE, lighting=replace(SCENE.lighting, **{lamp: replace(getattr(SCENE.lighting, lamp), fired=False)})
        )
        assert cut(render_scene(off, WIDTH, HEIGHT), face).mean() < share * cut(LIGHT, face).mean()


def test_out_of_focus_is_soft() -> None:
    def detail(light: FloatImage) -> float:
        return float(np.diff(np.log(light[..., 1] + 0.01), axis=1).var())

    levels = [detail(render_scene(replace(SCENE, defocus_px=defocus), WIDTH, HEIGHT)) for defocus in (0.0, 1.5, 5.0)]
    assert levels[0] > 1.3 * levels[1] > 1.5 * levels[2]


@settings(deadline=None, max_examples=12)
@given(
    st.floats(-35, 35),
    st.floats(-15, 15),
    st.floats(-12, 12),
    st.floats(0, 1),
    st.floats(0, 1),
    st.booleans(),
    st.integers(0, 99),
)
def test_any_pose_is_a_picture(
    turn: float, tilt: float, nod: float, smile: float, eyes: float, instrument: bool, seed: int
) -> None:
    scene = Scene(
        Sitter(beard=smile), turn_degrees=turn, tilt_degrees=tilt, nod_degrees=nod, smile=smile, eyes_open=eyes,
        instrument=instrument, seed=seed,
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
