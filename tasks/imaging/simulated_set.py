"""What stands before the simulated camera: lamps by plan, a sitter and a pose, as plain values.

Everything here is an invention, chosen by eye; the proportions of head and body are from memory, common practice of
figure drawing. Coordinates are right-handed; a head is one unit high (0.23 m): x to the right, y up, z to the camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Triple = tuple[float, float, float]

HEAD_M = 0.23
"""Height of a head, chin to crown: what a unit is in metres."""
FACE_HEIGHT_M = 1.35
"""Height of the sitter's face over the floor; the sitters sit on a stool."""
HEAD_CENTRE = (0.0, 0.30, 0.0)
_PIVOT = (0.0, -0.38, -0.10)
"""Where the neck bends, in the head's own axes."""
EYE_CENTRE = (0.140, 0.0, 0.292)
"""Centre of the right eyeball (as seen), in the head's own axes; the other is at -x."""
EYE_RADIUS = 0.074
MARK = (0.205, -0.215)
"""Where the mark on the skin is: arc and height on the face, as `simulated_face` counts them."""


@dataclass(frozen=True)
class Light:
    """A lamp by plan: where it stands, how large and bright it is, and whether it fired.

    `bearing_degrees` is counted on the floor, from the camera's side: 0 by the lens, -90 camera left, 180 behind.
    `stops` is what it gives where it is aimed: at 0, a white that faces the lamp reaches 1.0 and 18 % grey 0.18.
    """

    name: str
    bearing_degrees: float
    height_m: float
    distance_m: float
    size_m: float
    stops: float
    modifier: str
    purpose: str
    shape: str = "round"
    tint: Triple = (1.0, 1.0, 1.0)
    on_backdrop: bool = False
    fired: bool = True

    @property
    def power(self) -> float:
        """Light on a surface that faces the lamp; 0 where it did not fire."""
        return 2.0**self.stops if self.fired else 0.0

    @property
    def towards(self) -> NDArray[np.float64]:
        """Unit vector from the sitter's face to the lamp."""
        rise = float(np.clip((self.height_m - FACE_HEIGHT_M) / self.distance_m, -0.95, 0.95))
        level, bearing = math.sqrt(1 - rise**2), math.radians(self.bearing_degrees)
        return np.array([level * math.sin(bearing), rise, level * math.cos(bearing)])

    @property
    def angular_radius(self) -> float:
        """Half the angle that the lamp fills as the sitter sees it, radians: the larger, the softer its shadow."""
        return math.atan(self.size_m / 2 / self.distance_m)

    @property
    def place(self) -> str:
        """Where it stands, in words."""
        bearing = (self.bearing_degrees + 180) % 360 - 180
        side = "camera left" if bearing < 0 else "camera right"
        if abs(bearing) < 8:
            where = "by the lens"
        elif abs(bearing) > 172:
            where = "behind the sitter"
        elif abs(bearing) > 100:
            where = f"behind, {side}, {abs(bearing):.0f}°"
        else:
            where = f"{side}, {abs(bearing):.0f}°"
        return f"{where}, on the background" if self.on_backdrop else where


@dataclass(frozen=True)
class Lighting:
    """The lamps of a set-up and its background; `backdrop_m` is how far behind the sitter it is."""

    lamps: tuple[Light, ...]
    backdrop: Triple = (0.17, 0.165, 0.16)
    backdrop_m: float = 2.0
    spill: float = 0.05
    """Share of the light that comes back from floor and walls."""

    def lamp(self, name: str) -> Light:
        """The lamp of a name; KeyError where there is none."""
        return {lamp.name: lamp for lamp in self.lamps}[name]

    def without(self, name: str) -> Lighting:
        """The same, but this lamp did not fire."""
        self.lamp(name)
        return replace(
            self, lamps=tuple(replace(lamp, fired=False) if lamp.name == name else lamp for lamp in self.lamps)
        )


HARD = Lighting(
    (
        Light("main", -48, 2.1, 1.4, 0.55, 0.10, "beauty dish, 55 cm", "shape of the face"),
        Light("fill", 24, 1.55, 2.4, 1.2, -3.9, "octagonal softbox, 120 cm", "opens the shadows", tint=(0.92, 0.97, 1.05)),
        Light("rim", 146, 2.0, 1.9, 0.3, 1.0, "strip softbox with grid, 30 × 120 cm", "parts the hair from the ground", "square", (1.03, 1.0, 0.95)),
        Light("ground", 165, 1.2, 1.8, 0.18, -0.6, "reflector with grid, 20°", "a pool of light behind the head", on_backdrop=True),
    ),
    spill=0.02,
)  # fmt: skip
"""A hard main light from camera left, little fill, a rim light: the light that scenes have unless they say otherwise."""


@dataclass(frozen=True)
class Sitter:
    """Who sits: reflectances in linear sRGB primaries, and shares [0, 1] of what a face may have."""

    skin: Triple = (0.50, 0.30, 0.215)
    hair: Triple = (0.060, 0.036, 0.024)
    shirt: Triple = (0.30, 0.34, 0.38)
    apron: Triple | None = (0.105, 0.052, 0.026)
    iris: Triple = (0.10, 0.13, 0.15)
    lips: float = 0.5
    beard: float = 0.0
    stubble: float = 0.0
    age: float = 0.2
    head_width: float = 1.0
    jaw: float = 0.5
    nose: float = 0.5
    brow: float = 0.5
    neck: float = 0.215
    hair_style: str = "short"
    """"short", "cropped", "long" (to the shoulders), "tied" (back, off the face)."""
    parting: float = -0.45
    glasses: bool = False
    collar: str = "shirt"
    """"shirt" (open at the neck) or "crew"."""


@dataclass(frozen=True)
class Scene:
    """One moment in front of the camera; `seed` fixes texture, and stays for one sitter.

    `zoom` and `look_at` frame it: the picture is 2 / zoom units wide, around a place.
    """

    sitter: Sitter = Sitter()
    lighting: Lighting = HARD
    turn_degrees: float = 12.0
    tilt_degrees: float = 3.0
    nod_degrees: float = 0.0
    body_degrees: float = 14.0
    smile: float = 0.3
    gaze: tuple[float, float] = (0.0, 0.0)
    eyes_open: float = 1.0
    catchlights: tuple[bool, bool] = (True, True)
    instrument: bool = False
    zoom: float = 1.22
    look_at: tuple[float, float] = (0.0, 0.0)
    defocus_px: float = 0.0
    skin_mark: bool = False
    stray_hair: bool = False
    lint: bool = False
    stand_shadow: bool = False
    seed: int = 0


def pose_matrix(scene: Scene) -> NDArray[np.float64]:
    """Rotation from the head's own axes to the scene's: nod, then turn, then tilt."""
    nod, turn, tilt = np.radians([scene.nod_degrees, scene.turn_degrees, scene.tilt_degrees])
    about_x = np.array([[1, 0, 0], [0, np.cos(nod), -np.sin(nod)], [0, np.sin(nod), np.cos(nod)]])
    about_y = np.array([[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]])
    about_z = np.array([[np.cos(tilt), -np.sin(tilt), 0], [np.sin(tilt), np.cos(tilt), 0], [0, 0, 1]])
    matrix: NDArray[np.float64] = about_z @ about_y @ about_x
    return matrix


def head_origin(scene: Scene) -> NDArray[np.float64]:
    """Scene coordinates of the middle of the head, which moves when the neck bends."""
    origin: NDArray[np.float64] = np.array(HEAD_CENTRE) + np.array(_PIVOT) - pose_matrix(scene) @ np.array(_PIVOT)
    return origin


def from_head(scene: Scene, place: Triple | NDArray[np.float64]) -> NDArray[np.float64]:
    """Scene coordinates of a place in the head's own axes."""
    found: NDArray[np.float64] = pose_matrix(scene) @ np.asarray(place) + head_origin(scene)
    return found


def on_picture(scene: Scene, place: NDArray[np.float64], width: int, height: int) -> tuple[float, float]:
    """Where a place of the scene lies in the picture: pixels from the left and from the top."""
    scale = scene.zoom * width / 2
    return (
        float(width / 2 + (place[0] - scene.look_at[0]) * scale),
        float(height / 2 - (place[1] - scene.look_at[1]) * scale),
    )
