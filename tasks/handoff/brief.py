"""What a retoucher is asked: the brief as a document, and as a PDF with the marks on the picture."""

from __future__ import annotations

import io
import itertools
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
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

from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import FrameError
from glassine.tasks.handoff.annotation import Region, from_annotation, to_annotation

INK: Final = (0.13, 0.13, 0.13)
FAINT: Final = (0.45, 0.45, 0.45)
MARK: Final = (0.80, 0.16, 0.08)
"""A red that no proof has: most proofs are monochrome."""

_PAGE_WIDTH, _PAGE_HEIGHT = A4
_MARGIN: Final = 18 * mm
_COLUMN: Final = _PAGE_WIDTH - 2 * _MARGIN
_DETAIL: Final = 34 * mm
"""Side of the enlarged detail beside each note."""
_BADGE: Final = 7.5
"""Radius of a note's number on the picture, in points; legible at arm's length (from memory)."""


def brief_document(
    *,
    job: str,
    frame: int,
    round_number: int,
    base: Mapping[str, Any],
    proof: Mapping[str, Any] | None,
    standing: Sequence[str],
    notes: Sequence[Mapping[str, Any]],
    retoucher: str | None,
    due: str | None,
    grader: str | None,
) -> dict[str, Any]:
    """Return the brief of one retouch round, as schemas/brief.schema.json has it.

    Parameters
    ----------
    job, frame, round_number : which picture of which job, which time it goes out (from 1)
    base : {"path", "sha256", "size", "width", "height", "bits", "profile"} of the base file
    proof : {"path", "sha256"} of the reference proof
    standing : instructions for the whole picture
    notes : dicts as `annotation.to_annotation` takes them, in the order of their numbers
    retoucher, grader : person ids; None while nobody is named
    due : RFC 3339 date

    Raises
    ------
    CallError
        W001: a note that is none.
    """
    return {
        "format": 1,
        "job": job,
        "frame": frame,
        "round": round_number,
        "base": dict(base),
        "proof": None if proof is None else dict(proof),
        "standing": list(standing),
        "notes": [to_annotation(note, base["path"]) for note in notes],
        "retoucher": retoucher,
        "due": due,
        "grader": grader,
    }


def write_brief_pdf(
    document: Mapping[str, Any], picture: Path, out: Path, *, names: Mapping[str, str] | None = None
) -> None:
    """Write the brief to be read and printed; the same document, picture and names give the same bytes.

    Page 1 has the picture with the numbered marks; then each note with an enlarged detail, the standing
    instructions, and what is to be returned, by whom and when.

    Parameters
    ----------
    document : as `brief_document` gives it
    picture : JPEG of the whole picture; below it there may be a strip, as proofs have
    out : put in place at once when it is whole; its folder is made
    names : person id to name, for print; an id without a name is printed as it is

    Raises
    ------
    CallError
        W001: a note in the document that is none.
    FrameError
        P001: the picture is no JPEG that decodes. P002: its sides are not those of the base file.
    VolumeError
        V003: the disk is full or cannot be written.
    """
    notes = [from_annotation(annotation) for annotation in document["notes"]]
    sheet = _Sheet(document, picture, names or {})
    sheet.draw_picture([note["region"] for note in notes])
    sheet.heading("Marks" if notes else "No marks: the whole picture is meant")
    for number, note in enumerate(notes, 1):
        sheet.note(number, note)
    if document["standing"]:
        sheet.heading("For the whole picture")
        for instruction in document["standing"]:
            sheet.paragraph(instruction)
    sheet.heading("File and people")
    for label, text in _facts(document, names or {}):
        sheet.fact(label, text)
    replace_file(out, sheet.finish())


def _facts(document: Mapping[str, Any], names: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    base = document["base"]
    size = f"{base['width']} × {base['height']} px, {base['bits']} bit, {base['profile']}"
    retoucher, grader = document["retoucher"], document["grader"]
    yield "Base file", f"{Path(base['path']).name}: {size}, {base['size'] / 1e6:.1f} MB"
    yield "SHA-256", base["sha256"]
    yield "Return", f"one flat TIFF: {size}, with its profile embedded"
    yield "Retouch", names.get(retoucher, retoucher) if retoucher else "nobody is named yet"
    yield "Due", document["due"] or "no date is set yet"
    if grader and grader == retoucher:
        yield "Grading", f"{names.get(grader, grader)}, with the retouch"
    else:
        who = names.get(grader, grader) if grader else "decided later"
        yield "Grading", f"{who}; leave tone and colour of the whole as they are"


class _Sheet:
    """The pages of one brief, filled from the top."""

    def __init__(self, document: Mapping[str, Any], picture: Path, names: Mapping[str, str]) -> None:
        self.picture, self.pixels, self.shown = _open_picture(picture, document["base"])
        self.title = f"Job {document['job']} · frame {document['frame']:04d} · round {document['round']}"
        self.buffer = io.BytesIO()
        self.canvas = Canvas(self.buffer, pagesize=A4, invariant=1, pageCompression=1)
        self.canvas.setTitle(f"Retouch brief, {self.title}")
        self.regular, self.bold = _fonts()
        self.page = 0
        self.y = 0.0
        self.replaced = False
        self._new_page()
        self._text(_MARGIN, self.y - 17, f"Frame {document['frame']:04d}", 22, bold=True)
        about = f"Retouch brief · job {document['job']} · round {document['round']}"
        self._text(_MARGIN, self.y - 31, about, 9.5, colour=FAINT)
        who = document["retoucher"]
        for_whom = f"for {names.get(who, who)}" if who else "for a retoucher not yet named"
        due = f"due {document['due']}" if document["due"] else "no date yet"
        self._text(_PAGE_WIDTH - _MARGIN, self.y - 17, for_whom, 9.5, right=True)
        self._text(_PAGE_WIDTH - _MARGIN, self.y - 31, due, 9.5, right=True)
        self.y -= 42

    def draw_picture(self, regions: Sequence[Region]) -> None:
        """The picture as large as the page allows, with outlines and numbers."""
        width, height = self.pixels
        scale = min(_COLUMN / width, (self.y - _MARGIN - 14) / height)
        left, bottom = (_PAGE_WIDTH - width * scale) / 2, self.y - height * scale
        self.canvas.drawImage(self.picture, left, bottom, width * scale, height * scale)
        box = (left, self.y, width * scale, self.shown * scale)
        taken: list[tuple[float, float]] = []
        for region in regions:
            self._outline(region, box)
        for number, region in enumerate(regions, 1):
            taken.append(_free_place(region, box, taken))
            self._badge(number, *taken[-1])
        self.y = bottom - 14

    def heading(self, text: str) -> None:
        """A section's name; it does not stand alone at the foot of a page."""
        self._make_room(60)
        self.y -= 24
        self._text(_MARGIN, self.y, text, 11.5, bold=True)
        self.y -= 9

    def note(self, number: int, note: Mapping[str, Any]) -> None:
        """A note's number, its detail enlarged, and what is asked."""
        lines = self._split(note["instruction"], 10.5, _COLUMN - _DETAIL - 34)
        self._make_room(_DETAIL + 10)
        top = self.y - 6
        self._badge(number, _MARGIN + _BADGE, top - _BADGE)
        self._detail(note["region"], _MARGIN + 22, top)
        self.y = top - 10
        for line in lines:
            if self.y < _MARGIN + 12:
                self._new_page()
                self.y -= 10
            self._text(_MARGIN + 34 + _DETAIL, self.y, line, 10.5)
            self.y -= 14
        self.y = min(self.y, top - _DETAIL - 6) if self.y < top else self.y

    def paragraph(self, text: str) -> None:
        """An instruction over the whole width."""
        for index, line in enumerate(self._split(text, 10.5, _COLUMN - 12)):
            self._make_room(14)
            self.y -= 14
            self._text(_MARGIN, self.y, "–" if index == 0 else "", 10.5)
            self._text(_MARGIN + 12, self.y, line, 10.5)

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

    def _detail(self, region: Region, left: float, top: float) -> None:
        """The region and a third more around it, as large as a square allows."""
        width, height = self.pixels
        x0, y0, x1, y1 = _bounds(region)
        side = max((x1 - x0) / 100 * width, (y1 - y0) / 100 * self.shown) * 4 / 3
        side = min(max(side, 0.05 * width), width, self.shown)
        x = min(max((x0 + x1) / 200 * width - side / 2, 0), width - side)
        y = min(max((y0 + y1) / 200 * self.shown - side / 2, 0), self.shown - side)
        scale = _DETAIL / side
        self.canvas.saveState()
        clip = self.canvas.beginPath()
        clip.rect(left, top - _DETAIL, _DETAIL, _DETAIL)
        self.canvas.clipPath(clip, stroke=0, fill=0)
        origin = (left - x * scale, top + y * scale)
        self.canvas.drawImage(self.picture, origin[0], origin[1] - height * scale, width * scale, height * scale)
        self._outline(region, (*origin, width * scale, self.shown * scale))
        self.canvas.restoreState()

    def _badge(self, number: int, x: float, y: float) -> None:
        self.canvas.setLineWidth(1.2)
        self.canvas.setStrokeColorRGB(1, 1, 1)
        self.canvas.setFillColorRGB(*MARK)
        self.canvas.circle(x, y, _BADGE, stroke=1, fill=1)
        self.canvas.setFillColorRGB(1, 1, 1)
        self.canvas.setFont(self.bold, 9 if number < 100 else 6.5)
        self.canvas.drawCentredString(x, y - 3.2, str(number))


def _open_picture(picture: Path, base: Mapping[str, Any]) -> tuple[ImageReader, tuple[int, int], int]:
    """The JPEG, its width and height, and how many rows of it show the base: what is below is the strip."""
    try:
        data = picture.read_bytes()
        with Image.open(io.BytesIO(data), formats=["JPEG"]) as image:
            image.load()
            width, height = image.size
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise FrameError("P001", f"{picture} is no JPEG that can be shown in a brief.") from error
    shown = width * base["height"] / base["width"]
    if round(shown) > height + 2:
        raise FrameError(
            "P002",
            f"{picture} has {width} × {height} px, which is not the shape of the base file "
            f"({base['width']} × {base['height']} px): marks would stand in the wrong place.",
        )
    return ImageReader(io.BytesIO(data)), (width, height), min(round(shown), height)


def _bounds(region: Region) -> tuple[float, float, float, float]:
    if region["shape"] == "polygon":
        xs, ys = zip(*region["points"], strict=True)
        return min(xs), min(ys), max(xs), max(ys)
    return region["x"], region["y"], region["x"] + region["width"], region["y"] + region["height"]


def _free_place(
    region: Region, box: tuple[float, float, float, float], taken: Sequence[tuple[float, float]]
) -> tuple[float, float]:
    """Centre of a note's number: outside a corner of its mark, within the picture, on no other number."""
    left, top, width, height = box
    x0, y0, x1, y1 = _bounds(region)
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
