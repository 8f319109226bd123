"""The sitter's body before the simulated camera: neck, shoulders and clothes; and a fiddle that leans on the shoulder."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from PIL import Image
from scipy import ndimage
from scipy.interpolate import PchipInterpolator

from glassine.tasks.imaging.simulated_set import HEAD_CENTRE, Scene, Sitter, Triple
from glassine.tasks.imaging.simulated_surface import (
    TILE_PX,
    Canvas,
    Field,
    Mask,
    blend,
    colour32,
    noise_tile,
    ramp,
    sample_tile,
)
from glassine.tasks.imaging.simulated_turntable import Turntable, paint_turntable, table_axes, trace

TOP, BOTTOM, ROWS, COLUMNS = -0.28, -1.80, 860, 1000
_AXIS_Z = -0.11

# Height under the middle of the head, half width, front, back.
_TORSO = np.array(
    [
        (-0.26, 0.000, 0.000, 0.00),
        (-0.30, 0.950, 0.900, 0.90),
        (-0.46, 0.950, 0.880, 0.90),
        (-0.56, 0.980, 0.880, 0.95),
    ]
)
_SHOULDERS = np.array(
    [
        (-0.58, 0.235, 0.200, 0.24),
        (-0.62, 0.280, 0.215, 0.27),
        (-0.66, 0.355, 0.235, 0.30),
        (-0.71, 0.475, 0.265, 0.33),
        (-0.76, 0.595, 0.300, 0.35),
        (-0.82, 0.695, 0.335, 0.37),
        (-0.92, 0.785, 0.385, 0.39),
        (-1.05, 0.835, 0.425, 0.40),
        (-1.25, 0.865, 0.455, 0.40),
        (-1.50, 0.870, 0.450, 0.40),
        (-1.80, 0.850, 0.430, 0.40),
    ]
)


@lru_cache(maxsize=4)
def body_table(sitter: Sitter, seed: int) -> Turntable:
    """Neck, shoulders, chest and arms with their clothes."""
    angle, height = table_axes(TOP, BOTTOM, ROWS, COLUMNS)
    neck = _TORSO.copy()
    neck[:, 1:] *= sitter.neck
    profile = np.vstack([neck, _SHOULDERS])
    profile[:, 1] *= np.where(profile[:, 0] < -0.57, 0.80 + 0.93 * sitter.neck, 1.0)
    profile = profile[np.argsort(profile[:, 0])]
    wide, front, back = (
        np.maximum(PchipInterpolator(profile[:, 0], profile[:, i])(height), 1e-4).astype(np.float32) for i in (1, 2, 3)
    )
    front = np.where(height > -0.70, np.maximum(front, 0.89 * sitter.neck), front)
    # The curves' corners would show as creases.
    wide, front, back = (ndimage.gaussian_filter1d(part, 12.0, axis=0) for part in (wide, front, back))
    depth = np.where(np.cos(angle) > 0, front, back)
    power = np.clip(2.0 + 1.2 * (-0.62 - height), 2.0, 2.7)
    radius = (np.abs(np.sin(angle) / wide) ** power + np.abs(np.cos(angle) / depth) ** power) ** (-1 / power)
    x = radius * np.sin(angle)
    away = np.abs(x)
    front_half = np.cos(angle) > 0
    # Neck: the two muscles that run to the pit of the throat, collar bones.
    muscle_at = 0.03 + 0.42 * np.clip(height + 0.70, 0, 0.4)
    neck_skin = ramp(height, -0.74, -0.66) * front_half
    radius += 0.016 * np.exp(-(((away - muscle_at) / 0.030) ** 2)) * neck_skin
    radius -= 0.020 * np.exp(-((x / 0.03) ** 2)) * np.exp(-(((height + 0.70) / 0.035) ** 2)) * front_half
    throat = 0.022 if sitter.stubble or sitter.beard else 0.004
    radius += throat * np.exp(-((x / 0.035) ** 2)) * np.exp(-(((height + 0.50) / 0.05) ** 2)) * front_half
    bone = height + 0.715 - 0.10 * np.clip(away - 0.05, 0, 1)
    radius += 0.014 * np.exp(-((bone / 0.022) ** 2)) * ramp(away, 0.04, 0.08) * ramp(away, 0.5, 0.3) * front_half
    # Arms: a furrow between each and the chest.
    furrow = np.exp(-(((away - 0.62 - 0.05 * np.clip(-1.0 - height, 0, 1)) / 0.085) ** 2)) * ramp(height, -0.93, -1.25)
    radius -= 0.045 * furrow * front_half
    colour = np.broadcast_to(colour32(sitter.skin), (ROWS, COLUMNS, 3)).astype(np.float32)
    skin = np.ones_like(radius)
    cloth, radius, colour = _dress(sitter, seed, angle, height, x, radius, colour)
    skin -= cloth
    # A cliff between two samples would be met at one height or another by chance.
    radius = ndimage.gaussian_filter(radius, 1.4)
    gloss = 0.025 * skin + 0.006 * cloth
    parts = (np.maximum(radius, 1e-4), colour, skin, gloss, np.zeros_like(radius))
    return Turntable(TOP, BOTTOM, *(np.ascontiguousarray(part, np.float32) for part in parts))


def _folds(seed: int, x: Field, height: Field) -> Field:
    """Folds of cloth: long ridges that run from the shoulder to the opposite hip, and small ones across."""
    tile = noise_tile(seed + 30, 60.0)
    wobble = np.asarray(Image.fromarray(tile).resize((COLUMNS, ROWS), Image.Resampling.BICUBIC))
    other = np.asarray(Image.fromarray(tile.T.copy()).resize((COLUMNS, ROWS), Image.Resampling.BICUBIC))
    mirrored = np.tanh(6 * x)
    from_pit = np.hypot(np.abs(x) - 0.63, height + 1.12)
    pull = np.arctan2(height + 1.12, np.abs(x) - 0.63)
    # From the armpit folds run out like spokes; lower down cloth hangs in long folds; both wander.
    spokes = np.sin(9.0 * pull + 1.6 * wobble + 0.8 * mirrored) * np.exp(-(((from_pit - 0.20) / 0.22) ** 2))
    hanging = np.sin(17 * x + 5.5 * mirrored * height + 2.2 * wobble) * (0.35 + 0.45 * np.clip(other, -1, 1))
    drag = np.sin(26 * height + 9 * np.abs(x) + 2.8 * other) * np.clip(wobble, 0, 1.5) * 0.5
    folds: Field = 0.40 * spokes * ramp(from_pit, 0.03, 0.20) + 0.75 * hanging + 0.8 * drag
    return np.asarray(folds, np.float32)


def _dress(
    sitter: Sitter, seed: int, angle: Field, height: Field, x: Field, radius: Field, colour: Field
) -> tuple[Field, Field, Field]:
    """Put clothes on: a jumper with a round neck, or a shirt with a collar and a row of buttons; and an apron."""
    away, front = np.abs(x), np.cos(angle) > 0
    weave = sample_tile(noise_tile(seed + 40, 0.6), height * 700, x * 700)
    base = colour32(sitter.shirt)
    folds = _folds(seed, x, height) * ramp(height, -0.72, -0.95)
    leaf, trim = np.zeros_like(x), np.zeros_like(x)
    if sitter.collar == "crew":
        edge = -0.615 - 0.115 * np.clip(np.cos(angle), -0.2, 1) ** 1.0
        cloth = ramp(edge - height, -0.002, 0.004)
        band = ramp(edge - height, 0.0, 0.006) * ramp(edge - height, 0.075, 0.068)
        rib = np.sin(angle * 210) * band
        radius = (
            radius
            + cloth * (0.022 + 0.011 * folds)
            + 0.014 * band * np.maximum(np.sin(np.pi * np.clip((edge - height) / 0.075, 0, 1)), 0) ** 0.6
            + 0.0012 * rib
        )
        knit = 0.06 * weave + 0.10 * rib
        tone: Field = base * np.clip(1 + knit, 0.5, 1.5)[..., np.newaxis]
        seam = np.exp(-(((edge - height - 0.078) / 0.006) ** 2))
        tone = tone * (1 - 0.45 * seam)[..., np.newaxis]
    else:
        # A shirt, the upper button open: the leaf of the collar lies over a band, the opening shows the throat.
        crest = -0.545 - 0.060 * np.clip(np.cos(angle), -0.3, 1)
        gap = 0.012 + 0.62 * np.clip(height + 0.80, 0, 0.4)
        opened = (away < gap) & front & (height > -0.80)
        cloth = np.where(opened, 0, ramp(crest - height, -0.002, 0.004))
        leaf_edge = -0.690 - 0.50 * np.clip(away - 0.03, 0, 0.26) + 1.9 * np.clip(away - 0.27, 0, 0.2)
        leaf = cloth * ramp(height - leaf_edge, -0.004, 0.014) * ramp(away, 0.46, 0.40) * front
        leaf = np.maximum(leaf, cloth * ramp(height, -0.675, -0.67) * ~front)
        fall = np.clip((crest - height) / 0.2, 0, 1)
        radius = radius + cloth * (0.020 + 0.0095 * folds * (1 - leaf)) + leaf * (0.026 + 0.030 * fall)
        placket = ((away < 0.050) & front & (height < -0.79)).astype(np.float32)
        trim = trim + 0.006 * placket
        tone = base * np.clip(1 + 0.05 * weave + 0.05 * leaf, 0.5, 1.5)[..., np.newaxis]
        stitch = (
            np.exp(-(((away - 0.043) / 0.0025) ** 2)) * placket
            + np.exp(-(((height - leaf_edge - 0.014) / 0.003) ** 2)) * leaf
        )
        tone = tone * (1 - 0.30 * np.clip(stitch, 0, 1))[..., np.newaxis]
        for at in (-0.835, -1.03, -1.225, -1.42):
            spot = np.hypot(x, height - at) * front
            button = ramp(spot, 0.022, 0.016) * front
            trim = trim + 0.008 * button
            tone = blend(tone, (0.55, 0.52, 0.46), button)
            holes = ramp(np.hypot(away - 0.005, np.abs(height - at) - 0.005), 0.003, 0.002) * front
            tone = tone * (1 - 0.9 * holes)[..., np.newaxis]
    radius = radius + trim
    if sitter.apron is not None:
        bib = ramp(0.40 + 0.10 * (-1.0 - height) - away, 0, 0.016) * ramp(-1.06 - height, 0, 0.008) * front
        strap_at = 0.345 + 0.10 * (-1.0 - height)
        strap = ramp(np.abs(away - strap_at), 0.048, 0.030) * (height > -1.07) * ramp(height, -0.68, -0.72) * (1 - leaf)
        apron = np.maximum(bib, strap) * front
        radius = radius + apron * (0.022 - 0.006 * folds) - bib * trim
        seam = (
            np.exp(-(((height + 1.085) / 0.004) ** 2)) * bib
            + np.exp(-(((np.abs(away - strap_at) - 0.032) / 0.003) ** 2)) * strap
        ) * front
        leather = (
            colour32(sitter.apron)
            * np.clip(
                1 + 0.10 * sample_tile(noise_tile(seed + 41, 2.5), height * 400, x * 400) + 0.05 * weave, 0.4, 1.6
            )[..., np.newaxis]
        )
        leather = leather * (1 + 0.8 * seam)[..., np.newaxis]
        tone = tone + apron[..., np.newaxis] * (leather - tone)
    return cloth.astype(np.float32), radius, colour + cloth[..., np.newaxis] * (tone - colour)


def paint_body(canvas: Canvas, scene: Scene) -> None:
    """Paint neck, shoulders and clothes, turned as the sitter sits."""
    turn = np.radians(scene.body_degrees)
    pose = np.array([[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]])
    solid = body_table(scene.sitter, scene.seed)
    origin = np.array([HEAD_CENTRE[0], HEAD_CENTRE[1], _AXIS_Z])
    met = trace(canvas, solid, pose, origin, 1.1, (TOP - BOTTOM) / 2)
    paint_turntable(canvas, solid, met, texture=0.03, hair_texture=0.03)
    here = canvas.texture[met.window]
    here -= np.float32(0.018) * canvas.skin[met.window]


def paint_fiddle(canvas: Canvas, scene: Scene) -> None:
    """A fiddle, held upright before the shoulder: belly and neck with its strings, pegs and scroll."""
    at, lean, depth = (0.50, -1.02), np.radians(-9.0), 0.52
    place = canvas.window(at, 1.75)
    dx, dy = canvas.x[place[1]] - np.float32(at[0]), canvas.y[place[0]] - np.float32(at[1])
    scale = 1.75
    u = (dx * np.float32(np.cos(lean)) + dy * np.float32(np.sin(lean))) / np.float32(scale)
    v = (-dx * np.float32(np.sin(lean)) + dy * np.float32(np.cos(lean))) / np.float32(scale)

    def oval(centre: float, half_width: float, half_length: float) -> Field:
        return (1 - np.hypot(u / half_width, (v - centre) / half_length)) * np.float32(min(half_width, half_length))

    inside = np.maximum(np.maximum(oval(0.175, 0.175, 0.165), oval(-0.20, 0.220, 0.215)), oval(0.0, 0.15, 0.25))
    inside = np.minimum(inside, np.hypot(np.abs(u) - 0.215, v - 0.01) - np.float32(0.098))
    arch = 0.06 * np.sqrt(np.clip(inside / 0.05, 0, 1)) + 0.045 * np.exp(-((u / 0.10) ** 2))
    grain = np.interp(u, np.linspace(-0.3, 0.3, TILE_PX), noise_tile(scene.seed + 3, 0.8)[0])
    colour = (
        colour32((0.30, 0.085, 0.020))
        * np.asarray(1 + 0.09 * grain + 0.15 * np.exp(-((u / 0.09) ** 2)), np.float32)[..., np.newaxis]
    )
    colour[np.abs(inside - 0.014) < 0.0022] *= 0.2
    hole = np.abs(np.abs(u) - 0.082 - 0.022 * np.sin(np.clip((v + 0.02) * 20, -1.6, 1.6))) < 0.006
    colour[hole & (np.abs(v + 0.02) < 0.085)] *= 0.03
    canvas.paint(place, np.where(inside > 0, depth + arch, np.float32(-9)), colour, gloss=0.12, texture=0.008)
    ebony, maple = (0.012, 0.011, 0.011), (0.24, 0.085, 0.026)
    neck_wide, board_wide = 0.034 - 0.004 * v, 0.034 - 0.012 * v
    head = (np.abs(u) < 0.026 + 0.004 * np.cos(60 * v)) & (v > 0.70) & (v < 0.86)
    scroll = np.hypot(u, (v - 0.885) * 0.9)
    bars: list[tuple[Mask, float, Triple]] = [
        ((np.abs(u) < neck_wide) & (v > 0.30) & (v < 0.72), 0.05, maple),
        ((np.abs(u) < board_wide) & (v > 0.03) & (v < 0.70), 0.13, ebony),
        ((np.abs(u) < 0.030 + 0.08 * (-0.12 - v)) & (v > -0.36) & (v < -0.13), 0.13, ebony),
        ((np.abs(u) < 0.052) & (np.abs(v + 0.05) < 0.008), 0.16, (0.30, 0.20, 0.10)),
        (head, 0.10, maple),
        (scroll < 0.045, 0.13, maple),
    ]  # fmt: skip
    for where, lift, tone in bars:
        round_ = 0.03 * np.sqrt(np.clip(1 - (u / 0.055) ** 2, 0, 1))
        if tone is maple and lift > 0.12:
            round_ = 0.03 * np.cos(scroll * 190) + 0.02 * np.sqrt(np.clip(1 - (scroll / 0.045) ** 2, 0, 1))
        canvas.paint(place, np.asarray(depth + lift + round_, np.float32), tone, gloss=0.10, texture=0.008, where=where)
    for side, along in ((-1, 0.745), (1, 0.765), (-1, 0.80), (1, 0.82)):
        peg = (
            (np.abs(v - along) < 0.006 + 0.010 * ((side * u > 0.055) & (side * u < 0.085)))
            & (side * u > 0.0)
            & (side * u < 0.085)
        )
        canvas.paint(place, np.full(u.shape, depth + 0.11, np.float32), ebony, gloss=0.12, where=peg)
    for string in (-1.5, -0.5, 0.5, 1.5):
        line = np.abs(u - string * (0.0135 - 0.008 * v)) < max(0.0011, canvas.step * 0.45)
        shown = line & (v > -0.14) & (v < 0.72)
        canvas.paint(place, np.full(u.shape, depth + 0.185, np.float32), (0.18, 0.17, 0.155), gloss=0.3, where=shown)
