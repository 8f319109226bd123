"""A retoucher's hand for simulated portraits: closes what is marked, cleans a shadow, brings a piece over from a donor."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from scipy import ndimage

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.region import region_mask
from glassine.tasks.imaging.tiff_picture import read_picture, write_picture

Region = Mapping[str, Any]

SIDES = {"stray_hair": 21, "lint": 31}
"""Side in pixels of the median that tells what should be there: more than twice as wide as what is taken out."""
_OFF, _FAR_OFF = 0.05, 0.16
"""Share of its surroundings by which a pixel must be off to be closed a little, and wholly; by eye."""
_FEATHER = 0.16
"""Of a region's smaller side: how wide a piece from a donor fades out at its border."""


def retouch(base: Path, returned: Path, marks: Mapping[str, Region], donor: Path | None = None) -> None:
    """Retouch a base file as a retoucher would, and leave all that is not marked alone.

    Parameters
    ----------
    marks : regions by what is to be done: "stray_hair", "lint" are closed, "skin_mark" is laid
        over with skin, "stand_shadow" is made as bright
        as what is beside it, "catchlight" is brought over from the donor, "soften" loses its finest detail
    donor : a base file in register, wanted for "catchlight"
    """
    picture, info = read_picture(base)
    for name, region in marks.items():
        if name == "stand_shadow":
            clean_shadow(picture, region)
        elif name == "catchlight":
            if donor is None:
                raise ValueError("a piece is brought over from a donor: name its base file")
            bring_over(picture, read_picture(donor)[0], region)
        elif name == "soften":
            soften(picture, region)
        elif name == "skin_mark":
            lay_skin_over(picture, region)
        else:
            close(picture, region, SIDES[name], lighter=name == "lint")
    write_picture(returned, picture, info.profile)


def close(picture: FloatImage, region: Region, side_px: int, *, lighter: bool = False) -> None:
    """Close in place what is darker (or lighter) than its surroundings in a region; the rest of it stays as it is."""
    mask = region_mask(region, picture.shape[1], picture.shape[0])
    window = _window(mask, side_px)
    around = _median(picture[window], side_px)
    smooth = ndimage.gaussian_filter(picture[window], (1.5, 1.5, 0))
    off = 1 - smooth.mean(axis=2) / np.maximum(around.mean(axis=2), 1e-6)
    weight = np.clip(((-off if lighter else off) - _OFF) / (_FAR_OFF - _OFF), 0, 1) * mask[window]
    grown = ndimage.gaussian_filter(ndimage.grey_dilation(weight, size=(9, 9)), 2.0)
    weight = np.clip(grown * 1.2, 0, 1) * _feathered(mask[window], 4)
    picture[window] += weight.astype(np.float32)[..., np.newaxis] * (around - picture[window])


def _median(part: FloatImage, side_px: int) -> FloatImage:
    """What should be there: the median of a square about each pixel; of every few pixels where the square is large."""
    step = max(1, side_px // 16)
    few = ndimage.median_filter(part[::step, ::step], size=(side_px // step | 1, side_px // step | 1, 1))
    if step == 1:
        return np.asarray(few, np.float32)
    size = part.shape[1], part.shape[0]
    planes = [
        Image.fromarray(np.ascontiguousarray(few[..., i])).resize(size, Image.Resampling.BICUBIC) for i in range(3)
    ]
    return np.stack([np.asarray(plane) for plane in planes], axis=-1)


def lay_skin_over(picture: FloatImage, region: Region) -> None:
    """Lay over a region, in place, what its border leads one to expect, with the grain of the skin beside it."""
    mask = region_mask(region, picture.shape[1], picture.shape[0])
    window = _window(mask, 0)
    height, width = mask[window].shape
    around = _window(mask, 2 * width)
    smooth = ndimage.gaussian_filter(picture[around], (3, 3, 0))
    grain = picture[around] - smooth
    rows = slice(window[0].start - around[0].start, window[0].stop - around[0].start)
    columns = slice(window[1].start - around[1].start, window[1].stop - around[1].start)
    part = smooth[rows, columns]
    down, across = (np.linspace(0, 1, side, dtype=np.float32) for side in (height, width))
    down, across = down[:, np.newaxis, np.newaxis], across[np.newaxis, :, np.newaxis]
    level = part[:, :1] * (1 - across) + part[:, -1:] * across
    upright = part[:1] * (1 - down) + part[-1:] * down
    corners = (part[0, 0] * (1 - down) + part[-1, 0] * down) * (1 - across) + (
        part[0, -1] * (1 - down) + part[-1, -1] * down
    ) * across
    beside = slice(columns.start - width, columns.stop - width)
    laid = level + upright - corners + (grain[rows, beside] if beside.start >= 0 else 0)
    weight = _feathered(mask[window], min(height, width) / 8)[..., np.newaxis]
    picture[window] = np.clip(picture[window] + weight * (laid - picture[window]), 0, 1)


def clean_shadow(picture: FloatImage, region: Region) -> None:
    """Make a shadow on an even ground as bright, in place, as the ground on both sides of it; its grain stays."""
    mask = region_mask(region, picture.shape[1], picture.shape[0])
    window = _window(mask, 0)
    part = picture[window]
    height, width = part.shape[:2]
    edge = max(2, width // 12)
    left = ndimage.gaussian_filter1d(part[:, :edge].mean(axis=1), height / 40, axis=0)
    right = ndimage.gaussian_filter1d(part[:, -edge:].mean(axis=1), height / 40, axis=0)
    across = ((np.arange(width) - edge / 2) / (width - edge)).clip(0, 1)[np.newaxis, :, np.newaxis]
    wanted = left[:, np.newaxis] * (1 - across) + right[:, np.newaxis] * across
    smooth = ndimage.gaussian_filter(part, (width / 60, width / 60, 0))
    ratio = np.maximum(wanted / np.maximum(smooth, 1e-6), 0.97)
    weight = _feathered(mask[window], edge / 2)[..., np.newaxis]
    picture[window] = np.clip(part * (1 + weight * (ratio - 1)), 0, 1)


def bring_over(picture: FloatImage, donor: FloatImage, region: Region) -> None:
    """Lay the donor's region over the picture's, in place, fading out at its border."""
    mask = region_mask(region, picture.shape[1], picture.shape[0])
    window = _window(mask, 0)
    height, width = mask[window].shape
    weight = _feathered(mask[window], _FEATHER * min(height, width))[..., np.newaxis]
    picture[window] += weight * (donor[window] - picture[window])


def soften(picture: FloatImage, region: Region) -> None:
    """Take the finest detail out of a region, in place."""
    mask = region_mask(region, picture.shape[1], picture.shape[0])
    window = _window(mask, 0)
    height, width = mask[window].shape
    weight = _feathered(mask[window], _FEATHER * min(height, width))[..., np.newaxis]
    smooth = ndimage.gaussian_filter(picture[window], (min(height, width) / 16, min(height, width) / 16, 0))
    picture[window] += weight * (smooth - picture[window])


def _window(mask: Any, margin_px: int) -> tuple[slice, slice]:
    rows, columns = np.where(mask)
    return (
        slice(max(0, int(rows.min()) - margin_px), int(rows.max()) + margin_px + 1),
        slice(max(0, int(columns.min()) - margin_px), int(columns.max()) + margin_px + 1),
    )


def _feathered(mask: Any, feather_px: float) -> FloatImage:
    """From 0 at the mask's border to 1 `feather_px` within."""
    inside = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    t = np.clip(inside / max(feather_px, 1.0), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)
