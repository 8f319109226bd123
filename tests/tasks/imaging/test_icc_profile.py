"""Colour against published values, against LittleCMS and against colour-science."""

import io
import warnings
from typing import Any

import imagecodecs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
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
    [
        (0.0003035270, 1),
        (0.0030352698, 10),
        (0.0031308, 10.315),
        (0.0033465358, 11),
        (0.0512694584, 64),
        (0.127, 99.837),
        (0.18, 117.646),
        (0.1811642442, 118),
        (0.2122307574, 127),
        (0.2140411, 127.5),
        (0.2158605001, 128),
        (0.5, 187.516),
        (0.5028864580, 188),
        (0.9, 243.445),
        (0.9911020971, 254),
    ],
)
def test_srgb_curve(linear: float, code: float) -> None:
    assert icc_profile.encode(grey(linear), "sRGB")[0, 0] * 255 == pytest.approx([code] * 3, abs=2e-3)
    assert icc_profile.decode(grey(code / 255), "sRGB")[0, 0] == pytest.approx([linear] * 3, rel=1e-4)


# CHECKS 2.1, from colour-science: 18 % grey moved by stops, in 8-bit sRGB
@pytest.mark.parametrize(
    ("stops", "code"),
    [
        (-3, 41.336), (-2, 59.873), (-1, 84.617), (-1 / 3, 105.561), (0, 117.646), (1 / 3, 130.952), (1, 161.734),
        (2, 220.586),
    ],
)  # fmt: skip
def test_exposure_moves(stops: float, code: float) -> None:
    assert icc_profile.encode(grey(0.18 * 2**stops), "sRGB")[0, 0] * 255 == pytest.approx([code] * 3, abs=2e-3)


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
    [
        (1, 100),
        (0.5, 76.069261),
        (0.184187, 50.000058),
        (0.18, 49.496108),
        (0.127, 42.307698),
        (0.1, 37.842430),
        (0.01, 8.991442),
        (216 / 24389, 8),
        (0.001, 0.903296),
        (0, 0),
    ],
)
def test_lightness(y: float, lightness: float) -> None:
    assert icc_profile.lightness(grey(y))[0, 0] == pytest.approx(lightness, abs=1e-4)
    assert icc_profile.luminance(grey(y))[0, 0] == pytest.approx(y, abs=1e-6)


# ISO 5: transmittance T = 10^-D, its L* (CIE 15) and its code in 8-bit sRGB, CHECKS 4.3 from colour-science
@pytest.mark.parametrize(
    ("density", "transmittance", "lightness", "code"),
    [
        (0.05, 0.891251, 95.633, 242.40),
        (0.30, 0.501187, 76.142, 187.72),
        (0.70, 0.199526, 51.784, 123.42),
        (0.7447, 0.18, 49.497, 117.65),
        (1.00, 0.1, 37.842, 89.04),
        (1.50, 0.031623, 20.682, 49.77),
        (1.60, 0.025119, 17.972, 43.93),
        (2.00, 0.01, 8.991, 25.46),
        (2.10, 0.007943, 7.175, 21.85),
        (2.20, 0.006310, 5.699, 18.57),
        (2.40, 0.003981, 3.596, 12.88),
    ],
)
def test_densities(density: float, transmittance: float, lightness: float, code: float) -> None:
    light = grey(10**-density)
    assert icc_profile.luminance(light)[0, 0] == pytest.approx(transmittance, rel=2e-4)
    assert icc_profile.lightness(light)[0, 0] == pytest.approx(lightness, abs=2e-3)
    assert icc_profile.encode(light, "sRGB")[0, 0] * 255 == pytest.approx([code] * 3, abs=6e-3)


# The same for black codes of 8-bit sRGB, and for lightness: CHECKS 4.3
@pytest.mark.parametrize(
    ("code", "lightness", "density"),
    [
        (5, 1.371, 2.819), (10, 2.742, 2.518), (12, 3.321, 2.435), (16, 4.680, 2.286), (20, 6.319, 2.155),
        (26, 9.263, 1.986), (30, 11.264, 1.887), (32, 12.250, 1.840),
    ],
)  # fmt: skip
def test_lifted_blacks(code: int, lightness: float, density: float) -> None:
    light = icc_profile.decode(grey(code / 255), "sRGB")
    assert icc_profile.lightness(light)[0, 0] == pytest.approx(lightness, abs=2e-3)
    assert -np.log10(icc_profile.luminance(light)[0, 0]) == pytest.approx(density, abs=1e-3)


# CHECKS 2.5, from colour-science: CIE XYZ of D65 to D50 by Bradford, and RGB to XYZ as each standard prints it
BRADFORD_D65_TO_D50 = np.array(
    [
        [1.04792979, 0.02294687, -0.05019227],
        [0.02962781, 0.99043443, -0.01707380],
        [-0.00924304, 0.01505519, 0.75187428],
    ]
)
SRGB_TO_XYZ = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
ADOBE_RGB_TO_XYZ = [[0.57667, 0.18556, 0.18823], [0.29734, 0.62736, 0.07529], [0.02703, 0.07069, 0.99134]]
ROMM_TO_XYZ = [[0.7977, 0.1352, 0.0313], [0.2880, 0.7119, 0.0001], [0, 0, 0.8249]]
SRGB_TO_XYZ_D50 = [
    [0.43606575, 0.38515151, 0.14307842],
    [0.22249318, 0.71688701, 0.06061981],
    [0.01392392, 0.09708132, 0.71409936],
]
PRIMARIES = picture((1, 0, 0), (0, 1, 0), (0, 0, 1))


def matrix_under_d50(space: str) -> NDArray[np.float64]:
    """RGB to XYZ as the module has it: what becomes of the three primaries."""
    return np.asarray(icc_profile.ROMM_TO_XYZ @ icc_profile.decode(PRIMARIES, space)[0].astype(np.float64).T)


def test_matrices_to_xyz() -> None:
    """ICC.1 rounds D50 to .9642 1 .8249, by which the adapted ones differ from CIE's white in the fourth place."""
    back_to_d65 = np.linalg.inv(BRADFORD_D65_TO_D50)
    assert matrix_under_d50("sRGB") == pytest.approx(np.array(SRGB_TO_XYZ_D50), abs=3e-4)
    assert back_to_d65 @ matrix_under_d50("sRGB") == pytest.approx(np.array(SRGB_TO_XYZ), abs=3e-4)
    assert back_to_d65 @ matrix_under_d50("Adobe RGB (1998)") == pytest.approx(np.array(ADOBE_RGB_TO_XYZ), abs=3e-4)
    assert matrix_under_d50("ROMM RGB") == pytest.approx(np.array(ROMM_TO_XYZ), abs=1e-4)


# Luminance in linear light of sRGB colours, encoded again: CHECKS 2.2 (ITU-R BT.709-6, item 3.2), from colour-science
@pytest.mark.parametrize(
    ("code", "wanted"),
    [
        ((255, 0, 0), 127.102),
        ((0, 255, 0), 219.933),
        ((0, 0, 255), 75.963),
        ((200, 120, 90), 140.550),
        ((224, 172, 105), 181.289),
        ((77, 77, 77), 77),
    ],
)
def test_luminance_of_srgb_colours(code: tuple[int, int, int], wanted: float) -> None:
    """The table's luminance is of light under D65, ours of light under D50: seen from D65 they must agree."""
    linear = icc_profile.decode(picture((code[0] / 255, code[1] / 255, code[2] / 255)), "sRGB")
    xyz = np.linalg.inv(BRADFORD_D65_TO_D50) @ icc_profile.ROMM_TO_XYZ @ linear[0, 0].astype(np.float64)
    assert icc_profile.encode(grey(xyz[1]), "sRGB")[0, 0, 0] * 255 == pytest.approx(wanted, abs=0.02)
    if len(set(code)) == 1:
        assert icc_profile.luminance(linear)[0, 0] == pytest.approx(linear[0, 0, 0], rel=1e-5)


# transicc (LittleCMS utilities), sRGB to Lab D50, relative colorimetric: CHECKS 2.6
@pytest.mark.parametrize(
    ("code", "lab"),
    [
        ((255, 255, 255), (100, 0, 0)),
        ((255, 0, 0), (54.2896, 80.8144, 69.8897)),
        ((0, 255, 0), (87.8194, -79.2749, 80.9927)),
        ((0, 0, 255), (29.5659, 68.2862, -112.0329)),
        ((128, 128, 128), (53.5850, 0, 0)),
        ((119, 119, 119), (50.0344, 0, 0)),
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


@pytest.mark.parametrize("space", RGB_NAMES)
def test_a_thousand_lights_encoded_as_colour_science_does(space: str) -> None:
    """Light within the space; near black a curve's slope makes more of the standards' four places."""
    theirs = colour.RGB_COLOURSPACES[space]
    inside = np.random.default_rng(8).uniform(0.02, 1, (25, 40, 3)).astype(np.float32)
    light = icc_profile.decode(inside, space)
    xyz = light.astype(np.float64) @ icc_profile.ROMM_TO_XYZ.T
    wanted = colour.XYZ_to_RGB(
        xyz, theirs, illuminant=np.array([0.3457, 0.3585]), chromatic_adaptation_transform="Bradford",
        apply_cctf_encoding=True,
    )  # fmt: skip
    # Where the red of a saturated green is nearly nothing, its code hangs on the matrix's fourth place.
    dark = inside.min(axis=2) < 0.1
    found = icc_profile.encode(light, space)
    assert np.abs(found - wanted)[~dark].max() < 1e-3
    assert np.abs(found - wanted).max() < 5e-3


@pytest.mark.parametrize("space", SPACE_NAMES)
def test_light_is_encoded_as_littlecms_does_by_our_profile(space: str) -> None:
    light = icc_profile.decode(np.random.default_rng(4).uniform(0.02, 1, (20, 30, 3)).astype(np.float32), "sRGB")
    by_littlecms = imagecodecs.cms_transform(
        icc_profile.encode(light, "ROMM RGB"), icc_profile.profile_bytes("ROMM RGB"), icc_profile.profile_bytes(space),
        colorspace="rgb", outcolorspace="gray" if space == "Grey gamma 2.2" else "rgb", outdtype="float32", intent=1,
    )  # fmt: skip
    found = icc_profile.encode(light, space)
    assert np.abs(np.asarray(by_littlecms).reshape(found.shape) - found).max() < 6e-4


def test_grey_as_colour_science_has_it() -> None:
    """A plain power of 2.2 in both directions (colour-science's gamma function)."""
    values = np.linspace(0, 1, 201, dtype=np.float32)
    light = icc_profile.decode(values[np.newaxis], "Grey gamma 2.2")
    assert light[0, :, 1] == pytest.approx(colour.gamma_function(values.astype(np.float64), 2.2), abs=1e-6)
    assert icc_profile.encode(light, "Grey gamma 2.2")[0] == pytest.approx(values, abs=1e-6)


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
