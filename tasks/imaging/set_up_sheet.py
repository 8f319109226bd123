"""Set-up sheets: one A4 page from which the lights, the camera and the background of a set-up can be built again."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from PIL import Image, ImageCms, UnidentifiedImageError
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import FrameError
from glassine.tasks.imaging.icc_profile import profile_bytes
from glassine.tasks.imaging.proof import picture_size
from glassine.tasks.imaging.set_up_drawing import draw_heights, draw_plan, plan_scale
from glassine.tasks.imaging.set_up_plan import PlacedLight, Plan, plan_set_up
from glassine.tasks.imaging.sheet_text import BLACK, QUIET, RISE, Box, PageText

MOST_LIGHTS: Final = 24
"""Rows of the table: more cannot be read on one page (own choice)."""

_WIDTH: Final[float] = A4[0]
_HEIGHT: Final[float] = A4[1]  # ISO 216
_MARGIN: Final[float] = 16 * mm
_COLUMN: Final[float] = _WIDTH - 2 * _MARGIN
_FOOT: Final[float] = _MARGIN + 2 * mm
"""Where the body ends; the line under it says whose page it is."""
_HEIGHTS_WIDTH: Final[float] = 34 * mm
_PICTURE: Final[tuple[float, float]] = (58 * mm, 62 * mm)
_PICTURE_PX_A_POINT: Final = 300 / 72
"""300 ppi, as prints that are looked at by hand have (common practice)."""
_QUALITY: Final = 88
_LEAST_DRAWING: Final[float] = 78 * mm
_WANTED_DRAWING: Final[float] = 100 * mm
_MOST_DRAWING: Final[float] = 128 * mm
_SIZES: Final = (7.6, 7.2, 6.8, 6.4, 6.0, 5.6, 5.2)
"""Sizes of type, in points, tried in this order until the drawing has the height that is wanted for it."""
_MOST_LINES: Final = 3
"""Of one sentence: names may have 255 letters, and one of them shall not push the others off the page."""
_LEADING: Final = 1.25
_PADDING: Final = 2.0
_BELOW_TABLE: Final[float] = 4 * mm
_LEGEND: Final = (
    "Seen from above, to scale on A4; a ring is a light of unknown size. Angles from the sitter, 0° towards the camera; "
    "distances by tape, face to front."
)
_COLUMNS: Final = (
    ("Light", 20), ("Modifier", 32), ("Place", 29), ("Height", 13), ("Distance", 15), ("Power", 27), ("At the sitter", 19), ("For", 23),
)  # fmt: skip
"""Headings of the table and widths in mm; together as wide as the page's column."""


@dataclass(frozen=True)
class _Line:
    """A line of the text under the table: what stands before it, in bold or quiet, and the words."""

    label: str
    words: str
    heading: bool = False


def make_set_up_sheet(
    out: Path, *, job: str, studio: str, set_up: Mapping[str, Any], best: tuple[Path, str] | None = None
) -> dict[str, Any]:
    """Write the sheet of one set-up as a PDF page; the same input gives the same bytes.

    Parameters
    ----------
    out : put in place at once when it is whole; its folder is made
    job : its number
    studio : its name
    set_up : one of the job sheet's `set_ups`, checked against its schema
    best : a JPEG of the set-up's best frame, such as its proof (its strip is left away), and a caption

    Returns
    -------
    {"sha256": digest of the PDF, "pages": 1}

    Raises
    ------
    FrameError
        P001: the picture is no JPEG that decodes.
    VolumeError
        V003: the disk is full or cannot be written.
    """
    plan = plan_set_up(set_up)
    picture = None if best is None else _open_picture(best[0])
    buffer = io.BytesIO()
    # Invariant: no date and no random identifier, so that the same sheet is the same bytes.
    canvas = Canvas(buffer, pagesize=A4, invariant=1, pageCompression=1)
    canvas.setTitle(f"Set-up sheet, job {job}, {plan.name}")
    canvas.setCreator("glassine")
    page = _Page(canvas, plan, job, studio, picture, "" if best is None else best[1])
    page.draw()
    canvas.save()
    content = buffer.getvalue()
    replace_file(out, content)
    return {"sha256": hashlib.sha256(content).hexdigest(), "pages": 1}


class _Page:
    """The page, filled from the top: title, drawing, table of lights, and at the foot the words and the best frame."""

    def __init__(
        self, canvas: Canvas, plan: Plan, job: str, studio: str, picture: Image.Image | None, caption: str
    ) -> None:
        self.canvas, self.plan, self.picture, self.caption = canvas, plan, picture, caption
        self.job, self.studio = job, studio
        self.text = PageText(canvas)
        self.lines = list(_words_of(plan))
        self.words_width = _COLUMN - (_PICTURE[0] + 6 * mm if picture else 0.0)

    def draw(self) -> None:
        """Draw everything."""
        top = self._head()
        size, rows, lines = self._fit(top)
        foot = _FOOT + self._foot_height(size, lines) + self._table_height(size, rows)
        area = Box(_MARGIN, max(foot, top - _MOST_DRAWING) + 5 * mm, _WIDTH - _MARGIN, top)
        floor = Box(area.left, area.foot, area.right - _HEIGHTS_WIDTH - 3 * mm, area.top)
        draw_plan(self.canvas, self.text, self.plan, floor)
        heights = Box(floor.right + 3 * mm, area.foot, area.right, area.top)
        draw_heights(self.canvas, self.text, self.plan, heights, plan_scale(self.plan, floor))
        self.text.draw(_MARGIN, area.foot - 9, self.text.shorten(_LEGEND, 6.4, _COLUMN), 6.4, ink=QUIET)
        y = self._table(size, rows, area.foot - 5 * mm)
        self._words(size, lines, y)
        self._best(y)
        self._mark_page()

    def _head(self) -> float:
        """Title, job, studio and purpose; where the drawing may begin."""
        y = _HEIGHT - _MARGIN - 16
        studio = self.text.shorten(self.studio, 9, _COLUMN / 2)
        self.text.draw(_WIDTH - _MARGIN, y, studio, 9, right=True)
        room = _COLUMN - self.text.width(studio, 9) - 6 * mm
        self.text.draw(_MARGIN, y, self.text.shorten(self.plan.name, 20, room, bold=True), 20, bold=True)
        y -= 14
        about = self.text.shorten(f"Set-up sheet · job {self.job}", 9, _COLUMN)
        self.text.draw(_MARGIN, y, about, 9, ink=QUIET)
        for line in self.text.split(self.plan.purpose, 9, _COLUMN, most=2):
            y -= 12
            self.text.draw(_MARGIN, y, line, 9)
        return y - 8

    def _fit(self, top: float) -> tuple[float, list[list[list[str]]], list[tuple[_Line, list[str]]]]:
        """The largest type that leaves the drawing its height; in the smallest the words are cut to what there is room for."""
        for size in _SIZES:
            rows, lines = self._rows(size), self._split_words(size)
            body = self._table_height(size, rows) + self._foot_height(size, lines)
            if top - _FOOT - body >= _WANTED_DRAWING:
                return size, rows, lines
        room = top - _FOOT - _LEAST_DRAWING - self._table_height(size, rows)
        while len(lines) > 1 and self._foot_height(size, lines) > room:
            lines = lines[:-2]
            lines.append((_Line("", ""), ["… The rest stands in the job sheet."]))
            if self.picture and self._words_height(size, lines) <= _PICTURE[1]:
                break
        return size, rows, lines

    def _rows(self, size: float) -> list[list[list[str]]]:
        most = 4 if len(self.plan.lights) <= 6 else 2 if len(self.plan.lights) <= 10 else 1
        rows = [[[heading] for heading, _ in _COLUMNS]]
        for light in self.plan.lights[:MOST_LIGHTS]:
            cells = _cells(self.plan, light)
            rows.append(
                [
                    self.text.split(words, size, width * mm - 3 * _PADDING, most=most, bold=index == 0)
                    for index, (words, (_, width)) in enumerate(zip(cells, _COLUMNS, strict=True))
                ]
            )
        return rows if len(rows) > 1 else []

    def _table_height(self, size: float, rows: Sequence[Sequence[Sequence[str]]]) -> float:
        return sum(self._row_height(size, row) for row in rows) + _BELOW_TABLE

    def _row_height(self, size: float, row: Sequence[Sequence[str]]) -> float:
        return max(1, *(len(cell) for cell in row)) * size * _LEADING + 2 * _PADDING

    def _table(self, size: float, rows: Sequence[Sequence[Sequence[str]]], top: float) -> float:
        """Draw the table from a height on; returns where it ends."""
        y = top
        for number, row in enumerate(rows):
            x = _MARGIN
            for index, (cell, (_, width)) in enumerate(zip(row, _COLUMNS, strict=True)):
                line_y = y - _PADDING - size * RISE
                for line in cell:
                    quiet = QUIET if number == 0 else BLACK
                    self.text.draw(x, line_y, line, size, bold=index == 0 and number > 0, ink=quiet)
                    line_y -= size * _LEADING
                x += width * mm
            y -= self._row_height(size, row)
            self.canvas.setDash()
            self.canvas.setLineWidth(0.6 if number == 0 else 0.25)
            self.canvas.setStrokeColorRGB(*(BLACK if number == 0 else QUIET))
            self.canvas.line(_MARGIN, y, _WIDTH - _MARGIN, y)
        return y - _BELOW_TABLE

    def _split_words(self, size: float) -> list[tuple[_Line, list[str]]]:
        split = []
        for line in self.lines:
            room = self.words_width - self._indent(line, size)
            split.append(
                (line, [line.words] if line.heading else self.text.split(line.words, size, room, most=_MOST_LINES))
            )
        return split

    def _indent(self, line: _Line, size: float) -> float:
        """Where the words begin: at the margin, after the dash of a sentence, or after the widest label."""
        return 0.0 if line.heading else self.text.width("–  " if line.label in ("", "–") else "Background  ", size)

    def _words_height(self, size: float, lines: Sequence[tuple[_Line, list[str]]]) -> float:
        headings = sum(1 for line, _ in lines if line.heading)
        return sum(len(split) for _, split in lines) * size * _LEADING + headings * 0.5 * size

    def _foot_height(self, size: float, lines: Sequence[tuple[_Line, list[str]]]) -> float:
        return max(self._words_height(size, lines), _PICTURE[1] if self.picture else 0.0)

    def _words(self, size: float, lines: Sequence[tuple[_Line, list[str]]], top: float) -> None:
        y = top
        for line, split in lines:
            if line.heading:
                y -= 0.5 * size
            for index, words in enumerate(split):
                y -= size * _LEADING
                if line.heading:
                    self.text.draw(_MARGIN, y, words, size, bold=True)
                    continue
                if index == 0:
                    self.text.draw(_MARGIN, y, line.label, size, ink=QUIET)
                self.text.draw(_MARGIN + self._indent(line, size), y, words, size)

    def _best(self, top: float) -> None:
        """The best frame, as large as its box allows, from a height on, with its caption below."""
        if self.picture is None:
            return
        room_x, room_y = _PICTURE[0], _PICTURE[1] - 12
        scale = min(room_x / self.picture.width, room_y / self.picture.height)
        width, height = self.picture.width * scale, self.picture.height * scale
        small = self.picture
        if scale * _PICTURE_PX_A_POINT < 1:
            sides = [max(1, round(side * scale * _PICTURE_PX_A_POINT)) for side in self.picture.size]
            small = self.picture.resize((sides[0], sides[1]), Image.Resampling.LANCZOS)
        file = io.BytesIO()
        small.save(file, "JPEG", quality=_QUALITY)
        left = _WIDTH - _MARGIN - width
        self.canvas.drawImage(ImageReader(file), left, top - height, width, height)
        caption = self.text.shorten(self.caption, 6.8, room_x)
        start = _WIDTH - _MARGIN - max(width, self.text.width(caption, 6.8))
        self.text.draw(start, top - height - 9, caption, 6.8, ink=QUIET)

    def _mark_page(self) -> None:
        words = f"Job {self.job} · set-up {self.plan.name}"
        if self.text.replaced:
            words += " · some characters cannot be printed: they stand without their accent, or as ¤"
        self.text.draw(_MARGIN, _MARGIN - 10, self.text.shorten(words, 6.4, _COLUMN), 6.4, ink=QUIET)


def _cells(plan: Plan, light: PlacedLight) -> tuple[str, ...]:
    return (
        f"{light.number} {light.name}",
        light.modifier_words or "–",
        _say_place(light),
        "–" if light.height_m is None else f"{light.height_m:.2f} m",
        "–" if light.distance_m is None else f"{light.distance_m:.2f} m",
        light.power_words or "–",
        _say_at_sitter(plan, light),
        light.purpose or "–",
    )


def _say_place(light: PlacedLight) -> str:
    words = light.place_words
    angle = (
        ""
        if light.azimuth_degrees is None
        else f"{round(light.azimuth_degrees):+d}°".replace("-", "−").replace("+0°", "0°")
    )
    if angle and angle.lstrip("+−") in words:
        angle = ""
    aim = f"aimed at the {light.aim}" if light.aim == "background" else f"aimed: {light.aim}"
    if light.aim == "sitter" or (light.on_background and "on the background" in words):
        aim = ""
    return "; ".join(part for part in (words, angle, aim) if part) or "–"


def _say_at_sitter(plan: Plan, light: PlacedLight) -> str:
    """Stops, metered, or against the main light; on the background for a light that is aimed at it."""
    if light.metered and light.stops is not None:
        where = ", background" if light.on_background else ", metered"
        return f"{_signed(light.stops)}{where}"
    difference = plan.against_main(light)
    if difference is None or plan.main is None:
        return "–" if light.on_background else "not known"
    return "0 (main)" if light is plan.main else f"{_signed(difference)} to {plan.main.name}"


def _signed(stops: float) -> str:
    return f"{stops:+.1f}".replace("-", "−").replace("+0.0", "0.0").replace("−0.0", "0.0")


def _words_of(plan: Plan) -> Iterator[_Line]:
    """What is said under the table, in the order of its weight for whoever builds the set-up."""
    left_off = len(plan.lights) - MOST_LIGHTS
    if left_off > 0:
        yield _Line("–", f"{left_off} more light{'' if left_off == 1 else 's'} of this set-up: see the job sheet.")
    if plan.warnings:
        yield _Line("", "To be put right", heading=True)
        yield from (_Line("–", words) for words in plan.warnings)
    if plan.facts:
        yield _Line("", "Camera and exposure", heading=True)
        yield from (_Line(label, words) for label, words in plan.facts)
    if plan.ratios or plan.estimates:
        yield _Line("", "Light", heading=True)
        yield from (_Line("–", words) for words in (*plan.ratios, *plan.estimates))
    if plan.unknown:
        yield _Line("", "Not known, or not drawn", heading=True)
    yield from (_Line("–", words) for words in plan.unknown)


def _open_picture(path: Path) -> Image.Image:
    """The picture of a proof without its strip, or of any other JPEG, in sRGB."""
    try:
        with Image.open(path, formats=("JPEG",)) as image:
            image.load()
            picture = image.crop((0, 0, *picture_size(image)))
            if icc := image.info.get("icc_profile"):
                own, srgb = (ImageCms.ImageCmsProfile(io.BytesIO(content)) for content in (icc, profile_bytes("sRGB")))
                picture = ImageCms.profileToProfile(picture, own, srgb, outputMode="RGB") or picture
    except (OSError, ValueError, UnidentifiedImageError, Image.DecompressionBombError, ImageCms.PyCMSError) as error:
        raise FrameError("P001", f"{path} is no JPEG that can be shown: make the frame's proof again.") from error
    return picture.convert("RGB")
