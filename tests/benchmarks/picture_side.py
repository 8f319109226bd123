"""Our side of `final`: a program of its own, so that its memory is its own.

Words: `final SOURCE LOOK OUT` or `grain LIGHT OUT`; prints {"seconds", "peak_memory_mb"} as JSON. LOOK is a file; LIGHT
and OUT of `grain` are files of libvips' own form.
"""

from __future__ import annotations

import json
import struct
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glassine.tasks.imaging.bands import band_slices, in_order
from glassine.tasks.imaging.grain import add_grain
from glassine.tasks.imaging.rendering import make_final
from tests.benchmarks.harness import peak_memory_mb

VIPS_HEADER_BYTES = 64
GRAIN = {"granularity": 17.0, "format_long_side_mm": 36.0, "clump_um": 6.0}
"""Of a fast film of 24 × 36 mm (common practice)."""
SEED = 7


def read_vips(path: Path) -> NDArray[np.float32]:
    """A plane of float32 of that form, mapped into memory."""
    with path.open("rb") as file:
        width, height = struct.unpack("<4xii", file.read(12))
    return np.memmap(path, np.float32, "r", VIPS_HEADER_BYTES, (height, width))


def time_final(source: str, look: str, out: str) -> float:
    """Seconds of one final."""
    formula = json.loads(Path(look).read_text("utf-8"))
    begin = time.perf_counter()
    make_final(Path(source), formula, Path(out), seed=SEED)
    return time.perf_counter() - begin


def time_grain(light: str, out: str) -> float:
    """Seconds in which grain is laid over a plane of light, from memory that is mapped to memory that is."""
    begin = time.perf_counter()
    plane = read_vips(Path(light))
    grained = np.memmap(out, np.float32, "w+", VIPS_HEADER_BYTES, plane.shape)

    def lay(rows: slice) -> None:
        grained[rows] = add_grain(plane[rows], **GRAIN, seed=SEED, long_side_px=max(plane.shape), top=rows.start)

    for _ in in_order(partial(lay, rows) for rows in band_slices(plane.shape[0])):
        pass
    with Path(light).open("rb") as head, Path(out).open("r+b") as file:
        file.write(head.read(VIPS_HEADER_BYTES))
    return time.perf_counter() - begin


def main(work: str, *words: str) -> None:
    """Do it once."""
    works: dict[str, Callable[..., float]] = {"final": time_final, "grain": time_grain}
    seconds = works[work](*words)
    sys.stdout.write(json.dumps({"seconds": seconds, "peak_memory_mb": peak_memory_mb()}) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
