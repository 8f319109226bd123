"""The retoucher's hand on pictures whose truth is a formula: what was put in comes out, and nothing else moves."""

from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.region import region_mask
from glassine.tasks.imaging.simulated_retouch import bring_over, clean_shadow, close, lay_skin_over, soften

WIDTH, HEIGHT = 200, 300
BOX = {"shape": "rectangle", "x": 30.0, "y": 30.0, "width": 30.0, "height": 25.0}
INSIDE = region_mask(BOX, WIDTH, HEIGHT)


def ground(grain: float = 0.0) -> FloatImage:
    """An even slope of light, with grain."""
    slope = 0.3 + 0.2 * np.linspace(0, 1, WIDTH)[np.newaxis, :] + 0.1 * np.linspace(0, 1, HEIGHT)[:, np.newaxis]
    draw = np.random.default_rng(4).standard_normal((HEIGHT, WIDTH, 1)) * grain
    return np.asarray(slope[..., np.newaxis] * [1.0, 0.8, 0.6] * (1 + draw), np.float32)


def check_outside(before: FloatImage, after: FloatImage) -> None:
    assert np.array_equal(before[~INSIDE], after[~INSIDE])


@given(st.floats(0.3, 0.8), st.integers(70, 105))
def test_a_fine_dark_line_is_closed(depth: float, column: int) -> None:
    picture = ground()
    picture[95:160, column : column + 3] *= np.float32(1 - depth)
    before = picture.copy()
    close(picture, BOX, 21)
    assert np.abs(picture / ground() - 1)[100:155].max() < 0.06
    check_outside(before, picture)


def test_light_specks_are_closed_only_when_asked() -> None:
    picture = ground()
    picture[120:123, 90:110] = 0.95
    dark_only = picture.copy()
    close(dark_only, BOX, 21)
    assert np.array_equal(dark_only[120:123, 90:110], picture[120:123, 90:110])
    close(picture, BOX, 21, lighter=True)
    assert np.abs(picture / ground() - 1).max() < 0.06


@given(st.floats(0.2, 0.6))
def test_a_shadow_is_cleaned_and_the_grain_stays(depth: float) -> None:
    picture = ground(0.01)
    across = np.exp(-(((np.arange(WIDTH) - 90) / 8) ** 2))
    picture *= np.where(INSIDE, 1 - depth * across, 1)[..., np.newaxis].astype(np.float32)
    before = picture.copy()
    clean_shadow(picture, BOX)
    middle = np.s_[105:150, 70:112]
    assert np.abs(picture[middle].mean(axis=0) / ground()[middle].mean(axis=0) - 1).max() < 0.04
    assert (picture[middle] / ground()[middle]).std() > 0.007
    check_outside(before, picture)


def test_skin_is_laid_over_a_mark() -> None:
    picture = ground(0.01)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    picture[np.hypot(y - 127, x - 90) < 18] *= 0.2
    before = picture.copy()
    lay_skin_over(picture, BOX)
    assert np.abs(picture / ground() - 1)[INSIDE].max() < 0.08
    check_outside(before, picture)


def test_a_piece_of_the_donor_is_brought_over() -> None:
    picture, donor = ground(), ground() + np.float32(0.2)
    before = picture.copy()
    bring_over(picture, donor, {**BOX, "shape": "ellipse"})
    assert np.allclose(picture[127, 90], donor[127, 90])
    assert ((picture >= before - 1e-6) & (picture <= donor + 1e-6)).all()
    check_outside(before, picture)


def test_soft_is_softer() -> None:
    picture = ground(0.03)
    before = picture.copy()
    soften(picture, BOX)
    middle: Any = np.s_[110:140, 75:105]
    assert np.diff(picture[middle], axis=1).std() < 0.5 * np.diff(before[middle], axis=1).std()
    check_outside(before, picture)
