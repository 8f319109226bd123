"""Text on a PDF page: the typeface that is the same everywhere, lines that fit, and boxes that keep words apart."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from typing import Final, NamedTuple

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from glassine.tasks.imaging.proof import font_file

Ink = tuple[float, float, float]
"""Red, green and blue of a PDF page, [0, 1]."""
BLACK: Final = (0.13, 0.13, 0.13)
QUIET: Final = (0.42, 0.42, 0.42)
RISE: Final = 0.78
FALL: Final = 0.24
"""How far letters of Bitstream Vera reach over and under their line, as shares of their size; accents reach higher."""


class Box(NamedTuple):
    """A rectangle on a page, in points from its lower left corner."""

    left: float
    foot: float
    right: float
    top: float

    def meets(self, other: Box) -> bool:
        """Whether the two have more than a border in common."""
        return self.left < other.right and other.left < self.right and self.foot < other.top and other.foot < self.top

    def holds(self, other: Box) -> bool:
        """Whether the other lies inside."""
        return (
            self.left <= other.left and other.right <= self.right and self.foot <= other.foot and other.top <= self.top
        )


class PageText:
    """Words on one page. `replaced` says whether a character had to be replaced."""

    def __init__(self, canvas: Canvas) -> None:
        self.canvas = canvas
        self.replaced = False
        self._regular, self._bold = _typefaces()

    def width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Width in points of a line as it is drawn."""
        return float(pdfmetrics.stringWidth(self._printable(text), self._bold if bold else self._regular, size))

    def draw(
        self, x: float, y: float, text: str, size: float, *, bold: bool = False, ink: Ink = BLACK, right: bool = False
    ) -> None:
        """Draw a line that begins, or with `right` ends, at x, standing on y."""
        self.canvas.setFont(self._bold if bold else self._regular, size)
        self.canvas.setFillColorRGB(*ink)
        draw = self.canvas.drawRightString if right else self.canvas.drawString
        draw(x, y, self._printable(text))

    def shorten(self, text: str, size: float, width: float, *, bold: bool = False) -> str:
        """The text on one line, cut behind by "…" where it is wider; "" where not even that fits."""
        line = " ".join(text.split())
        if self.width(line, size, bold=bold) <= width:
            return line
        low, high = 0, len(line)
        while low < high:
            middle = (low + high + 1) // 2
            fits = self.width(f"{line[:middle].rstrip()}…", size, bold=bold) <= width
            low, high = (middle, high) if fits else (low, middle - 1)
        return f"{line[:low].rstrip()}…" if low else ""

    def split(self, text: str, size: float, width: float, *, most: int | None = None, bold: bool = False) -> list[str]:
        """Lines no wider than `width`; a word that is longer is broken, and what is more than `most` lines ends in "…"."""
        font = self._bold if bold else self._regular
        blank = pdfmetrics.stringWidth(" ", font, size)
        lines: list[str] = []
        used = width
        for word in self._printable(text).split():
            for number, part in enumerate(self._parts(word, font, size, width)):
                wide = pdfmetrics.stringWidth(part, font, size)
                # Parts of a broken word stand on lines of their own.
                if number or used + blank + wide > width:
                    lines.append(part)
                    used = wide
                else:
                    lines[-1] += f" {part}"
                    used += blank + wide
        if most is not None and len(lines) > most:
            rest = " ".join(lines[most - 1 :])
            lines = [*lines[: most - 1], self.shorten(rest, size, width, bold=bold)]
        return lines

    def _parts(self, word: str, font: str, size: float, width: float) -> Iterator[str]:
        """A word, or the longest pieces of it that fit on a line; a piece has one letter at least."""
        start, used = 0, 0.0
        for end, letter in enumerate(word):
            wide = pdfmetrics.stringWidth(letter, font, size)
            if end > start and used + wide > width:
                yield word[start:end]
                start, used = end, 0.0
            used += wide
        yield word[start:]

    def _printable(self, text: str) -> str:
        """The text in the characters of the typeface: a letter without its accent, else ¤, for one that it has not."""
        glyphs = pdfmetrics.getFont(self._regular).face.charToGlyph
        shown = ""
        for character in text:
            if character.isspace():
                character = " "
            elif ord(character) not in glyphs:
                self.replaced = True
                plain = unicodedata.normalize("NFKD", character)[0]
                # A lone accent would become a blank, and be lost.
                character = plain if ord(plain) in glyphs and not plain.isspace() else "¤"
            shown += character
        return shown


def first_free(candidates: Iterable[Box], within: Box, taken: Sequence[Box]) -> Box | None:
    """The first of some boxes that lies inside another and meets none of those taken; None where there is none."""
    return next((box for box in candidates if within.holds(box) and not any(map(box.meets, taken))), None)


@cache
def _typefaces() -> tuple[str, str]:
    """Bitstream Vera, which reportlab brings along: the same on every machine, and embedded."""
    names = "Vera", "Vera-Bold"
    for name, bold in zip(names, (False, True), strict=True):
        pdfmetrics.registerFont(TTFont(name, str(font_file(bold=bold))))
    return names
