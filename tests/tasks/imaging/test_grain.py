"""Grain measured as a film is measured: through a disc of 48 µm at density 1.0."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.signal import fftconvolve
from scipy.special import i0e, i1e, j1

from glassine.schemas.errors import FrameError
from glassine.tasks.delivery.rendition import resize_linear
from glassine.tasks.imaging import grain
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.proof import resize_long_side

Array = NDArray[np.float64]


def disc(diameter_um: float, pitch_um: float) -> Array:
    """A disc as weights of pixels, each by the part of it that the disc covers (16 × 16 points a pixel)."""
    reach = math.ceil(diameter_um / 2 / pitch_um + 0.5)
    fine = (np.arange((2 * reach + 1) * 16) + 0.5) / 16 - reach - 0.5
    inside = (fine[:, np.newaxis] ** 2 + fine**2) * pitch_um**2 < diameter_um**2 / 4
    weights = inside.reshape(2 * reach + 1, 16, 2 * reach + 1, 16).mean(axis=(1, 3))
    return np.asarray(weights / weights.sum())


def flat(density: float, side: int) -> FloatImage:
    return np.full((side, side), 10.0**-density, np.float32)


def measured_density(density: float, side: int, pitch_um: float, clump_um: float, granularity: float) -> Array:
    grained = grain.add_grain(flat(density, side), granularity, side * pitch_um / 1000, clump_um, seed=5)
    return np.asarray(-np.log10(grained.astype(np.float64)))


def through(density: Array, weights: Array) -> float:
    return float(fftconvolve(density, weights, mode="valid").std())


# Granularities that makers of film print: 8 to 18. At a pitch of 2 µm the disc is 24 pixels wide, and its edge in
# pixels costs less than 2 %; a disc's worth of 1,800 µm² lies 2,200 times in this field.
@pytest.mark.parametrize(
    ("granularity", "clump_um"), [(8.0, 0.0), (8.0, 10.0), (10.0, 4.0), (17.0, 0.0), (17.0, 6.0), (17.0, 10.0)]
)
def test_the_disc_reads_the_granularity_back(granularity: float, clump_um: float) -> None:
    density = measured_density(1.0, 1000, 2.0, clump_um, granularity)
    assert 1000 * through(density, disc(48.0, 2.0)) == pytest.approx(granularity, rel=0.05)


# What a disc made of pixels reads of true white grain, √Σw² over the ideal: 0.953 at 6 µm, 0.899 at 12 µm.
@pytest.mark.parametrize(("pitch_um", "part"), [(6.0, 0.953), (12.0, 0.899)])
def test_coarse_pixels_read_what_the_pixelated_disc_must(pitch_um: float, part: float) -> None:
    weights = disc(48.0, pitch_um)
    ideal = pitch_um / (math.sqrt(math.pi) * 24)
    assert math.sqrt(float((weights**2).sum())) / ideal == pytest.approx(part, abs=0.002)
    density = measured_density(1.0, 800, pitch_um, 0.0, 17.0)
    assert 1000 * through(density, weights) == pytest.approx(17.0 * part, rel=0.03)


def test_selwyns_law_holds_for_unclumped_grain() -> None:
    """σ·√A is constant (Selwyn 1935), here over 24 to 192 µm."""
    density = measured_density(1.0, 1200, 3.0, 0.0, 17.0)
    products = []
    for diameter_um in (24.0, 48.0, 96.0, 192.0):
        products.append(through(density, disc(diameter_um, 3.0)) * math.sqrt(math.pi) * diameter_um / 2)
    assert products == pytest.approx([0.723] * 4, rel=0.06)


# Selwyn: σ of a pixel = σ of the disc × 42.5389 µm / pitch, for 24 × 36 mm at 6000 and 3000 px and for 121 mm.
@pytest.mark.parametrize(
    ("granularity", "pitch_um", "sigma"), [(8, 6.0, 0.0567), (17, 6.0, 0.1205), (17, 12.0, 0.0603), (10, 20.17, 0.0211)]
)
def test_a_pixels_fluctuation_follows_the_scale(granularity: float, pitch_um: float, sigma: float) -> None:
    assert grain.pixel_sigma_density(granularity, pitch_um, 0.0) == pytest.approx(sigma, abs=6e-5)


@pytest.mark.parametrize("clump_um", [1.0, 2.0, 5.0, 10.0, 30.0])
def test_clumping_ratio_is_the_integral_over_the_discs_transfer_function(clump_um: float) -> None:
    blur = clump_um / 24.0

    def power(u: float) -> float:
        return 2 * float(j1(u)) ** 2 / u * math.exp(-((blur * u) ** 2))

    variance = quad(power, 1e-9, 12 / blur, limit=2000)[0]
    assert grain.clumping_ratio(clump_um) == pytest.approx(math.sqrt(variance), rel=1e-4)


# Weber's integral for Gaussians of 2, 5, 10 µm gives 0.952, 0.876, 0.743 of white grain through an ideal disc; a disc
# made of pixels of 3 µm reads 0.972, 0.896, 0.755, since white grain loses more by it.
@pytest.mark.parametrize(("clump_um", "part"), [(2.0, 0.972), (5.0, 0.896), (10.0, 0.755)])
def test_clumps_break_selwyns_law_at_small_apertures(clump_um: float, part: float) -> None:
    weights = disc(48.0, 3.0)
    white = through(measured_density(1.0, 1200, 3.0, 0.0, 17.0), weights)
    clumped = through(measured_density(1.0, 1200, 3.0, clump_um, 17.0), weights) * grain.clumping_ratio(clump_um)
    assert clumped / white == pytest.approx(part, abs=0.015)


def test_clumped_grain_through_apertures_is_webers_integral_at_each() -> None:
    """σ·√A falls towards small apertures, and stays through large ones."""
    density = measured_density(1.0, 1200, 3.0, 6.0, 17.0)
    for diameter_um in (24.0, 48.0, 96.0, 192.0):
        wanted = math.sqrt(1 - i0e(t := (diameter_um / 2 / 6.0) ** 2 / 2) - i1e(t)) / grain.clumping_ratio(6.0)
        product = through(density, disc(diameter_um, 3.0)) * math.sqrt(math.pi) * diameter_um / 2
        assert product == pytest.approx(0.723 * wanted, rel=0.05)


# A proof of 1600 px of 36 mm has a pitch of 22.5 µm, a final of 8256 px 4.36 µm.
@pytest.mark.parametrize("pitch_um", [2.0, 4.36, 6.0, 12.0, 22.5])
@pytest.mark.parametrize("clump_um", [0.0, 4.0, 6.0, 10.0])
def test_a_pixel_is_a_square_aperture(pitch_um: float, clump_um: float) -> None:
    """Against the integral over the square's transfer function, sinc², of the clumps' power."""

    def power(u: float) -> float:
        return float(np.sinc(u)) ** 2 * math.exp(-((2 * math.pi * u * clump_um / pitch_um) ** 2))

    reach = 400.0 if clump_um == 0 else min(400.0, 2 * pitch_um / clump_um)
    axis = 2 * sum(quad(power, start, start + 1)[0] for start in np.arange(0, reach))
    white = 0.017 * math.sqrt(math.pi) * 24 / pitch_um
    wanted = white * axis / grain.clumping_ratio(clump_um)
    assert grain.pixel_sigma_density(17.0, pitch_um, clump_um) == pytest.approx(wanted, rel=2e-3)
    measured = measured_density(1.0, 500, pitch_um, clump_um, 1.7).std()
    assert measured == pytest.approx(wanted / 10, rel=0.03)


@pytest.mark.parametrize("sigma_px", [0.05, 0.27, 0.5, 1.0, 1.4, 5.0, 40.0])
def test_the_kernels_autocorrelation_is_that_of_squares_over_clumps(sigma_px: float) -> None:
    kernel = grain.clump_kernel(sigma_px).astype(np.float64)
    assert np.array_equal(kernel, kernel[::-1])
    assert (kernel**2).sum() == pytest.approx(1.0, abs=1e-6)
    lags = range(4)

    def covariance(lag: float) -> float:
        def overlap(x: float) -> float:
            return (1 - abs(x - lag)) * math.exp(-(x**2) / (4 * sigma_px**2)) / (2 * sigma_px * math.sqrt(math.pi))

        return float(sum(quad(overlap, start, start + 0.05)[0] for start in np.arange(lag - 1, lag + 1, 0.05)))

    wanted = np.array([covariance(lag) for lag in lags])
    found = [float((kernel[lag:] * kernel[: kernel.size - lag]).sum()) for lag in lags]
    assert found == pytest.approx(wanted / wanted[0], abs=2e-3)


# One final at 6000 px reduced to 1500 px, and a proof of 1600 px, against grain laid over the small picture. A Lanczos
# filter is no square: it has up to a tenth more or less in single pixels, and through two pixels up to 7 %.
@pytest.mark.parametrize("clump_um", [0.0, 6.0, 10.0])
@pytest.mark.parametrize(("kind", "small_px"), [("rendition", 1500), ("rendition", 3000), ("proof", 1600)])
def test_a_reduced_picture_has_the_grain_of_its_size(kind: str, small_px: int, clump_um: float) -> None:
    part = 2400  # of 6000 px
    side = part * small_px // 6000
    large = grain.add_grain(flat(1.0, part), 17.0, 36.0, clump_um, seed=3, long_side_px=6000)
    three = np.repeat(large[..., np.newaxis], 3, axis=2)
    resized = resize_linear(three, side, side) if kind == "rendition" else resize_long_side(three, side)
    own = grain.add_grain(flat(1.0, side), 17.0, 36.0, clump_um, seed=4, long_side_px=small_px)
    pitch_um = 36000 / small_px
    for diameter_um, tolerance in ((48.0, 0.075), (96.0, 0.05), (192.0, 0.05)):
        weights = disc(diameter_um, pitch_um)
        reduced, laid = (through(-np.log10(each.astype(np.float64)), weights) for each in (resized[..., 0], own))
        assert reduced == pytest.approx(laid, rel=tolerance)


def test_in_code_values_grain_is_strongest_in_light_middle_tones() -> None:
    """What is claimed is density; here is what it means for gamma 2.2 codes, from paper white to black."""
    densities = (0.02, 0.1, 0.25, 0.5, 1.0, 1.5, 2.0, 2.5)
    strength = [
        float((grain.add_grain(flat(density, 300), 17.0, 3.6, 6.0, seed=6) ** (1 / 2.2)).std()) for density in densities
    ]
    assert int(np.argmax(strength)) == densities.index(0.5)
    assert strength[:4] == sorted(strength[:4])
    assert strength[3:] == sorted(strength[3:], reverse=True)


def test_fluctuation_goes_with_the_root_of_density_and_white_stays_clean() -> None:
    at_one = measured_density(1.0, 400, 6.0, 0.0, 17.0).std()
    assert measured_density(2.0, 400, 6.0, 0.0, 17.0).std() == pytest.approx(at_one * math.sqrt(2), rel=0.01)
    assert measured_density(0.5, 400, 6.0, 0.0, 17.0).std() == pytest.approx(at_one * math.sqrt(0.5), rel=0.01)
    assert np.all(measured_density(0.0, 50, 6.0, 4.0, 17.0) == 0)


@pytest.mark.parametrize("clump_um", [0.0, 6.0])
def test_a_tone_keeps_its_mean_light(clump_um: float) -> None:
    grained = grain.add_grain(flat(1.0, 800), 17.0, 4.8, clump_um, seed=9)
    assert float(grained.mean(dtype=np.float64)) == pytest.approx(0.1, rel=0.005)


@given(cuts=st.lists(st.integers(1, 149), max_size=8), seed=st.integers(0, 2**40), order=st.randoms())
@settings(deadline=None, max_examples=15)
def test_grain_is_the_same_in_bands_of_any_order_on_several_threads(cuts: list[int], seed: int, order: Random) -> None:
    picture = np.random.default_rng(3).random((150, 90, 3), np.float32)
    whole = grain.add_grain(picture, 12.0, 1.0, 9.0, seed=seed)
    bands = list(pairwise(sorted({0, 150, *cuts})))
    order.shuffle(bands)

    def render(band: tuple[int, int]) -> FloatImage:
        return grain.add_grain(picture[slice(*band)], 12.0, 1.0, 9.0, seed=seed, long_side_px=150, top=band[0])

    with ThreadPoolExecutor(3) as threads:
        for band, grained in zip(bands, threads.map(render, bands), strict=True):
            assert np.array_equal(grained, whole[slice(*band)])


def test_grain_is_the_same_however_the_picture_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = np.random.default_rng(3).random((150, 90, 3), np.float32)
    whole = grain.add_grain(picture, 12.0, 1.0, 9.0, seed=4)
    monkeypatch.setattr(grain, "_STRIP_PX", 17)
    assert np.array_equal(grain.add_grain(picture, 12.0, 1.0, 9.0, seed=4), whole)
    assert not np.array_equal(grain.add_grain(picture, 12.0, 1.0, 9.0, seed=5), whole)


def test_all_channels_bear_the_same_grain_and_no_granularity_is_no_grain() -> None:
    picture = np.full((40, 40, 3), [0.2, 0.1, 0.05], np.float32)
    grained = grain.add_grain(picture, 17.0, 0.4, 0.0, seed=4)
    factors = grained / picture
    assert factors[..., 0] == pytest.approx(factors[..., 2], rel=1e-5)
    assert factors.std() > 0.05
    assert np.array_equal(grain.add_grain(picture, 0.0, 0.4, 5.0, seed=4), picture)


@pytest.mark.parametrize("bad", [np.zeros((2, 2, 4), np.float32), np.full((2, 2), np.inf, np.float32)])
def test_what_is_no_picture_is_refused(bad: FloatImage) -> None:
    with pytest.raises(FrameError) as caught:
        grain.add_grain(bad, 10.0, 36.0, 0.0, 1)
    assert caught.value.code == "P002"
