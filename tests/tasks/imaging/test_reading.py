"""Readings against values that are exact: Laplacian variance, exposure in stops, a raw of known photosites."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter, laplace

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import reading
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.photosites import Photosites, copy_mosaic, count_photosites

BLACK, WHITE = 512, 16383


def cosine(frequency: float, amplitude: float = 0.05) -> FloatImage:
    wave = 1 + amplitude * np.cos(2 * np.pi * frequency * np.arange(258))
    return np.repeat((0.2 * wave)[np.newaxis, :].astype(np.float32), 200, axis=0)


# (2 - 2 cos 2πf)² / 2 for unit amplitude: the Laplacian's own transfer function.
@pytest.mark.parametrize(
    ("frequency", "exact"), [(1 / 16, 0.0115886511), (1 / 8, 0.1715728753), (1 / 4, 2.0), (1 / 2, 16.0)]
)
def test_sharpness_of_a_wave_is_exact(frequency: float, exact: float) -> None:
    light = cosine(frequency)
    expected = exact * 0.05**2 * (0.2 / float(light.mean())) ** 2
    assert reading.sharpness(light) == pytest.approx(expected, rel=2e-3)


def test_the_laplacian_is_scipys() -> None:
    light = np.random.default_rng(1).random((30, 40), np.float32)
    assert reading.laplacian_inside(light) == pytest.approx(laplace(light)[1:-1, 1:-1], abs=1e-5)


def test_white_noise_alone_is_no_sharpness_and_would_add_20_sigma_squared() -> None:
    noise = np.random.default_rng(2).standard_normal((600, 600)).astype(np.float32)
    light = 0.2 * (1 + np.float32(0.02) * noise)
    raw = float(reading.laplacian_inside(light / np.float32(light.mean())).var())
    assert raw == pytest.approx(20 * 0.02**2, rel=0.02)
    assert reading.sharpness(light) < 0.02 * raw
    picture = cosine(1 / 8, 0.2)[:, :200]
    noisy = picture + np.float32(0.2 * 0.02) * noise[:200, :200]
    assert reading.sharpness(noisy) == pytest.approx(reading.sharpness(picture), rel=0.05)


@given(stops=st.floats(-4, 2))
@settings(deadline=None, max_examples=15)
def test_sharpness_does_not_depend_on_exposure(stops: float) -> None:
    light = cosine(1 / 8)
    exposed = (light * 2.0**stops).astype(np.float32)
    assert reading.sharpness(exposed) == pytest.approx(reading.sharpness(light), rel=1e-3)


def test_blur_lowers_sharpness() -> None:
    light = np.kron(np.random.default_rng(3).random((20, 20)), np.ones((16, 16))).astype(np.float32)
    found = [reading.sharpness(gaussian_filter(light, sigma)) for sigma in (0.5, 1.0, 2.0, 4.0)]
    assert found == sorted(found, reverse=True)
    assert found[-1] > 0


def test_sharpness_is_the_same_however_the_picture_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    light = np.random.default_rng(4).random((97, 50), np.float32)
    whole = reading.sharpness(gaussian_filter(light, 1.0))
    monkeypatch.setattr(reading, "_STRIP_PX", 13)
    assert reading.sharpness(gaussian_filter(light, 1.0)) == pytest.approx(whole, rel=1e-6)
    assert whole > 0


@given(stops=st.floats(-8, 2.4))
@settings(deadline=None, max_examples=15)
def test_exposure_is_stops_about_middle_grey(stops: float) -> None:
    light = np.full((20, 20), 0.18 * 2.0**stops, np.float32)
    assert reading.exposure_stops(light) == pytest.approx(stops, abs=1e-5)


def test_exposure_is_read_from_the_centre_and_black_is_finite() -> None:
    light = np.zeros((40, 40), np.float32)
    light[10:30, 10:30] = 0.18
    assert reading.exposure_stops(light) == pytest.approx(0.0, abs=1e-5)
    assert reading.exposure_stops(np.zeros((4, 4), np.float32)) == -24.0


def write_dng(path: Path, mosaic: np.ndarray[tuple[int, int], np.dtype[np.uint16]]) -> Path:
    """A Bayer DNG (version 1.4, RGGB) with nothing but what its specification demands of a decoder."""
    identity = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)
    tags = [
        (50706, "B", 4, (1, 4, 0, 0), True),  # DNGVersion
        (50707, "B", 4, (1, 1, 0, 0), True),  # DNGBackwardVersion
        (50708, "s", 0, "Known", True),  # UniqueCameraModel
        (33421, "H", 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, "B", 4, (0, 1, 1, 2), True),  # CFAPattern
        (50714, "H", 1, BLACK, True),
        (50717, "H", 1, WHITE, True),
        (50721, "2i", 9, identity, True),  # ColorMatrix1
        (50728, "2I", 3, (1, 1) * 3, True),  # AsShotNeutral
        (50778, "H", 1, 21, True),  # CalibrationIlluminant1: D65
    ]
    tifffile.imwrite(path, mosaic, photometric=32803, extratags=tags, metadata=None, subfiletype=0)
    return path


def counted(path: Path) -> Photosites:
    with rawpy.imread(str(path)) as raw:
        return count_photosites(copy_mosaic(raw))


def test_a_raw_of_known_photosites_reads_as_made(tmp_path: Path) -> None:
    """Green lies 2 stops under saturation, a tenth of the red photosites is clipped, blue one stop under."""
    mosaic = np.empty((200, 300), np.uint16)
    level = {"red": 3, "green": 2, "blue": 1}
    values = {name: BLACK + round((WHITE - BLACK) / 2**stops) for name, stops in level.items()}
    mosaic[0::2, 0::2] = values["red"]
    mosaic[0::2, 1::2] = mosaic[1::2, 0::2] = values["green"]
    mosaic[1::2, 1::2] = values["blue"]
    mosaic[0:20:2, 0::2] = WHITE
    path = write_dng(tmp_path / "known.dng", mosaic)
    linear = np.full((100, 150, 3), 0.36, np.float32)
    told = reading.take_reading(linear, counted(path))
    assert told["exposure_stops"] == pytest.approx(1.0, abs=1e-4)
    assert told["clipped"] == {"red": 0.1, "green": 0.0, "blue": 0.0}
    assert told["headroom_stops"] == pytest.approx(0.0, abs=1e-3)
    assert told["sharpness"] == 0
    assert told["findings"] == [
        "The middle of the picture lies 1.0 stops above 18 % grey.",
        "10.0 % of the red photosites are clipped.",
        "There is no detail in it beyond noise.",
    ]
    mosaic[0:20:2, 0::2] = values["red"]
    told = reading.take_reading(linear, counted(write_dng(tmp_path / "open.dng", mosaic)))
    assert told["headroom_stops"] == pytest.approx(1.0, abs=1e-3)
    assert told["clipped"]["red"] == 0


def test_a_picture_that_is_no_raw_has_no_photosites_to_count() -> None:
    told = reading.take_reading(np.full((8, 8, 3), 0.18, np.float32))
    assert told["clipped"] == {"red": None, "green": None, "blue": None}
    assert told["headroom_stops"] is None


@pytest.mark.parametrize(
    ("bad", "code"), [(np.zeros((2, 9), np.float32), "P001"), (np.full((9, 9), np.nan, np.float32), "P002")]
)
def test_what_cannot_be_measured_is_refused(bad: FloatImage, code: str) -> None:
    with pytest.raises(FrameError) as caught:
        reading.sharpness(bad)
    assert caught.value.code == code
