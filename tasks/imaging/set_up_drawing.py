"""A set-up drawn to scale: the floor seen from above, and beside it a column of heights."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Iterator, Sequence
from typing import Any, Final

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from glassine.tasks.imaging.set_up_plan import Floor, PlacedLight, Plan
from glassine.tasks.imaging.sheet_text import BLACK, QUIET, RISE, Box, PageText, first_free

SCALES: Final = (10, 15, 20, 25, 30, 40, 50, 60, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500, 2000)
"""1:20, 1:50, 1:100 and their tens are those that ISO 5455 recommends (from memory); those between fill the page."""

_FAINT: Final = (0.85, 0.85, 0.85)
_LIGHT: Final = (0.62, 0.62, 0.62)
_PAPER: Final = (1.0, 1.0, 1.0)
_SIZE: Final = 6.8
_LEADING: Final = 8.4
_LABEL_WIDTH: Final = 40 * mm
_SHOULDERS_M: Final = (0.45, 0.26)
_HEAD_M: Final = (0.16, 0.20)
"""Width and depth of a grown person seen from above: from memory, rounded."""
_ARROW: Final = 4.0
_LEAST_SIDE: Final = 2 * mm
"""Smallest symbol that is still seen on paper (own choice)."""

Point = tuple[float, float]


def draw_plan(canvas: Canvas, text: PageText, plan: Plan, area: Box) -> None:
    """Draw the floor: sitter, background, camera with its angle of view, lights with their aim, names and distances.

    Parameters
    ----------
    area : where on the page; everything stays inside

    Notes
    -----
    The largest of `SCALES` at which all fits is taken, and written beside a bar of metres. A label for which there is no
    room is left out: the table on the sheet has all that it says.
    """
    drawing = _Floor(canvas, text, plan, area)
    # Words come last: they go where no symbol is.
    drawing.ground()
    for light in plan.lights:
        drawing.aim_line(light)
    drawing.sitter()
    drawing.camera()
    for light in plan.lights:
        drawing.light(light)
    drawing.labels()


class _Floor:
    """The floor on a page: metres to points, what is taken, where words may go."""

    def __init__(self, canvas: Canvas, text: PageText, plan: Plan, area: Box) -> None:
        self.canvas, self.text, self.plan, self.area = canvas, text, plan, area
        left, foot, right, top = _extent(plan)
        self.scale = plan_scale(plan, area)
        self.metre = 1000 * mm / self.scale
        # The camera's side is at the foot of the page, as one who stands behind the camera sees it; so y is turned.
        self.origin = (
            (area.left + area.right) / 2 - (left + right) / 2 * self.metre,
            (area.foot + area.top) / 2 + 3 * mm + (foot + top) / 2 * self.metre,
        )
        self.taken: list[Box] = []
        self.lines: list[Box] = []
        self.outlines: dict[int, list[Point]] = {}
        self._frame_and_scale()

    def at(self, place: Floor) -> Point:
        """Points on the page of a place on the floor."""
        return self.origin[0] + place[0] * self.metre, self.origin[1] - place[1] * self.metre

    def _frame_and_scale(self) -> None:
        canvas, area = self.canvas, self.area
        canvas.setLineWidth(0.4)
        canvas.setStrokeColorRGB(*_LIGHT)
        canvas.rect(area.left, area.foot, area.right - area.left, area.top - area.foot, stroke=1, fill=0)
        canvas.saveState()
        self._clip()
        canvas.setLineWidth(0.3)
        canvas.setStrokeColorRGB(*_FAINT)
        apart = next(step for step in (1, 2, 5, 10, 20, 50, 100) if step * self.metre >= 8 * mm)
        reach = math.hypot(area.right - area.left, area.top - area.foot)
        for ring in range(1, math.ceil(reach / (apart * self.metre)) + 1):
            canvas.circle(*self.origin, ring * apart * self.metre, stroke=1, fill=0)
        canvas.line(area.left, self.origin[1], area.right, self.origin[1])
        canvas.line(self.origin[0], area.foot, self.origin[0], area.top)
        canvas.restoreState()
        # The bar is three to six centimetres long.
        length = next(step for step in (0.5, 1, 2, 5, 10, 20, 50, 100) if step * self.metre >= 25 * mm)
        x, y = area.left + 3 * mm, area.foot + 4 * mm
        words = f"{length:g} m, scale 1:{self.scale}, rings {apart} m apart"
        wide = max(length * self.metre, self.text.width(words, _SIZE))
        box = Box(x - 2, y - 3, x + wide + 2, y + _SIZE + 6)
        self._white(box)
        self._ink(BLACK, 0.8)
        canvas.line(x, y, x + length * self.metre, y)
        for end in (x, x + length * self.metre):
            canvas.line(end, y - 2, end, y + 2)
        self.text.draw(x, y + 4, words, _SIZE)
        self.taken.append(box)

    def ground(self) -> None:
        """The background's line, as wide as the drawing: its own width is not on the sheet."""
        if self.plan.background_m is None:
            return
        canvas, area = self.canvas, self.area
        _, y = self.at((0.0, -self.plan.background_m))
        self._ink(BLACK, 1.4)
        canvas.line(area.left, y, area.right, y)
        self.taken.append(Box(area.left, y - 1.5, area.right, y + 1.5))

    def aim_line(self, light: PlacedLight) -> None:
        """A line from the sitter to the light, and an arrow from the light to what it is aimed at."""
        if light.floor is None:
            return
        canvas, here = self.canvas, self.at(light.floor)
        if light.aim != "sitter":
            self._ink(_LIGHT, 0.4, dash=(1, 2))
            canvas.line(*self.origin, *here)
        if light.aim_floor is None:
            return
        there = self.at(light.aim_floor)
        # At the sitter the arrow ends before the shoulders.
        short = 0.3 * self.metre if light.aim == "sitter" else 0.0
        length = math.dist(here, there)
        if length <= short + _ARROW:
            return
        along = ((there[0] - here[0]) / length, (there[1] - here[1]) / length)
        tip = (there[0] - along[0] * short, there[1] - along[1] * short)
        self._ink(QUIET, 0.6, dash=(4, 2))
        canvas.line(*here, *tip)
        self._ink(QUIET, 0.6)
        for side in (-0.35, 0.35):
            canvas.line(
                *tip,
                tip[0] - _ARROW * (along[0] - side * along[1]),
                tip[1] - _ARROW * (along[1] + side * along[0]),
            )
        self.lines += _beside(here, tip)

    def sitter(self) -> None:
        """Shoulders, head and the direction of the nose."""
        canvas, (x, y) = self.canvas, self.origin
        self._ink(BLACK, 0.8)
        canvas.setFillColorRGB(*_PAPER)
        for width, depth in (_SHOULDERS_M, _HEAD_M):
            across, along = width / 2 * self.metre, depth / 2 * self.metre
            canvas.ellipse(x - across, y - along, x + across, y + along, stroke=1, fill=1)
        nose = _HEAD_M[1] / 2 * self.metre
        canvas.line(x, y - nose, x, y - nose - 0.05 * self.metre)
        across, along = (side / 2 * self.metre + 1 for side in _SHOULDERS_M)
        self.taken.append(Box(x - across, y - along, x + across, y + along))

    def camera(self) -> None:
        """The camera and the width that it sees; where its distance is not known, an arrow towards it."""
        canvas, plan = self.canvas, self.plan
        if plan.camera_m is None:
            start, end = self.at((0.0, 0.5)), self.at((0.0, 1.1))
            self._ink(BLACK, 0.8)
            canvas.line(*start, *end)
            for side in (-2.0, 2.0):
                canvas.line(*end, end[0] + side, end[1] + _ARROW)
            self.taken += _beside(start, end)
            return
        x, y = self.at((0.0, plan.camera_m))
        if plan.view is not None:
            far = plan.camera_m + (plan.background_m or 0.0)
            half = far * math.tan(math.radians(plan.view.width_degrees) / 2)
            self._ink(_LIGHT, 0.5)
            canvas.saveState()
            self._clip()
            for side in (-half, half):
                end = self.at((side, plan.camera_m - far))
                canvas.line(x, y, *end)
                self.lines += _beside((x, y), end)
            canvas.restoreState()
        side = max(0.14 * self.metre, _LEAST_SIDE)
        self._ink(BLACK, 0.8)
        canvas.setFillColorRGB(*_PAPER)
        canvas.rect(x - side / 2, y - side * 0.6, side, side * 0.6, stroke=1, fill=1)
        canvas.rect(x - side / 4, y, side / 2, side * 0.4, stroke=1, fill=1)
        self.taken.append(Box(x - side / 2 - 1, y - side * 0.6 - 1, x + side / 2 + 1, y + side * 0.4))

    def light(self, light: PlacedLight) -> None:
        """A light's front, as wide as its modifier and square to its aim, with a body behind; a ring where no size is known."""
        if light.floor is None:
            return
        canvas, (x, y) = self.canvas, self.at(light.floor)
        width = light.modifier.width_m
        self._ink(BLACK, 0.9)
        canvas.setFillColorRGB(*_PAPER)
        if width is None or light.aim_floor is None or light.aim_floor == light.floor:
            radius = max((width or 0.16) / 2 * self.metre, _LEAST_SIDE / 2)
            canvas.circle(x, y, radius, stroke=1, fill=1)
            canvas.circle(x, y, 0.8, stroke=1, fill=0)
            self.taken.append(Box(x - radius, y - radius, x + radius, y + radius))
            self.outlines[light.number] = [
                (x + radius * math.cos(turn * math.pi / 8), y + radius * math.sin(turn * math.pi / 8))
                for turn in range(16)
            ]
            return
        half = max(width * self.metre, _LEAST_SIDE) / 2
        there = self.at(light.aim_floor)
        turn = math.atan2(there[1] - y, there[0] - x)
        outline = _outline(light.modifier.form, half)
        corners = [
            (x + a * math.cos(turn) - b * math.sin(turn), y + a * math.sin(turn) + b * math.cos(turn))
            for a, b in outline
        ]
        path = canvas.beginPath()
        path.moveTo(*corners[0])
        for corner in corners[1:]:
            path.lineTo(*corner)
        path.close()
        canvas.drawPath(path, stroke=1, fill=1)
        self._ink(BLACK, 1.8)
        canvas.line(*corners[0], *corners[-1])
        self.outlines[light.number] = corners
        for part in itertools.pairwise([corners[-1], *corners]):
            self.taken += _beside(*part)

    def labels(self) -> None:
        """What everything is called, beside it; a thin line leads to a light whose words stand further off."""
        plan, area = self.plan, self.area
        if plan.background_m is not None:
            _, y = self.at((0.0, -plan.background_m))
            words = self.text.shorten(_background_words(plan), _SIZE, area.right - area.left - 8 * mm)
            starts = (area.left + 3 * mm, area.right - 3 * mm - self.text.width(words, _SIZE) - 2)
            self._label(words, [(x, y + gap) for gap in (3.0, -4.0 - _SIZE) for x in starts])
        placed = [self._light_label(light) for light in plan.lights if light.floor is not None]
        # Leading lines before words, so that no line runs through a word.
        for lead, _, _ in filter(None, placed):
            if lead:
                self._ink(QUIET, 0.3)
                self.canvas.line(*lead[0], *lead[1])
        for _, box, lines in filter(None, placed):
            self._words(box, lines)
        across, along = (side / 2 * self.metre + 1 for side in _SHOULDERS_M)
        self._label("sitter", list(_places_beside(self.origin, across, along, self.text.width("sitter", _SIZE))))
        if plan.camera_m is None:
            words, under = "to the camera, distance not given", self.at((0.0, 1.1))
        else:
            words, under = f"camera, {plan.camera_m:.2f} m", self.at((0.0, plan.camera_m))
            words += "" if plan.view is None else f", sees {plan.view.width_degrees:.1f}°"
        width = self.text.width(words, _SIZE)
        downs = (-_SIZE - 6, -_SIZE / 2, -2 * _SIZE - 6, -3 * _SIZE - 6)
        lefts = (under[0] - width / 2, under[0] + 3 * mm, under[0] - 3 * mm - width)
        self._label(words, [(left, under[1] + down) for down in downs for left in lefts])

    def _light_label(self, light: PlacedLight) -> tuple[tuple[Point, Point] | None, Box, list[tuple[str, bool]]] | None:
        """The line that leads from a light's words to it, their box, which is taken, and the words; None without room."""
        lines = [
            (self.text.shorten(f"{light.number}  {light.name}", _SIZE, _LABEL_WIDTH, bold=True), True),
            (self.text.shorten(_place_words(light), _SIZE, _LABEL_WIDTH), False),
        ]
        if light.modifier_words:
            lines.append((self.text.shorten(light.modifier_words, _SIZE, _LABEL_WIDTH), False))
        outline = self.outlines[light.number]
        here = statistics.fmean(x for x, _ in outline), statistics.fmean(y for _, y in outline)
        width = max(self.text.width(words, _SIZE, bold=bold) for words, bold in lines) + 2
        place = self._free(list(_around(here, self.origin, width, len(lines) * _LEADING)))
        if place is None:
            return None
        self.taken.append(place)
        leads = []
        for x, y in outline:
            near = min(max(x, place.left), place.right), min(max(y, place.foot), place.top)
            leads.append((math.dist(near, (x, y)), near, (x, y)))
        length, start, end = min(leads)
        return (start, end) if length > 4 * mm else None, place, lines

    def _label(self, words: str, corners: Sequence[Point]) -> None:
        """One line of words at the first of some lower left corners that is free."""
        width = self.text.width(words, _SIZE) + 2
        place = self._free([Box(x, y, x + width, y + _SIZE + 1) for x, y in corners])
        if place is not None:
            self.taken.append(place)
            self._words(place, [(words, False)])

    def _free(self, spots: Sequence[Box]) -> Box | None:
        """A spot beside all symbols, words and lines; else one that covers lines."""
        return first_free(spots, self.area, [*self.taken, *self.lines]) or first_free(spots, self.area, self.taken)

    def _words(self, place: Box, lines: Sequence[tuple[str, bool]]) -> None:
        """Lines from the top of a box, over white paper."""
        self._white(place)
        y = place.top - _SIZE * RISE - 0.5
        for words, bold in lines:
            self.text.draw(place.left + 1, y, words, _SIZE, bold=bold)
            y -= _LEADING

    def _white(self, box: Box) -> None:
        self.canvas.setFillColorRGB(*_PAPER)
        self.canvas.rect(box.left, box.foot, box.right - box.left, box.top - box.foot, stroke=0, fill=1)

    def _ink(self, ink: tuple[float, float, float], width: float, dash: tuple[float, ...] = ()) -> None:
        self.canvas.setStrokeColorRGB(*ink)
        self.canvas.setLineWidth(width)
        self.canvas.setDash(*([list(dash)] if dash else []))

    def _clip(self) -> None:
        path: Any = self.canvas.beginPath()
        path.rect(self.area.left, self.area.foot, self.area.right - self.area.left, self.area.top - self.area.foot)
        self.canvas.clipPath(path, stroke=0, fill=0)


def draw_heights(canvas: Canvas, text: PageText, plan: Plan, area: Box, scale: int) -> None:
    """Draw a column with the heights of lights, face and lens above the floor.

    Parameters
    ----------
    area : where on the page; everything stays inside
    scale : that of the plan; it is kept where the column is then neither too high nor too low to be read
    """
    marks = [(light.height_m, f"{light.number} {light.name}") for light in plan.lights if light.height_m is not None]
    marks.append((plan.face_height_m, "face"))
    if plan.camera_height_m is not None:
        marks.append((plan.camera_height_m, "lens"))
    highest = max(2.0, math.ceil(max(height for height, _ in marks) * 2) / 2)
    foot, room = area.foot + 5 * mm, area.top - area.foot - 17 * mm
    own = next((one for one in SCALES if highest * 1000 * mm / one <= room), SCALES[-1])
    if highest * 1000 * mm / scale > room or highest * 1000 * mm / scale < room / 1.6:
        scale = own
    metre = 1000 * mm / scale
    axis = area.left + text.width("10.5", _SIZE) + 5
    text.draw(area.left, area.top - _SIZE, f"Heights, 1:{scale}", _SIZE, bold=True)
    canvas.setDash()
    canvas.setStrokeColorRGB(*BLACK)
    canvas.setLineWidth(0.8)
    canvas.line(axis, foot, axis, foot + highest * metre)
    canvas.line(area.left, foot, area.right, foot)
    text.draw(axis + 4, foot - _SIZE - 1, "floor", _SIZE, ink=QUIET)
    step = next(step for step in (0.5, 1, 2, 5, 10) if step * metre >= _LEADING + 1)
    canvas.setLineWidth(0.4)
    for tick in range(1, math.floor(highest / step) + 1):
        y = foot + tick * step * metre
        canvas.line(axis - 3, y, axis, y)
        text.draw(axis - 4, y - _SIZE * 0.35, f"{tick * step:g}", _SIZE, ink=QUIET, right=True)
    marks.sort(key=lambda mark: mark[0])
    lowest, top = foot + _LEADING / 2, area.top - 2 * _LEADING
    apart = min(_LEADING, (top - lowest) / len(marks))
    size = _SIZE * apart / _LEADING
    at = _spread([foot + height * metre for height, _ in marks], apart, lowest, top)
    for (height, name), y in zip(marks, at, strict=True):
        true = foot + height * metre
        canvas.line(axis, true, axis + 5, true)
        canvas.line(axis + 5, true, axis + 11, y)
        tail = f" {height:.2f}"
        room_x = area.right - axis - 13 - text.width(tail, size)
        text.draw(axis + 13, y - size * 0.35, text.shorten(name, size, room_x) + tail, size)


def plan_scale(plan: Plan, area: Box) -> int:
    """The scale, as n in 1:n, at which `draw_plan` draws a plan into an area."""
    left, foot, right, top = _extent(plan)
    room_x, room_y = area.right - area.left - 24 * mm, area.top - area.foot - 16 * mm
    need = max((right - left) / room_x, (top - foot) / room_y) * 1000 * mm
    return next((scale for scale in SCALES if need <= scale), SCALES[-1])


def _spread(wanted: Sequence[float], apart: float, lowest: float, highest: float) -> list[float]:
    """Places in the same order, near those wanted, at least `apart`; the topmost may not lie over `highest`."""
    places: list[float] = []
    for place in wanted:
        places.append(max(place, lowest, places[-1] + apart if places else lowest))
    limit = highest
    for index in range(len(places) - 1, -1, -1):
        places[index] = min(places[index], limit)
        limit = places[index] - apart
    return places


def _extent(plan: Plan) -> tuple[float, float, float, float]:
    """Metres that the drawing spans: lowest x, lowest y, highest x, highest y, on the floor."""
    boxes = [(-0.5, -0.5, 0.5, 1.2)]
    for light in plan.lights:
        if light.floor is not None:
            reach = (light.modifier.width_m or 0.2) / 2 + 0.1
            x, y = light.floor
            boxes.append((x - reach, y - reach, x + reach, y + reach))
    if plan.camera_m is not None:
        boxes.append((-0.2, plan.camera_m, 0.2, plan.camera_m + 0.2))
    if plan.background_m is not None:
        boxes.append((-0.5, -plan.background_m - 0.1, 0.5, 0.0))
    return (
        min(box[0] for box in boxes),
        min(box[1] for box in boxes),
        max(box[2] for box in boxes),
        max(box[3] for box in boxes),
    )


def _outline(form: str, half: float) -> list[Point]:
    """A modifier seen from above, its front on the second axis, its body behind at negative first ones, in points."""
    if form == "flat":
        depth = max(0.08 * half, 1.2)
        return [(0.0, half), (-depth, half), (-depth, -half), (0.0, -half)]
    if form == "round":
        angles = [math.pi / 2 + step * math.pi / 16 for step in range(17)]
        return [(0.6 * half * math.cos(angle), half * math.sin(angle)) for angle in angles]
    return [(0.0, half), (-0.6 * half, 0.3 * half), (-0.6 * half, -0.3 * half), (0.0, -half)]


def _beside(start: Point, end: Point) -> list[Box]:
    """Small boxes along a line."""
    steps = max(1, math.ceil(math.dist(start, end) / 4))
    places = [
        (start[0] + (end[0] - start[0]) * step / steps, start[1] + (end[1] - start[1]) * step / steps)
        for step in range(steps + 1)
    ]
    return [Box(x - 1.5, y - 1.5, x + 1.5, y + 1.5) for x, y in places]


def _around(here: Point, away_from: Point, width: float, height: float) -> Iterator[Box]:
    """Boxes round a place, nearest first, and of those at one distance first what lies away from a second place."""
    outward = math.atan2(here[1] - away_from[1], here[0] - away_from[0])
    turns = sorted((turn * math.pi / 12 for turn in range(-11, 13)), key=abs)
    for distance in range(6, 190, 6):
        for turn in turns:
            along, up = math.cos(outward + turn), math.sin(outward + turn)
            # The box touches a circle of that distance with the edge that faces the place.
            x, y = here[0] + along * (distance + width / 2), here[1] + up * (distance + height / 2)
            yield Box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)


def _places_beside(centre: Point, across: float, along: float, width: float) -> Iterator[Point]:
    """Lower left corners of a line of words at the corners, then the sides, of a symbol."""
    for up in (along + 1, -along - _SIZE - 2, -_SIZE / 2, along + 1 + _LEADING, -along - 2 * _LEADING):
        for left in (centre[0] + across + 2, centre[0] - across - width - 4, centre[0] - width / 2):
            yield left, centre[1] + up


def _place_words(light: PlacedLight) -> str:
    azimuth = light.azimuth_degrees or 0.0
    side = "" if azimuth == 0 or abs(azimuth) == 180 else " right" if azimuth > 0 else " left"
    parts = [f"{light.distance_m:.2f} m, {abs(azimuth):.0f}°{side}"]
    if light.height_m is not None:
        parts.append(f"{light.height_m:.2f} m high")
    return ", ".join(parts)


def _background_words(plan: Plan) -> str:
    words = plan.background or "background"
    return words if "behind" in words else f"{words}, {plan.background_m:.2f} m behind"
