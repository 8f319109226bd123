"""Looks: a formula of ordered steps that renders scene-linear light as a picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, NoReturn

import numpy as np

from glassine.schemas.errors import DocumentError
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.cdl import apply_cdl
from glassine.tasks.imaging.cube import Cube, apply_cube, unpack_table
from glassine.tasks.imaging.grain import add_grain
from glassine.tasks.imaging.local_exposure import SoftRegion, expose_region
from glassine.tasks.imaging.monochrome import SMALLEST_SUM, Weights, channel_weights, mix_channels
from glassine.tasks.imaging.tone_curve import MIDDLE_GREY, ToneCurve, rises
from glassine.tasks.imaging.tone_range import Range, point_luminance, stretch
from glassine.tasks.imaging.toning import rises as tones_rise
from glassine.tasks.imaging.toning import tone

__all__ = ["MIDDLE_GREY", "Look", "PreparedLook", "apply", "is_monochrome"]

Look = Mapping[str, Any]
Step = Callable[[FloatImage, int], FloatImage]
"""From a band of rows, (rows, width, 1 or 3), and the number of its first row, to the band rendered."""

_GIVES_COLOUR = frozenset({"toning", "cdl", "cube"})
_BRIGHTEST = np.float32(2.0**16)
"""No light within a look is brighter, sixteen stops over saturation: no picture shows it, and steps that multiply would
together leave what float32 holds, where infinite less infinite is no number."""
_STRIP_PX = 64
"""Rows worked on at once, so that a step needs no second picture."""


def is_monochrome(look: Look) -> bool:
    """Whether a look's pictures have three equal channels: a monochrome step, and after it none that gives colour.

    Toning, a CDL and a table count as giving colour, whatever their numbers.
    """
    for step in reversed(look["steps"]):
        if step["step"] == "monochrome":
            return True
        if step["step"] in _GIVES_COLOUR:
            return False
    return False


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
        D002 for what the schema cannot say: channel weights with no positive sum, a curve that falls, points of
        toning that do not rise in L*, a black that is not darker than white, a table that is none, a step after
        the grain.

    Notes
    -----
    Steps run in their order, in float32. The black and the white of the picture are followed through the
    steps, so that a black point keeps white and a white point keeps black, in either order. A CDL or a table may
    leave neither: after it black and white are 0 and 1 of the display again, and black and white points that
    shall hold in the picture stand after it.

    A CDL and a table work on the picture clipped to [0, 1] and encoded in the space that they name.
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
            Not modified. Light below zero is black, and none is brighter than 2 ** 16.

        Returns
        -------
        float32, (rows, width, channels), [0, 1], display-linear ROMM RGB, D50; for one channel, luminance.

        Raises
        ------
        FrameError
            P002 for a wrong shape or type, NaN or infinity.
        """
        icc_profile.check_colour(linear)
        image = np.clip(linear, 0.0, _BRIGHTEST)
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
    icc_profile.check_colour(linear)
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
    black_and_white: Range = (0.0, 1.0)
    for index, step in enumerate(look["steps"]):
        refuse = partial(_refuse, look, index)
        match step["step"]:
            case "exposure":
                steps.append(partial(_expose, np.float32(2.0 ** step["stops"])))
            case "monochrome":
                weights = channel_weights(step)
                if weights is None:
                    refuse(
                        f"channel weights with a sum of {SMALLEST_SUM} or more, so that a neutral can keep its luminance."
                    )
                steps.append(partial(_mix, weights))
            case "tone_curve":
                if not rises(step["points"]):
                    refuse("a curve whose points rise: stops in strictly, stops out never falling.")
                steps.append(partial(_bend, ToneCurve(step["points"])))
            case "black_point" | "white_point" as end:
                new = _moved(black_and_white, end, point_luminance(step), refuse)
                steps.append(partial(_stretch, black_and_white, new))
                black_and_white = new
            case "toning":
                # Before there were points, two colours were given at L* 0 and at L* 100.
                points = step.get("points") or [[0, *step["shadows"]], [100, *step["lights"]]]
                if not tones_rise(points):
                    refuse("points whose L* rises from one to the next.")
                steps.append(partial(_tone, points))
            case "burn_in" | "hold_back" as way:
                region = SoftRegion(step["region"], step["feather_percent"], width, height, outside=step["outside"])
                stops = -step["stops"] if way == "burn_in" else step["stops"]
                steps.append(partial(_expose_region, stops, region))
            case "cdl":
                steps.append(partial(_grade, step["space"], partial(_apply_cdl, step)))
                black_and_white = (0.0, 1.0)
            case "cube":
                table = unpack_table(step["table"], label=f"look {look['name']}, steps[{index + 1}].table")
                steps.append(partial(_grade, step["space"], partial(_apply_cube, table, step["interpolation"])))
                black_and_white = (0.0, 1.0)
            case "grain":
                if index != len(look["steps"]) - 1:
                    refuse("grain is the last step.")
                steps.append(partial(_grain, step, seed, max(width, height)))
            case unknown:
                refuse(f"a step that is known here, “{unknown}” is not.")
    return steps


def _refuse(look: Look, index: int, wanted: str) -> NoReturn:
    raise DocumentError("D002", f"look {look['name']}", f"steps[{index + 1}]", f"wanted is {wanted}")


def _moved(old: Range, end: str, luminance: float, refuse: Callable[[str], NoReturn]) -> Range:
    """The followed black and white after a black point or a white point."""
    black, white = (luminance, old[1]) if end == "black_point" else (old[0], luminance)
    if black >= white:
        refuse("a black point darker than the white of the picture, and a white point lighter than its black.")
    return black, white


def _three_channels(image: FloatImage) -> FloatImage:
    """Monochrome pictures are carried as one channel, (H, W, 1), until somebody needs three."""
    return np.repeat(image, 3, axis=2) if image.shape[2] == 1 else image


def _expose(gain: np.float32, image: FloatImage, top: int) -> FloatImage:
    image *= gain
    return np.minimum(image, _BRIGHTEST, out=image)


def _mix(weights: Weights, image: FloatImage, top: int) -> FloatImage:
    return mix_channels(_three_channels(image), weights)


def _bend(curve: ToneCurve, image: FloatImage, top: int) -> FloatImage:
    curve.bend(image)
    return image


def _stretch(old: Range, new: Range, image: FloatImage, top: int) -> FloatImage:
    stretched = stretch(image, old, new)
    return np.clip(stretched, 0.0, _BRIGHTEST, out=stretched)


def _tone(points: list[list[float]], image: FloatImage, top: int) -> FloatImage:
    return tone(np.clip(_three_channels(image), 0.0, 1.0), points)


def _expose_region(stops: float, region: SoftRegion, image: FloatImage, top: int) -> FloatImage:
    expose_region(image, stops, region.rows(top, image.shape[0]))
    return np.minimum(image, _BRIGHTEST, out=image)


def _grade(space: str, grade: Callable[[FloatImage], FloatImage], image: FloatImage, top: int) -> FloatImage:
    graded = grade(icc_profile.encode(_three_channels(image), space))
    return np.maximum(icc_profile.decode(np.clip(graded, 0.0, 1.0), space), 0.0)


def _apply_cdl(step: Mapping[str, Any], encoded: FloatImage) -> FloatImage:
    numbers = (step["slope"], step["offset"], step["power"], step["saturation"])
    return apply_cdl(encoded, *numbers, clamp=step["style"] == "clamp")


def _apply_cube(table: Cube, interpolation: Any, encoded: FloatImage) -> FloatImage:
    return apply_cube(encoded, table, interpolation)


def _grain(step: Mapping[str, Any], seed: int, long_side_px: int, image: FloatImage, top: int) -> FloatImage:
    return add_grain(
        np.clip(image, 0.0, 1.0),
        step["granularity"],
        step["format_long_side_mm"],
        step["clump_um"],
        seed,
        long_side_px=long_side_px,
        top=top,
    )
