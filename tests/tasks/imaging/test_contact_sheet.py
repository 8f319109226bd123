"""Contact sheets, read back by pypdf and Pillow."""

from __future__ import annotations

import dataclasses
import hashlib
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging.contact_sheet import Entry, make_contact_sheet
from glassine.tasks.imaging.crop import check_crop
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
    make(tmp_path, [Entry("0001", entry(tmp_path, 1).proof, "long " * 90 + "\n(end) Tj ET", "select")])
    text = PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].extract_text()
    assert "long long" in text
    assert "…" in text


def test_no_frames_or_wrong_columns_are_refused(tmp_path: Path) -> None:
    for entries, columns in (([], 4), ([entry(tmp_path, 1)], 0), ([entry(tmp_path, 1)], 11)):
        with pytest.raises(CallError):
            make(tmp_path, entries, columns=columns)


def test_a_proof_that_cannot_be_read_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    broken = tmp_path / "0002.jpg"
    entry(tmp_path, 1)
    for damage in (b"", b"no picture", (tmp_path / "0001.jpg").read_bytes()[:400]):
        broken.write_bytes(damage)
        with pytest.raises(FrameError) as caught:
            make(tmp_path, [Entry("0002", broken, "", "")])
        assert caught.value.code == "P001"
    assert not (tmp_path / "s").exists() or list((tmp_path / "s").iterdir()) == []


def crop(
    x: float, y: float, width: float, height: float, *, straighten: float = 0, turn: int = 0, shape: str = "rectangle"
) -> dict[str, Any]:
    region = {"shape": shape, "x": x, "y": y, "width": width, "height": height}
    return {"region": region, "straighten_degrees": straighten, "turn_degrees": turn}


def shown(tmp_path: Path, entries: list[Entry], columns: int = 1) -> np.ndarray[Any, np.dtype[np.int64]]:
    make(tmp_path, entries, columns=columns)
    with Image.open(tmp_path / "s" / "sheet.jpg") as picture:
        return np.asarray(picture).astype(np.int64)


def red(samples: np.ndarray[Any, np.dtype[np.int64]]) -> np.ndarray[Any, np.dtype[np.bool_]]:
    return np.asarray((samples[..., 0] - samples[..., 2]) > 80)


# One column: a picture of 3 by 2 is 1820 by 1213 px in the JPEG, from 140, 340 (margin and header, 10 px a mm).
LEFT, TOP, WIDE, HIGH = 140, 340, 1820, 1213


def test_a_crop_is_drawn_over_the_whole_frame_and_its_outside_dimmed(tmp_path: Path) -> None:
    one = entry(tmp_path, 1, width=1800, height=1200, grey=200)
    plain = shown(tmp_path, [one])
    cropped = shown(tmp_path, [dataclasses.replace(one, crop=crop(25, 25, 50, 50))])
    assert cropped.shape == plain.shape
    lines = red(cropped)
    rows, columns = np.nonzero(lines)
    # The longest runs of red are the four lines; each crosses the next by 1.6 mm, and there are only these.
    down, across = lines.sum(axis=0), lines.sum(axis=1)
    assert np.flatnonzero(down > HIGH * 0.5).tolist() == pytest.approx([*range(593, 597), *range(1503, 1507)], abs=1.5)
    assert np.flatnonzero(across > WIDE * 0.5).tolist() == pytest.approx(
        [*range(641, 645), *range(1248, 1252)], abs=1.5
    )
    assert (columns.min(), columns.max()) == pytest.approx((595 - 16, 1505 + 16), abs=3)
    assert (rows.min(), rows.max()) == pytest.approx((643 - 16, 1250 + 16), abs=3)
    # Inside the picture is as it was, outside darker and still to be seen; the paper round it stays.
    assert abs(cropped[700:1200, 650:1450] - plain[700:1200, 650:1450]).max() <= 2
    outside = (
        cropped[TOP + 30 : 600, LEFT + 30 : LEFT + WIDE - 30] / plain[TOP + 30 : 600, LEFT + 30 : LEFT + WIDE - 30]
    )
    assert outside.min() > 0.5
    assert outside.max() < 0.6
    assert np.array_equal(cropped[:320], plain[:320])


def test_a_straightened_crop_is_drawn_clockwise(tmp_path: Path) -> None:
    one = dataclasses.replace(entry(tmp_path, 1, width=1800, height=1200), crop=crop(20, 20, 60, 60, straighten=5))
    lines = red(shown(tmp_path, [one]))
    # The upper line sinks to the right by the tangent of 5 degrees; y grows downwards.
    columns = np.arange(LEFT + 700, LEFT + 1200)
    rows = lines[:, columns].argmax(axis=0)
    assert np.rad2deg(np.arctan(np.polyfit(columns, rows, 1)[0])) == pytest.approx(5, abs=0.1)


@pytest.mark.parametrize(("turn", "side"), [(90, "left"), (180, "bottom"), (270, "right")])
def test_an_arrow_shows_what_becomes_the_upper_side(tmp_path: Path, turn: int, side: str) -> None:
    one = entry(tmp_path, 1, width=1800, height=1200)
    drawn = [shown(tmp_path, [dataclasses.replace(one, crop=crop(20, 20, 60, 60, turn=by))]) for by in (0, turn)]
    rows, columns = np.nonzero(red(drawn[1]) & ~red(drawn[0]))
    middle = columns.mean() - (LEFT + WIDE / 2), rows.mean() - (TOP + HIGH / 2)
    # Its head has more ink than its tail, and all of it is on the one side.
    assert {"left": -middle[0], "right": middle[0], "bottom": middle[1]}[side] > 200
    assert abs(middle[0 if side == "bottom" else 1]) < 10


@pytest.mark.parametrize("mark", ["", "select"])
def test_a_crop_at_the_border_keeps_within_the_picture(tmp_path: Path, mark: str) -> None:
    one = entry(tmp_path, 1, width=1600, height=1066, mark=mark)
    # It just fits a frame of 6000 by 4000 pixels, and sticks out of its proof, whose sides are rounded.
    tight = crop(3.5805, 3.5805, 92.839, 92.839, straighten=3)
    check_crop(tight, 6000, 4000)
    with pytest.raises(CallError):
        check_crop(tight, 1600, 1066)
    plain, cropped = (shown(tmp_path, [dataclasses.replace(one, crop=by)]) for by in (None, tight))
    assert np.array_equal(cropped[: TOP - 10], plain[: TOP - 10])
    assert np.array_equal(cropped[:, : LEFT - 10], plain[:, : LEFT - 10])
    assert red(cropped).sum() > red(plain).sum()


def test_what_is_no_crop_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(CallError) as caught:
        make(tmp_path, [dataclasses.replace(entry(tmp_path, 1), crop=crop(0, 0, 50, 50, shape="ellipse"))])
    assert caught.value.code == "W001"
    assert list((tmp_path / "s").iterdir()) == []


@pytest.mark.parametrize("columns", [1, 4, 10])
def test_a_frame_that_cannot_be_shown_is_on_the_sheet_with_the_reason(tmp_path: Path, columns: int) -> None:
    upright = [entry(tmp_path, number, width=200, height=300) for number in (1, 2, 3)]
    empty = Entry("0004", None, "IMG_0004.CR2", "hold", why_empty="does not decode")
    told = make(tmp_path, [*upright, empty, Entry("0005", None, "", "", crop=crop(0, 0, 50, 50))], columns=columns)
    pages = PdfReader(tmp_path / "s" / "sheet.pdf").pages
    text = " ".join("\n".join(page.extract_text() for page in pages).split())
    assert told["frames"] == 5
    assert sum(len(page.images) for page in pages) == 3
    for words in ("0004", "does not decode", "0005", "no proof", "hold" if columns < 10 else "h"):
        assert words in text


def test_an_empty_box_has_the_shape_of_most_frames(tmp_path: Path) -> None:
    lying = [entry(tmp_path, number, width=300, height=200) for number in (1, 2)]
    samples = shown(tmp_path, [*lying, Entry("0003", None, "", "")], columns=4)
    # The third box: 41 by 27.3 mm from 108 mm on, its border grey on paper and nothing within but words.
    box = samples[TOP : TOP + 274, 1080 : 1080 + 411, 0]
    assert (box[:4].min(axis=0) < 170).mean() > 0.95
    assert (box[-5:].min(axis=0) < 170).mean() > 0.95
    assert np.median(box) >= 240
    assert abs(box[10:100, 10:-10] - 246).max() <= 3


def test_a_sheet_of_nothing_but_frames_that_cannot_be_shown(tmp_path: Path) -> None:
    reason = "the file is cut short " * 40
    told = make(tmp_path, [Entry(f"{number:04d}", None, "", "", why_empty=reason) for number in range(1, 4)])
    assert (told["frames"], told["pages"]) == (3, 1)
    text = PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].extract_text()
    assert "cut short" in text
    assert "…" in text
