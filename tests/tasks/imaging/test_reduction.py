"""Smaller pictures: Pillow's own filter as the reference, integers as their light, nothing made up at an edge."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import reduction
from glassine.tasks.imaging.bit_depth import FloatImage, from_integers


def by_pillow(light: FloatImage, width: int, height: int) -> FloatImage:
    planes = [Image.fromarray(np.ascontiguousarray(light[..., channel])) for channel in range(3)]
    return np.stack([np.asarray(plane.resize((width, height), Image.Resampling.HAMMING)) for plane in planes], -1)


@st.composite
def reductions(draw: st.DrawFn) -> tuple[NDArray[Any], int, int]:
    height, width = draw(st.integers(1, 150)), draw(st.integers(1, 150))
    depth: type[np.uint8] | type[np.uint16] = np.uint16 if draw(st.booleans()) else np.uint8
    count = np.iinfo(depth).max + 1
    picture = np.random.default_rng(height * width).integers(0, count, (height, width, 3)).astype(depth)
    return picture, draw(st.integers(1, width)), draw(st.integers(1, height))


@settings(deadline=None, max_examples=80)
@given(reductions())
def test_as_pillow_does_it_with_planes_of_float(drawn: tuple[NDArray[Any], int, int]) -> None:
    picture, width, height = drawn
    light = from_integers(picture)
    reduced = reduction.reduce_picture(light, width, height)
    assert reduced.shape == (height, width, 3)
    assert np.abs(reduced - by_pillow(light, width, height)).max() < 2e-6
    assert np.array_equal(reduction.reduce_picture(picture, width, height), reduced), "integers are as good as light"


@settings(deadline=None, max_examples=20)
@given(st.integers(1, 90), st.integers(1, 90), st.integers(1, 40), st.integers(1, 40))
def test_an_even_picture_stays_even_and_within_its_range(
    height: int, width: int, new_height: int, new_width: int
) -> None:
    light = np.full((height, width, 3), 0.75, np.float32)
    reduced = reduction.reduce_picture(light, min(width, new_width), min(height, new_height))
    assert np.abs(reduced - 0.75).max() < 1e-6


def test_the_rows_at_once_change_no_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    light = np.random.default_rng(8).random((203, 170, 3), dtype=np.float32)
    usual = reduction.reduce_picture(light, 61, 77)
    means = reduction.block_means(light, 4)
    for rows in (1, 5, 500):
        monkeypatch.setattr(reduction, "_ROWS_AT_ONCE", rows)
        monkeypatch.setattr(reduction, "_ROWS_IN_CACHE", 2 * rows)
        assert np.array_equal(reduction.reduce_picture(light, 61, 77), usual)
        assert np.array_equal(reduction.block_means(light, 4), means)


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 9), reductions())
def test_block_means_are_means_of_blocks(side: int, drawn: tuple[NDArray[Any], int, int]) -> None:
    picture = drawn[0]
    down, across = picture.shape[0] // side, picture.shape[1] // side
    means = reduction.block_means(picture, side)
    blocks = from_integers(picture)[: down * side, : across * side].reshape(down, side, across, side, 3)
    assert means.shape == (down, across)
    if means.size:
        assert np.abs(means - blocks.mean(axis=(1, 3, 4), dtype=np.float64)).max() < 1e-6


def test_other_samples_are_refused() -> None:
    whole = np.zeros((8, 8, 3), np.int32)
    for reduce in (partial(reduction.reduce_picture, width=2, height=2), partial(reduction.block_means, side=2)):
        with pytest.raises(FrameError) as caught:
            reduce(whole)
        assert caught.value.code == "P002"
