"""What files say about themselves; written by pyexiv2 (Exiv2), read by ExifTool."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyexiv2
import pytest
from PIL import Image

from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.delivery.identification import MAX_TEXT, identify


@pytest.fixture(scope="module")
def exif() -> Iterator[ExifTool]:
    with ExifTool() as program:
        yield program


def _photograph(path: Path, tags: dict[str, str]) -> Path:
    Image.new("RGB", (64, 48), (118, 118, 118)).save(path)
    with pyexiv2.Image(str(path)) as file:
        file.modify_exif(tags)
    return path


GOOD = {
    "Exif.Image.Make": "Atelier",
    "Exif.Image.Model": "Bellows One",
    "Exif.Image.Orientation": "6",
    "Exif.Photo.BodySerialNumber": "007100",
    "Exif.Photo.LensModel": "Rapid 80 mm f/2.8",
    "Exif.Image.ImageNumber": "70142",
    "Exif.Photo.DateTimeOriginal": "2026:11:25 10:44:47",
    "Exif.Photo.SubSecTimeOriginal": "12",
    "Exif.Photo.OffsetTimeOriginal": "+01:00",
    "Exif.Photo.FNumber": "28/10",
    "Exif.Photo.ExposureTime": "1/160",
    "Exif.Photo.ISOSpeedRatings": "100",
    "Exif.Photo.FocalLength": "80/1",
}


def test_what_another_program_wrote_is_read(exif: ExifTool, tmp_path: Path) -> None:
    assert identify(exif, [_photograph(tmp_path / "a.jpg", GOOD)]) == [
        {
            "camera": "Atelier Bellows One",
            "serial": "007100",
            "counter": 70142,
            "captured": "2026-11-25T10:44:47.12+01:00",
            "exposure": {"f_number": 2.8, "shutter_s": 0.00625, "iso": 100.0, "focal_length_mm": 80.0},
            "lens": "Rapid 80 mm f/2.8",
            "width": 64,
            "height": 48,
            "orientation": 6,
            "format": "image/jpeg",
            "error": None,
        }
    ]


@pytest.mark.parametrize(
    ("tags", "field", "value"),
    [
        ({"Exif.Image.Make": "x" * (MAX_TEXT + 1), "Exif.Image.Model": " "}, "camera", None),
        ({"Exif.Image.Model": "Atelier Two"}, "camera", "Atelier Two"),
        ({"Exif.Image.Model": "Bell\x1b[2Jows\n\tOne "}, "camera", "Atelier Bell [2Jows One"),
        ({"Exif.Photo.BodySerialNumber": "1E999"}, "serial", "1E999"),
        ({"Exif.Photo.BodySerialNumber": "0123456789.10"}, "serial", "0123456789.10"),
        ({"Exif.Image.Orientation": "77"}, "orientation", None),
        ({"Exif.Photo.LensModel": "65535"}, "lens", None),
        ({"Exif.Photo.DateTimeOriginal": "0000:00:00 00:00:00"}, "captured", None),
        ({"Exif.Photo.DateTimeOriginal": "2026:02:30 10:00:00"}, "captured", None),
        ({"Exif.Photo.OffsetTimeOriginal": "summer"}, "captured", "2026-11-25T10:44:47.12"),
    ],
)
def test_rubbish_is_cleaned_or_null(
    exif: ExifTool, tmp_path: Path, tags: dict[str, str], field: str, value: object
) -> None:
    assert identify(exif, [_photograph(tmp_path / "b.jpg", {**GOOD, **tags})])[0][field] == value


def test_settings_that_are_no_numbers_are_null(exif: ExifTool, tmp_path: Path) -> None:
    tags = {"Exif.Photo.FNumber": "0/0", "Exif.Photo.ExposureTime": "1/0", "Exif.Photo.FocalLength": "0/1"}
    found = identify(exif, [_photograph(tmp_path / "c.jpg", {**GOOD, **tags})])[0]["exposure"]
    assert found == {"f_number": None, "shutter_s": None, "iso": 100.0, "focal_length_mm": None}


@pytest.mark.parametrize(
    ("name", "counter"),
    [
        ("IMG_0142.CRW", 142),
        ("_dsc9999.nef", 9999),
        ("IMG_0000.JPG", None),
        ("portrait 1.jpg", None),
        ("AB12345.JPG", None),
    ],
)
def test_the_counter_in_a_dcf_name(exif: ExifTool, tmp_path: Path, name: str, counter: int | None) -> None:
    """CIPA DC-009: four of [0-9A-Z_], then 0001 to 9999."""
    path = _photograph(tmp_path / "originals.a1b2c3d4.jpg", {"Exif.Image.Make": "Atelier"})
    assert identify(exif, [path], [name])[0]["counter"] == counter


def test_damaged_and_foreign_files_are_named(exif: ExifTool, tmp_path: Path) -> None:
    Image.new("RGB", (640, 480)).save(tmp_path / "whole.tif")
    (tmp_path / "cut.tif").write_bytes((tmp_path / "whole.tif").read_bytes()[:20])
    (tmp_path / "text.jpg").write_text("no picture")
    (tmp_path / "empty.jpg").touch()
    paths = [tmp_path / name for name in ("whole.tif", "cut.tif", "text.jpg", "empty.jpg")]
    whole, cut, text, empty = identify(exif, paths)
    assert (whole["error"], whole["format"]) == (None, "image/tiff")
    assert cut["error"] == "Bad IFD0 directory"
    assert empty["error"] == "File is empty"
    # It is sound for what it is, which is no picture.
    assert (text["error"], text["format"]) == (None, "text/plain")


def test_nothing_known_is_null_everywhere(exif: ExifTool, tmp_path: Path) -> None:
    Image.new("RGB", (8, 8)).save(tmp_path / "plain.png")
    found: dict[str, Any] = identify(exif, [tmp_path / "plain.png"])[0]
    assert {key for key, value in found.items() if value is not None} == {"exposure", "width", "height", "format"}
    assert set(found["exposure"].values()) == {None}
