"""Black and white points against CIE lightness and ISO density."""

from __future__ import annotations

import numpy as np
import pytest

from glassine.tasks.imaging import tone_range


# CIE 15 (L* = 116 f(Y) - 16), the values as in ISO/CIE 11664-4, computed by colour-science 0.4.7.
@pytest.mark.parametrize(
    ("y", "expected"),
    [(1.0, 100.0), (0.5, 76.069261), (0.18, 49.496108), (0.1, 37.842430), (0.01, 8.991442), (0.001, 0.903296)],
)
def test_lightness_to_luminance_is_the_inverse_of_cie_lightness(y: float, expected: float) -> None:
    assert tone_range.lightness_to_luminance(expected) == pytest.approx(y, rel=1e-6)


# D = -log10 T (ISO 5-1), transmittance and CIE lightness of it, as a table of densities prints them.
DENSITIES = [
    (0.05, 0.891251, 95.633), (0.30, 0.501187, 76.142), (0.70, 0.199526, 51.784), (0.7447, 0.18, 49.497),
    (1.00, 0.1, 37.842), (1.50, 0.031623, 20.682), (1.60, 0.025119, 17.972), (2.00, 0.01, 8.991),
    (2.10, 0.007943, 7.175), (2.20, 0.006310, 5.699), (2.40, 0.003981, 3.596),
]  # fmt: skip


@pytest.mark.parametrize(("density", "transmittance", "lightness"), DENSITIES)
def test_density_to_luminance_is_the_printed_table(density: float, transmittance: float, lightness: float) -> None:
    luminance = tone_range.density_to_luminance(density)
    assert luminance == pytest.approx(transmittance, rel=1.2e-4)
    assert luminance == pytest.approx(tone_range.lightness_to_luminance(lightness), rel=5e-4)


# L* 5, 10, 16 are D 2.257, 1.948, 1.678; one stop is 0.30103 D.
@pytest.mark.parametrize(("lightness", "density"), [(5.0, 2.257), (10.0, 1.948), (16.0, 1.678)])
def test_a_point_is_the_same_by_lightness_and_by_density(lightness: float, density: float) -> None:
    by_lightness = tone_range.point_luminance({"lightness": lightness})
    assert tone_range.point_luminance({"density": density}) == pytest.approx(by_lightness, rel=1.2e-3)


def test_a_stop_is_0_30103_of_density() -> None:
    ratio = tone_range.density_to_luminance(1.0) / tone_range.density_to_luminance(1.30103)
    assert ratio == pytest.approx(2.0, rel=1e-6)


def test_stretch_is_a_straight_line_that_clips_what_lies_outside() -> None:
    light = np.array([[-1.0, 0.0, 0.25, 0.5, 1.0, 9.0]], np.float32)
    before = light.copy()
    stretched = tone_range.stretch(light, (0.0, 1.0), (0.1, 0.9))
    assert stretched == pytest.approx(np.array([[0.1, 0.1, 0.3, 0.5, 0.9, 0.9]]), abs=1e-6)
    assert np.array_equal(light, before)
