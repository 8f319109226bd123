"""Looks: a formula of ordered steps that renders scene-linear light as a picture."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from glassine.schemas.errors import DocumentError
from glassine.tasks.imaging import grain
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.icc_profile import D50, ROMM_TO_XYZ, check_colour, to_lab

Look = Mapping[str, Any]

MIDDLE_GREY = 0.18
"""Where a tone curve has its zero: the 18 % grey of the light meter's convention."""
_DARKEST_STOPS, _LIGHTEST_STOPS = -24.0, 16.0
"""A curve is sampled between these; a 16-bit sensor ends 14 stops below middle grey, all below is black."""
_BLACKEST_STOPS = -64.0
"""What a steep curve gives is kept between this and `_LIGHTEST_STOPS`, so that float32 holds it."""
_SAMPLES_PER_STOP = 256
_STRIP_PX = 256
"""Rows worked on at once, so that a curve needs no second picture in float64."""


def is_monochrome(look: Look) -> bool:
    """Whether a look's pictures have three equal channels: a monochrome step, and no toning after it."""
    names = [step["step"] for step in look["steps"]]
    return "monochrome" in names and "toning" not in names[names.index("monochrome") :]


def apply(look: Look, linear: FloatImage, *, seed: int, long_side_px: int | None = None) -> FloatImage:
    """Render scene-linear light by a look.

    Parameters
    ----------
    look : valid against `look.schema.json`
    linear : float32, (H, W, 3), scene-linear ROMM RGB, D50
        Not modified. Light below zero is black.
    seed : fixes the grain
    long_side_px : the long side of the whole picture, where `linear` is a part of it; fixes the grain's scale

    Returns
    -------
    float32, (H, W, 3), [0, 1], display-linear ROMM RGB, D50; three equal channels where `is_monochrome`.

    Raises
    ------
    FrameError
        P002 for a wrong shape or type, NaN or infinity.
    DocumentError
        D002 for what the schema cannot say: channel weights with no positive sum, a curve that falls,
        a black that is not darker than white, a step after the grain.

    Notes
    -----
    Steps run in their order, in float32. The black and the white of the picture are followed through the
    steps, so that a black point keeps white and a white point keeps black, in either order.
    """
    check_colour(linear)
    image = np.maximum(linear, 0.0)
    black, white = 0.0, 1.0
    for index, step in enumerate(look["steps"]):
        match step["step"]:
            case "exposure":
                image *= np.float32(2.0 ** step["stops"])
            case "monochrome":
                image = _mix_channels(image, step, look, index)
            case "tone_curve":
                _bend_tones(image, step["points"], look, index)
            case "black_point":
                lifted = lightness_to_luminance(step["lightness"])
                if lifted >= white:
                    _refuse(look, index, f"a lightness below that of white, L* {step['lightness']} is not.")
                image = _stretch(image, (black, white), (lifted, white))
                black = lifted
            case "white_point":
                lowered = lightness_to_luminance(step["lightness"])
                if lowered <= black:
                    _refuse(look, index, f"a lightness above that of black, L* {step['lightness']} is not.")
                image = _stretch(image, (black, white), (black, lowered))
                white = lowered
            case "toning":
                image = _tone(_three_channels(image), step["shadows"], step["lights"])
            case "grain":
                if index != len(look["steps"]) - 1:
                    _refuse(look, index, "grain is the last step.")
                image = grain.add_grain(
                    np.clip(image, 0.0, 1.0), step["granularity"], step["format_long_side_mm"],
                    step["clump_um"], seed, long_side_px=long_side_px,
                )  # fmt: skip
            case unknown:
                _refuse(look, index, f"a step that is known here, “{unknown}” is not.")
    return _three_channels(np.clip(image, 0.0, 1.0))


def lightness_to_luminance(lightness: float) -> float:
    """Relative luminance Y [0, 1] of a CIE lightness L* [0, 100]. CIE 15:2018, 8.2.1.

    Examples
    --------
    >>> round(lightness_to_luminance(50), 8)
    0.18418652
    """
    if lightness > 8:
        return float(((lightness + 16) / 116) ** 3)
    return float(lightness * 27 / 24389)


def bend_stops(stops: NDArray[np.float64], points: list[list[float]]) -> NDArray[np.float64]:
    """A tone curve in stops about middle grey: monotone cubic between its points, straight outside.

    Source: Fritsch and Carlson 1980 for the monotone cubic, as SciPy's PchipInterpolator has it.
    """
    x, y = _knots(points)
    curve = PchipInterpolator(x, y)
    low, high = curve.derivative()(x[[0, -1]])
    inside: NDArray[np.float64] = curve(np.clip(stops, x[0], x[-1]))
    bent: NDArray[np.float64] = inside + low * np.minimum(stops - x[0], 0.0) + high * np.maximum(stops - x[-1], 0.0)
    return bent


def _knots(points: list[list[float]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A curve's points in millionths of a stop: finer differences overflow in the cubic's slopes."""
    x, y = np.round(np.array(points, np.float64), 6).T
    return x, y


def _refuse(look: Look, index: int, wanted: str) -> NoReturn:
    raise DocumentError("D002", f"look {look['name']}", f"steps/{index}", f"wanted is {wanted}")


def _three_channels(image: FloatImage) -> FloatImage:
    """Monochrome pictures are carried as one channel, (H, W, 1), until somebody needs three."""
    return np.repeat(image, 3, axis=2) if image.shape[2] == 1 else image


def _mix_channels(image: FloatImage, step: Mapping[str, float], look: Look, index: int) -> FloatImage:
    weights = np.array([step["red"], step["green"], step["blue"]])
    # From common practice: below this the quotient is all noise.
    if weights.sum() < 0.01:
        _refuse(
            look,
            index,
            "channel weights with a sum of 0.01 or more, so that a neutral can keep its luminance.",
        )
    red, green, blue = (weights / weights.sum()).astype(np.float32)
    image = _three_channels(image)
    # A sum spelt out has one order; a matrix product may be split over threads in another.
    mixed = image[..., 0] * red
    mixed += image[..., 1] * green
    mixed += image[..., 2] * blue
    grey: FloatImage = np.maximum(mixed, 0.0)[..., np.newaxis]
    return grey


def _bend_tones(image: FloatImage, points: list[list[float]], look: Look, index: int) -> None:
    """Apply a tone curve in place, channel by channel."""
    x, y = _knots(points)
    if np.any(np.diff(x) <= 0) or np.any(np.diff(y) < 0):
        _refuse(look, index, "a curve whose points rise: stops in strictly, stops out never falling.")
    count = round((_LIGHTEST_STOPS - _DARKEST_STOPS) * _SAMPLES_PER_STOP) + 1
    # Its own points are among the samples, so that a steep curve goes through them too.
    stops = np.union1d(np.linspace(_DARKEST_STOPS, _LIGHTEST_STOPS, count), x)
    bent = np.clip(bend_stops(stops, points), _BLACKEST_STOPS, _LIGHTEST_STOPS)
    darkest = np.float32(MIDDLE_GREY * 2.0**_DARKEST_STOPS)
    for top in range(0, image.shape[0], _STRIP_PX):
        strip = image[top : top + _STRIP_PX]
        strip_stops = np.log2(np.maximum(strip, darkest) * np.float32(1 / MIDDLE_GREY))
        image[top : top + _STRIP_PX] = MIDDLE_GREY * np.exp2(np.interp(strip_stops, stops, bent))


def _stretch(image: FloatImage, old: tuple[float, float], new: tuple[float, float]) -> FloatImage:
    """Straight line that takes the old black and white to the new ones; what lies outside is clipped."""
    slope = (new[1] - new[0]) / (old[1] - old[0])
    return np.clip(image, *old) * np.float32(slope) + np.float32(new[0] - old[0] * slope)


def _tone(image: FloatImage, shadows: list[float], lights: list[float]) -> FloatImage:
    """Add a*, b* between `shadows` at L* 0 and `lights` at L* 100, keeping luminance."""
    toned = np.empty_like(image)
    to_romm = np.linalg.inv(ROMM_TO_XYZ) * D50
    for top in range(0, image.shape[0], _STRIP_PX):
        strip = np.clip(image[top : top + _STRIP_PX], 0.0, 1.0)
        lab = to_lab(strip).astype(np.float64)
        share = lab[..., 0] / 100
        y = (lab[..., 0] + 16) / 116
        x = y + (lab[..., 1] + shadows[0] + (lights[0] - shadows[0]) * share) / 500
        z = y - (lab[..., 2] + shadows[1] + (lights[1] - shadows[1]) * share) / 200
        ratios = [_cube(x), _cube(y), _cube(z)]
        rgb = np.stack([row[0] * ratios[0] + row[1] * ratios[1] + row[2] * ratios[2] for row in to_romm], axis=-1)
        toned[top : top + _STRIP_PX] = _keep_in_gamut(rgb, ratios[1][..., np.newaxis])
    return toned


def _cube(f: NDArray[np.float64]) -> NDArray[np.float64]:
    """The inverse of CIE 15's f: the cube, and a straight line below 6/29."""
    return np.where(f > 6 / 29, f**3, (116 * f - 16) * 27 / 24389)


def _keep_in_gamut(rgb: NDArray[np.float64], luminance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Draw a colour towards the grey of its luminance just so far that no channel leaves [0, 1].

    Clipping a channel would change the luminance; a step along this line does not.
    """
    chroma = rgb - luminance
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.where(chroma > 0, (1 - luminance) / chroma, np.where(chroma < 0, -luminance / chroma, 1.0))
    kept: NDArray[np.float64] = luminance + chroma * np.clip(room, 0.0, 1.0).min(axis=-1, keepdims=True)
    return kept
