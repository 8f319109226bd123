"""Monochrome: the contrast filters computed again from measured spectra, and weights in the light that they name.

| what | from where |
|---|---|
| transmittance of the filters, 400 to 700 nm by 10 | "Transmission of … filters", compiled by A. C. Peed for the Handbook of Chemistry and Physics, as typed in github.com/m-lohmann/SpectralVis.jl; checked here against another publication's colour of the red one |
| sensitivity of a general-purpose panchromatic film | from memory: as wedge spectrograms of such films look; held here to the daylight filter factors 2, 4, 8 and 4, which are common practice |
| D55, the observer, the chart's patches | colour-science 0.4.7 (CIE 15; BabelColor's averages) |
| 99 more surfaces: skin, leaves, textiles, paints | CIE 224:2017, as colour-science 0.4.7 has it |
"""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from glassine.tasks.imaging import icc_profile, monochrome
from glassine.tasks.imaging.bit_depth import FloatImage

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour
    from colour.quality.cfi2017 import load_TCS_CIE2017

Spectrum = NDArray[np.float64]

WAVELENGTHS = np.arange(380.0, 785.0, 5.0)
MEASURED_AT = np.arange(400.0, 701.0, 10.0)
PERCENT = {
    "none": [100.0] * 31,
    "yellow": [
        *[0] * 6, 0.25, 5.5, 19, 41, 63.5, 78, 84.1, 86.5, 87.7, 88.4, 88.8, 89.2, 89.5, 89.8, 90.1, 90.3, 90.5, 90.7,
        90.9, 91, 91.1, 91.2, 91.3, 91.4, 91.5,
    ],
    "orange": [
        *[0] * 14, 2.5, 29, 65, 80.6, 85.4, 87.3, 88.1, 88.7, 89, 89.5, 89.9, 90.2, 90.4, 90.5, 90.5, 90.6, 90.6,
    ],
    "red": [*[0] * 19, 12.6, 50, 75, 82.6, 85.5, 86.7, 87.6, 88.2, 88.5, 89, 89.3, 89.5],
    "green": [
        0, 0, 0.16, 0.29, 0.56, 1.32, 4, 12, 26, 43.7, 55, 60, 60.2, 57.8, 54.2, 50, 44.8, 38.9, 33.1, 27.6, 22.7, 19,
        14.9, 11.4, 9.1, 8.05, 7.5, 7.05, 6.5, 6.1, 6.2,
    ],
}  # fmt: skip
LOG_SENSITIVITY = [
    (380, -0.1), (400, 0), (420, 0.05), (450, 0), (480, -0.12), (500, -0.25), (520, -0.25), (540, -0.15), (560, -0.15),
    (580, -0.2), (600, -0.25), (620, -0.2), (640, -0.2), (650, -0.35), (660, -0.85), (670, -1.5), (680, -2.3), (780, -5),
]  # fmt: skip
PATCHES = colour.SDS_COLOURCHECKERS["BabelColor Average"]


def at_wavelengths(measured: colour.SpectralDistribution) -> Spectrum:
    return np.asarray(np.interp(WAVELENGTHS, measured.wavelengths, measured.values))


@cache
def daylight() -> Spectrum:
    return at_wavelengths(colour.SDS_ILLUMINANTS["D55"])


def transmittance(name: str) -> Spectrum:
    return np.asarray(np.interp(WAVELENGTHS, MEASURED_AT, np.array(PERCENT[name]) / 100))


def seen_through(name: str) -> Spectrum:
    """What the film takes in at each wavelength."""
    x, y = np.array(LOG_SENSITIVITY, np.float64).T
    return np.asarray(10 ** np.interp(WAVELENGTHS, x, y) * transmittance(name) * daylight())


@cache
def surfaces() -> Spectrum:
    """Reflectances, (123, 81)."""
    chart = [at_wavelengths(patch) for patch in PATCHES.values()]
    samples = load_TCS_CIE2017(colour.SpectralShape(380, 780, 5)).values.T
    return np.vstack([chart, samples])


def observer() -> Spectrum:
    matching = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.stack([np.interp(WAVELENGTHS, matching.wavelengths, matching.values[:, i]) for i in range(3)], axis=1)


@cache
def in_romm() -> Spectrum:
    """The surfaces in linear ROMM RGB, adapted from D55 by Bradford: (123, 3)."""
    lit = daylight()[:, np.newaxis] * observer()
    white = lit.sum(axis=0)
    xyz = surfaces() @ lit / white[1]
    adaptation = colour.adaptation.matrix_chromatic_adaptation_VonKries(white / white[1], icc_profile.D50, "Bradford")
    return np.asarray(xyz @ (np.linalg.inv(icc_profile.ROMM_TO_XYZ) @ adaptation).T)


def on_film(name: str) -> Spectrum:
    seen = seen_through(name)
    return np.asarray(surfaces() @ seen / seen.sum())


# The wavelengths that the same table has for half transmittance: typing errors would move them.
@pytest.mark.parametrize(("name", "edge_nm"), [("yellow", 494.0), ("orange", 555.8), ("red", 600.0)])
def test_a_filters_edge_lies_where_its_name_has_it(name: str, edge_nm: float) -> None:
    half = np.interp(50.0, PERCENT[name], MEASURED_AT)
    assert half == pytest.approx(edge_nm, abs=0.2)


# D. L. MacAdam, J. Opt. Soc. Am. 35 (1945) 670: the red filter, No. 25, under CIE illuminant C.
def test_the_red_filter_has_its_published_colour() -> None:
    lit = (at_wavelengths(colour.SDS_ILLUMINANTS["C"])[:, np.newaxis] * observer()).T
    x, y, z = lit @ transmittance("red") / lit[1].sum()
    assert y == pytest.approx(0.1425, abs=0.003)
    assert (x / (x + y + z), y / (x + y + z)) == pytest.approx((0.6805, 0.3193), abs=0.003)


# Daylight filter factors of the trade for panchromatic film (common practice), to a third of a stop.
@pytest.mark.parametrize(("name", "factor"), [("yellow", 2.0), ("orange", 4.0), ("red", 8.0), ("green", 4.0)])
def test_the_film_needs_the_filter_factors_of_the_trade(name: str, factor: float) -> None:
    assert abs(np.log2(seen_through("none").sum() / seen_through(name).sum() / factor)) < 1 / 3


@pytest.mark.parametrize("name", monochrome.FILTERS)
def test_the_weights_are_the_least_squares_over_measured_surfaces(name: str) -> None:
    light, wanted = in_romm(), on_film(name)
    # Weights with a sum of 1, each surface counting by its own light: eyes see ratios.
    importance = 1 / (wanted + 0.02)
    unknown = np.stack([light[:, 0] - light[:, 2], light[:, 1] - light[:, 2]], axis=1) * importance[:, np.newaxis]
    red, green = np.linalg.lstsq(unknown, (wanted - light[:, 2]) * importance, rcond=None)[0]
    assert monochrome.FILTERS[name] == pytest.approx((red, green, 1 - red - green), abs=1.5e-3)
    assert sum(monochrome.FILTERS[name]) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "stops"), [("none", 0.065), ("yellow", 0.075), ("orange", 0.055), ("red", 0.22), ("green", 0.065)]
)
def test_three_weights_come_as_near_to_the_film_as_is_said(name: str, stops: float) -> None:
    mixed = in_romm() @ np.array(monochrome.FILTERS[name])
    assert mixed.min() > 0
    assert float(np.sqrt(np.mean(np.log2(mixed / on_film(name)) ** 2))) < stops


def rendered(name: str, patch: str) -> float:
    light = in_romm()[list(PATCHES).index(patch)].astype(np.float32)[np.newaxis, np.newaxis]
    weights = monochrome.channel_weights({"step": "monochrome", "filter": name})
    assert weights is not None
    return float(monochrome.mix_channels(light, weights)[0, 0, 0])


def test_the_filters_do_what_the_trade_knows_them_for() -> None:
    sky = [rendered(name, "blue sky") for name in ("none", "yellow", "orange", "red")]
    assert sky == sorted(sky, reverse=True), "a blue sky goes darker from filter to filter"
    assert sky[0] / sky[2] > 1.5
    lips = [rendered(name, "moderate red") for name in ("green", "none", "yellow", "orange", "red")]
    assert lips == sorted(lips), "red lips go lighter"
    assert lips[-1] / lips[1] > 2
    assert rendered("green", "foliage") > 1.25 * rendered("none", "foliage")
    assert rendered("red", "light skin") > 1.4 * rendered("none", "light skin")
    assert rendered("green", "light skin") < 0.85 * rendered("yellow", "light skin")


@given(light=st.floats(0, 1, width=32), name=st.sampled_from(sorted(monochrome.FILTERS)))
def test_a_grey_stays_as_it_is(light: float, name: str) -> None:
    weights = monochrome.channel_weights({"step": "monochrome", "filter": name})
    assert weights is not None
    mixed = monochrome.mix_channels(np.full((1, 1, 3), light, np.float32), weights)
    assert mixed[0, 0, 0] == pytest.approx(light, abs=3e-7)


# A pure primary of the space has its own weight, over the sum of the three.
@pytest.mark.parametrize("space", ["sRGB", "Adobe RGB (1998)", "ROMM RGB"])
def test_weights_work_in_the_light_that_they_name(space: str) -> None:
    step = {"step": "monochrome", "red": 0.5, "green": 1.25, "blue": 0.25, "primaries": space}
    weights = monochrome.channel_weights(step)
    assert weights is not None
    primaries: FloatImage = icc_profile.decode(np.eye(3, dtype=np.float32)[np.newaxis], space)
    assert monochrome.mix_channels(primaries, weights)[0, :, 0] == pytest.approx([0.25, 0.625, 0.125], abs=1e-6)


# Rec. 709 luminance of sRGB red, green, blue, (200, 120, 90) and (224, 172, 105), in sRGB codes: 127.102, 219.933, 75.963,
# 140.550, 181.289. It is the weighting of linear light before any adaptation.
def test_rec_709_weights_of_linear_srgb_give_the_reference_codes() -> None:
    step = {"step": "monochrome", "red": 0.2126, "green": 0.7152, "blue": 0.0722, "primaries": "sRGB"}
    weights = monochrome.channel_weights(step)
    assert weights is not None
    codes = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255], [200, 120, 90], [224, 172, 105]]], np.float32)
    mixed = monochrome.mix_channels(icc_profile.decode(codes * np.float32(1 / 255), "sRGB"), weights)
    encoded = icc_profile.encode(np.repeat(mixed, 3, axis=2), "sRGB")[0, :, 0] * 255
    assert encoded == pytest.approx([127.102, 219.933, 75.963, 140.550, 181.289], abs=0.02)


weight = st.floats(-2, 3)


@given(red=weight, green=weight, blue=weight, space=st.sampled_from(["sRGB", "Adobe RGB (1998)", "ROMM RGB"]))
@settings(deadline=None, max_examples=50)
def test_weights_have_a_sum_of_one_or_are_refused(red: float, green: float, blue: float, space: str) -> None:
    weights = monochrome.channel_weights({"red": red, "green": green, "blue": blue, "primaries": space})
    if red + green + blue < monochrome.SMALLEST_SUM:
        assert weights is None
    else:
        assert weights is not None
        assert weights.sum() == pytest.approx(1.0, abs=1e-9)


def test_a_negative_sum_is_black_and_the_picture_is_left_alone() -> None:
    light = np.array([[[0.0, 1.0, 0.0], [1.0, 0.0, 0.0]]], np.float32)
    before = light.copy()
    mixed = monochrome.mix_channels(light, np.array([1.5, -0.5, 0.0]))
    assert mixed.shape == (1, 2, 1)
    assert mixed[0, :, 0].tolist() == [0.0, 1.5]
    assert np.array_equal(light, before)
