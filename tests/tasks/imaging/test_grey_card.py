"""A grey card measured in raws whose truth is known, and what is no card that could be measured."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from glassine.schemas.errors import CallError, FrameError
from glassine.tasks.imaging import icc_profile, raw_rendering
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.grey_card import measure_card
from glassine.tasks.imaging.simulated_camera import NEUTRAL, CaptureData, expose, write_dng

CAPTURE = CaptureData(7, datetime(2026, 3, 4, 10, 11, 12, tzinfo=UTC))
DAYLIGHT_ON_SENSOR = NEUTRAL
FILAMENT = (1.8, 1.0, 0.42)
"""Light of a filament by daylight's, in red, green and blue (from memory)."""
SHADE = (0.8, 1.0, 1.3)
Colour = tuple[float, float, float]


def card_scene(light: Colour = (1, 1, 1), grey: float = 0.12, height: int = 160, width: int = 240) -> FloatImage:
    """A card over the middle of a picture of many colours, in a light."""
    y, x = np.mgrid[:height, :width].astype(np.float32)
    scene = 0.04 + 0.3 * np.stack([x / width, y / height, 1 - x / width], axis=2)
    scene[height * 3 // 10 : height * 7 // 10, width * 3 // 10 : width * 7 // 10] = grey
    return np.ascontiguousarray(scene * np.array(light), np.float32)


def write_card(path: Path, scene: FloatImage, *, noise: bool = True, orientation: int = 1) -> Path:
    write_dng(path, expose(scene, noise=noise, seed=5), CAPTURE, orientation=orientation)
    return path


def middle(path: Path, balance: Balance) -> NDArray[np.float64]:
    linear = raw_rendering.render(path, balance=balance)
    height, width = linear.shape[:2]
    centre = linear[height * 2 // 5 : height * 3 // 5, width * 2 // 5 : width * 3 // 5]
    return np.asarray(centre.mean(axis=(0, 1), dtype=np.float64))


@pytest.mark.parametrize("light", [(1, 1, 1), FILAMENT, SHADE])
@pytest.mark.parametrize("grey", [0.035, 0.12, 0.4])
def test_a_card_is_found_and_rendered_neutral(light: Colour, grey: float, tmp_path: Path) -> None:
    path = write_card(tmp_path / "a.dng", card_scene(light, grey))
    found = measure_card(path)
    on_sensor = np.array(light) * DAYLIGHT_ON_SENSOR
    assert found["multipliers"] == pytest.approx(list(on_sensor[1] / on_sensor), rel=0.005)
    assert found["multipliers"][1] == 1.0
    assert found["clipped"] is False
    assert found["spread"] < 0.08
    light_of_card = middle(path, Balance.of(found))
    assert np.ptp(light_of_card) / light_of_card.mean() < 0.003
    # ISO 12232: 18 % over √2 of saturation
    assert light_of_card == pytest.approx([0.18 / math.sqrt(2)] * 3, rel=0.004)


@settings(deadline=None, max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(warmth=st.floats(-1, 1), tint=st.floats(-0.5, 0.5), grey=st.floats(0.04, 0.3), reflectance=st.floats(0.1, 0.9))
def test_any_light_and_any_card(warmth: float, tint: float, grey: float, reflectance: float, tmp_path: Path) -> None:
    """Without noise: what is left is the sensor's step, 6e-5 of saturation, and the matrix in the file."""
    red, blue = 2 ** (warmth + tint), 2 ** (tint - warmth)
    path = write_card(tmp_path / "a.dng", card_scene((red, 1, blue), grey), noise=False)
    found = measure_card(path, reflectance=reflectance)
    on_sensor = np.array([red, 1, blue]) * DAYLIGHT_ON_SENSOR
    assert found["multipliers"] == pytest.approx(list(on_sensor[1] / on_sensor), rel=0.005)
    wanted = reflectance / math.sqrt(2)
    light = middle(path, Balance.of(found))
    assert np.ptp(light) / light.mean() < 0.003
    assert float(icc_profile.luminance(light.astype(np.float32)[np.newaxis, np.newaxis])[0, 0]) == pytest.approx(
        wanted, rel=0.004
    )


def test_a_right_exposure_stays_as_it_is(tmp_path: Path) -> None:
    """18 % at 12.7 % of saturation, the light balanced as the camera had it: nothing is to do."""
    found = measure_card(write_card(tmp_path / "a.dng", card_scene(grey=0.18 / math.sqrt(2)), noise=False))
    assert found["stops"] == pytest.approx(0, abs=0.002)
    assert middle(tmp_path / "a.dng", AS_SHOT) == pytest.approx(middle(tmp_path / "a.dng", Balance.of(found)), rel=2e-3)
    darker = measure_card(write_card(tmp_path / "b.dng", card_scene(grey=0.18 / math.sqrt(2) / 2), noise=False))
    assert darker["stops"] == pytest.approx(1, abs=0.002)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_the_region_is_of_the_upright_picture(orientation: int, tmp_path: Path) -> None:
    """A card in one corner of the upright picture, found there and refused elsewhere."""
    upright = np.zeros((160, 240, 3), np.float32)
    upright[...] = 0.3, 0.02, 0.02
    upright[:64, :72] = 0.12
    on_sensor = np.rot90(upright, {1: 0, 3: 2, 6: 1, 8: -1}[orientation])  # the Exif standard's sense, undone
    path = write_card(tmp_path / "a.dng", np.ascontiguousarray(on_sensor), orientation=orientation)
    assert raw_rendering.render(path, half_size=True).shape[:2] == (80, 120)
    corner = {"shape": "rectangle", "x": 2, "y": 2, "width": 26, "height": 36}
    assert measure_card(path, corner)["multipliers"] == pytest.approx([2, 1, 1.6], rel=0.005)
    with pytest.raises(CallError, match="too strongly coloured"):
        measure_card(path, corner | {"x": 72})


def test_a_card_may_be_marked_in_any_shape(tmp_path: Path) -> None:
    path = write_card(tmp_path / "a.dng", card_scene())
    for region in (
        {"shape": "ellipse", "x": 32, "y": 32, "width": 36, "height": 36},
        {"shape": "polygon", "points": [[31, 50], [50, 31], [69, 50], [50, 69]]},
    ):
        assert measure_card(path, region)["multipliers"] == pytest.approx([2, 1, 1.6], rel=0.005)


def refusal(path: Path, region: dict[str, Any] | None = None) -> str:
    with pytest.raises(CallError) as caught:
        measure_card(path, region)
    assert caught.value.code == "W001"
    assert caught.value.exit_status == 2
    return str(caught.value)


def test_what_cannot_be_measured_is_refused(tmp_path: Path) -> None:
    assert "green in clipped.dng is clipped" in refusal(write_card(tmp_path / "clipped.dng", card_scene(grey=1.4)))
    assert "too dark" in refusal(write_card(tmp_path / "dark.dng", card_scene(grey=0.02)))
    assert "too dark" in refusal(write_card(tmp_path / "black.dng", card_scene(grey=0.0)))
    half_lit = card_scene()
    half_lit[:, 120:] *= np.float32(0.5)
    assert "uneven by 1.0" in refusal(write_card(tmp_path / "uneven.dng", half_lit))
    card = write_card(tmp_path / "a.dng", card_scene())
    assert "too small" in refusal(card, {"shape": "rectangle", "x": 50, "y": 50, "width": 4, "height": 4})
    for beside in (0.001, 300):
        assert "too small" in refusal(card, {"shape": "rectangle", "x": beside, "y": 50, "width": 0.01, "height": 0.01})
    assert "A region is" in refusal(card, {"shape": "star"})


@pytest.mark.parametrize("colour", [(8, 1, 1), (1, 1, 8), (0.3, 1, 0.3), (3.2, 1, 3.2), (0.2, 1, 1)])
def test_a_coloured_patch_is_no_grey_card(colour: Colour, tmp_path: Path) -> None:
    light = (colour[0] / 2, colour[1] / 2, colour[2] / 2)
    assert "too strongly coloured" in refusal(write_card(tmp_path / "a.dng", card_scene(light, 0.12)))


def test_an_evenly_falling_light_is_allowed_and_said(tmp_path: Path) -> None:
    falling = card_scene() * np.linspace(1.2, 0.8, 240, dtype=np.float32)[np.newaxis, :, np.newaxis]
    found = measure_card(write_card(tmp_path / "a.dng", falling))
    assert found["spread"] == pytest.approx(0.1, abs=0.05)
    assert found["multipliers"] == pytest.approx([2, 1, 1.6], rel=0.005)


def test_a_hot_photosite_is_said_and_does_no_harm(tmp_path: Path) -> None:
    scene = card_scene(height=400, width=600)
    scene[200, 300] = 50
    found = measure_card(write_card(tmp_path / "a.dng", scene))
    assert found["clipped"] is True
    assert found["multipliers"] == pytest.approx([2, 1, 1.6], rel=0.005)


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif"])
def test_white_balance_is_measured_in_a_raw(name: str, tmp_path: Path) -> None:
    Image.new("RGB", (64, 64), (118, 118, 118)).save(tmp_path / name)
    with pytest.raises(FrameError, match="white balance is measured in a raw") as caught:
        measure_card(tmp_path / name)
    assert caught.value.code == "P001"
    assert name in str(caught.value)


@pytest.mark.parametrize("reflectance", [0, -0.18, 1.01, math.nan, math.inf, True, "0.18"])
def test_a_reflectance_is_a_share(reflectance: Any, tmp_path: Path) -> None:
    path = write_card(tmp_path / "a.dng", card_scene())
    with pytest.raises(CallError, match="reflectance"):
        measure_card(path, reflectance=reflectance)
