"""SIGKILL while a burst lands: the next session takes in what was missed, and every frame is there once."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from glassine.flows.job_sheet import open_new_job
from glassine.flows.studio import Studio
from glassine.schemas.job_record import JobRecord, check_chain, read_heads
from glassine.schemas.validation import Document
from glassine.tasks.imaging.simulated_camera import CaptureData, write_dng

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL and fork")

JOB = "2611-04"
KILLS, FRAMES = 12, 48


def make_files(folder: Path, count: int) -> list[Path]:
    """Small raws, each another exposure of a ramp, of one body whose counter goes on."""
    folder.mkdir()
    ramp = np.linspace(2000, 9000, 256).astype(np.uint16)
    begun = datetime(2026, 11, 24, 14, 3, 20, tzinfo=UTC)
    for number in range(1, count + 1):
        mosaic = np.tile(ramp, (192, 1)) + np.uint16(number)
        capture = CaptureData(counter=number, taken=begun + timedelta(seconds=number))
        write_dng(folder / f"SIMU{number:04d}.DNG", mosaic, capture)
    return sorted(folder.iterdir())


@pytest.fixture
def shooting(studio: Studio, write_sheet: Callable[[Path], Path], tmp_path: Path) -> Studio:
    """The studio with a job open whose sheet names a look."""
    open_new_job(studio, JOB, write_sheet(tmp_path / "sheet.json"), title=None, client=None, by="Imre Falk")
    return studio


@pytest.fixture
def write_sheet() -> Callable[[Path], Path]:
    def write(path: Path) -> Path:
        sheet: Document = {"format": 1, "job": JOB, "title": "Makers", "client": "Sorrel Lane Instruments"}
        path.write_text(json.dumps({**sheet, "set_ups": [{"name": "bench"}], "preview_look": "hard-mono"}))
        return path

    return write


def test_killed_again_and_again_while_frames_land(shooting: Studio, tmp_path: Path) -> None:
    """Twelve kills; files half written when it happens are completed by the camera's program afterwards."""
    files = make_files(tmp_path / "files", FRAMES)
    incoming = tmp_path / "incoming"
    incoming.mkdir()
    plan = {"studio": str(shooting.folder), "folder": str(incoming), "files": str(tmp_path / "files")}
    program = [sys.executable, "-W", "error", str(Path(__file__).with_name("tether_kills.py"))]
    told = json.dumps({**plan, "kills": KILLS, "seed": 2611})
    done = subprocess.run(program, input=told, capture_output=True, text=True, check=False, timeout=500)
    assert done.returncode == 0, done.stderr
    outcome = json.loads(done.stdout)
    assert outcome["problems"] == []
    assert outcome["seen"] == sorted(outcome["seen"])
    landed = [FRAMES // KILLS * (turn + 1) for turn in range(KILLS)]
    missing = [count < so_far for count, so_far in zip(outcome["seen"], landed, strict=True)]
    assert outcome["seen"][-1] > 0
    assert any(missing)  # some kill came while frames had landed and were not in custody

    manifest = JobRecord(shooting.job_folder(JOB)).manifest()
    wanted = {hashlib.sha256(path.read_bytes()).hexdigest(): path.name for path in files}
    halves = [frame for frame in manifest.frames if frame["sha256"] not in wanted]
    assert halves == []
    assert {frame["sha256"]: frame["name"] for frame in manifest.frames} == wanted
    assert len(manifest.frames) == FRAMES
    volumes = [shooting.working_volume(), *shooting.backups()[0]]
    for frame in manifest.frames:
        assert (frame["set_up"], frame["identified"], frame["undecodable"]) == ("bench", True, None)
        assert {copy["volume"] for copy in frame["copies"]} == {volume.volume for volume in volumes}
        for volume in volumes:
            assert hashlib.sha256(volume.locate(JOB, frame["path"]).read_bytes()).hexdigest() == frame["sha256"]
        proof = shooting.job_folder(JOB) / frame["proof"]["path"]
        assert hashlib.sha256(proof.read_bytes()).hexdigest() == frame["proof"]["sha256"]
    assert check_chain(shooting.job_folder(JOB)) == []
    for volume in volumes:
        lying = [path for path in (volume.root / JOB / "originals").rglob("*") if path.is_file()]
        assert len(lying) == FRAMES
        assert list(volume.root.rglob(".glassine-*")) == []
        assert max(read_heads(volume.root / JOB / "heads")) == manifest.head
