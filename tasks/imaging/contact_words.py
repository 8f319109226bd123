"""Words on a contact sheet: lines that fit, and what is done with words that do not."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from glassine.tasks.imaging.proof import shorten, typeface

CAPTION_LINES = 2
NOTE_LINES = 2


class Lines(NamedTuple):
    """Lines to draw, and whether they hold all that was to be said."""

    lines: list[str]
    whole: bool


@lru_cache(maxsize=4096)
def width_mm(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a line set `size` mm high, measured at 100 px so that PDF and JPEG agree."""
    return typeface(100, bold=bold).getlength(text) * size / 100


def fit_line(text: str, size: float, width: float, *, bold: bool = False, keep_end: bool = False) -> Lines:
    """A text on one line, cut with "…" where it is wider than `width` mm."""
    line = _printable(text)
    shown = shorten(line, typeface(100, bold=bold), width * 100 / size, keep_end=keep_end)
    return Lines([shown], shown == line)


def split_lines(text: str, size: float, width: float, most: int | None = None) -> Lines:
    """Lines no wider than `width` mm; a word that is longer is broken, and the last of `most` lines ends in "…"."""
    lines: list[str] = []
    for word in _printable(text).split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_mm(longer, size) <= width:
            lines[-1] = longer
            continue
        lines += _parts(word, size, width)
        if most is not None and len(lines) > most:
            return Lines(_tidy([*lines[: most - 1], _cut(lines[most - 1], size, width)]), False)
    return Lines(_tidy(lines), True)


def fit_caption(text: str, size: float, width: float) -> Lines:
    """A caption in two lines; a file name that makes it too long loses its middle: its end tells it from others."""
    found = split_lines(text, size, width, CAPTION_LINES)
    if found.whole:
        return found
    words = [fit_line(word, size, width, keep_end=True).lines[0] for word in _printable(text).split()]
    return Lines(split_lines(" ".join(words), size, width, CAPTION_LINES).lines, False)


def fit_notes(notes: Sequence[str], size: float, width: float, most: int = NOTE_LINES) -> Lines:
    """As many whole sentences as `most` lines hold and how many more there are; else the first of them, cut."""
    found = split_lines(" ".join(notes), size, width, most)
    for kept in range(len(notes) - 1, 0, -1):
        if found.whole:
            break
        lines, whole = split_lines(" ".join(notes[:kept]), size, width, most)
        more = f"+{len(notes) - kept} more …"
        if whole and lines and width_mm(f"{lines[-1]} {more}", size) <= width:
            return Lines([*lines[:-1], f"{lines[-1]} {more}"], False)
        if whole and len(lines) < most and width_mm(more, size) <= width:
            return Lines([*lines, more], False)
    return found


def _printable(text: str) -> str:
    cleaned = "".join(" " if letter.isspace() else letter if letter.isprintable() else "�" for letter in text)
    return " ".join(cleaned.split())


def _tidy(lines: list[str]) -> list[str]:
    """Lines without the dot that parted two sayings where the second stands on a line of its own."""
    return [line.removesuffix(" ·") for line in lines]


def _cut(line: str, size: float, width: float) -> str:
    """A line with "…" behind its last whole word that leaves room for it."""
    words = line.split(" ")
    while len(words) > 1 and width_mm(f"{' '.join(words)} …", size) > width:
        words.pop()
    return fit_line(f"{' '.join(words)} …", size, width).lines[0]


def _parts(word: str, size: float, width: float) -> list[str]:
    """A word, or the longest pieces of it that fit on a line; a piece has one letter at least."""
    parts = [""]
    if width_mm(word, size) <= width:
        return [word]
    for letter in word:
        if parts[-1] and width_mm(parts[-1] + letter, size) > width:
            parts.append("")
        parts[-1] += letter
    return parts
