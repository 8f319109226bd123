"""Contact sheets: a job's proofs in order, each with its number and its mark, as PDF pages and as one JPEG."""

from __future__ import annotations

import io
import math
import os
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Protocol

from PIL import Image, ImageCms, ImageDraw
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging.crop import Crop, crop_outline
from glassine.tasks.imaging.icc_profile import profile_bytes
from glassine.tasks.imaging.proof import (
    INK,
    PAPER,
    QUIET_INK,
    font_file,
    picture_origin,
    picture_size,
    shorten,
    typeface,
)

_PAGE_MM = (210.0, 297.0)  # A4, ISO 216
_MARGIN_MM = 14.0
_HEADER_MM = 20.0
_FOOTER_MM = 8.0
_GAP_MM = 6.0
_BETWEEN_ROWS_MM = 5.0
_OVERVIEW_FRAMES = 48
_OVERVIEW_PX_PER_MM = 10.0
_PRINT_PX_PER_MM = 10.0  # 254 ppi: enough for a print that is looked at by hand (common practice)
_QUALITY = 82
_MARK_INK = (196, 48, 32)
"""Grease-pencil red, as a contact sheet is marked by hand; own choice."""
_CROP_LINE_MM = 0.35
_CROP_OVERRUN_MM = 1.6
"""By how much the lines of a crop cross at its corners, as they do where somebody draws them along a ruler."""
_OUTSIDE_LIGHT = 0.55
"""Share of 8-bit values that is left outside a crop; own choice, by looking: the frame can still be judged."""
_USUAL_SHAPE = 2 / 3
"""Height by width of an empty box, on a sheet of no pictures at all: a small-format frame of 24 by 36 mm."""
_MM = 72 / 25.4


@dataclass(frozen=True)
class Entry:
    """One frame of a contact sheet.

    number : set large under the picture
    proof : its proof; any other JPEG is shown whole. None for a frame that cannot be shown: an empty box of the shape
        that most frames of the sheet have, with `why_empty` in it
    caption : a line of small type: its stage, what was said of it
    mark : "select" (a frame round the picture), "out" (a stroke through it), "hold" (corners), or another word or
        "", which draw nothing; the word stands beside the number
    crop : as in `crop.py`, drawn over the whole frame: thin lines that cross at its corners, the outside dimmed, and
        where it is turned an arrow towards what becomes the upper side
    why_empty : words in an empty box
    """

    number: str
    proof: Path | None
    caption: str
    mark: str
    crop: Crop | None = None
    why_empty: str = "no proof"


class _Paper(Protocol):
    """What the layout draws on, in mm from the upper left: a PDF page or a picture."""

    px_per_mm: float

    def text(
        self, x: float, y: float, text: str, size: float, ink: tuple[int, int, int], *, bold: bool, right: bool
    ) -> None: ...

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float, ink: tuple[int, int, int]) -> None: ...

    def picture(self, picture: Image.Image, x: float, y: float, width: float, height: float) -> None: ...


def make_contact_sheet(
    entries: Sequence[Entry], title: str, pdf: Path, jpeg: Path, *, columns: int = 4, note: str = ""
) -> dict[str, Any]:
    """Make a contact sheet.

    Parameters
    ----------
    entries : in the order they are shown in
    title, note : in the header: what the sheet is of; a line in small type
    pdf : A4 pages
    jpeg : one picture with the first 48 frames, 2100 px wide, sRGB
    columns : 1 to 10

    Returns
    -------
    {"pdf_sha256", "jpeg_sha256", "pages", "frames"}; the same input gives the same bytes.

    Raises
    ------
    CallError
        W001 for no entries, columns out of range, or a crop that is none.
    FrameError
        P001 where a proof cannot be read.

    Notes
    -----
    Proofs are opened one at a time; the PDF's writer holds what it has written, about 40 kB a frame at 4 columns.
    """
    if not entries:
        raise CallError("W001", "A contact sheet of no frames was asked for: make proofs first.")
    if not 1 <= columns <= 10:
        raise CallError("W001", f"A contact sheet has 1 to 10 columns, not {columns}.")
    layout = _lay_out(entries, columns)
    pages = math.ceil(len(entries) / layout.on_page)
    for path in (pdf, jpeg):
        path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = [path.with_name(f".{path.name}.{os.getpid()}.part") for path in (pdf, jpeg)]
    try:
        _write_pdf(unfinished[0], entries, title, note, layout, pages)
        _write_overview(unfinished[1], entries, title, note, layout)
        digests = [hash_file(path) for path in unfinished]
        for path, place in zip(unfinished, (pdf, jpeg), strict=True):
            path.replace(place)
    finally:
        for path in unfinished:
            path.unlink(missing_ok=True)
    return {"pdf_sha256": digests[0], "jpeg_sha256": digests[1], "pages": pages, "frames": len(entries)}


@dataclass(frozen=True)
class _Layout:
    """Sizes in mm; a cell is the picture's box with its words under it."""

    columns: int
    rows: int
    box_width: float
    box_height: float
    number: float
    usual_shape: float

    @property
    def on_page(self) -> int:
        return self.columns * self.rows

    @property
    def cell_height(self) -> float:
        return self.box_height + self.number * 2.15 + _BETWEEN_ROWS_MM


def _lay_out(entries: Sequence[Entry], columns: int) -> _Layout:
    """The box is as high as the highest picture asks for, and a square where upright and lying ones are mixed."""
    width = (_PAGE_MM[0] - 2 * _MARGIN_MM - (columns - 1) * _GAP_MM) / columns
    shapes = []
    for entry in entries:
        if entry.proof is not None:
            with _opened(entry.proof) as proof:
                size = picture_size(proof)
                shapes.append(size[1] / size[0])
    # Proofs of one camera differ in their last pixel.
    usual = statistics.mode(round(shape, 2) for shape in shapes) if shapes else _USUAL_SHAPE
    shapes = shapes or [usual]
    tallest = 1.0 if min(shapes) < 1 < max(shapes) else min(max(shapes), 1.5)
    number = min(6.0, max(3.0, width * 0.1))
    body = _PAGE_MM[1] - 2 * _MARGIN_MM - _HEADER_MM - _FOOTER_MM
    # One row has to fit, however few columns there are.
    height = min(width * tallest, body - number * 2.15)
    layout = _Layout(columns, 1, width, height, number, usual)
    rows = max(1, math.floor((body + _BETWEEN_ROWS_MM) / layout.cell_height))
    return _Layout(columns, rows, width, height, number, usual)


def _write_pdf(path: Path, entries: Sequence[Entry], title: str, note: str, layout: _Layout, pages: int) -> None:
    for name, bold in (("Vera", False), ("Vera-Bold", True)):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(font_file(bold=bold))))
    # Invariant: no date and no random identifier, so that the same sheet is the same bytes.
    canvas = Canvas(str(path), pagesize=(_PAGE_MM[0] * _MM, _PAGE_MM[1] * _MM), invariant=1, pageCompression=1)
    canvas.setTitle(title)
    canvas.setCreator("glassine")
    paper = _PdfPage(canvas)
    for page in range(pages):
        _draw_header(paper, title, note)
        shown = entries[page * layout.on_page : (page + 1) * layout.on_page]
        for index, entry in enumerate(shown):
            _draw_entry(paper, entry, layout, index)
        footer = _PAGE_MM[1] - _MARGIN_MM
        words = f"{len(entries)} frame{'s' if len(entries) != 1 else ''}"
        _say(paper, _MARGIN_MM, footer, words, 2.6)
        _say(paper, _PAGE_MM[0] - _MARGIN_MM, footer, f"{page + 1} / {pages}", 2.6, right=True)
        canvas.showPage()
    canvas.save()


def _write_overview(path: Path, entries: Sequence[Entry], title: str, note: str, layout: _Layout) -> None:
    shown = entries[:_OVERVIEW_FRAMES]
    rows = math.ceil(len(shown) / layout.columns)
    height = _HEADER_MM + 2 * _MARGIN_MM + rows * layout.cell_height - _BETWEEN_ROWS_MM
    paper = _PicturePage(_PAGE_MM[0], height)
    left_off = len(entries) - len(shown)
    if left_off:
        note = f"{note}  ·  the first {len(shown)} of {len(entries)}".strip(" ·")
    _draw_header(paper, title, note)
    for index, entry in enumerate(shown):
        _draw_entry(paper, entry, layout, index)
    paper.image.save(
        path,
        "JPEG",
        quality=88,
        subsampling="4:4:4",
        icc_profile=profile_bytes("sRGB"),
        dpi=(25.4 * _OVERVIEW_PX_PER_MM,) * 2,
    )


def _draw_header(paper: _Paper, title: str, note: str) -> None:
    across = _PAGE_MM[0] - 2 * _MARGIN_MM
    ink = (INK,) * 3
    paper.text(_MARGIN_MM, _MARGIN_MM + 5.0, _fit(title, 5.6, across, bold=True), 5.6, ink, bold=True, right=False)
    if note:
        _say(paper, _MARGIN_MM, _MARGIN_MM + 10.5, _fit(note, 3.0, across), 3.0)
    y = _MARGIN_MM + 14.0
    paper.line(_MARGIN_MM, y, _PAGE_MM[0] - _MARGIN_MM, y, 0.2, ink)


def _draw_entry(paper: _Paper, entry: Entry, layout: _Layout, index: int) -> None:
    left = _MARGIN_MM + (index % layout.columns) * (layout.box_width + _GAP_MM)
    top = _MARGIN_MM + _HEADER_MM + (index // layout.columns) * layout.cell_height
    origin = ""
    if entry.proof is None:
        width = min(layout.box_width, layout.box_height / layout.usual_shape)
        height = width * layout.usual_shape
    else:
        with _opened(entry.proof) as proof:
            origin = picture_origin(proof)
            size = picture_size(proof)
            scale = min(layout.box_width / size[0], layout.box_height / size[1])
            width, height = size[0] * scale, size[1] * scale
            picture = _small_srgb(proof, size, (width * paper.px_per_mm, height * paper.px_per_mm))
    # Pictures stand on the line of their numbers, so that upright and lying ones share it.
    x, y = left, top + layout.box_height - height
    if entry.proof is None:
        _draw_empty(paper, entry.why_empty, x, y, width, height, layout.number * 0.55)
    elif entry.crop is None:
        paper.picture(picture, x, y, width, height)
    else:
        outline = crop_outline(entry.crop, *size)
        paper.picture(_dim_outside(picture, outline), x, y, width, height)
        corners = [(x + across * width / 100, y + down * height / 100) for across, down in outline]
        _draw_crop(paper, corners, int(entry.crop["turn_degrees"]), (x, y, x + width, y + height))
    _draw_mark(paper, entry.mark, x, y, width, height)
    line = top + layout.box_height + layout.number * 1.15
    ink = (INK,) * 3
    paper.text(left, line, entry.number, layout.number, ink, bold=True, right=False)
    small = layout.number * 0.55
    if entry.mark:
        after = left + _length(entry.number, layout.number, bold=True) + layout.number * 0.4
        word = _fit(entry.mark, small, left + layout.box_width - after)
        paper.text(after, line, word, small, _MARK_INK, bold=False, right=False)
    # What a proof is not of comes first: a long caption is cut at its end.
    words = [origin if origin != "raw" else "", entry.caption]
    caption = _fit("  ·  ".join(word for word in words if word), small, layout.box_width)
    _say(paper, left, line + layout.number * 0.85, caption, small)


def _draw_mark(paper: _Paper, mark: str, x: float, y: float, width: float, height: float) -> None:
    right, bottom = x + width, y + height
    if mark == "select":
        for ends in ((x, y, right, y), (right, y, right, bottom), (right, bottom, x, bottom), (x, bottom, x, y)):
            paper.line(*ends, 0.9, _MARK_INK)
    elif mark == "out":
        paper.line(x, bottom, right, y, 0.7, _MARK_INK)
    elif mark == "hold":
        arm = min(width, height) * 0.2
        for corner_x, along in ((x, arm), (right, -arm)):
            for corner_y, down in ((y, arm), (bottom, -arm)):
                paper.line(corner_x, corner_y, corner_x + along, corner_y, 0.9, _MARK_INK)
                paper.line(corner_x, corner_y, corner_x, corner_y + down, 0.9, _MARK_INK)


def _draw_crop(
    paper: _Paper, corners: Sequence[tuple[float, float]], turn_degrees: int, frame: tuple[float, float, float, float]
) -> None:
    """The outline of a crop on a frame of left, top, right and bottom: lines that overrun at the corners."""
    sides = list(zip(corners, [*corners[1:], corners[0]], strict=True))
    for start, end in sides:
        paper.line(*_overrun(end, start, frame), *_overrun(start, end, frame), _CROP_LINE_MM, _MARK_INK)
    if turn_degrees:
        # Turned clockwise by 90 degrees the left side, which is the last one, becomes the upper one.
        (x0, y0), (x1, y1) = sides[-turn_degrees // 90]
        tip_x, tip_y = (x0 + x1) / 2, (y0 + y1) / 2
        # Its tail is a quarter of the way to the opposite side, which runs parallel.
        tail_x = tip_x + (sum(x for x, _ in corners) / 4 - tip_x) / 2
        tail_y = tip_y + (sum(y for _, y in corners) / 4 - tip_y) / 2
        paper.line(tail_x, tail_y, tip_x, tip_y, _CROP_LINE_MM, _MARK_INK)
        along_x, along_y = (tail_x - tip_x) * 0.35, (tail_y - tip_y) * 0.35
        for turn in (-0.6, 0.6):
            barb = tip_x + along_x - turn * along_y, tip_y + along_y + turn * along_x
            paper.line(*barb, tip_x, tip_y, _CROP_LINE_MM, _MARK_INK)


def _overrun(
    start: tuple[float, float], end: tuple[float, float], frame: tuple[float, float, float, float]
) -> tuple[float, float]:
    """The end of a line drawn on beyond it, as far as the frame goes."""
    length = max(math.dist(start, end), 1e-9)
    along = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    by = _CROP_OVERRUN_MM
    for axis in (0, 1):
        if abs(along[axis]) > 1e-9:
            border = frame[axis + 2] if along[axis] > 0 else frame[axis]
            by = min(by, max(0.0, (border - end[axis]) / along[axis]))
    return end[0] + by * along[0], end[1] + by * along[1]


def _dim_outside(picture: Image.Image, outline: Sequence[tuple[float, float]]) -> Image.Image:
    corners = [(x * picture.width / 100, y * picture.height / 100) for x, y in outline]
    inside = Image.new("L", picture.size, 0)
    ImageDraw.Draw(inside).polygon(corners, fill=255)
    dimmed = picture.point(lambda value: round(value * _OUTSIDE_LIGHT))
    return Image.composite(picture, dimmed, inside)


def _draw_empty(paper: _Paper, words: str, x: float, y: float, width: float, height: float, size: float) -> None:
    right, bottom, ink = x + width, y + height, (QUIET_INK,) * 3
    for ends in ((x, y, right, y), (right, y, right, bottom), (right, bottom, x, bottom), (x, bottom, x, y)):
        paper.line(*ends, 0.2, ink)
    room = width - 2 * size
    lines = [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and _length(longer, size) > room:
            lines.append(word)
        else:
            lines[-1] = longer
    fitting = max(1, math.floor(height / (size * 1.4)) - 1)
    lines = [*lines[: fitting - 1], " ".join(lines[fitting - 1 :])]
    first = y + height / 2 - (len(lines) - 1) / 2 * size * 1.4 + size * 0.35
    for index, line in enumerate(lines):
        _say(paper, x + size, first + index * size * 1.4, _fit(line, size, room), size)


def _say(paper: _Paper, x: float, y: float, text: str, size: float, *, right: bool = False) -> None:
    paper.text(x, y, text, size, (QUIET_INK,) * 3, bold=False, right=right)


def _length(text: str, size: float, *, bold: bool = False) -> float:
    """Width in mm, measured at 100 px so that PDF and JPEG agree."""
    return typeface(100, bold=bold).getlength(text) * size / 100


def _fit(text: str, size: float, width: float, *, bold: bool = False) -> str:
    return shorten(text, typeface(100, bold=bold), width * 100 / size)


def _opened(proof: Path) -> Image.Image:
    try:
        return Image.open(proof, formats=("JPEG",))
    except (OSError, ValueError, SyntaxError) as error:
        raise FrameError("P001", f"The proof {proof.name} cannot be read: make the frame's proof again.") from error


@cache
def _srgb() -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(io.BytesIO(profile_bytes("sRGB")))


def _small_srgb(proof: Image.Image, size: tuple[int, int], wanted: tuple[float, float]) -> Image.Image:
    """The picture of a proof without its strip, at the size wanted in px, in sRGB."""
    smaller = (max(1, round(wanted[0])), max(1, round(wanted[1])))
    try:
        picture = proof.resize(smaller, Image.Resampling.LANCZOS, box=(0, 0, *size))
        icc = proof.info.get("icc_profile")
        if icc:
            own = ImageCms.ImageCmsProfile(io.BytesIO(icc))
            converted = ImageCms.profileToProfile(picture, own, _srgb(), outputMode="RGB")
            picture = converted if converted is not None else picture
    except (OSError, ValueError, ImageCms.PyCMSError) as error:
        raise FrameError("P001", "A proof cannot be decoded: make the frame's proof again.") from error
    return picture.convert("RGB")


class _PdfPage:
    px_per_mm = _PRINT_PX_PER_MM

    def __init__(self, canvas: Canvas) -> None:
        self.canvas = canvas

    def text(
        self, x: float, y: float, text: str, size: float, ink: tuple[int, int, int], *, bold: bool, right: bool
    ) -> None:
        self.canvas.setFont("Vera-Bold" if bold else "Vera", size * _MM)
        self.canvas.setFillColorRGB(*(value / 255 for value in ink))
        draw = self.canvas.drawRightString if right else self.canvas.drawString
        draw(x * _MM, (_PAGE_MM[1] - y) * _MM, text)

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float, ink: tuple[int, int, int]) -> None:
        self.canvas.setStrokeColorRGB(*(value / 255 for value in ink))
        self.canvas.setLineWidth(width * _MM)
        self.canvas.setLineCap(1)
        self.canvas.line(x0 * _MM, (_PAGE_MM[1] - y0) * _MM, x1 * _MM, (_PAGE_MM[1] - y1) * _MM)

    def picture(self, picture: Image.Image, x: float, y: float, width: float, height: float) -> None:
        file = io.BytesIO()
        picture.save(file, "JPEG", quality=_QUALITY)
        file.seek(0)
        place = (x * _MM, (_PAGE_MM[1] - y - height) * _MM, width * _MM, height * _MM)
        self.canvas.drawImage(ImageReader(file), *place)


class _PicturePage:
    px_per_mm = _OVERVIEW_PX_PER_MM

    def __init__(self, width_mm: float, height_mm: float) -> None:
        self.image = Image.new("RGB", (self._px(width_mm), self._px(height_mm)), (PAPER,) * 3)
        self.draw = ImageDraw.Draw(self.image)

    def _px(self, mm: float) -> int:
        return round(mm * self.px_per_mm)

    def text(
        self, x: float, y: float, text: str, size: float, ink: tuple[int, int, int], *, bold: bool, right: bool
    ) -> None:
        font = typeface(self._px(size), bold=bold)
        self.draw.text((self._px(x), self._px(y)), text, fill=ink, font=font, anchor="rs" if right else "ls")

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float, ink: tuple[int, int, int]) -> None:
        # Ends are drawn out by half the width, so that the corners of a frame are closed.
        self.draw.line([self._px(v) for v in (x0, y0, x1, y1)], fill=ink, width=max(1, self._px(width)))
        half = self._px(width) // 2
        if half > 1:
            for x, y in ((self._px(x0), self._px(y0)), (self._px(x1), self._px(y1))):
                self.draw.ellipse((x - half, y - half, x + half - 1, y + half - 1), fill=ink)

    def picture(self, picture: Image.Image, x: float, y: float, width: float, height: float) -> None:
        self.image.paste(picture, (self._px(x), self._px(y)))
