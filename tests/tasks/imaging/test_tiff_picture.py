"""TIFF pictures: read by their profile, written the same each time, refused when they are cut."""

import hashlib
import io
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageOps

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import bit_depth, icc_profile, tiff_picture
from glassine.tasks.imaging.bands import BAND_ROWS
from glassine.tasks.imaging.bit_depth import from_integers, to_uint16

LIGHT = np.random.default_rng(4).random((70, 50, 3), dtype=np.float32)


@pytest.mark.parametrize("space", ["ROMM RGB", "sRGB", "Adobe RGB (1998)", "Grey gamma 2.2"])
def test_written_and_read_again(tmp_path: Path, space: str) -> None:
    facts = tiff_picture.write_picture(tmp_path / "new" / "a.tif", LIGHT, space)
    data = (tmp_path / "new" / "a.tif").read_bytes()
    assert facts == {
        "width": 50,
        "height": 70,
        "bits": 16,
        "profile": space,
        "sha256": hashlib.sha256(data).hexdigest(),
        "size": len(data),
    }
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["a.tif"]
    linear, info = tiff_picture.read_picture(tmp_path / "new" / "a.tif")
    channels = 1 if space.startswith("Grey") else 3
    assert info == tiff_picture.PictureInfo(50, 70, 16, space, channels)
    expected = icc_profile.decode(icc_profile.encode(LIGHT, space), space)
    assert np.abs(linear - expected).max() < 5e-5
    # Another reader, which knows nothing of ours
    with Image.open(tmp_path / "new" / "a.tif") as picture:
        assert picture.size == (50, 70)
        assert picture.info["icc_profile"] == icc_profile.profile_bytes(space)
        assert picture.info["dpi"] == (300, 300)


def test_the_same_light_gives_the_same_bytes(tmp_path: Path) -> None:
    one = tiff_picture.write_picture(tmp_path / "a.tif", LIGHT, "ROMM RGB")
    other = tiff_picture.write_picture(tmp_path / "b.tif", LIGHT.copy(), "ROMM RGB")
    assert one == other
    assert b"tifffile" not in (tmp_path / "a.tif").read_bytes()


def test_a_failed_write_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.tif").write_bytes(b"what was there")
    with pytest.raises(FrameError):
        tiff_picture.write_picture(tmp_path / "a.tif", np.full((4, 4, 3), np.nan, np.float32), "sRGB")
    assert (tmp_path / "a.tif").read_bytes() == b"what was there"
    assert len(list(tmp_path.iterdir())) == 1


def samples(depth: type[np.uint8] | type[np.uint16], shape: tuple[int, ...]) -> NDArray[Any]:
    return np.random.default_rng(6).integers(0, np.iinfo(depth).max + 1, shape).astype(depth)


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
@pytest.mark.parametrize("layout", ["contig", "separate", "tiled", "alpha", "lzw"])
def test_the_layouts_that_others_write(tmp_path: Path, depth: type[np.uint8] | type[np.uint16], layout: str) -> None:
    pixels = samples(depth, (48, 64, 4 if layout == "alpha" else 3))
    written = np.moveaxis(pixels, 2, 0) if layout == "separate" else pixels
    tifffile.imwrite(
        tmp_path / "a.tif",
        written,
        photometric="rgb",
        planarconfig="separate" if layout == "separate" else "contig",
        tile=(16, 16) if layout == "tiled" else None,
        extrasamples=["unassalpha"] if layout == "alpha" else None,
        compression="lzw" if layout == "lzw" else None,
        metadata=None,
    )
    linear, info = tiff_picture.read_picture(tmp_path / "a.tif")
    assert (info.width, info.height, info.bits, info.profile) == (64, 48, 8 * depth().itemsize, "")
    scaled = pixels[:, :, :3].astype(np.float32) / np.float32(np.iinfo(depth).max)
    assert np.abs(linear - icc_profile.decode(scaled, "sRGB")).max() < 1e-5


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
@pytest.mark.parametrize("space", sorted(icc_profile.SPACES))
def test_our_own_profiles_are_decoded_by_their_formulas_to_the_bit(
    depth: type[np.uint8] | type[np.uint16], space: str
) -> None:
    pixels = samples(depth, (130, 37) if icc_profile.is_grey(space) else (130, 37, 3))
    expected = icc_profile.decode(from_integers(pixels), space)
    assert np.array_equal(tiff_picture.to_light(pixels, icc_profile.profile_bytes(space)), expected)


def test_samples_of_other_depths_have_no_light() -> None:
    with pytest.raises(FrameError) as caught:
        tiff_picture.to_light(np.zeros((4, 4, 3), np.int32), None)
    assert caught.value.code == "P002"


@st.composite
def files(draw: st.DrawFn) -> tuple[NDArray[Any], dict[str, Any], dict[str, Any], int]:
    """Samples (H, W, channels), how the file is begun, how its page is written, and the channels of colour."""
    grey = draw(st.booleans())
    colours = 1 if grey else 3
    height, width = draw(st.sampled_from([1, 2, 63, 64, 65, 130, 300])), draw(st.integers(1, 70))
    channels = colours + draw(st.integers(0, 1))
    depth: type[np.uint8] | type[np.uint16] = np.uint16 if draw(st.booleans()) else np.uint8
    pixels = samples(depth, (height, width, channels))
    begun = {"byteorder": draw(st.sampled_from("<>")), "bigtiff": draw(st.booleans())}
    written: dict[str, Any] = {
        "photometric": "minisblack" if grey else "rgb",
        "planarconfig": draw(st.sampled_from(["contig", "separate"])) if channels > 1 else None,
        "compression": draw(st.sampled_from([None, "zlib", "lzw", "packbits"])),
        "extrasamples": ["unspecified"] * (channels - colours),
        "metadata": None,
    }
    if written["compression"] in ("zlib", "lzw"):
        written["predictor"] = draw(st.booleans())
    if draw(st.booleans()):
        written["tile"] = draw(st.sampled_from([(16, 16), (48, 32), (64, 16), (320, 80)]))
    else:
        written["rowsperstrip"] = draw(st.sampled_from([1, 7, 16, 64, 100, 128, height]))
    return pixels, begun, written, colours


@settings(deadline=None, max_examples=150)
@given(files(), st.integers(1, 8))
def test_any_packing_gives_the_light_of_its_samples(
    tmp_path_factory: pytest.TempPathFactory,
    drawn: tuple[NDArray[Any], dict[str, Any], dict[str, Any], int],
    orientation: int,
) -> None:
    """To the bit what the formulas give for the whole picture at once, whatever bands the file asks for."""
    pixels, begun, written, colours = drawn
    stored = np.moveaxis(pixels, 2, 0) if written["planarconfig"] == "separate" else pixels
    path = tmp_path_factory.mktemp("packing") / "a.tif"
    with tifffile.TiffWriter(path, **begun) as tiff:
        turned = [] if orientation == 1 else [(274, "H", 1, orientation, True)]
        tiff.write(stored if pixels.shape[2] > 1 else pixels[:, :, 0], extratags=turned, **written)
    linear, info = tiff_picture.read_picture(path)
    upright = tiff_picture.orient(pixels[:, :, :colours], orientation)
    scaled = from_integers(np.ascontiguousarray(upright))
    expected = icc_profile.decode(np.repeat(scaled, 3, axis=2) if colours == 1 else scaled, "sRGB")
    assert np.array_equal(linear, expected)
    assert (info.height, info.width, info.channels) == (*upright.shape[:2], colours)


@settings(deadline=None, max_examples=30)
@given(
    height=st.integers(1, 300),
    width=st.integers(1, 40),
    band_strips=st.integers(1, 5),
    threads=st.integers(1, 4),
    space=st.sampled_from(sorted(icc_profile.SPACES)),
)
def test_neither_bands_nor_threads_change_a_byte(
    tmp_path_factory: pytest.TempPathFactory, height: int, width: int, band_strips: int, threads: int, space: str
) -> None:
    folder = tmp_path_factory.mktemp("bands")
    light = np.random.default_rng(height).random((height, width, 3), dtype=np.float32)
    whole = tiff_picture.write_picture(folder / "whole.tif", light, space)
    rows = BAND_ROWS * band_strips
    bands = [partial(light.__getitem__, slice(top, top + rows)) for top in range(0, height, rows)]
    banded = tiff_picture.write_bands(folder / "bands.tif", width, height, bands, space, threads=threads)
    assert banded == whole
    at_once = tiff_picture.write_bands(folder / "one.tif", width, height, [lambda: light], space)
    assert at_once == whole
    with tifffile.TiffFile(folder / "bands.tif") as tiff:
        page = tiff.pages.first
        assert (page.rowsperstrip, page.compression, page.predictor) == (min(64, height), 8, 2)
        assert np.array_equal(page.asarray(), to_uint16(icc_profile.encode(light, space)))


def test_luminance_alone_will_do_for_grey(tmp_path: Path) -> None:
    light = np.random.default_rng(2).random((70, 30, 1), dtype=np.float32)
    tiff_picture.write_picture(tmp_path / "a.tif", light, "Grey gamma 2.2")
    linear, info = tiff_picture.read_picture(tmp_path / "a.tif")
    assert info.channels == 1
    assert np.abs(linear - light).max() < 5e-5


def test_a_band_that_fails_leaves_what_was_there(tmp_path: Path) -> None:
    (tmp_path / "a.tif").write_bytes(b"what was there")

    def broken() -> bit_depth.FloatImage:
        raise FrameError("P001", "no light")

    with pytest.raises(FrameError, match="no light"):
        tiff_picture.write_bands(tmp_path / "a.tif", 50, 134, [lambda: LIGHT[:64], broken], "sRGB")
    assert (tmp_path / "a.tif").read_bytes() == b"what was there"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_forged_size_is_refused_before_memory_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    flat = np.zeros((64, 64, 3), np.uint16)
    tifffile.imwrite(path, flat, photometric="rgb", compression="zlib", rowsperstrip=64, metadata=None)
    with tifffile.TiffFile(path, mode="r+") as tiff:
        for tag in ("ImageWidth", "ImageLength", "RowsPerStrip"):
            tiff.pages.first.tags[tag].overwrite(60_000)
    with pytest.raises(FrameError, match="larger than its data can be") as caught:
        tiff_picture.read_picture(path)
    assert caught.value.code == "P001"


@settings(deadline=None, max_examples=20)
@given(st.integers(1, 8), st.integers(1, 9), st.integers(1, 9))
def test_orientation_as_pillow_has_it(orientation: int, height: int, width: int) -> None:
    pixels = np.arange(height * width, dtype=np.uint8).reshape(height, width)
    picture = Image.fromarray(pixels)
    exif = picture.getexif()
    exif[274] = orientation
    stored = io.BytesIO()
    picture.save(stored, "PNG", exif=exif)
    with Image.open(stored) as again:
        turned = ImageOps.exif_transpose(again)
    assert np.array_equal(np.asarray(turned), tiff_picture.orient(pixels, orientation))


@pytest.mark.parametrize("part", [0.02, 0.5, 0.99])
def test_a_tiff_that_is_cut_short_is_refused(tmp_path: Path, part: float) -> None:
    tifffile.imwrite(tmp_path / "whole.tif", samples(np.uint16, (64, 64, 3)), photometric="rgb", metadata=None)
    data = (tmp_path / "whole.tif").read_bytes()
    (tmp_path / "cut.tif").write_bytes(data[: int(len(data) * part)])
    with pytest.raises(FrameError, match=r"cut\.tif") as caught:
        tiff_picture.read_picture(tmp_path / "cut.tif")
    assert caught.value.code == "P001"


def test_a_damaged_strip_is_refused(tmp_path: Path) -> None:
    tiff_picture.write_picture(tmp_path / "a.tif", LIGHT, "sRGB")
    data = bytearray((tmp_path / "a.tif").read_bytes())
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        offset = tiff.pages.first.dataoffsets[0]
    data[offset + 50 : offset + 200] = bytes(150)
    (tmp_path / "a.tif").write_bytes(data)
    with pytest.raises(FrameError, match="cannot be read"):
        tiff_picture.read_picture(tmp_path / "a.tif")


def test_other_kinds_are_refused_with_the_reason(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "float.tif", LIGHT, photometric="rgb", metadata=None)
    press = samples(np.uint8, (8, 8, 4))
    tifffile.imwrite(tmp_path / "press.tif", press, photometric="separated", metadata=None)
    tifffile.imwrite(
        tmp_path / "stack.tif", samples(np.uint8, (5, 8, 8)), photometric="minisblack", volumetric=True, metadata=None
    )
    for name, reason in (("float.tif", "float32"), ("press.tif", "SEPARATED|RGB or grey"), ("stack.tif", "stack")):
        with pytest.raises(FrameError, match=reason) as caught:
            tiff_picture.read_picture(tmp_path / name)
        assert caught.value.code == "P001"
