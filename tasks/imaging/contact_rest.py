"""The last pages of a contact sheet: what had no room under its frame, in full."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from glassine.tasks.imaging.contact_layout import LINE_SPACING, Layout
from glassine.tasks.imaging.contact_words import split_lines, width_mm

_HEADING = "In full: what had no room under its frame"


class Line(NamedTuple):
    """A line of text, from x, standing on y, in mm."""

    x: float
    y: float
    text: str
    bold: bool


def type_size(layout: Layout) -> float:
    """Height of the letters in mm."""
    return max(2.4, 2.8 * layout.unit)


def set_rest(layout: Layout, said: Sequence[tuple[str, str]]) -> list[list[Line]]:
    """Set what was cut: for each page its lines.

    said : a frame's number, or what else it was said of, and all of the words
    """
    size = type_size(layout)
    step = size * LINE_SPACING * 1.1
    widest = max((width_mm(label, size, bold=True) for label, _ in said), default=0.0)
    text_left = layout.margin + min(widest, layout.across / 3) + size
    pages: list[list[Line]] = []
    y = layout.bottom
    for label, words in said:
        for index, line in enumerate(split_lines(words, size, layout.page[0] - layout.margin - text_left).lines):
            if y + step > layout.bottom:
                y = layout.top + 2 * step
                pages.append([Line(layout.margin, layout.top + step * 0.8, _HEADING, True)])
            y += step
            if index == 0:
                first = split_lines(label, size, text_left - layout.margin - size / 2, 1).lines[0]
                pages[-1].append(Line(layout.margin, y, first, True))
            pages[-1].append(Line(text_left, y, line, False))
        y += step / 2
    return pages
