"""SIGKILL at every step: nothing is lost, nothing half bears a name, and the next run finishes the work."""

from __future__ import annotations

import json
import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.durable_file import TEMPORARY_PREFIX
from glassine.schemas.job_record import read_heads
from glassine.schemas.manifest import Manifest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL and fork")

JOB = "2611-04"
VOLUMES = ("working", "backup")
MORE_KILLS = 40
"""Steps of an ingest at which it is killed once more, its threads being elsewhere: more than 220 kills in all."""


def drive(work: str, runs: list[tuple[Path, int | None]]) -> list[dict[str, Any]]:
    plan = {"work": work, "runs": [[str(folder), step] for folder, step in runs]}
    program = [sys.executable, "-W", "error", str(Path(__file__).with_name("kill_points.py"))]
    done = subprocess.run(program, input=json.dumps(plan), capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    outcome: list[dict[str, Any]] = json.loads(done.stdout)
    return outcome


def job_folders(world: Path) -> list[Path]:
    return [world / "volumes" / name / JOB for name in VOLUMES]


def copies_of(world: Path, steps: list[int], into: Path) -> list[tuple[Path, int | None]]:
    """A copy of a world for each step at which work in it is to be killed."""
    return [
        (Path(shutil.copytree(world, into / f"{number:03d}", copy_function=shutil.copy2)), step)
        for number, step in enumerate(steps)
    ]


def kill(work: str, worlds: list[tuple[Path, int | None]]) -> None:
    """Kill the work in each world; where its threads took fewer steps this time it may have come to its end."""
    killed = [run["signal"] for run in drive(work, worlds)]
    assert set(killed) <= {signal.SIGKILL, None}
    assert killed.count(signal.SIGKILL) >= len(worlds) - 5


def check_settled(
    world: Path, check_custody: Callable[..., Manifest], original: Path, snapshot: Callable[..., dict[str, Any]]
) -> None:
    """The card is as it was, everything is on both volumes, so is the record with its head, and nothing else lies there."""
    manifest = check_custody(job_folders(world), world / "card")
    assert snapshot(world / "card") == snapshot(original / "card")
    entries = [sorted((folder / "record").glob("*.json")) for folder in job_folders(world)]
    assert [path.name for path in entries[0]] == [path.name for path in entries[1]]
    assert [path.read_bytes() for path in entries[0]] == [path.read_bytes() for path in entries[1]]
    for folder in job_folders(world):
        assert max(read_heads(folder / "heads")) == manifest.head
    assert list((world / "volumes").rglob(f"{TEMPORARY_PREFIX}*")) == []


def test_ingest_killed_at_every_step(
    memory: Path,
    make_world: Callable[[Path], Path],
    check_custody: Callable[..., Manifest],
    snapshot: Callable[..., dict[str, Any]],
) -> None:
    original = make_world(memory / "ingest" / "original")
    counted = Path(shutil.copytree(original, memory / "ingest" / "counted"))
    (told,) = drive("ingest", [(counted, None)])
    assert told["problems"] == []
    every = range(1, told["steps"] + 1)
    assert len(every) > 100
    check_settled(counted, check_custody, original, snapshot)

    steps = [*every, *random.Random(2611).choices(every, k=MORE_KILLS)]
    killed = copies_of(original, steps, memory / "ingest")
    worlds = [world for world, _ in killed]
    kill("ingest", killed)
    frames_seen = {len(check_custody(job_folders(w), w / "card", whole=False).frames) for w in worlds}
    assert frames_seen == {0, 1, 2}

    again = drive("ingest", [(world, None) for world in worlds])
    assert [run["problems"] for run in again] == [[]] * len(steps)
    for world in worlds:
        check_settled(world, check_custody, original, snapshot)

    before = [snapshot(world / "volumes") for world in worlds]
    once_more = drive("ingest", [(world, None) for world in worlds])
    assert [run["problems"] for run in once_more] == [[]] * len(steps)
    assert [snapshot(world / "volumes") for world in worlds] == before


def test_verify_with_repair_killed_at_every_step(
    memory: Path,
    make_world: Callable[[Path], Path],
    check_custody: Callable[..., Manifest],
    snapshot: Callable[..., dict[str, Any]],
) -> None:
    original = make_world(memory / "repair" / "original")
    drive("ingest", [(original, None)])
    working, backup = job_folders(original)
    rotten = next((working / "originals" / "100SIMUL").glob("*.DNG"))
    bad_bytes = rotten.read_bytes()[:-1] + b"\0"
    rotten.write_bytes(bad_bytes)
    next((backup / "originals" / "101SIMUL").glob("*.NEF")).unlink()

    counted = Path(shutil.copytree(original, memory / "repair" / "counted"))
    (told,) = drive("repair", [(counted, None)])
    assert told["problems"] == []
    steps = list(range(1, told["steps"] + 1))
    assert len(steps) > 40
    killed = copies_of(original, steps, memory / "repair")
    worlds = [world for world, _ in killed]
    kill("repair", killed)
    good = [path.relative_to(original) for path in (original / "volumes").glob(f"*/{JOB}/originals/*/*")]
    good.remove(rotten.relative_to(original))
    for world in worlds:  # whatever was whole before is whole, and the bad bytes are somewhere
        for path in good:
            assert (world / path).read_bytes() == (original / path).read_bytes()
        kept = [path.read_bytes() for path in job_folders(world)[0].rglob("*.DNG*") if path.is_file()]
        assert bad_bytes in kept

    again = drive("repair", [(world, None) for world in worlds])
    assert [run["problems"] for run in again] == [[]] * len(steps)
    for world in worlds:
        check_settled(world, check_custody, original, snapshot)
        aside = [path for path in (job_folders(world)[0] / "aside").rglob("*") if path.is_file()]
        assert [path.read_bytes() for path in aside] == [bad_bytes]
