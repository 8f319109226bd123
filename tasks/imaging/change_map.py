"""What a retoucher changed: the colour difference between a base file and the file that came back."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from scipy.ndimage import binary_dilation, find_objects, label, maximum_filter
from skimage.color import deltaE_ciede2000

from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import FrameError
from glassine.tasks.imaging.bit_depth import FloatImage, to_uint8
from glassine.tasks.imaging.icc_profile import encode, luminance, profile_bytes, to_lab
from glassine.tasks.imaging.proof import resize_long_side
from glassine.tasks.imaging.region import Mask, region_mask
from glassine.tasks.imaging.rendering import read_picture

_TILE_PX = 512
"""scikit-image takes 7 GB for 45 megapixels at once; this takes 60 MB."""
_CELLS = 256
"""Changes that touch in a grid of this many cells along the long side are told as one box."""
BOXES_LIMIT = 50
"""Boxes that are told, at most."""
_RIM_SHARE = 0.005
"""Of the long side: the soft edge of a brush that belongs to a marked region (own choice; 30 px of 6000)."""
_PICTURE_PX = 1600
_DIMMED = 0.5
_IN_REGION = np.array([0.05, 0.45, 0.75], np.float32)
_ELSEWHERE = np.array([0.95, 0.35, 0.05], np.float32)
"""Marks of a change that was asked for, and of one that was not; own choice, told apart by the colour-blind too."""


def compare(
    base: Path,
    returned: Path,
    regions: Sequence[Mapping[str, Any]],
    *,
    threshold: float = 1.0,
    picture: Path | None = None,
) -> dict[str, Any]:
    """Say where a returned picture differs from its base, for each marked region and outside of all.

    Parameters
    ----------
    base, returned : TIFFs of the same size, each with its own profile
    regions : as `region.region_mask` takes them
    threshold : CIEDE2000 above which a pixel is changed; 1 is about what can just be seen (common practice)
    picture : a JPEG of the dimmed base with the changes marked on it, put in place when it is whole

    Returns
    -------
    {"changed_fraction": of all pixels, "mean", "max": CIEDE2000 over all pixels,
    "regions": [{"changed": whether any pixel is, "changed_fraction": of the region's pixels, "max"}, ...],
    "outside": {"changed_fraction": of the pixels in no region, "boxes": [[x, y, width, height], ...]}}; boxes in
    percent of the picture, the one with the most changed pixels first, 50 at most. A change within half a percent of
    the long side of a region is not told: a brush has a soft edge.

    Raises
    ------
    FrameError
        P001 where a file is no such TIFF, P002 where their sizes differ.
    CallError
        W001 where a region is none.
    """
    before, facts = read_picture(base)
    after, found = read_picture(returned)
    if before.shape != after.shape:
        raise FrameError(
            "P002",
            f"{returned.name} is {found.width} × {found.height} pixels, {base.name} is {facts.width} × "
            f"{facts.height}: only pictures of one size can be compared.",
        )
    difference = difference_ciede2000(before, after)
    changed: Mask = difference > threshold
    told = []
    outside: Mask = np.ones(changed.shape, np.bool_)
    for region in regions:
        mask = region_mask(region, facts.width, facts.height)
        outside &= ~mask
        inside = difference[mask]
        told.append(
            {
                "changed": bool((inside > threshold).any()),
                "changed_fraction": _share(changed[mask]),
                "max": round(float(inside.max(initial=0.0)), 4),
            }
        )
    stray: Mask = changed & outside
    if regions and stray.any():
        outside = _without_rim(outside)
        stray &= outside
    if picture is not None:
        replace_file(picture, _marked(before, changed & ~stray, stray))
    return {
        "changed_fraction": _share(changed),
        "mean": round(float(difference.mean(dtype=np.float64)), 4),
        "max": round(float(difference.max()), 4),
        "regions": told,
        "outside": {"changed_fraction": _share(stray[outside]), "boxes": _boxes(stray)},
    }


def difference_ciede2000(before: FloatImage, after: FloatImage) -> FloatImage:
    """CIEDE2000 of each pixel of two pictures; 0 where both are the same to the bit.

    Parameters
    ----------
    before, after : float32, (H, W, 3), linear ROMM RGB, D50

    Returns
    -------
    float32, (H, W).

    Notes
    -----
    Only the pixels that differ are converted and measured, tile by tile.
    Source: CIE 142:2001 and ISO/CIE 11664-6, as scikit-image has them; see `ciede2000`.
    """
    difference = np.zeros(before.shape[:2], np.float32)
    for tile in _tiles(before.shape[0], before.shape[1]):
        one, other = before[tile], after[tile]
        differs = (one != other).any(axis=2)
        if differs.any():
            lab_one = to_lab(one[differs][np.newaxis])
            lab_other = to_lab(other[differs][np.newaxis])
            difference[tile][differs] = ciede2000(lab_one, lab_other)[0]
    return difference


def ciede2000(lab_one: FloatImage, lab_other: FloatImage) -> FloatImage:
    """CIEDE2000 of CIELAB values (..., 3), all parametric factors 1. Source: Sharma, Wu and Dalal 2005."""
    # scikit-image bears no types
    difference: FloatImage = deltaE_ciede2000(lab_one, lab_other).astype(np.float32)  # type: ignore[no-untyped-call]
    return difference


def _without_rim(outside: Mask) -> Mask:
    """What is farther from every region than the soft edge of a brush."""
    reach = max(1, round(_RIM_SHARE * max(outside.shape)))
    rows, columns = (np.flatnonzero(~outside.all(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return outside
    window = tuple(slice(max(0, int(found[0]) - reach), int(found[-1]) + reach + 1) for found in (rows, columns))
    farther = outside.copy()
    farther[window] = ~maximum_filter(~outside[window], size=2 * reach + 1)
    return farther


def _tiles(height: int, width: int) -> Iterator[tuple[slice, slice]]:
    for top in range(0, height, _TILE_PX):
        for left in range(0, width, _TILE_PX):
            yield slice(top, top + _TILE_PX), slice(left, left + _TILE_PX)


def _share(mask: Mask) -> float:
    return round(int(np.count_nonzero(mask)) / mask.size, 8) if mask.size else 0.0


def _boxes(changed: Mask) -> list[list[float]]:
    """Boxes, in percent, round the changes that hang together; exact to the pixel."""
    height, width = changed.shape
    cell = max(1, round(max(height, width) / _CELLS))
    cells = _any_in_cells(changed, cell)
    numbers, _ = label(cells, structure=np.ones((3, 3), np.int_))
    boxes: list[tuple[int, list[float]]] = []
    for number, (rows, columns) in enumerate(find_objects(numbers), start=1):
        top, left = rows.start * cell, columns.start * cell
        part = changed[top : rows.stop * cell, left : columns.stop * cell]
        own = np.kron(numbers[rows, columns] == number, np.ones((cell, cell), np.bool_))
        part = part & own[: part.shape[0], : part.shape[1]]
        y, x = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
        box = [
            round((left + int(x[0])) * 100 / width, 4),
            round((top + int(y[0])) * 100 / height, 4),
            round(int(x[-1] - x[0] + 1) * 100 / width, 4),
            round(int(y[-1] - y[0] + 1) * 100 / height, 4),
        ]
        boxes.append((int(np.count_nonzero(part)), box))
    boxes.sort(key=lambda counted: (-counted[0], counted[1]))
    return [box for _, box in boxes[:BOXES_LIMIT]]


def _any_in_cells(mask: Mask, cell: int) -> Mask:
    """Whether anything is set in each square of `cell` pixels; one changed pixel survives."""
    height, width = mask.shape
    padded = np.pad(mask, ((0, -height % cell), (0, -width % cell)))
    squares = padded.reshape(padded.shape[0] // cell, cell, padded.shape[1] // cell, cell)
    return np.asarray(squares.any(axis=(1, 3)))


def _marked(base: FloatImage, asked: Mask, stray: Mask) -> bytes:
    """The base, grey and dimmed, with changes in colour, as a JPEG in sRGB."""
    cell = -(-max(asked.shape) // _PICTURE_PX)
    height, width = (side // cell for side in asked.shape)
    small = resize_long_side(base[: height * cell, : width * cell], max(height, width))
    grey = encode(np.repeat(luminance(np.clip(small, 0.0, 1.0))[..., np.newaxis], 3, axis=2), "sRGB")
    shown = np.full((height, width, 3), _DIMMED, np.float32) * grey
    for mask, colour in ((asked, _IN_REGION), (stray, _ELSEWHERE)):
        # A single changed pixel is made three wide, so that it can be seen.
        marks = np.asarray(binary_dilation(_any_in_cells(mask, cell), np.ones((3, 3))))[:height, :width]
        shown[marks] = colour * (0.6 + 0.4 * grey[marks])
    file = io.BytesIO()
    Image.fromarray(to_uint8(shown)).save(
        file, "JPEG", quality=90, subsampling="4:4:4", icc_profile=profile_bytes("sRGB")
    )
    return file.getvalue()
