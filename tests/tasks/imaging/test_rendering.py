"""Finals: the look's result, in the right profile, and the same bytes again."""

import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import DocumentError, FrameError
from glassine.tasks.imaging import icc_profile, raw_rendering, rendering, simulated_camera, tiff_picture
from glassine.tasks.imaging import look as looks
from glassine.tasks.imaging.balance import Balance
from glassine.tasks.imaging.bit_depth import to_uint16

RAMP = np.repeat(np.linspace(0.01, 0.9, 80, dtype=np.float32)[np.newaxis, :, np.newaxis], 60, axis=0)
COLOURS = np.ascontiguousarray(RAMP * np.array([1.0, 0.7, 0.4], np.float32))
CURVE = {"step": "tone_curve", "points": [[-8, -8], [0, 0], [2, 2]]}
MONOCHROME = {"step": "monochrome", "red": 0.5, "green": 0.4, "blue": 0.1}
TONING = {"step": "toning", "shadows": [2, 4], "lights": [0, 2]}
CAPTURE = simulated_camera.CaptureData(1, datetime(2026, 3, 4, tzinfo=UTC))
GRAIN = {"step": "grain", "granularity": 12, "format_long_side_mm": 36, "clump_um": 6}


def a_look(*steps: dict[str, Any]) -> dict[str, Any]:
    return {"format": 1, "name": "test", "purpose": "A test.", "steps": list(steps)}


@pytest.mark.parametrize(
    ("look", "profile"),
    [
        (a_look(CURVE), "ROMM RGB"),
        (a_look(MONOCHROME, CURVE), "Grey gamma 2.2"),
        (a_look(MONOCHROME, CURVE, TONING), "ROMM RGB"),
    ],
)
def test_a_final_is_what_the_look_gives(tmp_path: Path, look: dict[str, Any], profile: str) -> None:
    tiff_picture.write_picture(tmp_path / "base.tif", COLOURS, "ROMM RGB")
    facts = rendering.make_final(tmp_path / "base.tif", look, tmp_path / "out" / "final.tif", seed=1)
    assert (facts["width"], facts["height"], facts["bits"], facts["profile"]) == (80, 60, 16, profile)
    final, info = rendering.read_picture(tmp_path / "out" / "final.tif")
    assert info.channels == (1 if profile.startswith("Grey") else 3)
    base, _ = rendering.read_picture(tmp_path / "base.tif")
    wanted = looks.apply(look, base, seed=1)
    difference = icc_profile.to_lab(final) - icc_profile.to_lab(np.clip(wanted, 0, 1))
    assert np.abs(difference).max() < 0.1


@settings(deadline=None, max_examples=40)
@given(
    height=st.integers(1, 300),
    width=st.integers(1, 40),
    depth=st.sampled_from([np.uint8, np.uint16]),
    channels=st.sampled_from([1, 3]),
    strip_rows=st.sampled_from([1, 48, 64, 100, 300]),
    orientation=st.sampled_from([1, 3, 6]),
    threads=st.integers(1, 4),
    look=st.sampled_from([[MONOCHROME, CURVE, GRAIN], [MONOCHROME, CURVE, TONING], [CURVE, GRAIN]]),
)
def test_a_final_in_bands_is_the_whole_picture_s(
    tmp_path_factory: pytest.TempPathFactory,
    height: int,
    width: int,
    depth: type[np.uint8] | type[np.uint16],
    channels: int,
    strip_rows: int,
    orientation: int,
    threads: int,
    look: list[dict[str, Any]],
) -> None:
    """To the bit: the look prepared for the picture and given all its rows at once."""
    source = tmp_path_factory.mktemp("final") / "source.tif"
    shape = (height, width, 3) if channels == 3 else (height, width)
    tifffile.imwrite(
        source,
        np.random.default_rng(height).integers(0, np.iinfo(depth).max + 1, shape).astype(depth),
        photometric="rgb" if channels == 3 else "minisblack",
        byteorder=">",
        compression="zlib",
        rowsperstrip=strip_rows,
        extratags=[(274, "H", 1, orientation, True)],
        metadata=None,
    )
    facts = rendering.make_final(source, a_look(*look), source.with_name("final.tif"), seed=3, threads=threads)
    light, info = rendering.read_picture(source)
    assert (facts["width"], facts["height"]) == (info.width, info.height)
    prepared = looks.PreparedLook(a_look(*look), width=info.width, height=info.height, seed=3)
    expected = to_uint16(icc_profile.encode(prepared.rows(light, 0), facts["profile"]))
    assert np.array_equal(tifffile.imread(source.with_name("final.tif")), expected)


def test_a_raw_s_final_in_its_balance(tmp_path: Path) -> None:
    raw = tmp_path / "a.dng"
    mosaic = simulated_camera.expose(COLOURS, noise=False)
    simulated_camera.write_dng(raw, mosaic, CAPTURE)
    balance = Balance((1.5, 1.0, 2.0), 0.5)
    facts = rendering.make_final(raw, a_look(CURVE), tmp_path / "final.tif", seed=1, balance=balance)
    light = raw_rendering.render(raw, balance=balance)
    prepared = looks.PreparedLook(a_look(CURVE), width=light.shape[1], height=light.shape[0], seed=1)
    expected = to_uint16(icc_profile.encode(prepared.rows(light, 0), "ROMM RGB"))
    assert np.array_equal(tifffile.imread(tmp_path / "final.tif"), expected)
    plain = rendering.make_final(raw, a_look(CURVE), tmp_path / "plain.tif", seed=1)
    assert plain["sha256"] != facts["sha256"]


def test_of_a_balance_a_tiff_gets_the_exposure_alone(tmp_path: Path) -> None:
    tiff_picture.write_picture(tmp_path / "base.tif", COLOURS, "ROMM RGB")
    made = {
        name: rendering.make_final(
            tmp_path / "base.tif", a_look(*steps), tmp_path / f"{name}.tif", seed=1, balance=balance
        )
        for name, steps, balance in (
            ("balanced", [CURVE], Balance((2.0, 1.0, 1.4), 1.0)),
            ("brighter", [{"step": "exposure", "stops": 1.0}, CURVE], Balance()),
        )
    }
    assert made["balanced"] == made["brighter"]


def test_a_look_that_cannot_be_applied_leaves_nothing(tmp_path: Path) -> None:
    tiff_picture.write_picture(tmp_path / "base.tif", COLOURS, "ROMM RGB")
    with pytest.raises(DocumentError):
        rendering.make_final(tmp_path / "base.tif", a_look(GRAIN, CURVE), tmp_path / "final.tif", seed=1)
    assert [path.name for path in tmp_path.iterdir()] == ["base.tif"]


def test_grain_needs_its_seed_to_be_the_same(tmp_path: Path) -> None:
    tiff_picture.write_picture(tmp_path / "base.tif", COLOURS, "ROMM RGB")
    look = a_look(MONOCHROME, CURVE, GRAIN)
    one, two, other = (
        rendering.make_final(tmp_path / "base.tif", look, tmp_path / f"{index}.tif", seed=seed)
        for index, seed in enumerate((5, 5, 6))
    )
    assert one == two
    assert one["sha256"] != other["sha256"]


def test_no_final_of_what_does_not_decode(tmp_path: Path) -> None:
    (tmp_path / "a.tif").write_bytes(b"II*\0")
    with pytest.raises(FrameError):
        rendering.make_final(tmp_path / "a.tif", a_look(CURVE), tmp_path / "final.tif", seed=1)
    assert not (tmp_path / "final.tif").exists()


def test_the_kind_of_processor_does_not_change_a_final(tmp_path: Path) -> None:
    """A matrix product by BLAS rounds differently with each of its kernels; OPENBLAS_CORETYPE chooses one by hand."""
    code = (
        "import json, sys, pathlib, numpy as np\n"
        "from glassine.tasks.imaging.rendering import make_final\n"
        "from glassine.tasks.imaging.tiff_picture import write_picture\n"
        "folder = pathlib.Path(sys.argv[1])\n"
        "picture = np.random.Generator(np.random.Philox(3)).random((211, 307, 3), np.float32)\n"
        "write_picture(folder / 'base.tif', picture, 'ROMM RGB')\n"
        "look = json.loads(sys.argv[2])\n"
        "print(make_final(folder / 'base.tif', look, folder / 'final.tif', seed=1)['sha256'])\n"
    )
    look = json.dumps(a_look(MONOCHROME, CURVE, TONING, GRAIN))
    digests = set()
    for kernel in ("Prescott", "Haswell"):
        environment = {**os.environ, "OPENBLAS_CORETYPE": kernel}
        made = subprocess.run(
            [sys.executable, "-c", code, str(tmp_path), look],
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        )
        digests.add(made.stdout.strip())
    assert len(digests) == 1
