"""Layout of a contact sheet: how large its pictures are, and what stands where on its pages; in mm from the upper left."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.contact_entry import Entry, SetUpHead
from glassine.tasks.imaging.contact_words import Lines, fit_caption, fit_line, fit_notes, split_lines, width_mm

USUAL_SHAPE: Final = 2 / 3
"""Height by width of an empty box, on a sheet of no pictures at all: a small-format frame of 24 by 36 mm."""
LINE_SPACING: Final = 1.28
_FEWEST_CELLS = 4
"""A page is divided into this many cells at least: a proof has no pixels for a larger print."""
_UNEVEN = 2.0
"""A grid with cells left over is taken only where its pictures have so much more area; own choice."""
_SMALLEST_TYPE_MM = 1.8
"""5 points: the smallest type that is read without trouble (common practice)."""
_SMALLEST_BOX_MM = 9.0
_NO_SET_UP = SetUpHead("No set-up")


@dataclass(frozen=True)
class Words:
    """What stands under a picture."""

    caption: Lines
    notes: Lines


@dataclass(frozen=True)
class HeadLines:
    """The line over a set-up: its name, the words behind the name, and lines under both."""

    name: str
    beside: str
    under: list[str]
    whole: bool


@dataclass(frozen=True)
class Layout:
    """Sizes in mm. A cell is a picture's box with its number and its words under it.

    unit : 1 on A4: by how much larger or smaller heads and margins are
    """

    page: tuple[float, float]
    unit: float
    columns: int
    rows: int
    most_on_page: int
    box: tuple[float, float]
    gap: tuple[float, float]
    number: float
    small: float
    word_lines: int
    usual_shape: float

    @property
    def margin(self) -> float:
        return 10.0 * self.unit

    @property
    def top(self) -> float:
        """Where the header ends."""
        return self.margin + 15.0 * self.unit

    @property
    def bottom(self) -> float:
        """Where the footer begins."""
        return self.page[1] - self.margin - 5.0 * self.unit

    @property
    def across(self) -> float:
        return self.page[0] - 2 * self.margin

    @property
    def head_size(self) -> float:
        return 3.2 * self.unit

    @property
    def words_height(self) -> float:
        """Of the number and the lines under it."""
        return self.number * 1.2 + self.word_lines * self.small * LINE_SPACING

    @property
    def cell_height(self) -> float:
        return self.box[1] + self.words_height + self.gap[1]

    def head_height(self, head: HeadLines) -> float:
        return self.head_size * 1.9 + len(head.under) * self.head_size * 0.75 * LINE_SPACING

    def words_of(self, entry: Entry, origin: str) -> Words:
        """Lines under a picture; what a proof is not of (`origin`) comes first."""
        said = "  ·  ".join(filter(None, (origin, entry.caption)))
        width = self.box[0]
        return Words(fit_caption(said, self.small, width), fit_notes(entry.notes, self.small, width))

    def head_lines(self, head: SetUpHead, *, continued: bool = False) -> HeadLines:
        """The words of a head, on one line where they fit."""
        size = self.head_size * 0.75
        called = fit_line(
            f"{head.name} (continued)" if continued else head.name, self.head_size, self.across, bold=True
        )
        said = "  ·  ".join(filter(None, (head.arrangement, head.purpose, head.exposure)))
        room = self.across - width_mm(called.lines[0], self.head_size, bold=True) - self.head_size
        if said and room > 0:
            beside = fit_line(said, size, room)
            if beside.whole:
                return HeadLines(called.lines[0], beside.lines[0], [], called.whole)
        under = split_lines(said, size, self.across, 2)
        return HeadLines(called.lines[0], "", under.lines, called.whole and under.whole)


@dataclass
class Page:
    """What stands on one page: heads with the y of their upper side, frames by index with the upper left of their cell."""

    heads: list[tuple[float, HeadLines]] = field(default_factory=list)
    frames: list[tuple[int, float, float]] = field(default_factory=list)
    foot: float = 0.0


def lay_out(
    entries: Sequence[Entry],
    shapes: Sequence[float],
    origins: Sequence[str],
    page: tuple[int, int],
    *,
    per_page: int,
    columns: int | None = None,
) -> Layout:
    """Choose the grid in which the pictures are largest, and measure it.

    Parameters
    ----------
    entries, origins : what is to be shown, and what each proof is not of
    shapes : height by width of every picture that there is
    page : width and height in mm
    per_page : cells of a page that has no more than one head
    columns : fixed; then a page has as many rows as it holds, and `per_page` is not asked

    Raises
    ------
    CallError
        W001 where so many frames do not fit on the paper.
    """
    # Proofs of one camera differ in their last pixel.
    usual = statistics.mode(round(shape, 2) for shape in shapes) if shapes else USUAL_SHAPE
    known = list(shapes) or [usual]
    tallest = 1.0 if min(known) < 1 < max(known) else min(max(known), 1.5)
    cells = min(per_page, max(len(entries), _FEWEST_CELLS))
    tried = [columns] if columns else range(1, cells + 1)
    found: list[tuple[float, Layout]] = []
    for across in tried:
        rows = 1 if columns else math.ceil(cells / across)
        layout = _measure(page, across, rows, per_page, usual, _likely_lines(entries))
        shown = min(layout.box[1], layout.box[0] * tallest)
        area = max(0.0, min(layout.box[0], shown / usual)) ** 2 * usual
        found.append((area / (_UNEVEN if across * rows != cells else 1), layout))
    # The first of equals: the one with fewer columns.
    layout = max(found, key=lambda one: one[0])[1]
    lines = max(
        len(words.caption.lines) + len(words.notes.lines)
        for words in (layout.words_of(*shown) for shown in zip(entries, origins, strict=True))
    )
    heads = (layout.head_lines(one, continued=again) for one in _heads(entries) for again in (False, True))
    head = max(map(layout.head_height, heads), default=0.0)
    layout = _measure(page, layout.columns, layout.rows, per_page, usual, lines, head)
    if min(layout.box) < _SMALLEST_BOX_MM:
        wide, high = page
        raise CallError(
            "W001",
            f"{cells} frames to a page are too small on paper of {wide} by {high} mm: ask for fewer, or for larger paper.",
        )
    return _settle(layout, tallest, head, fixed=columns is not None)


def paginate(entries: Sequence[Entry], layout: Layout) -> list[Page]:
    """Place every frame, in order; a new head begins where the set-up changes, and stands again on each further page."""
    with_heads = any(entry.set_up for entry in entries)
    pages: list[Page] = []
    current: SetUpHead | None = None
    column, y = layout.columns, math.inf
    for index, entry in enumerate(entries):
        head = (entry.set_up or _NO_SET_UP) if with_heads else None
        changed = head != current
        if changed or column == layout.columns:
            # A new row, under the one before it.
            y = y + layout.cell_height if pages else math.inf
            column = 0
        words = layout.head_lines(head) if head and changed else None
        needed = layout.cell_height - layout.gap[1] + (layout.head_height(words) if words else 0.0)
        full = pages and len(pages[-1].frames) == layout.most_on_page
        if full or y + needed > layout.bottom + 1e-6:
            pages.append(Page())
            y, column = layout.top, 0
            words = layout.head_lines(head, continued=not changed) if head else None
        if words:
            pages[-1].heads.append((y, words))
            y += layout.head_height(words)
        pages[-1].frames.append((index, layout.margin + column * (layout.box[0] + layout.gap[0]), y))
        pages[-1].foot = y + layout.cell_height - layout.gap[1]
        current, column = head, column + 1
    return pages


def _measure(
    page: tuple[int, int], columns: int, rows: int, per_page: int, usual: float, lines: int, head: float = 0.0
) -> Layout:
    """A layout whose boxes take all the room that `rows` rows and one head leave."""
    unit = min(3.0, max(0.55, min(page) / 210))
    gap = 4.0 * unit, 2.6 * unit
    empty = Layout(page, unit, columns, rows, per_page, (0, 0), gap, 0, 0, lines, usual)
    width = (empty.across - (columns - 1) * gap[0]) / columns
    number = min(6.0 * unit, max(2.9, width * 0.1))
    small = max(_SMALLEST_TYPE_MM, number * 0.55)
    words = number * 1.2 + lines * small * LINE_SPACING
    height = (empty.bottom - empty.top - head + gap[1]) / rows - words - gap[1]
    return Layout(page, unit, columns, rows, per_page, (width, height), gap, number, small, lines, usual)


def _settle(layout: Layout, tallest: float, head: float, *, fixed: bool) -> Layout:
    """Boxes no higher than the pictures ask for; with fixed columns as many rows as the page holds."""
    width, height = layout.box
    box = width, min(height, width * tallest)
    gap = layout.gap[1]
    room = layout.bottom - layout.top - head + gap
    pitch = box[1] + layout.words_height + gap
    rows = max(1, math.floor(room / pitch + 1e-9)) if fixed else layout.rows
    # What is left over is spread between the rows, as far as they still belong together.
    gap = gap if fixed else min(2.5 * gap, gap + (room / rows - pitch))
    most = layout.columns * rows if fixed else layout.most_on_page
    return Layout(
        layout.page, layout.unit, layout.columns, rows, most, box, (layout.gap[0], gap),
        layout.number, layout.small, layout.word_lines, layout.usual_shape,
    )  # fmt: skip


def _likely_lines(entries: Sequence[Entry]) -> int:
    """Lines under a picture before its width is known."""
    return 1 + 2 * any(entry.notes for entry in entries)


def _heads(entries: Sequence[Entry]) -> Iterable[SetUpHead]:
    return dict.fromkeys(entry.set_up for entry in entries if entry.set_up)
