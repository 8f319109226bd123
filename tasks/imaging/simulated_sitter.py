"""The sitter's head before the simulated camera: face, eyes, ears, hair and glasses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from glassine.tasks.imaging import simulated_face as face
from glassine.tasks.imaging.simulated_set import (
    EYE_CENTRE,
    EYE_RADIUS,
    Light,
    Scene,
    from_head,
    head_origin,
    pose_matrix,
)
from glassine.tasks.imaging.simulated_surface import (
    Canvas,
    Field,
    Window,
    blend,
    bump,
    colour32,
    ellipsoid,
    inner,
    ramp,
)
from glassine.tasks.imaging.simulated_turntable import Turntable, paint_turntable, trace

_IRIS, _PUPIL = 0.0285, 0.0095
_CORNEA_RADIUS = 0.050
_MIRRORED = 0.025
"""Share of the light that a cornea mirrors; Fresnel's equation at an index of 1.376."""


def head_of(scene: Scene) -> Turntable:
    """The sculpted head of a scene's sitter."""
    return face.head_table(scene.sitter, scene.smile, scene.seed, skin_mark=scene.skin_mark)


def paint_head(canvas: Canvas, scene: Scene) -> None:
    """Paint the head: ears, skin and hair, eyes, hair that hangs, glasses."""
    pose, origin = pose_matrix(scene), head_origin(scene)
    _paint_ears(canvas, scene, pose)
    solid = head_of(scene)
    met = trace(canvas, solid, pose, origin, 0.62, 0.74)
    paint_turntable(canvas, solid, met, texture=0.012, hair_texture=0.05)
    for side in (-1, 1):
        _paint_eye(canvas, scene, pose, side)
    if scene.sitter.hair_style == "tied":
        knot = from_head(scene, (0.0, 0.52, -0.20))
        place, z, x, y, _ = ellipsoid(
            canvas, (float(knot[0]), float(knot[1]), float(knot[2])), (0.15, 0.12, 0.14), pose
        )
        coil = np.sin(60 * np.hypot(x, 1.3 * (y - 0.03)) + 2 * np.arctan2(y, x))
        tone = colour32(scene.sitter.hair) * (1 + 0.3 * coil)[..., np.newaxis]
        canvas.paint(place, z + 0.004 * coil, tone.astype(np.float32), texture=0.05, hair=1.0)
    if scene.sitter.hair_style == "long":
        hanging = face.hanging_hair(scene.sitter, scene.seed)
        paint_turntable(
            canvas, hanging, trace(canvas, hanging, pose, origin, 0.66, 0.95), texture=0.05, hair_texture=0.05
        )
    if scene.sitter.glasses:
        _paint_glasses(canvas, scene, pose, origin)


def _paint_ears(canvas: Canvas, scene: Scene, pose: NDArray[np.float64]) -> None:
    sitter = scene.sitter
    red = (sitter.skin[0], sitter.skin[1] * 0.84, sitter.skin[2] * 0.82)
    for side in (-1, 1):
        out = np.radians(38.0)
        thin = np.array([side * np.cos(out), 0, np.sin(out)])
        wide = np.array([-side * np.sin(out), 0, np.cos(out)])
        upright = np.array([side * 0.14, 0.98, -0.12])
        axes = pose @ np.stack([thin, upright, wide], axis=1)
        centre = from_head(scene, (side * 0.316 * sitter.head_width, -0.085, -0.075))
        place, z, _, own_y, own_w = ellipsoid(
            canvas, (float(centre[0]), float(centre[1]), float(centre[2])), (0.030, 0.132, 0.080), axes
        )
        reach = np.hypot(own_y / 0.132, own_w / 0.080)
        relief = 0.012 * np.exp(-(((reach - 0.82) / 0.13) ** 2))
        relief -= 0.030 * bump(own_w, own_y, (0.015, -0.015), (0.028, 0.048))
        canvas.paint(place, z + relief, red, gloss=0.03, texture=0.012, skin=1.0)


def _paint_eye(canvas: Canvas, scene: Scene, pose: NDArray[np.float64], side: int) -> None:
    """An eyeball between its lids, with lashes, iris, and the lamps mirrored in its cornea."""
    sitter = scene.sitter
    centre = from_head(scene, (side * EYE_CENTRE[0], EYE_CENTRE[1], EYE_CENTRE[2]))
    place, z, x, y, depth = ellipsoid(
        canvas, (float(centre[0]), float(centre[1]), float(centre[2])), (EYE_RADIUS, EYE_RADIUS, EYE_RADIUS), pose
    )
    across = np.where(z > -5, side * x / face.EYE_HALF_WIDTH, 9)
    top, bottom = face.lid_edges(across, scene.eyes_open, scene.smile)
    near = np.abs(across) < 1.15
    visible = np.abs(z - canvas.z[place]) < 0.03
    lateral = np.clip((across + 1) / 2, 0, 1)
    # The lids: lashes along their edges, the upper ones longer towards the outer corner.
    over, under = y - top, bottom - y
    thick = 0.0035 + 0.0050 * lateral
    lashes = np.exp(-((np.maximum(np.abs(over - 0.001), 0) / thick) ** 2)) * ramp(np.abs(across), 1.12, 0.85)
    lower = np.exp(-(((under - 0.001) / 0.0022) ** 2)) * ramp(np.abs(across), 1.0, 0.7) * 0.35 * lateral
    crease_at = 0.017 - 0.006 * np.abs(across) + 0.006 * (1 - scene.eyes_open)
    crease = np.exp(-(((over - crease_at) / 0.0032) ** 2)) * ramp(np.abs(across), 1.1, 0.75) * 0.55
    dark = np.clip(lashes * 0.95 + lower + crease, 0, 0.95) * (visible & near)
    skin = canvas.colour[place]
    lash = tuple(0.25 * part for part in sitter.hair) if max(sitter.hair) < 0.12 else (0.03, 0.02, 0.015)
    skin += dark[..., np.newaxis] * (colour32((lash[0], lash[1], lash[2])) - skin)
    opening = (y < top) & (y > bottom) & (np.abs(across) < 1) & visible
    if not opening.any():
        return
    sight = pose[2] + np.array([0.30 * scene.gaze[0], 0.30 * scene.gaze[1], 0])
    # The painted ball is larger than an eye, so that it turns less.
    sight[0] = 0.74 * sight[0] - side * 0.03
    sight /= np.linalg.norm(sight)
    off = [
        x - np.float32(EYE_RADIUS * sight[0]),
        y - np.float32(EYE_RADIUS * sight[1]),
        depth - np.float32(EYE_RADIUS * sight[2]),
    ]
    away = np.sqrt(off[0] ** 2 + off[1] ** 2 + off[2] ** 2)
    colour = _eyeball_colour(scene, across, off, away, side)
    shade = 0.30 + 0.70 * ramp(top - y, 0.0, 0.020)
    shade *= 0.65 + 0.35 * ramp(np.abs(across), 1.0, 0.55)
    colour = colour * shade[..., np.newaxis]
    # The cornea bulges out of the ball: its normal turns faster.
    scene_off = [inner(off, pose[i]) for i in range(3)]
    ball = [inner([x, y, depth], pose[i]) / np.float32(EYE_RADIUS) for i in range(3)]
    forward = pose @ sight
    cornea = [np.float32(forward[i]) + scene_off[i] / np.float32(_CORNEA_RADIUS) for i in range(3)]
    share = ramp(away, _IRIS * 1.18, _IRIS * 1.0)
    normal = [ball[i] + share * (cornea[i] - ball[i]) for i in range(3)]
    length = np.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
    normal = [part / length for part in normal]
    glow = np.zeros_like(z)
    if scene.catchlights[0 if side < 0 else 1]:
        for lamp in scene.lighting.lamps:
            if lamp.fired and not lamp.on_backdrop and lamp.towards[2] > 0:
                glow = np.maximum(glow, _catchlight(normal, lamp))
    inside = opening
    # A little behind the lids, and no step at their edges that would catch the light.
    sunk = canvas.z[place] - 0.005 * ramp(np.minimum(top - y, y - bottom), 0.0, 0.008)
    canvas.z[place][inside] = sunk[inside]
    canvas.colour[place][inside] = colour[inside]
    canvas.gloss[place][inside] = 0.02
    canvas.texture[place][inside] = 0.0
    canvas.skin[place][inside] = 0.4
    canvas.hair[place][inside] = 0.0
    canvas.glow[place][inside] = glow[inside]


def _eyeball_colour(scene: Scene, across: Field, off: list[Field], away: Field, side: int) -> Field:
    sitter = scene.sitter
    white = colour32((0.36, 0.32, 0.30)) * np.float32(0.6 + 0.8 * sitter.skin[1])
    colour = np.broadcast_to(white, (*away.shape, 3)).astype(np.float32)
    colour = blend(colour, (0.42, 0.20, 0.17), ramp(across, -0.72, -0.92))
    angle = np.arctan2(off[1], off[0])
    draw = np.random.Generator(np.random.Philox(scene.seed + 12))
    rays = np.interp(angle, np.linspace(-np.pi, np.pi, 90), draw.standard_normal(90)).astype(np.float32)
    # Light that comes in from one side is gathered at the other side of the iris.
    main = scene.lighting.lamps[0].towards
    gathered = 1 - 0.5 * (off[0] * main[0] + off[1] * main[1]) / _IRIS
    streaks = (1 + 0.22 * rays * ramp(away, _PUPIL, _PUPIL * 2)) * gathered
    iris = colour32(sitter.iris) * np.clip(streaks, 0.4, 2.0)[..., np.newaxis]
    colour = colour + ramp(away, _IRIS + 0.002, _IRIS - 0.002)[..., np.newaxis] * (iris - colour)
    ring = 0.75 * np.exp(-(((away - _IRIS + 0.001) / 0.0035) ** 2)) + ramp(away, _PUPIL + 0.0015, _PUPIL - 0.001)
    return blend(colour, (0.004, 0.004, 0.004), np.clip(ring, 0, 1))


def _catchlight(normal: Sequence[Field], lamp: Light) -> Field:
    """A lamp mirrored in a cornea: its shape, place and brightness (the light it mirrors over the size it fills)."""
    towards = lamp.towards
    mirrored = [2 * normal[2] * normal[0], 2 * normal[2] * normal[1], 2 * normal[2] ** 2 - 1]
    side = np.cross([0.0, 1.0, 0.0], towards)
    side /= np.linalg.norm(side)
    above = np.cross(towards, side)
    u, v = inner(mirrored, side), inner(mirrored, above)
    reach = float(np.clip(lamp.angular_radius, 0.20, 0.34))
    away = np.maximum(np.abs(u), np.abs(v)) if lamp.shape == "square" else np.hypot(u, v)
    lit = ramp(away, reach + 0.05, reach - 0.05) * (inner(mirrored, towards) > 0)
    if lamp.shape == "square":
        bars = np.minimum(np.abs(u), np.abs(v))
        lit = lit * (0.35 + 0.65 * ramp(bars, 0.01, 0.05))
    strength = float(np.clip(_MIRRORED * lamp.power / lamp.angular_radius**2, 0.0, 1.2))
    return np.asarray(lit * np.float32(strength), np.float32)


def _paint_glasses(canvas: Canvas, scene: Scene, pose: NDArray[np.float64], origin: NDArray[np.float64]) -> None:
    """Thin round-cornered frames, on a plane before the face, with bows to the ears."""
    middle = from_head(scene, (0.0, -0.01, 0.43))
    place: Window = canvas.window((float(middle[0]), float(middle[1])), 0.40)
    x = canvas.x[place[1]] - np.float32(origin[0])
    y = canvas.y[place[0]] - np.float32(origin[1])
    turned, sight = pose.astype(np.float32), pose[2].astype(np.float32)
    start = [turned[0, i] * x + turned[1, i] * y for i in range(3)]
    # The plane z = 0.43 - 0.5 x² of the head, by two steps of Newton's method from the flat one.
    t = (np.float32(0.43) - start[2]) / sight[2]
    for _ in range(3):
        own_x = start[0] + t * sight[0]
        t = (np.float32(0.43) - 0.45 * own_x**2 - start[2]) / sight[2]
    own_x, own_y = start[0] + t * sight[0], start[1] + t * sight[1]
    ax = np.abs(own_x)
    rim = (np.abs((ax - 0.150) / 0.098) ** 2.6 + np.abs((own_y + 0.018) / 0.078) ** 2.6) ** (1 / 2.6)
    frame = np.abs(rim - 1) < 0.055
    frame |= (np.abs(own_y - 0.012 - 0.10 * (0.055**2 - ax**2) / 0.055) < 0.007) & (ax < 0.056)
    frame |= (np.abs(own_y - 0.020) < 0.008) & (ax > 0.245) & (ax < 0.30)
    # They lie close over the skin for the light's sake: wire throws next to no shadow.
    depth = np.minimum(t + np.float32(origin[2]), canvas.z[place] + np.float32(0.014))
    canvas.paint(place, depth, (0.035, 0.028, 0.022), gloss=0.25, texture=0.0, where=frame)
