"""What `ingest` and `verify` share: a card of random bytes, our side as a program, and what a technician would script."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.benchmarks.harness import CHECKOUT

PIECE = 4 * 2**20


def make_card(root: Path, files: int, file_bytes: int) -> Path:
    """A card of random bytes, which no file system can store in less."""
    folder = root / "DCIM" / "100BENCH"
    folder.mkdir(parents=True)
    for number in range(1, files + 1):
        with (folder / f"BENC{number:04d}.DNG").open("wb") as stream:
            for begin in range(0, file_bytes, PIECE):
                stream.write(os.urandom(min(PIECE, file_bytes - begin)))
    return root


def run_ours(*words: str | Path) -> dict[str, Any]:
    """One run of our side; what it printed."""
    call = [sys.executable, "-m", "tests.benchmarks.our_side", *map(str, words)]
    done = subprocess.run(call, cwd=CHECKOUT, stdout=subprocess.PIPE, text=True, check=True)
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def files_below(*folders: Path) -> list[Path]:
    """Every frame below some folders, in order."""
    return sorted(path for folder in folders for path in folder.rglob("BENC*.DNG"))


def run_together(calls: list[list[str]]) -> list[str]:
    """Run programs at the same time; what each printed. None outlives an interrupted benchmark."""
    running = [subprocess.Popen(call, stdout=subprocess.PIPE, text=True) for call in calls]
    try:
        told = [process.communicate()[0] for process in running]
    finally:
        for process in running:
            process.kill()
            process.wait()
    for call, process in zip(calls, running, strict=True):
        if process.returncode:
            raise SystemExit(f"{call[0]} failed")
    return told


def hash_by_two_processes(files: list[Path]) -> list[str]:
    """SHA-256 of files as a script would have it made: `openssl dgst`, the files dealt out to two processes."""
    calls = [["openssl", "dgst", "-sha256", *map(str, files[half::2])] for half in range(2) if files[half::2]]
    return [line.rpartition("= ")[2] for told in run_together(calls) for line in told.splitlines()]


def remove(*folders: Path) -> None:
    """Take a run's folders away, and let the disk come to rest."""
    for folder in folders:
        shutil.rmtree(folder)
    if hasattr(os, "sync"):
        os.sync()
