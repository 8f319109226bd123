"""Proofs: what they show, that they say it, and that nothing is left behind when nothing can be shown."""

from __future__ import annotations

import hashlib
import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image, JpegImagePlugin

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import proof, simulated_camera
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.icc_profile import profile_bytes

ROOT = Path(__file__).parents[3]
REAL_FRAMES = ROOT.parent / "shared" / "real-frames"


def studio_look(name: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((ROOT / "config" / "looks" / f"{name}.json").read_text("utf-8"))
    return document


@pytest.fixture
def original(tmp_path: Path) -> Path:
    """A TIFF original of 900 × 600 with something to see."""
    y, x = np.mgrid[0:600, 0:900]
    light = 0.5 + 0.35 * np.sin(x / 60) * np.cos(y / 45)
    samples = np.round(np.stack([light, light * 0.8, light * 0.6], axis=-1) * 65535).astype(np.uint16)
    path = tmp_path / "CARD_0142.TIF"
    tifffile.imwrite(path, samples, photometric="rgb")
    return path


def jpeg(width: int, height: int) -> bytes:
    y, x = np.mgrid[0:height, 0:width]
    samples = np.stack([x * 255 // width, y * 255 // height, np.full_like(x, 90)], axis=-1).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(samples).save(file, "JPEG", quality=90)
    return file.getvalue()


def opened(path: Path) -> tuple[Image.Image, NDArray[np.uint8]]:
    with Image.open(path) as picture:
        picture.load()
        return picture, np.asarray(picture)


def test_a_proof_bears_its_profile_and_its_number_under_the_picture(original: Path, tmp_path: Path) -> None:
    out = tmp_path / "proofs" / "0142.jpg"
    told = proof.make_proof(original, studio_look("hard-mono"), out, "0142", long_side_px=600)
    picture, samples = opened(out)
    assert proof.picture_size(picture) == (600, 400)
    assert proof.picture_origin(picture) == "raw"
    assert (told["width"], told["height"]) == picture.size
    assert told["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
    assert (told["picture"], told["warning"]) == ("raw", None)
    assert told["reading"]["clipped"] == {"red": None, "green": None, "blue": None}
    assert picture.mode == "L"
    assert picture.info["icc_profile"] == profile_bytes("Grey gamma 2.2")
    strip = samples[400:]
    assert strip.shape[0] == 63
    assert np.median(strip) == proof.PAPER
    number = np.flatnonzero((strip[:, :300] < 60).any(axis=1))
    assert number[-1] - number[0] + 1 >= 600 * 0.05, "the figures are a twentieth of the width high"
    assert [path.name for path in out.parent.iterdir()] == ["0142.jpg"]


def test_the_number_can_still_be_told_at_300_px(original: Path, tmp_path: Path) -> None:
    """Two numbers that differ in one figure differ clearly when the proof is shown 300 px wide."""
    strips = []
    for label in ("0142", "0147"):
        out = tmp_path / f"{label}.jpg"
        proof.make_proof(original, studio_look("hard-mono"), out, label, long_side_px=900)
        picture, _ = opened(out)
        small = picture.resize((300, round(picture.height / 3)), Image.Resampling.LANCZOS)
        strips.append(np.asarray(small)[202:, :100].astype(int))
    figures = np.flatnonzero((strips[0] < 90).any(axis=1))
    assert figures[-1] - figures[0] + 1 >= 14
    assert int((np.abs(strips[0] - strips[1]) > 100).sum()) > 30


def test_a_colour_look_gives_srgb_without_subsampling(original: Path, tmp_path: Path) -> None:
    out = tmp_path / "0142.jpg"
    proof.make_proof(original, studio_look("plain-colour"), out, "0142", long_side_px=300)
    picture, _ = opened(out)
    assert picture.mode == "RGB"
    assert picture.info["icc_profile"] == profile_bytes("sRGB")
    assert isinstance(picture, JpegImagePlugin.JpegImageFile)
    assert JpegImagePlugin.get_sampling(picture) == 0  # 4:4:4, Pillow's own number for it


def test_the_same_frame_gives_the_same_bytes(original: Path, tmp_path: Path) -> None:
    digests = []
    for seed, name in ((3, "a.jpg"), (3, "b.jpg"), (4, "c.jpg")):
        look = studio_look("lifted-mono")
        told = proof.make_proof(original, look, tmp_path / name, "0142", long_side_px=400, seed=seed)
        digests.append(told["sha256"])
    assert digests[0] == digests[1]
    assert digests[0] != digests[2], "the grain has another seed"


def test_an_original_that_does_not_decode_shows_its_embedded_preview_and_says_so(tmp_path: Path) -> None:
    broken = tmp_path / "CARD_0143.RAW"
    broken.write_bytes(b"no known raw" * 50 + jpeg(800, 600) + b"\0" * 999)
    out, plain = tmp_path / "0143.jpg", tmp_path / "plain.jpg"
    told = proof.make_proof(broken, studio_look("hard-mono"), out, "0143", long_side_px=640)
    assert told["picture"] == "embedded preview"
    assert told["reading"] is None
    assert "CARD_0143.RAW" in told["warning"]
    assert "embedded preview" in told["warning"]
    picture, samples = opened(out)
    assert proof.picture_origin(picture) == "embedded preview"
    assert proof.picture_size(picture) == (640, 480)
    good = tmp_path / "CARD_0143.JPG"
    good.write_bytes(jpeg(800, 600))
    proof.make_proof(good, studio_look("hard-mono"), plain, "0143", long_side_px=640)
    words = samples[480:, 320:] < 128
    assert words.sum() > 2 * (opened(plain)[1][480:, 320:] < 128).sum(), "the strip says more"


def test_then_a_companion_is_shown(tmp_path: Path) -> None:
    broken, companion = tmp_path / "CARD_0144.RAW", tmp_path / "CARD_0144.THM"
    broken.write_bytes(b"no known raw" * 50)
    companion.write_bytes(jpeg(160, 120))
    told = proof.make_proof(
        broken, studio_look("hard-mono"), tmp_path / "0144.jpg", "0144", preview_sources=[broken, companion]
    )
    assert told["picture"] == "companion"
    assert "CARD_0144.THM" in told["warning"]
    assert proof.picture_size(opened(tmp_path / "0144.jpg")[0]) == (640, 480), "a thumbnail is enlarged"


def test_where_nothing_can_be_shown_nothing_is_written(tmp_path: Path) -> None:
    broken = tmp_path / "CARD_0145.RAW"
    broken.write_bytes(b"no known raw" * 50)
    with pytest.raises(FrameError) as caught:
        proof.make_proof(broken, studio_look("hard-mono"), tmp_path / "p" / "0145.jpg", "0145")
    assert caught.value.code == "P001"
    assert "CARD_0145.RAW" in str(caught.value)
    assert [path.name for path in tmp_path.iterdir()] == ["CARD_0145.RAW"]


@pytest.mark.parametrize("name", ["", "x" * 400, "a\nb\x1b[31m\u202e.TIF"])
def test_hostile_names_and_numbers_stay_on_the_strip(original: Path, tmp_path: Path, name: str) -> None:
    out = tmp_path / "proof.jpg"
    told = proof.make_proof(original, studio_look("hard-mono"), out, name, long_side_px=300)
    assert proof.picture_size(opened(out)[0]) == (300, 200)
    assert told["width"] == 300


def test_a_text_is_cut_to_its_room() -> None:
    font = proof.typeface(20)
    for text in ("short", "a much longer name of a file_0142.TIF"):
        for room in (60.0, 150.0, 900.0):
            assert font.getlength(proof.shorten(text, font, room)) <= room
    assert proof.shorten("a much longer name of a file_0142.TIF", font, 150.0, keep_end=True).endswith(".TIF")


def test_resizing_keeps_the_mean_light_and_draws_no_rim() -> None:
    light: FloatImage = np.zeros((400, 600, 3), np.float32)
    light[100:200, 150:300] = 1.0
    small = proof.resize_long_side(light, 150)
    assert small.shape == (100, 150, 3)
    assert float(small.mean()) == pytest.approx(float(light.mean()), rel=1e-3)
    assert small.min() >= 0
    assert small.max() <= 1 + 1e-6


def test_a_raw_of_known_light_is_rendered_and_read(tmp_path: Path) -> None:
    """Upright light of 18 % with a dark left half: one stop, by construction."""
    light = np.full((600, 400, 3), 0.18, np.float32)
    light[:, :90] = 0.09
    raw, out = tmp_path / "SIM_0007.DNG", tmp_path / "0007.jpg"
    simulated_camera.take_frame(
        raw, light, simulated_camera.CaptureData(counter=7, taken=datetime(2031, 5, 6, tzinfo=UTC))
    )
    straight = {"step": "tone_curve", "points": [[-16, -16], [2, 2]]}
    look = {"format": 1, "name": "straight", "purpose": "A test.", "steps": [straight]}
    told = proof.make_proof(raw, look, out, "0007", long_side_px=300)
    assert told["picture"] == "raw"
    assert told["reading"]["exposure_stops"] == pytest.approx(0.0, abs=0.02)
    assert told["reading"]["headroom_stops"] is not None
    picture, samples = opened(out)
    assert proof.picture_size(picture) == (200, 300)
    # 18 % is code 117.6 in sRGB, 9 % is 84.6 (IEC 61966-2-1).
    assert np.median(samples[50:250, 80:180], axis=(0, 1)) == pytest.approx([117.6] * 3, abs=1.5)
    assert np.median(samples[50:250, 5:35], axis=(0, 1)) == pytest.approx([84.6] * 3, abs=1.5)


@pytest.fixture
def raw(tmp_path: Path) -> Path:
    """A simulated raw of a coloured ramp."""
    ramp = np.linspace(0.02, 0.9, 900, dtype=np.float32)
    light = np.repeat(ramp[np.newaxis, :, np.newaxis], 600, axis=0) * np.array([1.0, 0.8, 0.6], np.float32)
    path = tmp_path / "SIM_0008.DNG"
    capture = simulated_camera.CaptureData(counter=8, taken=datetime(2031, 5, 6, tzinfo=UTC))
    simulated_camera.take_frame(path, np.ascontiguousarray(light), capture)
    return path


@pytest.mark.parametrize("balance", [AS_SHOT, Balance((1.5, 1.0, 2.0)), Balance(None, -1.0)])
def test_without_a_reading_the_picture_is_the_same_to_the_byte(raw: Path, tmp_path: Path, balance: Balance) -> None:
    look, kept = studio_look("plain-colour"), {}
    for take in (True, False):
        told = proof.make_proof(
            raw, look, tmp_path / f"{take}.jpg", "0008", long_side_px=300, balance=balance, take_reading=take
        )
        kept[take] = told
    assert kept[True]["sha256"] == kept[False]["sha256"]
    assert kept[True]["reading"]["exposure_stops"] is not None
    assert (kept[False]["reading"], kept[False]["hidden_highlights"]) == (None, None)


def test_a_reading_is_of_the_light_as_shot_whatever_the_balance(raw: Path, tmp_path: Path) -> None:
    look = studio_look("plain-colour")
    balances = (AS_SHOT, Balance((1.5, 1.0, 2.0)), Balance(None, -1.0), Balance((2.0, 1.0, 1.0), 0.5))
    told = [
        proof.make_proof(raw, look, tmp_path / f"{index}.jpg", "0008", long_side_px=300, balance=balance)
        for index, balance in enumerate(balances)
    ]
    assert all(one["reading"] == told[0]["reading"] for one in told)
    assert len({one["sha256"] for one in told}) == len(balances)


def test_a_balance_s_exposure_is_a_look_s(raw: Path, tmp_path: Path) -> None:
    """One stop less in the balance, or as the first step of the look, is one picture."""
    look = studio_look("plain-colour")
    darker = {**look, "steps": [{"step": "exposure", "stops": -1.0}, *look["steps"]]}
    balanced = proof.make_proof(raw, look, tmp_path / "a.jpg", "0008", long_side_px=300, balance=Balance(None, -1.0))
    stepped = proof.make_proof(raw, darker, tmp_path / "b.jpg", "0008", long_side_px=300)
    assert balanced["sha256"] == stepped["sha256"]


@pytest.mark.parametrize("balance", [AS_SHOT, Balance(None, 1.0)])
def test_a_preview_gets_the_exposure_of_the_balance(tmp_path: Path, balance: Balance) -> None:
    broken, out = tmp_path / "CARD_0143.RAW", tmp_path / "0143.jpg"
    broken.write_bytes(b"no known raw" * 50 + jpeg(800, 600) + b"\0" * 999)
    told = proof.make_proof(broken, studio_look("hard-mono"), out, "0143", long_side_px=640, balance=balance)
    assert told["picture"] == "embedded preview"
    mean = float(opened(out)[1][:480].mean())
    plain = proof.make_proof(broken, studio_look("hard-mono"), tmp_path / "plain.jpg", "0143", long_side_px=640)
    assert plain["picture"] == "embedded preview"
    as_shot = float(opened(tmp_path / "plain.jpg")[1][:480].mean())
    assert mean == as_shot if balance == AS_SHOT else mean > as_shot + 10


@pytest.mark.skipif(not REAL_FRAMES.is_dir(), reason="no real frames on this machine")
def test_a_real_raw_is_rendered_and_read(tmp_path: Path) -> None:
    out = tmp_path / "0101.jpg"
    told = proof.make_proof(REAL_FRAMES / "CRW_0101.CRW", studio_look("hard-mono"), out, "0101", long_side_px=800)
    assert told["picture"] == "raw"
    assert told["reading"]["headroom_stops"] == pytest.approx(0.81, abs=0.01)
    _, samples = opened(out)
    assert 40 < samples[:595].mean() < 215
