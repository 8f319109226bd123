"""Four colour spaces of our own with their ICC profiles, and any other RGB or grey profile by LittleCMS.

All light is linear ROMM RGB, white D50. The profiles are written here, byte for byte, with a fixed date: one
that a library makes bears the time of its making, and the same delivery would not give the same bytes twice.
"""

from __future__ import annotations

import hashlib
import io
import struct
from dataclasses import dataclass
from functools import cache
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import ImageCms

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging.bit_depth import FloatImage, check_finite, every_integer, from_integers

Matrix = NDArray[np.floating[Any]]

D50 = np.array([0.9642, 1.0, 0.8249])
"""XYZ of the profile connection space's white: ICC.1:2010, 7.2.16."""
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
"""Bradford cone matrix: ICC.1:2010, annex E."""


@dataclass(frozen=True)
class Curve:
    """A transfer function: (a·x + b)^g from x = d on, c·x below (ICC.1:2010, 10.16, function type 3)."""

    g: float
    a: float = 1.0
    b: float = 0.0
    c: float = 0.0
    d: float = 0.0

    def decode(self, encoded: FloatImage) -> FloatImage:
        """Encoded values [0, 1] to linear light [0, 1]."""
        # Python floats are weak in NumPy 2: everything stays float32.
        linear = np.maximum(encoded * self.a + self.b, 0.0) ** self.g
        return np.where(encoded < self.d, encoded * self.c, linear) if self.d else linear

    def encode(self, linear: FloatImage) -> FloatImage:
        """Linear light [0, 1] to encoded values [0, 1]."""
        encoded = (linear ** (1.0 / self.g) - self.b) * (1.0 / self.a)
        return np.where(linear < self.c * self.d, linear * (1.0 / self.c), encoded) if self.d else encoded


@dataclass(frozen=True)
class Space:
    """An RGB space by its primaries and white (x, y), or grey where there are no primaries."""

    curve: Curve
    primaries: tuple[tuple[float, float], ...]
    white: tuple[float, float]


_D50_XY = (0.3457, 0.3585)  # CIE 15
_D65_XY = (0.3127, 0.3290)  # CIE 15
SPACES = {
    # IEC 61966-2-1:1999
    "sRGB": Space(
        Curve(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045),
        ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
        _D65_XY,
    ),
    # The space's specification of May 2005: gamma 563/256
    "Adobe RGB (1998)": Space(Curve(563 / 256), ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), _D65_XY),
    # ISO 22028-2: gamma 1.8 with a slope of 16 below 1/512
    "ROMM RGB": Space(
        Curve(1.8, 1.0, 0.0, 1 / 16, 1 / 32), ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)), _D50_XY
    ),
    # Common practice for a grey picture that is seen on a screen
    "Grey gamma 2.2": Space(Curve(2.2), (), _D50_XY),
}
_LINEAR = Space(Curve(1.0), SPACES["ROMM RGB"].primaries, _D50_XY)
"""What LittleCMS is asked to give: our working space, as a profile."""


def _white_xyz(xy: tuple[float, float]) -> Matrix:
    return np.array([xy[0] / xy[1], 1.0, (1 - xy[0] - xy[1]) / xy[1]])


def _adaptation_matrix(white: Matrix) -> Matrix:
    """XYZ under `white` to XYZ under D50, Bradford."""
    gain = (_BRADFORD @ D50) / (_BRADFORD @ white)
    adaptation: Matrix = np.linalg.inv(_BRADFORD) @ np.diag(gain) @ _BRADFORD
    return adaptation


def _rgb_to_xyz(space: Space) -> Matrix:
    """Linear RGB to XYZ under D50; (1, 1, 1) gives `D50` exactly."""
    white = _white_xyz(space.white)
    columns = np.array([_white_xyz(xy) for xy in space.primaries]).T
    matrix: Matrix = _adaptation_matrix(white) @ (columns * np.linalg.solve(columns, white))
    return matrix


ROMM_TO_XYZ: Matrix = _rgb_to_xyz(SPACES["ROMM RGB"])
"""Linear ROMM RGB to XYZ, D50. The second row is luminance."""


@cache
def _from_romm(name: str) -> Matrix:
    matrix: Matrix = np.linalg.solve(_rgb_to_xyz(SPACES[name]), ROMM_TO_XYZ)
    return matrix


def _times(image: FloatImage, matrix: Matrix) -> FloatImage:
    check_colour(image)
    product = np.empty(image.shape, np.float32)
    for channel, row in enumerate(matrix):
        product[..., channel] = _weighted_sum(image, row)
    return product


def _weighted_sum(image: FloatImage, weights: NDArray[np.float64]) -> FloatImage:
    """The channels' weighted sum, in a fixed order: a matrix product by BLAS rounds differently from one kind of
    processor to the next (measured: two of its kernels gave finals of different bytes)."""
    red, green, blue = (image[..., channel] * np.float32(weights[channel]) for channel in range(3))
    total: FloatImage = red + green
    total += blue
    return total


def check_colour(image: FloatImage) -> None:
    """Refuse what is not float32 (H, W, 3), or holds NaN or infinity: FrameError P002."""
    if image.ndim != 3 or image.shape[2] != 3 or image.dtype != np.float32:
        raise FrameError("P002", f"An array {image.shape} of {image.dtype} where float32 (H, W, 3) is wanted.")
    check_finite(image)


def _space(name: str) -> Space:
    if name not in SPACES:
        raise FrameError("P002", f"No colour space “{name}” is known here: there are {', '.join(SPACES)}.")
    return SPACES[name]


def is_grey(space: str) -> bool:
    """Whether a space of ours has one channel. Raises FrameError P002 for an unknown one."""
    return not _space(space).primaries


def encode(linear_romm: FloatImage, space: str) -> FloatImage:
    """Encode linear light for a colour space; colours outside its gamut are clipped channel by channel.

    Parameters
    ----------
    linear_romm : float32, (H, W, 3), display-linear ROMM RGB, D50; for grey its luminance will do, (H, W, 1)
        Not modified.
    space : a key of `SPACES`

    Returns
    -------
    float32, (H, W, 3), [0, 1], encoded; (H, W) for grey, of luminance.

    Raises
    ------
    FrameError
        P002 for a wrong shape or type, NaN, infinity, or an unknown space.

    Notes
    -----
    White is adapted from D50 by Bradford. Max error 1e-6 of the range against float64.
    Sources: IEC 61966-2-1:1999, ISO 22028-2, ICC.1:2010 annex E.
    """
    into = _space(space)
    if not into.primaries and linear_romm.ndim == 3 and linear_romm.shape[2] == 1:
        check_finite(linear_romm)
        light = linear_romm[:, :, 0]
    elif not into.primaries:
        light = luminance(linear_romm)
    elif space == "ROMM RGB":
        check_colour(linear_romm)
        light = linear_romm
    else:
        light = _times(linear_romm, _from_romm(space))
    return into.curve.encode(np.clip(light, 0.0, 1.0))


def decode(encoded: FloatImage, space: str) -> FloatImage:
    """Decode a picture of a colour space to linear ROMM RGB.

    Parameters
    ----------
    encoded : float32, (H, W, 3), or (H, W) for grey, [0, 1]
    space : a key of `SPACES`

    Returns
    -------
    float32, (H, W, 3), linear ROMM RGB, D50; grey gives three equal channels.

    Raises
    ------
    FrameError
        P002 for a wrong shape or type, NaN, infinity, or an unknown space.
    """
    out_of = _space(space)
    if not out_of.primaries:
        if encoded.ndim != 2:
            raise FrameError("P002", f"An array {encoded.shape} where grey (H, W) is wanted.")
        check_finite(encoded)
    else:
        check_colour(encoded)
    return _to_romm(out_of.curve.decode(encoded), space)


def _to_romm(linear: FloatImage, space: str) -> FloatImage:
    """Linear light of a space, (H, W, 3) or (H, W), to linear ROMM RGB (H, W, 3)."""
    if linear.ndim == 2:
        return np.repeat(linear[:, :, np.newaxis], 3, axis=2)
    return linear if space == "ROMM RGB" else _times(linear, np.linalg.inv(_from_romm(space)))


def decode_samples(samples: NDArray[Any], icc: bytes | None) -> FloatImage:
    """Decode integer samples by the profile that came with them.

    Parameters
    ----------
    samples : uint8 or uint16, (H, W, 3) or (H, W)
    icc : an RGB or grey profile; ours are decoded by our own formulas, others by LittleCMS in float,
        relative colorimetric; None is taken for sRGB (common practice)

    Returns
    -------
    float32, (H, W, 3), linear ROMM RGB, D50.

    Raises
    ------
    FrameError
        P001 where the profile cannot be read or is for another kind of picture, P002 for other samples.

    Notes
    -----
    By our own formulas is by a table of what they give for every integer: the same to the bit, in a third of the time.
    """
    if icc is None:
        coded = samples if samples.ndim == 3 else np.repeat(samples[:, :, np.newaxis], 3, axis=2)
        return _decode_by_table(coded, "sRGB")
    _check_kind(samples, icc)
    name = _own_name(icc)
    return _decode_by_table(samples, name) if name else decode_with_profile(from_integers(samples), icc)


def _own_name(icc: bytes) -> str | None:
    """The name of a profile that is one of ours to the byte."""
    return next((name for name in SPACES if icc == profile_bytes(name)), None)


def _decode_by_table(samples: NDArray[Any], space: str) -> FloatImage:
    linear: FloatImage = np.take(_decoding_table(space, samples.dtype), samples)
    return _to_romm(linear, space)


@cache
def _decoding_table(space: str, depth: np.dtype[Any]) -> FloatImage:
    return SPACES[space].curve.decode(every_integer(depth))


def _check_kind(picture: NDArray[Any], icc: bytes) -> str:
    """LittleCMS's word for the samples that a profile is for, which must be the picture's. Raises FrameError P001."""
    kind = {b"RGB ": "rgb", b"GRAY": "gray"}.get(icc[16:20], "")
    if kind != ("gray" if picture.ndim == 2 else "rgb"):
        raise FrameError("P001", f"The picture's profile is for {icc[16:20]!r} samples, which the picture has not.")
    return kind


def decode_with_profile(encoded: FloatImage, icc: bytes) -> FloatImage:
    """Decode a picture by the profile that came with it.

    Parameters
    ----------
    encoded : float32, (H, W, 3) or (H, W), [0, 1]
    icc : as `decode_samples` takes it

    Returns
    -------
    float32, (H, W, 3), linear ROMM RGB, D50.

    Raises
    ------
    FrameError
        P001 where the profile cannot be read or is for another kind of picture.
    """
    kind = _check_kind(encoded, icc)
    name = _own_name(icc)
    if name:
        return decode(encoded, name)
    check_finite(encoded)
    try:
        linear: FloatImage = imagecodecs.cms_transform(
            np.ascontiguousarray(encoded), icc, _profile(_LINEAR, "linear"),
            colorspace=kind, outcolorspace="rgb", outdtype="float32", intent=1,
        )  # fmt: skip
    except (RuntimeError, ValueError) as error:
        raise FrameError("P001", f"The picture's colour profile cannot be used: {error}.") from error
    return linear


def luminance(linear_romm: FloatImage) -> FloatImage:
    """Luminance Y of linear ROMM RGB: float32 (H, W), 1.0 for (1, 1, 1). CIE 15, ISO 22028-2."""
    check_colour(linear_romm)
    return _weighted_sum(linear_romm, ROMM_TO_XYZ[1])


def _cube_root(ratio: FloatImage) -> FloatImage:
    """The function f of CIE 15: the cube root, and a straight line below (6/29)³."""
    epsilon, kappa = 216 / 24389, 24389 / 27
    return np.where(ratio > epsilon, np.cbrt(np.maximum(ratio, epsilon)), (ratio * kappa + 16) / 116)


def lightness(linear_romm: FloatImage) -> FloatImage:
    """CIE L* of linear ROMM RGB: float32 (H, W), 0 for black, 100 for (1, 1, 1). CIE 15."""
    return 116 * _cube_root(luminance(linear_romm)) - 16


def to_lab(linear_romm: FloatImage) -> FloatImage:
    """CIELAB under D50 of linear ROMM RGB: float32 (H, W, 3). CIE 15, with ICC.1's white."""
    f = _cube_root(_times(linear_romm, ROMM_TO_XYZ / D50[:, np.newaxis]))
    lab = np.empty_like(f)
    lab[..., 0] = 116 * f[..., 1] - 16
    lab[..., 1] = 500 * (f[..., 0] - f[..., 1])
    lab[..., 2] = 200 * (f[..., 1] - f[..., 2])
    return lab


@cache
def profile_bytes(name: str) -> bytes:
    """The ICC profile (version 4.3) of one of our spaces; always the same bytes.

    Raises
    ------
    FrameError
        P002 for an unknown name.
    """
    return _profile(_space(name), name)


def profile_name(icc: bytes) -> str:
    """The name of a profile: ours when the bytes are exactly ours, else the description that it bears.

    Raises
    ------
    FrameError
        P001 where it is no profile that LittleCMS can open.
    """
    name = _own_name(icc)
    if name:
        return name
    try:
        described = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(icc)))
    except (OSError, ImageCms.PyCMSError) as error:
        raise FrameError("P001", "The picture's colour profile cannot be read.") from error
    return described.strip() or "unnamed profile"


def _fixed(values: Matrix) -> NDArray[np.int64]:
    """s15Fixed16Number (ICC.1:2010, 4.6)."""
    fixed: NDArray[np.int64] = np.floor(values * 65536 + 0.5).astype(np.int64)
    return fixed


def _xyz(values: NDArray[np.int64]) -> bytes:
    return b"XYZ \0\0\0\0" + struct.pack(">3i", *values.tolist())


def _text(text: str) -> bytes:
    """multiLocalizedUnicodeType with one record, en-GB (ICC.1:2010, 10.13)."""
    body = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", len(body), 28) + body


def _curve(curve: Curve) -> bytes:
    """parametricCurveType (ICC.1:2010, 10.16): function type 0, or 3 where there is a straight part."""
    numbers = [curve.g, curve.a, curve.b, curve.c, curve.d] if curve.d else [curve.g]
    kind = 3 if curve.d else 0
    return b"para\0\0\0\0" + struct.pack(f">HH{len(numbers)}i", kind, 0, *_fixed(np.array(numbers)).tolist())


def _profile(space: Space, name: str) -> bytes:
    """Write a display profile: header, tag table, tags (ICC.1:2010, clause 7)."""
    white = _fixed(D50)
    tags = {
        b"desc": _text(name),
        b"cprt": _text("No copyright: use freely."),
        b"wtpt": _xyz(white),
        b"chad": b"sf32\0\0\0\0"
        + struct.pack(">9i", *_fixed(_adaptation_matrix(_white_xyz(space.white))).ravel().tolist()),
    }
    if space.primaries:
        colorants = _fixed(_rgb_to_xyz(space))
        # Rounding may leave their sum a step away from white; green takes it, so that white is exactly white.
        colorants[:, 1] += white - colorants.sum(axis=1)
        for channel, column in zip(b"rgb", colorants.T, strict=True):
            tags[bytes([channel]) + b"XYZ"] = _xyz(column)
            tags[bytes([channel]) + b"TRC"] = _curve(space.curve)
    else:
        tags[b"kTRC"] = _curve(space.curve)
    table, body = b"", b""
    offsets: dict[bytes, int] = {}
    start = 128 + 4 + 12 * len(tags)
    for signature, data in tags.items():
        if data not in offsets:
            offsets[data] = start + len(body)
            body += data + b"\0" * (-len(data) % 4)
        table += signature + struct.pack(">II", offsets[data], len(data))
    header = struct.pack(
        ">I4xI4s4s4s6H4s24xI3i48x",
        start + len(body), 0x04300000, b"mntr", b"RGB " if space.primaries else b"GRAY", b"XYZ ",
        2026, 1, 1, 0, 0, 0, b"acsp", 0, *white.tolist(),
    )  # fmt: skip
    # The intent is zero in the header, and the identifier is the MD5 of the profile without it (7.2.18).
    unsigned = header + struct.pack(">I", len(tags)) + table + body
    identifier = hashlib.md5(unsigned, usedforsecurity=False).digest()
    return unsigned[:84] + identifier + unsigned[100:]
