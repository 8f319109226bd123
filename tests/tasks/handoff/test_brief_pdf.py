"""Briefs as PDFs: what they say, and where the marks stand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.handoff.brief import brief_document
from glassine.tasks.handoff.brief_pdf import write_brief_pdf

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


DONOR_PATH = "retouch/0142 round 2/0012_base.tif"
DONORS = [
    {"frame": 12, "region": None, "path": DONOR_PATH},
    {
        "frame": 9,
        "region": {"shape": "rectangle", "x": 60.0, "y": 5.0, "width": 10.0, "height": 12.0},
        "path": "r/9.tif",
    },
]
WITH_DONORS = [NOTES[0] | {"donors": DONORS}, *NOTES[1:]]
UNKNOWN = dict.fromkeys(("width", "height", "bits", "profile"))
EXTRAS = [
    BASE | {"use": "rendering", "name": "window", "frame": 142, "exposure_stops": -1.5, "path": "r/0142_window.tif"},
    BASE | {"use": "rendering", "name": "hair", "frame": 142, "exposure_stops": 1.0, "path": "r/0142_hair.tif"},
    BASE | {"use": "donor", "name": "0012", "frame": 12, "exposure_stops": None, "path": DONOR_PATH},
    BASE | {"use": "original", "name": "a", "frame": 142, "exposure_stops": None, "path": "r/0142.dng"} | UNKNOWN,
]
CROP = {
    "region": {"shape": "rectangle", "x": 10.0, "y": 20.0, "width": 70.0, "height": 60.0},
    "straighten_degrees": 0.0,
    "turn_degrees": 0,
}


def write(folder: Path, document: dict[str, Any], **more: Any) -> str:
    write_brief_pdf(document, a_picture(folder), folder / "b.pdf", **more)
    return " ".join(text_of(folder / "b.pdf").split())


@pytest.mark.parametrize(
    ("why", "words"),
    [
        ("missed note", "Round 2, because a note was missed"),
        ("client's change", "Round 2, because the client changed their mind"),
        ("unasked change", "Round 2, because something was changed that nobody asked for"),
        ("other", "Round 2, because: – The hair on the left"),
    ],
)
def test_first_page_begins_with_the_cause(tmp_path: Path, why: str, words: str) -> None:
    cause = {"why": why, "text": "The hair on the left is still there.", "return": "ef" * 32}
    write(tmp_path, a_document(round_number=2, cause=cause))
    first = " ".join(pypdf.PdfReader(tmp_path / "b.pdf").pages[0].extract_text().split())
    assert words in first
    assert "The hair on the left is still there." in first
    assert "ef" * 32 in text_of(tmp_path / "b.pdf")


def test_cause_without_words_is_told_too(tmp_path: Path) -> None:
    cause = {"why": "other", "text": " ", "return": None}
    assert "Round 2, for a reason that is not given" in write(tmp_path, a_document(round_number=2, cause=cause))


def test_long_cause_leaves_the_picture_its_room(tmp_path: Path) -> None:
    cause = {"why": "other", "text": "Once more.\n" * 180, "return": None}
    assert write(tmp_path, a_document(cause=cause)).count("Once more.") == 180
    pages = pypdf.PdfReader(tmp_path / "b.pdf").pages
    assert not pages[0].images
    (picture,) = (index for index, page in enumerate(pages) if "Marks" in page.extract_text())
    assert len(pages[picture].images) == 1


def test_level_goes_for_the_whole_picture(tmp_path: Path) -> None:
    text = write(tmp_path, a_document(level={"name": "close", "instruction": "Skin, hair and cloth."}, standing=[]))
    assert "For the whole picture – Level of retouch: close. Skin, hair and cloth." in text


def test_donors_are_told_in_words(tmp_path: Path) -> None:
    text = write(tmp_path, a_document(notes=WITH_DONORS))
    assert "Bring over from frame 0012, from the same place (0012_base.tif)." in text
    assert "Bring over from frame 0009, from 60 to 70 % across and 5 to 17 % down (9.tif)." in text
    assert "frame 0142, here" not in text


def test_donors_are_shown_beside_the_detail(tmp_path: Path) -> None:
    donor = tmp_path / "donor.jpg"
    Image.new("L", (300, 450 + 40), 60).save(donor)
    text = write(tmp_path, a_document(notes=WITH_DONORS, extras=EXTRAS), donors={DONOR_PATH: donor})
    assert "frame 0142, here" in text
    assert "from frame 0012" in text
    assert "from frame 0009 " not in text.replace("Bring over from frame 0009, ", "")
    assert {
        image.image.size for page in pypdf.PdfReader(tmp_path / "b.pdf").pages for image in page.images if image.image
    } == {
        (400, 600),
        (300, 490),
    }


def test_donor_of_another_shape_than_its_file_is_refused(tmp_path: Path) -> None:
    donor = tmp_path / "donor.jpg"
    Image.new("L", (450, 300), 60).save(donor)
    with pytest.raises(FrameError) as refused:
        write(tmp_path, a_document(notes=WITH_DONORS, extras=EXTRAS), donors={DONOR_PATH: donor})
    assert refused.value.code == "P002"
    assert not (tmp_path / "b.pdf").exists()


def test_every_file_is_told_with_what_it_is_for(tmp_path: Path) -> None:
    text = write(tmp_path, a_document(extras=EXTRAS))
    size = "2000 × 3000 px, 16 bit, ROMM RGB, 250.1 MB"
    for wanted in (
        f"0142_window.tif, “window”, a second rendering for another area, 1.5 stops darker: {size}",
        f"0142_hair.tif, “hair”, a second rendering for another area, 1 stop brighter: {size}",
        f"0012_base.tif, frame 0012, to bring pieces over from: {size}",
        "0142.dng, the original of frame 0142, for a rendering of your own: 250.1 MB",
    ):
        assert wanted in text
    assert text.count("ab" * 32) == 1 + len(EXTRAS)


def crop_lines(path: Path) -> list[list[tuple[float, float]]]:
    """Corners of the dashed lines on page 1, as the page's own commands draw them."""
    lines: list[list[tuple[float, float]]] = []
    points: list[tuple[float, float]] = []
    dashed = [False]

    def look(operator: bytes, operands: list[Any], *_: Any) -> None:
        if operator == b"d":
            dashed.append(bool(operands[0]))
        elif operator == b"q":
            dashed.append(dashed[-1])
        elif operator == b"Q":
            dashed.pop()
        elif operator in (b"m", b"l"):
            points.append((float(operands[0]), float(operands[1])))
        elif operator in (b"S", b"s", b"n", b"B", b"b", b"f", b"f*"):
            if dashed[-1] and points:
                lines.append(list(points))
            points.clear()

    pypdf.PdfReader(path).pages[0].extract_text(visitor_operand_before=look)
    return lines


def test_crop_is_drawn_in_its_place(tmp_path: Path) -> None:
    text = write(tmp_path, a_document(crop=CROP))
    assert "What is delivered lies inside the dashed line. Return the whole picture, uncropped." in text
    (corners,) = crop_lines(tmp_path / "b.pdf")
    left, foot, right, _ = outline_boxes(tmp_path / "b.pdf")[2]  # over the whole width, down to the foot
    width = right - left
    height = width * 3000 / 2000
    wanted = [(10, 20), (80, 20), (80, 80), (10, 80)]
    for (x, y), (across, down) in zip(corners, wanted, strict=True):
        assert (x, y) == pytest.approx((left + across / 100 * width, foot + height - down / 100 * height), abs=0.1)


def test_without_a_crop_nothing_is_said_of_one(tmp_path: Path) -> None:
    assert "dashed" not in write(tmp_path, a_document())
    assert crop_lines(tmp_path / "b.pdf") == []


def test_same_rich_brief_gives_same_bytes(tmp_path: Path) -> None:
    donor = tmp_path / "donor.jpg"
    Image.new("L", (300, 450), 60).save(donor)
    cause = {"why": "missed note", "text": "Again.", "return": None}
    document = a_document(notes=WITH_DONORS, extras=EXTRAS, crop=CROP, cause=cause)
    written = []
    for _ in range(2):
        write(tmp_path, document, donors={DONOR_PATH: donor})
        written.append((tmp_path / "b.pdf").read_bytes())
    assert written[0] == written[1]
