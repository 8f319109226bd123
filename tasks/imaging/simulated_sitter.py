"""The figure before the simulated camera: body, head, hair, and a fiddle in the arm. All of it is invented."""

from __future__ import annotations

import numpy as np

from glassine.tasks.imaging.simulated_set import (
    EYE_X,
    EYE_Y,
    HEAD_CENTRE,
    MARK,
    Light,
    Scene,
    Triple,
    head_radii,
    on_head,
    pose_matrix,
)
from glassine.tasks.imaging.simulated_surface import (
    TILE_PX,
    Canvas,
    Field,
    Mask,
    Window,
    blend,
    bump,
    capsule,
    colour32,
    ellipsoid,
    inner,
    noise_tile,
)

_EYE_RADIUS = 0.078


def paint_body(canvas: Canvas, scene: Scene) -> None:
    sitter = scene.sitter
    place, z, *_ = ellipsoid(canvas, (0.0, -1.22, -0.14), (0.72, 0.84, 0.40))
    x, y = canvas.x[place[1]], canvas.y[place[0]]
    folds = 0.010 * np.sin(9 * x + 5 * y) * np.sin(4 * y - 2 * x) + 0.006 * np.sin(31 * x - 12 * y)
    bib = (np.abs(x) < 0.38 + 0.10 * (-0.8 - y)) & (y < -0.78)
    strap = np.abs(np.abs(x) - (0.34 + 0.12 * (-0.7 - y))) < 0.05
    apron = bib | (strap & (y < -0.40))
    seam = bib & (np.abs(np.abs(x) - (0.35 + 0.10 * (-0.8 - y))) < 0.004)
    colour = np.where(apron[..., np.newaxis], colour32(sitter.apron), colour32(sitter.shirt))
    colour[seam] *= 2.2
    canvas.paint(place, z + folds + 0.02 * apron, colour, gloss=0.04, texture=0.06)
    for side in (-1, 1):
        for start, end, radius in (
            ((0.0, -0.60, -0.20), (side * 0.56, -0.76, -0.22), 0.20),
            ((side * 0.60, -0.80, -0.24), (side * 0.74, -1.70, -0.20), 0.20),
        ):
            rod, z = capsule(canvas, start, end, radius)
            canvas.paint(rod, z, sitter.shirt, gloss=0.03, texture=0.06)
    place, z, own_x, own_y, _ = ellipsoid(canvas, (0.0, -0.26, -0.13), (0.195, 0.44, 0.18))
    tendons = 0.012 * np.exp(-(((np.abs(own_x) - 0.10 - 0.12 * own_y) / 0.035) ** 2))
    canvas.paint(place, z + tendons, sitter.skin, gloss=0.03, texture=0.035, skin=1.0)
    place, z, *_ = ellipsoid(canvas, (0.0, -0.430, -0.06), (0.27, 0.12, 0.24))
    x, y = canvas.x[place[1]], canvas.y[place[0]]
    bright = tuple(min(0.8, 1.15 * part) for part in sitter.shirt)
    lapel = np.abs(x) > 0.015 + 0.65 * (y + 0.54)
    canvas.paint(place, z, (bright[0], bright[1], bright[2]), gloss=0.03, texture=0.06, where=lapel)


def _head_surface(canvas: Canvas, scene: Scene) -> tuple[Window, Field, list[Field]]:
    """Depth of skull and jaw with the features of a face, and the head's own coordinates of each pixel."""
    pose, radii = pose_matrix(scene), head_radii(scene)
    parts = []
    for offset, size in (((0.0, 0.09, -0.03), (0.99, 0.85, 1.0)), ((0.0, -0.085, 0.015), (0.845, 0.85, 0.90))):
        centre = pose @ np.array(offset) + HEAD_CENTRE
        part = Canvas.window(canvas, (HEAD_CENTRE[0], HEAD_CENTRE[1]), 0.62)
        place, z, *_ = ellipsoid(canvas, (centre[0], centre[1], centre[2]), tuple(radii * size), pose)
        whole = np.full((part[0].stop - part[0].start, part[1].stop - part[1].start), -9, np.float32)
        rows = slice(place[0].start - part[0].start, place[0].stop - part[0].start)
        columns = slice(place[1].start - part[1].start, place[1].stop - part[1].start)
        whole[rows, columns] = z
        parts.append(whole)
    overlap = np.maximum(0.05 - np.abs(parts[0] - parts[1]), 0) / 0.05
    z = np.maximum(parts[0], parts[1]) + overlap**2 * np.float32(0.05 / 4)
    place = part
    scene_axes = [
        np.broadcast_to(canvas.x[place[1]] - np.float32(HEAD_CENTRE[0]), z.shape),
        np.broadcast_to(canvas.y[place[0]] - np.float32(HEAD_CENTRE[1]), z.shape),
        np.where(z > -5, z - np.float32(HEAD_CENTRE[2]), 0),
    ]
    own = [inner(scene_axes, pose[:, i]) for i in range(3)]
    x, y = own[0], own[1]
    ax, front = np.abs(x), np.clip(own[2] / 0.15, 0, 1)
    mouth_y = y - scene.smile * 2.2 * np.minimum(ax, 0.13) ** 2
    relief = (
        -0.050 * bump(ax, y, (EYE_X, EYE_Y + 0.005), (0.095, 0.065))
        + 0.024 * bump(ax, y, (0.13, 0.125), (0.12, 0.040))
        + 0.075 * bump(x, y, (0, -0.035), (0.042, 0.115))
        + 0.075 * bump(x, y, (0, -0.130), (0.050, 0.042))
        + 0.034 * bump(ax, y, (0.052, -0.143), (0.030, 0.030))
        - 0.016 * bump(ax, y, (0.090, -0.150), (0.020, 0.035))
        + (0.020 + 0.02 * scene.smile) * bump(ax, y, (0.21, -0.085), (0.085, 0.070))
        - 0.009 * (0.4 + scene.smile) * bump(ax - 0.5 * (-0.19 - y), y, (0.118, -0.205), (0.016, 0.060))
        + 0.024 * bump(x, mouth_y, (0, -0.243), (0.095, 0.022))
        - 0.008 * bump(x, mouth_y, (0, -0.222), (0.013, 0.020))
        + 0.030 * bump(x, mouth_y, (0, -0.287), (0.078, 0.024))
        - 0.026 * bump(x, mouth_y, (0, -0.264), (0.110, 0.0075))
        - 0.016 * bump(x, y, (0, -0.335), (0.085, 0.024))
        + 0.034 * bump(x, y, (0, -0.400), (0.085, 0.055))
    )
    if scene.skin_mark:
        relief += 0.006 * bump(x, y, MARK, (0.012, 0.012))
    return place, np.where(z > -5, z + relief * front, z), own


def _face_colour(scene: Scene, own: list[Field]) -> Field:
    sitter, (x, y, _) = scene.sitter, own
    ax = np.abs(x)
    mouth_y = y - scene.smile * 2.2 * np.minimum(ax, 0.13) ** 2
    blotch = noise_tile(scene.seed, 14.0)[: x.shape[0], : x.shape[1]]
    blotch = np.pad(blotch, [(0, x.shape[0] - blotch.shape[0]), (0, x.shape[1] - blotch.shape[1])], mode="reflect")
    colour: Field = colour32(sitter.skin) * (1 + blotch[..., np.newaxis] * colour32((0.02, 0.045, 0.045)))
    red = (sitter.skin[0] * 0.97, sitter.skin[1] * 0.72, sitter.skin[2] * 0.70)
    colour = blend(colour, red, 0.7 * bump(ax, y, (0.20, -0.10), (0.09, 0.08)))
    colour = blend(colour, red, 0.6 * bump(x, y, (0, -0.13), (0.05, 0.05)))
    lips = (sitter.skin[0] * 0.72, sitter.skin[1] * 0.42, sitter.skin[2] * 0.44)
    taper = np.clip(1 - (ax / 0.118) ** 2, 0, 1)
    inside = np.clip((0.048 * taper - np.abs(mouth_y + 0.268)) / 0.010, 0, 1)
    colour = blend(colour, lips, 0.8 * inside)
    line = np.exp(-(((mouth_y + 0.264) / 0.005) ** 2)) * np.clip((0.122 - ax) / 0.02, 0, 1)
    colour = blend(colour, (0.03, 0.012, 0.01), 0.75 * line)
    colour = blend(colour, (0.05, 0.02, 0.015), 0.6 * bump(ax, y, (0.030, -0.167), (0.014, 0.008)))
    bristle = noise_tile(scene.seed + 1, 0.9)[: x.shape[0], : x.shape[1]]
    bristle = np.pad(bristle, [(0, x.shape[0] - bristle.shape[0]), (0, x.shape[1] - bristle.shape[1])], mode="reflect")
    arch = y - 0.128 - 0.030 * np.sin(np.clip((ax - 0.05) / 0.19, 0, 1) * 2.4)
    brow = np.clip((0.017 - np.abs(arch)) / 0.012, 0, 1) * np.clip((ax - 0.05) / 0.02, 0, 1)
    brow *= np.clip((0.245 - ax) / 0.05, 0, 1)
    colour = blend(colour, sitter.hair, np.clip(brow * (0.85 + 0.25 * bristle), 0, 1))
    if sitter.beard:
        jaw = np.clip((-0.19 - y + 0.9 * np.maximum(ax - 0.20, 0)) / 0.06, 0, 1) + bump(
            x, y, (0, -0.205), (0.12, 0.016)
        )
        density = sitter.beard * np.clip(jaw, 0, 1) * (1 - inside) * (0.75 + 0.45 * bristle)
        colour = blend(colour, sitter.hair, np.clip(density, 0, 0.96))
    if scene.skin_mark:
        dark = (sitter.skin[0] * 0.30, sitter.skin[1] * 0.20, sitter.skin[2] * 0.20)
        colour = blend(colour, dark, 0.9 * np.exp(-((((x - MARK[0]) ** 2 + (y - MARK[1]) ** 2) / 0.011**2) ** 2)))
    return colour


def _catchlight(scene: Scene, normal: list[Field], light: Light, half_width: float) -> Field:
    """A square lamp mirrored in a ball: its brightness, soft at the edge."""
    towards = np.array(light.place) / np.linalg.norm(light.place)
    side = np.cross([0.0, 1.0, 0.0], towards)
    side /= np.linalg.norm(side)
    above = np.cross(towards, side)
    mirrored = [2 * normal[2] * normal[0], 2 * normal[2] * normal[1], 2 * normal[2] ** 2 - 1]
    off = [np.abs(inner(mirrored, axis)) for axis in (side, above)]
    ahead = inner(mirrored, towards) > 0
    inside = np.clip((half_width - np.maximum(off[0], off[1])) / 0.06, 0, 1) * ahead
    return np.asarray(inside * np.float32(light.power), np.float32)


def paint_head(canvas: Canvas, scene: Scene) -> None:
    sitter, pose = scene.sitter, pose_matrix(scene)
    for side in (-1, 1):
        ear = pose @ np.array([side * 0.365 * sitter.head_width, -0.02, -0.06]) + HEAD_CENTRE
        place, z, own_x, own_y, _ = ellipsoid(canvas, (ear[0], ear[1], ear[2]), (0.055, 0.105, 0.075), pose)
        hollow = 0.03 * bump(own_x, own_y, (0.0, 0.01), (0.025, 0.055))
        canvas.paint(place, z - hollow, sitter.skin, gloss=0.03, texture=0.03, skin=1.0)
    place, z, own = _head_surface(canvas, scene)
    colour = _face_colour(scene, own)
    glow = np.zeros_like(z)
    x, y = own[0], own[1]
    for side in (-1, 1):
        ex = x - np.float32(side * EYE_X)
        ey = y - np.float32(EYE_Y)
        almond = np.clip(1 - (ex / 0.083) ** 2, 0, 1)
        top, bottom = 0.036 * scene.eyes_open * almond, -0.026 * scene.eyes_open * almond
        opening = (ey < top) & (ey > bottom) & (own[2] > 0.1)
        z += 0.016 * np.exp(-(((ey - top - 0.012) / 0.012) ** 2)) * (almond > 0) * almond
        crease = np.exp(-(((ey - top - 0.024) / 0.005) ** 2)) * np.clip(almond * 2, 0, 1)
        lashes = np.exp(-(((ey - top - 0.002) / 0.0055) ** 2)) * np.clip(almond * 3, 0, 1) * (np.abs(ex) < 0.086)
        colour = blend(colour, (0.02, 0.012, 0.01), np.clip(0.85 * lashes + 0.35 * crease, 0, 1))
        if not opening.any():
            continue
        # The ball stands where the socket would be flat; its axes are the scene's, its iris looks along the gaze.
        centre = on_head(scene, side * EYE_X, EYE_Y)
        dx = canvas.x[place[1]] - np.float32(centre[0])
        dy = canvas.y[place[0]] - np.float32(centre[1])
        bulge = np.sqrt(np.maximum(_EYE_RADIUS**2 - dx**2 - dy**2, 1e-6))
        z = np.where(opening, np.float32(centre[2] - 0.045 - _EYE_RADIUS) + bulge, z)
        look = (scene.gaze[0] + 0.25 * pose[0, 2], scene.gaze[1] + 0.25 * pose[1, 2])
        away = np.hypot(dx - np.float32(0.06 * look[0]), dy - np.float32(0.06 * look[1] + 0.003))
        eye = blend(np.broadcast_to(colour32((0.50, 0.46, 0.44)), colour.shape), sitter.iris,
                     np.clip((0.034 - away) / 0.004, 0, 1))  # fmt: skip
        ring = np.exp(-(((away - 0.033) / 0.005) ** 2)) + np.clip((0.0150 - away) / 0.003, 0, 1)
        eye = blend(eye, (0.006, 0.006, 0.006), np.clip(ring, 0, 1))
        shade = np.clip((top - ey) / 0.018, 0.25, 1)
        colour = np.where(opening[..., np.newaxis], eye * shade[..., np.newaxis], colour)
        normal = [dx / _EYE_RADIUS + 0 * dy, dy / _EYE_RADIUS + 0 * dx, bulge / _EYE_RADIUS]
        shine = _catchlight(scene, normal, scene.lighting.main, 0.24)
        shine += _catchlight(scene, normal, scene.lighting.fill, 0.34)
        glow = np.where(opening, shine, glow)
    nearer = canvas.paint(place, z, colour, gloss=0.055, texture=0.035, skin=1.0)
    canvas.glow[place][nearer] = glow[nearer]
    _paint_hair(canvas, scene)


def _paint_hair(canvas: Canvas, scene: Scene) -> None:
    pose, radii = pose_matrix(scene), head_radii(scene)
    centre = pose @ np.array([0.0, 0.135, -0.085]) + HEAD_CENTRE
    place, z, x, y, _ = ellipsoid(canvas, (centre[0], centre[1], centre[2]), tuple(radii * (1.09, 0.93, 1.02)), pose)
    draw = np.random.Generator(np.random.Philox(scene.seed + 2))
    angle = np.arctan2(x + 0.10, 0.52 - y)
    turns = np.linspace(-4.0, 4.0, 1600)
    fine = np.interp(angle + 0.05 * np.sin(9 * y), turns, draw.standard_normal(1600))
    broad = np.interp(angle + 0.08 * np.sin(5 * y), turns[::20], draw.standard_normal(80))
    strands = (0.6 * fine + 0.8 * broad).astype(np.float32)
    colour = colour32(scene.sitter.hair) * np.clip(1 + 0.30 * strands, 0.3, 2.2)[..., np.newaxis]
    canvas.paint(place, z + 0.005 * strands, colour, gloss=0.06, texture=0.08, where=(y > -0.03) | (np.abs(x) > 0.27))


def paint_instrument(canvas: Canvas, scene: Scene) -> None:
    """A fiddle, upright in the sitter's arm, with the fingers about its neck."""
    at, lean, depth = (0.40, -1.04), np.radians(-17.0), 0.44
    place = canvas.window(at, 0.95)
    dx, dy = canvas.x[place[1]] - np.float32(at[0]), canvas.y[place[0]] - np.float32(at[1])
    u = dx * np.float32(np.cos(lean)) + dy * np.float32(np.sin(lean))
    v = -dx * np.float32(np.sin(lean)) + dy * np.float32(np.cos(lean))

    def oval(centre: float, half_width: float, half_length: float) -> Field:
        return (1 - np.hypot(u / half_width, (v - centre) / half_length)) * np.float32(min(half_width, half_length))

    inside = np.maximum(np.maximum(oval(0.175, 0.175, 0.165), oval(-0.20, 0.220, 0.215)), oval(0.0, 0.15, 0.25))
    inside = np.minimum(inside, np.hypot(np.abs(u) - 0.215, v - 0.01) - np.float32(0.098))
    arch = 0.05 * np.sqrt(np.clip(inside / 0.06, 0, 1)) + 0.03 * np.exp(-((u / 0.10) ** 2))
    grain = noise_tile(scene.seed + 3, 0.8)
    rings = np.interp(u, np.linspace(-0.3, 0.3, TILE_PX), grain[0])
    flame = 1 + 0.10 * rings + 0.12 * np.exp(-((u / 0.09) ** 2))
    colour = colour32((0.33, 0.095, 0.022)) * np.asarray(flame, np.float32)[..., np.newaxis]
    colour[np.abs(inside - 0.016) < 0.0035] *= 0.25
    hole = np.abs(np.abs(u) - 0.082 - 0.022 * np.sin(np.clip((v + 0.02) * 20, -1.6, 1.6))) < 0.0075
    colour[hole & (np.abs(v + 0.02) < 0.085)] *= 0.04
    canvas.paint(place, np.where(inside > 0, depth + arch, np.float32(-9)), colour, gloss=0.10, texture=0.02)
    ebony, maple = (0.012, 0.011, 0.011), (0.30, 0.20, 0.10)
    bars: list[tuple[Mask, float, Triple]] = [
        ((np.abs(u) < 0.038) & (v > 0.30) & (v < 0.84), 0.045, (0.22, 0.07, 0.02)),
        ((np.abs(u) < 0.030 - 0.006 * v) & (v > 0.06) & (v < 0.80), 0.105, ebony),
        ((np.abs(u) < 0.030 + 0.08 * (-0.12 - v)) & (v > -0.36) & (v < -0.13), 0.10, ebony),
        ((np.abs(u) < 0.052) & (np.abs(v + 0.05) < 0.010), 0.115, maple),
        (np.hypot(u, v - 0.875) < 0.052, 0.085, (0.22, 0.07, 0.02)),
    ]  # fmt: skip
    for where, lift, tone in bars:
        canvas.paint(place, np.full(u.shape, depth + lift, np.float32), tone, gloss=0.10, texture=0.02, where=where)
    strings = np.abs(np.abs(np.abs(u) - 0.014 * (1 - 0.5 * v)) - 0.007) < max(0.0016, canvas.step * 0.6)
    strings &= (v > -0.14) & (v < 0.80)
    canvas.paint(place, np.full(u.shape, depth + 0.12, np.float32), (0.45, 0.43, 0.40), gloss=0.5, where=strings)

    def on_neck(along: float, across: float, lift: float) -> Triple:
        x = at[0] + across * np.cos(lean) - along * np.sin(lean)
        return float(x), float(at[1] + across * np.sin(lean) + along * np.cos(lean)), depth + lift

    sleeve, z = capsule(canvas, (1.05, -1.25, 0.20), on_neck(0.44, 0.20, -0.02), 0.125)
    canvas.paint(sleeve, z, scene.sitter.shirt, gloss=0.03, texture=0.06)
    palm, z = capsule(canvas, on_neck(0.47, 0.17, 0.03), on_neck(0.56, 0.10, 0.02), 0.085)
    canvas.paint(palm, z, scene.sitter.skin, gloss=0.05, texture=0.035, skin=1.0)
    for finger, along in enumerate((0.43, 0.50, 0.57, 0.635)):
        tip = on_neck(along - 0.015, -0.055 + 0.008 * finger, 0.125)
        knuckle = on_neck(along + 0.015, 0.085, 0.105)
        rod, z = capsule(canvas, knuckle, tip, 0.036 - 0.002 * finger)
        canvas.paint(rod, z, scene.sitter.skin, gloss=0.05, texture=0.035, skin=1.0)
