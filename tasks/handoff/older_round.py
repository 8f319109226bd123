"""Returns made from an older round's base file: they lack the work that was done in that round."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from glassine.tasks.handoff.annotation import bounds
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.change_map import BOXES_LIMIT, ciede2000
from glassine.tasks.imaging.icc_profile import to_lab
from glassine.tasks.imaging.region import Mask, region_mask
from glassine.tasks.imaging.rendering import read_picture

_GONE: Final = 0.9
"""Part of a note's work that must be as it was before it, for the work to be gone; a rework leaves next to none
so (own choice)."""
_FREE: Final = 0.25
"""Part of a note's work that must lie outside the present notes, for it to say anything (own choice)."""

_CHUNK_PX: Final = 2**18
"""Pixels that are measured at once; they take about 60 MB."""


def may_lack_work(outside: Mapping[str, Any], older: Sequence[Mapping[str, Any]]) -> bool:
    """Whether changes outside the present notes touch a region of an older round: else no work can be gone."""
    boxes = outside["boxes"]
    if len(boxes) >= BOXES_LIMIT:  # there may be more that were not told
        return True
    regions = [bounds(note["region"]) for earlier in older for note in earlier["notes"]]
    return any(
        x < right and left < x + width and y < bottom and top < y + height
        for x, y, width, height in boxes
        for left, top, right, bottom in regions
    )


def rounds_that_lack(
    base: Path,
    returned: Path,
    regions: Sequence[Mapping[str, Any]],
    older: Sequence[Mapping[str, Any]],
    *,
    threshold: float,
) -> list[int]:
    """Return the rounds whose work is gone from a returned picture, the first one first.

    The work of a note is every pixel of its region where that round's base differs from the present base. It is gone
    where the return is not as the present base, but again as that round's base or an older one. Work within the
    present notes says nothing: it may have been asked to go. A round lacks if every note of it that says anything is
    gone; one of several that was put back is a change that nobody asked for.

    Parameters
    ----------
    base : the present base file, which holds the work
    returned : the file that came back, of the same size
    regions : of the present notes
    older : {"round", "base": that round's base file, "notes": [{"id", "region"}, ...]} of each earlier round
    threshold : CIEDE2000 above which pixels differ

    Raises
    ------
    FrameError
        P001 where a file is no such TIFF.
    """
    light = read_picture(base)[0]
    height, width = light.shape[:2]
    # Only the pixels of the older regions are kept of each picture: one at a time is whole in memory.
    area = _covered([note["region"] for earlier in older for note in earlier["notes"]], width, height)
    now = light[area]
    del light
    back = read_picture(returned)[0][area]
    asked = _covered(regions, width, height)[area]
    lost = _differ(now, back, ~asked, threshold)
    again: Mask = np.zeros(lost.shape, np.bool_)
    lacking = []
    for earlier in sorted(older, key=lambda one: int(one["round"])):
        picture = read_picture(earlier["base"])[0]
        if picture.shape[:2] != (height, width):  # a base of another size can be no source of this return
            continue
        before = picture[area]
        del picture
        again |= lost & ~_differ(before, back, lost, threshold)
        gone = []
        for note in earlier["notes"]:
            work = _differ(before, now, region_mask(note["region"], width, height)[area], threshold)
            if (share := _share_gone(work, asked, again)) is not None:
                gone.append(share)
        if gone and min(gone) >= _GONE:
            lacking.append(int(earlier["round"]))
    return lacking


def _covered(regions: Sequence[Mapping[str, Any]], width: int, height: int) -> Mask:
    covered: Mask = np.zeros((height, width), np.bool_)
    for region in regions:
        covered |= region_mask(region, width, height)
    return covered


def _differ(one: FloatImage, other: FloatImage, where: Mask, threshold: float) -> Mask:
    """Which of these pixels (N, 3) differ by more than the threshold; no other pixel is looked at."""
    first, second = one[where], other[where]
    found: Mask = np.zeros(len(first), np.bool_)
    for start in range(0, len(first), _CHUNK_PX):
        rows = slice(start, start + _CHUNK_PX)
        found[rows] = ciede2000(to_lab(first[rows][np.newaxis]), to_lab(second[rows][np.newaxis]))[0] > threshold
    differ: Mask = np.zeros(where.shape, np.bool_)
    differ[where] = found
    return differ


def _share_gone(work: Mask, asked: Mask, again: Mask) -> float | None:
    """Which part of a note's work is gone; None where it says nothing."""
    free = work & ~asked
    count, of = int(np.count_nonzero(free)), int(np.count_nonzero(work))
    if count == 0 or count < _FREE * of:
        return None
    return int(np.count_nonzero(free & again)) / count
