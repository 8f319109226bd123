"""TIFF pictures: read by their profile, written the same each time, refused when they are cut."""

import hashlib
import io
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
from glassine.tasks.imaging import icc_profile, tiff_picture

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
