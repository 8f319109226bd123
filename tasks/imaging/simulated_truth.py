"""What a retoucher is asked to take out of a simulated portrait, and where everything is: the truth behind the notes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from glassine.tasks.imaging import simulated_face as face
from glassine.tasks.imaging.simulated_set import EYE_CENTRE, EYE_RADIUS, HEAD_CENTRE, MARK, Scene, from_head, on_picture
from glassine.tasks.imaging.simulated_surface import Field, ramp

_BAND_CORNERS, _BAND_PERCENT = 9, 1.0
_STRAY_HAIR = ((-0.17, 0.335), (-0.075, 0.215), (-0.040, 0.070))
"""Three places of the face (arc, height) that the hair passes: on the hair, on the brow, by the nose."""
_LINT = ((-0.46, -0.98), (-0.40, -1.045), (-0.335, -0.99), (-0.43, -1.10))
"""Places of the shirt, in scene coordinates under the middle of the head."""
_STAND_X, _STAND_TOP = 0.665, 0.62


def _face_place(scene: Scene, place: tuple[float, float], out: float = 0.0) -> NDArray[np.float64]:
    head = face.head_table(scene.sitter, scene.smile, scene.seed, skin_mark=scene.skin_mark)
    x, y, z = face.on_face(head, place)
    grown = 1 + out / max(float(np.hypot(x, z)), 1e-3)
    return from_head(scene, (x * grown, y, z * grown))


def stand_line(scene: Scene, x: Field, y: Field) -> Field:
    """How dark [0, 1] the shadow of a lamp's stand is on the background: a pole and the head on it."""
    pole = ramp(np.abs(x - np.float32(_STAND_X)), 0.042, 0.0) * ramp(y, _STAND_TOP + 0.02, _STAND_TOP - 0.03)
    pole = pole * ramp(y, -0.12, 0.10)
    head = ramp(np.hypot((x - np.float32(_STAND_X)) / 0.085, (y - np.float32(_STAND_TOP + 0.03)) / 0.055), 1.25, 0.55)
    return np.maximum(pole, head)


def _draw_line(
    light: Field, places: list[tuple[float, float]], width_px: float, depth: float, soft_px: float, tone: float | None
) -> None:
    """A fine curve through three places, in pixels: darkens, or blends towards a tone."""
    height, width = light.shape[:2]
    t = np.linspace(0, 1, max(8, int(2.5 * np.hypot(places[2][0] - places[0][0], places[2][1] - places[0][1]))))
    bend = [2 * places[1][i] - (places[0][i] + places[2][i]) / 2 for i in (0, 1)]
    xs, ys = ((1 - t) ** 2 * places[0][i] + 2 * t * (1 - t) * bend[i] + t**2 * places[2][i] for i in (0, 1))
    spread = float(np.hypot(width_px, soft_px))
    margin = int(3 * spread) + 2
    left, right = max(0, int(xs.min()) - margin), min(width, int(xs.max()) + margin + 1)
    upper, lower = max(0, int(ys.min()) - margin), min(height, int(ys.max()) + margin + 1)
    if left >= right or upper >= lower:
        return
    cover = np.zeros((lower - upper, right - left), np.float32)
    reach = np.arange(-margin, margin + 1)
    for x, y in zip(xs, ys, strict=True):
        rows, columns = int(y) + reach - upper, int(x) + reach - left
        rows, columns = (
            rows[(rows >= 0) & (rows < cover.shape[0])],
            columns[(columns >= 0) & (columns < cover.shape[1])],
        )
        if rows.size and columns.size:
            spot = np.exp(
                -((((columns + left - x)[np.newaxis, :]) ** 2 + ((rows + upper - y)[:, np.newaxis]) ** 2) / spread**2)
            )
            part = cover[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            np.maximum(part, spot, out=part)
    amount = (cover * np.float32(depth * width_px / spread))[..., np.newaxis]
    band = light[upper:lower, left:right]
    band += amount * ((np.float32(tone) if tone is not None else 0) - band)


def _hair_places(scene: Scene, width: int, height: int) -> list[tuple[float, float]]:
    return [on_picture(scene, _face_place(scene, place, 0.012), width, height) for place in _STRAY_HAIR]


def _lint_places(scene: Scene) -> list[NDArray[np.float64]]:
    return [np.array([HEAD_CENTRE[0] + x, HEAD_CENTRE[1] + y, 0.3]) for x, y in _LINT]


def draw_blemishes(light: Field, scene: Scene) -> None:
    """Draw what is finer than half a pixel of the canvas at full size: a stray hair, lint on the shirt."""
    height, width = light.shape[:2]
    unit = scene.zoom * width / 2
    if scene.stray_hair:
        _draw_line(light, _hair_places(scene, width, height), 0.0014 * unit, 0.86, scene.defocus_px, None)
    if scene.lint:
        draw = np.random.Generator(np.random.Philox(scene.seed + 50))
        for place in _lint_places(scene):
            x, y = on_picture(scene, place, width, height)
            turn = float(draw.uniform(0, np.pi))
            run = 0.016 * unit * float(draw.uniform(0.6, 1.2))
            ends = [(x - run * np.cos(turn), y - run * np.sin(turn)), (x + 0.3 * run * np.sin(turn), y - 0.3 * run * np.cos(turn)),
                    (x + run * np.cos(turn), y + run * np.sin(turn))]  # fmt: skip
            around = light[max(0, int(y) - 3) : int(y) + 4, max(0, int(x) - 3) : int(x) + 4]
            tone = float(np.clip(around.mean() * 2.6 + 0.10, 0, 0.8)) if around.size else 0.5
            _draw_line(light, ends, 0.0024 * unit, 0.9, scene.defocus_px, tone)


def regions(scene: Scene, width: int, height: int) -> dict[str, dict[str, Any]]:
    """Where things are in the upright picture: regions in percent, the truth that notes can be checked against.

    Returns
    -------
    {"face", "left_eye", "right_eye" (as seen), "skin_mark", "lint", "stand_shadow": {"shape": "rectangle", "x", "y",
    "width", "height"}, "stray_hair": {"shape": "polygon", "points"}, a band along it, "catchlight": an ellipse about the
    iris of the eye that lacks it}; what the scene has not is left out. All lie within the picture.
    """

    def box(places: list[tuple[float, float]], margin: float, shape: str = "rectangle") -> dict[str, Any]:
        px = margin * scene.zoom * width / 2
        left = max(1.0, min(x for x, _ in places) - px) / width * 100
        right = min(width - 1.0, max(x for x, _ in places) + px) / width * 100
        upper = max(1.0, min(y for _, y in places) - px) / height * 100
        lower = min(height - 1.0, max(y for _, y in places) + px) / height * 100
        numbers = {"x": left, "y": upper, "width": max(right - left, 0.01), "height": max(lower - upper, 0.01)}
        return {"shape": shape, **{name: round(float(value), 3) for name, value in numbers.items()}}

    def seen(place: NDArray[np.float64]) -> tuple[float, float]:
        return on_picture(scene, place, width, height)

    eyes = {}
    for name, side in (("left_eye", -1), ("right_eye", 1)):
        front = (side * EYE_CENTRE[0], EYE_CENTRE[1], EYE_CENTRE[2] + 0.9 * EYE_RADIUS)
        eyes[name] = seen(from_head(scene, front))
    corners = [(-0.62, -0.1), (0.62, -0.1), (0.0, 0.30), (0.0, -0.46)]
    found = {
        "face": box([seen(_face_place(scene, place)) for place in corners], 0.0),
        "left_eye": box([eyes["left_eye"]], 0.095),
        "right_eye": box([eyes["right_eye"]], 0.095),
    }
    for name, there in zip(("left_eye", "right_eye"), scene.catchlights, strict=True):
        if not there:
            found["catchlight"] = box([eyes[name]], 0.062, "ellipse")
    if scene.skin_mark:
        found["skin_mark"] = box([seen(_face_place(scene, MARK))], 0.030)
    if scene.stray_hair:
        found["stray_hair"] = _hair_band(scene, width, height)
    if scene.lint:
        found["lint"] = box([seen(place) for place in _lint_places(scene)], 0.030)
    if scene.stand_shadow:
        upper = (_STAND_X, _STAND_TOP + 0.075)
        lower = (_STAND_X, -0.04)
        found["stand_shadow"] = box([seen(np.array([x, y, 0.0])) for x, y in (upper, lower)], 0.13)
    return found


def _hair_band(scene: Scene, width: int, height: int) -> dict[str, Any]:
    """A narrow polygon along the stray hair, as a person would draw round it."""
    places = _hair_places(scene, width, height)
    t = np.linspace(-0.03, 1.03, _BAND_CORNERS)
    bend = [2 * places[1][i] - (places[0][i] + places[2][i]) / 2 for i in (0, 1)]
    xs, ys = ((1 - t) ** 2 * places[0][i] + 2 * t * (1 - t) * bend[i] + t**2 * places[2][i] for i in (0, 1))
    right = [(x / width * 100 + _BAND_PERCENT, y / height * 100) for x, y in zip(xs, ys, strict=True)]
    left = [(x / width * 100 - _BAND_PERCENT, y / height * 100) for x, y in zip(xs, ys, strict=True)]
    points = [
        [round(float(np.clip(x, 0.1, 99.9)), 3), round(float(np.clip(y, 0.1, 99.9)), 3)] for x, y in left + right[::-1]
    ]
    return {"shape": "polygon", "points": points}
