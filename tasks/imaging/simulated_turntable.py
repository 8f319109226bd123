"""Solids told as a radius over angle and height, and the line of sight that meets them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glassine.tasks.imaging.simulated_surface import Canvas, Field, Window

SPAN = 2.2
"""Radians to either side of the front that a table tells of."""
_STEPS, _HALVINGS = 34, 5
_SHORTEST, _LONGEST, _SHARE = 0.004, 0.10, 0.80
"""How far the line of sight goes in one step: a share of the gap, between these."""


@dataclass(frozen=True)
class Turntable:
    """Radii and colours over (height, angle): float32, (rows, columns, ...), the first row the top, angle -`SPAN` to `SPAN`.

    Angle 0 is the front (+z), growing to +x; further round than `SPAN`, which nobody sees, it goes on as at the border.
    """

    top: float
    bottom: float
    radius: Field
    colour: Field
    skin: Field
    gloss: Field
    hair: Field

    def row(self, height: Field) -> Field:
        """Where a height lies among the rows."""
        rows = self.radius.shape[0]
        place: Field = (np.float32(self.top) - height) * np.float32((rows - 1) / (self.top - self.bottom))
        return np.clip(place, 0, rows - 1.001)

    def column(self, angle: Field) -> Field:
        """Where an angle lies among the columns."""
        columns = self.radius.shape[1]
        place: Field = (angle * np.float32(0.5 / SPAN) + np.float32(0.5)) * columns - np.float32(0.5)
        return np.clip(place, 0, columns - 1.001)


def table_axes(top: float, bottom: float, rows: int, columns: int) -> tuple[Field, Field]:
    """Angles (1, columns) and heights (rows, 1) of a table's samples."""
    height = np.linspace(top, bottom, rows, dtype=np.float32)[:, np.newaxis]
    angle = ((np.arange(columns, dtype=np.float32) + 0.5) / columns * 2 - 1) * np.float32(SPAN)
    return angle[np.newaxis, :], height


def bilinear(table: Field, row: Field, column: Field) -> Field:
    """A table between its samples."""
    r, c = row.astype(np.int32), column.astype(np.int32)
    down, right = row - r, column - c
    if table.ndim == 3:
        down, right = down[..., np.newaxis], right[..., np.newaxis]
    upper = table[r, c] * (1 - right) + table[r, c + 1] * right
    lower = table[r + 1, c] * (1 - right) + table[r + 1, c + 1] * right
    return np.asarray(upper + down * (lower - upper), np.float32)


@dataclass(frozen=True)
class Met:
    """Where lines of sight met a solid: which pixels of the window (flat indexes), at what depth, at what place of it."""

    window: Window
    pixels: NDArray[np.intp]
    depth: Field
    row: Field
    column: Field


def trace(
    canvas: Canvas, solid: Turntable, pose: NDArray[np.float64], origin: NDArray[np.float64], reach: float, down: float
) -> Met:
    """Follow the line of sight of each pixel from the front until it is in the solid, then halve to its skin."""
    middle = float(solid.top + solid.bottom) / 2
    centre = origin + pose @ np.array([0, middle, 0])
    window = canvas.window((float(centre[0]), float(centre[1])), reach, down)
    x = canvas.x[window[1]] - np.float32(origin[0])
    y = canvas.y[window[0]] - np.float32(origin[1])
    turned, sight = pose.astype(np.float32), pose[2].astype(np.float32)
    start = [(turned[0, i] * x + turned[1, i] * y).ravel() for i in range(3)]

    def gap_at(which: NDArray[np.intp], depth: Field) -> Field:
        own = [start[i][which] + depth * sight[i] for i in range(3)]
        r = np.sqrt(own[0] * own[0] + own[2] * own[2])
        row = solid.row(own[1]).astype(np.int32)
        column = solid.column(np.arctan2(own[0], own[2])).astype(np.int32)
        found: Field = r - solid.radius[row, column]
        return found

    widest = float(solid.radius.max())
    active = np.flatnonzero(np.abs(start[0]) < widest * 1.02)
    depth = np.full(active.size, widest, np.float32)
    inside: list[NDArray[np.intp]] = [active[:0]]
    nearer: list[Field] = [depth[:0]]
    further: list[Field] = [depth[:0]]
    before = depth.copy()
    for _ in range(_STEPS):
        gap = gap_at(active, depth)
        hit = gap <= 0
        if hit.any():
            inside.append(active[hit])
            nearer.append(before[hit])
            further.append(depth[hit])
        going = ~hit & (depth > -widest)
        active, gap, before = active[going], gap[going], depth[going]
        if not active.size:
            break
        depth = before - np.clip(gap * np.float32(_SHARE), np.float32(_SHORTEST), np.float32(_LONGEST))
    pixels = np.concatenate(inside)
    low, high = np.concatenate(further), np.concatenate(nearer)
    for _ in range(_HALVINGS):
        half = (low + high) / 2
        within = gap_at(pixels, half) <= 0
        low, high = np.where(within, half, low), np.where(within, high, half)
    # The last steps go by the table between its samples, so that the skin shows no steps.
    depth = low
    for _ in range(3):
        own = [start[i][pixels] + depth * sight[i] for i in range(3)]
        r = np.maximum(np.hypot(own[0], own[2]), np.float32(1e-4))
        row, column = solid.row(own[1]), solid.column(np.arctan2(own[0], own[2]))
        outward = np.maximum((own[0] * sight[0] + own[2] * sight[2]) / r, np.float32(0.5))
        moved = depth + (bilinear(solid.radius, row, column) - r) / outward
        depth = np.clip(moved, low - np.float32(0.004), low + np.float32(0.004))
    depth = depth + np.float32(origin[2])
    return Met(window, pixels, depth, row, column)


def paint_turntable(
    canvas: Canvas, solid: Turntable, met: Met, *, texture: float, hair_texture: float
) -> NDArray[np.bool_]:
    """Paint what lines of sight met; returns, for the window, where that is now nearest."""
    shape = canvas.z[met.window].shape
    z = np.full(shape[0] * shape[1], -9, np.float32)
    z[met.pixels] = met.depth
    colour = np.zeros((z.size, 3), np.float32)
    colour[met.pixels] = bilinear(solid.colour, met.row, met.column)
    row, column = (met.row + 0.5).astype(np.int32), (met.column + 0.5).astype(np.int32)
    kinds = {}
    for name in ("skin", "gloss", "hair"):
        flat = np.zeros(z.size, np.float32)
        flat[met.pixels] = getattr(solid, name)[row, column]
        kinds[name] = flat.reshape(shape)
    rough = texture + (hair_texture - texture) * kinds["hair"]
    return canvas.paint(
        met.window, z.reshape(shape), colour.reshape(*shape, 3), gloss=kinds["gloss"], texture=rough,
        skin=kinds["skin"], hair=kinds["hair"],
    )  # fmt: skip
