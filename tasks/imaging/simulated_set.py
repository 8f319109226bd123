"""What stands before the simulated camera: lamps, a sitter and a pose, as plain values.

Everything here is an invention, chosen by eye. Coordinates are right-handed and in half picture widths: x to the
right, y up, z towards the camera, the origin in the middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Triple = tuple[float, float, float]

HEAD_CENTRE = (0.0, 0.34, 0.0)
_HEAD_RADII = (0.375, 0.50, 0.44)
EYE_X, EYE_Y = 0.148, 0.035
"""Where the eyes are, in the head's own axes: one at -x, one at +x."""
MARK = (0.185, -0.175)
"""Where the mark on the skin is, in the head's own axes."""


@dataclass(frozen=True)
class Light:
    """A lamp: from where it shines (unit length is not needed), how much, its colour, how soft it is [0, 1].

    At 0 stops, white that faces the lamp reaches 1.0, and 18 % grey 0.18.
    """

    place: Triple
    stops: float
    tint: Triple = (1.0, 1.0, 1.0)
    softness: float = 0.2
    fired: bool = True

    @property
    def power(self) -> float:
        """Light on a surface that faces the lamp; 0 where it did not fire."""
        return 2.0**self.stops if self.fired else 0.0


@dataclass(frozen=True)
class Lighting:
    """The four lamps of a set-up: main, fill, rim (from behind), and the one on the backdrop."""

    main: Light = Light((-0.75, 0.75, 0.95), 0.15, softness=0.25)
    fill: Light = Light((0.9, 0.05, 0.9), -2.6, (0.92, 0.97, 1.05), softness=0.6)
    rim: Light = Light((0.85, 0.55, -0.6), 0.2, (1.06, 0.99, 0.88), softness=0.05)
    backdrop: Light = Light((0.35, 0.15, 0.0), -0.6, softness=0.5)


@dataclass(frozen=True)
class Sitter:
    """Who sits: reflectances in linear sRGB primaries, and a beard's density [0, 1]."""

    skin: Triple = (0.50, 0.30, 0.215)
    hair: Triple = (0.060, 0.036, 0.024)
    shirt: Triple = (0.30, 0.34, 0.38)
    apron: Triple = (0.105, 0.052, 0.026)
    iris: Triple = (0.10, 0.13, 0.15)
    beard: float = 0.0
    head_width: float = 1.0


@dataclass(frozen=True)
class Scene:
    """One moment in front of the camera; `seed` fixes texture, and stays for one sitter."""

    sitter: Sitter = Sitter()
    lighting: Lighting = Lighting()
    turn_degrees: float = 12.0
    tilt_degrees: float = 3.0
    nod_degrees: float = 0.0
    smile: float = 0.3
    gaze: tuple[float, float] = (0.0, 0.0)
    eyes_open: float = 1.0
    instrument: bool = True
    backdrop: Triple = (0.17, 0.165, 0.16)
    defocus_px: float = 0.0
    skin_mark: bool = True
    stray_hair: bool = True
    seed: int = 0


def pose_matrix(scene: Scene) -> NDArray[np.float64]:
    """Rotation from the head's own axes to the scene's: nod, then turn, then tilt."""
    nod, turn, tilt = np.radians([scene.nod_degrees, scene.turn_degrees, scene.tilt_degrees])
    about_x = np.array([[1, 0, 0], [0, np.cos(nod), -np.sin(nod)], [0, np.sin(nod), np.cos(nod)]])
    about_y = np.array([[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]])
    about_z = np.array([[np.cos(tilt), -np.sin(tilt), 0], [np.sin(tilt), np.cos(tilt), 0], [0, 0, 1]])
    matrix: NDArray[np.float64] = about_z @ about_y @ about_x
    return matrix


def head_radii(scene: Scene) -> NDArray[np.float64]:
    return np.array(_HEAD_RADII) * [scene.sitter.head_width, 1.0, 1.0]


def on_head(scene: Scene, x: float, y: float, *, lift: float = 1.0) -> NDArray[np.float64]:
    """Scene coordinates of the place (x, y) on the front of the head, in the head's own axes."""
    radii = head_radii(scene) * lift
    z = radii[2] * np.sqrt(max(0.0, 1 - (x / radii[0]) ** 2 - (y / radii[1]) ** 2))
    place: NDArray[np.float64] = pose_matrix(scene) @ np.array([x, y, z]) + HEAD_CENTRE
    return place
