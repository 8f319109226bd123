"""Shapes for the simulated camera: depth and reflectance of what is nearest, and noise to give it texture."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from glassine.tasks.imaging.simulated_set import Triple

Field = NDArray[np.floating[Any]]
"""Real numbers over a part of the picture; float32 where memory counts."""
Mask = NDArray[np.bool_]
Window = tuple[slice, slice]

NOWHERE_Z = -4.0
"""Depth where nothing stands: the background is behind."""
TILE_PX = 512


class Canvas:
    """Depth, reflectance, gloss and texture of what is nearest to the camera, at half the picture's size."""

    def __init__(self, width: int, height: int, zoom: float = 1.0, look_at: tuple[float, float] = (0.0, 0.0)) -> None:
        self.step = 2.0 / width / zoom
        across = (np.arange(width, dtype=np.float32) + 0.5) - np.float32(width / 2)
        down = (np.arange(height, dtype=np.float32) + 0.5) - np.float32(height / 2)
        self.x = across * np.float32(self.step) + np.float32(look_at[0])
        self.y = (np.float32(look_at[1]) - down * np.float32(self.step))[:, np.newaxis]
        self.z = np.full((height, width), NOWHERE_Z, np.float32)
        self.colour = np.zeros((height, width, 3), np.float32)
        self.gloss = np.zeros((height, width), np.float32)
        self.texture = np.zeros((height, width), np.float32)
        self.glow = np.zeros((height, width), np.float32)
        self.skin = np.zeros((height, width), np.float32)
        self.hair = np.zeros((height, width), np.float32)

    def window(self, centre: tuple[float, float], reach: float, reach_down: float | None = None) -> Window:
        """Rows and columns within `reach` of a place."""
        columns = np.searchsorted(self.x, [centre[0] - reach, centre[0] + reach])
        down = reach if reach_down is None else reach_down
        rows = np.searchsorted(-self.y[:, 0], [-centre[1] - down, -centre[1] + down])
        return slice(int(rows[0]), int(rows[1])), slice(int(columns[0]), int(columns[1]))

    def paint(
        self,
        place: Window,
        z: Field,
        colour: Field | Triple,
        *,
        gloss: Field | float = 0.0,
        texture: Field | float = 0.0,
        skin: Field | float = 0.0,
        hair: Field | float = 0.0,
        where: Mask | None = None,
    ) -> Mask:
        """Put a surface where it is nearer than what is there; tell where that was."""
        nearer: Mask = z > self.z[place]
        if where is not None:
            nearer &= where
        self.z[place][nearer] = z[nearer]
        self.colour[place][nearer] = colour[nearer] if isinstance(colour, np.ndarray) else colour32(colour)
        kinds = ((self.gloss, gloss), (self.texture, texture), (self.skin, skin), (self.hair, hair), (self.glow, 0.0))
        for kept, value in kinds:
            kept[place][nearer] = value[nearer] if isinstance(value, np.ndarray) else value
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


def capsule(canvas: Canvas, start: Triple, end: Triple, radius: float) -> tuple[Window, Field, Field]:
    """Depth of a rod with round ends, and how far along it each place is [0, 1]."""
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    along = np.array(end) - start
    place = canvas.window(middle, float(np.hypot(along[0], along[1])) / 2 + radius)
    x, y = canvas.x[place[1]] - np.float32(start[0]), canvas.y[place[0]] - np.float32(start[1])
    length = float(along[0] ** 2 + along[1] ** 2)
    t = np.clip((x * float(along[0]) + y * float(along[1])) / length, 0, 1)
    rest = radius**2 - (x - t * float(along[0])) ** 2 - (y - t * float(along[1])) ** 2
    z = start[2] + t * float(along[2]) + np.sqrt(np.maximum(rest, 0))
    return place, np.where(rest > 0, z, np.float32(-9)), t


def bump(x: Field, y: Field, at: tuple[float, float], size: tuple[float, float]) -> Field:
    """A smooth hill of height 1."""
    hill: Field = np.exp(-(((x - at[0]) / size[0]) ** 2)) * np.exp(-(((y - at[1]) / size[1]) ** 2))
    return hill


def ramp(value: Field, low: float, high: float) -> Field:
    """From 0 at `low` to 1 at `high`, smooth at both ends; `low` may be the greater."""
    t = np.clip((value - low) / (high - low), 0, 1)
    smooth: Field = t * t * (3 - 2 * t)
    return smooth


def blend(colour: Field, other: Triple, amount: Field) -> Field:
    """A colour field, taken towards another colour by a share."""
    return colour + amount[..., np.newaxis] * (colour32(other) - colour)


def colour32(colour: Triple) -> Field:
    """Three numbers as float32, so that arithmetic with them stays float32."""
    return np.array(colour, np.float32)


def blurred(image: Field, sigma_px: float, *, mode: str = "nearest") -> Field:
    """Gaussian blur over rows and columns."""
    sigma = (sigma_px, sigma_px, 0) if image.ndim == 3 else (sigma_px, sigma_px)
    soft: Field = ndimage.gaussian_filter(image, sigma, mode=mode, truncate=3.0)
    return soft


def inner(fields: Sequence[Field], axis: Sequence[float] | NDArray[np.floating[Any]]) -> Field:
    """Inner product of a field of vectors with one vector."""
    x, y, z = fields
    product: Field = x * float(axis[0]) + y * float(axis[1]) + z * float(axis[2])
    return product


@cache
def noise_tile(seed: int, sigma_px: float, sigma_across_px: float | None = None) -> Field:
    """Smooth noise of mean 0 and deviation 1 that repeats without a seam; smoother down or across where wished."""
    tile = np.random.Generator(np.random.Philox(seed)).standard_normal((TILE_PX, TILE_PX), np.float32)
    across = sigma_px if sigma_across_px is None else sigma_across_px
    if sigma_px or across:
        tile = ndimage.gaussian_filter(tile, (sigma_px, across), mode="wrap")
    scaled: Field = (tile - tile.mean()) / tile.std()
    return scaled


def sample_line(samples: Field, place: Field) -> Field:
    """Values along a line of samples, between them; the line is repeated for ever."""
    low = np.floor(place)
    first = low.astype(np.int32) % samples.size
    following = (first + 1) % samples.size
    start = samples[first]
    found: Field = start + (place - low).astype(np.float32) * (samples[following] - start)
    return found


def random_line(seed: int, count: int) -> Field:
    """Independent values of mean 0 and deviation 1."""
    return np.random.Generator(np.random.Philox(seed)).standard_normal(count, np.float32)


def sample_tile(tile: Field, row: Field, column: Field) -> Field:
    """A tile at any place, repeated for ever, to the nearest sample."""
    r, c = np.floor(row).astype(np.int32) % TILE_PX, np.floor(column).astype(np.int32) % TILE_PX
    found: Field = tile[r, c]
    return found
