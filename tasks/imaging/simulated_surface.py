"""Shapes for the simulated camera: depth and reflectance of what is nearest, and noise to give it texture."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.filters import gaussian

from glassine.tasks.imaging.simulated_set import Triple

Field = NDArray[np.floating[Any]]
"""Real numbers over a part of the picture; float32 where memory counts."""
Mask = NDArray[np.bool_]
Window = tuple[slice, slice]

BACKDROP_Z = -1.6
TILE_PX = 512


class Canvas:
    """Depth, reflectance, gloss and texture of what is nearest to the camera, at half the picture's size."""

    def __init__(self, width: int, height: int) -> None:
        self.step = 2.0 / width
        self.x = (np.arange(width, dtype=np.float32) + 0.5) * np.float32(self.step) - 1
        self.y = ((np.arange(height, dtype=np.float32) + 0.5) - height / 2)[:, np.newaxis] * np.float32(-self.step)
        self.z = np.full((height, width), BACKDROP_Z, np.float32)
        self.colour = np.zeros((height, width, 3), np.float32)
        self.gloss = np.zeros((height, width), np.float32)
        self.texture = np.zeros((height, width), np.float32)
        self.glow = np.zeros((height, width), np.float32)
        self.skin = np.zeros((height, width), np.float32)

    def window(self, centre: tuple[float, float], reach: float) -> Window:
        """Rows and columns within `reach` of a place."""
        columns = np.searchsorted(self.x, [centre[0] - reach, centre[0] + reach])
        rows = np.searchsorted(-self.y[:, 0], [-centre[1] - reach, -centre[1] + reach])
        return slice(int(rows[0]), int(rows[1])), slice(int(columns[0]), int(columns[1]))

    def paint(
        self,
        place: Window,
        z: Field,
        colour: Field | Triple,
        *,
        gloss: float = 0.0,
        texture: float = 0.0,
        skin: float = 0.0,
        where: Mask | None = None,
    ) -> Mask:
        """Put a surface where it is nearer than what is there; tell where that was."""
        nearer: Mask = z > self.z[place]
        if where is not None:
            nearer &= where
        self.z[place][nearer] = z[nearer]
        self.colour[place][nearer] = colour[nearer] if isinstance(colour, np.ndarray) else colour32(colour)
        self.gloss[place][nearer] = gloss
        self.texture[place][nearer] = texture
        self.skin[place][nearer] = skin
        self.glow[place][nearer] = 0.0
        return nearer


def ellipsoid(
    canvas: Canvas, centre: Triple, radii: Triple, rotation: NDArray[np.float64] | None = None
) -> tuple[Window, Field, Field, Field, Field]:
    """Depth of an ellipsoid's front, and the place on it in its own axes; depth is -9 beside it."""
    rotation = np.eye(3) if rotation is None else rotation
    place = canvas.window((centre[0], centre[1]), max(radii) * 1.02)
    x, y = canvas.x[place[1]] - np.float32(centre[0]), canvas.y[place[0]] - np.float32(centre[1])
    # The line of sight (x, y, t), in axes where the ellipsoid is the unit sphere: b + t·a.
    turned = (rotation.T / np.array(radii)[:, np.newaxis]).astype(np.float32)
    a = turned[:, 2]
    b = [turned[i, 0] * x + turned[i, 1] * y for i in range(3)]
    aa = float(a @ a)
    ab = a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    root = ab * ab - aa * (b[0] * b[0] + b[1] * b[1] + b[2] * b[2] - 1)
    t = (np.sqrt(np.maximum(root, 0)) - ab) / aa
    own = [(b[i] + t * a[i]) * np.float32(radii[i]) for i in range(3)]
    return place, np.where(root > 0, t + np.float32(centre[2]), np.float32(-9)), own[0], own[1], own[2]


def capsule(canvas: Canvas, start: Triple, end: Triple, radius: float) -> tuple[Window, Field]:
    """Depth of a rod with round ends."""
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    along = np.array(end) - start
    place = canvas.window(middle, float(np.hypot(along[0], along[1])) / 2 + radius)
    x, y = canvas.x[place[1]] - np.float32(start[0]), canvas.y[place[0]] - np.float32(start[1])
    length = float(along[0] ** 2 + along[1] ** 2)
    t = np.clip((x * float(along[0]) + y * float(along[1])) / length, 0, 1)
    rest = radius**2 - (x - t * float(along[0])) ** 2 - (y - t * float(along[1])) ** 2
    z = start[2] + t * float(along[2]) + np.sqrt(np.maximum(rest, 0))
    return place, np.where(rest > 0, z, np.float32(-9))


def bump(x: Field, y: Field, at: tuple[float, float], size: tuple[float, float]) -> Field:
    return np.exp(-(((x - at[0]) / size[0]) ** 2) - ((y - at[1]) / size[1]) ** 2)


def blend(colour: Field, other: Triple, amount: Field) -> Field:
    return colour + amount[..., np.newaxis] * (colour32(other) - colour)


def colour32(colour: Triple) -> Field:
    """Three numbers as float32, so that arithmetic with them stays float32."""
    return np.array(colour, np.float32)


def blurred(image: Field, sigma_px: float, *, mode: str = "nearest", channel_axis: int | None = None) -> Field:
    """Gaussian blur."""
    soft: Field = gaussian(image, sigma_px, mode=mode, channel_axis=channel_axis)  # type: ignore[no-untyped-call]
    return soft.astype(np.float32, copy=False)


def inner(fields: Sequence[Field], axis: Sequence[float] | NDArray[np.floating[Any]]) -> Field:
    """Inner product of a field of vectors with one vector."""
    x, y, z = fields
    product: Field = x * float(axis[0]) + y * float(axis[1]) + z * float(axis[2])
    return product


@cache
def noise_tile(seed: int, sigma_px: float) -> Field:
    """Smooth noise of mean 0 and deviation 1 that repeats without a seam."""
    tile = np.random.Generator(np.random.Philox(seed)).standard_normal((TILE_PX, TILE_PX), np.float32)
    if sigma_px:
        tile = blurred(tile, sigma_px, mode="wrap")
    scaled: Field = (tile - tile.mean()) / tile.std()
    return scaled
