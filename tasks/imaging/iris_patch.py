"""A marked eye at a fixed size: where its iris ends, what lids hide of it, and how far light rises over it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import ndimage

from glassine.tasks.imaging.bit_depth import FloatImage, check_finite
from glassine.tasks.imaging.icc_profile import check_colour, luminance
from glassine.tasks.imaging.region import Mask

RADIUS = 24.0
"""Of the iris, in pixels of the patch."""
_REACH = 40
_FINEST_PX = 120.0
"""Radius of an iris from which only every second (third, ...) pixel of the picture is looked at."""
_MARK_OFF = 0.10
"""How far a click may be off, in iris radii; the rim is looked for that far."""
_INNER, _WALL = 0.76, 0.94
"""Inside of the one, nothing under a reflection is lighter than the iris; outside of the other, left and right, is the
rim, taken as dark: it parts a reflection from the white."""
_BROAD = 0.3
"""Radius of the widest disc that a lid has room for wherever it covers the iris. All numbers here: own choice, tuned on
drawn eyes (tests)."""


@dataclass(frozen=True)
class IrisPatch:
    """The light about an iris, resampled: the patch's middle is the iris's, `RADIUS` its radius.

    `light` is luminance, `right` and `up` are places in iris radii from the middle, all float32, (H, W); `noise` is the
    deviation of the light's noise in the patch, `step` the picture's pixels to one of the patch.
    """

    light: FloatImage
    right: FloatImage
    up: FloatImage
    noise: float
    step: float

    @cached_property
    def away(self) -> FloatImage:
        """Distance from the middle, in iris radii."""
        away: FloatImage = np.hypot(self.right, self.up)
        return away

    @cached_property
    def wall(self) -> Mask:
        """Left and right, from just inside the rim."""
        return (np.abs(self.up) < 1.3 * np.abs(self.right)) & (self.away > _WALL)

    @cached_property
    def sides(self) -> Mask:
        """Left and right of the middle, where lids reach last."""
        return np.abs(self.up) < 0.62 * np.abs(self.right)

    def ring(self, inner: float, outer: float) -> Mask:
        """The sides between two distances from the middle."""
        return self.sides & (self.away > inner) & (self.away < outer)


def cut_patch(linear: FloatImage, x: float, y: float, radius: float) -> IrisPatch:
    """Cut the light about an iris out of a picture, at a fixed size.

    Parameters
    ----------
    linear : float32, (H, W, 3), scene-linear ROMM RGB, D50
    x, y, radius : middle and radius of the iris, pixels from the picture's upper left corner

    Returns
    -------
    The patch; beyond the picture's border its last pixels go on.

    Raises
    ------
    FrameError
        P002 where `linear` is no such picture, or holds NaN or an infinite value there.
    """
    check_colour(linear)
    skipped = max(1, math.floor(radius / _FINEST_PX))
    linear = linear[::skipped, ::skipped]
    x, y, radius = (x - 0.5) / skipped + 0.5, (y - 0.5) / skipped + 0.5, radius / skipped
    height, width = linear.shape[:2]
    reach = math.ceil(radius * (_REACH + 2) / RADIUS) + 3
    left, top = math.floor(x) - reach, math.floor(y) - reach
    rows = np.clip(np.arange(top, top + 2 * reach + 1), 0, height - 1)
    columns = np.clip(np.arange(left, left + 2 * reach + 1), 0, width - 1)
    light = luminance(np.ascontiguousarray(linear[np.ix_(rows, columns)]))
    check_finite(light)
    step = radius / RADIUS
    noise = _noise_of(light, reach, radius)
    if step > 1:
        light = ndimage.gaussian_filter(light, 0.45 * step, mode="nearest", truncate=3.0)
        noise /= 1.6 * step
    span = np.arange(-_REACH, _REACH + 1) * step
    # A pixel's value is that of its middle.
    across, down = span + (x - left - 0.5), span + (y - top - 0.5)
    sampled: FloatImage = ndimage.map_coordinates(
        light, np.meshgrid(down, across, indexing="ij"), order=1, mode="nearest"
    )
    up, right = np.meshgrid(-span / radius, span / radius, indexing="ij")
    return IrisPatch(
        np.maximum(sampled, 0), np.asarray(right, np.float32), np.asarray(up, np.float32), noise, step * skipped
    )


def _noise_of(light: FloatImage, reach: int, radius: float) -> float:
    """Deviation of the noise inside the iris: from the second differences, whose median no edge moves."""
    low, high = max(reach - round(radius), 1), reach + round(radius)
    part = light[low:high, low:high]
    second = part[1:-1, 1:-1] - (part[1:-1, :-2] + part[1:-1, 2:] + part[:-2, 1:-1] + part[2:, 1:-1]) / 4
    return float(np.median(np.abs(second - np.median(second)))) * 1.4826 / math.sqrt(1.25)


def rim_offset(patch: IrisPatch) -> tuple[float, float, float]:
    """Where the rim of the iris is against the marks: right, up in radii, and by how much it is larger.

    The circle on whose left and right arcs light rises most outwards; marks count a little, so that nothing is moved
    where there is no rim.
    """
    tone = _against_white(patch)
    arcs = np.radians(np.concatenate([np.arange(-48, 33, 4), 180 - np.arange(-48, 33, 4)]))
    cos, sin = np.cos(arcs), np.sin(arcs)
    middle, step, limit = np.array([0.0, 0.0, 1.0]), _MARK_OFF / 2, 1.5 * _MARK_OFF
    for _ in range(3):
        moves = step * np.stack(np.meshgrid(*[np.arange(-2, 3)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
        tried = middle + moves
        right, up, grown = (tried[:, [axis]] for axis in range(3))
        outer, inner = (
            ndimage.map_coordinates(
                tone,
                [_REACH - RADIUS * (up + (grown + out) * sin), _REACH + RADIUS * (right + (grown + out) * cos)],
                order=1,
                mode="nearest",
            )
            for out in (0.07, -0.07)
        )
        off = tried - (0.0, 0.0, 1.0)
        score = (outer - inner).mean(axis=1, dtype=np.float64) - 2.0 * (off**2).sum(axis=1)
        score[np.abs(off).max(axis=1) > limit] = -np.inf
        middle, step = tried[int(np.argmax(score))], step / 2.5
    return float(middle[0]), float(middle[1]), float(middle[2])


def rim_rise(patch: IrisPatch) -> float:
    """How clearly the iris ends: the step of tone across its rim, on the side where it is the greater.

    In square roots of light, as a share of the white's: 0 where there is no rim, 0.2 to 0.6 where an iris is seen well.
    """
    tone = _against_white(patch)
    arcs = np.radians(np.arange(-40, 31, 4))
    steps = []
    for way in (-1, 1):
        outer, inner = (
            ndimage.map_coordinates(
                tone,
                [_REACH - RADIUS * out * np.sin(arcs), _REACH + RADIUS * out * way * np.cos(arcs)],
                order=1,
                mode="nearest",
            )
            for out in (1.1, 0.9)
        )
        steps.append(median(outer - inner))
    return max(steps)


def _against_white(patch: IrisPatch) -> FloatImage:
    """Square roots of light, smoothed: about 1 in the white, whatever the exposure."""
    white = float(np.quantile(patch.light[patch.ring(1.12, 1.4)], 0.6))
    tone: FloatImage = np.sqrt(np.clip(patch.light / max(white, 1e-4), 0, 1.1))
    return np.asarray(ndimage.gaussian_filter(tone, 1.0, mode="nearest", truncate=3.0), np.float32)


def median(values: FloatImage) -> float:
    """The middle value of many."""
    return float(np.median(values))


def disc(radius: float) -> Mask:
    """A filled circle, as the neighbourhood of a morphological step; radius in pixels."""
    reach = math.ceil(radius)
    span = np.arange(-reach, reach + 1)
    inside: Mask = np.hypot(span[:, np.newaxis], span[np.newaxis, :]) <= radius
    return inside


def lids_of(patch: IrisPatch, level: float) -> Mask:
    """What is lighter than a level and goes on to what is outside the iris: lids, and the white; bool, as the patch."""
    bright = ndimage.gaussian_filter(patch.light, 1.2, mode="nearest", truncate=3.0) > level
    bright &= ~(patch.wall & (patch.away <= 1.06))
    marks, _ = ndimage.label(bright)
    outside = np.unique(marks[(patch.away > 1.12) & bright])
    joined = np.isin(marks, outside[outside > 0])
    # What reaches narrowly into the iris is a reflection, or a ray of the iris.
    around = patch.away > _WALL
    broad: Mask = joined & ndimage.binary_opening(joined | around, disc(_BROAD * RADIUS), border_value=1)
    return broad


def smear(patch: IrisPatch) -> float:
    """Deviation of the blur of the iris's rim, in iris radii, as if it were a clean step."""
    profile = [median(patch.light[patch.ring(low, low + 0.04)]) for low in np.arange(0.60, 1.40, 0.04)]
    slopes = np.diff(profile) / 0.04
    step = max(profile) - min(profile)
    return float(step / (max(slopes.max(), 1e-6) * math.sqrt(2 * math.pi)))


def rise_over(patch: IrisPatch, lids: Mask, tone: float) -> FloatImage:
    """How far the light rises over pupil and iris, as a share of the iris's `tone`: float32, as the patch.

    What is under a reflection is taken from the ring that it lies on: the lower of it, since reflections add light;
    and no lighter than the iris, whose own slope (lids shade it, a lamp gathers in it) is taken out before.
    """
    free = ~ndimage.binary_dilation(lids, disc(2.5))
    slope = _slope_of(patch, (patch.away > 0.5) & (patch.away < 0.9) & free, tone)
    level = patch.light / slope
    distances = np.arange(0.0, 1.1, 0.05)
    ground = []
    for distance in distances:
        ring = (np.abs(patch.away - max(distance, 0.1)) < (0.035 if distance > 0.15 else 0.13)) & free
        values = level[ring]
        ground.append(float(np.quantile(values, 0.4)) if values.size > 8 else 1.0)
    # Further out, left and right, a blurred white shines in.
    capped = np.interp(patch.away, distances, np.minimum(ground, 1.0))
    beside = (patch.away > _INNER) & (np.abs(patch.up) < 0.9 * np.abs(patch.right))
    under = np.where(beside, np.interp(patch.away, distances, ground), capped) * slope
    rise: FloatImage = np.asarray((patch.light - under) / tone, np.float32)
    walled: FloatImage = np.where(patch.wall, np.minimum(rise, 0), rise)
    return walled


def _slope_of(patch: IrisPatch, where: Mask, tone: float) -> FloatImage:
    """The iris's tone over the whole patch: a surface of second order through where no reflection is.

    Weighted least squares, eight times over; what lies above the surface counts the less, the further it does.
    """
    right, up, light = patch.right[where], patch.up[where], patch.light[where]
    if light.size < 60:
        return np.full_like(patch.light, tone)
    terms = [np.ones_like(right), right, up, up * up, right * right]
    surface = np.full_like(light, np.quantile(light, 0.4))
    numbers = np.zeros(len(terms))
    for _ in range(8):
        over = (light - surface) / (0.15 * tone)
        weight = np.where(over > 0, 1 / (1 + over**2) ** 2, 1 / (1 + (over / 4) ** 2))
        sums = [[float((weight * one * other).sum()) for other in terms] for one in terms]
        numbers = np.linalg.solve(
            np.array(sums) + np.diag([0.0, 1.0, 1.0, 3.0, 3.0]) * 0.01 * sums[0][0],
            np.array([float((weight * one * light).sum()) for one in terms]),
        )
        surface = np.sum([number * term for number, term in zip(numbers, terms, strict=True)], axis=0)
    whole = [np.ones_like(patch.right), patch.right, patch.up, patch.up**2, patch.right**2]
    found = np.sum([number * term for number, term in zip(numbers, whole, strict=True)], axis=0)
    slope: FloatImage = np.asarray(np.clip(found, 0.3 * tone, 2.0 * tone), np.float32)
    return slope
