"""Briefs as documents and as PDFs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from glassine.schemas.errors import CallError, DocumentError, FrameError
from glassine.schemas.validation import check_document
from glassine.tasks.handoff.annotation import from_annotation
from glassine.tasks.handoff.brief import brief_document, write_brief_pdf

BASE = {
    "path": "retouch/0142 round 1/0142_base.tif",
    "sha256": "ab" * 32,
    "size": 250_123_456,
    "width": 2000,
    "height": 3000,
    "bits": 16,
    "profile": "ROMM RGB",
}


def a_note(number: int, region: dict[str, Any], instruction: str) -> dict[str, Any]:
    return {
        "id": f"n-{number:010x}",
        "region": region,
        "instruction": instruction,
        "by": "p-0000000001",
        "made": "2026-11-25T10:44:47Z",
    }


NOTES = [
    a_note(1, {"shape": "ellipse", "x": 40.0, "y": 30.0, "width": 8.0, "height": 5.0}, "Soften the mark."),
    a_note(2, {"shape": "polygon", "points": [[60.0, 10.0], [64.0, 12.0], [70.0, 30.0]]}, "Stray hair: out."),
    a_note(3, {"shape": "rectangle", "x": 0.0, "y": 92.0, "width": 100.0, "height": 8.0}, "Extend the floor."),
]


def a_document(**changes: Any) -> dict[str, Any]:
    values: dict[str, Any] = {
        "job": "2611-04",
        "frame": 142,
        "round_number": 1,
        "base": BASE,
        "proof": {"path": "proofs/0142.jpg", "sha256": "cd" * 32},
        "standing": ["Skin keeps its pores.", "Clean the background evenly."],
        "notes": NOTES,
        "retoucher": "p-0000000002",
        "due": "2026-12-04",
        "grader": "p-0000000003",
    }
    return brief_document(**(values | changes))


def a_picture(folder: Path, width: int = 400, height: int = 600, grey: int = 120) -> Path:
    path = folder / "proof.jpg"
    Image.new("L", (width, height), grey).save(path, quality=90)
    return path


def text_of(path: Path) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def test_document_meets_its_schema_and_holds_the_notes() -> None:
    document = check_document(a_document(), "brief", label="brief")
    assert [from_annotation(annotation) for annotation in document["notes"]] == NOTES


def test_document_may_leave_people_open() -> None:
    open_document = a_document(retoucher=None, due=None, grader=None, proof=None, standing=[], notes=[])
    check_document(open_document, "brief", label="brief")


@pytest.mark.parametrize(
    "changes",
    [
        {"frame": 0},
        {"due": "Friday"},
        {"retoucher": "Ida"},
        {"base": BASE | {"path": "../0142.tif"}},
        {"base": BASE | {"bits": 12}},
        {"standing": [""]},
    ],
)
def test_schema_is_strict(changes: dict[str, Any]) -> None:
    with pytest.raises(DocumentError):
        check_document(a_document(**changes), "brief", label="brief")


@pytest.mark.parametrize(
    "selector",
    [
        {"type": "SvgSelector", "value": "<svg><script>x()</script></svg>"},
        {"type": "FragmentSelector", "conformsTo": "http://www.w3.org/TR/media-frags/", "value": "xywh=1,2,3,4"},
    ],
)
def test_schema_refuses_foreign_marks(selector: dict[str, str]) -> None:
    document = a_document()
    document["notes"][0]["target"]["selector"] = selector
    with pytest.raises(DocumentError):
        check_document(document, "brief", label="brief")


def test_pdf_says_what_is_asked(tmp_path: Path) -> None:
    out = tmp_path / "handoff" / "brief.pdf"
    names = {"p-0000000002": "Ida Lund", "p-0000000003": "Jon Vael"}
    write_brief_pdf(a_document(), a_picture(tmp_path), out, names=names)
    text = text_of(out)
    for wanted in (
        "Frame 0142",
        "2611-04",
        *(note["instruction"] for note in NOTES),
        "Skin keeps its pores.",
        "Clean the background evenly.",
        "0142_base.tif: 2000 × 3000 px, 16 bit, ROMM RGB, 250.1 MB",
        "ab" * 32,
        "for Ida Lund",
        "due 2026-12-04",
        "Jon Vael; leave tone and colour of the whole as they are",
    ):
        assert wanted in text
    assert "p-0000000002" not in text
    assert len(pypdf.PdfReader(out).pages[0].images) == 1


def test_pdf_says_that_the_retoucher_grades(tmp_path: Path) -> None:
    write_brief_pdf(a_document(grader="p-0000000002"), a_picture(tmp_path), tmp_path / "b.pdf")
    assert "p-0000000002, with the retouch" in text_of(tmp_path / "b.pdf")


def test_same_brief_gives_same_bytes(tmp_path: Path) -> None:
    picture = a_picture(tmp_path)
    for name in ("a.pdf", "b.pdf"):
        write_brief_pdf(a_document(), picture, tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def outline_boxes(path: Path) -> list[tuple[float, float, float, float]]:
    """Boxes (left, bottom, right, top) of the red outlines on page 1, as the page's own commands draw them."""
    boxes: list[tuple[float, float, float, float]] = []
    points: list[tuple[float, float]] = []
    red = False

    def look(operator: bytes, operands: list[Any], *_: Any) -> None:
        nonlocal red
        numbers = [float(n) for n in operands if isinstance(n, int | float)]
        if operator == b"RG":
            red = numbers == [0.8, 0.16, 0.08]
        elif operator in (b"m", b"l"):
            points.append((numbers[0], numbers[1]))
        elif operator == b"c":
            points.append((numbers[4], numbers[5]))
        elif operator == b"re":
            points.extend([(numbers[0], numbers[1]), (numbers[0] + numbers[2], numbers[1] + numbers[3])])
        elif operator in (b"S", b"s", b"n", b"B", b"b", b"f", b"f*", b"B*"):
            if red and points and operator in (b"S", b"s"):
                xs, ys = zip(*points, strict=True)
                boxes.append((min(xs), min(ys), max(xs), max(ys)))
            points.clear()

    pypdf.PdfReader(path).pages[0].extract_text(visitor_operand_before=look)
    return boxes


@pytest.mark.parametrize("strip", [0, 60])
def test_marks_stand_in_their_place(tmp_path: Path, strip: int) -> None:
    # By construction: a portrait fills the height that is there; the strip below takes its part of it.
    picture = a_picture(tmp_path, 400, 600 + strip)
    write_brief_pdf(a_document(), picture, tmp_path / "b.pdf")
    ellipse, polygon, rectangle = outline_boxes(tmp_path / "b.pdf")
    # The rectangle goes over the whole width and down to the picture's foot, at 100 percent.
    left, foot, right, upper = rectangle
    width = right - left
    height = width * 3000 / 2000
    assert upper - foot == pytest.approx(0.08 * height, abs=0.1)
    head = foot + height
    assert ellipse == pytest.approx(
        (left + 0.40 * width, head - 0.35 * height, left + 0.48 * width, head - 0.30 * height), abs=0.1
    )
    assert polygon == pytest.approx(
        (left + 0.60 * width, head - 0.30 * height, left + 0.70 * width, head - 0.10 * height), abs=0.1
    )


def test_letters_that_print_lacks_are_told(tmp_path: Path) -> None:
    document = a_document(standing=["Ąžuolas ő ж"])
    write_brief_pdf(document, a_picture(tmp_path), tmp_path / "b.pdf")
    text = text_of(tmp_path / "b.pdf")
    assert "o ¤" in text
    assert "Some characters cannot be printed here" in text


def test_long_and_many_notes_take_more_pages(tmp_path: Path) -> None:
    region = {"shape": "rectangle", "x": 50.0, "y": 50.0, "width": 0.1, "height": 0.1}
    notes = [a_note(n, region, f"Number {n}: " + "clean " * 300) for n in range(1, 30)]
    write_brief_pdf(a_document(notes=notes), a_picture(tmp_path), tmp_path / "b.pdf")
    text = text_of(tmp_path / "b.pdf")
    assert text.count("clean") == 29 * 300
    assert all(f"Number {n}:" in text for n in range(1, 30))


@settings(deadline=None, max_examples=15)
@given(text=st.text(min_size=1, max_size=200).filter(lambda t: t.isprintable() and t.strip()))
def test_any_instruction_can_be_printed(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.mktemp("brief")
    document = a_document(notes=[a_note(1, NOTES[0]["region"], text)], standing=[text])
    write_brief_pdf(document, a_picture(folder), folder / "b.pdf")
    assert len(pypdf.PdfReader(folder / "b.pdf").pages) == 2


def test_picture_of_another_shape_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FrameError) as refused:
        write_brief_pdf(a_document(), a_picture(tmp_path, 600, 400), tmp_path / "b.pdf")
    assert refused.value.code == "P002"
    assert not (tmp_path / "b.pdf").exists()


def test_picture_that_is_none_is_refused(tmp_path: Path) -> None:
    broken = tmp_path / "proof.jpg"
    broken.write_bytes(a_picture(tmp_path).read_bytes()[:200])
    with pytest.raises(FrameError) as refused:
        write_brief_pdf(a_document(), broken, tmp_path / "b.pdf")
    assert refused.value.code == "P001"


def test_note_that_is_none_leaves_no_file(tmp_path: Path) -> None:
    document = a_document()
    document["notes"][1]["target"]["selector"] = {"type": "SvgSelector", "value": "<svg/>"}
    with pytest.raises(CallError):
        write_brief_pdf(document, a_picture(tmp_path), tmp_path / "b.pdf")
    assert not (tmp_path / "b.pdf").exists()
