"""The base file: the original's light, whole, at 16 bits."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import base_file, raw_rendering, tiff_picture
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


def test_no_base_of_what_does_not_decode(tmp_path: Path) -> None:
    (tmp_path / "a.dng").write_bytes(b"nothing")
    with pytest.raises(FrameError):
        base_file.make_base(tmp_path / "a.dng", tmp_path / "a.tif")
    assert not (tmp_path / "a.tif").exists()
