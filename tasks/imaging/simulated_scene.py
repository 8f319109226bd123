"""A portrait of an instrument maker in linear light, lit by a set-up's plan and rendered here, whose truth is known."""

from __future__ import annotations

import numpy as np
from PIL import Image

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.simulated_body import paint_body, paint_fiddle
from glassine.tasks.imaging.simulated_set import HEAD_M, Light, Scene, head_origin
from glassine.tasks.imaging.simulated_sitter import paint_head
from glassine.tasks.imaging.simulated_surface import (
    NOWHERE_Z,
    TILE_PX,
    Canvas,
    Field,
    Mask,
    blurred,
    colour32,
    inner,
    noise_tile,
)
from glassine.tasks.imaging.simulated_truth import draw_blemishes, stand_line

_BLEED = (0.11, 0.06, 0.045)
"""How much further than the edge of the light red, green and blue go in skin; by eye."""
_HIDDEN_BIAS = 0.006


def render_scene(scene: Scene, width: int, height: int) -> FloatImage:
    """Render a scene to the light that reaches the sensor.

    Shapes and light are computed at half size; the texture of skin, hair and cloth, and what a retoucher takes out, at
    full size.

    Returns
    -------
    float32, (H, W, 3), >= 0, linear light, sRGB primaries, D65; 1.0 saturates the sensor at nominal exposure, and
    18 % grey that faces a main light of 0 stops gives 0.18. The same scene gives the same light.
    """
    canvas = Canvas(-(-width // 2), -(-height // 2), scene.zoom, scene.look_at)
    paint_body(canvas, scene)
    paint_head(canvas, scene)
    if scene.instrument:
        paint_fiddle(canvas, scene)
    small = _shade(canvas, scene)
    # Half a pixel of the lens, which also hides the steps of the outlines; and what focus adds.
    small = blurred(small, float(np.hypot(0.75, scene.defocus_px / 2)))
    fade = np.float32(1 / (1 + 4 * scene.defocus_px**2))
    texture = resized(canvas.texture * fade, width, height) * _spread(
        noise_tile(scene.seed + 5, 0.9), (height, width), 1.5
    )
    light = np.empty((height, width, 3), np.float32)
    for channel in range(3):
        light[..., channel] = resized(np.ascontiguousarray(small[..., channel]), width, height)
    light *= (1 + texture)[..., np.newaxis]
    draw_blemishes(light, scene)
    return np.maximum(light, 0, out=light)


def resized(image: Field, width: int, height: int) -> Field:
    """A field at another size, between its samples."""
    return np.asarray(Image.fromarray(image).resize((width, height), Image.Resampling.BICUBIC))


def _spread(tile: Field, shape: tuple[int, int], stretch: float) -> Field:
    """A noise tile, enlarged and repeated to cover a picture."""
    side = round(TILE_PX * stretch)
    large = np.asarray(Image.fromarray(tile).resize((side, side), Image.Resampling.BICUBIC))
    repeats = (-(-shape[0] // side), -(-shape[1] // side))
    return np.tile(large, repeats)[: shape[0], : shape[1]]


def _cast_shadow(z: Field, lamp: Light, step: float) -> Field:
    """How much of a lamp each place sees [0, 1], marching over the depths; hard near the edge, softer far off."""
    towards = lamp.towards
    flat = float(np.hypot(towards[0], towards[1]))
    seen = np.ones_like(z)
    if flat < 0.05:
        return seen
    height, width = z.shape
    for travelled in np.geomspace(max(step, 0.010), 1.1, 34):
        dx, dy = round(travelled / step * towards[0] / flat), round(-travelled / step * towards[1] / flat)
        if abs(dx) >= width or abs(dy) >= height:
            break
        rows = slice(max(0, -dy), height - max(0, dy)), slice(max(0, -dx), width - max(0, dx))
        other = z[max(0, dy) : height + min(0, dy), max(0, dx) : width + min(0, dx)]
        above = other - z[rows] - np.float32(travelled * towards[2] / flat) - np.float32(_HIDDEN_BIAS)
        hidden = np.clip(above / np.float32(0.006 + 1.6 * lamp.angular_radius * travelled), 0, 1)
        seen[rows] = np.minimum(seen[rows], 1 - hidden)
    return seen


def _openness(z: Field, step: float) -> Field:
    """How much of the room each place sees [0, 1]: less in hollows and folds."""
    solid = np.maximum(z, np.float32(-0.45))
    hollow = np.zeros_like(z)
    for reach, weight in ((0.018, 2.2), (0.06, 1.8), (0.16, 1.0)):
        coarse = max(1, int(reach / step / 3))
        small = np.ascontiguousarray(solid[::coarse, ::coarse])
        mean = blurred(small, reach / step / coarse)
        if coarse > 1:
            mean = resized(mean, z.shape[1], z.shape[0])
        hollow += np.float32(weight) * np.clip((mean - solid) / np.float32(reach), 0, 1)
    openness: Field = 1 / (1 + hollow)
    return openness


def _shade(canvas: Canvas, scene: Scene) -> Field:
    """Light that leaves each surface towards the camera: diffuse with a soft edge, a gloss, and a sheen on hair."""
    z, lighting = canvas.z, scene.lighting
    behind = z <= np.float32(NOWHERE_Z)
    rows = np.flatnonzero(~behind.all(axis=1))
    light = np.zeros_like(canvas.colour)
    height, width = z.shape
    solid = np.maximum(z, np.float32(-0.9))
    slope_x, slope_y = (_slope(solid, axis) / np.float32(canvas.step) for axis in (1, 0))
    pores = _spread(noise_tile(scene.seed + 60, 0.8), (height, width), 1.0) * canvas.skin * np.float32(0.028)
    slope_x, slope_y = (np.clip(blurred(slope, 0.7), -6, 6) + pores for slope in (slope_x, slope_y))
    length = 1 / np.sqrt(slope_x**2 + slope_y**2 + 1)
    normal = (-slope_x * length, slope_y * length, length)
    openness = _openness(z, canvas.step)
    coarse = max(1, width // 500)
    origin = head_origin(scene)
    strand = (canvas.x - np.float32(origin[0]), canvas.y - np.float32(origin[1] + 0.45), solid - np.float32(origin[2]))
    for lamp in lighting.lamps:
        if not lamp.fired or lamp.on_backdrop:
            continue
        towards = lamp.towards
        cosine = inner(normal, towards)
        seen: Field = np.ones_like(z)
        if lamp.stops > -3.0:
            small = np.ascontiguousarray(z[::coarse, ::coarse])
            seen = np.clip(resized(_cast_shadow(small, lamp, canvas.step * coarse), width, height), 0, 1)
        # What lies deep sees less of a large lamp, too.
        seen = seen * (1 - np.float32(min(0.9, 1.6 * lamp.angular_radius)) * (1 - openness))
        halfway = towards + np.array([0, 0, 1])
        halfway /= np.linalg.norm(halfway)
        facing = np.maximum(inner(normal, halfway), 0)
        shine = (1.6 * facing**14 + 2.6 * facing**60) * canvas.gloss * seen * (cosine > -0.1)
        sheen = _hair_sheen(strand, normal, towards, canvas) * seen
        spread = lamp.angular_radius * 0.9
        for channel, bleed in enumerate(_BLEED):
            soft = np.float32(spread) + canvas.skin * np.float32(bleed) + canvas.hair * np.float32(0.25)
            diffuse = np.maximum((cosine + soft) / (1 + soft), 0)
            bled = seen ** (1 - canvas.skin * np.float32(bleed * 2.2))
            strength = np.float32(lamp.power * lamp.tint[channel])
            light[..., channel] += strength * (diffuse * bled * canvas.colour[..., channel] + shine + sheen)
    front = sum(lamp.power for lamp in lighting.lamps)
    ambient = np.float32(lighting.spill * front + 0.006) * (0.75 + 0.25 * normal[1]) * openness
    light += ambient[..., np.newaxis] * canvas.colour
    light += canvas.glow[..., np.newaxis]
    wall = _backdrop(canvas, scene, behind)
    if rows.size:
        light[behind] = wall[behind]
        return light
    return wall


def _slope(z: Field, axis: int) -> Field:
    """Rise from pixel to pixel. Where one thing hides another, only the gentler of both sides counts: a jump has no direction."""
    rise = np.diff(z, axis=axis)
    before = np.concatenate([rise[:, :1], rise], axis=1) if axis else np.concatenate([rise[:1], rise])
    after = np.concatenate([rise, rise[:, -1:]], axis=1) if axis else np.concatenate([rise, rise[-1:]])
    gentler = np.where(np.abs(before) < np.abs(after), before, after)
    slope: Field = np.where(np.abs(before - after) > np.float32(0.012), gentler, (before + after) / 2)
    return slope


def _hair_sheen(
    strand: tuple[Field, Field, Field], normal: tuple[Field, Field, Field], towards: Field, canvas: Canvas
) -> Field:
    """Light mirrored by strands: a band across the way they run (after the cosine of the angle between strand and light)."""
    out = strand[0] * normal[0] + strand[1] * normal[1] + strand[2] * normal[2]
    along = [strand[i] - out * normal[i] for i in range(3)]
    length = np.sqrt(along[0] ** 2 + along[1] ** 2 + along[2] ** 2) + np.float32(1e-3)
    halfway = towards + np.array([0.0, 0.0, 1.0])
    halfway /= np.linalg.norm(halfway)
    tangent = inner(along, halfway) / length
    band = np.sqrt(np.maximum(1 - tangent * tangent, 0)) ** 40
    lit = np.clip(inner(normal, towards) + 0.35, 0, 1)
    grey = canvas.colour[..., 1]
    return np.asarray(canvas.hair * band * lit * (0.030 + 0.55 * grey), np.float32)


def _backdrop(canvas: Canvas, scene: Scene, behind: Mask) -> Field:
    """The background: pools of its own lamps, what the others spill on it, and the shadows that fall on it."""
    lighting = scene.lighting
    height, width = canvas.z.shape
    x, y = canvas.x, canvas.y
    lit = np.zeros((height, width, 3), np.float32)
    distance = lighting.backdrop_m / HEAD_M
    figure = (~behind).astype(np.float32)
    for lamp in lighting.lamps:
        if not lamp.fired:
            continue
        if lamp.on_backdrop:
            # A pool: wide where the lamp is wide or stands far, on the side on which it stands.
            side = np.sin(np.radians(lamp.bearing_degrees))
            reach = 1.1 + 3.2 * lamp.size_m
            centre = (1.1 * side * min(1.0, 2.2 * lamp.size_m + 0.3), (lamp.height_m - 1.0) * 0.6 + 0.05)
            pool = np.exp(-(((x - np.float32(centre[0])) ** 2 + (y - np.float32(centre[1])) ** 2) / np.float32(reach)))
            part = pool
        elif lamp.towards[2] > 0.05:
            # Further off, the same lamp gives less; the figure's shadow falls beside it, softer the larger the lamp.
            fall = (lamp.distance_m / (lamp.distance_m + lighting.backdrop_m)) ** 2
            shift = [lamp.towards[i] / lamp.towards[2] * distance / canvas.step for i in (0, 1)]
            shadow = _moved(figure, -shift[0], shift[1], lamp.angular_radius * 1.2 * distance / canvas.step)
            part = np.float32(0.85 * fall * lamp.towards[2]) * (1 - shadow) * np.ones_like(x)
        else:
            continue
        for channel in range(3):
            lit[..., channel] += np.float32(lamp.power * lamp.tint[channel]) * part
    lit += np.float32(lighting.spill * 0.5 * sum(lamp.power for lamp in lighting.lamps) + 0.004)
    mottle = resized(noise_tile(scene.seed // 100 + 4, 40.0), width, height)
    lit *= (1 + 0.035 * mottle)[..., np.newaxis]
    if scene.stand_shadow:
        lit *= (1 - 0.48 * stand_line(scene, x, y))[..., np.newaxis]
    wall: Field = lit * colour32(lighting.backdrop)
    return wall


def _moved(figure: Field, right_px: float, down_px: float, sigma_px: float) -> Field:
    """A figure's outline, moved and made soft: the shadow that it throws; zero where nothing of it falls in the picture."""
    height, width = figure.shape
    dx, dy = round(right_px), round(down_px)
    moved = np.zeros_like(figure)
    if abs(dx) < width and abs(dy) < height:
        to = slice(max(0, dy), height + min(0, dy)), slice(max(0, dx), width + min(0, dx))
        of = slice(max(0, -dy), height - max(0, dy)), slice(max(0, -dx), width - max(0, dx))
        moved[to] = figure[of]
    coarse = max(1, int(sigma_px / 3))
    small = blurred(np.ascontiguousarray(moved[::coarse, ::coarse]), max(0.5, sigma_px / coarse))
    return np.clip(resized(small, width, height), 0, 1)
