"""The camera that does not exist, read by people who did not write it: LibRaw, Exiv2 and tifffile."""

from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction
from pathlib import Path

import numpy as np
import pyexiv2
import pytest
import tifffile

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import simulated_camera as camera
from glassine.tasks.imaging.bit_depth import FloatImage

SUMMER = timezone(timedelta(hours=2))
CAPTURE = camera.CaptureData(
    142, datetime(2026, 6, 9, 15, 4, 5, 67_000, tzinfo=SUMMER), Fraction(1, 125), Fraction(56, 10), iso=200
)


def flat(value: float, side: int = 300) -> FloatImage:
    return np.full((side, side, 3), value, np.float32)


def test_levels_without_noise() -> None:
    for stops in range(8):
        mosaic = camera.expose(flat(1.0, 8), exposure_stops=-stops, noise=False, neutral=(1, 1, 1))
        expected = round(camera.BLACK_LEVEL + (camera.WHITE_LEVEL - camera.BLACK_LEVEL) * 2.0**-stops)
        assert np.all(mosaic == expected)
    assert np.all(camera.expose(flat(5.0, 8)) == camera.WHITE_LEVEL)
    assert camera.expose(flat(0.0)).mean() == pytest.approx(camera.BLACK_LEVEL, abs=0.05)


def test_channels_lie_as_rggb_and_answer_as_neutral_says() -> None:
    light = flat(0.5, 4) * np.array([1.0, 0.5, 0.25], np.float32)
    mosaic = camera.expose(np.ascontiguousarray(light, np.float32), noise=False, neutral=(0.5, 1.0, 0.8))
    full = camera.WHITE_LEVEL - camera.BLACK_LEVEL
    assert (mosaic[0, 0] - camera.BLACK_LEVEL) / full == pytest.approx(0.25, abs=1e-4)
    assert (mosaic[0, 1] - camera.BLACK_LEVEL) / full == pytest.approx(0.25, abs=1e-4)
    assert (mosaic[1, 0] - camera.BLACK_LEVEL) / full == pytest.approx(0.25, abs=1e-4)
    assert (mosaic[1, 1] - camera.BLACK_LEVEL) / full == pytest.approx(0.1, abs=1e-4)


@pytest.mark.parametrize("iso", [100, 800])
@pytest.mark.parametrize("value", [0.01, 0.1, 0.6])
def test_noise_follows_the_photon_transfer_curve(iso: int, value: float) -> None:
    """EMVA 1288: variance = read noise² + photons, here in electrons."""
    well = camera.FULL_WELL_ELECTRONS * 100 / iso
    mosaic = camera.expose(flat(value), iso=iso, neutral=(1, 1, 1), seed=9).astype(np.float64)
    electrons = (mosaic - camera.BLACK_LEVEL) / (camera.WHITE_LEVEL - camera.BLACK_LEVEL) * well
    step = well / (camera.WHITE_LEVEL - camera.BLACK_LEVEL)
    expected = value * well + camera.READ_NOISE_ELECTRONS**2 + step**2 / 12
    assert electrons.mean() == pytest.approx(value * well, rel=0.003)
    assert electrons.var() == pytest.approx(expected, rel=0.03)


def test_the_same_seed_gives_the_same_file(tmp_path: Path) -> None:
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        camera.take_frame(tmp_path / name, flat(0.3, 64), CAPTURE, seed=seed)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes() != (tmp_path / "c").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b", "c"]


def test_another_reader_finds_what_the_camera_noted(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    camera.take_frame(path, np.ascontiguousarray(flat(0.3, 64)[:, :48]), CAPTURE)
    with pyexiv2.Image(str(path)) as image:
        exif = image.read_exif()
    expected = {
        "Exif.Image.Make": "Glassine",
        "Exif.Image.Model": "Simulated Camera",
        "Exif.Image.Orientation": "6",
        "Exif.Image.ImageNumber": "142",
        "Exif.Image.DNGVersion": "1 4 0 0",
        "Exif.Photo.DateTimeOriginal": "2026:06:09 15:04:05",
        "Exif.Photo.OffsetTimeOriginal": "+02:00",
        "Exif.Photo.SubSecTimeOriginal": "067",
        "Exif.Photo.ExposureTime": "1/125",
        "Exif.Photo.FNumber": "28/5",
        "Exif.Photo.ISOSpeedRatings": "200",
        "Exif.Photo.FocalLength": "85/1",
        "Exif.Photo.BodySerialNumber": "GS-000117",
        "Exif.Photo.LensModel": "Simulated 85 mm",
    }
    assert {key: exif.get(key) for key in expected} == expected


def test_tifffile_finds_the_mosaic_and_the_preview(tmp_path: Path) -> None:
    mosaic = np.random.default_rng(3).integers(0, 16384, (32, 64)).astype(np.uint16)
    camera.write_dng(tmp_path / "plain.dng", mosaic, CAPTURE)
    with tifffile.TiffFile(tmp_path / "plain.dng") as tiff:
        assert np.array_equal(tiff.pages.first.asarray(), mosaic)
    camera.take_frame(tmp_path / "a.dng", flat(0.18 / 2**0.5, 64), CAPTURE)
    with tifffile.TiffFile(tmp_path / "a.dng") as tiff:
        preview = tiff.pages.first
        assert preview.is_reduced
        assert preview.asarray().mean() == pytest.approx(
            118, abs=3
        )  # sRGB's code of 18 % (CHECKS 2.1), rightly exposed
        assert preview.pages is not None
        assert preview.pages[0].shape == (64, 64)


def test_wrong_arrays_and_times_are_refused(tmp_path: Path) -> None:
    for wrong in (np.zeros((4, 4), np.int32), np.zeros((3, 4), np.uint16), np.zeros((4, 4, 1), np.uint16)):
        with pytest.raises(FrameError):
            camera.write_dng(tmp_path / "a.dng", wrong, CAPTURE)  # type: ignore[arg-type]
    with pytest.raises(FrameError):
        camera.expose(np.full((4, 4, 3), np.nan, np.float32))
    local = camera.CaptureData(1, datetime(2026, 6, 9, tzinfo=UTC).replace(tzinfo=None))
    with pytest.raises(FrameError, match="offset"):
        camera.write_dng(tmp_path / "a.dng", np.zeros((4, 4), np.uint16), local)
    assert list(tmp_path.iterdir()) == []
