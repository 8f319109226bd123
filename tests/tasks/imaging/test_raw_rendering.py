"""Raw files whose truth is known, array for array; and files that lie, which are refused."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import rawpy
from PIL import Image

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import icc_profile, raw_rendering, tiff_picture
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bit_depth import FloatImage, from_integers, to_uint8
from glassine.tasks.imaging.scene_estimate import estimate_scene
from glassine.tasks.imaging.simulated_camera import (
    BLACK_LEVEL,
    NEUTRAL,
    WHITE_LEVEL,
    CaptureData,
    Mosaic,
    expose,
    take_frame,
    write_dng,
)

CAPTURE = CaptureData(7, datetime(2026, 3, 4, 10, 11, 12, tzinfo=UTC))
EVEN = (1.0, 1.0, 1.0)
REAL_FRAMES = Path(__file__).resolve().parents[4] / "shared" / "real-frames"
real_frames = pytest.mark.skipif(not REAL_FRAMES.is_dir(), reason="the real frames are not on this machine")


def steps(stops: int = 8, side: int = 40) -> Mosaic:
    """Patches from saturation downwards, a stop each."""
    levels = [BLACK_LEVEL + (WHITE_LEVEL - BLACK_LEVEL) * 2.0**-stop for stop in range(stops)]
    return np.repeat(np.round(levels).astype(np.uint16)[np.newaxis].repeat(2 * side, 0), side, axis=1)


def scene_light(height: int = 96, width: int = 64) -> FloatImage:
    """Light in soft shapes of many colours, that no half turn, quarter turn or mirror leaves as it was."""
    y, x = np.mgrid[:height, :width].astype(np.float32)
    light = np.stack([x / width, y / height, 1 - x * y / (width * height)], axis=2)
    return np.ascontiguousarray(0.05 + 0.5 * light**2, np.float32)


def in_romm(light: FloatImage) -> FloatImage:
    encoded = icc_profile.SPACES["sRGB"].curve.encode(light)
    return icc_profile.decode(encoded, "sRGB")


@pytest.mark.parametrize("half_size", [True, False])
@pytest.mark.parametrize("balance", [AS_SHOT, Balance((1.5, 1.0, 2.0)), Balance((1.5, 1.0, 2.0), -0.7)])
def test_what_is_developed_is_the_light_before_its_stops(tmp_path: Path, half_size: bool, balance: Balance) -> None:
    take_frame(tmp_path / "a.dng", scene_light(), CAPTURE)
    samples = raw_rendering.develop(tmp_path / "a.dng", half_size=half_size, balance=balance)
    light = raw_rendering.render(tmp_path / "a.dng", half_size=half_size, balance=balance)
    assert samples.dtype == np.uint16
    assert np.array_equal(from_integers(samples) * np.float32(balance.gain), light)


def test_only_a_raw_is_developed(tmp_path: Path) -> None:
    Image.new("RGB", (40, 30), (90, 120, 60)).save(tmp_path / "a.jpg")
    with pytest.raises(FrameError, match="does not decode") as caught:
        raw_rendering.develop(tmp_path / "a.jpg")
    assert caught.value.code == "P001"


def test_libraw_reads_every_photosite_as_written(tmp_path: Path) -> None:
    mosaic = np.random.default_rng(1).integers(BLACK_LEVEL, WHITE_LEVEL + 1, (64, 96)).astype(np.uint16)
    write_dng(tmp_path / "a.dng", mosaic, CAPTURE)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert np.array_equal(raw.raw_image_visible, mosaic)
        assert raw.black_level_per_channel == [BLACK_LEVEL] * 4
        assert raw.white_level == WHITE_LEVEL
        assert raw.raw_pattern is not None
        assert [raw.color_desc.decode()[index] for index in raw.raw_pattern.ravel()] == list("RGGB")


def test_patches_render_at_their_stops(tmp_path: Path) -> None:
    """CHECKS 3.5: 65535 · 2⁻ⁱ within 1.5."""
    write_dng(tmp_path / "a.dng", steps(), CAPTURE, neutral=EVEN)
    linear = raw_rendering.render(tmp_path / "a.dng")
    assert linear.dtype == np.float32
    patches = linear[30:50, 20::40].mean(axis=0)
    wanted = np.repeat(2.0 ** -np.arange(8)[:, np.newaxis], 3, axis=1)
    assert np.abs(patches - wanted).max() * 65535 < 2.5
    half = raw_rendering.render(tmp_path / "a.dng", half_size=True)
    assert half.shape == (40, 160, 3)
    assert np.abs(half[20, 10::20] - wanted).max() * 65535 < 2.5


def test_the_scale_does_not_depend_on_the_picture(tmp_path: Path) -> None:
    """LibRaw's default takes a maximum of 80 % of white for white."""
    levels = BLACK_LEVEL + np.linspace(0.1, 0.8, 80) * (WHITE_LEVEL - BLACK_LEVEL)
    write_dng(tmp_path / "a.dng", np.round(levels).astype(np.uint16)[np.newaxis].repeat(80, 0), CAPTURE, neutral=EVEN)
    linear = raw_rendering.render(tmp_path / "a.dng", half_size=True)
    assert linear[20, -1].mean() == pytest.approx(0.795, abs=0.004)


def test_colours_come_out_as_they_were_lit(tmp_path: Path) -> None:
    light = scene_light()
    take_frame(tmp_path / "a.dng", light, CAPTURE)
    linear = raw_rendering.render(tmp_path / "a.dng")
    assert linear.shape == light.shape  # taken upright, with the camera turned
    inner = np.s_[4:-4, 4:-4]
    assert np.abs(linear[inner] - in_romm(light)[inner]).mean() < 0.003
    assert np.median(linear[inner] / in_romm(light)[inner]) == pytest.approx(1.0, abs=0.005)


def test_the_preview_stands_as_the_picture_does(tmp_path: Path) -> None:
    light = scene_light(192, 128)
    take_frame(tmp_path / "a.dng", light, CAPTURE)
    preview = raw_rendering.embedded_preview(tmp_path / "a.dng")
    assert preview is not None
    assert preview.shape == light.shape
    assert np.abs(preview - in_romm(light)).mean() < 0.01
    brighter = raw_rendering.embedded_preview(tmp_path / "a.dng", balance=Balance((2.0, 1.0, 1.0), 1.5))
    assert brighter is not None
    assert brighter == pytest.approx(preview * 2**1.5, rel=1e-6)


WARM = (1.25, 1.0, 0.5)
"""What a sensor may answer to the light of a filament: red saturates first."""
Multipliers = tuple[float, float, float]


def lit(*colours: tuple[float, float, float]) -> FloatImage:
    """Patches of 40 × 40 side by side, of light with sRGB's primaries."""
    return np.repeat(np.repeat(np.array([colours], np.float32), 40, axis=0), 40, axis=1)


def patches(path: Path, balance: Balance = AS_SHOT, *, half_size: bool = True) -> FloatImage:
    step = 20 if half_size else 40
    return raw_rendering.render(path, half_size=half_size, balance=balance)[step // 2, step // 2 :: step]


SIX = lit((0.1, 0.1, 0.1), (0.3, 0.1, 0.05), (0.02, 0.3, 0.1), (0.1, 0.1, 0.35), (0.2, 0.3, 0.3), (0.01, 0.01, 0.01))


@pytest.mark.parametrize("half_size", [True, False])
@pytest.mark.parametrize("multipliers", [(2.0, 1.0, 1.6), (1.0, 1.0, 1.0), (0.8, 1.0, 2.0), (1.3, 1.0, 0.5), (3, 2, 2)])
@pytest.mark.parametrize("neutral", [NEUTRAL, WARM])
def test_multipliers_give_the_light_that_they_should(
    neutral: Multipliers, multipliers: Multipliers, half_size: bool, tmp_path: Path
) -> None:
    """The share of saturation times the multiplier over the least of them; this sensor's channels are sRGB's."""
    write_dng(tmp_path / "a.dng", expose(SIX, neutral=neutral, noise=False), CAPTURE, neutral=neutral)
    balanced = SIX[20:21, 20::40] * np.array(neutral, np.float32) * np.array(multipliers, np.float32) / min(multipliers)
    found = patches(tmp_path / "a.dng", Balance(multipliers), half_size=half_size)
    # A step of the simulated sensor is 6e-5, the matrix in the file is rounded to four places.
    assert np.abs(found - in_romm(np.minimum(balanced, 1))[0]).max() < 1.5e-3


@pytest.mark.parametrize("neutral", [NEUTRAL, WARM, EVEN])
def test_as_shot_may_be_said_in_numbers_of_which_only_the_ratios_count(neutral: Multipliers, tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, expose(scene_light(80, 120), neutral=neutral, seed=3), CAPTURE, neutral=neutral)
    as_shot = raw_rendering.render(path)
    in_numbers = (1 / neutral[0], 1 / neutral[1], 1 / neutral[2])
    assert np.abs(raw_rendering.render(path, balance=Balance(in_numbers)) - as_shot).max() < 1.01 / 65535
    assert raw_rendering.as_shot_multipliers(path) == pytest.approx(in_numbers, abs=1e-4)
    twice = Balance((2 * in_numbers[0], 2 * in_numbers[1], 2 * in_numbers[2]))
    assert np.abs(raw_rendering.render(path, balance=twice) - as_shot).max() < 1.01 / 65535


@pytest.mark.parametrize("multipliers", [None, (2.0, 1.0, 1.6), (1.0, 1.0, 1.0), (0.5, 1.0, 3.0), (10.0, 1.0, 0.1)])
@pytest.mark.parametrize("stops", [-2.0, 0.0, 1.5])
def test_lost_light_is_neutral_under_any_balance(multipliers: Multipliers | None, stops: float, tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", expose(lit((0.1, 0.1, 0.1), (40, 40, 40)), noise=False), CAPTURE)
    blown = patches(tmp_path / "a.dng", Balance(multipliers, stops))[1]
    assert blown == pytest.approx([2**stops] * 3, rel=1e-4)


@pytest.mark.parametrize("neutral", [NEUTRAL, WARM])
def test_a_neutral_turns_white_where_its_first_channel_is_full(neutral: Multipliers, tmp_path: Path) -> None:
    ramp = np.linspace(0.02, 3, 300, dtype=np.float32)[np.newaxis, :, np.newaxis] * np.ones((100, 1, 3), np.float32)
    write_dng(tmp_path / "a.dng", expose(ramp, neutral=neutral, noise=False), CAPTURE, neutral=neutral)
    linear = raw_rendering.render(tmp_path / "a.dng", half_size=True)[25]
    assert np.ptp(linear, axis=1).max() < 0.012  # photosites side by side see the ramp's next steps
    assert linear[ramp[0, ::2, 0] * max(neutral) > 1.02].min() > 1 - 2 / 65535  # LibRaw cuts off, and does not round
    assert np.all(np.diff(linear[:, 1]) >= 0)


def test_light_that_is_lost_in_one_channel_keeps_the_colour_of_a_wrong_balance(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", expose(lit((1.2, 1.2, 1.2), (0.1, 0.1, 0.1)), noise=False), CAPTURE)
    assert patches(tmp_path / "a.dng")[0] == pytest.approx([1, 1, 1], abs=1e-4)
    green_alone_is_full = np.array([[[0.6, 1.0, 0.75]]], np.float32)
    assert patches(tmp_path / "a.dng", Balance(EVEN))[0] == pytest.approx(in_romm(green_alone_is_full)[0, 0], abs=1e-3)


@pytest.mark.parametrize("stops", [-5.0, -0.3333, 0.5, 2.0, 5.0])
def test_exposure_multiplies_the_light_of_any_original(stops: float, tmp_path: Path) -> None:
    light = scene_light()
    take_frame(tmp_path / "a.dng", light, CAPTURE)
    tiff_picture.write_picture(tmp_path / "a.tif", in_romm(light), "ROMM RGB")
    coded = Image.fromarray(to_uint8(icc_profile.SPACES["sRGB"].curve.encode(light)))
    for name in ("a.png", "a.jpg"):
        coded.save(tmp_path / name)
    for name in ("a.dng", "a.tif", "a.png", "a.jpg"):
        as_exposed = raw_rendering.render(tmp_path / name)
        multipliers = None if name == "a.dng" else (2.0, 1.0, 0.5)  # a rendered picture has its white balance in it
        moved = raw_rendering.render(tmp_path / name, balance=Balance(multipliers, stops))
        assert moved.dtype == np.float32
        assert np.array_equal(moved, as_exposed * np.float32(2.0**stops))


def test_a_raw_without_white_balance_gets_daylights_whatever_is_in_it(tmp_path: Path) -> None:
    grey, red = (0.2, 0.2, 0.2), (0.5, 0.05, 0.05)
    found = []
    for name, picture in (("grey", lit(grey, grey, grey)), ("red", lit(grey, red, red))):
        path = tmp_path / f"{name}.dng"
        write_dng(path, expose(picture, noise=False), CAPTURE)
        data = path.read_bytes()
        as_shot_neutral = (50728).to_bytes(2, "little") + (5).to_bytes(2, "little")
        assert data.count(as_shot_neutral) == 1
        path.write_bytes(data.replace(as_shot_neutral, (65000).to_bytes(2, "little") + as_shot_neutral[2:]))
        with rawpy.imread(str(path)) as raw:
            assert raw.camera_whitebalance[0] == 0
        found.append(patches(path)[0])
        assert raw_rendering.as_shot_multipliers(path) == pytest.approx((2.0, 1.0, 1.6), rel=1e-3)
    assert found[0] == pytest.approx([0.2] * 3, abs=1e-3)
    assert np.array_equal(found[0], found[1])


def test_a_rendered_picture_has_no_multipliers(tmp_path: Path) -> None:
    Image.new("RGB", (20, 20)).save(tmp_path / "a.jpg")
    with pytest.raises(FrameError, match=r"a\.jpg is no raw") as caught:
        raw_rendering.as_shot_multipliers(tmp_path / "a.jpg")
    assert caught.value.code == "P001"


@pytest.mark.parametrize("part", [0.0, 0.01, 0.3, 0.7, 0.999])
def test_a_raw_that_is_cut_short_is_refused(tmp_path: Path, part: float) -> None:
    take_frame(tmp_path / "whole.dng", scene_light(), CAPTURE)
    raw_rendering.check_decodable(tmp_path / "whole.dng")
    data = (tmp_path / "whole.dng").read_bytes()
    (tmp_path / "cut.dng").write_bytes(data[: int(len(data) * part)])
    for read in (raw_rendering.check_decodable, raw_rendering.render):
        with pytest.raises(FrameError) as caught:
            read(tmp_path / "cut.dng")
        assert caught.value.code == "P001"
        assert "cut.dng" in str(caught.value)


def test_a_raw_of_boxes_that_is_cut_short_is_refused(tmp_path: Path) -> None:
    boxes = (24).to_bytes(4, "big") + b"ftyp" + bytes(16) + (4000).to_bytes(4, "big") + b"mdat" + bytes(3992)
    for length, reason in ((len(boxes), "does not decode"), (len(boxes) - 1, "cut short"), (30, "cut short")):
        (tmp_path / "a.cr3").write_bytes(boxes[:length])
        with pytest.raises(FrameError, match=reason):
            raw_rendering.check_decodable(tmp_path / "a.cr3")


def test_a_raw_whose_data_are_not_what_they_should_be_is_refused(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", steps(), CAPTURE)
    data = (tmp_path / "a.dng").read_bytes()
    compression = bytes.fromhex("0301 0300 01000000")  # tag 259, one SHORT
    place = data.index(compression) + len(compression)
    (tmp_path / "a.dng").write_bytes(data[:place] + b"\7\0" + data[place + 2 :])  # now it claims to be JPEG
    for read in (raw_rendering.check_decodable, raw_rendering.render):
        with pytest.raises(FrameError, match="should be JPEG data is not") as caught:
            read(tmp_path / "a.dng")
        assert caught.value.code == "P001"


def test_a_cut_raw_still_gives_its_preview(tmp_path: Path) -> None:
    take_frame(tmp_path / "whole.dng", scene_light(192, 128), CAPTURE)
    data = (tmp_path / "whole.dng").read_bytes()
    (tmp_path / "cut.dng").write_bytes(data[: int(len(data) * 0.6)])
    (tmp_path / "headless.dng").write_bytes(b"nothing that anybody knows" + data[8:])
    assert raw_rendering.embedded_preview(tmp_path / "cut.dng") is not None
    assert raw_rendering.embedded_preview(tmp_path / "headless.dng") is not None
    (tmp_path / "empty.dng").write_bytes(b"")
    assert raw_rendering.embedded_preview(tmp_path / "empty.dng") is None


@pytest.mark.parametrize("kind", ["black", "dark frame", "noise", "rows of noise"])
def test_black_and_noise_are_not_believed(tmp_path: Path, kind: str) -> None:
    draw = np.random.default_rng(2)
    shape = (200, 300)
    mosaic = {
        "black": np.full(shape, BLACK_LEVEL),
        "dark frame": draw.normal(BLACK_LEVEL, 3, shape).clip(0),
        "noise": draw.integers(0, WHITE_LEVEL, shape),
        "rows of noise": np.repeat(draw.integers(0, WHITE_LEVEL, (200, 1)), 300, axis=1),
    }[kind].astype(np.uint16)
    write_dng(tmp_path / "a.dng", mosaic, CAPTURE)
    for half in (False, True):
        with pytest.raises(FrameError, match=r"decodes to (black|noise)") as caught:
            raw_rendering.render(tmp_path / "a.dng", half_size=half)
        assert caught.value.code == "P001"


def test_a_blank_wall_at_high_sensitivity_is_a_picture(tmp_path: Path) -> None:
    wall = np.full((200, 300, 3), 0.05, np.float32)
    take_frame(tmp_path / "a.dng", wall, CaptureData(1, CAPTURE.taken, iso=1600))
    assert raw_rendering.render(tmp_path / "a.dng").mean() == pytest.approx(0.05, rel=0.02)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_orientation_of_a_jpeg(tmp_path: Path, orientation: int) -> None:
    upright = scene_light(96, 64)
    turns = {1: 0, 3: 2, 6: 1, 8: -1}[orientation]  # the Exif standard's sense, undone
    picture = Image.fromarray(to_uint8(icc_profile.SPACES["sRGB"].curve.encode(np.rot90(upright, turns))))
    exif = picture.getexif()
    exif[274] = orientation
    picture.save(tmp_path / "a.jpg", exif=exif, quality=98, subsampling=0)
    linear = raw_rendering.render(tmp_path / "a.jpg")
    assert linear.shape == upright.shape
    assert np.abs(linear - estimate_scene(in_romm(upright))).mean() < 0.01


def test_the_profile_of_a_jpeg_is_obeyed(tmp_path: Path) -> None:
    """sRGB red in the larger space has the code 219 (LittleCMS, by Pillow)."""
    icc = icc_profile.profile_bytes("Adobe RGB (1998)")
    Image.new("RGB", (32, 32), (219, 0, 0)).save(tmp_path / "a.png", icc_profile=icc)
    Image.new("RGB", (32, 32), (255, 0, 0)).save(tmp_path / "b.png")
    in_larger_space, in_srgb = (raw_rendering.render(tmp_path / name)[16, 16] for name in ("a.png", "b.png"))
    assert in_larger_space == pytest.approx(in_srgb, abs=0.01)


def test_grey_and_transparent_pictures(tmp_path: Path) -> None:
    Image.new("L", (8, 8), 118).save(tmp_path / "grey.png")
    Image.new("RGBA", (8, 8), (118, 118, 118, 40)).save(tmp_path / "clear.png")
    Image.fromarray(np.full((8, 8), 30235, np.uint16)).save(tmp_path / "deep.png")
    for name in ("grey.png", "clear.png", "deep.png"):
        linear = raw_rendering.render(tmp_path / name)
        assert linear.shape == (8, 8, 3)
        # Code 118 of sRGB is 18 % grey, which lies at the standard curve's +0.05 stops: `scene_estimate`.
        assert linear[0, 0] == pytest.approx([0.18 / 2**0.5 * 2**0.05] * 3, abs=0.0013)


def test_damaged_and_foreign_pictures_are_refused(tmp_path: Path) -> None:
    Image.fromarray(to_uint8(scene_light(256, 256))).save(tmp_path / "whole.jpg", quality=95)
    data = (tmp_path / "whole.jpg").read_bytes()
    (tmp_path / "cut.jpg").write_bytes(data[: len(data) // 2])
    (tmp_path / "text.jpg").write_bytes(b"no picture at all")
    (tmp_path / "text.cr2").write_bytes(b"no picture at all")
    (tmp_path / "text.tif").write_bytes(b"II*\0 no picture at all")
    Image.new("CMYK", (8, 8)).save(tmp_path / "press.jpg")
    for name in ("cut.jpg", "text.jpg", "text.cr2", "text.tif", "press.jpg", "missing.dng"):
        with pytest.raises(FrameError) as caught:
            raw_rendering.check_decodable(tmp_path / name)
        assert caught.value.code == "P001"


@real_frames
@pytest.mark.parametrize("name", ["CRW_0101", "CRW_0112"])
def test_a_real_raw_looks_like_its_own_thumbnail(name: str, tmp_path: Path) -> None:
    path = REAL_FRAMES / f"{name}.CRW"
    raw_rendering.check_decodable(path)
    lightness = icc_profile.lightness(raw_rendering.render(path, half_size=True))
    thumbnail = icc_profile.lightness(raw_rendering.render(path.with_suffix(".THM")))
    small = np.asarray(Image.fromarray(lightness).resize(thumbnail.shape[::-1], Image.Resampling.BOX))
    assert np.corrcoef(small.ravel(), thumbnail.ravel())[0, 1] > 0.9
    assert raw_rendering.embedded_preview(path) is not None
    data = path.read_bytes()
    (tmp_path / "cut.crw").write_bytes(data[: len(data) - 2000])
    with pytest.raises(FrameError):
        raw_rendering.check_decodable(tmp_path / "cut.crw")


@real_frames
@pytest.mark.parametrize("name", ["CRW_0104", "CRW_0118"])
def test_a_real_raws_own_multipliers_give_the_same_picture(name: str) -> None:
    path = REAL_FRAMES / f"{name}.CRW"
    with rawpy.imread(str(path)) as raw:
        red, green, blue = raw.camera_whitebalance[:3]
    in_numbers = raw_rendering.render(path, half_size=True, balance=Balance((red / green, 1.0, blue / green)))
    as_shot = raw_rendering.render(path, half_size=True)
    assert np.array_equal(in_numbers, as_shot)
    rounded = raw_rendering.render(path, half_size=True, balance=Balance(raw_rendering.as_shot_multipliers(path)))
    assert np.abs(rounded - as_shot).max() < 2.1 / 65535
