"""Proofs of six raws of 45 megapixels without readings, against a script's way, and against LibRaw's developing alone."""

from __future__ import annotations

import json
import operator
import statistics
import subprocess
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import rawpy
from PIL import Image

from glassine.tasks.imaging.decoder_pool import DecoderPool
from glassine.tasks.imaging.proof import make_proof
from tests.benchmarks.harness import Plan, Row, absent, alternate
from tests.benchmarks.picture_sides import WIDTH, make_mosaic, size_of, write_raw
from tests.benchmarks.tether import compressed, with_counter

GOAL = 0.8
FRAMES, WORKERS, LONG_SIDE_PX = 6, 2, 1600
WORK_BYTES = 10**9
COMMAND = "dcraw_emu -h -w -Z - {raw} | convert - -resize {px}x{px} -quality 90 {out}"
"""Half size, the camera's white balance, 8 bits on the way, sRGB, brightened by content, colour at half size in the JPEG."""
PEER = "dcraw_emu -h piped to convert, two at a time"


def run(plan: Plan) -> list[Row]:
    """Raws that lie in the file as they are, and the same in lossless JPEG."""
    missing = absent(("dcraw_emu", "convert"))
    width, height = size_of(plan)
    with plan.work_folder(WORK_BYTES * width * height // 45_000_000) as folder:
        mosaic = make_mosaic(width, height)
        plain = write_raw(folder / "frame.dng", mosaic).read_bytes()
        kinds = {"proof, uncompressed": plain, "proof, lossless JPEG": compressed(folder / "packed.dng", mosaic)}
        task = Task([folder / f"{number}.dng" for number in range(1, FRAMES + 1)], round(LONG_SIDE_PX * width / WIDTH))
        note = f"{FRAMES} frames of {width * height / 1e6:.1f} megapixels, {WORKERS} workers that are warm"
        return [compare(name, content, task, plan.runs, missing, note) for name, content in kinds.items()]


@dataclass(frozen=True)
class Task:
    """The raws, and the long side of the proofs."""

    raws: list[Path]
    long_side_px: int


def compare(name: str, content: bytes, task: Task, runs: int, missing: str, note: str) -> Row:
    """Both by turns, and LibRaw alone after each of the peer's."""
    for number, raw in enumerate(task.raws, start=1):
        raw.write_bytes(with_counter(content, number))
    peer_command = COMMAND.format(raw="FRAME.dng", out="FRAME.jpg", px=task.long_side_px)
    measured: dict[str, Any] = {"frames": FRAMES, "file_bytes": len(content), "peer_commands": [peer_command]}
    if missing:
        return Row(name, GOAL, PEER, [], [], missing, measured)
    floor: list[float] = []

    def peer() -> float:
        seconds = time_peer(task)
        floor.append(time_floor(task))
        return seconds

    with warm_pool(task) as pool:
        ours_s, peer_s = alternate(lambda: time_ours(pool, task), peer, runs)
    floor = floor[1:]
    share = statistics.median(one / ours for one, ours in zip(floor, ours_s, strict=True))
    measured |= {"floor_s": round(statistics.median(floor), 3), "floor_share": round(share, 3)}
    measured["floor"] = "LibRaw's developing at half size, 16 bits, two threads"
    check_pictures(task)
    said = f"{note}; LibRaw alone takes {measured['floor_s']:.2f} s, {100 * share:.0f} % of ours"
    return Row(name, GOAL, PEER, ours_s, peer_s, said, measured)


@contextmanager
def warm_pool(task: Task) -> Iterator[DecoderPool]:
    """Two workers as `glassine proof` has them, which have made a proof already: a shoot has hundreds."""
    with DecoderPool(WORKERS) as pool:
        time_ours(pool, task)
        yield pool


def time_ours(pool: DecoderPool, task: Task) -> float:
    """Seconds of our proofs: with strip, number, profile, put in place and flushed."""
    look = json.loads((files("glassine.config") / "looks" / "hard-mono.json").read_text("utf-8"))
    picture_only: dict[str, Any] = {"long_side_px": task.long_side_px, "take_reading": False}
    calls = [
        (partial(make_proof, raw, look, raw.with_name(f"{raw.stem}-ours.jpg"), "0001", **picture_only),)
        for raw in task.raws
    ]
    begin = time.perf_counter()
    for outcome in pool.run(operator.call, calls):
        if outcome.failure:
            raise SystemExit(outcome.failure)
    return time.perf_counter() - begin


def time_peer(task: Task) -> float:
    """Seconds of the script, two frames at a time."""
    commands = [
        COMMAND.format(raw=raw, out=raw.with_name(f"{raw.stem}-peer.jpg"), px=task.long_side_px) for raw in task.raws
    ]
    begin = time.perf_counter()
    with ThreadPoolExecutor(WORKERS) as threads:
        list(threads.map(lambda command: subprocess.run(["sh", "-c", command], check=True), commands))
    return time.perf_counter() - begin


def time_floor(task: Task) -> float:
    """Seconds of what nobody can do without: LibRaw, at half size and with 16 bits, its picture thrown away."""

    def develop(raw: Path) -> None:
        with rawpy.imread(str(raw)) as opened:
            opened.postprocess(
                half_size=True,
                use_camera_wb=True,
                output_color=rawpy.ColorSpace.ProPhoto,
                gamma=(1, 1),
                output_bps=16,
                no_auto_bright=True,
            )

    begin = time.perf_counter()
    with ThreadPoolExecutor(WORKERS) as threads:
        list(threads.map(develop, task.raws))
    return time.perf_counter() - begin


def check_pictures(task: Task) -> None:
    """Both sides have made pictures of one size."""
    for raw in task.raws:
        widths = []
        for side in ("ours", "peer"):
            with Image.open(raw.with_name(f"{raw.stem}-{side}.jpg")) as made:
                widths.append(made.width)
        if widths != [task.long_side_px] * 2:
            raise SystemExit(f"{raw.name}: ours is {widths[0]} px wide, the peer's {widths[1]}")
