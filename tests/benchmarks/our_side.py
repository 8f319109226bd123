"""Our side of `ingest` and `verify`: a program of its own, so that its memory is its own.

Words: `ingest WORLD CARD` or `verify WORLD`; prints {"seconds", "peak_memory_mb"} as JSON. The whole of the engine and
the record, without the flow engine, whose start takes seconds whatever the work.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from glassine.flows import ingest, verify
from glassine.flows.job_sheet import open_new_job
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import make_studio, read_studio
from tests.benchmarks.harness import peak_memory_mb

JOB, BY = "2611-04", "Imre Falk"
VOLUMES = ("working", "backup")


def plain_batches(name: str, work: Callable[[list[Any]], Any], batches: Iterable[list[Any]]) -> Iterator[Any]:
    """Batches without the flow engine."""
    return (work(batch) for batch in batches)


def time_ingest(world: Path, card: Path) -> float:
    """Seconds in which a card comes into a new job's custody on two volumes, its record and heads included."""
    made = make_studio(world / "studio", [(name, f"../volumes/{name}") for name in VOLUMES])
    open_new_job(made, JOB, None, title="Bench", client="Sorrel Lane Instruments", by=BY)
    vars(ingest).update(run_batches=plain_batches)
    begin = time.perf_counter()
    job = OpenJob(read_studio(made.folder), JOB, BY)
    tally = ingest.Tally()
    ingest.take_in(job, [card], None, tally)
    problems = tally.problems + job.finish()
    seconds = time.perf_counter() - begin
    copies = [copy for _, holder in job.manifest.every_file() for copy in holder["copies"]]
    files = sum(path.is_file() for path in card.rglob("*"))
    if problems or sum(copy["outcome"] == "whole" for copy in copies) < len(VOLUMES) * files:
        raise SystemExit(f"not everything came into custody: {problems}")
    return seconds


def time_verify(world: Path) -> float:
    """Seconds in which every copy is read again and compared, and the pass recorded."""
    vars(verify).update(run_batches=plain_batches)
    begin = time.perf_counter()
    outcome = verify.verify.fn(str(world / "studio"), JOB, BY)
    seconds = time.perf_counter() - begin
    if outcome["status"] or outcome["read"] < outcome["copies"]:
        raise SystemExit(f"not every copy was read as whole: {outcome}")
    return seconds


def main(work: str, world: str, *rest: str) -> None:
    """Do it once."""
    seconds = time_ingest(Path(world), Path(rest[0])) if work == "ingest" else time_verify(Path(world))
    sys.stdout.write(json.dumps({"seconds": seconds, "peak_memory_mb": peak_memory_mb()}) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
