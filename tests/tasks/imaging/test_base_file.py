"""The base file: the original's light, whole, at 16 bits."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging import base_file, raw_rendering, tiff_picture
from glassine.tasks.imaging.balance import Balance
from glassine.tasks.imaging.simulated_camera import CaptureData, take_frame

CAPTURE = CaptureData(1, datetime(2026, 3, 4, tzinfo=UTC))


def test_the_base_holds_what_was_rendered(tmp_path: Path) -> None:
    light = np.linspace(0.02, 0.9, 90 * 60 * 3, dtype=np.float32).reshape(90, 60, 3)
    take_frame(tmp_path / "a.dng", light, CAPTURE)
    facts = base_file.make_base(tmp_path / "a.dng", tmp_path / "base" / "a.tif")
    again = base_file.make_base(tmp_path / "a.dng", tmp_path / "base" / "b.tif")
    assert facts == again
    assert {key: facts[key] for key in ("width", "height", "bits", "profile")} == {
        "width": 60,
        "height": 90,
        "bits": 16,
        "profile": "ROMM RGB",
    }
    linear, _ = tiff_picture.read_picture(tmp_path / "base" / "a.tif")
    assert np.abs(linear - raw_rendering.render(tmp_path / "a.dng")).max() < 3e-5


@settings(deadline=None, max_examples=10)
@given(stops=st.floats(-5, 5))
def test_a_second_rendering_multiplies_the_light(tmp_path_factory: pytest.TempPathFactory, stops: float) -> None:
    folder = tmp_path_factory.mktemp("base")
    light = np.linspace(0.02, 0.9, 40 * 30 * 3, dtype=np.float32).reshape(40, 30, 3)
    tiff_picture.write_picture(folder / "a.tif", light, "ROMM RGB")
    base_file.make_base(folder / "a.tif", folder / "b.tif", exposure_stops=stops)
    linear, _ = tiff_picture.read_picture(folder / "b.tif")
    # by hand: light times 2 to the stops, white where that is above 1
    assert np.abs(linear - np.minimum(light * 2.0**stops, 1.0)).max() < 5e-5 * max(1.0, 2.0**stops)


def test_a_balance_goes_into_the_base(tmp_path: Path) -> None:
    light = np.linspace(0.02, 0.9, 90 * 60 * 3, dtype=np.float32).reshape(90, 60, 3)
    take_frame(tmp_path / "a.dng", light, CAPTURE)
    balance = Balance((1.5, 1.0, 2.0), -1.0)
    base_file.make_base(tmp_path / "a.dng", tmp_path / "a.tif", exposure_stops=0.5, balance=balance)
    linear, _ = tiff_picture.read_picture(tmp_path / "a.tif")
    wanted = raw_rendering.render(tmp_path / "a.dng", balance=balance) * 2.0**0.5
    assert np.abs(linear - np.minimum(wanted, 1.0)).max() < 5e-5


@pytest.mark.parametrize("threads", [1, 2, 5])
def test_threads_change_no_byte_of_a_base(tmp_path: Path, threads: int) -> None:
    light = np.random.default_rng(5).random((301, 40, 3), dtype=np.float32)
    tiff_picture.write_picture(tmp_path / "a.tif", light, "sRGB")
    plain = base_file.make_base(tmp_path / "a.tif", tmp_path / "b.tif", exposure_stops=0.3)
    again = base_file.make_base(tmp_path / "a.tif", tmp_path / "c.tif", exposure_stops=0.3, threads=threads)
    assert again == plain


def test_no_exposure_is_the_base_file_to_the_bit(tmp_path: Path) -> None:
    tiff_picture.write_picture(tmp_path / "a.tif", np.full((20, 30, 3), 0.3, np.float32), "ROMM RGB")
    plain = base_file.make_base(tmp_path / "a.tif", tmp_path / "b.tif")
    assert base_file.make_base(tmp_path / "a.tif", tmp_path / "c.tif", exposure_stops=0.0) == plain
    assert base_file.make_base(tmp_path / "a.tif", tmp_path / "d.tif", exposure_stops=1)["sha256"] != plain["sha256"]


@pytest.mark.parametrize("stops", [5.1, -6, float("nan"), float("inf"), True])
def test_no_rendering_out_of_range(tmp_path: Path, stops: float) -> None:
    tiff_picture.write_picture(tmp_path / "a.tif", np.full((20, 30, 3), 0.3, np.float32), "ROMM RGB")
    with pytest.raises(CallError, match="from -5 to 5 stops") as refused:
        base_file.make_base(tmp_path / "a.tif", tmp_path / "b.tif", exposure_stops=stops)
    assert refused.value.code == "W001"
    assert not (tmp_path / "b.tif").exists()


def test_no_base_of_what_does_not_decode(tmp_path: Path) -> None:
    (tmp_path / "a.dng").write_bytes(b"nothing")
    with pytest.raises(FrameError):
        base_file.make_base(tmp_path / "a.dng", tmp_path / "a.tif")
    assert not (tmp_path / "a.tif").exists()
