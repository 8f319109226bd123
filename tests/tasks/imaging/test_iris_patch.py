"""The patch about a marked iris: clicks are put right, lids and blur are noticed, and reflections rise over their ground."""

import math

import numpy as np
import pytest

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.eye_sphere import DrawnEye, draw_eye
from glassine.tasks.imaging.iris_patch import (
    RADIUS,
    IrisPatch,
    cut_patch,
    lids_of,
    rim_offset,
    rim_rise,
    rise_over,
    smear,
)
from glassine.tasks.imaging.simulated_set import Light

MAIN = Light("main", -45, 2.0, 1.5, 0.5, 0.0, "", "")


def patch_of(light: FloatImage, iris_px: float, off: tuple[float, float] = (0, 0), grown: float = 1.0) -> IrisPatch:
    """About the middle of a drawn patch; the mark is `off` to the right and up, in iris radii."""
    middle, radius = light.shape[0] / 2, iris_px / 2
    return cut_patch(light, middle + off[0] * radius, middle - off[1] * radius, radius * grown)


@pytest.mark.parametrize("iris_px", [15.0, 50.0, 120.0, 400.0])
def test_every_iris_is_laid_out_at_one_size(iris_px: float) -> None:
    patch = patch_of(draw_eye(DrawnEye((MAIN,)), iris_px), iris_px)
    assert patch.light.shape == patch.right.shape == patch.up.shape
    assert patch.light.dtype == patch.right.dtype == np.float32
    assert patch.step == pytest.approx(iris_px / 2 / RADIUS)
    middle = patch.light.shape[0] // 2
    assert patch.away[middle, middle] == 0
    assert patch.away[middle, middle + round(RADIUS)] == pytest.approx(1.0)
    assert patch.right[0, -1] > 1
    assert patch.up[0, 0] > 1
    # The pupil is dark, the white is light.
    assert patch.light[patch.away < 0.15].mean() < 0.2 * np.median(patch.light[patch.ring(1.15, 1.4)])


@pytest.mark.parametrize("iris_px", [18.0, 60.0])
@pytest.mark.parametrize("off", [(0.0, 0.0), (0.07, -0.05), (-0.06, 0.06)])
@pytest.mark.parametrize("grown", [0.94, 1.0, 1.07])
def test_marks_that_are_a_little_off_are_put_right(iris_px: float, off: tuple[float, float], grown: float) -> None:
    light = draw_eye(DrawnEye((MAIN,)), iris_px, noise=0.01)
    right, up, factor = rim_offset(patch_of(light, iris_px, off, grown))
    assert off[0] + grown * right == pytest.approx(0, abs=0.03)
    assert off[1] + grown * up == pytest.approx(0, abs=0.05)
    assert grown * factor == pytest.approx(1.01, abs=0.05)


def test_a_plain_picture_moves_no_mark() -> None:
    flat = np.full((80, 80, 3), 0.2, np.float32)
    patch = patch_of(flat, 40.0)
    assert rim_offset(patch) == pytest.approx((0, 0, 1), abs=1e-9)
    assert rim_rise(patch) == pytest.approx(0, abs=1e-6)
    assert patch.noise == 0


def test_the_rim_is_clear_where_an_iris_is_seen() -> None:
    for iris in ((0.03, 0.02, 0.012), (0.13, 0.16, 0.18)):
        assert rim_rise(patch_of(draw_eye(DrawnEye((), iris), 50.0), 50.0)) > 0.15
        assert rim_rise(patch_of(draw_eye(DrawnEye((), iris, lid_above=0, lid_below=0), 50.0), 50.0)) < 0.03


def test_blur_is_measured_at_the_rim() -> None:
    smears = [smear(patch_of(draw_eye(DrawnEye(), 60.0, blur_px=blur), 60.0)) for blur in (1.0, 3.0, 6.0)]
    assert smears == sorted(smears)
    assert smears[0] < 0.07
    assert smears[1] == pytest.approx(0.1, abs=0.03)
    assert smears[2] > 0.16


def test_noise_is_measured_in_the_iris() -> None:
    light = draw_eye(DrawnEye(texture=0.0), 100.0, noise=0.04, noise_seed=1)
    clean = draw_eye(DrawnEye(texture=0.0), 100.0)
    inside = np.hypot(*(np.indices(light.shape[:2]) - (light.shape[0] - 1) / 2)) < 50
    real = float((light - clean)[inside].std())
    patch = patch_of(light, 100.0)
    # Luminance weighs the channels: 0.288 and 0.712, independent noises.
    expected = real * math.hypot(0.288, 0.712) / (1.6 * patch.step)
    assert patch.noise == pytest.approx(expected, rel=0.4)


def test_lids_are_what_hangs_over_the_iris() -> None:
    open_, covered = (
        patch_of(draw_eye(DrawnEye((MAIN,), lid_above=above, lid_below=1.1), 60.0), 60.0) for above in (1.1, 0.35)
    )
    inside = open_.away < 0.9
    assert lids_of(open_, 0.12)[inside].mean() < 0.02
    hidden = lids_of(covered, 0.12)
    assert 0.15 < hidden[inside].mean() < 0.4
    assert not hidden[inside & (covered.up < 0)].any()


def test_a_reflection_rises_by_what_it_adds() -> None:
    eye = DrawnEye((MAIN,), texture=0.0, room=0.0, lid_above=1.1)
    patch = patch_of(draw_eye(eye, 80.0), 80.0)
    tone = 0.288 * eye.iris[0] + 0.712 * eye.iris[1]
    rise = rise_over(patch, np.zeros(patch.light.shape, bool), tone)
    met = eye.shown(MAIN)
    assert met is not None
    near = np.hypot(patch.right - met.right, patch.up - met.up)
    assert np.median(rise[near < 0.5 * met.size]) == pytest.approx(eye.strength(MAIN), rel=0.12)
    elsewhere = (patch.away < 0.85) & (near > met.size + 0.2)
    assert np.abs(np.median(rise[elsewhere])) < 0.1
    assert np.quantile(rise[elsewhere], 0.98) < 0.4


def test_a_picture_that_is_none_is_refused() -> None:
    with pytest.raises(FrameError):
        cut_patch(np.zeros((50, 50), np.float32), 25, 25, 10)
    with pytest.raises(FrameError):
        cut_patch(np.full((50, 50, 3), np.inf, np.float32), 25, 25, 10)
