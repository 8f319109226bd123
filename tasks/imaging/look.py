"""Looks: a formula of ordered steps that renders scene-linear light as a picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from glassine.schemas.errors import DocumentError
from glassine.tasks.imaging import grain
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.icc_profile import D50, ROMM_TO_XYZ, check_colour, to_lab

Look = Mapping[str, Any]
Step = Callable[[FloatImage, int], FloatImage]
"""From a band of rows, (rows, width, 1 or 3), and the number of its first row, to the band rendered."""

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


class PreparedLook:
    """A look made ready for one picture, which is then rendered in bands of whole rows.

    A band's result does not depend on where the bands begin, on their order, or on the thread; so a picture
    larger than the memory can be rendered, on several cores.

    Parameters
    ----------
    look : valid against `look.schema.json`
    width, height : of the whole picture, px: the scale of the grain and the place of regions hang on them
    seed : fixes the grain

    Raises
    ------
    DocumentError
        D002 for what the schema cannot say: channel weights with no positive sum, a curve that falls,
        a black that is not darker than white, a step after the grain.

    Notes
    -----
    Steps run in their order, in float32. The black and the white of the picture are followed through the
    steps, so that a black point keeps white and a white point keeps black, in either order.
    """

    def __init__(self, look: Look, *, width: int, height: int, seed: int) -> None:
        self.channels = 1 if is_monochrome(look) else 3
        """Of what `rows` gives."""
        self._steps = _prepare(look, width, height, seed)

    def rows(self, linear: FloatImage, top: int) -> FloatImage:
        """Render the band of rows that begins at row `top`.

        Parameters
        ----------
        linear : float32, (rows, width, 3), scene-linear ROMM RGB, D50
            Not modified. Light below zero is black.

        Returns
        -------
        float32, (rows, width, channels), [0, 1], display-linear ROMM RGB, D50; for one channel, luminance.

        Raises
        ------
        FrameError
            P002 for a wrong shape or type, NaN or infinity.
        """
        check_colour(linear)
        image = np.maximum(linear, 0.0)
        for step in self._steps:
            image = step(image, top)
        np.clip(image, 0.0, 1.0, out=image)
        return image if self.channels == 1 else _three_channels(image)


def apply(look: Look, linear: FloatImage, *, seed: int) -> FloatImage:
    """Render a whole picture by a look: see `PreparedLook`.

    Returns
    -------
    float32, (H, W, 3), [0, 1], display-linear ROMM RGB, D50; three equal channels where `is_monochrome`.
    """
    check_colour(linear)
    height, width = linear.shape[:2]
    prepared = PreparedLook(look, width=width, height=height, seed=seed)
    rendered = np.empty((height, width, prepared.channels), np.float32)
    for top in range(0, height, _STRIP_PX):
        band = slice(top, top + _STRIP_PX)
        rendered[band] = prepared.rows(linear[band], top)
    return _three_channels(rendered)


def _prepare(look: Look, width: int, height: int, seed: int) -> list[Step]:
    """The steps of a look as functions of a band and its first row; each may work in place."""
    steps: list[Step] = []
    black, white = 0.0, 1.0
    for index, step in enumerate(look["steps"]):
        match step["step"]:
            case "exposure":
                steps.append(partial(_expose, np.float32(2.0 ** step["stops"])))
            case "monochrome":
                steps.append(partial(_mix_channels, _shares(step, look, index)))
            case "tone_curve":
                steps.append(partial(_bend_tones, *_sampled(step["points"], look, index)))
            case "black_point":
                lifted = lightness_to_luminance(step["lightness"])
                if lifted >= white:
                    _refuse(look, index, f"a lightness below that of white, L* {step['lightness']} is not.")
                steps.append(partial(_stretch, (black, white), (lifted, white)))
                black = lifted
            case "white_point":
                lowered = lightness_to_luminance(step["lightness"])
                if lowered <= black:
                    _refuse(look, index, f"a lightness above that of black, L* {step['lightness']} is not.")
                steps.append(partial(_stretch, (black, white), (black, lowered)))
                white = lowered
            case "toning":
                steps.append(partial(_tone, step["shadows"], step["lights"]))
            case "grain":
                if index != len(look["steps"]) - 1:
                    _refuse(look, index, "grain is the last step.")
                steps.append(
                    partial(
                        _grain,
                        step["granularity"],
                        step["format_long_side_mm"],
                        step["clump_um"],
                        seed,
                        max(width, height),
                    )
                )
            case unknown:
                _refuse(look, index, f"a step that is known here, “{unknown}” is not.")
    return steps


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


def _expose(gain: np.float32, image: FloatImage, top: int) -> FloatImage:
    image *= gain
    return image


def _shares(step: Mapping[str, float], look: Look, index: int) -> NDArray[np.float32]:
    weights = np.array([step["red"], step["green"], step["blue"]])
    # From common practice: below this the quotient is all noise.
    if weights.sum() < 0.01:
        _refuse(
            look,
            index,
            "channel weights with a sum of 0.01 or more, so that a neutral can keep its luminance.",
        )
    shares: NDArray[np.float32] = (weights / weights.sum()).astype(np.float32)
    return shares


def _mix_channels(shares: NDArray[np.float32], image: FloatImage, top: int) -> FloatImage:
    image = _three_channels(image)
    # A sum spelt out has one order; a matrix product may be split over threads in another.
    mixed = image[..., 0] * shares[0]
    mixed += image[..., 1] * shares[1]
    mixed += image[..., 2] * shares[2]
    grey: FloatImage = np.maximum(mixed, 0.0)[..., np.newaxis]
    return grey


def _sampled(points: list[list[float]], look: Look, index: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A tone curve as a table of stops in and stops out."""
    x, y = _knots(points)
    if np.any(np.diff(x) <= 0) or np.any(np.diff(y) < 0):
        _refuse(look, index, "a curve whose points rise: stops in strictly, stops out never falling.")
    count = round((_LIGHTEST_STOPS - _DARKEST_STOPS) * _SAMPLES_PER_STOP) + 1
    # Its own points are among the samples, so that a steep curve goes through them too.
    stops = np.union1d(np.linspace(_DARKEST_STOPS, _LIGHTEST_STOPS, count), x)
    return stops, np.clip(bend_stops(stops, points), _BLACKEST_STOPS, _LIGHTEST_STOPS)


def _bend_tones(stops: NDArray[np.float64], bent: NDArray[np.float64], image: FloatImage, top: int) -> FloatImage:
    """Apply a tone curve channel by channel."""
    darkest = np.float32(MIDDLE_GREY * 2.0**_DARKEST_STOPS)
    image_stops = np.log2(np.maximum(image, darkest) * np.float32(1 / MIDDLE_GREY))
    image[...] = MIDDLE_GREY * np.exp2(np.interp(image_stops, stops, bent))
    return image


def _stretch(old: tuple[float, float], new: tuple[float, float], image: FloatImage, top: int) -> FloatImage:
    """Straight line that takes the old black and white to the new ones; what lies outside is clipped."""
    slope = (new[1] - new[0]) / (old[1] - old[0])
    return np.clip(image, *old) * np.float32(slope) + np.float32(new[0] - old[0] * slope)


def _tone(shadows: list[float], lights: list[float], image: FloatImage, top: int) -> FloatImage:
    """Add a*, b* between `shadows` at L* 0 and `lights` at L* 100, keeping luminance."""
    to_romm = np.linalg.inv(ROMM_TO_XYZ) * D50
    lab = to_lab(np.clip(_three_channels(image), 0.0, 1.0)).astype(np.float64)
    share = lab[..., 0] / 100
    y = (lab[..., 0] + 16) / 116
    x = y + (lab[..., 1] + shadows[0] + (lights[0] - shadows[0]) * share) / 500
    z = y - (lab[..., 2] + shadows[1] + (lights[1] - shadows[1]) * share) / 200
    ratios = [_cube(x), _cube(y), _cube(z)]
    rgb = np.stack([row[0] * ratios[0] + row[1] * ratios[1] + row[2] * ratios[2] for row in to_romm], axis=-1)
    toned: FloatImage = _keep_in_gamut(rgb, ratios[1][..., np.newaxis]).astype(np.float32)
    return toned


def _grain(
    granularity: float, format_long_side_mm: float, clump_um: float, seed: int, long_side_px: int,
    image: FloatImage, top: int,
) -> FloatImage:  # fmt: skip
    return grain.add_grain(
        np.clip(image, 0.0, 1.0), granularity, format_long_side_mm, clump_um, seed, long_side_px=long_side_px, top=top
    )


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
