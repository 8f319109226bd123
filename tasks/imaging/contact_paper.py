"""What a contact sheet is drawn on: pages of a PDF, or one picture; in mm from the upper left."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from PIL import Image, ImageDraw
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from glassine.tasks.imaging.icc_profile import profile_bytes
from glassine.tasks.imaging.pdf_pictures import append_pictures, hold_place
from glassine.tasks.imaging.pencil_stroke import Point
from glassine.tasks.imaging.proof import PAPER, font_file, typeface

Ink = tuple[int, int, int]
"""Red, green and blue, 8 bit, sRGB."""
Render = Callable[[float, float], Image.Image]
"""Makes a picture for a width and a height in px, of the same shape or smaller; called when it is needed."""

PRINT_PX_PER_MM = 300 / 25.4
"""300 ppi: what a print that is looked at from near can show (common practice)."""
_PDF_QUALITY = 85
_JPEG_QUALITY = 88
_SMOOTH = 4
_MM = 72 / 25.4


class Paper(Protocol):
    """What the sheet needs of what it is drawn on; `ground` is its own colour."""

    ground: Ink

    def text(self, x: float, y: float, text: str, size: float, ink: Ink, *, bold: bool, right: bool) -> None:
        """A line that begins, or with `right` ends, at x, standing on y."""

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float, ink: Ink) -> None:
        """A straight line with round ends."""

    def shape(self, corners: Sequence[Point], ink: Ink, *, swell: float = 0.0) -> None:
        """A filled shape, larger by `swell` all round."""

    def picture(self, render: Render, x: float, y: float, width: float, height: float) -> None:
        """A picture that fills this place."""


class PdfPaper:
    """Pages of a PDF file. Its pictures are made and written one at a time when it is saved."""

    ground: Ink = (255, 255, 255)

    def __init__(self, path: Path, width_mm: float, height_mm: float, title: str) -> None:
        for name, bold in (("Vera", False), ("Vera-Bold", True)):
            if name not in pdfmetrics.getRegisteredFontNames():
                pdfmetrics.registerFont(TTFont(name, str(font_file(bold=bold))))
        self.path = path
        self.height_mm = height_mm
        # Invariant: no date and no random identifier, so that the same sheet is the same bytes.
        self.canvas = Canvas(str(path), pagesize=(width_mm * _MM, height_mm * _MM), invariant=1, pageCompression=1)
        self.canvas.setTitle(title)
        self.canvas.setCreator("glassine")
        self._renders: list[Callable[[], Image.Image]] = []

    def text(self, x: float, y: float, text: str, size: float, ink: Ink, *, bold: bool, right: bool) -> None:
        self.canvas.setFont("Vera-Bold" if bold else "Vera", size * _MM)
        self.canvas.setFillColorRGB(*(value / 255 for value in ink))
        draw = self.canvas.drawRightString if right else self.canvas.drawString
        draw(x * _MM, self._up(y), text)

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float, ink: Ink) -> None:
        self.canvas.setStrokeColorRGB(*(value / 255 for value in ink))
        self.canvas.setLineWidth(width * _MM)
        self.canvas.setLineCap(1)
        self.canvas.line(x0 * _MM, self._up(y0), x1 * _MM, self._up(y1))

    def shape(self, corners: Sequence[Point], ink: Ink, *, swell: float = 0.0) -> None:
        path = self.canvas.beginPath()
        for index, (x, y) in enumerate(corners):
            (path.lineTo if index else path.moveTo)(round(x * _MM, 2), round(self._up(y), 2))
        path.close()
        self.canvas.setFillColorRGB(*(value / 255 for value in ink))
        if swell:
            self.canvas.setStrokeColorRGB(*(value / 255 for value in ink))
            self.canvas.setLineWidth(2 * swell * _MM)
            self.canvas.setLineJoin(1)
        self.canvas.drawPath(path, stroke=int(swell > 0), fill=1)

    def picture(self, render: Render, x: float, y: float, width: float, height: float) -> None:
        hold_place(self.canvas, len(self._renders), x * _MM, self._up(y + height), width * _MM, height * _MM)
        self._renders.append(lambda: render(width * PRINT_PX_PER_MM, height * PRINT_PX_PER_MM))

    def next_page(self) -> None:
        self.canvas.showPage()

    def save(self) -> None:
        """Write the file, whose last page was ended by `next_page`."""
        self.canvas.save()
        append_pictures(self.path, self.canvas, self._renders, quality=_PDF_QUALITY)

    def _up(self, y: float) -> float:
        return (self.height_mm - y) * _MM


class PicturePaper:
    """One picture, RGB, sRGB."""

    ground: Ink = (PAPER, PAPER, PAPER)

    def __init__(self, width_mm: float, height_mm: float, px_per_mm: float) -> None:
        self.px_per_mm = px_per_mm
        self.image = Image.new("RGB", (self._px(width_mm), self._px(height_mm)), (PAPER,) * 3)
        self.draw = ImageDraw.Draw(self.image)

    def text(self, x: float, y: float, text: str, size: float, ink: Ink, *, bold: bool, right: bool) -> None:
        font = typeface(max(1, self._px(size)), bold=bold)
        self.draw.text((self._px(x), self._px(y)), text, fill=ink, font=font, anchor="rs" if right else "ls")

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float, ink: Ink) -> None:
        self.draw.line([self._px(v) for v in (x0, y0, x1, y1)], fill=ink, width=max(1, self._px(width)))
        half = self._px(width) // 2
        if half > 1:
            for x, y in ((self._px(x0), self._px(y0)), (self._px(x1), self._px(y1))):
                self.draw.ellipse((x - half, y - half, x + half - 1, y + half - 1), fill=ink)

    def shape(self, corners: Sequence[Point], ink: Ink, *, swell: float = 0.0) -> None:
        # Drawn larger and reduced: Pillow draws shapes with steps at their edges.
        placed = [(x * self.px_per_mm, y * self.px_per_mm) for x, y in corners]
        margin = swell * self.px_per_mm + 1
        left, top = (math.floor(min(place[axis] for place in placed) - margin) for axis in (0, 1))
        size = [math.ceil(max(place[axis] for place in placed) + margin) - (left, top)[axis] for axis in (0, 1)]
        mask = Image.new("L", (size[0] * _SMOOTH, size[1] * _SMOOTH), 0)
        large = [((x - left) * _SMOOTH, (y - top) * _SMOOTH) for x, y in placed]
        draw = ImageDraw.Draw(mask)
        draw.polygon(large, fill=255)
        if swell:
            draw.line(
                [*large, *large[:2]], fill=255, width=max(1, round(2 * swell * self.px_per_mm * _SMOOTH)), joint="curve"
            )
        self.image.paste(ink, (left, top), mask.reduce(_SMOOTH))

    def picture(self, render: Render, x: float, y: float, width: float, height: float) -> None:
        size = max(1, self._px(width)), max(1, self._px(height))
        made = render(*size)
        if made.size != size:
            made = made.resize(size, Image.Resampling.BICUBIC)
        self.image.paste(made, (self._px(x), self._px(y)))

    def save(self, path: Path) -> None:
        self.image.save(
            path,
            "JPEG",
            quality=_JPEG_QUALITY,
            subsampling="4:4:4",
            icc_profile=profile_bytes("sRGB"),
            dpi=(25.4 * self.px_per_mm,) * 2,
        )

    def _px(self, mm: float) -> int:
        return round(mm * self.px_per_mm)
