"""A portrait of an instrument maker in linear light, lit and rendered here, whose truth is known."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.simulated_set import EYE_X, EYE_Y, HEAD_CENTRE, MARK, Light, Scene, on_head
from glassine.tasks.imaging.simulated_sitter import paint_body, paint_head, paint_instrument
from glassine.tasks.imaging.simulated_surface import (
    BACKDROP_Z,
    TILE_PX,
    Canvas,
    Field,
    blurred,
    colour32,
    inner,
    noise_tile,
)

_BAND_CORNERS, _BAND_PERCENT = 9, 0.9
_STRAY_HAIR = ((-0.20, 0.40), (-0.02, 0.30), (-0.055, 0.06))


def _cast_shadow(z: Field, light: Light, step: float) -> Field:
    """How much of a lamp each place sees [0, 1], marching over the depths; hard near the edge, softer far off."""
    towards = np.array(light.place) / np.linalg.norm(light.place)
    flat = float(np.hypot(towards[0], towards[1]))
    seen = np.ones_like(z)
    height, width = z.shape
    for travelled in np.geomspace(0.016, 0.88, 30):
        dx, dy = round(travelled / step * towards[0] / flat), round(-travelled / step * towards[1] / flat)
        if abs(dx) >= width or abs(dy) >= height:
            break
        rows = slice(max(0, -dy), height - max(0, dy)), slice(max(0, -dx), width - max(0, dx))
        other = z[max(0, dy) : height + min(0, dy), max(0, dx) : width + min(0, dx)]
        above = other - z[rows] - np.float32(travelled * towards[2] / flat) - np.float32(0.006)
        hidden = np.clip(above / np.float32(0.01 + 0.5 * light.softness * travelled), 0, 1)
        seen[rows] = np.minimum(seen[rows], 1 - hidden)
    return seen


def _resized(image: Field, width: int, height: int) -> Field:
    return np.asarray(Image.fromarray(image).resize((width, height), Image.Resampling.BICUBIC))


def _spread(tile: Field, shape: tuple[int, int], stretch: float) -> Field:
    """A noise tile, enlarged and repeated to cover a picture."""
    side = round(TILE_PX * stretch)
    large = np.asarray(Image.fromarray(tile).resize((side, side), Image.Resampling.BICUBIC))
    repeats = (-(-shape[0] // side), -(-shape[1] // side))
    return np.tile(large, repeats)[: shape[0], : shape[1]]


def _shade(canvas: Canvas, scene: Scene) -> Field:
    """Light that leaves each surface towards the camera: diffuse with a soft edge, and a gloss."""
    z, lighting = canvas.z, scene.lighting
    slope_y, slope_x = np.gradient(z, np.float32(canvas.step))
    length = 1 / np.sqrt(slope_x**2 + slope_y**2 + 1)
    normal = (-slope_x * length, slope_y * length, length)
    light = np.zeros_like(canvas.colour)
    height, width = z.shape
    coarse = max(1, width // 250)
    for lamp in (lighting.main, lighting.fill, lighting.rim):
        if not lamp.fired:
            continue
        towards = np.array(lamp.place) / np.linalg.norm(lamp.place)
        cosine = inner(normal, towards)
        seen: Field | float = 1.0
        if lamp is lighting.main:
            small = np.ascontiguousarray(z[::coarse, ::coarse])
            seen = np.clip(_resized(_cast_shadow(small, lamp, canvas.step * coarse), width, height), 0, 1)
        halfway = towards + np.array([0, 0, 1])
        halfway /= np.linalg.norm(halfway)
        shine = np.maximum(inner(normal, halfway), 0) ** 24 * (cosine > -0.1)
        shine = shine * canvas.gloss * np.float32(2.2) * seen
        for channel, bleed in enumerate((0.13, 0.06, 0.04)):
            # Red goes furthest into skin and comes out again beyond the edge of the shadow.
            soft = lamp.softness * 0.4 + canvas.skin * np.float32(bleed)
            diffuse = np.maximum((cosine + soft) / (1 + soft), 0) * seen
            strength = np.float32(lamp.power * lamp.tint[channel])
            light[..., channel] += strength * (diffuse * canvas.colour[..., channel] + shine)
    light += np.float32(0.012) * canvas.colour
    light += (np.float32(0.75) * canvas.glow)[..., np.newaxis]
    behind = z <= np.float32(BACKDROP_Z)
    spot = lighting.backdrop
    glow = np.exp(-((canvas.x - np.float32(spot.place[0])) ** 2 + (canvas.y - np.float32(spot.place[1])) ** 2) / 0.9)
    cloth = _resized(noise_tile(scene.seed + 4, 40.0), width, height)
    spill = 0.10 * lighting.main.power + 0.2 * lighting.fill.power + 0.012
    wall = (glow * np.float32(spot.power) + np.float32(spill)) * (1 + 0.06 * cloth)
    light[behind] = wall[behind][:, np.newaxis] * (colour32(scene.backdrop) * colour32(spot.tint))
    return light


def _draw_stray_hair(light: Field, scene: Scene) -> None:
    """One dark hair across the forehead, drawn at full size."""
    height, width = light.shape[:2]
    rows, across = _hair_line(scene, width, height)
    if rows.size < 2:
        return
    slope = np.hypot(1, np.gradient(across))[:, np.newaxis]
    sharp, blurred = 1.4e-3 * width / 2, np.hypot(1.4e-3 * width / 2, scene.defocus_px)
    first, last = int(across.min() - 6 * blurred), int(across.max() + 6 * blurred) + 1
    band = light[rows[0] : rows[-1] + 1, max(0, first) : last]
    columns = np.arange(max(0, first), max(0, first) + band.shape[1])
    profile = np.exp(-(((columns - across[:, np.newaxis]) / (slope * blurred)) ** 2)) * (0.85 * sharp / blurred)
    band *= (1 - profile.astype(np.float32))[..., np.newaxis]


def render_scene(scene: Scene, width: int, height: int) -> FloatImage:
    """Render a scene to the light that reaches the sensor.

    Shapes and light are computed at half size; the texture of skin, hair and cloth, and a stray hair, at full size.

    Returns
    -------
    float32, (H, W, 3), >= 0, linear light, sRGB primaries, D65; 1.0 saturates the sensor at nominal exposure, and
    18 % grey that faces a main light of 0 stops gives 0.18. The same scene gives the same light.
    """
    canvas = Canvas(-(-width // 2), -(-height // 2))
    paint_body(canvas, scene)
    paint_head(canvas, scene)
    if scene.instrument:
        paint_instrument(canvas, scene)
    small = _shade(canvas, scene)
    # Half a pixel of the lens, which also hides the steps of the outlines; and what focus adds.
    small = blurred(small, float(np.hypot(0.8, scene.defocus_px / 2)), channel_axis=2)
    fade = np.float32(1 / (1 + 4 * scene.defocus_px**2))
    texture = _resized(canvas.texture * fade, width, height) * _spread(
        noise_tile(scene.seed + 5, 1.0), (height, width), 1.7
    )
    light = np.empty((height, width, 3), np.float32)
    for channel in range(3):
        light[..., channel] = _resized(np.ascontiguousarray(small[..., channel]), width, height)
    light *= (1 + texture)[..., np.newaxis]
    if scene.stray_hair:
        _draw_stray_hair(light, scene)
    return np.maximum(light, 0, out=light)


def _hair_line(scene: Scene, width: int, height: int) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """The rows that the stray hair crosses, and where in each: a quadratic curve through three places of the head."""
    places = (on_head(scene, *place, lift=1.02) for place in _STRAY_HAIR)
    start, bend, end = (((p[0] + 1) * width / 2, height / 2 - p[1] * width / 2) for p in places)
    rows = np.arange(max(0, int(start[1])), min(height, int(end[1])))
    t = (rows - start[1]) / (end[1] - start[1])
    return rows, (1 - t) ** 2 * start[0] + 2 * t * (1 - t) * bend[0] + t**2 * end[0]


def _hair_band(scene: Scene, width: int, height: int) -> dict[str, Any]:
    """A narrow polygon along the stray hair, as a person would draw round it."""
    rows, across = _hair_line(scene, width, height)
    corners = np.linspace(0, rows.size - 1, _BAND_CORNERS).round().astype(int)
    left = [(across[i] / width * 100 - _BAND_PERCENT, rows[i] / height * 100) for i in corners]
    right = [(across[i] / width * 100 + _BAND_PERCENT, rows[i] / height * 100) for i in corners[::-1]]
    return {"shape": "polygon", "points": [[round(float(x), 3), round(float(y), 3)] for x, y in left + right]}


def regions(scene: Scene, width: int, height: int) -> dict[str, dict[str, Any]]:
    """Where things are in the upright picture: rectangles in percent, the truth that notes can be checked against.

    Returns
    -------
    {"face", "left_eye", "right_eye" (as seen), "skin_mark": {"shape": "rectangle", "x", "y", "width", "height"},
    "stray_hair": {"shape": "polygon", "points"}, a band along it}; a mark or a hair that the scene has not is left out.
    """

    def box(places: list[NDArray[np.float64]], margin: float) -> dict[str, Any]:
        xs = [(place[0] + 1) / 2 * 100 for place in places]
        ys = [50 - place[1] * width / height / 2 * 100 for place in places]
        across, down = margin * 50, margin * 50 * width / height
        left, top = min(xs) - across, min(ys) - down
        return {
            "shape": "rectangle",
            "x": round(float(left), 3),
            "y": round(float(top), 3),
            "width": round(float(max(xs) + across - left), 3),
            "height": round(float(max(ys) + down - top), 3),
        }

    centre = np.array(HEAD_CENTRE)
    found = {
        "face": box([centre - np.array([0.36, 0.50, 0]), centre + np.array([0.36, 0.46, 0])], 0.02),
        "left_eye": box([on_head(scene, -EYE_X, EYE_Y)], 0.11),
        "right_eye": box([on_head(scene, EYE_X, EYE_Y)], 0.11),
    }
    if scene.skin_mark:
        found["skin_mark"] = box([on_head(scene, *MARK)], 0.035)
    if scene.stray_hair:
        found["stray_hair"] = _hair_band(scene, width, height)
    return found
