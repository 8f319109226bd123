"""What every test may use: the flow engine in a home of its own, a small studio, and a small simulated card.

Importing this sets Prefect's environment before anything imports Prefect. With pytest-xdist each worker is a process
of its own, so each has a home, a card and a flow engine of its own.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis.configuration import set_hypothesis_home_dir

from glassine.flows.prefect_environment import set_environment
from glassine.flows.studio import VARIABLE, Studio, make_studio

ROOT = Path(__file__).resolve().parent.parent

for _name in [name for name in os.environ if name.startswith("PREFECT_")] + [VARIABLE]:
    os.environ.pop(_name, None)  # nothing that a developer has set may reach a test
_HOME = tempfile.mkdtemp(prefix="glassine-tests-prefect-")
atexit.register(shutil.rmtree, _HOME, ignore_errors=True)
os.environ["PREFECT_HOME"] = _HOME
set_environment()

set_hypothesis_home_dir(ROOT / ".cache" / "hypothesis")
settings.register_profile(
    "glassine", deadline=None, max_examples=40, database=None, derandomize=bool(os.environ.get("CI"))
)
settings.load_profile("glassine")

CARD_SIZES = ((300, 200), (300, 200), (200, 300), (300, 200))
"""Width and height of the card's frames: the third is a portrait, taken with the camera turned."""


@pytest.fixture(scope="session")
def flow_engine() -> Iterator[None]:
    """Prefect's test server, entered once a session (measured: 8 s); flows run on it with `run_flow`."""
    from prefect.testing.utilities import prefect_test_harness

    with prefect_test_harness(server_startup_timeout=120):
        yield


@pytest.fixture(scope="session")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated card, to be read only: four frames (`CARD_SIZES`), a camera JPEG and an XMP sidecar beside the
    first, a rated sidecar beside the second, and a text file that is no picture."""
    from PIL import Image

    from glassine.tasks.handoff.xmp_sidecar import write_sidecar
    from glassine.tasks.imaging.simulated_camera import CaptureData, take_frame
    from glassine.tasks.imaging.simulated_scene import render_scene
    from glassine.tasks.imaging.simulated_set import Scene

    root = tmp_path_factory.mktemp("card")
    folder = root / "DCIM" / "100SIMUL"  # DCF (CIPA DC-009): three digits and five characters
    folder.mkdir(parents=True)
    begun = datetime(2026, 11, 24, 14, 3, 20, tzinfo=timezone(timedelta(hours=1)))
    for index, (width, height) in enumerate(CARD_SIZES):
        light = render_scene(replace(Scene(), seed=index), width, height)
        capture = CaptureData(counter=index + 1, taken=begun + timedelta(seconds=17 * index))
        take_frame(folder / f"SIMU{index + 1:04d}.DNG", light, capture, seed=index)
    Image.new("RGB", (150, 100), (118, 118, 118)).save(folder / "SIMU0001.JPG", "JPEG", quality=85)
    write_sidecar(folder / "SIMU0001.xmp", rating=0)
    write_sidecar(folder / "SIMU0002.xmp", rating=3)
    (root / "NOTES.TXT").write_text("Two set-ups; the second by the window.\n", encoding="utf-8")
    return root


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """A studio with a working volume and a backup, all in the test's own folder; the paths are relative, so the
    whole may be moved or copied."""
    volumes = [("working", "../volumes/working"), ("backup", "../volumes/backup")]
    return make_studio(tmp_path / "studio", volumes, name="Test Studio")
