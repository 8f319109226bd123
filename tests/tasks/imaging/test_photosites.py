"""Photosites of a raw: counted as a plain count over every one of them, and found where they are clipped."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import rawpy
from PIL import Image

from glassine.tasks.imaging import raw_rendering
from glassine.tasks.imaging.photosites import Photosites, copy_mosaic, count_photosites
from glassine.tasks.imaging.proof import hidden_highlights
from glassine.tasks.imaging.simulated_camera import BLACK_LEVEL, WHITE_LEVEL, CaptureData, Mosaic, write_dng


def counted(path: Path) -> Photosites:
    with rawpy.imread(str(path)) as raw:
        return count_photosites(copy_mosaic(raw))


CAPTURE = CaptureData(counter=1, taken=datetime(2026, 11, 24, 14, 3, 20, tzinfo=UTC))


def random_mosaic(seed: int) -> Mosaic:
    draw = np.random.default_rng(seed)
    mosaic: Mosaic = draw.integers(BLACK_LEVEL, WHITE_LEVEL, (300, 440), np.uint16)
    mosaic[40:60, 100:180] = WHITE_LEVEL
    return mosaic


@pytest.mark.parametrize("seed", range(3))
def test_the_counts_are_those_of_every_photosite(seed: int, tmp_path: Path) -> None:
    mosaic = random_mosaic(seed)
    path = tmp_path / "random.dng"
    write_dng(path, mosaic, CAPTURE)
    found = counted(path)
    planes = {
        "red": mosaic[::2, ::2],
        "green": np.stack([mosaic[::2, 1::2], mosaic[1::2, ::2]]),
        "blue": mosaic[1::2, 1::2],
    }
    assert found.clipped == {name: round(float((plane >= WHITE_LEVEL).mean()), 6) for name, plane in planes.items()}
    assert found.headroom_stops == 0


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_places_stand_upright_as_the_picture_does(orientation: int, tmp_path: Path) -> None:
    mosaic = np.full((200, 300), 3000, np.uint16)
    mosaic[0:40, 0:60] = WHITE_LEVEL
    path = tmp_path / "corner.dng"
    write_dng(path, mosaic, CAPTURE, orientation=orientation)
    places = counted(path).places
    assert places is not None
    picture = raw_rendering.render(path, half_size=True)
    assert places.shape == picture.shape[:2]
    bright = picture.mean(axis=2) > 0.5
    assert places.mean() == pytest.approx(0.04)
    assert (places == bright).mean() > 0.99


def test_clipped_photosites_are_counted(tmp_path: Path) -> None:
    mosaic = np.full((100, 100), 2000, np.uint16)
    mosaic[:10] = WHITE_LEVEL
    mosaic[0::2, 0::2][10:20] = WHITE_LEVEL  # red, rows 20 to 40
    write_dng(tmp_path / "a.dng", mosaic, CAPTURE)
    found = counted(tmp_path / "a.dng")
    assert found.clipped == {"red": 0.3, "green": 0.1, "blue": 0.1}
    assert found.headroom_stops == 0.0


@pytest.mark.parametrize("stops", [1, 2, 5])
def test_headroom_in_stops(tmp_path: Path, stops: int) -> None:
    level = round(BLACK_LEVEL + (WHITE_LEVEL - BLACK_LEVEL) * 2.0**-stops)
    write_dng(tmp_path / "a.dng", np.full((80, 80), level, np.uint16), CAPTURE)
    assert counted(tmp_path / "a.dng").headroom_stops == pytest.approx(stops, abs=2e-3)


def test_a_raw_is_handed_over_once_and_another_picture_never(tmp_path: Path) -> None:
    looked: list[rawpy.RawPy] = []
    write_dng(tmp_path / "a.dng", np.full((80, 80), 3000, np.uint16), CAPTURE)
    raw_rendering.render(tmp_path / "a.dng", half_size=True, look_at=looked.append)
    assert len(looked) == 1
    Image.new("RGB", (20, 20), (90, 90, 90)).save(tmp_path / "picture.jpg")
    raw_rendering.render(tmp_path / "picture.jpg", look_at=looked.append)
    assert len(looked) == 1


def test_hidden_is_what_is_lost_and_shown_as_a_tone() -> None:
    """A tenth of the picture is clipped; half of it is shown white, half as a tone: a twentieth is hidden."""
    places = np.zeros((100, 200), bool)
    places[:10] = True
    display = np.full((50, 100, 3), 0.3, np.float32)
    assert hidden_highlights(places, display) == pytest.approx(0.1)
    display[:, :50] = 1
    assert hidden_highlights(places, display) == pytest.approx(0.05)
    assert hidden_highlights(np.zeros((100, 200), bool), display) == 0
    assert hidden_highlights(None, display) is None
