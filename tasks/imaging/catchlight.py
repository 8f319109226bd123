"""Catchlights: how many lamps are mirrored in a marked eye and where, and what is odd about a pair. It advises."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import ndimage

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.eye_sphere import Reflection, clock_of, hours_apart, predicted
from glassine.tasks.imaging.iris_patch import (
    RADIUS,
    IrisPatch,
    cut_patch,
    disc,
    lids_of,
    median,
    rim_offset,
    rim_rise,
    rise_over,
    smear,
)
from glassine.tasks.imaging.region import Mask
from glassine.tasks.imaging.simulated_set import FACE_HEIGHT_M

METHOD = 1
"""Counts changes of how eyes are read."""
COUNTED, NOT_APPLICABLE, NOT_SURE = "counted", "not applicable", "not sure"
SMALLEST_PX = 12.0
"""Width of an iris under which nothing is counted: a catchlight would be one pixel. This and the numbers below: own
choice, tuned on drawn eyes (tests)."""

_CLEAR = 0.55
"""How far a catchlight rises over what is about it, as a share of the iris's tone: 0.6 stops over the iris."""
_DOUBTFUL = 0.87
"""Share of `_CLEAR` from which something that rises less is not passed over in silence."""
_BRIGHT, _NOISY = 1.3, 1.2
"""What rises as much needs no smoothing; what would have to rise as much to stand out of the noise cannot be told."""
_SOFT = 2.0
"""Deviation of the blur of lens and smoothing together, of the patch, at which faint reflections are looked for."""
_PARTED, _SHOULDER = 0.22, 0.12
"""How deep the dip between two catchlights is, as a share of the fainter one; and in the iris's tone, how deep one is
that gives away a reflection in the glow of another."""
_GLOW, _IN_PUPIL = 0.02, 0.2
"""The dip as a share of the brighter one's height, under which it may be noise; what rises as much in the middle, where
a pupil has no rays, is not passed over."""
_CLOSED = 1.4
"""Pixels of the patch: gaps that are narrower than twice this belong to one lamp, as the bars of a window do."""
_EDGE = 0.86
"""Places further out are at the edge: the rim, the lids' wet margin and the white are bright there, too."""
_SMEARED = 0.16
"""Deviation of the blur of the iris's rim, in iris radii, above which reflections run into each other."""
_NO_RIM, _DIM_RIM = 0.055, 0.13
"""`rim_rise` under which no iris is seen, and under which one is not sure."""
_SHUT, _HALF_SHUT = 0.62, 0.48
"""Shares of the iris that lids hide: from the one nothing is counted, from the other one is not sure."""
_SMALL, _LONG = 0.75, 1.7
_TINY, _LONG_WHERE_TINY, _LONG_WHERE_FAINT = 0.45, 1.4, 1.6
"""Pixels of the picture to one of the patch, below which two lamps may look like one that is as much longer than wide;
and how long a faint one may be at any size."""
_SOFT_EDGE = 1.3
"""Width of a reflection's edge, in deviations of the blur, from which it may be a sheen: a lamp has an edge."""
_REST = 0.04
"""Area that is lighter and belongs to no catchlight, in squared iris radii, from which one is not sure."""
_SAME_HOURS, _SAME_PLACE = 1.5, 0.35
"""How far from its reckoned place, or from its twin in the other eye, a lamp may be seen (in iris radii): eyes look
aside, corneas differ."""

_TOUCHES = "A reflection touches the lid."
_MERGED = "Two reflections run into each other."
_AT_EDGE = "A reflection lies at the edge of the iris."
_FAINT = "Something in the iris is hardly lighter than what is about it."
_ELONGATED = "A reflection is longer than wide: it may be two that run into each other."
_UNCLEAR = "Part of the iris is lighter than the rest, without a clear edge."


def read_eye(linear: FloatImage, centre: tuple[float, float], rim: tuple[float, float]) -> dict[str, Any]:
    """Count and place the catchlights of an eye that a person marked.

    Parameters
    ----------
    linear : float32, (H, W, 3), scene-linear ROMM RGB, D50, upright. Not modified.
    centre, rim : two clicks, (x, y) in percent of the picture from its upper left: the middle of the pupil, and a
        point on the rim of the iris. They may be off by a tenth of the iris's radius.

    Returns
    -------
    {"state": "counted", "not applicable" (no iris to be seen: shut, down, turned away) or "not sure",
    "why": a sentence where it is not "counted", else "",
    "catchlights": [{"clock": hour [0, 12), 0 is twelve, None in the very middle, "radius": [0, 1] of the iris,
    "size": radius of a disc of its area, in iris radii, "strength_stops": its light over the iris's, "right", "up":
    its place in iris radii}, ...], the strongest first; what was seen so far where it is not sure,
    "iris_px": width of the iris}

    Raises
    ------
    CallError
        W001 where a mark lies outside the picture, or the two are one.
    FrameError
        P002 where `linear` is no such picture.

    Notes
    -----
    The iris's rim is looked for about the mark. What rises over pupil and iris and is parted from lids and white by
    something darker is a catchlight: the rise is taken down to the highest saddle towards anything higher or towards
    the outside (persistence of maxima: Edelsbrunner, Letscher and Zomorodian 2002), after gaps of a twentieth of the
    radius were closed. Same input, same numbers.
    """
    height, width = linear.shape[:2]
    for place in (centre, rim):
        if not all(0 <= part <= 100 for part in place):
            raise CallError(
                "W001", f"The mark at {place[0]:g}, {place[1]:g} lies outside the picture: both are percent, 0 to 100."
            )
    x, y = centre[0] / 100 * width, centre[1] / 100 * height
    radius = math.hypot(rim[0] / 100 * width - x, rim[1] / 100 * height - y)
    if radius < 1.0:
        raise CallError("W001", "The marks of an eye are one: mark the middle of the pupil, then the rim of the iris.")
    state, why = NOT_SURE, ""
    found: list[dict[str, Any]] = []
    if 2 * radius < SMALLEST_PX:
        why = f"The iris is only {2 * radius:.0f} pixels across."
    elif x < radius or y < radius or x > width - radius or y > height - radius:
        why = "The picture's border cuts the eye."
    else:
        right, up, grown = rim_offset(cut_patch(linear, x, y, radius))
        x, y, radius = x + right * radius, y - up * radius, radius * grown
        state, why, found = _read_patch(cut_patch(linear, x, y, radius))
    return {"state": state, "why": why, "catchlights": found, "iris_px": round(2 * radius, 1)}


def compare_eyes(
    left: Mapping[str, Any],
    right: Mapping[str, Any],
    lights: Sequence[Mapping[str, Any]] = (),
    *,
    eye_height_m: float = FACE_HEIGHT_M,
) -> list[str]:
    """Say what is odd about a pair of eyes.

    Parameters
    ----------
    left, right : as `read_eye` gives them, left and right as seen
    lights : of the set-up, as `eye_sphere.predicted` takes them; those behind the sitter are never asked for
    eye_height_m : of the sitter's eyes over the floor

    Returns
    -------
    Sentences: an eye that is not counted, and why; an eye with no catchlight, or with fewer than the other, and the
    light that should be there, where the set-up says. None where both have the same.

    Raises
    ------
    CallError
        W001 where a light's numbers are missing or wrong.
    """
    front = [light for light in predicted(lights, eye_height_m=eye_height_m) if light.radius <= _EDGE]
    named = (("left", left), ("right", right))
    unread = [
        f"The {side} eye, as seen: {eye['state']}. {eye['why']}"
        + (" No catchlight was made out." if eye["state"] == NOT_SURE and not eye["catchlights"] else "")
        for side, eye in named
        if eye["state"] != COUNTED
    ]
    if unread:
        blind = [side for side, eye in named if eye["state"] == COUNTED and not eye["catchlights"]]
        return unread + [f"The {side} eye, as seen, has no catchlight." for side in blind]
    counts = {side: len(eye["catchlights"]) for side, eye in named}
    if not any(counts.values()):
        wanted = " and ".join(f"“{light.name}” at {_in_words(light.clock, light.radius)}" for light in front)
        return ["Neither eye has a catchlight" + (f"; the set-up would give {wanted}." if wanted else ".")]
    if counts["left"] == counts["right"]:
        return []
    fewer, more = sorted(named, key=lambda one: counts[one[0]])
    missing = _unmatched(more[1]["catchlights"], fewer[1]["catchlights"])
    told = " and ".join(f"the one at {_in_words(one['clock'], one['radius'])}{_name_of(one, front)}" for one in missing)
    has = "no catchlight" if not counts[fewer[0]] else _number(counts[fewer[0]], " catchlight")
    if counts[fewer[0]]:
        has += f" where the {more[0]} has {_number(counts[more[0]])}"
    return [f"The {fewer[0]} eye, as seen, has {has}: {told} {'is' if len(missing) == 1 else 'are'} missing."]


def _number(count: int, noun: str = "") -> str:
    words = ("no", "one", "two", "three")
    return (words[count] if count < len(words) else str(count)) + (noun + "s" * (count != 1) if noun else "")


def _in_words(clock: float | None, radius: float) -> str:
    """A place on a clock's face, to half an hour."""
    if clock is None or radius < 0.15:
        return "the middle of the iris"
    halves = round(clock * 2) % 24
    return f"{halves // 2 or 12}:{'30' if halves % 2 else '00'} on the clock"


def _unmatched(of: Sequence[Mapping[str, Any]], against: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The catchlights that are left when each of the other eye has taken the one nearest to it."""
    left = list(of)
    for twin in against:
        left.remove(min(left, key=lambda one: math.hypot(one["right"] - twin["right"], one["up"] - twin["up"])))
    return left


def _name_of(one: Mapping[str, Any], front: Sequence[Reflection]) -> str:
    """Which light a catchlight may be, as a subordinate clause; nothing where none is near."""
    near = [
        (math.hypot(light.right - one["right"], light.up - one["up"]), light)
        for light in front
        if one["clock"] is None or light.radius < 0.15 or hours_apart(light.clock, one["clock"]) <= _SAME_HOURS
    ]
    away, light = min(near, key=lambda pair: pair[0], default=(math.inf, None))
    return f" (it may be “{light.name}”)" if light is not None and away <= _SAME_PLACE else ""


def _read_patch(patch: IrisPatch) -> tuple[str, str, list[dict[str, Any]]]:
    """State, reason and catchlights."""
    white = max(median(patch.light[patch.ring(1.12, 1.4) & (patch.right * way > 0)]) for way in (-1, 1))
    inside = patch.ring(0.5, 0.88)
    halves = [float(np.quantile(patch.light[inside & (patch.right * way > 0)], 0.4)) for way in (-1, 1)]
    tone = max(sum(halves) / 2, 1e-4)
    if tone > 0.6:
        return NOT_SURE, "The eye is almost white: its reflections do not stand out.", []
    rim = rim_rise(patch)
    if rim < _NO_RIM:
        return NOT_APPLICABLE, "No iris is seen where the eye is marked: it is shut, down or turned away.", []
    if rim < _DIM_RIM:
        return NOT_SURE, "The rim of the iris is not clear.", []
    lids = lids_of(patch, math.sqrt(tone * white))
    hidden = float((lids & (patch.away < 0.9)).sum() / (patch.away < 0.9).sum())
    if hidden > _SHUT:
        return NOT_APPLICABLE, "Hardly any of the iris is seen: the eye is shut, down or turned away.", []
    if hidden > _HALF_SHUT:
        return NOT_SURE, "Half of the iris is covered.", []
    smeared = smear(patch)
    rise = ndimage.grey_closing(rise_over(patch, lids, tone), footprint=disc(_CLOSED), mode="nearest")
    found, doubts, least = _catchlights(patch, rise, tone, lids, smeared)
    if smeared > _SMEARED:
        return NOT_SURE, "The eye is blurred: reflections would run into each other.", found
    if least > _NOISY:
        return NOT_SURE, "There is too much noise in the iris.", found
    if doubts:
        return NOT_SURE, doubts[0], found
    return COUNTED, "", found


@dataclass(frozen=True)
class _Maximum:
    """A place that is higher than all about it, and how high the way out of it leads at least (`saddle`)."""

    row: int
    column: int
    height: float
    saddle: float
    beside: float
    """Height of what the saddle leads to; infinite where that is the outside."""

    @property
    def outwards(self) -> bool:
        return self.beside == math.inf


def _persistent(rise: FloatImage, outside: Mask, least: float) -> list[_Maximum]:
    """The maxima that rise by `least` over their highest saddle, by merging regions from the highest pixel down."""
    height, width = rise.shape
    flat = rise.ravel()
    inner = np.flatnonzero(~outside.ravel() & (flat > 0))
    order = inner[np.argsort(-flat[inner], kind="stable")]
    border = height * width
    parent = {border: border}
    top = {border: (math.inf, border)}
    found = []

    def root(node: int) -> int:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    beyond = outside.ravel()
    for node in map(int, order):
        value = float(flat[node])
        parent[node] = node
        top[node] = (value, node)
        row, column = divmod(node, width)
        for r in (row - 1, row, row + 1):
            for c in (column - 1, column, column + 1):
                beside = r * width + c
                if beside == node:
                    continue
                # The outside is met at its own height: a dark rim parts a reflection from it.
                other = border if beyond[beside] and flat[beside] >= value else beside
                if other not in parent:
                    continue
                one, two = root(node), root(other)
                if one == two:
                    continue
                if top[one][0] > top[two][0]:
                    one, two = two, one
                peak, place = top[one]
                if peak - value >= least:
                    found.append(_Maximum(place // width, place % width, peak, value, top[two][0]))
                parent[one] = two
    for node in {root(node) for node in parent} - {border}:
        peak, place = top[node]
        if peak >= least:
            found.append(_Maximum(place // width, place % width, peak, 0.0, math.inf))
    return sorted(found, key=lambda maximum: -maximum.height)


def _grain(values: FloatImage) -> float:
    """Deviation of noise and of the iris's own rays: reflections add light, so that of the lower values."""
    if values.size < 20:
        return 0.0
    # Three and one tenth of a normal distribution lie 0.757 deviations apart.
    low, high = np.quantile(values, (0.1, 0.3))
    return float(high - low) / 0.757


def _catchlights(
    patch: IrisPatch, rise: FloatImage, tone: float, lids: Mask, smeared: float
) -> tuple[list[dict[str, Any]], list[str], float]:
    """The catchlights, the strongest first; why one is not sure of them; from which rise on a faint one is told.

    A lamp that is faint in the eye is a large one (its light is spread over the angle that it fills), so what rises
    little must stand out where the rays of the iris are smoothed away.
    """
    found: list[dict[str, Any]] = []
    doubts: list[str] = []
    outside = patch.away > 1.0
    plain = (patch.away > 0.55) & (patch.away < 0.86) & ~ndimage.binary_dilation(lids, disc(3.0))
    core, small = disc(2.5), patch.step < _SMALL
    blur = smeared * RADIUS
    sigma = math.sqrt(max(_SOFT**2 - blur**2, 0.8**2))
    soft = _softened(rise, patch.wall, sigma)
    taken = np.zeros_like(outside)
    regions: list[tuple[Mask, float]] = []
    grain = 0.0
    sure = least = max(_BRIGHT, 6 * patch.noise / tone, 5 * _grain(rise[plain]))
    for light in (rise, soft):
        if light is soft:
            grain = _grain(soft[plain & ~taken])
            shoulder = _SHOULDER if small else max(_SHOULDER, 2.5 * grain)
            sure, least = max(_CLEAR, 6.0 * grain), max(_DOUBTFUL * _CLEAR, 4.2 * grain)
        for maximum in _persistent(light, outside, least if light is rise else shoulder):
            over = maximum.height - maximum.saddle
            parted = over / maximum.height
            if taken[maximum.row, maximum.column]:
                continue
            if over < least:
                beside, height = (1.5 * sure, least) if small else (_BRIGHT, sure)
                glows = beside < maximum.beside < math.inf and over > _GLOW * maximum.beside
                if glows and maximum.height > height:
                    doubts.append(_MERGED)
                elif over > max(_IN_PUPIL, 3 * grain) and patch.away[maximum.row, maximum.column] < 0.2:
                    doubts.append(_FAINT)
                continue
            if lids[maximum.row, maximum.column]:
                if over >= sure and parted > _PARTED:
                    doubts.append(_TOUCHES)
                continue
            region = _about(maximum, light, outside, 0.5)
            weight = light[region]
            right = float((patch.right[region] * weight).sum() / weight.sum())
            up = float((patch.up[region] * weight).sum() / weight.sum())
            radius = math.hypot(right, up)
            if parted < _PARTED / 2:
                continue
            if radius > _EDGE:
                if over >= max(sure, 1.0) and parted > _PARTED:
                    doubts.append(_AT_EDGE)
                continue
            if over < sure:
                doubts.append(_FAINT)
                continue
            if parted < _PARTED:
                doubts.append(_TOUCHES if maximum.outwards else _MERGED)
                continue
            blurred = math.hypot(blur, sigma) if light is soft else blur
            if _edge_width(maximum, light, outside) > _SOFT_EDGE * blurred:
                doubts.append(_UNCLEAR)
            regions.append((region, maximum.height))
            longer = _longer(_about(maximum, light, outside, 0.25))
            if light is soft and _longer(region) > _LONG_WHERE_FAINT:
                doubts.append(_UNCLEAR)
            if small and longer > (_LONG if patch.step > _TINY else _LONG_WHERE_TINY):
                doubts.append(_ELONGATED)
            found.append(
                {
                    "clock": None if radius < 0.1 else round(clock_of(right, up), 2),
                    "radius": round(radius, 3),
                    "size": round(math.sqrt(float(region.sum()) / math.pi) / RADIUS, 3),
                    "strength_stops": round(math.log2(1 + maximum.height), 2),
                    "right": round(right, 3),
                    "up": round(up, 3),
                }
            )
        for region, _height in regions:
            taken |= ndimage.binary_dilation(region, core)
    whole = np.zeros_like(taken)
    for region, height in regions:
        whole |= ndimage.binary_dilation(region, disc(_skirt(height / sure, math.hypot(blur, sigma))))
    marks, _ = ndimage.label((soft > sure) & ~whole & ~ndimage.binary_dilation(lids, disc(2.0 + 1.5 * blur)))
    sizes = np.bincount(marks.ravel())
    # What goes on to the outside is a lid.
    sizes[marks[patch.away > 0.9]] = 0
    if sizes[1:].size and sizes[1:].max() > _REST * RADIUS**2:
        doubts.append(_UNCLEAR)
    return sorted(found, key=lambda one: -one["strength_stops"]), doubts, sure


def _about(maximum: _Maximum, light: FloatImage, outside: Mask, share: float) -> Mask:
    """What hangs together with a maximum, is higher than a share of it, and higher than its saddle."""
    marks, _ = ndimage.label((light > max(maximum.saddle, share * maximum.height)) & ~outside)
    about: Mask = marks == marks[maximum.row, maximum.column]
    return about


def _edge_width(maximum: _Maximum, light: FloatImage, outside: Mask) -> float:
    """How far it is from three quarters of a reflection's height down to half of it, as radii of discs of those areas."""
    inner, outer = (float(_about(maximum, light, outside, share).sum()) for share in (0.75, 0.5))
    return math.sqrt(outer / math.pi) - math.sqrt(inner / math.pi)


def _skirt(ratio: float, blur: float) -> float:
    """How far beyond its half height a blurred edge of `ratio` rises above one."""
    return 1.0 + blur * math.sqrt(2 * math.log(max(ratio / 2, 1.65)))


def _longer(region: Mask) -> float:
    """How much longer than wide a reflection is."""
    rows, columns = np.nonzero(region)
    down, across = rows - rows.mean(), columns - columns.mean()
    # The variance of a pixel's own square.
    a, c = float((down * down).mean()) + 1 / 12, float((across * across).mean()) + 1 / 12
    middle, turn = (a + c) / 2, math.hypot((a - c) / 2, float((down * across).mean()))
    return math.sqrt((middle + turn) / (middle - turn))


def _softened(rise: FloatImage, wall: Mask, sigma: float) -> FloatImage:
    """The rise smoothed, without what is beyond the wall."""
    inside = np.asarray(~wall, np.float32)
    share = ndimage.gaussian_filter(inside, sigma, mode="nearest", truncate=3.0)
    soft = ndimage.gaussian_filter(rise * inside, sigma, mode="nearest", truncate=3.0)
    softened: FloatImage = np.where(wall, 0, soft / np.maximum(share, 0.05))
    return softened
