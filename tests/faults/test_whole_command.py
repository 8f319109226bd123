"""The `glassine` program itself, killed in the middle of a copy, and with its backup away."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.validation import Document

JOB = "2611-04"

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")


def command(studio: Studio, *words: str) -> list[str]:
    program = Path(sys.executable).with_name("glassine")
    return [str(program), *words, "--studio", str(studio.folder), "--by", "Imre Falk", "--json"]


def run(studio: Studio, *words: str) -> tuple[int, Document]:
    done = subprocess.run(command(studio, *words), capture_output=True, text=True, check=False, timeout=180)
    outcome: Document = json.loads(done.stdout)
    assert "Traceback" not in done.stderr
    return done.returncode, outcome


def test_killed_in_the_middle_of_a_copy_then_the_backup_away(opened: Studio, small_card: Path, tmp_path: Path) -> None:
    working, backup = (opened.folder.parent / "volumes" / name for name in ("working", "backup"))
    large = small_card / "DCIM" / "101SIMUL" / "SIMU0002.NEF"
    large.write_bytes(random.Random(1).randbytes(1 << 20) * 96)
    running = subprocess.Popen(
        command(opened, "ingest", JOB, str(small_card)),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # so that what it started can be ended with it
    )
    try:
        until = time.monotonic() + 120
        while max(_sizes_under_way(backup), default=0) <= 1 << 20:
            assert running.poll() is None, "it ended before it could be killed"
            assert time.monotonic() < until
            time.sleep(0.001)
        running.kill()
        assert running.wait() == -signal.SIGKILL
    finally:
        with suppress(ProcessLookupError):
            os.killpg(running.pid, signal.SIGKILL)
    assert 1 << 20 < max(_sizes_under_way(backup)) < large.stat().st_size  # it was in the middle
    assert check_chain(working / JOB) == []
    assert JobRecord(working / JOB).manifest().frames == []

    shutil.move(backup, tmp_path / "drawer")
    status, outcome = run(opened, "ingest", JOB, str(small_card))
    assert (status, outcome["status"], outcome["frames"]) == (3, 3, ["0001", "0002", "0003"])
    assert ["is absent" in problem for problem in outcome["problems"]] == [True]

    shutil.move(tmp_path / "drawer", backup)
    status, outcome = run(opened, "ingest", JOB, str(small_card))
    assert (status, outcome["frames"], outcome["owed_copies"], outcome["problems"]) == (0, [], 0, [])
    for folder in (working / JOB, backup / JOB):
        (copy,) = folder.rglob("SIMU0002.*.NEF")
        assert copy.read_bytes() == large.read_bytes()
    assert [len(frame["copies"]) for frame in JobRecord(working / JOB).manifest().frames] == [2, 2, 2]


def _sizes_under_way(backup: Path) -> list[int]:
    sizes = []
    for part in (backup / JOB / "originals").glob(".glassine-*.part"):
        with suppress(FileNotFoundError):
            sizes.append(part.stat().st_size)
    return sizes
