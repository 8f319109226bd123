"""Shifted pictures are measured to the pixel; graded ones are not called shifted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from glassine.tasks.imaging.icc_profile import profile_bytes
from glassine.tasks.imaging.registration import Fit, measure_fit

Light = NDArray[np.float64]
HEIGHT, WIDTH, MARGIN = 260, 340, 50


def a_scene(seed: int = 7, *, noise: float = 0.004) -> Light:
    """Forms of all sizes and some noise, with room around for a shift; encoded, 0 to 1."""
    rng = np.random.default_rng(seed)
    scene = np.full((HEIGHT + 2 * MARGIN, WIDTH + 2 * MARGIN, 3), 0.45)
    for sigma, strength in ((40, 0.15), (12, 0.08), (4, 0.04)):
        form = gaussian_filter(rng.normal(size=scene.shape[:2]), sigma)
        scene += (strength / form.std() * form)[:, :, np.newaxis]
    return np.clip(scene + rng.normal(scale=noise, size=scene.shape), 0.02, 0.98)


def seen(scene: Light, right: int = 0, down: int = 0) -> Light:
    """The picture with everything in it moved to the right and down."""
    return scene[MARGIN - down : MARGIN - down + HEIGHT, MARGIN - right : MARGIN - right + WIDTH]


def write(path: Path, picture: Light) -> Path:
    samples = np.round(np.clip(picture, 0, 1) * 65_535).astype(np.uint16)
    tifffile.imwrite(path, samples, photometric="rgb", iccprofile=profile_bytes("ROMM RGB"), metadata=None)
    return path


GRADES: dict[str, Any] = {
    "nothing": lambda picture: picture,
    "a stop brighter": lambda picture: picture * 2 ** (1 / 1.8),
    "two stops darker": lambda picture: picture / 4 ** (1 / 1.8),
    "a steep curve": lambda picture: 1 / (1 + np.exp(-12 * (picture - 0.45))),
    "flat": lambda picture: 0.3 + 0.3 * picture,
    "another colour": lambda picture: picture * [1.15, 1.0, 0.7],
    "grey": lambda picture: np.repeat(picture.mean(axis=2, keepdims=True), 3, axis=2),
    "cleaned of noise": lambda picture: gaussian_filter(picture, (1, 1, 0)),
    "sharper": lambda picture: picture + 1.5 * (picture - gaussian_filter(picture, (2, 2, 0))),
    "light from one side": lambda picture: picture * np.linspace(0.6, 1.2, WIDTH)[np.newaxis, :, np.newaxis],
    "grain": lambda picture: picture + np.random.default_rng(1).normal(scale=0.01, size=(HEIGHT, WIDTH, 1)),
}


@settings(deadline=None, max_examples=25)
@given(right=st.integers(-MARGIN, MARGIN), down=st.integers(-MARGIN, MARGIN), seed=st.integers(0, 99))
def test_any_shift_is_measured_to_the_pixel(
    tmp_path_factory: pytest.TempPathFactory, right: int, down: int, seed: int
) -> None:
    folder, scene = tmp_path_factory.mktemp("shift"), a_scene(seed)
    base, back = write(folder / "base.tif", seen(scene)), write(folder / "back.tif", seen(scene, right, down))
    assert measure_fit(base, back) == Fit((right, down), same_detail=True, same_noise=True)


@pytest.mark.parametrize("grade", GRADES)
def test_a_grade_is_no_shift(tmp_path: Path, grade: str) -> None:
    picture = seen(a_scene())
    base, back = write(tmp_path / "base.tif", picture), write(tmp_path / "back.tif", GRADES[grade](picture))
    assert measure_fit(base, back) == Fit((0, 0), same_detail=True, same_noise=True)


@pytest.mark.parametrize("grade", ["a stop brighter", "two stops darker", "a steep curve", "grey"])
def test_a_shift_is_measured_under_a_grade(tmp_path: Path, grade: str) -> None:
    scene = a_scene()
    base, back = write(tmp_path / "base.tif", seen(scene)), write(tmp_path / "back.tif", GRADES[grade](seen(scene, 3)))
    assert measure_fit(base, back) == Fit((3, 0), same_detail=True, same_noise=True)


def test_a_picture_that_is_reduced_is_measured_to_the_pixel(tmp_path: Path) -> None:
    # 3 × 3 pixels are one of the first look: a shift by one is a third of that
    scene = np.tile(a_scene(), (5, 6, 1))[: 1400 + 2 * MARGIN, : 2100 + 2 * MARGIN]
    scene += gaussian_filter(np.random.default_rng(3).normal(size=scene.shape), (2, 2, 0)) * 0.2

    def picture(right: int, down: int) -> Light:
        return scene[MARGIN - down : MARGIN - down + 1400, MARGIN - right : MARGIN - right + 2100]

    base = write(tmp_path / "base.tif", picture(0, 0))
    for shift in ((1, 0), (-12, 5), (40, -33)):
        assert measure_fit(base, write(tmp_path / "back.tif", picture(*shift))) == Fit(
            shift, same_detail=True, same_noise=True
        )


def test_another_scene_is_of_other_detail(tmp_path: Path) -> None:
    base, back = write(tmp_path / "base.tif", seen(a_scene(1))), write(tmp_path / "back.tif", seen(a_scene(2)))
    assert measure_fit(base, back) == Fit((0, 0), same_detail=False, same_noise=False)


def test_another_exposure_of_the_same_scene_has_other_noise(tmp_path: Path) -> None:
    def exposed(seed: int) -> Light:
        plain: Light = gaussian_filter(seen(a_scene(noise=0)), (12, 12, 0))
        return plain + np.random.default_rng(seed).normal(scale=0.01, size=(HEIGHT, WIDTH, 3))

    base = write(tmp_path / "base.tif", exposed(1))
    again = measure_fit(base, write(tmp_path / "back.tif", exposed(2)))
    assert (again.shift, again.same_noise) == ((0, 0), False)
    half = exposed(2)
    half[: HEIGHT // 2] = exposed(1)[: HEIGHT // 2]  # half of it worked over, half untouched
    assert measure_fit(base, write(tmp_path / "back.tif", half)).same_noise is True


@pytest.mark.parametrize("size", [1, 15, 16, 40])
def test_small_and_blank_pictures_tell_of_no_shift(tmp_path: Path, size: int) -> None:
    base = write(tmp_path / "base.tif", np.full((size, size, 3), 0.5))
    back = write(tmp_path / "back.tif", np.full((size, size, 3), 0.6))
    assert measure_fit(base, back).shift == (0, 0)
