"""Depth and range: exact at the ends, half up between, the same integers back."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import bit_depth


def test_every_integer_comes_back() -> None:
    eight, sixteen = np.arange(256, dtype=np.uint8), np.arange(65536, dtype=np.uint16)
    assert np.array_equal(bit_depth.to_uint8(bit_depth.from_integers(eight)), eight)
    assert np.array_equal(bit_depth.to_uint16(bit_depth.from_integers(sixteen)), sixteen)
    assert bit_depth.from_integers(sixteen).dtype == np.float32
    assert bit_depth.from_integers(sixteen)[-1] == bit_depth.from_integers(eight)[-1] == 1.0


@pytest.mark.parametrize("depth", [np.dtype(np.uint8), np.dtype(np.uint16)])
def test_a_table_of_every_integer(depth: np.dtype[np.uint8] | np.dtype[np.uint16]) -> None:
    count = 1 << 8 * depth.itemsize
    assert np.array_equal(bit_depth.every_integer(depth), bit_depth.from_integers(np.arange(count).astype(depth)))
    with pytest.raises(FrameError) as caught:
        bit_depth.every_integer(np.dtype(np.int32))
    assert caught.value.code == "P002"


def test_half_goes_up_and_the_outside_is_clipped() -> None:
    values = np.array([-3.0, 0.0, 0.5, 1.0, 300.0], np.float32)
    assert bit_depth.to_uint8(values).tolist() == [0, 0, 128, 255, 255]
    assert bit_depth.to_uint16(values).tolist() == [0, 0, 32768, 65535, 65535]


# IEC 61966-2-1:1999, CHECKS 2.1: 18 % grey is 117.646 in 8 bits and 30234.97 in 16, half of white 187.516
@pytest.mark.parametrize(("linear", "eight", "sixteen"), [(0.18, 118, 30235), (0.5, 188, 48192), (0.9, 243, 62565)])
def test_greys_of_srgb(linear: float, eight: int, sixteen: int) -> None:
    encoded = np.array([1.055 * linear ** (1 / 2.4) - 0.055], np.float32)
    assert bit_depth.to_uint8(encoded).tolist() == [eight]
    assert bit_depth.to_uint16(encoded).tolist() == [sixteen]


@settings(deadline=None, max_examples=40)
@given(hnp.arrays(np.float32, st.integers(1, 40), elements=st.floats(-2, 2, width=32)))
def test_quantising_errs_by_half_a_step_at_most(values: bit_depth.FloatImage) -> None:
    wanted = np.clip(values.astype(np.float64), 0, 1)
    assert np.abs(bit_depth.to_uint8(values) - wanted * 255).max() <= 0.5 + 1e-4
    assert np.abs(bit_depth.to_uint16(values) - wanted * 65535).max() <= 0.5 + 1e-2


@pytest.mark.parametrize("poison", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_refused(poison: float) -> None:
    values = np.array([0.1, poison, 0.2], np.float32)
    for quantise in (bit_depth.to_uint8, bit_depth.to_uint16):
        with pytest.raises(FrameError) as caught:
            quantise(values)
        assert caught.value.code == "P002"


def test_other_types_are_refused() -> None:
    with pytest.raises(FrameError):
        bit_depth.from_integers(np.zeros(3, np.int32))
    with pytest.raises(FrameError):
        bit_depth.to_uint8(np.zeros(3, np.int32))
