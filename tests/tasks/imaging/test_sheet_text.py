"""Lines that fit, and boxes that keep apart."""

from __future__ import annotations

import io

from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

from glassine.tasks.imaging.sheet_text import Box, PageText, first_free

TEXT = PageText(Canvas(io.BytesIO()))
words = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=80)


@given(words, st.floats(4, 20), st.floats(2, 300), st.booleans())
def test_a_shortened_text_fits_and_begins_alike(text: str, size: float, width: float, bold: bool) -> None:
    short = TEXT.shorten(text, size, width, bold=bold)
    assert TEXT.width(short, size, bold=bold) <= width
    assert " ".join(text.split()).startswith(short.removesuffix("…"))


@given(words, st.floats(4, 12), st.floats(20, 200), st.sampled_from([None, 1, 2, 3]))
def test_split_lines_fit_and_lose_nothing_unless_told_to(
    text: str, size: float, width: float, most: int | None
) -> None:
    lines = TEXT.split(text, size, width, most=most)
    assert all(TEXT.width(line, size) <= width + 1e-6 for line in lines)
    if most is None:
        assert len("".join("".join(lines).split())) == len("".join(text.split()))
    else:
        assert len(lines) <= most


def test_words_are_kept_whole_where_they_fit() -> None:
    width = TEXT.width("softbox, 120", 8)
    assert TEXT.split("octagonal softbox, 120 cm", 8, width) == ["octagonal", "softbox, 120", "cm"]
    assert TEXT.split("octagonal softbox, 120 cm", 8, width, most=2) == ["octagonal", "softbox, 1…"]
    assert TEXT.split("", 8, width) == []


def test_what_the_typeface_lacks_is_replaced_and_said() -> None:
    buffer = io.BytesIO()
    canvas = Canvas(buffer)
    text = PageText(canvas)
    text.draw(10, 50, "Größe − 45°, f/8 …", 10)
    assert not text.replaced
    text.draw(10, 30, "\u0159 and \u6f22", 10)
    assert text.replaced
    canvas.save()
    read = PdfReader(buffer).pages[0].extract_text()
    assert "Größe − 45°, f/8 …" in read
    assert "r and ¤" in read


boxes = st.builds(
    lambda x, y, w, h: Box(x, y, x + w, y + h),
    st.integers(0, 20),
    st.integers(0, 20),
    st.integers(1, 9),
    st.integers(1, 9),
)


@given(boxes, boxes)
def test_boxes_meet_where_they_share_a_cell(one: Box, other: Box) -> None:
    def cells(box: Box) -> set[tuple[int, int]]:
        return {(x, y) for x in range(int(box.left), int(box.right)) for y in range(int(box.foot), int(box.top))}

    assert one.meets(other) == other.meets(one) == bool(cells(one) & cells(other))
    assert one.holds(other) == (cells(other) <= cells(one))


@given(st.lists(boxes, max_size=8), st.lists(boxes, max_size=4))
def test_the_first_free_box_is_free_and_first(candidates: list[Box], taken: list[Box]) -> None:
    within = Box(0, 0, 25, 25)
    free = [box for box in candidates if within.holds(box) and not any(box.meets(other) for other in taken)]
    assert first_free(candidates, within, taken) == (free[0] if free else None)


def test_a_letter_wider_than_its_line_stands_alone() -> None:
    assert TEXT.split("WW", 20, 5) == ["W", "W"]
    assert TEXT.shorten("WW", 20, 5) == ""
    assert TEXT.split(" ", 20, 5) == []
