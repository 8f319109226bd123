"""Pictures made smaller, in light, by a filter over the area of a new pixel."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from glassine.tasks.imaging.bands import in_order
from glassine.tasks.imaging.bit_depth import FloatImage, from_integers

_ROWS_AT_ONCE = 64
"""New rows that Pillow gets at once: it works out its weights anew each time."""
_ROWS_IN_CACHE = 16
"""New rows made of such a part of the picture that it stays in the processor's cache."""

_Taps = tuple[int, NDArray[np.float32]]


def reduce_picture(picture: NDArray[Any], width: int, height: int) -> FloatImage:
    """Make a picture smaller by Pillow's Hamming filter: no negative lobes, so that no dark rim is drawn round a light.

    Parameters
    ----------
    picture : float32, or uint8 or uint16 as `from_integers` takes it, (H, W, 3): linear light
        Not modified. Integers give the same as their light does, to the bit, and need no memory for it.
    width, height : px, no larger than those of the picture

    Returns
    -------
    float32, (height, width, 3).

    Notes
    -----
    A pixel counts with sinc times Hamming's raised cosine, over the breadth of one new pixel to each side of its centre.
    First along the columns, in strips on every core; then along the rows by Pillow itself. Pillow alone differs by one
    rounding of float32, in three times the time (60 and 246 ms of processor for 11 megapixels to 1600 px).
    """
    reduced = np.empty((height, width, 3), np.float32)
    taps = _taps(picture.shape[0], height)
    tops = range(0, height, _ROWS_AT_ONCE)
    for _ in in_order(partial(_reduce_rows, picture, reduced, top, taps[top : top + _ROWS_AT_ONCE]) for top in tops):
        pass
    return reduced


def block_means(picture: NDArray[Any], side: int) -> FloatImage:
    """The mean light of square blocks of pixels, over all channels: a picture's coarse shape.

    Parameters
    ----------
    picture : float32, or uint8 or uint16 as `from_integers` takes it, (H, W, 3)
    side : of a block, px; rows and columns at the lower and right edge that fill none are left out

    Returns
    -------
    float32, (H // side, W // side).

    Examples
    --------
    >>> block_means(np.array([[[0, 0, 0], [255, 255, 255]]] * 2, np.uint8), 2).tolist()
    [[0.5]]
    """
    down, across = (length // side for length in picture.shape[:2])
    means = np.empty((down, across), np.float32)
    step = max(1, 2 * _ROWS_IN_CACHE // side)
    for top in range(0, down, step):
        bottom = min(top + step, down)
        strip = picture[top * side : bottom * side, : across * side]
        light = strip if strip.dtype == np.float32 else from_integers(strip)
        rows = light.reshape(bottom - top, side, across * side * 3)
        summed = rows[:, 0].copy()
        for row in range(1, side):
            summed += rows[:, row]
        mean = means[top:bottom]
        mean[:] = summed[:, :: side * 3]
        for place in range(1, side * 3):
            mean += summed[:, place :: side * 3]
        mean *= np.float32(1 / (3 * side**2))
    return means


def _reduce_rows(picture: NDArray[Any], reduced: FloatImage, top: int, taps: list[_Taps]) -> None:
    """Make the new rows from `top` on, one for each of the taps."""
    summed = np.empty((len(taps), *picture.shape[1:]), np.float32)
    for begin in range(0, len(taps), _ROWS_IN_CACHE):
        _sum_rows(picture, summed[begin : begin + _ROWS_IN_CACHE], taps[begin : begin + _ROWS_IN_CACHE])
    for channel in range(3):
        plane = Image.fromarray(np.ascontiguousarray(summed[..., channel]))
        across = plane.resize((reduced.shape[1], len(taps)), Image.Resampling.HAMMING)
        reduced[top : top + len(taps), :, channel] = np.asarray(across)


def _sum_rows(picture: NDArray[Any], summed: FloatImage, taps: list[_Taps]) -> None:
    first, last = taps[0][0], taps[-1][0] + len(taps[-1][1])
    light = picture[first:last]
    light = light if light.dtype == np.float32 else from_integers(light)
    part = np.empty(light.shape[1:], np.float32)
    for row, (begin, weights) in zip(summed, taps, strict=True):
        # A sum spelt out has one order on every processor.
        np.multiply(light[begin - first], weights[0], out=row)
        for step, weight in enumerate(weights[1:], start=begin - first + 1):
            np.multiply(light[step], weight, out=part)
            row += part


def _taps(height: int, new_height: int) -> list[_Taps]:
    """For each new row, the first row that it is made of, and the weights of that and the next; they add up to 1."""
    scale = height / new_height
    centre = (np.arange(new_height) + 0.5) * scale
    begin = np.maximum(centre - scale + 0.5, 0).astype(int)
    end = np.minimum(centre + scale + 0.5, height).astype(int)
    rows = begin[:, np.newaxis] + np.arange((end - begin).max())
    away = np.abs(rows + 0.5 - centre[:, np.newaxis]) / scale
    counts = (away < 1) & (rows < end[:, np.newaxis])
    weights = np.where(counts, np.sinc(away) * (0.54 + 0.46 * np.cos(np.pi * away)), 0.0)
    weights /= weights.sum(axis=1, keepdims=True)
    each = zip(begin.tolist(), (end - begin).tolist(), weights.astype(np.float32), strict=True)
    return [(first, of_row[:count]) for first, count, of_row in each]
