"""Colour against published values, against LittleCMS and against colour-science."""

import io
import warnings
from typing import Any

import imagecodecs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bit_depth import FloatImage

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

SPACE_NAMES = ["sRGB", "Adobe RGB (1998)", "ROMM RGB", "Grey gamma 2.2"]
RGB_NAMES = SPACE_NAMES[:3]


def picture(*colours: tuple[float, float, float]) -> FloatImage:
    return np.array([colours], np.float32)


def grey(value: float) -> FloatImage:
    return np.full((1, 1, 3), value, np.float32)


# IEC 61966-2-1:1999: code values (8 bit) of linear light, as CHECKS 2.1 has them from colour-science
@pytest.mark.parametrize(
    ("linear", "code"),
    [(0.0031308, 10.315), (0.127, 99.837), (0.18, 117.646), (0.2140411, 127.5), (0.5, 187.516), (0.9, 243.445)],
)
def test_srgb_curve(linear: float, code: float) -> None:
    assert icc_profile.encode(grey(linear), "sRGB")[0, 0] * 255 == pytest.approx([code] * 3, abs=2e-3)
    assert icc_profile.decode(grey(code / 255), "sRGB")[0, 0] == pytest.approx([linear] * 3, rel=1e-4)


# CHECKS 2.5, from colour-science
@pytest.mark.parametrize(
    ("space", "encoded", "linear"),
    [
        ("Adobe RGB (1998)", 128 / 255, 0.2196379533),
        ("ROMM RGB", 0.008, 0.0005),
        ("ROMM RGB", 0.03125, 1 / 512),
        ("ROMM RGB", 0.3857114248, 0.18),
    ],
)
def test_other_curves(space: str, encoded: float, linear: float) -> None:
    assert icc_profile.decode(grey(encoded), space)[0, 0] == pytest.approx([linear] * 3, rel=1e-4)
    assert icc_profile.encode(grey(linear), space)[0, 0] == pytest.approx([encoded] * 3, rel=1e-4)


# CIE 15: lightness of luminance factors, CHECKS 2.3
@pytest.mark.parametrize(
    ("y", "lightness"),
    [(1, 100), (0.5, 76.069261), (0.18, 49.496108), (0.1, 37.842430), (0.01, 8.991442), (0.001, 0.903296), (0, 0)],
)
def test_lightness(y: float, lightness: float) -> None:
    assert icc_profile.lightness(grey(y))[0, 0] == pytest.approx(lightness, abs=1e-4)
    assert icc_profile.luminance(grey(y))[0, 0] == pytest.approx(y, abs=1e-6)


# transicc (LittleCMS utilities), sRGB to Lab D50, relative colorimetric: CHECKS 2.6
@pytest.mark.parametrize(
    ("code", "lab"),
    [
        ((255, 255, 255), (100, 0, 0)),
        ((255, 0, 0), (54.2896, 80.8144, 69.8897)),
        ((0, 255, 0), (87.8194, -79.2749, 80.9927)),
        ((0, 0, 255), (29.5659, 68.2862, -112.0329)),
        ((128, 128, 128), (53.5850, 0, 0)),
        ((200, 120, 90), (58.9140, 29.9241, 30.4224)),
    ],
)
def test_lab_of_srgb(code: tuple[int, int, int], lab: tuple[float, float, float]) -> None:
    linear = icc_profile.decode(picture((code[0] / 255, code[1] / 255, code[2] / 255)), "sRGB")
    assert icc_profile.to_lab(linear)[0, 0] == pytest.approx(lab, abs=0.01)
    assert icc_profile.lightness(linear)[0, 0] == pytest.approx(lab[0], abs=0.01)


@pytest.mark.parametrize(
    ("ours", "theirs"), [("sRGB", "sRGB"), ("Adobe RGB (1998)", "Adobe RGB (1998)"), ("ROMM RGB", "ROMM RGB")]
)
def test_a_thousand_colours_as_colour_science_has_them(ours: str, theirs: str) -> None:
    encoded = np.random.default_rng(7).random((25, 40, 3), dtype=np.float32)
    space = colour.RGB_COLOURSPACES[theirs]
    xyz = colour.RGB_to_XYZ(
        encoded.astype(np.float64), space, illuminant=np.array([0.3457, 0.3585]),
        chromatic_adaptation_transform="Bradford", apply_cctf_decoding=True,
    )  # fmt: skip
    found = icc_profile.decode(encoded, ours) @ icc_profile.ROMM_TO_XYZ.T
    # The standards round whites and matrices to four places, and so does colour-science with them.
    assert np.abs(found - xyz).max() < 5e-4


@pytest.mark.parametrize("space", RGB_NAMES)
def test_our_profile_says_what_our_formula_does(space: str) -> None:
    encoded = np.random.default_rng(3).random((20, 30, 3), dtype=np.float32)
    by_littlecms = imagecodecs.cms_transform(
        encoded, icc_profile.profile_bytes(space), icc_profile.profile_bytes("ROMM RGB"),
        colorspace="rgb", outcolorspace="rgb", outdtype="float32", intent=1,
    )  # fmt: skip
    by_formula = icc_profile.encode(icc_profile.decode(encoded, space), "ROMM RGB")
    assert np.abs(by_littlecms - by_formula).max() < 3e-4  # s15Fixed16 numbers in the profile


def test_grey_is_of_luminance_in_linear_light() -> None:
    red = icc_profile.decode(picture((1, 0, 0)), "sRGB")
    # Row Y of sRGB to XYZ under D50, and LittleCMS' grey of sRGB red: CHECKS 2.5 and T7
    assert icc_profile.luminance(red)[0, 0] == pytest.approx(0.22249, abs=2e-5)
    assert icc_profile.encode(red, "Grey gamma 2.2")[0, 0] == pytest.approx(0.5050, abs=1e-4)
    encoded = np.linspace(0, 1, 64, dtype=np.float32).reshape(8, 8)
    by_littlecms = imagecodecs.cms_transform(
        encoded, icc_profile.profile_bytes("Grey gamma 2.2"), icc_profile.profile_bytes("ROMM RGB"),
        colorspace="gray", outcolorspace="rgb", outdtype="float32", intent=1,
    )  # fmt: skip
    ours = icc_profile.encode(icc_profile.decode(encoded, "Grey gamma 2.2"), "ROMM RGB")
    assert np.abs(by_littlecms - ours).max() < 3e-4


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(1 / 1024, 1, width=32), min_size=3, max_size=3), st.sampled_from(RGB_NAMES))
def test_encoding_is_the_inverse_of_decoding(values: list[float], space: str) -> None:
    encoded = picture((values[0], values[1], values[2]))
    assert icc_profile.encode(icc_profile.decode(encoded, space), space) == pytest.approx(encoded, abs=2e-4)


@pytest.mark.parametrize("space", RGB_NAMES)
def test_neutral_stays_neutral_and_white_white(space: str) -> None:
    for value in (0.0, 0.18, 1.0):
        encoded = icc_profile.encode(grey(value), space)[0, 0]
        assert np.ptp(encoded) < 1e-6
    assert icc_profile.encode(grey(1), space)[0, 0] == pytest.approx([1, 1, 1], abs=1e-6)
    assert np.all(icc_profile.encode(picture((1.5, -0.2, 0.3)), space) <= 1)


@pytest.mark.parametrize("space", SPACE_NAMES)
def test_profiles_are_whole_and_always_the_same(space: str) -> None:
    icc = icc_profile.profile_bytes(space)
    icc_profile.profile_bytes.cache_clear()
    assert icc_profile.profile_bytes(space) == icc
    assert int.from_bytes(icc[:4], "big") == len(icc)
    # ICC.1:2010, 7.2: the date, and D50 as s15Fixed16
    assert np.frombuffer(icc[24:36], ">u2").tolist() == [2026, 1, 1, 0, 0, 0]
    assert icc[68:80].hex() == "0000f6d6000100000000d32d"
    profile = ImageCms.ImageCmsProfile(io.BytesIO(icc)).profile
    assert profile.profile_description == space
    assert icc_profile.profile_name(icc) == space


def test_colorants_of_srgb() -> None:
    profile = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile.profile_bytes("sRGB"))).profile
    # The colorants in LittleCMS' own sRGB profile: CHECKS 2.5
    for found, wanted in (
        (profile.red_colorant, (0.436035, 0.222488, 0.013916)),
        (profile.green_colorant, (0.385117, 0.716904, 0.097061)),
        (profile.blue_colorant, (0.143051, 0.060608, 0.713913)),
    ):
        assert found is not None
        assert found[0] == pytest.approx(wanted, abs=2e-4)


def test_a_profile_of_somebody_else() -> None:
    encoded = np.random.default_rng(5).random((10, 10, 3), dtype=np.float32)
    theirs = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert icc_profile.profile_name(theirs) == "sRGB built-in"
    found = icc_profile.decode_with_profile(encoded, theirs)
    assert np.abs(found - icc_profile.decode(encoded, "sRGB")).max() < 1e-4


def test_our_profile_is_understood_by_pillow() -> None:
    srgb = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile.profile_bytes("sRGB")))
    adobe = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile.profile_bytes("Adobe RGB (1998)")))
    colours = np.array([[[200, 120, 90], [10, 200, 30], [128, 128, 128]]], np.uint8)
    by_pillow = np.asarray(ImageCms.profileToProfile(Image.fromarray(colours), srgb, adobe))
    linear = icc_profile.decode((colours / np.float32(255)).astype(np.float32), "sRGB")
    assert np.abs(by_pillow - icc_profile.encode(linear, "Adobe RGB (1998)") * 255).max() < 1.0


def test_wrong_pictures_and_profiles_are_refused() -> None:
    wrongs: list[Any] = [
        np.zeros((2, 2), np.float32),
        np.zeros((2, 2, 3), np.float64),
        np.full((1, 1, 3), np.nan, np.float32),
    ]
    for wrong in wrongs:
        with pytest.raises(FrameError) as caught:
            icc_profile.encode(wrong, "sRGB")
        assert caught.value.code == "P002"
    with pytest.raises(FrameError, match="No colour space"):
        icc_profile.encode(grey(0.5), "RGB")
    with pytest.raises(FrameError, match="cannot be read"):
        icc_profile.profile_name(b"no profile")
    with pytest.raises(FrameError, match="profile is for"):
        icc_profile.decode_with_profile(grey(0.5), icc_profile.profile_bytes("Grey gamma 2.2"))
    damaged = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    damaged[128:] = bytes(len(damaged) - 128)
    with pytest.raises(FrameError, match="cannot be used"):
        icc_profile.decode_with_profile(grey(0.5), bytes(damaged))
