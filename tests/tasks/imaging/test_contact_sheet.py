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
from pypdf import PageObject, PdfReader

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging.contact_sheet import Entry, SetUpHead, make_contact_sheet
from glassine.tasks.imaging.crop import check_crop
from glassine.tasks.imaging.icc_profile import profile_bytes

PX = 300 / 25.4
# One column on A4: a picture of 3 by 2 is 190 by 126.7 mm in the JPEG, from 10, 25 (margin and header), at 300 ppi.
LEFT, TOP, WIDE, HIGH = 118, 295, 2244, 1496


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


def places(page: PageObject) -> list[tuple[float, float, float, float]]:
    """Left, foot, width and height of every picture on a page, in points."""
    found: list[tuple[float, float, float, float]] = []

    def visit(operator: bytes, _: list[object], matrix: list[float], __: list[float]) -> None:
        if operator == b"Do":
            found.append((matrix[4], matrix[5], matrix[0], matrix[3]))

    page.extract_text(visitor_operand_before=visit)
    return found


def test_the_pdf_shows_the_picture_without_its_strip_at_300_ppi(tmp_path: Path) -> None:
    make(tmp_path, [entry(tmp_path, 1, width=1600, height=1000, grey=128)])
    page = PdfReader(tmp_path / "s" / "sheet.pdf").pages[0]
    with Image.open(io.BytesIO(page.images[0].data)) as picture:
        samples = np.asarray(picture.convert("L"))
    _, _, wide, high = places(page)[0]
    assert (samples.shape[1] / wide * 72, samples.shape[0] / high * 72) == pytest.approx((300, 300), rel=1e-3)
    # Code 128 of gamma 2.2 is Y 0.2195, which sRGB has at code 128.8 (IEC 61966-2-1).
    assert samples[5:-5].min() >= 127
    assert samples[5:-5].max() <= 130


def test_a_proof_of_few_pixels_is_not_enlarged_in_the_pdf(tmp_path: Path) -> None:
    make(tmp_path, [entry(tmp_path, 1, width=300, height=200)])
    with Image.open(io.BytesIO(PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].images[0].data)) as picture:
        assert picture.size == (300, 200)


@pytest.mark.parametrize(("width", "height"), [(300, 200), (200, 300), (300, 300)])
def test_there_are_36_to_a_page_six_by_six(tmp_path: Path, width: int, height: int) -> None:
    entries = [entry(tmp_path, number, width=width, height=height) for number in range(1, 38)]
    told = make(tmp_path, [dataclasses.replace(one, set_up=SetUpHead("key left")) for one in entries])
    pages = PdfReader(tmp_path / "s" / "sheet.pdf").pages
    assert told["pages"] == 2
    assert [len(page.images) for page in pages] == [36, 1]
    first = places(pages[0])
    assert [len({round(place[axis], 1) for place in first}) for axis in (0, 1)] == [6, 6]


@pytest.mark.parametrize("landscape", [False, True])
@pytest.mark.parametrize(("paper", "width", "height"), [("A3", 297, 420), ("A5", 148, 210), ("B4", 250, 353)])
def test_a_sheet_on_other_paper(tmp_path: Path, paper: str, width: int, height: int, *, landscape: bool) -> None:
    entries = [entry(tmp_path, number, width=60, height=40) for number in range(1, 21)]
    told = make(tmp_path, entries, paper=paper, landscape=landscape, per_page=20)
    page = PdfReader(tmp_path / "s" / "sheet.pdf").pages[0]
    size = (height, width) if landscape else (width, height)
    assert told["pages"] == 1
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx([mm * 72 / 25.4 for mm in size])
    for left, foot, wide, high in places(page):
        assert left > 0
        assert foot > 0
        assert left + wide < page.mediabox.width
        assert foot + high < page.mediabox.height
    with Image.open(tmp_path / "s" / "sheet.jpg") as picture:
        assert picture.width == round(size[0] * PX)


def test_the_jpeg_shows_the_first_page_and_says_so(tmp_path: Path) -> None:
    entries = [entry(tmp_path, number, width=60, height=40) for number in range(1, 51)]
    make(tmp_path, entries[:36])
    with Image.open(tmp_path / "s" / "sheet.jpg") as picture:
        size, few_shown = picture.size, np.asarray(picture)
        assert picture.info["icc_profile"] == profile_bytes("sRGB")
        assert picture.info["dpi"] == (300, 300)
    make(tmp_path, entries)
    with Image.open(tmp_path / "s" / "sheet.jpg") as picture:
        assert picture.size == size
        many_shown = np.asarray(picture)
    assert size[0] == 2480
    # The header ends 25 mm from the top; only there stands "the first 36 of 50".
    assert np.array_equal(few_shown[TOP:], many_shown[TOP:])
    assert not np.array_equal(few_shown[:TOP], many_shown[:TOP])


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
    drawn = {mark: red_pixels(tmp_path, mark) for mark in ("another", "hold", "out", "select")}
    assert 0 < drawn["another"] < drawn["hold"] < drawn["select"]
    assert drawn["another"] < drawn["out"]
    assert "select" in PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].extract_text()


def test_a_hero_has_a_star_in_the_corner_and_is_named(tmp_path: Path) -> None:
    one = entry(tmp_path, 1, mark="select")
    plain, starred = (shown(tmp_path, [dataclasses.replace(one, hero=hero)]) for hero in (False, True))
    within = np.s_[TOP + 30 : TOP + HIGH - 30, LEFT + 30 : LEFT + WIDE - 30]
    rows, columns = np.nonzero(red(starred[within]) & ~red(plain[within]))
    assert rows.size > 1000
    assert rows.max() < HIGH * 0.4
    assert columns.min() > WIDE * 0.7
    assert "select · hero" in " ".join(PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].extract_text().split())


def test_marks_can_be_told_on_black_and_on_white_in_black_and_white(tmp_path: Path) -> None:
    for grey in (1, 254):
        one = entry(tmp_path, 1, width=90, height=60, grey=grey)
        plain, marked = (shown(tmp_path, [dataclasses.replace(one, mark=mark)]).mean(axis=2) for mark in ("", "out"))
        # The stroke runs through the middle, with a light edge beside it.
        across = np.s_[TOP + HIGH // 2, LEFT + 600 : LEFT + WIDE - 600]
        assert np.ptp(marked[across]) > 120
        assert np.ptp(plain[across]) < 5


@pytest.mark.parametrize("columns", [1, 3, 10])
@pytest.mark.parametrize(("width", "height"), [(300, 200), (200, 300), (100, 900)])
def test_pictures_of_any_shape_keep_on_the_page(tmp_path: Path, columns: int, width: int, height: int) -> None:
    entries = [entry(tmp_path, number, width=width, height=height) for number in range(5)]
    entries.append(entry(tmp_path, 9))
    make(tmp_path, entries, columns=columns)
    page = PdfReader(tmp_path / "s" / "sheet.pdf").pages[0]
    feet = [foot for _, foot, _, _ in places(page)]
    assert feet
    assert min(feet) > 15 * 72 / 25.4


def test_words_that_have_no_room_stand_in_full_at_the_end(tmp_path: Path) -> None:
    caption = "long " * 90 + "\n(end) Tj ET"
    notes = [
        "The key light did not fire.",
        "The red channel clips in 12 % of the frame.",
        "Its middle is 3.1 stops dark.",
    ]
    one = Entry("0001", entry(tmp_path, 1).proof, caption, "select")
    two = Entry("0002", entry(tmp_path, 2).proof, "short", "", notes=notes)
    whole = Entry("0003", entry(tmp_path, 3).proof, "also short", "", notes=notes[:1])
    told = make(tmp_path, [one, two, whole], per_page=36, columns=6)
    first, last = (" ".join(page.extract_text().split()) for page in PdfReader(tmp_path / "s" / "sheet.pdf").pages)
    assert told["pages"] == 2
    assert "long …" in first
    assert "The key light did not fire. +2 more …" in first
    assert "stands in full at the end" in first
    assert " ".join(caption.split()) in last
    assert f"short · {' '.join(notes)}" in last
    assert "0003" in first
    assert "0003" not in last


def test_a_head_stands_over_each_set_up_and_on_each_page(tmp_path: Path) -> None:
    key = SetUpHead("key left", "cheek in shadow", "1/200 s, f/8, ISO 100")
    moved = dataclasses.replace(key, arrangement="second arrangement")
    heads = [key] * 40 + [moved] * 2 + [None] + [key]
    entries = [entry(tmp_path, number, width=60, height=40) for number in range(1, len(heads) + 1)]
    make(tmp_path, [dataclasses.replace(one, set_up=head) for one, head in zip(entries, heads, strict=True)])
    first, second = (" ".join(page.extract_text().split()) for page in PdfReader(tmp_path / "s" / "sheet.pdf").pages)
    assert first.count("key left cheek in shadow · 1/200 s, f/8, ISO 100") == 1
    order = [
        "key left (continued)",
        "0037",
        "second arrangement",
        "0041",
        "No set-up",
        "0043",
        "key left cheek",
        "0044",
    ]
    assert [second.index(words) for words in order] == sorted(second.index(words) for words in order)


def test_a_sheet_without_set_ups_has_no_heads(tmp_path: Path) -> None:
    make(tmp_path, [entry(tmp_path, 1)])
    assert "set-up" not in PdfReader(tmp_path / "s" / "sheet.pdf").pages[0].extract_text()


def test_a_sheet_that_cannot_be_is_refused(tmp_path: Path) -> None:
    one = entry(tmp_path, 1)
    for entries, options, said in (
        ([], {}, "no frames"),
        ([one], {"columns": 0}, "1 to 10 columns, not 0"),
        ([one], {"columns": 11}, "1 to 10 columns, not 11"),
        ([one], {"per_page": 0}, "1 to 100 frames to a page, not 0"),
        ([one], {"per_page": 101}, "1 to 100 frames to a page, not 101"),
        ([one], {"paper": "A7"}, "no paper 'A7'"),
        ([one] * 100, {"paper": "A6", "per_page": 100}, "100 frames to a page are too small on paper of 105 by 148 mm"),
    ):
        with pytest.raises(CallError, match=said) as caught:
            make(tmp_path, entries, **options)
        assert caught.value.code == "W001"
    assert not (tmp_path / "s").exists()


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


def test_a_crop_is_drawn_over_the_whole_frame_and_its_outside_dimmed(tmp_path: Path) -> None:
    one = entry(tmp_path, 1, width=1800, height=1200, grey=200)
    plain = shown(tmp_path, [one])
    cropped = shown(tmp_path, [dataclasses.replace(one, crop=crop(25, 25, 50, 50))])
    assert cropped.shape == plain.shape
    lines = red(cropped)
    rows, columns = np.nonzero(lines)
    # The longest runs of red are the four lines; each crosses the next by 1.6 mm, and there are only these.
    down, across = lines.sum(axis=0), lines.sum(axis=1)
    for counts, start, length, most in ((down, LEFT, WIDE, HIGH * 0.45), (across, TOP, HIGH, WIDE * 0.45)):
        found = np.flatnonzero(counts > most)
        middle = start + length / 2
        sides = found[found < middle].mean(), found[found > middle].mean()
        assert sides == pytest.approx((start + length * 0.25, start + length * 0.75), abs=1.5)
        assert all(np.ptp(side) <= 0.5 * PX for side in (found[found < middle], found[found > middle]))
    over = 1.6 * PX
    quarters = [
        (start + length * 0.25 - over, start + length * 0.75 + over) for start, length in ((LEFT, WIDE), (TOP, HIGH))
    ]
    assert (columns.min(), columns.max()) == pytest.approx(quarters[0], abs=4)
    assert (rows.min(), rows.max()) == pytest.approx(quarters[1], abs=4)
    # Inside the picture is as it was, outside darker and still to be seen; the paper round it stays.
    assert (
        abs(
            cropped[TOP + 420 : TOP + 1080, LEFT + 620 : LEFT + 1620]
            - plain[TOP + 420 : TOP + 1080, LEFT + 620 : LEFT + 1620]
        ).max()
        <= 2
    )
    upper = np.s_[TOP + 30 : TOP + 320, LEFT + 30 : LEFT + WIDE - 30]
    outside = cropped[upper] / plain[upper]
    assert outside.min() > 0.5
    assert outside.max() < 0.6
    assert np.array_equal(cropped[: TOP - 20], plain[: TOP - 20])


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
    assert abs(middle[0 if side == "bottom" else 1]) < 12


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
    # The third box: 44.5 by 29.7 mm from 107 mm on, its border grey on paper and nothing within but words.
    box = samples[TOP - 1 : TOP + 352, round(107 * PX) : round(151.5 * PX), 0]
    assert (box[:4].min(axis=0) < 170).mean() > 0.95
    assert (box[-5:].min(axis=0) < 170).mean() > 0.95
    assert np.median(box) >= 240
    assert abs(box[10:100, 10:-10] - 246).max() <= 3


def test_a_sheet_of_nothing_but_frames_that_cannot_be_shown(tmp_path: Path) -> None:
    reason = "the file is cut short " * 40
    told = make(tmp_path, [Entry(f"{number:04d}", None, "", "", why_empty=reason) for number in range(1, 4)], columns=6)
    assert (told["frames"], told["pages"]) == (3, 2)
    first, last = (" ".join(page.extract_text().split()) for page in PdfReader(tmp_path / "s" / "sheet.pdf").pages)
    assert "cut short" in first
    assert "…" in first
    assert last.count(reason.strip()) == 3
