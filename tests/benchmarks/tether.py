"""How long after the last write to its file a frame of 24 megapixels has its proof, by the whole command `tether`."""

from __future__ import annotations

import json
import signal
import struct
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from shutil import rmtree
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from glassine.flows.job_sheet import open_new_job
from glassine.flows.studio import Studio, make_studio
from glassine.tasks.imaging.simulated_camera import BLACK_LEVEL, WHITE_LEVEL, CaptureData, expose, write_dng
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_set import Scene
from tests.benchmarks.harness import Plan, Row

FRAMES, SECONDS_BETWEEN, GOAL_SECONDS = 30, 2.0, 1.0
BURST, BURST_SECONDS = 30, 0.2
WIDTH, HEIGHT = 6000, 4000
TILE_PX, BLOCK_BYTES = 512, 1 << 20
WORK_BYTES = 10 * 10**9
JOB, BY = "2611-04", "Imre Falk"
COUNTER = struct.pack("<HHI", 37393, 4, 1)
"""The entry of the counter in the file: so each frame is another."""
GLASSINE = [sys.executable, "-c", "from glassine.flows.cli import main; raise SystemExit(main())"]


def run(plan: Plan) -> list[Row]:
    """The 95th percentile of each run against a second, for two kinds of raw; and what became of a burst."""
    frames = 10 if plan.files < 100 else FRAMES
    with plan.work_folder(WORK_BYTES) as folder:
        mosaic = make_mosaic()
        kinds = {
            "tether, uncompressed": uncompressed(folder / "raw.dng", mosaic),
            "tether, lossless JPEG": compressed(folder / "packed.dng", mosaic),
        }
        return [compare(name, content, folder, frames, plan.runs) for name, content in kinds.items()]


def compare(name: str, content: bytes, folder: Path, frames: int, runs: int) -> Row:
    """One frame every two seconds, so often; then a burst."""
    waits = [session(folder, content, frames, SECONDS_BETWEEN) for _ in range(runs)]
    burst = session(folder, content, BURST, BURST_SECONDS)
    ours = [float(np.percentile(wait, 95)) for wait in waits]
    every = np.concatenate(waits)
    told: dict[str, Any] = {
        "frames": frames,
        "file_bytes": len(content),
        "p50_s": round(float(np.median(every)), 3),
        "longest_s": round(float(every.max()), 3),
        "burst_last_s": round(float(burst.max()), 3),
    }
    note = f"95th percentile of {frames} frames of 24 megapixels, from the last write to the committed proof"
    return Row(name, 1.0, "the goal, one second", ours, [GOAL_SECONDS] * runs, note, told)


def session(root: Path, content: bytes, frames: int, between: float) -> NDArray[np.float64]:
    """Seconds for each frame of one session of the command; its studio is removed."""
    place = root / "session"
    studio, incoming = open_studio(place), place / "incoming"
    incoming.mkdir()
    words = ["tether", JOB, str(incoming), "--studio", str(studio.folder), "--by", BY, "--json"]
    with subprocess.Popen([*GLASSINE, *words], stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        running.stdout.readline()
        time.sleep(10)  # until its decoders are warm
        for number in range(1, frames + 1):
            begun = time.monotonic()
            land(incoming / f"SIMU{number:04d}.DNG", with_counter(content, number))
            time.sleep(max(0.0, between - (time.monotonic() - begun)))
        seconds: list[float] = []
        while len(seconds) < frames:
            line = json.loads(running.stdout.readline())
            seconds += [line["seconds"]] if "seconds" in line else []
        running.send_signal(signal.SIGINT)
        *_, last = running.stdout
    if running.returncode or json.loads(last)["owed_copies"]:
        raise SystemExit(last)
    rmtree(place)
    return np.array(seconds)


def open_studio(place: Path) -> Studio:
    """A studio with a working volume and a backup, and a job with a look for its proofs."""
    studio = make_studio(place / "studio", [("working", str(place / "w")), ("backup", str(place / "b"))])
    sheet = {"format": 1, "job": JOB, "title": "Makers", "client": "Sorrel Lane Instruments"}
    path = place / "sheet.json"
    path.write_text(json.dumps({**sheet, "set_ups": [{"name": "bench"}], "preview_look": "hard-mono"}))
    open_new_job(studio, JOB, path, title=None, client=None, by=BY)
    return studio


def land(path: Path, content: bytes) -> None:
    """Write a file as a tethering program does, block by block."""
    with path.open("wb", buffering=0) as file:
        for at in range(0, len(content), BLOCK_BYTES):
            file.write(content[at : at + BLOCK_BYTES])


def with_counter(content: bytes, number: int) -> bytes:
    """The same frame with another counter."""
    at = content.index(COUNTER) + len(COUNTER)
    return content[:at] + struct.pack("<I", number) + content[at + 4 :]


def make_mosaic() -> NDArray[np.uint16]:
    """An exposure of 24 megapixels: a scene drawn small and enlarged, with the noise of every photosite its own."""
    light = render_scene(Scene(), WIDTH // 4, HEIGHT // 4)
    planes = [
        Image.fromarray(np.ascontiguousarray(light[..., c])).resize((WIDTH, HEIGHT), Image.Resampling.BICUBIC)
        for c in range(3)
    ]
    return expose(np.maximum(np.stack([np.asarray(plane) for plane in planes], axis=-1), 0))


def uncompressed(path: Path, mosaic: NDArray[np.uint16]) -> bytes:
    """A DNG of 16 bits a photosite, without compression."""
    write_dng(path, mosaic, CaptureData(counter=1, taken=datetime(2026, 11, 24, 14, 3, 20, tzinfo=UTC)))
    return path.read_bytes()


def compressed(path: Path, mosaic: NDArray[np.uint16]) -> bytes:
    """A DNG of lossless JPEG tiles (ISO/IEC 10918-1, annex H), with nothing but what its specification demands."""
    identity = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)
    tags = [
        (37393, "I", 1, 1, True),  # ImageNumber
        (50706, "B", 4, (1, 4, 0, 0), True),  # DNGVersion
        (50707, "B", 4, (1, 1, 0, 0), True),  # DNGBackwardVersion
        (50708, "s", 0, "Glassine Simulated Camera", True),
        (33421, "H", 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, "B", 4, (0, 1, 1, 2), True),  # CFAPattern
        (50714, "H", 1, BLACK_LEVEL, True),
        (50717, "H", 1, WHITE_LEVEL, True),
        (50721, "2i", 9, identity, True),  # ColorMatrix1
        (50728, "2I", 3, (1, 2, 1, 1, 5, 8), True),  # AsShotNeutral
        (50778, "H", 1, 21, True),  # CalibrationIlluminant1: D65
    ]
    height, width = mosaic.shape
    whole = np.pad(mosaic, ((0, -height % TILE_PX), (0, -width % TILE_PX)), mode="edge")
    tiles = (
        bytes(imagecodecs.ljpeg_encode(np.ascontiguousarray(whole[y : y + TILE_PX, x : x + TILE_PX]), bitspersample=14))
        for y in range(0, height, TILE_PX)
        for x in range(0, width, TILE_PX)
    )
    tifffile.imwrite(
        path,
        data=tiles,
        shape=mosaic.shape,
        dtype=np.uint16,
        photometric=32803,
        compression=7,
        tile=(TILE_PX, TILE_PX),
        extratags=tags,
        metadata=None,
        subfiletype=0,
    )
    return path.read_bytes()
