"""Crop and rotation of a picture: a rectangle turned about its own centre, then quarter turns of what is seen in it.

A crop is {"region": {"shape": "rectangle", "x", "y", "width", "height"}, "straighten_degrees", "turn_degrees"}.

- `region` is in percent of the full frame's width and height, origin at its upper left, as marked regions are.
- The rectangle is turned clockwise by `straighten_degrees`, -45 to 45, about its own centre, in pixels and not in
  percent. Turned, it must lie within the frame.
- What is seen through it is then turned clockwise by `turn_degrees`: 0, 90, 180 or 270.

The full frame without either turn is no crop: the picture stays as it is.

In pixels, each edge of the rectangle goes to the nearest border between two pixels, a half to the right or down, and
at least one pixel is left; this whole rectangle is the one that is turned. So two crops side by side share no pixel,
and a straightening of nearly nothing differs nearly nothing from none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy import ndimage

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging.bit_depth import FloatImage, check_finite

Crop = Mapping[str, Any]
"""As in the head of this module; `crop_geometry` in the schemas."""

MAX_STRAIGHTEN_DEGREES = 45.0
"""From there on a quarter turn comes nearer."""
_KEYS = {"region", "straighten_degrees", "turn_degrees"}
_BOX_KEYS = ("x", "y", "width", "height")
_SLACK_PERCENT = 1e-4
"""Regions are kept with four decimals: a rectangle that just fits may stick out by one of the last."""
_MARGIN_PX = 24
"""Of picture kept round what is resampled. The spline's prefilter decays by 0.27 a pixel: 2e-14 at this distance."""
_SIDES = ("at the left", "at the top", "at the right", "at the bottom")


def check_crop(crop: Crop, width: int, height: int) -> None:
    """Refuse a crop that is none, or whose turned rectangle does not lie within the frame.

    Parameters
    ----------
    crop : see the head of this module
    width, height : of the full frame, px

    Raises
    ------
    CallError
        W001. Where the rectangle sticks out, the sentence says by how much, and which is the largest of its shape
        about its centre that fits.
    """
    _check_form(crop)
    corners = _turned_corners(crop, width, height)
    across, down = [x for x, _ in corners], [y for _, y in corners]
    # Rounded, so that of two sides alike it is always the same one that is named.
    outside = [round(by, 9) for by in (-min(across), -min(down), max(across) - 100, max(down) - 100)]
    if max(outside) <= _SLACK_PERCENT:
        return
    side = outside.index(max(outside))
    pixels = max(1, round(outside[side] / 100 * (height if side % 2 else width)))
    straighten = crop["straighten_degrees"]
    turned = f", turned by {straighten:g} degrees," if straighten else ""
    raise CallError(
        "W001",
        f"The crop{turned} sticks out of the frame by {outside[side]:.3g} percent ({pixels} px) {_SIDES[side]}: "
        f"{_what_fits(crop, width, height)}.",
    )


def crop_outline(crop: Crop, width: int, height: int) -> list[tuple[float, float]]:
    """The four corners of the turned rectangle on the full frame: to draw it.

    Parameters
    ----------
    crop : see the head of this module
    width, height : of the frame or of a smaller picture of it, px. The sides of a smaller one are rounded, and a crop
        that just fits the frame may stick out of it a little: what does is put on its border, and never refused.

    Returns
    -------
    (x, y) in percent of the frame, 0 to 100; clockwise, the one that is the upper left before any turn first.

    Raises
    ------
    CallError
        W001 where it is no crop.
    """
    _check_form(crop)
    return [(min(max(x, 0.0), 100.0), min(max(y, 0.0), 100.0)) for x, y in _turned_corners(crop, width, height)]


def cropped_size(crop: Crop, width: int, height: int) -> tuple[int, int]:
    """Width and height, in pixels, of what `apply_crop` makes of a frame of this size.

    Raises
    ------
    CallError
        As `check_crop`.

    Examples
    --------
    >>> box = {"shape": "rectangle", "x": 25, "y": 0, "width": 50, "height": 100}
    >>> cropped_size({"region": box, "straighten_degrees": 0, "turn_degrees": 90}, 6000, 4000)
    (4000, 3000)
    """
    check_crop(crop, width, height)
    left, top, right, bottom = _pixel_box(crop, width, height)
    size = right - left, bottom - top
    return size if crop["turn_degrees"] % 180 == 0 else (size[1], size[0])


def apply_crop(picture: FloatImage, crop: Crop) -> FloatImage:
    """Crop a picture.

    Parameters
    ----------
    picture : float32, (H, W, 3) or (H, W), linear light, as `read_picture` gives it
        Not modified.
    crop : see the head of this module

    Returns
    -------
    float32, (height, width, 3) or (height, width), of `cropped_size`. Without straightening these are the very
    values of the picture, in memory shared with it; the full frame without any turn is `picture` itself. With
    straightening no value of a channel lies outside the range of the picture's own.

    Raises
    ------
    CallError
        W001 as `check_crop`.
    FrameError
        P002 where the picture has another shape or type, or holds NaN or infinity.

    Notes
    -----
    Straightening resamples by the interpolating cubic B-spline (M. Unser, A. Aldroubi, M. Eden, "B-spline signal
    processing", IEEE Transactions on Signal Processing 41, 1993; from memory), on the square root of linear light.
    In linear light itself a filter's undershoot beside a highlight is large against the dark that it falls on: a
    dark rim round each catchlight. Measured on drawn scenes whose turned picture is known, as the root mean square
    of the error in CIE L*: strands of hair 2.4 (linear light 4.4; the four-point cubic on the square root 2.8),
    catchlights 0.19 (0.21; 0.21), soft detail 0.4 (0.1; 0.7).
    """
    if picture.ndim not in (2, 3) or picture.shape[2:] not in ((), (3,)) or picture.dtype != np.float32:
        raise FrameError(
            "P002", f"An array {picture.shape} of {picture.dtype} where float32 (H, W, 3) or (H, W) is wanted."
        )
    check_finite(picture)
    height, width = picture.shape[:2]
    check_crop(crop, width, height)
    box = _pixel_box(crop, width, height)
    if crop["straighten_degrees"]:
        seen = _straighten(picture, box, math.radians(crop["straighten_degrees"]))
    elif box == (0, 0, width, height):
        seen = picture
    else:
        seen = picture[box[1] : box[3], box[0] : box[2]]
    quarter_turns = int(crop["turn_degrees"]) // 90
    return np.rot90(seen, -quarter_turns) if quarter_turns else seen


def _check_form(crop: Crop) -> None:
    if not isinstance(crop, Mapping) or set(crop) != _KEYS:
        raise CallError("W001", "A crop has a region, straighten_degrees and turn_degrees, and nothing else.")
    region = crop["region"]
    if not isinstance(region, Mapping) or set(region) != {"shape", *_BOX_KEYS} or region["shape"] != "rectangle":
        raise CallError("W001", "A crop's region is a rectangle with x, y, width and height, and nothing else.")
    for key in _BOX_KEYS:
        if not _is_number(region[key]) or not 0 <= region[key] <= 100:
            raise CallError("W001", f"A crop's {key} is a number from 0 to 100, in percent, not {region[key]!r}.")
    if region["width"] <= 0 or region["height"] <= 0:
        raise CallError("W001", f"A crop of {region['width']:g} by {region['height']:g} percent is empty.")
    straighten, turn = crop["straighten_degrees"], crop["turn_degrees"]
    if not _is_number(straighten) or abs(straighten) > MAX_STRAIGHTEN_DEGREES:
        raise CallError(
            "W001",
            f"A crop is straightened by -45 to 45 degrees, not {straighten!r}: for more, turn it by 90, 180 or 270.",
        )
    if not _is_number(turn) or turn not in (0, 90, 180, 270):
        raise CallError("W001", f"A crop is turned by 0, 90, 180 or 270 degrees clockwise, not {turn!r}.")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _turned_corners(crop: Crop, width: int, height: int) -> list[tuple[float, float]]:
    """In percent, wherever they lie."""
    x, y, across, down = (crop["region"][key] for key in _BOX_KEYS)
    angle = math.radians(crop["straighten_degrees"])
    cosine, sine = math.cos(angle), math.sin(angle)
    corners = []
    for u, v in ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)):
        # Percent of different sides are different lengths: turned is what they are in pixels.
        right, below = u * across * width, v * down * height
        corners.append(
            (
                x + across / 2 + (right * cosine - below * sine) / width,
                y + down / 2 + (right * sine + below * cosine) / height,
            )
        )
    return corners


def _what_fits(crop: Crop, width: int, height: int) -> str:
    """The largest rectangle of a crop's shape about its centre that lies within the frame, in words."""
    x, y, across, down = (crop["region"][key] for key in _BOX_KEYS)
    centre_x, centre_y = x + across / 2, y + down / 2
    if not (0 < centre_x < 100 and 0 < centre_y < 100):
        return "its centre lies outside; give one whose x + width and y + height are at most 100"
    corners = _turned_corners(crop, width, height)
    reach_x = max(abs(corner_x - centre_x) for corner_x, _ in corners)
    reach_y = max(abs(corner_y - centre_y) for _, corner_y in corners)
    scale = min(min(centre_x, 100 - centre_x) / reach_x, min(centre_y, 100 - centre_y) / reach_y)
    # Rounded down, so that it fits as written; of a very small one the four decimals of a region are not enough.
    fitting = [math.floor(side * scale * 10**4) / 10**4 for side in (across, down)]
    if min(fitting) <= 0:
        return "its centre lies at the very edge; give another"
    corner = [centre - side / 2 for centre, side in zip((centre_x, centre_y), fitting, strict=True)]
    return (
        f"the largest of its shape about its centre is {fitting[0]:g} percent wide and {fitting[1]:g} high, "
        f"at x {round(corner[0], 4):g}, y {round(corner[1], 4):g}"
    )


def _pixel_box(crop: Crop, width: int, height: int) -> tuple[int, int, int, int]:
    """Left, top, right and bottom border of the rectangle before turning, in whole pixels."""
    region = crop["region"]
    left, right = _borders(region["x"], region["width"], width)
    top, bottom = _borders(region["y"], region["height"], height)
    return left, top, right, bottom


def _borders(start: float, length: float, side_px: int) -> tuple[int, int]:
    # Rounded before, as 35 percent of 330 px are 115.49999999999999 in floating point.
    first, last = (math.floor(round(edge * side_px / 100, 6) + 0.5) for edge in (start, start + length))
    first = min(first, side_px - 1)
    return first, max(min(last, side_px), first + 1)


def _straighten(picture: FloatImage, box: tuple[int, int, int, int], angle: float) -> FloatImage:
    """What is seen through a box of pixels that is turned clockwise by an angle in radians."""
    left, top, right, bottom = box
    width, height = right - left, bottom - top
    cosine, sine = math.cos(angle), math.sin(angle)
    # Rows and columns of the picture from those of what is seen. Pixel centres lie half a pixel from the borders.
    matrix = np.array([[cosine, sine], [-sine, cosine]])
    centre = np.array([(top + bottom - 1) / 2, (left + right - 1) / 2])
    offset = centre - matrix @ np.array([(height - 1) / 2, (width - 1) / 2])
    reach = (abs(matrix) @ np.array([height, width])) / 2 + _MARGIN_PX
    first = np.maximum(np.floor(centre - reach), 0).astype(int)
    last = np.minimum(np.ceil(centre + reach) + 1, picture.shape[:2]).astype(int)
    part = picture[first[0] : last[0], first[1] : last[1]]
    planes = part[:, :, np.newaxis] if part.ndim == 2 else part
    seen = np.empty((height, width, planes.shape[2]), np.float32)
    for channel in range(planes.shape[2]):
        plane = planes[:, :, channel]
        # The root keeps the sign: light just below zero is what a matrix profile makes of deep colours.
        root = np.copysign(np.sqrt(np.abs(plane)), plane)
        root = ndimage.spline_filter(root, order=3, output=np.float32, mode="mirror")
        turned = ndimage.affine_transform(
            root, matrix, offset - first, (height, width), np.float32, order=3, mode="mirror", prefilter=False
        )
        turned *= np.abs(turned)
        np.clip(turned, plane.min(), plane.max(), out=seen[:, :, channel])
    return seen[:, :, 0] if part.ndim == 2 else seen
