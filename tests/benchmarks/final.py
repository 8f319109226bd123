"""Finals of 45 megapixels against the libvips command line doing the same steps; grain by itself; two finals' memory."""

from __future__ import annotations

import json
import math
import os
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import tifffile

from glassine.tasks.imaging import icc_profile, raw_rendering
from glassine.tasks.imaging import look as looks
from glassine.tasks.imaging.base_file import make_base
from glassine.tasks.imaging.bit_depth import every_integer, to_uint16
from glassine.tasks.imaging.grain import pixel_sigma_density
from tests.benchmarks.harness import Plan, Row, absent, alternate
from tests.benchmarks.picture_side import GRAIN, read_vips
from tests.benchmarks.picture_sides import (
    make_mosaic,
    run_commands,
    run_ours,
    run_ours_together,
    size_of,
    write_raw,
    write_vips,
)

GOAL = 1.0
GOAL_MB = 1500
WORK_BYTES = 2 * 10**9
STEPS: list[dict[str, Any]] = [
    {"step": "exposure", "stops": 0.5},
    {"step": "monochrome", "red": 0.35, "green": 0.55, "blue": 0.1},
    {
        "step": "tone_curve",
        "points": [
            [-9, -12],
            [-6, -7.1],
            [-4, -4.6],
            [-2, -2.1],
            [-1, -0.9],
            [0, 0.25],
            [1, 1.35],
            [2, 2.1],
            [4, 2.474],
        ],
    },
    {"step": "black_point", "lightness": 9},
    {"step": "white_point", "lightness": 97},
]
COMMANDS = [
    "vips maplut 'base.tif[access=sequential]' {fast}/light.v decode.v",
    "vips recomb {fast}/light.v {fast}/grey.v mix.mat",
    "vips math2_const {fast}/grey.v {fast}/root.v pow 0.5",
    "vips maplut {fast}/root.v 'peer.tif[compression=deflate,predictor=horizontal,profile=grey.icc{layout}]' tones.v",
]
"""The quickest way that was found with libvips 8.14 and whose picture is right. The tables are made beforehand:
decode.v is ROMM RGB's curve; mix.mat the channel weights times 65535²; tones.v all that follows the mix, exposure
included, for a square root of light of 0 to 65535. A square root, since a table has 65,536 places at most, and in linear
light the shadows would get too few of them."""
TILES = ",tile,tile-width=512,tile-height=512"
"""Tiles are packed by all threads, strips by one: 1.1 s against 3.4 s of the last command."""
GRAIN_COMMANDS = [
    "vips gaussnoise {fast}/noise.v {width} {height} --mean 0 --sigma {noise_sigma}",
    "vips gaussblur {fast}/noise.v {fast}/clumps.v {clump_px} --min-ampl 0.01",
    "vips math light.v {fast}/log.v log10",
    "vips linear {fast}/log.v {fast}/density.v -- -1 0",
    "vips math2_const {fast}/density.v {fast}/root.v pow 0.5",
    "vips multiply {fast}/clumps.v {fast}/root.v {fast}/deviation.v",
    "vips linear {fast}/log.v {fast}/mean.v {kept_mean} 0",
    "vips add {fast}/deviation.v {fast}/mean.v {fast}/grained.v",
    "vips math {fast}/grained.v peer.v exp10",
]
"""Density is the negative logarithm of light, its deviation goes with its root, and the mean light of a tone is kept:
10 ^ (deviation + kept_mean · log10 Y), where kept_mean is 1 + ln 10 / 2 · sigma²."""
ENVIRONMENT = {**os.environ, "VIPS_CONCURRENCY": "2"}


def run(plan: Plan) -> list[Row]:
    """A final, the grain alone, and two finals at once."""
    missing = absent(("vips",))
    width, height = size_of(plan)
    note = f"{width * height / 1e6:.1f} megapixels, 16-bit RGB in ROMM RGB to 16-bit grey with profile, whole processes"
    with (
        plan.work_folder(WORK_BYTES * width * height // 45_000_000) as folder,
        TemporaryDirectory(prefix="glassine-benchmark-", dir=_in_memory(folder)) as fast,
    ):
        raw = write_raw(folder / "raw.dng", make_mosaic(width, height))
        make_base(raw, folder / "base.tif")
        look = _prepare(folder)
        return [
            final_row(plan, folder, Path(fast), look, note, missing),
            grain_row(plan, folder, Path(fast), missing),
            memory_row(folder, look, raw, note),
        ]


def final_row(plan: Plan, folder: Path, fast: Path, look: Path, note: str, missing: str) -> Row:
    """All steps but grain, by turns with the peer's commands."""
    commands = [command.format(fast=fast, layout=TILES) for command in COMMANDS]
    measured: dict[str, Any] = {"peer_commands": [command.replace(str(fast), "$MEMORY") for command in commands]}
    peer = "vips, four commands, two threads, tables made beforehand, intermediate pictures in memory"
    if missing:
        return Row("final", GOAL, peer, [], [], missing, measured)
    ours = partial(run_ours, "final", folder / "base.tif", look, folder / "ours.tif")
    inside: list[float] = []
    times = alternate(lambda: _whole(ours(), inside), partial(run_commands, commands, folder, ENVIRONMENT), plan.runs)
    strips = [command.format(fast=fast, layout="") for command in COMMANDS]
    difference = np.abs(_samples(folder / "ours.tif") - _samples(folder / "peer.tif"))
    measured |= {
        "ours_inside_s": round(float(np.median(inside)), 3),
        "peer_in_strips_s": round(run_commands(strips, folder, ENVIRONMENT), 3),
        "largest_difference": int(difference.max()),
        "ours_mb": round((folder / "ours.tif").stat().st_size / 1e6, 1),
        "peer_in_strips_mb": round((folder / "peer.tif").stat().st_size / 1e6, 1),
    }
    return Row("final", GOAL, peer, *times, f"{note}; differs by {difference.max()} of 65,535 at most", measured)


def grain_row(plan: Plan, folder: Path, fast: Path, missing: str) -> Row:
    """Grain over a plane of light in float, from a file in memory to a file."""
    light = icc_profile.luminance(np.clip(raw_rendering.render(folder / "base.tif"), 1e-6, 1.0))
    write_vips(folder / "light.v", light)
    height, width = light.shape
    pitch_um = GRAIN["format_long_side_mm"] * 1000 / max(width, height)
    clump_px, sigma = (
        GRAIN["clump_um"] / pitch_um,
        pixel_sigma_density(GRAIN["granularity"], pitch_um, GRAIN["clump_um"]),
    )
    # Of white noise a Gaussian leaves 1 / (2 √π σ).
    values = {"fast": fast, "width": width, "height": height, "clump_px": f"{clump_px:.6g}"}
    values |= {
        "noise_sigma": f"{sigma * max(1.0, 2 * math.sqrt(math.pi) * clump_px):.6g}",
        "kept_mean": f"{1 + math.log(10) / 2 * sigma**2:.6g}",
    }
    commands = [command.format(**values) for command in GRAIN_COMMANDS]
    measured: dict[str, Any] = {"peer_commands": [command.replace(str(fast), "$MEMORY") for command in commands]}
    peer = "vips: noise, blur and the arithmetic of density, nine commands, two threads"
    if missing:
        return Row("grain", GOAL, peer, [], [], missing, measured)
    ours = partial(run_ours, "grain", folder / "light.v", folder / "ours.v")
    inside: list[float] = []
    times = alternate(lambda: _whole(ours(), inside), partial(run_commands, commands, folder, ENVIRONMENT), plan.runs)
    spread = [_density_spread(folder / name, folder / "light.v") for name in ("ours.v", "peer.v")]
    measured |= {
        "ours_inside_s": round(float(np.median(inside)), 3),
        "deviation_ours": round(spread[0], 4),
        "deviation_peer": round(spread[1], 4),
    }
    note = f"{width * height / 1e6:.1f} megapixels, one plane of float; deviation of density at 1.0: {spread[0]:.3f}, the peer's {spread[1]:.3f}"
    return Row("grain", GOAL, peer, *times, note, measured)


def memory_row(folder: Path, look: Path, raw: Path, note: str) -> Row:
    """Two finals at the same time, each in a process of its own: the sum of the most that each held."""
    peaks = {}
    for name, source in (("peak_mb", folder / "base.tif"), ("peak_from_raws_mb", raw)):
        told = run_ours_together([("final", source, look, folder / f"{number}.tif") for number in range(2)])
        peaks[name] = None if told[0]["peak_memory_mb"] is None else round(sum(one["peak_memory_mb"] for one in told))
    said = f"{peaks['peak_mb']} MB for both together (goal {GOAL_MB} MB); straight from raws {peaks['peak_from_raws_mb']} MB"
    return Row(
        "final, two at once", GOAL, "none: memory is measured", [], [], f"{said}; {note}", {**peaks, "goal_mb": GOAL_MB}
    )


def _in_memory(folder: Path) -> Path:
    """Where the peer's intermediate pictures cost the least."""
    memory = Path("/dev/shm")
    return memory if memory.is_dir() and os.access(memory, os.W_OK) else folder


def _prepare(folder: Path) -> Path:
    """The look, and the peer's tables for the same steps."""
    look = {"format": 1, "name": "bench", "purpose": "A benchmark.", "steps": STEPS}
    (folder / "look.json").write_text(json.dumps(look))
    write_vips(
        folder / "decode.v", icc_profile.SPACES["ROMM RGB"].curve.decode(every_integer(np.dtype(np.uint16)))[None]
    )
    weights = np.array([STEPS[1][channel] for channel in ("red", "green", "blue")])
    numbers = " ".join(f"{weight:.9g}" for weight in weights / weights.sum() * 65535.0**2)
    (folder / "mix.mat").write_text(f"3 1\n{numbers}\n")
    # A whole number stands for all roots that are cut off to it.
    roots = np.minimum(np.arange(65536, dtype=np.float32) + np.float32(0.5), 65535)
    grey = np.repeat(((roots / 65535) ** 2)[None, :, None], 3, axis=2)
    rendered = looks.apply(
        {**look, "steps": [{**STEPS[1], "red": 1, "green": 1, "blue": 1}, STEPS[0], *STEPS[2:]]}, grey, seed=0
    )
    write_vips(folder / "tones.v", to_uint16(icc_profile.encode(rendered[..., :1], "Grey gamma 2.2")))
    (folder / "grey.icc").write_bytes(icc_profile.profile_bytes("Grey gamma 2.2"))
    return folder / "look.json"


def _whole(told: dict[str, Any], inside: list[float]) -> float:
    inside.append(told["seconds"])
    return float(told["whole_s"])


def _samples(path: Path) -> np.ndarray[Any, np.dtype[np.int32]]:
    return np.asarray(tifffile.imread(path)).astype(np.int32)


def _density_spread(grained: Path, light: Path) -> float:
    """Standard deviation of density, brought to density 1.0, where neither black nor white is near."""
    before, after = (np.asarray(read_vips(path)) for path in (light, grained))
    middle = (before > 0.01) & (before < 0.6)
    change = np.log10(after[middle] / before[middle]) / np.sqrt(-np.log10(before[middle]))
    return float(change.std())
