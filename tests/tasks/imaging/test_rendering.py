"""Finals: the look's result, in the right profile, and the same bytes again."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import icc_profile, rendering, tiff_picture
from glassine.tasks.imaging import look as looks

RAMP = np.repeat(np.linspace(0.01, 0.9, 80, dtype=np.float32)[np.newaxis, :, np.newaxis], 60, axis=0)
COLOURS = np.ascontiguousarray(RAMP * np.array([1.0, 0.7, 0.4], np.float32))
CURVE = {"step": "tone_curve", "points": [[-8, -8], [0, 0], [2, 2]]}
MONOCHROME = {"step": "monochrome", "red": 0.5, "green": 0.4, "blue": 0.1}
TONING = {"step": "toning", "shadows": [2, 4], "lights": [0, 2]}
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
