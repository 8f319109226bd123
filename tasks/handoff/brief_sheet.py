"""The pages of a brief: text, and the picture with numbered marks, filled from the top."""

from __future__ import annotations

import io
import itertools
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from PIL import Image, UnidentifiedImageError
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader, simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from glassine.schemas.errors import FrameError
from glassine.tasks.handoff.annotation import Region, bounds
from glassine.tasks.imaging.proof import picture_size

INK: Final = (0.13, 0.13, 0.13)
FAINT: Final = (0.45, 0.45, 0.45)
MARK: Final = (0.80, 0.16, 0.08)
"""A red that no proof has: most proofs are monochrome."""

_PAGE_WIDTH, _PAGE_HEIGHT = A4
_MARGIN: Final = 18 * mm
_COLUMN: Final = _PAGE_WIDTH - 2 * _MARGIN
_DETAIL: Final = 34 * mm
"""Side of the enlarged detail beside each note."""
_GAP: Final = 6.0
_CAPTION: Final = 11.0
"""Height of the line under each of several details, in points."""
_LEAST_PICTURE: Final = 90 * mm
"""The picture is not set lower than this; after a long text it begins a page."""
_BADGE: Final = 7.5
"""Radius of a note's number on the picture, in points; legible at arm's length (from memory)."""


@dataclass(frozen=True)
class Picture:
    """A JPEG to be drawn: its pixels, and how many rows of them show the frame; what is below is a strip."""

    reader: ImageReader
    width: int
    height: int
    shown: int


@dataclass(frozen=True)
class Detail:
    """A region to be shown enlarged, and the words under it, which are left out where it stands alone."""

    picture: Picture
    region: Region
    caption: str


class Sheet:
    """The pages of one brief, filled from the top."""

    def __init__(self, title: str) -> None:
        self.title = title
        self.buffer = io.BytesIO()
        self.canvas = Canvas(self.buffer, pagesize=A4, invariant=1, pageCompression=1)
        self.canvas.setTitle(f"Retouch brief, {title}")
        self.regular, self.bold = _fonts()
        self.page = 0
        self.y = 0.0
        self.replaced = False
        self._new_page()

    def head(self, title: str, about: str, for_whom: str, due: str) -> None:
        """The first lines of the first page."""
        self._text(_MARGIN, self.y - 17, title, 22, bold=True)
        self._text(_MARGIN, self.y - 31, about, 9.5, colour=FAINT)
        self._text(_PAGE_WIDTH - _MARGIN, self.y - 17, for_whom, 9.5, right=True)
        self._text(_PAGE_WIDTH - _MARGIN, self.y - 31, due, 9.5, right=True)
        self.y -= 42

    def draw_picture(
        self, picture: Picture, regions: Sequence[Region], crop: Sequence[tuple[float, float]] = (), legend: str = ""
    ) -> None:
        """The picture as large as the page allows, with outlines and numbers; the crop's corners in percent.

        The legend stands under the picture.
        """
        foot = 28 if legend else 14
        self._make_room(_LEAST_PICTURE + foot)
        width, height = picture.width, picture.height
        scale = min(_COLUMN / width, (self.y - _MARGIN - foot) / height)
        left, bottom = (_PAGE_WIDTH - width * scale) / 2, self.y - height * scale
        self.canvas.drawImage(picture.reader, left, bottom, width * scale, height * scale)
        box = (left, self.y, width * scale, picture.shown * scale)
        if crop:
            self._crop(crop, box)
        taken: list[tuple[float, float]] = []
        for region in regions:
            self._outline(region, box)
        for number, region in enumerate(regions, 1):
            taken.append(_free_place(region, box, taken))
            self._badge(number, *taken[-1])
        if legend:
            self._text(left, bottom - 13, legend, 8.5)
        self.y = bottom - foot

    def heading(self, text: str) -> None:
        """A section's name; it does not stand alone at the foot of a page."""
        self._make_room(60)
        self.y -= 24
        self._text(_MARGIN, self.y, text, 11.5, bold=True)
        self.y -= 9

    def note(self, number: int, instruction: str, details: Sequence[Detail], words: Sequence[str] = ()) -> None:
        """A note's number, its details enlarged, two in a row, what is asked, and in smaller type more words."""
        several = len(details) > 1
        columns, rows = min(2, len(details)), -(-len(details) // 2)
        cell = _DETAIL + (_CAPTION if several else 0)
        block = rows * cell + (rows - 1) * _GAP
        left = _MARGIN + 22
        column = left + columns * (_DETAIL + _GAP) + _GAP
        width = _PAGE_WIDTH - _MARGIN - column
        lines = [(line, 10.5, INK) for line in self._split(instruction, 10.5, width)]
        for word in words:
            lines += [(line, 9, INK) for line in self._split(word, 9, width)]
        self._make_room(block + 10)
        page, top = self.page, self.y - 6
        self._badge(number, _MARGIN + _BADGE, top - _BADGE)
        for index, detail in enumerate(details):
            x, y = left + index % 2 * (_DETAIL + _GAP), top - index // 2 * (cell + _GAP)
            self._detail(detail, x, y)
            if several:
                self._text(x, y - _DETAIL - 8.5, detail.caption, 7.5, colour=FAINT)
        self.y = top - 10
        for line, size, colour in lines:
            if self.y < _MARGIN + 12:
                self._new_page()
                self.y -= 10
            self._text(column, self.y, line, size, colour=colour)
            self.y -= 14
        if self.page == page:
            self.y = min(self.y, top - block - 6)

    def paragraph(self, text: str) -> None:
        """A text over the whole width, behind a dash."""
        for index, line in enumerate(self._split(text, 10.5, _COLUMN - 12)):
            self._make_room(14)
            self.y -= 14
            self._text(_MARGIN, self.y, "–" if index == 0 else "", 10.5)
            self._text(_MARGIN + 12, self.y, line, 10.5)

    def space(self) -> None:
        """Room before what follows a text."""
        self.y -= 12

    def fact(self, label: str, text: str) -> None:
        """A label and what stands for it."""
        for index, line in enumerate(self._split(text, 9.5, _COLUMN - 64)):
            self._make_room(14)
            self.y -= 14
            self._text(_MARGIN, self.y, label if index == 0 else "", 9.5, colour=FAINT)
            self._text(_MARGIN + 64, self.y, line, 9.5)

    def finish(self) -> bytes:
        """The PDF's bytes."""
        if self.replaced:
            self.y -= 6
            self.paragraph("Some characters cannot be printed here: they stand without their accent, or as ¤.")
        self.canvas.save()
        return self.buffer.getvalue()

    def _new_page(self) -> None:
        if self.page:
            self.canvas.showPage()
        self.page += 1
        self.y = _PAGE_HEIGHT - _MARGIN
        self._text(_MARGIN, _MARGIN - 16, self.title, 8, colour=FAINT)
        self._text(_PAGE_WIDTH - _MARGIN, _MARGIN - 16, str(self.page), 8, colour=FAINT, right=True)

    def _make_room(self, points: float) -> None:
        if self.y - points < _MARGIN:
            self._new_page()

    def _split(self, text: str, size: float, width: float) -> list[str]:
        lines: list[str] = []
        for line in simpleSplit(self._printable(text), self.regular, size, width):
            # A word longer than the line comes back whole.
            while pdfmetrics.stringWidth(line, self.regular, size) > width:
                fits = next(
                    n for n in range(len(line) - 1, 0, -1)
                    if n == 1 or pdfmetrics.stringWidth(line[:n], self.regular, size) <= width
                )  # fmt: skip
                lines.append(line[:fits])
                line = line[fits:]
            lines.append(line)
        return lines

    def _printable(self, text: str) -> str:
        """The text in the characters of the font: a letter without its accent, else ¤, for one that it has not."""
        glyphs = pdfmetrics.getFont(self.regular).face.charToGlyph
        shown = ""
        for character in text.expandtabs(4):
            if character != "\n" and ord(character) not in glyphs:
                self.replaced = True
                plain = unicodedata.normalize("NFKD", character)[0]
                character = plain if ord(plain) in glyphs else "¤"
            shown += character
        return shown

    def _text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        bold: bool = False,
        colour: tuple[float, float, float] = INK,
        right: bool = False,
    ) -> None:
        self.canvas.setFont(self.bold if bold else self.regular, size)
        self.canvas.setFillColorRGB(*colour)
        draw = self.canvas.drawRightString if right else self.canvas.drawString
        draw(x, y, self._printable(text))

    def _outline(self, region: Region, box: tuple[float, float, float, float]) -> None:
        # A white line under the red one keeps it visible on any tone.
        for width, colour in ((2.6, (1.0, 1.0, 1.0)), (1.1, MARK)):
            self.canvas.setLineWidth(width)
            self.canvas.setStrokeColorRGB(*colour)
            self.canvas.drawPath(self._path(region, box), stroke=1, fill=0)

    def _path(self, region: Region, box: tuple[float, float, float, float]) -> Any:
        left, top, width, height = box
        path = self.canvas.beginPath()
        if region["shape"] == "polygon":
            corners = [(left + x / 100 * width, top - y / 100 * height) for x, y in region["points"]]
            path.moveTo(*corners[0])
            for corner in corners[1:]:
                path.lineTo(*corner)
            path.close()
            return path
        across, down = region["width"] / 100 * width, region["height"] / 100 * height
        x, y = left + region["x"] / 100 * width, top - region["y"] / 100 * height - down
        draw = path.rect if region["shape"] == "rectangle" else path.ellipse
        draw(x, y, across, down)
        return path

    def _crop(self, corners: Sequence[tuple[float, float]], box: tuple[float, float, float, float]) -> None:
        path = self._path({"shape": "polygon", "points": corners}, box)
        self.canvas.saveState()
        # Dark dashes on a white line: seen on any tone, and not taken for a mark.
        for width, colour, dash in ((1.0, (1.0, 1.0, 1.0), ()), (0.7, INK, (4, 3))):
            self.canvas.setLineWidth(width)
            self.canvas.setStrokeColorRGB(*colour)
            self.canvas.setDash(*([list(dash)] if dash else []))
            self.canvas.drawPath(path, stroke=1, fill=0)
        self.canvas.restoreState()

    def _detail(self, detail: Detail, left: float, top: float) -> None:
        """The region and a third more around it, as large as a square allows."""
        width, height, shown = detail.picture.width, detail.picture.height, detail.picture.shown
        x0, y0, x1, y1 = bounds(detail.region)
        side = max((x1 - x0) / 100 * width, (y1 - y0) / 100 * shown) * 4 / 3
        side = min(max(side, 0.05 * width), width, shown)
        x = min(max((x0 + x1) / 200 * width - side / 2, 0), width - side)
        y = min(max((y0 + y1) / 200 * shown - side / 2, 0), shown - side)
        scale = _DETAIL / side
        self.canvas.saveState()
        clip = self.canvas.beginPath()
        clip.rect(left, top - _DETAIL, _DETAIL, _DETAIL)
        self.canvas.clipPath(clip, stroke=0, fill=0)
        origin = (left - x * scale, top + y * scale)
        lower = origin[1] - height * scale
        self.canvas.drawImage(detail.picture.reader, origin[0], lower, width * scale, height * scale)
        self._outline(detail.region, (*origin, width * scale, shown * scale))
        self.canvas.restoreState()

    def _badge(self, number: int, x: float, y: float) -> None:
        self.canvas.setLineWidth(1.2)
        self.canvas.setStrokeColorRGB(1, 1, 1)
        self.canvas.setFillColorRGB(*MARK)
        self.canvas.circle(x, y, _BADGE, stroke=1, fill=1)
        self.canvas.setFillColorRGB(1, 1, 1)
        self.canvas.setFont(self.bold, 9 if number < 100 else 6.5)
        self.canvas.drawCentredString(x, y - 3.2, str(number))


def open_picture(path: Path, frame_size: tuple[int, int] | None) -> Picture:
    """Read a JPEG of a whole frame of this width and height in pixels; below it there may be a strip.

    Without a size it is taken for a proof, which says itself how much of it is the picture.

    Raises
    ------
    FrameError
        P001: it is no JPEG that decodes. P002: its sides are not those of the frame.
    """
    try:
        data = path.read_bytes()
        with Image.open(io.BytesIO(data), formats=["JPEG"]) as image:
            image.load()
            width, height = image.size
            shown: float = picture_size(image)[1]
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise FrameError("P001", f"{path} is no JPEG that can be shown in a brief.") from error
    if frame_size is not None:
        shown = width * frame_size[1] / frame_size[0]
        if round(shown) > height + 2:
            raise FrameError(
                "P002",
                f"{path} has {width} × {height} px, which is not the shape of the file that it shows "
                f"({frame_size[0]} × {frame_size[1]} px): marks would stand in the wrong place.",
            )
    return Picture(ImageReader(io.BytesIO(data)), width, height, min(round(shown), height))


def _free_place(
    region: Region, box: tuple[float, float, float, float], taken: Sequence[tuple[float, float]]
) -> tuple[float, float]:
    """Centre of a note's number: outside a corner of its mark, within the picture, on no other number."""
    left, top, width, height = box
    x0, y0, x1, y1 = bounds(region)
    reach = 0.7 * _BADGE
    corners = [
        (left + x / 100 * width + dx * reach, top - y / 100 * height + dy * reach)
        for x, y, dx, dy in ((x0, y0, -1, 1), (x1, y0, 1, 1), (x0, y1, -1, -1), (x1, y1, 1, -1))
    ]
    for step, (x, y) in itertools.product(range(12), corners):
        place = (
            min(max(x + step * 2 * _BADGE, left + _BADGE), left + width - _BADGE),
            min(max(y, top - height + _BADGE), top - _BADGE),
        )
        if all((place[0] - a) ** 2 + (place[1] - b) ** 2 > (2 * _BADGE) ** 2 for a, b in taken):
            return place
    return corners[0]


@cache
def _fonts() -> tuple[str, str]:
    """Bitstream Vera, which reportlab brings along: the same on every machine, and embedded."""
    pdfmetrics.registerFont(TTFont("Vera", "Vera.ttf"))
    pdfmetrics.registerFont(TTFont("VeraBd", "VeraBd.ttf"))
    return "Vera", "VeraBd"
