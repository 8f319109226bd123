"""Run a piece of work on copies of a studio, and kill it at chosen steps; a program of its own, started by test_kill.py.

Words: a JSON document {"work": "ingest" or "repair", "runs": [[folder, step or null], ...]}. Each run is a forked
process (forking is quick, and this process has no threads), which kills itself by SIGKILL just before the step of
that number. A step is a call of `glassine.schemas.file_system`; of a block that is written, half is. The work has its
threads as ever, so that what the others were at when the step came is another thing each time. No signal handler,
`finally` or exit function runs; what was written stays in the system's memory (test_power_cut.py is about the rest).
Prints what came of each run, as JSON.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import ModuleType
from typing import IO, Any

from glassine.flows import ingest, verify
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import read_studio
from glassine.schemas import file_system
from glassine.tasks.custody import source_file, store

JOB = "2611-04"
BY = "Imre Falk"
STEPS = (
    "create",
    "flush",
    "flush_folder",
    "set_times",
    "set_attributes",
    "link",
    "rename",
    "replace",
    "remove",
    "rename_if_absent",
)
"""With `write` and `make_folder`, every call of the seam."""


def main(plan: dict[str, Any]) -> None:
    """Do every run of the plan, one after another."""
    print(json.dumps([run_once(plan["work"], Path(folder), step) for folder, step in plan["runs"]]))  # noqa: T201


def run_once(work: str, folder: Path, step: int | None) -> dict[str, Any]:
    """One run in a process of its own: the signal that ended it, or what it returned and the steps that it took."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            steps = count_steps(step)
            outcome = WORK[work](folder)
            os.write(writer, json.dumps({"steps": steps(), "problems": outcome}).encode())
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as stream:
        told = stream.read()
    _, status = os.waitpid(child, 0)
    return {"signal": os.WTERMSIG(status) if os.WIFSIGNALED(status) else None, **json.loads(told or b"{}")}


def count_steps(last: int | None) -> Callable[[], int]:
    """Count the calls that change files that must last, and be killed before number `last`."""
    count = 0
    lock = threading.Lock()

    def step() -> None:
        nonlocal count
        with lock:
            count += 1
            if count == last:
                os.kill(os.getpid(), signal.SIGKILL)

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*words: Any) -> Any:
            step()
            return real(*words)

        return call

    real_write, real_make_folder = file_system.write, file_system.make_folder

    def write(stream: IO[bytes], block: bytes) -> None:
        real_write(stream, block[: len(block) // 2])
        stream.flush()
        step()
        real_write(stream, block[len(block) // 2 :])

    def make_folder(folder: Path) -> None:
        if not folder.is_dir():
            step()
        real_make_folder(folder)

    for name in STEPS:
        replace(file_system, **{name: counted(getattr(file_system, name))})
    replace(file_system, write=write, make_folder=make_folder)
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
    for module in (source_file, store):
        replace(module, BLOCK_BYTES=4096)  # several blocks a file
    replace(ingest, BATCH_BYTES=12_000, run_batches=plain_batches)  # two entries, the second of two groups at once
    replace(verify, BATCH_BYTES=1, run_batches=plain_batches)
    main(json.loads(sys.stdin.read()))
