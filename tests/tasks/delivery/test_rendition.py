"""Renditions against published numbers (print sizes, sRGB, IJG quality) and other readers (Pillow, ExifTool)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pathvalidate
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

import glassine.config
import glassine.schemas
from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.delivery.rendition import (
    file_name,
    make_rendition,
    print_pixels,
    resize_linear,
    same_name_key,
    target_size,
)
from glassine.tasks.delivery.rights import embedded_metadata
from glassine.tasks.imaging import icc_profile, tiff_picture
from glassine.tasks.imaging.rendering import read_picture

HOUSE = {
    name: Path(next(iter(package.__path__)))
    for name, package in (("config", glassine.config), ("schemas", glassine.schemas))
}
SPECIFICATIONS = sorted((HOUSE["config"] / "specifications").glob("*.json"))
JPEG: dict[str, Any] = {
    "size": {"long_edge_px": 128},
    "colour_space": "sRGB",
    "file": {"type": "JPEG", "quality": 90},
    "resolution_ppi": 96,
}


@pytest.fixture(scope="module")
def final(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """180 x 120 pixels: 18 % grey on the left, a saturated green and a red on the right."""
    linear = np.full((120, 180, 3), 0.18, np.float32)
    linear[:60, 90:] = (0.1, 0.6, 0.1)
    linear[60:, 90:] = (0.4, 0.1, 0.1)
    path = tmp_path_factory.mktemp("final") / "final.tif"
    tiff_picture.write_picture(path, linear, "ROMM RGB")
    return path


@pytest.fixture(scope="module")
def exif() -> Iterator[ExifTool]:
    with ExifTool() as program:
        yield program


@pytest.mark.parametrize("path", SPECIFICATIONS, ids=lambda path: path.stem)
def test_the_specifications_of_the_house_meet_the_schema(path: Path) -> None:
    schema = json.loads((HOUSE["schemas"] / "delivery_specification.schema.json").read_text(encoding="utf-8"))
    document = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(document)
    assert document["name"] == path.stem


def test_there_are_specifications_for_print_screen_and_archive() -> None:
    assert {path.stem for path in SPECIFICATIONS} >= {"yearbook-print", "screen-2048", "archive-master"}


@pytest.mark.parametrize(
    ("length_mm", "ppi", "exact"),
    [  # mm / 25.4 * ppi, CHECKS 8: A4, 24 x 30 cm, 30 x 40 cm, 8 x 10 in, A4 at 360
        (210, 300, 2480.315),
        (297, 300, 3507.874),
        (240, 300, 2834.646),
        (300, 300, 3543.307),
        (400, 300, 4724.409),
        (203.2, 300, 2400.0),
        (254, 300, 3000.0),
        (210, 360, 2976.378),
    ],
)
def test_print_pixels_never_fall_short(length_mm: float, ppi: float, exact: float) -> None:
    pixels = print_pixels(length_mm, ppi)
    assert pixels == int(np.ceil(exact))
    assert pixels / ppi * 25.4 >= length_mm - 1e-9


SIDES = st.integers(1, 20_000)


@given(
    width=SIDES,
    height=SIDES,
    box=st.tuples(st.floats(11, 600), st.floats(11, 600)),
    ppi=st.sampled_from([72, 300, 360]),
)
@settings(deadline=None, max_examples=200)
def test_a_print_fills_its_box_in_one_direction(width: int, height: int, box: tuple[float, float], ppi: float) -> None:
    specification = {"size": {"width_mm": box[0], "height_mm": box[1]}, "resolution_ppi": ppi}
    got = sorted(target_size(width, height, specification))
    limits = sorted(print_pixels(side, ppi) for side in box)
    assert 1 <= got[0] <= limits[0]
    assert 1 <= got[1] <= limits[1]
    assert got[0] == limits[0] or got[1] == limits[1]


@given(width=SIDES, height=SIDES, edge=st.integers(64, 30_000))
@settings(deadline=None, max_examples=200)
def test_a_long_edge_never_enlarges(width: int, height: int, edge: int) -> None:
    got = target_size(width, height, {"size": {"long_edge_px": edge}, "resolution_ppi": 96})
    assert max(got) == min(edge, max(width, height))
    assert abs(got[0] / got[1] - width / height) <= max(width / height, 1) / min(got)


def test_a_jpeg_is_what_was_specified(exif: ExifTool, final: Path, tmp_path: Path) -> None:
    out = tmp_path / "new" / "a.jpg"
    result = make_rendition(final, JPEG, out)
    assert result == {
        "width": 128,
        "height": 85,
        "bits": 8,
        "colour_space": "sRGB",
        "type": "JPEG",
        "enlarged": False,
        "sha256": hash_file(out),
        "size": out.stat().st_size,
    }
    row = exif.read([out], ["JPEGQualityEstimate", "YCbCrSubSampling", "JFIF:XResolution", "JFIF:ResolutionUnit"])[0]
    assert row["File:JPEGQualityEstimate"] == 90
    assert row["File:YCbCrSubSampling"] == "1 1"
    assert (row["JFIF:XResolution"], row["JFIF:ResolutionUnit"]) == (96, 1)
    with Image.open(out) as picture:
        assert picture.info["icc_profile"] == icc_profile.profile_bytes("sRGB")
        # 18 % grey is 117.646 in 8-bit sRGB (IEC 61966-2-1:1999).
        assert picture.getpixel((20, 40)) == (118, 118, 118)
    assert [path.name for path in out.parent.iterdir()] == ["a.jpg"]


@pytest.mark.parametrize(
    ("space", "grey"),
    [
        ("sRGB", 117.646),  # IEC 61966-2-1:1999
        ("Adobe RGB (1998)", 255 * 0.18 ** (256 / 563)),  # its specification, 2005-05: exponent 563/256
        ("ROMM RGB", 255 * 0.3857114248),  # ISO 22028-2
        ("Grey gamma 2.2", 255 * 0.18 ** (1 / 2.2)),
    ],
)
@pytest.mark.parametrize(
    "file", [{"type": "TIFF", "bits": 8}, {"type": "TIFF", "bits": 16}, {"type": "PNG", "bits": 8}], ids=str
)
def test_every_space_and_file(final: Path, tmp_path: Path, space: str, grey: float, file: dict[str, Any]) -> None:
    out = tmp_path / "a"
    result = make_rendition(final, {**JPEG, "size": {"full": True}, "colour_space": space, "file": file}, out)
    assert (result["width"], result["height"], result["bits"]) == (180, 120, file["bits"])
    if file["type"] == "TIFF":
        with tifffile.TiffFile(out) as tiff:
            samples, icc = tiff.asarray(), tiff.pages.first.tags.valueof(34675)
            assert tiff.pages.first.resolution == (96, 96)
            assert not {"Software", "DateTime"} & {tag.name for tag in tiff.pages.first.tags}
    else:
        with Image.open(out) as picture:
            samples, icc = np.asarray(picture), picture.info["icc_profile"]
            # PNG counts whole pixels a metre: 96 ppi is 3779.53.
            assert picture.info["dpi"] == pytest.approx((96, 96), abs=0.0127)
    assert icc == icc_profile.profile_bytes(space)
    assert samples.dtype == (np.uint16 if file["bits"] == 16 else np.uint8)
    assert samples.ndim == (2 if space.startswith("Grey") else 3)
    scale = 257 if file["bits"] == 16 else 1
    assert np.asarray(samples[30, 30], float) / scale == pytest.approx(grey, abs=0.51)


def test_an_archive_master_keeps_every_value(final: Path, tmp_path: Path) -> None:
    specification = json.loads((HOUSE["config"] / "specifications" / "archive-master.json").read_text())
    make_rendition(final, specification, tmp_path / "a.tif")
    assert np.array_equal(tifffile.imread(tmp_path / "a.tif"), tifffile.imread(final))


def test_the_same_bytes_again_with_their_metadata(exif: ExifTool, final: Path, tmp_path: Path) -> None:
    digests = set()
    for name in ("one.jpg", "two.jpg"):
        result = make_rendition(final, JPEG, tmp_path / name)
        exif.write(tmp_path / name, embedded_metadata({"creator": "A", "job": "2026-014"}, {"number": 1}, result))
        digests.add(hash_file(tmp_path / name))
        with Image.open(tmp_path / name) as picture:
            assert picture.info["icc_profile"] == icc_profile.profile_bytes("sRGB")
    assert len(digests) == 1
    row = exif.read([tmp_path / "one.jpg"], ["IFD0:XResolution", "JFIF:XResolution"])[0]
    assert row["IFD0:XResolution"] == row["JFIF:XResolution"] == 96


def test_pictures_shrink_in_linear_light() -> None:
    """A fine checker of black and white becomes half the light: 187.516 in sRGB (IEC 61966-2-1), not 127.5."""
    checker = np.indices((64, 64)).sum(axis=0) % 2
    small = resize_linear(np.repeat(checker[:, :, None], 3, axis=2).astype(np.float32), 8, 8)
    assert small.shape == (8, 8, 3)
    assert icc_profile.encode(small, "sRGB")[4, 4] * 255 == pytest.approx([187.516] * 3, abs=0.6)


@given(value=st.floats(0, 1, width=32), width=st.integers(1, 40), height=st.integers(1, 40))
@settings(deadline=None, max_examples=40)
def test_a_plain_area_stays_as_it_is(value: float, width: int, height: int) -> None:
    plain = np.full((20, 30, 3), value, np.float32)
    got = resize_linear(plain, width, height)
    assert got.shape == (height, width, 3)
    assert np.allclose(got, value, atol=1e-5)


def test_an_enlargement_is_reported(final: Path, tmp_path: Path) -> None:
    specification = {**JPEG, "size": {"width_mm": 30, "height_mm": 20}, "resolution_ppi": 300}
    result = make_rendition(final, specification, tmp_path / "a.jpg")
    assert (result["width"], result["height"], result["enlarged"]) == (355, 237, True)


def crop(*box: float, straighten: float = 0, turn: int = 0) -> dict[str, Any]:
    region = {"shape": "rectangle", **dict(zip(("x", "y", "width", "height"), box, strict=True))}
    return {"region": region, "straighten_degrees": straighten, "turn_degrees": turn}


def test_a_crop_comes_out_of_the_whole_final(final: Path, tmp_path: Path) -> None:
    full = {**JPEG, "size": {"full": True}, "colour_space": "ROMM RGB", "file": {"type": "TIFF", "bits": 16}}
    result = make_rendition(final, full, tmp_path / "a.tif", crop=crop(25, 10, 50, 80, turn=90))
    samples = tifffile.imread(final)[12:108, 45:135]
    assert np.array_equal(tifffile.imread(tmp_path / "a.tif"), np.rot90(samples, -1))
    assert (result["width"], result["height"], result["enlarged"]) == (96, 90, False)
    result = make_rendition(final, full, tmp_path / "b.tif", crop=crop(55, 10, 30, 30, straighten=-5))
    assert (result["width"], result["height"]) == (54, 36)
    # Nothing but the green of the upper right; 16 bits once more.
    assert np.ptp(tifffile.imread(tmp_path / "b.tif").astype(int), axis=(0, 1)).max() <= 1


def test_sizes_are_those_of_the_cropped_picture(final: Path, tmp_path: Path) -> None:
    upright = crop(0, 0, 100 / 3, 100)
    assert make_rendition(final, JPEG, tmp_path / "a.jpg", crop=upright)["height"] == 120
    # 10.16 mm at 300 ppi are 120 px: as many as the final has, and twice as many as are left of its width.
    print_size = {**JPEG, "size": {"width_mm": 10.16, "height_mm": 10.16}, "resolution_ppi": 300}
    results = [make_rendition(final, print_size, tmp_path / "b.jpg", crop=by) for by in (None, crop(50, 50, 50, 50))]
    assert [(result["width"], result["height"], result["enlarged"]) for result in results] == [
        (120, 80, False),
        (120, 80, True),
    ]
    # The box of a print is turned to the cropped picture: 60 by 120 px of a final that lies.
    box = {**print_size, "size": {"width_mm": 20.32, "height_mm": 10.16}}
    result = make_rendition(final, box, tmp_path / "c.jpg", crop=upright)
    assert (result["width"], result["height"]) == (120, 240)


def test_a_crop_of_everything_and_none_are_the_same_bytes(final: Path, tmp_path: Path) -> None:
    digests = {
        make_rendition(final, JPEG, tmp_path / f"{number}.jpg", crop=by)["sha256"]
        for number, by in enumerate([None, crop(0, 0, 100, 100)])
    }
    assert len(digests) == 1
    straightened = crop(10, 10, 80, 80, straighten=2, turn=270)
    again = {make_rendition(final, JPEG, tmp_path / name, crop=straightened)["sha256"] for name in ("a", "b")}
    assert len(again) == 1
    assert not again & digests


def test_a_crop_that_sticks_out_leaves_nothing(final: Path, tmp_path: Path) -> None:
    with pytest.raises(CallError) as refused:
        make_rendition(final, JPEG, tmp_path / "a.jpg", crop=crop(0, 0, 100, 100, straighten=1))
    assert refused.value.code == "W001"
    assert list(tmp_path.iterdir()) == []


def test_a_jpeg_of_nothing_but_grain(tmp_path: Path) -> None:
    grain = np.random.default_rng(1).random((300, 400, 3), np.float32)
    tiff_picture.write_picture(tmp_path / "grain.tif", grain, "ROMM RGB")
    full = {**JPEG, "size": {"full": True}, "file": {"type": "JPEG", "quality": 100}}
    assert make_rendition(tmp_path / "grain.tif", full, tmp_path / "a.jpg")["width"] == 400
    with Image.open(tmp_path / "a.jpg") as picture:
        picture.load()


def test_what_does_not_decode_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "bad.tif").write_bytes(b"II*\x00rubbish")
    with pytest.raises(FrameError):
        make_rendition(tmp_path / "bad.tif", JPEG, tmp_path / "out.jpg")
    assert [path.name for path in tmp_path.iterdir()] == ["bad.tif"]


def test_a_grey_final_may_go_out_as_colour(tmp_path: Path) -> None:
    tiff_picture.write_picture(tmp_path / "grey.tif", np.full((90, 80, 3), 0.5, np.float32), "Grey gamma 2.2")
    make_rendition(
        tmp_path / "grey.tif", {**JPEG, "size": {"full": True}, "file": {"type": "PNG", "bits": 8}}, tmp_path / "a.png"
    )
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.getpixel((40, 40)) == (188, 188, 188)  # 187.516, IEC 61966-2-1
    assert read_picture(tmp_path / "grey.tif")[1].channels == 1


VALUES = {"job": "2026-014", "frame": "0142", "final": "colour", "stem": "IMG_0142", "sequence": "01"}


def test_a_name_from_a_template() -> None:
    assert file_name("${job}_${frame}_${final}", VALUES, "TIFF") == "2026-014_0142_colour.tif"
    assert file_name("$stem $$1", VALUES) == "IMG_0142 $1"
    assert file_name("${final}", {"final": "e\u0301"}) == "\u00e9"


@pytest.mark.parametrize(
    ("template", "values"),
    [
        ("${client}", {}),
        ("${job", {}),
        ("${final}", {"final": "../x"}),
        ("${final}", {"final": "a\nb"}),
        ("${final}", {"final": "100%"}),
        ("${final}", {"final": "x" * 201}),
        ("${final}", {"final": ""}),
        ("CON", {}),
        (".${job}", {}),
        ("${job}.", {}),
        ("${job} ", {}),
        ("-rf", {}),
        ("${job.__class__}", {}),
    ],
)
def test_a_name_that_is_none_somewhere_is_refused(template: str, values: dict[str, str]) -> None:
    with pytest.raises(CallError) as refused:
        file_name(template, {**VALUES, **values})
    assert refused.value.code == "W001"


@given(text=st.text(max_size=20))
@settings(deadline=None, max_examples=300)
def test_any_name_is_valid_everywhere_or_refused(text: str) -> None:
    try:
        name = file_name("${final}", {"final": text}, "JPEG")
    except CallError:
        return
    assert pathvalidate.is_valid_filename(name, platform="universal")
    assert not set(name) & set('/\\%\r\n\0:*?"<>|')
    assert name.endswith(".jpg")


def test_names_that_are_one_file_on_some_system() -> None:
    assert same_name_key("A\u00c9.TIF") == same_name_key("ae\u0301.tif")
    assert same_name_key("a.tif") != same_name_key("b.tif")
