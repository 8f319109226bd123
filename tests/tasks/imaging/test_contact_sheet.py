"""Contact sheets, read back by pypdf and Pillow."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging.contact_sheet import Entry, make_contact_sheet
from glassine.tasks.imaging.icc_profile import profile_bytes


def entry(folder: Path, number: int, *, width: int = 300, height: int = 200, mark: str = "", grey: int = 0) -> Entry:
    """A proof as `make_proof` leaves it: a grey picture, a white strip, the comment that tells them apart."""
    samples = np.full((height + 30, width), 255, np.uint8)
    samples[:height] = grey or 60 + number
    path = folder / f"{number:04d}.jpg"
    comment = f"proof: picture {width} x {height}, from raw".encode()
    Image.fromarray(samples).save(
        path, "JPEG", quality=95, comment=comment, icc_profile=profile_bytes("Grey gamma 2.2")
    )
    return Entry(f"{number:04d}", path, f"caption {number}", mark)


def make(tmp_path: Path, entries: list[Entry], **options: object) -> dict[str, object]:
    return make_contact_sheet(entries, "Job 7", tmp_path / "s" / "sheet.pdf", tmp_path / "s" / "sheet.jpg", **options)  # type: ignore[arg-type]


def test_every_frame_is_on_a_page_with_its_number_and_caption(tmp_path: Path) -> None:
    entries = [entry(tmp_path, number) for number in range(1, 61)]
    told = make(tmp_path, entries, note="first round")
    reader = PdfReader(tmp_path / "s" / "sheet.pdf")
    pages = [page.extract_text() for page in reader.pages]
    assert told["frames"] == 60
    assert told["pages"] == len(pages) > 1
    text = "\n".join(pages)
    for one in entries:
        assert text.count(one.number) == 1
        assert one.caption in text
    for number, page in enumerate(pages, start=1):
        assert "Job 7" in page
        assert "first round" in page
        assert f"{number} / {len(pages)}" in page
    assert sum(len(page.images) for page in reader.pages) == 60
    first = reader.pages[0].mediabox
    # A4 is 210 × 297 mm (ISO 216); a point is 1/72 inch.
    assert (float(first.width), float(first.height)) == pytest.approx((595.28, 841.89), abs=0.01)


def test_the_pdf_shows_the_picture_without_its_strip_at_print_size(tmp_path: Path) -> None:
    make(tmp_path, [entry(tmp_path, 1, width=1600, height=1000, grey=128)])
    found = PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].images[0]
    with Image.open(io.BytesIO(found.data)) as picture:
        samples = np.asarray(picture.convert("L"))
    assert samples.shape == (256, 410)
    # Code 128 of gamma 2.2 is Y 0.2195, which sRGB has at code 128.8 (IEC 61966-2-1).
    assert samples[5:-5].min() >= 127
    assert samples[5:-5].max() <= 130


def test_the_jpeg_shows_the_first_48_and_says_so(tmp_path: Path) -> None:
    few, many = [entry(tmp_path, n) for n in range(1, 49)], [entry(tmp_path, n) for n in range(1, 61)]
    make(tmp_path, few)
    with Image.open(tmp_path / "s" / "sheet.jpg") as picture:
        size, few_shown = picture.size, np.asarray(picture)
        assert picture.info["icc_profile"] == profile_bytes("sRGB")
    make(tmp_path, many)
    with Image.open(tmp_path / "s" / "sheet.jpg") as picture:
        assert picture.size == size
        many_shown = np.asarray(picture)
    assert size[0] == 2100
    # The header ends 34 mm from the top, at 10 px a mm; only there stands "the first 48 of 60".
    assert np.array_equal(few_shown[340:], many_shown[340:])
    assert not np.array_equal(few_shown[:340], many_shown[:340])


def test_the_same_sheet_is_the_same_bytes(tmp_path: Path) -> None:
    entries = [entry(tmp_path, number, mark=mark) for number, mark in enumerate(["select", "out", "hold", "hero"])]
    first = make(tmp_path, entries)
    assert make(tmp_path, entries) == first
    assert first["pdf_sha256"] == hashlib.sha256((tmp_path / "s" / "sheet.pdf").read_bytes()).hexdigest()
    assert first["jpeg_sha256"] == hashlib.sha256((tmp_path / "s" / "sheet.jpg").read_bytes()).hexdigest()
    assert sorted(path.name for path in (tmp_path / "s").iterdir()) == ["sheet.jpg", "sheet.pdf"]


def red_pixels(tmp_path: Path, mark: str) -> int:
    make(tmp_path, [entry(tmp_path, 1, mark=mark)])
    with Image.open(tmp_path / "s" / "sheet.jpg") as picture:
        samples = np.asarray(picture).astype(int)
    return int(((samples[..., 0] - samples[..., 2]) > 80).sum())


def test_marks_are_drawn_and_named(tmp_path: Path) -> None:
    assert red_pixels(tmp_path, "") == 0
    drawn = {mark: red_pixels(tmp_path, mark) for mark in ("hero", "hold", "out", "select")}
    assert 0 < drawn["hero"] < drawn["hold"] < drawn["select"]
    assert drawn["hero"] < drawn["out"]
    assert "select" in PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].extract_text()


@pytest.mark.parametrize("columns", [1, 3, 10])
@pytest.mark.parametrize(("width", "height"), [(300, 200), (200, 300), (100, 900)])
def test_pictures_of_any_shape_keep_on_the_page(tmp_path: Path, columns: int, width: int, height: int) -> None:
    entries = [entry(tmp_path, number, width=width, height=height) for number in range(5)]
    entries.append(entry(tmp_path, 9))
    make(tmp_path, entries, columns=columns)
    page = PdfReader(tmp_path / "s" / "sheet.pdf").pages[0]
    bottoms: list[float] = []

    def visit(operator: bytes, _: list[object], matrix: list[float], __: list[float]) -> None:
        if operator == b"Do":
            bottoms.append(matrix[5])

    page.extract_text(visitor_operand_before=visit)
    assert bottoms
    assert min(bottoms) > 14 * 72 / 25.4


def test_captions_that_are_too_long_are_cut_and_hostile_ones_harmless(tmp_path: Path) -> None:
    one = entry(tmp_path, 1)
    make(tmp_path, [Entry("0001", one.proof, "long " * 90 + "\n(end) Tj ET", "select")])
    text = PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].extract_text()
    assert "long long" in text
    assert "…" in text


def test_no_frames_or_wrong_columns_are_refused(tmp_path: Path) -> None:
    for entries, columns in (([], 4), ([entry(tmp_path, 1)], 0), ([entry(tmp_path, 1)], 11)):
        with pytest.raises(CallError):
            make(tmp_path, entries, columns=columns)


def test_a_proof_that_cannot_be_read_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    broken = tmp_path / "0002.jpg"
    for damage in (b"", b"no picture", entry(tmp_path, 1).proof.read_bytes()[:400]):
        broken.write_bytes(damage)
        with pytest.raises(FrameError) as caught:
            make(tmp_path, [Entry("0002", broken, "", "")])
        assert caught.value.code == "P001"
    assert not (tmp_path / "s").exists() or list((tmp_path / "s").iterdir()) == []
