"""Look sheets: what is where on one, the same bytes again, and what it may be written over."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.balance import Balance
from glassine.tasks.imaging.look_sheet import (
    MOST_LOOKS,
    MOST_ROWS,
    Caption,
    Picture,
    Row,
    develop,
    is_replaceable,
    make_look_sheet,
    render_looks,
    show,
)
from glassine.tasks.imaging.proof import PAPER
from glassine.tasks.imaging.simulated_camera import CaptureData, take_frame
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_set import Scene

LOOKS = {
    path.stem: json.loads(path.read_text("utf-8"))
    for path in sorted((Path(__file__).parents[3] / "config" / "looks").glob("*.json"))
}
CAPTIONS = [Caption("one", "The first."), Caption("two", "The second, of which more is to be said.")]
COLOURS = ((200, 30, 30), (30, 160, 30), (30, 30, 200), (128, 128, 128))


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("original") / "SIMU0001.DNG"
    capture = CaptureData(counter=1, taken=datetime(2026, 11, 24, 14, 3, 20, tzinfo=UTC))
    take_frame(path, render_scene(replace(Scene(), seed=3), 300, 200), capture, seed=3)
    return path


def plain(colour: tuple[int, int, int], width: int = 300, height: int = 200) -> Picture:
    return np.full((height, width, 3), colour, np.uint8)


def rows(*sizes: tuple[int, int]) -> list[Row]:
    pictures = [[plain(COLOURS[2 * index + side], *size) for side in (0, 1)] for index, size in enumerate(sizes)]
    return [Row(f"{index:04d}", f"SIMU{index:04d}.DNG", pair) for index, pair in enumerate(pictures, 1)]


def opened(path: Path) -> tuple[Picture, Mapping[Any, Any]]:
    with Image.open(path) as sheet:
        assert (sheet.format, sheet.mode) == ("JPEG", "RGB")
        return np.asarray(sheet), sheet.info


def test_pictures_stand_side_by_side_in_the_looks_order_a_row_a_frame(tmp_path: Path) -> None:
    made = make_look_sheet(rows((300, 200), (200, 300)), CAPTIONS, tmp_path / "new" / "sheet.jpg")
    pixels, info = opened(tmp_path / "new" / "sheet.jpg")
    assert pixels.shape == (made["height"], made["width"], 3)
    assert info["icc_profile"] == icc_profile.profile_bytes("sRGB")
    places = []
    for colour in COLOURS:
        there = np.abs(pixels.astype(int) - colour).max(axis=2) < 12
        assert there.mean() > 0.02, f"{colour} is on the sheet"
        down, across = np.nonzero(there)
        places.append((np.median(down), np.median(across)))
    (y1, x1), (y2, x2), (y3, x3), (y4, x4) = places
    assert y1 == pytest.approx(y2, abs=3)
    assert y3 == pytest.approx(y4, abs=3)
    assert y3 > y1 + 200
    assert x2 > x1 + 300
    assert x4 > x3 + 300
    assert pixels[0, 0].tolist() == [PAPER] * 3


def test_one_look_stands_alone(tmp_path: Path) -> None:
    made = make_look_sheet([Row("0001", "a.dng", [plain(COLOURS[0])])], CAPTIONS[:1], tmp_path / "sheet.jpg")
    pixels, _ = opened(tmp_path / "sheet.jpg")
    assert pixels.shape == (made["height"], made["width"], 3)
    there = np.abs(pixels.astype(int) - COLOURS[0]).max(axis=2) < 12
    assert np.ptp(np.nonzero(there)[1]) == pytest.approx(299, abs=2)


def test_the_frames_number_the_file_and_the_looks_name_are_drawn(tmp_path: Path) -> None:
    def sheet(number: str, words: str, name: str, purpose: str) -> bytes:
        pair = [plain(COLOURS[0]), plain(COLOURS[1])]
        make_look_sheet([Row(number, words, pair)], [Caption(name, purpose), CAPTIONS[1]], tmp_path / "sheet.jpg")
        return (tmp_path / "sheet.jpg").read_bytes()

    first = sheet("0001", "a.dng", "one", "First.")
    assert first == sheet("0001", "a.dng", "one", "First."), "the same input gives the same bytes"
    others = [
        sheet("0002", "a.dng", "one", "First."),
        sheet("0001", "b.dng", "one", "First."),
        sheet("0001", "a.dng", "six", "First."),
        sheet("0001", "a.dng", "one", "Other."),
    ]
    assert len({first, *others}) == 5


def test_long_names_stay_in_their_column(tmp_path: Path) -> None:
    long = "x" * 400
    captions = [Caption(long, " ".join([long, "word " * 200])), Caption("two", "")]
    make_look_sheet([Row(long, long, [plain(COLOURS[0]), plain(COLOURS[1])])], captions, tmp_path / "sheet.jpg")
    pixels, _ = opened(tmp_path / "sheet.jpg")
    ink = pixels.max(axis=2) < 140
    below = ink[pixels.shape[0] - 48 - 110 :]
    assert below[:, 48:348].any()
    assert not below[:, 352:374].any(), "nothing is written between the columns"
    assert not ink[:, -40:].any(), "nor on the margin"


@pytest.mark.parametrize(
    ("given_rows", "captions"),
    [
        ([], CAPTIONS),
        (rows((30, 20)) * (MOST_ROWS + 1), CAPTIONS),
        (rows((30, 20)), []),
        (rows((30, 20)), CAPTIONS * MOST_LOOKS),
        (rows((30, 20)), [*CAPTIONS, CAPTIONS[0]]),
    ],
    ids=["no row", "too many rows", "no look", "too many looks", "a picture missing"],
)
def test_too_few_or_too_many_are_refused(tmp_path: Path, given_rows: list[Row], captions: list[Caption]) -> None:
    with pytest.raises(CallError, match="look sheet") as refused:
        make_look_sheet(given_rows, captions, tmp_path / "sheet.jpg")
    assert refused.value.code == "W001"
    assert list(tmp_path.iterdir()) == []


def test_only_an_earlier_look_sheet_may_be_replaced(tmp_path: Path, original: Path) -> None:
    sheet, other = tmp_path / "sheet.jpg", tmp_path / "other.jpg"
    assert is_replaceable(sheet)
    make_look_sheet(rows((30, 20)), CAPTIONS, sheet)
    assert is_replaceable(sheet)
    Image.new("RGB", (30, 20)).save(other)
    (tmp_path / "text.jpg").write_text("no picture")
    for path in (other, original, tmp_path, tmp_path / "text.jpg"):
        assert not is_replaceable(path)


def test_an_original_is_rendered_once_for_all_looks(original: Path) -> None:
    chosen = [LOOKS["hard-mono"], LOOKS["plain-colour"]]
    first, second = render_looks(original, chosen, seed=7, long_side_px=240)
    assert first.shape == second.shape == (160, 240, 3)
    assert first.dtype == np.uint8
    assert np.array_equal(first[..., 0], first[..., 2]), "a monochrome look has no colour"
    assert not np.array_equal(second[..., 0], second[..., 2])
    light = develop(original, 240)
    assert light.dtype == np.float32
    assert np.array_equal(show(chosen[1], light, seed=7), second)


def test_a_picture_smaller_than_asked_is_enlarged_and_a_raw_is_halved_where_that_is_enough(original: Path) -> None:
    assert develop(original, 450).shape == (300, 450, 3)
    assert develop(original, 150).shape == (100, 150, 3)


def test_the_frames_balance_is_in_its_light(original: Path) -> None:
    shot = develop(original, 150)
    assert np.allclose(develop(original, 150, balance=Balance(stops=-1.0)), shot / 2, atol=1e-6)
    warmer = develop(original, 150, balance=Balance((3.0, 1.0, 1.0)))
    assert warmer[..., 0].mean() / warmer[..., 2].mean() > 1.2 * shot[..., 0].mean() / shot[..., 2].mean()


def test_grain_is_that_of_the_frames_seed(original: Path) -> None:
    light = develop(original, 240)
    grained = [show(LOOKS["lifted-mono"], light, seed=seed) for seed in (1, 1, 2)]
    assert np.array_equal(grained[0], grained[1])
    assert not np.array_equal(grained[0], grained[2])


def test_what_does_not_decode_is_refused(tmp_path: Path) -> None:
    (tmp_path / "broken.dng").write_bytes(b"II*\0" + bytes(100))
    with pytest.raises(FrameError) as refused:
        render_looks(tmp_path / "broken.dng", [LOOKS["hard-mono"]], seed=1, long_side_px=100)
    assert refused.value.code == "P001"


def test_a_sheet_is_a_whole_jpeg_at_a_quality_that_keeps_small_type(tmp_path: Path) -> None:
    make_look_sheet(rows((300, 200)), CAPTIONS, tmp_path / "sheet.jpg")
    content = (tmp_path / "sheet.jpg").read_bytes()
    with Image.open(io.BytesIO(content)) as sheet:
        sheet.load()
        assert sheet.layer[1][1:3] == (1, 1), "colour is not subsampled"  # type: ignore[attr-defined]
