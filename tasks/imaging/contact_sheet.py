"""Contact sheets: a job's proofs in order, each with its number, its mark and its words, as PDF pages and as one JPEG."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from glassine.schemas.errors import CallError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging.contact_entry import Entry, SetUpHead
from glassine.tasks.imaging.contact_layout import LINE_SPACING, HeadLines, Layout, Page, Words, lay_out, paginate
from glassine.tasks.imaging.contact_marks import MARK_INK, Place, draw_crop, draw_mark
from glassine.tasks.imaging.contact_paper import PRINT_PX_PER_MM, Ink, Paper, PdfPaper, PicturePaper
from glassine.tasks.imaging.contact_picture import PictureHead, look_at_proof, render_proof
from glassine.tasks.imaging.contact_rest import set_rest, type_size
from glassine.tasks.imaging.contact_words import Lines, fit_line, split_lines, width_mm
from glassine.tasks.imaging.crop import crop_outline
from glassine.tasks.imaging.paper_size import paper_size_mm
from glassine.tasks.imaging.proof import INK, QUIET_INK

__all__ = ["Entry", "SetUpHead", "make_contact_sheet"]

_MOST_PER_PAGE = 100
_LONGEST_JPEG_PX = 4961
"""Long side of A3 at 300 ppi: a larger page is shown on a screen at fewer."""
_BLACK: Ink = (INK, INK, INK)
_QUIET: Ink = (QUIET_INK, QUIET_INK, QUIET_INK)


class _Sheet(NamedTuple):
    """All that the drawing of a page asks for; one picture and its words for each entry."""

    entries: Sequence[Entry]
    pictures: Sequence[PictureHead | None]
    words: Sequence[Words]
    layout: Layout
    title: str
    note: str


def make_contact_sheet(
    entries: Sequence[Entry],
    title: str,
    pdf: Path,
    jpeg: Path,
    *,
    columns: int | None = None,
    note: str = "",
    paper: str = "A4",
    landscape: bool = False,
    per_page: int = 36,
) -> dict[str, Any]:
    """Make a contact sheet.

    Parameters
    ----------
    entries : in the order they are shown in; where one has a set-up, each page and each change of it has a head
    title, note : in the header: what the sheet is of; a line in small type
    pdf : pages at 300 ppi, or all pixels that a proof has; words that had to be cut stand in full on a last page
    jpeg : the first page down to its last frame, sRGB; 300 ppi, on paper over A3 fewer
    columns : 1 to 10, and as many rows as the page holds; None for the grid in which the pictures are largest
    paper, landscape : as `paper_size_mm` takes them
    per_page : 1 to 100 frames on a page that has no more than one head; each further head may cost a row

    Returns
    -------
    {"pdf_sha256", "jpeg_sha256", "pages", "frames"}; the same input gives the same bytes.

    Raises
    ------
    CallError
        W001 for no entries, columns or frames to a page out of range, paper that is not known or too small for so
        many, or a crop that is none.
    FrameError
        P001 where a proof cannot be read.

    Notes
    -----
    Proofs are opened one at a time, and of their pictures no more than one is in memory.
    """
    if not entries:
        raise CallError("W001", "A contact sheet of no frames was asked for: make proofs first.")
    if columns is not None and not 1 <= columns <= 10:
        raise CallError("W001", f"A contact sheet has 1 to 10 columns, not {columns}.")
    if not 1 <= per_page <= _MOST_PER_PAGE:
        raise CallError("W001", f"A contact sheet has 1 to {_MOST_PER_PAGE} frames to a page, not {per_page}.")
    size = paper_size_mm(paper, landscape=landscape)
    pictures = [None if entry.proof is None else look_at_proof(entry.proof) for entry in entries]
    shapes = [picture.size[1] / picture.size[0] for picture in pictures if picture]
    origins = [picture.origin if picture else "" for picture in pictures]
    layout = lay_out(entries, shapes, origins, size, per_page=per_page, columns=columns)
    words = [layout.words_of(*shown) for shown in zip(entries, origins, strict=True)]
    sheet = _Sheet(entries, pictures, words, layout, title, note)
    pages = paginate(entries, layout)
    for path in (pdf, jpeg):
        path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = [path.with_name(f".{path.name}.{os.getpid()}.part") for path in (pdf, jpeg)]
    try:
        count = _write_pdf(unfinished[0], sheet, pages)
        _write_jpeg(unfinished[1], sheet, pages[0])
        digests = [hash_file(path) for path in unfinished]
        for path, place in zip(unfinished, (pdf, jpeg), strict=True):
            path.replace(place)
    finally:
        for path in unfinished:
            path.unlink(missing_ok=True)
    return {"pdf_sha256": digests[0], "jpeg_sha256": digests[1], "pages": count, "frames": len(entries)}


def _write_pdf(path: Path, sheet: _Sheet, pages: Sequence[Page]) -> int:
    """Returns the number of pages, those with words in full among them."""
    layout = sheet.layout
    rest = set_rest(layout, list(_cut_words(sheet)))
    count = len(pages) + len(rest)
    paper = PdfPaper(path, *layout.page, sheet.title)
    for number in range(count):
        _draw_header(paper, sheet, sheet.note)
        if number < len(pages):
            _draw_page(paper, sheet, pages[number])
        else:
            for line in rest[number - len(pages)]:
                paper.text(line.x, line.y, line.text, type_size(layout), _BLACK, bold=line.bold, right=False)
        size, foot = 2.5 * layout.unit, layout.page[1] - layout.margin
        said = f"{len(sheet.entries)} frame{'s' if len(sheet.entries) != 1 else ''}"
        said += "  ·  what ends in … stands in full at the end" if rest and number < len(pages) else ""
        paper.text(layout.margin, foot, said, size, _QUIET, bold=False, right=False)
        right = layout.page[0] - layout.margin
        paper.text(right, foot, f"{number + 1} / {count}", size, _QUIET, bold=False, right=True)
        paper.next_page()
    paper.save()
    return count


def _write_jpeg(path: Path, sheet: _Sheet, page: Page) -> None:
    layout = sheet.layout
    scale = min(PRINT_PX_PER_MM, _LONGEST_JPEG_PX / max(layout.page))
    paper = PicturePaper(layout.page[0], min(layout.page[1], page.foot + layout.margin), scale)
    note = sheet.note
    if len(page.frames) < len(sheet.entries):
        note = f"{note}  ·  the first {len(page.frames)} of {len(sheet.entries)}".strip(" ·")
    _draw_header(paper, sheet, note)
    _draw_page(paper, sheet, page)
    paper.save(path)


def _draw_header(paper: Paper, sheet: _Sheet, note: str) -> None:
    layout, unit = sheet.layout, sheet.layout.unit
    left, top = layout.margin, layout.margin
    title = fit_line(sheet.title, 5.4 * unit, layout.across, bold=True).lines[0]
    paper.text(left, top + 4.6 * unit, title, 5.4 * unit, _BLACK, bold=True, right=False)
    if note:
        said = fit_line(note, 2.8 * unit, layout.across).lines[0]
        paper.text(left, top + 9.2 * unit, said, 2.8 * unit, _QUIET, bold=False, right=False)
    y = top + 11.5 * unit
    paper.line(left, y, layout.page[0] - left, y, 0.2 * unit, _BLACK)


def _draw_page(paper: Paper, sheet: _Sheet, page: Page) -> None:
    heads = list(page.heads)
    for index, left, top in page.frames:
        # In the order in which the page is read: that is how its text is read out.
        while heads and heads[0][0] < top:
            _draw_head(paper, sheet.layout, *heads.pop(0))
        _draw_entry(paper, sheet, index, left, top)


def _draw_head(paper: Paper, layout: Layout, top: float, head: HeadLines) -> None:
    size, left = layout.head_size, layout.margin
    y = top + size * 0.9
    paper.text(left, y, head.name, size, _BLACK, bold=True, right=False)
    after = left + width_mm(head.name, size, bold=True) + size
    paper.text(after, y, head.beside, size * 0.75, _BLACK, bold=False, right=False)
    for line in head.under:
        y += size * 0.75 * LINE_SPACING
        paper.text(left, y, line, size * 0.75, _BLACK, bold=False, right=False)


def _draw_entry(paper: Paper, sheet: _Sheet, index: int, left: float, top: float) -> None:
    entry, picture, layout = sheet.entries[index], sheet.pictures[index], sheet.layout
    box_width, box_height = layout.box
    shape = picture.size[1] / picture.size[0] if picture else layout.usual_shape
    width = min(box_width, box_height / shape)
    height = width * shape
    # Pictures stand on the line of their numbers, so that upright and lying ones share it.
    place = Place(left, top + box_height - height, left + width, top + box_height)
    if picture is None or entry.proof is None:
        _draw_empty(paper, entry.why_empty, place, layout.small)
    else:
        outline = crop_outline(entry.crop, *picture.size) if entry.crop else None
        paper.picture(partial(render_proof, entry.proof, outline), place.left, place.top, width, height)
        if entry.crop and outline:
            corners = [(place.left + x * width / 100, place.top + y * height / 100) for x, y in outline]
            draw_crop(paper, place, corners, int(entry.crop["turn_degrees"]), entry.number)
    draw_mark(paper, place, entry.mark, entry.number, hero=entry.hero)
    y = top + box_height + layout.number * 1.15
    paper.text(left, y, entry.number, layout.number, _BLACK, bold=True, right=False)
    mark = "  ·  ".join(filter(None, (entry.mark, "hero" if entry.hero and entry.mark != "hero" else "")))
    if mark:
        after = left + width_mm(entry.number, layout.number, bold=True) + layout.number * 0.4
        said = fit_line(mark, layout.small, left + box_width - after).lines[0]
        paper.text(after, y, said, layout.small, MARK_INK, bold=False, right=False)
    for lines, ink in ((sheet.words[index].caption.lines, _QUIET), (sheet.words[index].notes.lines, _BLACK)):
        for line in lines:
            y += layout.small * LINE_SPACING
            paper.text(left, y, line, layout.small, ink, bold=False, right=False)


def _draw_empty(paper: Paper, why: str, place: Place, size: float) -> None:
    left, top, right, bottom = place
    for ends in ((left, top, right, top), (right, top, right, bottom), (right, bottom, left, bottom)):
        paper.line(*ends, 0.2, _QUIET)
    paper.line(left, bottom, left, top, 0.2, _QUIET)
    lines = _why_lines(why, place.width, place.height, size).lines
    first = (top + bottom) / 2 - (len(lines) - 1) / 2 * size * LINE_SPACING + size * 0.35
    for index, line in enumerate(lines):
        paper.text(left + size * 0.7, first + index * size * LINE_SPACING, line, size, _QUIET, bold=False, right=False)


def _why_lines(why: str, width: float, height: float, size: float) -> Lines:
    return split_lines(why, size, width - 1.4 * size, max(1, math.floor(height / (size * LINE_SPACING) - 0.8)))


def _cut_words(sheet: _Sheet) -> Iterator[tuple[str, str]]:
    """What the pages could not hold: of what it was said, and all that was said."""
    layout = sheet.layout
    for entry, picture, words in zip(sheet.entries, sheet.pictures, sheet.words, strict=True):
        whole = words.caption.whole and words.notes.whole
        if picture is None:
            width = min(layout.box[0], layout.box[1] / layout.usual_shape)
            whole = whole and _why_lines(entry.why_empty, width, width * layout.usual_shape, layout.small).whole
        if not whole:
            origin, why = (picture.origin, "") if picture else ("", entry.why_empty)
            yield entry.number, "  ·  ".join(filter(None, (origin, why, entry.caption, " ".join(entry.notes))))
    for head in dict.fromkeys(entry.set_up for entry in sheet.entries if entry.set_up):
        if not layout.head_lines(head).whole:
            yield head.name, "  ·  ".join((head.name, *filter(None, (head.arrangement, head.purpose, head.exposure))))
