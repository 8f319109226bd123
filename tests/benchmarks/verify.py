"""Reading both copies of a job again, against `openssl` on the same files."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from tests.benchmarks.custody_sides import files_below, hash_by_two_processes, make_card, remove, run_ours
from tests.benchmarks.harness import Plan, Row, absent, alternate, drop_caches

GOAL = 1.05
PEER = "openssl dgst -sha256 of the same files by two processes"


def run(plan: Plan) -> list[Row]:
    """Both sides by turns on the copies of one job, all caches dropped before each."""
    missing = absent(("openssl",))
    times: tuple[list[float], list[float]] = ([], [])
    measured: dict[str, Any] = {"files": plan.files, "file_bytes": plan.file_bytes}
    if missing:
        return [Row("verify", GOAL, PEER, *times, missing, measured)]
    with plan.work_folder(3 * plan.card_bytes) as folder:
        card = make_card(folder / "card", plan.files, plan.file_bytes)
        run_ours("ingest", folder / "ours", card)
        remove(card)
        volumes = folder / "ours" / "volumes"
        dropped = drop_caches(volumes)
        times = alternate(lambda: time_ours(folder / "ours"), lambda: time_peer(volumes), plan.runs)
    note = f"{plan.files} files of {plan.file_bytes / 1e6:g} MB, two copies each"
    measured |= {"caches_dropped": "posix_fadvise" if dropped else "no"}
    return [Row("verify", GOAL, PEER, *times, note if dropped else f"{note}; caches could not be dropped", measured)]


def time_ours(world: Path) -> float:
    """Seconds of our side: every copy read and compared, and the pass recorded."""
    drop_caches(world / "volumes")
    seconds: float = run_ours("verify", world)["seconds"]
    return seconds


def time_peer(volumes: Path) -> float:
    """Seconds of the script, which compares nothing."""
    drop_caches(volumes)
    copies = files_below(volumes)
    begin = time.perf_counter()
    hash_by_two_processes(copies)
    return time.perf_counter() - begin
