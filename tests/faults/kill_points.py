"""Run a piece of work on copies of a studio, and kill it at chosen steps; a program of its own, started by test_kill.py.

Words: a JSON document {"work": "ingest" or "repair", "runs": [[folder, step or null], ...]}. Each run is a forked
process (forking is quick, and this process has no threads), which kills itself by SIGKILL just before the step of
that number: an opening for writing, a block written (half of it is), a flush, a link, a rename, a removal, a new
folder. No signal handler, `finally` or exit function runs, as when the power of the computer fails, though what was
written stays in the system's memory. Prints what came of each run, as JSON.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

from glassine.flows import ingest, verify
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import read_studio
from glassine.tasks.custody import replication

JOB = "2611-04"
BY = "Imre Falk"


def main(plan: dict[str, Any]) -> None:
    """Do every run of the plan, one after another."""
    print(json.dumps([run_once(plan["work"], Path(folder), step) for folder, step in plan["runs"]]))  # noqa: T201


def run_once(work: str, folder: Path, step: int | None) -> dict[str, Any]:
    """One run in a process of its own: the signal that ended it, or what it returned and the steps that it took."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            steps = count_steps(folder, step)
            outcome = WORK[work](folder)
            os.write(writer, json.dumps({"steps": steps(), "problems": outcome}).encode())
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as stream:
        told = stream.read()
    _, status = os.waitpid(child, 0)
    return {"signal": os.WTERMSIG(status) if os.WIFSIGNALED(status) else None, **json.loads(told or b"{}")}


def count_steps(folder: Path, last: int | None) -> Callable[[], int]:
    """Count what changes files in a folder, and be killed before step `last`."""
    count = 0
    root = str(folder)

    def step() -> None:
        nonlocal count
        count += 1
        if count == last:
            os.kill(os.getpid(), signal.SIGKILL)

    def watch(event: str, words: tuple[Any, ...]) -> None:
        changes = event in {"os.link", "os.rename", "os.remove", "os.mkdir"} or (
            event == "open" and isinstance(words[2], int) and words[2] & (os.O_WRONLY | os.O_RDWR)
        )
        if changes and str(words[0]).startswith(root):
            step()

    real_flush, real_write = os.fsync, replication._write

    def flush(descriptor: int) -> None:
        step()
        real_flush(descriptor)

    def write(target: Any, block: bytes) -> None:
        target.stream.write(block[: len(block) // 2])
        target.stream.flush()
        step()
        real_write(target, block[len(block) // 2 :])

    replace(os, fsync=flush)
    replace(replication, _write=write)
    sys.addaudithook(watch)
    return lambda: count


def replace(module: ModuleType, **values: Any) -> None:
    """Give names of a module other values, in this process only."""
    for name, value in values.items():
        assert hasattr(module, name)
        setattr(module, name, value)


def plain_batches(name: str, work: Callable[[list[Any]], Any], batches: Iterable[list[Any]]) -> Iterator[Any]:
    """Batches without the flow engine, which would take seconds for each run."""
    return (work(batch) for batch in batches)


def run_ingest(folder: Path) -> list[str]:
    """Custody's part of an ingest, a batch for each group of files."""
    job = OpenJob(read_studio(folder / "studio"), JOB, BY)
    tally = ingest.Tally()
    ingest.take_in(job, [folder / "card"], None, tally)
    return tally.problems + job.finish()


def run_repair(folder: Path) -> list[str]:
    """A whole verify --repair."""
    outcome = verify.verify.fn(str(folder / "studio"), JOB, BY, repair=True)
    return [*outcome["problems"], *(bad["path"] for bad in outcome["bad"])]


WORK: dict[str, Callable[[Path], list[str]]] = {"ingest": run_ingest, "repair": run_repair}

if __name__ == "__main__":
    replace(replication, BLOCK_BYTES=4096)  # several blocks a file
    replace(ingest, BATCH_BYTES=1, run_batches=plain_batches)  # several entries a job
    replace(verify, BATCH_BYTES=1, run_batches=plain_batches)
    main(json.loads(sys.stdin.read()))
