"""Lines of words: none too wide, and none lost without saying so."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from glassine.tasks.imaging.contact_words import fit_caption, fit_line, fit_notes, split_lines, width_mm

SIZE = 1.8
texts = st.text(st.characters(codec="latin-1"), max_size=60)


def said(text: str) -> str:
    return "".join(" " if letter.isspace() else letter if letter.isprintable() else "�" for letter in text)


@given(text=texts, width=st.floats(6, 60), most=st.none() | st.integers(1, 4))
def test_lines_fit_and_hold_every_letter_or_say_that_they_do_not(text: str, width: float, most: int | None) -> None:
    lines, whole = split_lines(text, SIZE, width, most)
    assert most is None or len(lines) <= most
    assert all(width_mm(line, SIZE) <= width + 1e-9 for line in lines)
    letters = "".join("".join(lines).split()).replace("·", "")
    wanted = "".join(said(text).split()).replace("·", "")
    assert whole == (letters == wanted)
    if not whole:
        assert most is not None
        assert lines[-1].endswith("…")
        assert wanted.startswith(letters.rstrip("…"))


@given(notes=st.lists(texts.filter(str.strip), max_size=4), width=st.floats(12, 60))
def test_notes_are_whole_or_say_how_many_more(notes: list[str], width: float) -> None:
    lines, whole = fit_notes(notes, SIZE, width)
    assert len(lines) <= 2
    assert all(width_mm(line, SIZE) <= width + 1e-9 for line in lines)
    assert whole or lines[-1].endswith("…")


def test_whole_sentences_come_before_a_part_of_more() -> None:
    notes = ["The key light did not fire.", "The red channel clips in 12 % of it.", "It is dark."]
    assert fit_notes(notes, SIZE, 28) == (["The key light did not fire.", "+2 more …"], False)
    assert fit_notes(notes[:1], SIZE, 28) == (["The key light did not fire."], True)
    assert fit_notes([], SIZE, 28) == ([], True)


def test_a_long_file_name_keeps_its_end() -> None:
    lines, whole = fit_caption("A_" * 60 + "0123.DNG", SIZE, 28)
    assert not whole
    assert lines[-1].endswith("0123.DNG")
    assert fit_caption("IMG_0001.DNG", SIZE, 28) == (["IMG_0001.DNG"], True)


def test_the_dot_between_two_sayings_does_not_end_a_line() -> None:
    assert split_lines("embedded preview · IMG_0024.CR2", SIZE, 24) == (["embedded preview", "IMG_0024.CR2"], True)


def test_one_line() -> None:
    assert fit_line("key left", SIZE, 60) == (["key left"], True)
    lines, whole = fit_line("key left " * 9, SIZE, 30)
    assert not whole
    assert lines[0].endswith("…")
