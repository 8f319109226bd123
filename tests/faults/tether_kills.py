"""Land bursts in the folder of a session and kill it midway; a program of its own, started by test_tether_kill.py.

Words: a JSON document {"studio", "folder", "files": folder of what is to land, "kills": how many, "seed"}. Each session
is a forked process (forking is quick, and this process has no threads), which is ended by SIGKILL at a random moment
while a part of the files lands, the last of them perhaps half written; its decoders end on their own. A last session is
ended in good order. Prints for each killed session how many frames were in custody, and what the last one returned.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from glassine.flows import tether
from glassine.flows.open_job import OpenJob
from glassine.flows.set_teller import Teller
from glassine.flows.studio import read_studio
from glassine.schemas.job_record import JobRecord
from glassine.tasks.custody import replication, source_file

JOB, BY = "2611-04", "Imre Falk"
KILLED_WITHIN_SECONDS, BETWEEN_SECONDS = 1.0, 0.05


def main(plan: dict[str, Any]) -> None:
    """Kill as often as it is asked, then let a session do the rest."""
    draw = random.Random(plan["seed"])
    studio, folder = Path(plan["studio"]), Path(plan["folder"])
    names = sorted(path for path in Path(plan["files"]).iterdir())
    seen = []
    for turn in range(plan["kills"]):
        child, said = begin(studio, folder)
        # Spread over the time in which frames land and are taken in, so that each part of it is met.
        moment = time.monotonic() + KILLED_WITHIN_SECONDS * (turn + draw.random()) / plan["kills"]
        share = names[turn :: plan["kills"]]
        for path in share:
            if time.monotonic() < moment:
                land(path, folder, moment)
                time.sleep(BETWEEN_SECONDS)
        time.sleep(max(0.0, moment - time.monotonic()))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(said)
        for path in share:  # the camera's program goes on
            if not (folder / path.name).exists() or (folder / path.name).stat().st_size < path.stat().st_size:
                (folder / path.name).write_bytes(path.read_bytes())
        seen.append(len(JobRecord(read_studio(studio).job_folder(JOB)).manifest().frames))
    child, said = begin(studio, folder)
    until = time.monotonic() + 120
    while len(proofed(studio)) < len(names) and time.monotonic() < until:
        time.sleep(0.1)
    os.kill(child, signal.SIGTERM)
    with os.fdopen(said, "rb") as stream:
        told = json.loads(stream.read())
    os.waitpid(child, 0)
    print(json.dumps({"seen": seen, "problems": told}))  # noqa: T201


def proofed(studio: Path) -> list[int]:
    """The frames that have their proof."""
    manifest = JobRecord(read_studio(studio).job_folder(JOB)).manifest()
    return [frame["frame"] for frame in manifest.frames if frame["proof"]]


def land(path: Path, folder: Path, moment: float) -> None:
    """Write a file as a tethering program does, block by block; it stops where it is when the moment has come."""
    content = path.read_bytes()
    with (folder / path.name).open("wb") as file:
        for at in range(0, len(content), 16384):
            file.write(content[at : at + 16384])
            file.flush()
            if time.monotonic() >= moment:
                return


def begin(studio: Path, folder: Path) -> tuple[int, int]:
    """Fork a session; its process, and a pipe with what it says at its end. Returns when it watches."""
    reader, writer = os.pipe()
    ready, begun = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reader)
            os.close(ready)
            job = OpenJob(read_studio(studio), JOB, BY)
            session = tether.TetherSession(job, folder, Told(begun))
            session.run(poll=False)
            problems = [*session.problems, *job.finish()]
            os.write(writer, json.dumps(problems).encode())
        finally:
            os._exit(0)
    os.close(writer)
    os.close(begun)
    os.read(ready, 1)
    os.close(ready)
    return child, reader


class Told(Teller):
    """Says when the session begins to watch, and nothing else."""

    def __init__(self, begun: int) -> None:
        super().__init__(as_json=True)
        self._begun = begun

    def _write(self, text: str) -> None:
        if "watching" in text:
            os.write(self._begun, b".")


def plain_batches(name: str, work: Callable[[list[Any]], Any], batches: Iterable[list[Any]]) -> Iterator[Any]:
    """Batches without the flow engine, which would take seconds for each session."""
    return (work(batch) for batch in batches)


if __name__ == "__main__":
    setattr(tether, "run_batches", plain_batches)  # noqa: B010 (mypy knows it under another type)
    for module in (replication, source_file):
        if hasattr(module, "BLOCK_BYTES"):
            setattr(module, "BLOCK_BYTES", 16384)  # noqa: B010 (several blocks a file)
    main(json.loads(sys.stdin.read()))
