"""Whether a picture lies over its base: shifted against it, or of other detail altogether."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter, uniform_filter
from skimage.registration import phase_cross_correlation

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.icc_profile import luminance
from glassine.tasks.imaging.rendering import read_picture

_LONG_SIDE_PX: Final = 1024
"""The whole is looked at this small: enough for a shift of a few pixels of the full picture, and quick."""
_WINDOW_PX: Final = 1024
"""The place with the most detail is looked at in full size, so that the shift is exact to the pixel."""
_FINER: Final = 10
"""Parts of a reduced pixel that the first look tells apart."""
_DETAIL_PX: Final = 2.0
_LOCAL_PX: Final = 8.0
"""Sigmas: what is finer than the first is detail; it is weighed against that of its neighbourhood, the second."""
_FORMS_PX: Final = 2.0
"""Sigma on the reduced picture; what is left are the forms."""
_FLOOR: Final = 1e-4
"""Lightness, of 0 to 1; detail fainter than this is rounding (16 bits have 1.5e-5)."""
_FITS: Final = 0.7
"""Correlation of detail from which two pictures show the same (own choice)."""
_BETTER: Final = 0.5
"""What must be left, at most, of the lack of correlation once a shift is undone."""
_LEAST_PX: Final = 16
"""A picture with a side smaller than this says nothing."""
_TILE_PX: Final = 64
_NOISE_FITS: Final = 0.05
"""Correlation of detail that a quarter of the tiles may lie below. Two exposures of one scene had 0.006, pictures that
were cleaned of noise or given grain 0.13 and more (measured on simulated frames)."""
_UNTOUCHED: Final = 0.01
"""Of the pixels; where as many are as they were to the bit, it is this frame."""

Shift = tuple[int, int]
"""Pixels to the right and down; below 0 to the left and up."""


@dataclass(frozen=True)
class Fit:
    """How a picture lies over its base."""

    shift: Shift
    """(0, 0) where there is none, or none can be told."""
    same_detail: bool
    """Whether both show the same, once the shift is undone."""
    same_noise: bool
    """Whether there is anything of one and the same exposure in both; two frames of one pose have none."""


def measure_fit(base: Path, returned: Path) -> Fit:
    """Say how far a picture is shifted against its base, and whether it shows the same at all.

    A grade of the whole, however strong, is no shift, and leaves detail and noise.

    Parameters
    ----------
    base, returned : TIFFs of the same size

    Raises
    ------
    FrameError
        P001 where a file is no such TIFF.

    Notes
    -----
    Phase correlation (as scikit-image has it, after Guizar-Sicairos, Thurman and Fienup 2008) of the detail in
    lightness: first of the whole, reduced, then of one window in full size. A shift counts only if undoing it makes
    the detail of the whole fit, and much better than it did. Noise is what is left of detail on plain ground.
    """
    one, other = _lightness(base), _lightness(returned)
    if min(one.shape) < _LEAST_PX:
        return Fit((0, 0), same_detail=True, same_noise=True)
    reduced = [_reduced(picture) for picture in (one, other)]
    small_one, small_other = map(_detail, reduced)
    if not small_one.any():
        return Fit((0, 0), same_detail=True, same_noise=True)
    untouched = _untouched(one, other)
    shift = _refined(one, other, _shift(small_one, small_other, _FINER), small_one)
    one, other = _detail(one), _detail(other)
    unmoved = _correlation(one, other)
    if shift != (0, 0):
        moved = _correlation(*_overlap(one, other, shift))
        if moved >= _FITS and 1 - moved <= _BETTER * (1 - unmoved):
            return Fit(shift, same_detail=True, same_noise=True)
    same_noise = untouched >= _UNTOUCHED or _tile_correlation(one, other) >= _NOISE_FITS
    if unmoved >= _FITS:
        return Fit((0, 0), same_detail=True, same_noise=same_noise)
    # Noise and grain fall out of the forms: a picture that got them, or was cleaned of them, still shows the same.
    forms = _correlation(*(_detail(gaussian_filter(picture, _FORMS_PX)) for picture in reduced))
    return Fit((0, 0), same_detail=forms >= _FITS, same_noise=same_noise)


def _lightness(path: Path) -> FloatImage:
    """The cube root of luminance, as in CIELAB (CIE 15): an exposure then scales shadows and lights alike."""
    light = luminance(read_picture(path)[0])
    return np.cbrt(np.clip(light, 0.0, 1.0, out=light), out=light)


def _reduced(picture: FloatImage) -> FloatImage:
    """Means of squares of pixels, so that the long side is about 1,024."""
    cell = -(-max(picture.shape) // _LONG_SIDE_PX)
    height, width = (side // cell * cell for side in picture.shape)
    squares = picture[:height, :width].reshape(height // cell, cell, width // cell, cell)
    return np.asarray(squares.mean(axis=(1, 3), dtype=np.float32))


def _detail(picture: FloatImage) -> FloatImage:
    """What is fine, of about the same strength everywhere: a curve or an exposure then makes next to no difference."""
    fine: FloatImage = picture - gaussian_filter(picture, _DETAIL_PX)
    fine /= np.sqrt(gaussian_filter(fine * fine, _LOCAL_PX)) + np.float32(_FLOOR)
    return fine


def _shift(one: FloatImage, other: FloatImage, finer: int) -> tuple[float, float]:
    """Pixels to the right and down by which the second lies off the first; both of detail."""
    if not (one.any() and other.any()):
        return 0.0, 0.0
    # A window that falls off to the borders: their meeting is no detail, and would tell of no shift.
    window = np.outer(np.hanning(one.shape[0] + 2)[1:-1], np.hanning(one.shape[1] + 2)[1:-1]).astype(np.float32)
    # scikit-image bears no types
    found = phase_cross_correlation(one * window, other * window, upsample_factor=finer)[0]  # type: ignore[no-untyped-call]
    return -float(found[1]), -float(found[0])


def _refined(one: FloatImage, other: FloatImage, reduced: tuple[float, float], small: FloatImage) -> Shift:
    """The shift in full pixels, from the shift of the reduced pictures, at the place of the most detail."""
    height, width = one.shape
    cell = -(-max(one.shape) // _LONG_SIDE_PX)
    right, down = (round(part * cell) for part in reduced)
    high, wide = min(_WINDOW_PX, height - abs(down)), min(_WINDOW_PX, width - abs(right))
    if min(high, wide) < _LEAST_PX:
        return 0, 0
    strength = uniform_filter(np.abs(small), (max(1, high // cell), max(1, wide // cell)))
    y, x = np.unravel_index(int(strength.argmax()), strength.shape)
    top = min(max(int(y) * cell - high // 2, max(0, -down)), height - high - max(0, down))
    left = min(max(int(x) * cell - wide // 2, max(0, -right)), width - wide - max(0, right))
    here = _detail(one[top : top + high, left : left + wide])
    there = _detail(other[top + down : top + down + high, left + right : left + right + wide])
    more = _shift(here, there, 1)
    return right + round(more[0]), down + round(more[1])


def _overlap(one: FloatImage, other: FloatImage, shift: Shift) -> tuple[FloatImage, FloatImage]:
    """The parts of two pictures that show the same if the second is shifted against the first."""
    (right, down), (height, width) = shift, one.shape
    rows, columns = slice(max(0, -down), height - max(0, down)), slice(max(0, -right), width - max(0, right))
    moved_rows = slice(rows.start + down, rows.stop + down)
    moved_columns = slice(columns.start + right, columns.stop + right)
    return one[rows, columns], other[moved_rows, moved_columns]


def _correlation(one: FloatImage, other: FloatImage) -> float:
    if not one.size:
        return 0.0
    strength = np.sqrt(np.mean(one * one, dtype=np.float64) * np.mean(other * other, dtype=np.float64))
    return float(np.mean(one * other, dtype=np.float64) / strength) if strength else 0.0


def _untouched(one: FloatImage, other: FloatImage) -> float:
    """Which part of the pixels is as it was to the bit; black and clipped ones, which are alike anywhere, apart."""
    telling = (one > 0) & (one < 1)
    count = int(np.count_nonzero(telling))
    return int(np.count_nonzero(telling & (one == other))) / count if count else 1.0


def _tile_correlation(one: FloatImage, other: FloatImage) -> float:
    """Correlation of detail that a quarter of the picture's tiles lies below; 1 where no tile has any."""
    height, width = (side // _TILE_PX * _TILE_PX for side in one.shape)

    def means(product: FloatImage) -> FloatImage:
        squares = product[:height, :width].reshape(height // _TILE_PX, _TILE_PX, width // _TILE_PX, _TILE_PX)
        return np.asarray(squares.mean(axis=(1, 3)))

    strength = np.sqrt(means(one * one) * means(other * other))
    telling = strength > 0
    if not telling.any():
        return 1.0
    return float(np.percentile(means(one * other)[telling] / strength[telling], 25))
