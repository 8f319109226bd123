"""Lamps mirrored in an eye: where a sphere shows them, in closed form, and drawn patches of an eye of which all is known.

The eye's front is a sphere (the cornea) before a disc (the iris). Scene coordinates are those of `simulated_set`: metres,
x to the right as seen, y up, z from the sitter to the camera; angles on the floor are counted from the camera's side.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.simulated_set import FACE_HEIGHT_M, Light, Triple
from glassine.tasks.imaging.simulated_surface import Field, blurred, colour32, ramp, random_line, sample_line

Vector = NDArray[np.float64]

CORNEA_MM = 7.8
"""Radius of the cornea's front: Drasdo and Fowler 1974 (as Aguirre's gkaModelEye, `+drasdo/cornea.m`, gives it); 7.77 mm
in Atchison 2006, table 1 (as quoted there)."""
IRIS_MM = 5.85
"""Radius of the iris as seen, half of 11.7 mm: the mean width of the cornea in Rüfer and others 2005, from memory."""
MIRRORED = 0.025
"""Share of the light that a cornea mirrors, met square: Fresnel's equation at an index of 1.376."""
CAMERA_M = 2.0
"""How far the camera is, where nobody says: own choice; from 1 m to 10 m no place moves by more than 0.005."""
_RIM_MM = math.sqrt(CORNEA_MM**2 - IRIS_MM**2)
"""How far before the cornea's centre its rim lies, and, in this model, the disc of the iris."""


@dataclass(frozen=True)
class Reflection:
    """Where a lamp is seen in an eye.

    `right` and `up` are counted from the middle of the iris in the upright picture, `size` is the mean reach from its
    middle to its rim; all in units of the iris's radius.
    """

    name: str
    right: float
    up: float
    size: float

    @property
    def radius(self) -> float:
        """How far from the middle of the iris: 0 in the middle, 1 at the rim."""
        return math.hypot(self.right, self.up)

    @property
    def clock(self) -> float:
        """The hour on a clock's face, [0, 12): 0 is twelve, straight up."""
        return clock_of(self.right, self.up)


def clock_of(right: float, up: float) -> float:
    """The hour [0, 12) at which a place lies about the middle: 0 is twelve, straight up; 3 is to the right as seen.

    Examples
    --------
    >>> clock_of(1.0, 0.0), clock_of(0.0, -1.0)
    (3.0, 6.0)
    """
    hour = math.degrees(math.atan2(right, up)) / 30 % 12
    return 0.0 if hour == 12 else hour


def hours_apart(one: float, other: float) -> float:
    """The shorter way between two hours, [0, 6].

    Examples
    --------
    >>> hours_apart(11.5, 0.5)
    1.0
    """
    away = abs(one - other) % 12
    return min(away, 12 - away)


def mirror_place(camera: Vector, light: Vector, centre: Vector, radius: float) -> Vector | None:
    """The point of a sphere at which a camera sees a light mirrored.

    Parameters
    ----------
    camera, light, centre : float64, (3,), any one unit of length
    radius : of the sphere, the same unit

    Returns
    -------
    float64, (3,), on the sphere; None where the light is hidden behind the sphere, so that nothing of it is mirrored.

    Raises
    ------
    CallError
        W001 where the camera or the light lies within the sphere.

    Notes
    -----
    Camera, light, centre and point lie in one plane, and the normal halves the angle between the two rays (law of
    reflection). With the normal turned by an angle from the camera towards the light, the angle of incidence from the
    camera grows and that from the light falls: one zero, bisected to less than 1e-12 radians.
    """
    to_camera, to_light = camera - centre, light - centre
    far, lit = float(np.linalg.norm(to_camera)), float(np.linalg.norm(to_light))
    if min(far, lit) <= radius:
        raise CallError("W001", "A camera or a light within the eye: give its distance in metres.")
    first = to_camera / far
    across = to_light - float(to_light @ first) * first
    length = float(np.linalg.norm(across))
    if length <= 1e-12 * lit:
        return centre + radius * first if float(to_light @ first) > 0 else None
    second = across / length
    between = math.atan2(length, float(to_light @ first))
    # Each sees its own side of the sphere only; a point that both see is there if these overlap.
    if between >= math.acos(radius / far) + math.acos(radius / lit):
        return None

    def incidence(distance: float, turned: float) -> float:
        return math.atan2(distance * math.sin(turned), distance * math.cos(turned) - radius)

    low, high = 0.0, between
    while high - low > 1e-13:
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if incidence(far, middle) < incidence(lit, between - middle):
            low = middle
        else:
            high = middle
    turned = (low + high) / 2
    return centre + radius * (math.cos(turned) * first + math.sin(turned) * second)


def light_place(
    azimuth_degrees: float, height_m: float, distance_m: float, eye_height_m: float = FACE_HEIGHT_M
) -> Vector:
    """Where a light stands, seen from the eye at the origin: float64, (3,), metres.

    Parameters
    ----------
    azimuth_degrees : on the floor, from the camera's side: 0 by the lens, -90 camera left, 180 behind the sitter
    height_m, eye_height_m : over the floor
    distance_m : from the eye to the light, as a tape measures it; where it is less than the difference of heights the
        light is straight above or below
    """
    rise = float(np.clip((height_m - eye_height_m) / distance_m, -1.0, 1.0))
    level, bearing = math.sqrt(1 - rise**2), math.radians(azimuth_degrees)
    return distance_m * np.array([level * math.sin(bearing), rise, level * math.cos(bearing)])


def reflection(
    name: str,
    light: Vector,
    size_m: float = 0.0,
    *,
    camera_m: float = CAMERA_M,
    gaze_degrees: tuple[float, float] = (0.0, 0.0),
) -> Reflection | None:
    """Where the camera sees a light in an eye at the origin.

    Parameters
    ----------
    light : float64, (3,), metres, from the middle of the cornea's sphere
    size_m : how wide it is
    camera_m : how far the camera is, straight before the eye
    gaze_degrees : where the eye looks, from the camera: to the right as seen, up

    Returns
    -------
    The reflection; None where it lies beyond the cornea's rim or on no side that the camera sees. Lids are not asked.
    """
    camera, centre = np.array([0.0, 0.0, camera_m]), np.zeros(3)
    sight = _sight(gaze_degrees)

    def seen(place: Vector) -> Vector:
        flat: Vector = place[:2] * camera_m / (camera_m - place[2])
        return flat

    met = mirror_place(camera, light, centre, CORNEA_MM / 1000)
    if met is None or float(met @ sight) < _RIM_MM / 1000:
        return None
    middle = seen(sight * _RIM_MM / 1000)
    unit = IRIS_MM / 1000 * camera_m / (camera_m - float(sight[2]) * _RIM_MM / 1000)
    right, up = (seen(met) - middle) / unit
    reach = []
    if size_m > 0:
        side = np.cross(light, [0.0, 1.0, 0.0] if abs(light[1]) < 0.9 * np.linalg.norm(light) else [1.0, 0.0, 0.0])
        side /= np.linalg.norm(side)
        above = np.cross(side, light / np.linalg.norm(light))
        for way in (side, -side, above, -above):
            rim = mirror_place(camera, light + way * size_m / 2, centre, CORNEA_MM / 1000)
            reach.append(0.0 if rim is None else float(np.linalg.norm((seen(rim) - seen(met)) / unit)))
    return Reflection(name, float(right), float(up), float(np.mean(reach)) if reach else 0.0)


def predicted(
    lights: Sequence[Mapping[str, Any]], *, eye_height_m: float = FACE_HEIGHT_M, camera_m: float = CAMERA_M
) -> list[Reflection]:
    """Where the lights of a set-up should be seen in an eye that looks into the lens.

    Parameters
    ----------
    lights : [{"name", "azimuth_degrees", "height_m", "distance_m", "size_m" (optional)}, ...], as `light_place` counts

    Returns
    -------
    Those that are seen, in the order given: a light behind the sitter is not among them.

    Raises
    ------
    CallError
        W001 where a light's numbers are missing or a distance is not above zero.
    """
    found = []
    for lamp in lights:
        try:
            numbers = [float(lamp[key]) for key in ("azimuth_degrees", "height_m", "distance_m")]
        except (KeyError, TypeError, ValueError):
            raise CallError(
                "W001", f"The light “{lamp.get('name', '')}” needs azimuth_degrees, height_m and distance_m as numbers."
            ) from None
        if not all(map(math.isfinite, numbers)) or numbers[2] <= CORNEA_MM / 1000:
            raise CallError("W001", f"The light “{lamp.get('name', '')}” needs a distance in metres above zero.")
        there = light_place(numbers[0], numbers[1], numbers[2], eye_height_m)
        met = reflection(str(lamp["name"]), there, float(lamp.get("size_m") or 0.0), camera_m=camera_m)
        if met is not None:
            found.append(met)
    return found


def _sight(gaze_degrees: tuple[float, float]) -> Vector:
    right, up = (math.radians(angle) for angle in gaze_degrees)
    return np.array([math.cos(up) * math.sin(right), math.sin(up), math.cos(up) * math.cos(right)])


@dataclass(frozen=True)
class DrawnEye:
    """An eye to draw. Tones are light on the sensor at nominal exposure, 1.0 saturates; lengths are iris radii.

    `lid_above` and `lid_below` say how high over and how far under the middle of the iris the lids' edges are (1: they
    touch its rim; both 0: shut). `room` is the veil that walls and ceiling leave on the cornea.
    """

    lamps: tuple[Light, ...] = ()
    iris: Triple = (0.06, 0.05, 0.04)
    white: Triple = (0.34, 0.31, 0.29)
    skin: Triple = (0.30, 0.20, 0.15)
    pupil: float = 0.35
    lid_above: float = 0.8
    lid_below: float = 0.95
    gaze_degrees: tuple[float, float] = (0.0, 0.0)
    texture: float = 0.15
    room: float = 0.004
    seed: int = 0

    def lid_edges(self, right: Field) -> tuple[Field, Field]:
        """Heights of the upper and the lower lid's edge at places across the eye."""
        bend = 0.13 * right**2
        return self.lid_above - bend * (1.2 if self.lid_above > 0 else 0), bend * 0.9 - self.lid_below

    def shown(self, lamp: Light) -> Reflection | None:
        """Where a lamp is seen, as `reflection` says it; None where a lid covers its middle, or it did not fire."""
        if not lamp.fired or lamp.on_backdrop:
            return None
        place = lamp.towards * lamp.distance_m
        met = reflection(lamp.name, place, lamp.size_m, gaze_degrees=self.gaze_degrees)
        return None if met is None or self.covered(met) else met

    def strength(self, lamp: Light, sigma: float = 0.0) -> float:
        """How far a lamp's reflection rises over the iris, as a share of the iris's tone, behind a blur.

        `sigma` is the blur's deviation in iris radii. In the middle of a disc of radius s a Gaussian blur leaves
        1 - exp(-s² / 2 sigma²) of it.
        """
        place = lamp.towards * lamp.distance_m
        met = reflection(lamp.name, place, lamp.size_m, gaze_degrees=self.gaze_degrees)
        if met is None:
            return 0.0
        left = 1.0 if sigma == 0 else 1 - math.exp(-((met.size / sigma) ** 2) / 2)
        tone = 0.2880 * self.iris[0] + 0.7119 * self.iris[1] + 0.0001 * self.iris[2]
        return MIRRORED * lamp.power / math.sin(lamp.angular_radius) ** 2 / tone * left

    def covered(self, met: Reflection) -> bool:
        """Whether a lid covers the middle of a reflection."""
        above, below = self.lid_edges(np.array(met.right, np.float32))
        return not float(below) < met.up < float(above)


def draw_eye(eye: DrawnEye, iris_px: float, *, off: tuple[float, float] = (0.0, 0.0), stops: float = 0.0,
             blur_px: float = 0.7, noise: float = 0.0, noise_seed: int = 0) -> FloatImage:  # fmt: skip
    """Draw a patch of skin, lids and eye, with the lamps mirrored in it ray by ray.

    Parameters
    ----------
    iris_px : width of the iris, px
    off : how far the middle of the iris lies right of and below the middle of the patch, px
    stops : exposure against nominal; what passes 1.0 is clipped
    blur_px : of lens and sensor, the deviation of a Gaussian, px
    noise : deviation at 18 % grey, as a share of it; shot noise, with a floor of a tenth of it; of `noise_seed`

    Returns
    -------
    float32, (H, W, 3), [0, 1], linear light; H = W, odd, 2.3 iris widths: the middle pixel's middle is the patch's.
    Same input, same bytes.

    Notes
    -----
    A lamp's reflection has its light over the angle that it fills, times `MIRRORED`: a white of 1.0 facing the lamp of
    angular radius a gives the lamp a luminance of 1 / sin² a in the same measure (Lambert's law). The camera is taken
    as far away here, which the closed form does not: they check each other.
    """
    fine = int(np.clip(round(96 / iris_px), 1, 8))
    side = 2 * round(1.15 * iris_px) + 1
    place = (np.arange(side * fine) + 0.5) / fine - side / 2
    unit = iris_px / 2
    right = ((place - off[0]) / unit)[np.newaxis, :].astype(np.float32) + np.zeros((side * fine, 1), np.float32)
    up = -((place - off[1]) / unit)[:, np.newaxis].astype(np.float32) + np.zeros((1, side * fine), np.float32)
    above, below = eye.lid_edges(right)
    light = _eyeball(eye, right, up) * (0.45 + 0.55 * ramp(above - up, 0.0, 0.45))[..., np.newaxis]
    light += _mirrored(eye, right, up)[..., np.newaxis]
    lashes = np.exp(-(((up - above - 0.02) / 0.07) ** 2)) * 0.8
    grain = sample_line(random_line(eye.seed + 2, 64), 3 * right) * 0.02
    open_ = (up < above) & (up > below)
    skin = colour32(eye.skin) * (1 + grain - lashes)[..., np.newaxis]
    light = np.where(open_[..., np.newaxis], light, skin)
    light = blurred(light, blur_px * fine)
    light = light.reshape(side, fine, side, fine, 3).mean(axis=(1, 3), dtype=np.float32) * np.float32(2.0**stops)
    if noise > 0:
        draw = np.random.Generator(np.random.Philox(noise_seed))
        spread = 0.18 * noise * np.sqrt(np.maximum(light, 0) / 0.18 + 0.01)
        light = light + draw.standard_normal(light.shape, np.float32) * spread.astype(np.float32)
    clipped: FloatImage = np.clip(light, 0, 1).astype(np.float32)
    return clipped


def _eyeball(eye: DrawnEye, right: Field, up: Field) -> Field:
    """White, iris with its rays and dark rim, pupil; the disc of the iris is seen at a slant where the eye looks away."""
    sight = _sight(eye.gaze_degrees)
    sideways = np.arctan2(sight[1], sight[0])
    slant = float(sight[2])
    along = right * np.cos(sideways) + up * np.sin(sideways)
    across = up * np.cos(sideways) - right * np.sin(sideways)
    away = np.hypot(along / slant, across).astype(np.float32)
    angle = np.arctan2(up, right)
    rays = sample_line(random_line(eye.seed, 70), (angle / (2 * np.pi) + 0.5) * 70)
    gathered = 1.0
    if eye.lamps:
        main = eye.lamps[0].towards
        gathered = 1 - 0.3 * (right * main[0] + up * main[1])
    tone = (1 + eye.texture * rays * ramp(away, eye.pupil, eye.pupil + 0.3)) * gathered
    iris = colour32(eye.iris) * np.clip(tone, 0.4, 2.0)[..., np.newaxis].astype(np.float32)
    ball = colour32(eye.white) * (1 - 0.10 * (right**2 + up**2))[..., np.newaxis].clip(0.4)
    light: Field = ball + ramp(away, 1.04, 0.98)[..., np.newaxis] * (iris - ball)
    rim = 0.6 * np.exp(-(((away - 0.97) / 0.08) ** 2))
    dark = np.maximum(rim, ramp(away, eye.pupil + 0.03, eye.pupil - 0.03))[..., np.newaxis]
    return np.asarray(light + dark * (np.float32(0.003) - light), np.float32)


def _mirrored(eye: DrawnEye, right: Field, up: Field) -> Field:
    """What the cornea mirrors: room and lamps; only its own share of the picture, within its rim."""
    sight = _sight(eye.gaze_degrees)
    scale = IRIS_MM / CORNEA_MM
    x = right * np.float32(scale) + np.float32(sight[0] * _RIM_MM / CORNEA_MM)
    y = up * np.float32(scale) + np.float32(sight[1] * _RIM_MM / CORNEA_MM)
    z = np.sqrt(np.clip(1 - x**2 - y**2, 0, None))
    towards = (2 * z * x, 2 * z * y, 2 * z**2 - 1)
    inside = ramp(x * sight[0] + y * sight[1] + z * sight[2], _RIM_MM / CORNEA_MM - 0.01, _RIM_MM / CORNEA_MM)
    glow = np.float32(eye.room) * (1 + 0.6 * towards[1])
    for lamp in eye.lamps:
        if not lamp.fired or lamp.on_backdrop:
            continue
        middle, reach = lamp.towards, lamp.angular_radius
        aside = np.cross([0.0, 1.0, 0.0], middle)
        aside /= np.linalg.norm(aside)
        over = np.cross(middle, aside)
        u, v, front = (sum(towards[i] * axis[i] for i in range(3)) for axis in (aside, over, middle))
        front = np.maximum(front, 1e-3)
        away = np.maximum(np.abs(u), np.abs(v)) if lamp.shape == "square" else np.hypot(u, v)
        edge = math.tan(reach)
        lit = ramp(np.where(front > 1e-3, away / front, 9.0), edge * 1.06, edge * 0.94)
        glow = glow + lit * np.float32(MIRRORED * lamp.power / math.sin(reach) ** 2)
    return np.asarray(glow * inside, np.float32)
