"""Flats: the same pixels and the same profile, of one page, whatever the file around them is."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from glassine.schemas.errors import FrameError, VolumeError
from glassine.tasks.imaging import flat, tiff_picture
from glassine.tasks.imaging.icc_profile import profile_bytes

ROMM = profile_bytes("ROMM RGB")
Samples = NDArray[np.uint16]


def samples(height: int, width: int, channels: int = 3) -> Samples:
    return np.random.default_rng(height * width).integers(0, 65_536, (height, width, channels)).astype(np.uint16)


def check_flat(returned: Path, out: Path, colour: Samples, profile: str = "ROMM RGB") -> dict[str, Any]:
    """Derive, and look at what came of it with readers of others."""
    facts = flat.derive_flat(returned, out)
    data = out.read_bytes()
    with tifffile.TiffFile(out) as tiff:
        assert len(tiff.pages) == 1
        assert not tiff.is_bigtiff
        page = tiff.pages.first
        assert np.array_equal(page.asarray().reshape(colour.shape), colour)
        assert page.samplesperpixel == colour.shape[2]
        assert page.tags.valueof(34675) == profile_bytes(profile)
    assert (facts["sha256"], facts["size"]) == (hashlib.sha256(data).hexdigest(), len(data))
    assert (facts["bits"], facts["profile"]) == (16, profile)
    assert not flat.is_layered(out)
    return facts


@st.composite
def layouts(draw: st.DrawFn) -> tuple[tuple[int, int, int], dict[str, Any]]:
    height, width, channels = draw(st.integers(1, 150)), draw(st.integers(1, 90)), draw(st.integers(3, 6))
    options: dict[str, Any] = {
        "byteorder": draw(st.sampled_from("<>")),
        "bigtiff": draw(st.booleans()),
        "planarconfig": draw(st.sampled_from(["contig", "separate"])),
        "compression": draw(st.sampled_from([None, "zlib", "lzw", "packbits"])),
    }
    if options["compression"] in ("zlib", "lzw"):
        options["predictor"] = draw(st.booleans())
    if draw(st.booleans()):
        options["tile"] = (draw(st.sampled_from([16, 32, 48])), draw(st.sampled_from([16, 32, 64])))
    else:
        options["rowsperstrip"] = draw(st.integers(1, height))
    return (height, width, channels), options


@settings(deadline=None, max_examples=60)
@given(layouts())
def test_any_packing_gives_the_same_pixels(
    tmp_path_factory: pytest.TempPathFactory, layout: tuple[tuple[int, int, int], dict[str, Any]]
) -> None:
    shape, options = layout
    folder = tmp_path_factory.mktemp("flat")
    pixels = samples(*shape)
    separate = options["planarconfig"] == "separate"
    header = {key: options.pop(key) for key in ("byteorder", "bigtiff")}
    with tifffile.TiffWriter(folder / "back.tif", **header) as tiff:
        written = np.moveaxis(pixels, 2, 0) if separate else pixels
        extra = ["unspecified"] * (shape[2] - 3)
        tiff.write(written, photometric="rgb", extrasamples=extra, iccprofile=ROMM, metadata=None, **options)
    check_flat(folder / "back.tif", folder / "flat.tif", pixels[:, :, :3])


def test_flat_of_a_big_tiff_of_several_pages(tmp_path: Path) -> None:
    returned = tmp_path / "back.tif"
    picture = samples(200, 130)
    with tifffile.TiffWriter(returned, bigtiff=True, byteorder=">") as tiff:
        for pixels in (picture, samples(90, 70, 4), samples(200, 130, 4)):
            extra = ["unassalpha"] * (pixels.shape[2] - 3)
            tiff.write(pixels, photometric="rgb", extrasamples=extra, iccprofile=ROMM, metadata=None)
    assert flat.is_layered(returned)
    before = returned.read_bytes()
    facts = check_flat(returned, tmp_path / "new" / "flat.tif", picture)
    assert (facts["width"], facts["height"]) == (130, 200)
    assert returned.read_bytes() == before
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["flat.tif"]
    linear, info = tiff_picture.read_picture(tmp_path / "new" / "flat.tif")
    assert info == tiff_picture.PictureInfo(130, 200, 16, "ROMM RGB", 3)
    assert np.array_equal(linear, tiff_picture.read_picture(returned)[0])


def test_the_same_file_gives_the_same_bytes(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "back.tif", samples(70, 50), photometric="rgb", iccprofile=ROMM)
    one = flat.derive_flat(tmp_path / "back.tif", tmp_path / "a.tif")
    assert flat.derive_flat(tmp_path / "back.tif", tmp_path / "b.tif") == one
    assert b"tifffile" not in (tmp_path / "a.tif").read_bytes()


@pytest.mark.parametrize("alpha", ["assocalpha", "unassalpha", "unspecified"])
def test_transparency_does_not_become_picture(tmp_path: Path, alpha: str) -> None:
    pixels = samples(70, 50, 5)
    extra = [alpha, "unspecified"]
    tifffile.imwrite(tmp_path / "back.tif", pixels, photometric="rgb", extrasamples=extra, iccprofile=ROMM)
    check_flat(tmp_path / "back.tif", tmp_path / "flat.tif", pixels[:, :, :3])


def test_grey_stays_grey_and_resolution_and_orientation_stay(tmp_path: Path) -> None:
    pixels = samples(70, 50, 1)
    turned = [(274, "H", 1, 6, True)]
    tifffile.imwrite(
        tmp_path / "back.tif",
        pixels[:, :, 0],
        photometric="minisblack",
        iccprofile=profile_bytes("Grey gamma 2.2"),
        resolution=(240, 240),
        resolutionunit="INCH",
        extratags=turned,
        metadata=None,
    )
    facts = check_flat(tmp_path / "back.tif", tmp_path / "flat.tif", pixels, "Grey gamma 2.2")
    assert (facts["width"], facts["height"]) == (70, 50)
    with Image.open(tmp_path / "flat.tif") as picture:
        assert picture.info["dpi"] == (240, 240)
        assert picture.getexif()[274] == 6
    assert np.array_equal(
        tiff_picture.read_picture(tmp_path / "flat.tif")[0], tiff_picture.read_picture(tmp_path / "back.tif")[0]
    )


def test_what_is_layered(tmp_path: Path) -> None:
    plain, tagged, big = tmp_path / "plain.tif", tmp_path / "tagged.tif", tmp_path / "big.tif"
    tifffile.imwrite(plain, samples(20, 20), photometric="rgb", metadata=None)
    layers = [(37724, 7, 64, bytes(64), True)]
    tifffile.imwrite(tagged, samples(20, 20), photometric="rgb", metadata=None, extratags=layers)
    tifffile.imwrite(big, samples(20, 20), photometric="rgb", metadata=None, bigtiff=True)
    assert [flat.is_layered(path) for path in (plain, tagged, big)] == [False, True, False]
    with big.open("r+b") as file:
        file.truncate(2**32 + 1)  # a sparse file: it takes no room
    assert flat.is_layered(big)


@pytest.mark.parametrize(
    ("pixels", "options"),
    [
        (np.zeros((8, 8, 3), np.uint8), {"photometric": "rgb"}),
        (np.zeros((8, 8, 3), np.float32), {"photometric": "rgb"}),
        (np.zeros((8, 8, 4), np.uint16), {"photometric": "separated"}),
        (np.zeros((8, 8), np.uint16), {"photometric": "miniswhite"}),
    ],
)
def test_what_is_no_picture_of_16_bits_is_refused(
    tmp_path: Path, pixels: NDArray[Any], options: dict[str, Any]
) -> None:
    tifffile.imwrite(tmp_path / "back.tif", pixels, metadata=None, **options)
    with pytest.raises(FrameError, match="RGB or grey of 16 bits is wanted") as refused:
        flat.derive_flat(tmp_path / "back.tif", tmp_path / "flat.tif")
    assert refused.value.code == "P001"
    assert not (tmp_path / "flat.tif").exists()


@settings(deadline=None, max_examples=80)
@given(
    cut=st.just(100) | st.integers(0, 100),
    flips=st.lists(st.tuples(st.integers(0, 10_000), st.integers(1, 255)), max_size=4),
)
def test_a_damaged_file_gives_a_flat_or_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, cut: int, flips: list[tuple[int, int]]
) -> None:
    folder = tmp_path_factory.mktemp("damaged")
    tifffile.imwrite(folder / "back.tif", samples(40, 30), photometric="rgb", compression="zlib", iccprofile=ROMM)
    data = bytearray((folder / "back.tif").read_bytes())
    for place, value in flips:
        data[place % 600] ^= value  # most of them in the tags
    (folder / "back.tif").write_bytes(data[: len(data) * cut // 100])
    try:
        flat.derive_flat(folder / "back.tif", folder / "flat.tif")
    except FrameError as error:
        assert error.code == "P001"
        assert not (folder / "flat.tif").exists()
    else:
        with tifffile.TiffFile(folder / "flat.tif") as tiff:
            assert tiff.pages.first.dtype == np.uint16
    try:
        flat.is_layered(folder / "back.tif")
    except FrameError as error:
        assert error.code == "P001"


def test_files_that_are_not_there(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "back.tif", samples(20, 20), photometric="rgb")
    with pytest.raises(VolumeError) as missing:
        flat.derive_flat(tmp_path / "none.tif", tmp_path / "flat.tif")
    assert missing.value.code == "V004"
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(VolumeError) as unwritable:
        flat.derive_flat(tmp_path / "back.tif", tmp_path / "file" / "flat.tif")
    assert unwritable.value.code == "V003"
