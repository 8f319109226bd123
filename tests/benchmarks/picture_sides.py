"""What `proof` and `final` share: a picture of 45 megapixels, our side as a program, and programs run and timed."""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from glassine.tasks.imaging.simulated_camera import CaptureData, expose, write_dng
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_set import Scene
from tests.benchmarks.harness import CHECKOUT, Plan
from tests.benchmarks.picture_side import VIPS_HEADER_BYTES

WIDTH, HEIGHT = 8192, 5464
"""45 megapixels, as the largest of today's small cameras have (common practice)."""
_VIPS_FORMATS = {"uint16": 2, "float32": 6}


def size_of(plan: Plan) -> tuple[int, int]:
    """Width and height of the pictures: an eighth of each side for a quick look."""
    return (WIDTH, HEIGHT) if plan.files >= 100 else (WIDTH // 8, HEIGHT // 8 // 2 * 2)


def make_mosaic(width: int, height: int) -> NDArray[np.uint16]:
    """An exposure: a scene drawn small and enlarged, with the noise of every photosite its own."""
    light = render_scene(Scene(), width // 4, height // 4)
    planes = [
        Image.fromarray(np.ascontiguousarray(light[..., c])).resize((width, height), Image.Resampling.BICUBIC)
        for c in range(3)
    ]
    return expose(np.maximum(np.stack([np.asarray(plane) for plane in planes], axis=-1), 0))


def write_raw(path: Path, mosaic: NDArray[np.uint16], counter: int = 1) -> Path:
    """An uncompressed DNG of 16 bits a photosite."""
    write_dng(path, mosaic, CaptureData(counter=counter, taken=datetime(2026, 11, 24, 14, 3, 20, tzinfo=UTC)))
    return path


def write_vips(path: Path, plane: NDArray[Any]) -> Path:
    """One plane as an image of libvips' own form (its documentation, `vips file format`), which it maps into memory."""
    height, width = plane.shape
    kind = _VIPS_FORMATS[plane.dtype.name]
    head = struct.pack("<Iiiiiiiiff6i", 0x08F2A6B6, width, height, 1, 0, kind, 0, 1, 1.0, 1.0, 0, 0, 0, 0, 0, 0)
    with path.open("wb") as file:
        file.write(head.ljust(VIPS_HEADER_BYTES, b"\0"))
        file.write(np.ascontiguousarray(plane).data)
    return path


def run_ours(*words: str | Path) -> dict[str, Any]:
    """One run of our side; what it printed, and "whole_s": of the whole process, the interpreter's start included."""
    return run_ours_together([words])[0]


def run_ours_together(calls: list[tuple[str | Path, ...]]) -> list[dict[str, Any]]:
    """Runs of our side at the same time."""
    begin = time.perf_counter()
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.picture_side", *map(str, words)],
            cwd=CHECKOUT,
            stdout=subprocess.PIPE,
            text=True,
        )
        for words in calls
    ]
    told: list[dict[str, Any]] = []
    try:
        for process in running:
            printed, _ = process.communicate()
            if process.returncode:
                raise SystemExit(f"{' '.join(map(str, calls[len(told)]))} failed")
            told.append({**json.loads(printed), "whole_s": time.perf_counter() - begin})
    finally:
        for process in running:
            process.kill()
            process.wait()
    return told


def run_commands(commands: list[str], folder: Path, env: dict[str, str]) -> float:
    """Seconds of shell commands, one after the other in a folder; the first that fails ends the benchmark."""
    begin = time.perf_counter()
    for command in commands:
        subprocess.run(["sh", "-c", command], cwd=folder, env=env, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begin
