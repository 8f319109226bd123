"""Taking a card in: read once, two copies, flushed, read back, recorded; against `cp`, `sync` and `openssl` in a script."""

from __future__ import annotations

import time
from collections import Counter
from pathlib import Path

from glassine.tasks.custody.medium import drop_cached_pages
from tests.benchmarks.custody_sides import files_below, hash_by_two_processes, make_card, remove, run_ours, run_together
from tests.benchmarks.harness import Plan, Row, absent, alternate, drop_caches

GOAL = 0.8
MEMORY_GOAL_MB = 300
PROGRAMS = ("cp", "sync", "openssl")
PEER = "cp -p to each of two volumes at once, sync, caches dropped, openssl dgst -sha256 of card and copies by two processes"


def run(plan: Plan) -> list[Row]:
    """Both sides by turns on one card, the card's caches dropped before each; then our memory for one large file."""
    with plan.work_folder(3 * plan.card_bytes) as folder:
        peak = measure_memory(folder, plan.card_bytes)
        missing = absent(PROGRAMS)
        times: tuple[list[float], list[float]] = ([], [])
        dropped = True
        if not missing:
            card = make_card(folder / "card", plan.files, plan.file_bytes)
            dropped = drop_caches(card)
            times = alternate(lambda: time_ours(folder, card), lambda: time_peer(folder, card), plan.runs)
    said = [
        missing or f"{plan.files} files of {plan.file_bytes / 1e6:g} MB",
        f"one file of {plan.card_bytes / 1e9:g} GB takes {peak} MB of memory (goal: under {MEMORY_GOAL_MB})",
        "" if dropped else "caches could not be dropped",
    ]
    measured = {
        "files": plan.files,
        "file_bytes": plan.file_bytes,
        "peak_memory_mb": peak,
        "peak_memory_goal_mb": MEMORY_GOAL_MB,
        "caches_dropped": "posix_fadvise" if dropped else "no",
    }
    return [Row("ingest", GOAL, PEER, *times, "; ".join(filter(None, said)), measured)]


def measure_memory(folder: Path, file_bytes: int) -> float | None:
    """Peak memory, in MB, of taking in one file as large as the whole card."""
    card = make_card(folder / "large", 1, file_bytes)
    peak: float | None = run_ours("ingest", folder / "ours", card)["peak_memory_mb"]
    remove(card, folder / "ours")
    return peak


def time_ours(folder: Path, card: Path) -> float:
    """Seconds of our side."""
    drop_caches(card)
    seconds: float = run_ours("ingest", folder / "ours", card)["seconds"]
    remove(folder / "ours")
    return seconds


def time_peer(folder: Path, card: Path) -> float:
    """Seconds of the script."""
    drop_caches(card)
    volumes = [folder / "script" / name for name in ("working", "backup")]
    for volume in volumes:
        volume.mkdir(parents=True)
    source = files_below(card)
    begin = time.perf_counter()
    run_together([["cp", "-p", *map(str, source), str(volume)] for volume in volumes])
    run_together([["sync"]])
    everything = files_below(card, *volumes)
    for path in everything:
        drop_cached_pages(path)
    found = Counter(hash_by_two_processes(everything))
    seconds = time.perf_counter() - begin
    if set(found.values()) != {3}:
        raise SystemExit("a copy of the script differs")
    remove(folder / "script")
    return seconds
