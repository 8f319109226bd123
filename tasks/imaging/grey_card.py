"""White balance and exposure from a grey card, measured on a raw's photosites."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging.balance import MULTIPLIER_LIMITS, STOPS_LIMIT
from glassine.tasks.imaging.photosites import Mosaic, copy_mosaic
from glassine.tasks.imaging.raw_rendering import is_rendered, open_raw
from glassine.tasks.imaging.region import Mask, region_mask
from glassine.tasks.imaging.tiff_picture import orient

MIDDLE_FIFTH: Final = {"shape": "rectangle", "x": 40, "y": 40, "width": 20, "height": 20}
HEADROOM: Final = math.sqrt(2)
"""How far saturation lies above a 100 % reflector: ISO 12232:2019, half a stop."""

_CLIPPED_SHARE = 0.001
_DARKEST_STOPS = -5.0
_UNEVEN_STOPS = 1 / 3
_LIGHT_STOPS = 2.0
"""How far the red or the blue of a light may lie from daylight's; a filament's lie by about one (from memory)."""
_TINT_STOPS = 1.0
"""How far green may lie from the line of daylight and filaments; a poor tube is off by about half a stop (from memory).
These five from which on a patch is no grey card: own choice."""
_SMALLEST_BLOCK_PX, _BLOCKS_ACROSS, _FEWEST_BLOCKS = 8, 8, 4
_UNDOING = {1: 1, 3: 3, 6: 8, 8: 6}
"""The Orientation that turns an upright picture back to how it lies on the sensor."""


def measure_card(path: Path, region: Mapping[str, Any] | None = None, *, reflectance: float = 0.18) -> dict[str, Any]:
    """Measure a neutral card in a raw.

    Parameters
    ----------
    path : a raw with a mosaic
    region : what the card fills, in percent of the upright picture: see `region.region_mask`; by default
        `MIDDLE_FIFTH`, the middle fifth of each side
    reflectance : of the card, above 0 to 1; 0.18 is that of the usual grey card

    Returns
    -------
    {"multipliers": [red, 1.0, blue] that make the card neutral, "stops": exposure that brings it, so balanced, to the
    light reflectance / √2, where it lies when 1.0 is saturation and the exposure right (ISO 12232); for
    `raw_rendering.render` as `balance.Balance`. "spread": stops between the 10th and the 90th percentile of the
    green of about 8 blocks across, "clipped": whether any photosite in it is at the white level}

    Raises
    ------
    FrameError
        P001 for a picture that is no raw, does not decode, or has no mosaic.
    CallError
        W001 where the region is none, too small, clipped, too dark, uneven, or of a colour that no light gives to a
        grey card; for a reflectance that is none.

    Notes
    -----
    Each colour's photosites less their black, the mean of each; green is the mean of its two kinds, weighed alike. A
    tenth of a percent may be clipped, as hot photosites are, and is left out. Too dark: the fullest colour more than 5 stops under
    saturation. Uneven: a spread above a third of a stop. The colour is judged against the multipliers of daylight that
    LibRaw has for the camera; where it has none, only against what a balance may be.
    """
    if isinstance(reflectance, bool) or not isinstance(reflectance, int | float) or not 0 < reflectance <= 1:
        raise CallError("W001", f"A card's reflectance is above 0 and at most 1, not {reflectance!r}.")
    if is_rendered(path):
        raise FrameError("P001", f"{path.name} has no photosites: white balance is measured in a raw.")
    with open_raw(path) as raw:
        mosaic = copy_mosaic(raw)
        if mosaic is None or set(mosaic.black) != {"red", "green", "blue"}:
            raise FrameError("P001", f"{path.name} has no red, green and blue photosites: measure a raw that has.")
        daylight = raw.daylight_whitebalance[:3]
    inside = _mask_on_sensor(MIDDLE_FIFTH if region is None else region, mosaic)
    shares, clipped = _shares_of_saturation(mosaic, inside, path.name)
    spread = _spread_stops(mosaic, inside, path.name)
    if max(shares) < 2.0**_DARKEST_STOPS:
        raise CallError(
            "W001",
            f"The patch in {path.name} is too dark to measure, {-math.log2(max(max(shares), 1e-6)):.1f} stops under "
            "saturation: expose the card more.",
        )
    if spread > _UNEVEN_STOPS:
        raise CallError(
            "W001",
            f"The patch in {path.name} is uneven by {spread:.2f} stops: mark a part that holds nothing but the card, "
            "evenly lit.",
        )
    red, green, blue = shares
    multipliers = [green / max(red, 1e-6), 1.0, green / max(blue, 1e-6)]
    _check_neutral(multipliers, daylight, path.name)
    stops = math.log2(reflectance / HEADROOM * min(multipliers) / green)
    if abs(stops) > STOPS_LIMIT:
        raise CallError(
            "W001", f"The card in {path.name} is {abs(stops):.1f} stops from its exposure: {STOPS_LIMIT:g} is the most."
        )
    return {
        "multipliers": [round(value, 5) for value in multipliers],
        "stops": round(stops, 4),
        "spread": round(spread, 4),
        "clipped": clipped,
    }


def _mask_on_sensor(region: Mapping[str, Any], mosaic: Mosaic) -> Mask:
    height, width = orient(mosaic.levels, mosaic.orientation).shape
    return np.ascontiguousarray(orient(region_mask(region, width, height), _UNDOING[mosaic.orientation]))


def _shares_of_saturation(mosaic: Mosaic, inside: Mask, name: str) -> tuple[list[float], bool]:
    """The mean of red, green and blue between black and white, and whether any photosite is clipped."""
    levels, colours = mosaic.levels[inside], mosaic.colours[inside]
    shares, any_clipped = [], False
    for channel in ("red", "green", "blue"):
        indexes, black = mosaic.black[channel]
        kinds = [of_kind for index in indexes if (of_kind := levels[colours == index]).size]
        if not kinds:
            raise CallError("W001", f"The patch in {name} is too small to measure: mark more of the card.")
        lost = float(np.mean(np.concatenate(kinds) >= mosaic.white))
        if lost > _CLIPPED_SHARE:
            raise CallError(
                "W001", f"{lost * 100:.1f} % of the patch's {channel} in {name} is clipped: expose the card less."
            )
        any_clipped = any_clipped or lost > 0
        mean = float(np.mean([of_kind[of_kind < mosaic.white].mean(dtype=np.float64) for of_kind in kinds]))
        shares.append((mean - black) / (mosaic.white - black))
    return shares, any_clipped


def _spread_stops(mosaic: Mosaic, inside: Mask, name: str) -> float:
    """Stops from the 10th to the 90th percentile of the means of green in blocks that lie whole in the patch."""
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    # Blocks of even sides, so that each holds as much of a colour as the next.
    block = max(_SMALLEST_BLOCK_PX, min(rows.size, columns.size) // _BLOCKS_ACROSS // 2 * 2)
    top, left = rows[0] // 2 * 2, columns[0] // 2 * 2
    down, across = (rows[-1] + 1 - top) // block, (columns[-1] + 1 - left) // block
    indexes, black = mosaic.black["green"]

    def in_blocks(plane: NDArray[Any]) -> NDArray[np.float64]:
        cut = plane[top : top + down * block, left : left + across * block]
        sums: NDArray[np.float64] = cut.reshape(down, block, across, block).sum(axis=(1, 3), dtype=np.float64)
        return sums

    green = np.isin(mosaic.colours, indexes)
    whole = in_blocks(inside) == block * block
    if whole.sum() < _FEWEST_BLOCKS:
        raise CallError("W001", f"The patch in {name} is too small to measure: mark more of the card.")
    means = (in_blocks(np.where(green, mosaic.levels, 0)) / in_blocks(green))[whole] - black
    low, high = np.maximum(np.percentile(means, (10, 90)), 1e-3)
    return float(np.log2(high / low))


def _check_neutral(multipliers: list[float], daylight: list[float], name: str) -> None:
    """Refuse the colour of something that is no grey card."""
    low, high = MULTIPLIER_LIMITS
    possible = all(low <= value <= high for value in multipliers)
    if possible and min(daylight) > 0:
        red, blue = (math.log2(multipliers[i] / (daylight[i] / daylight[1])) for i in (0, 2))
        possible = max(abs(red), abs(blue)) <= _LIGHT_STOPS and abs(red + blue) / 2 <= _TINT_STOPS
    if not possible:
        raise CallError(
            "W001", f"The patch in {name} is too strongly coloured for a grey card: mark a neutral part of the picture."
        )
