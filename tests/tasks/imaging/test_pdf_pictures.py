"""Pictures behind the pages of a PDF, read back by pypdf."""

from __future__ import annotations

import io
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

from glassine.tasks.imaging.pdf_pictures import append_pictures, hold_place


def write(path: Path, pages: list[list[Image.Image]]) -> None:
    canvas = Canvas(str(path), invariant=1, pageCompression=1)
    shown = [picture for page in pages for picture in page]
    index = 0
    for number, page in enumerate(pages):
        canvas.drawString(20, 20, f"page {number}")
        for place in range(len(page)):
            hold_place(canvas, index, 20 + place * 60, 100, 50, 50)
            index += 1
        canvas.showPage()
    canvas.save()
    append_pictures(path, canvas, [lambda picture=picture: picture for picture in shown], quality=95)  # type: ignore[misc]


def grey(value: int, mode: str = "RGB", size: tuple[int, int] = (24, 16)) -> Image.Image:
    return Image.new(mode, size, (value,) * 3 if mode == "RGB" else value)


@pytest.mark.parametrize("counts", [[1], [3, 0, 2], [40, 40]])
def test_each_place_has_its_own_picture(tmp_path: Path, counts: list[int]) -> None:
    path = tmp_path / "pictures.pdf"
    values = iter(range(10, 10 + 2 * sum(counts), 2))
    wanted = [[next(values) for _ in range(count)] for count in counts]
    write(path, [[grey(value) for value in page] for page in wanted])
    reader = PdfReader(path, strict=True)
    assert len(reader.pages) == len(counts)
    for number, (page, on_page) in enumerate(zip(reader.pages, wanted, strict=True)):
        assert page.extract_text().strip() == f"page {number}"
        order = [operands[0] for operands, operator in page.get_contents().operations if operator == b"Do"]  # type: ignore[union-attr]
        found = []
        for name in order:
            with Image.open(io.BytesIO(page.images[name].data)) as picture:
                assert picture.size == (24, 16)
                found.append(int(np.asarray(picture.convert("L")).mean().round()))
        assert found == pytest.approx(on_page, abs=1)


def test_equal_pictures_and_grey_ones(tmp_path: Path) -> None:
    path = tmp_path / "pictures.pdf"
    write(path, [[grey(90), grey(90), grey(90, "L")]])
    page = PdfReader(path, strict=True).pages[0]
    assert [Image.open(io.BytesIO(one.data)).convert("L").getpixel((5, 5)) for one in page.images] == [90, 90, 90]


def test_the_same_pictures_are_the_same_bytes_and_none_leave_the_file(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write(tmp_path / name, [[grey(50)], [grey(60)]])
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
    write(tmp_path / "none", [[]])
    assert (tmp_path / "none").read_bytes().count(b"%%EOF") == 1


def test_no_more_than_one_picture_is_in_memory(tmp_path: Path) -> None:
    path = tmp_path / "pictures.pdf"
    canvas = Canvas(str(path), invariant=1, pageCompression=1)
    for index in range(60):
        hold_place(canvas, index, 0, 0, 10, 10)
    canvas.showPage()
    canvas.save()
    noise = np.random.default_rng(7).integers(0, 256, (300, 300, 3), np.uint8)
    tracemalloc.start()
    try:
        append_pictures(path, canvas, [lambda: Image.fromarray(noise)] * 60)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    written = path.stat().st_size
    assert written > 3_000_000
    assert peak < written / 4


def test_a_file_of_another_writer_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "other.pdf"
    canvas = Canvas(str(path), invariant=1)
    hold_place(canvas, 0, 0, 0, 10, 10)
    canvas.showPage()
    canvas.save()
    path.write_bytes(b"%PDF-1.7\nno trailer")
    with pytest.raises(ValueError, match="has no trailer"):
        append_pictures(path, canvas, [lambda: grey(3)])
    assert path.read_bytes() == b"%PDF-1.7\nno trailer"
