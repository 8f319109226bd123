"""Verify and ingest without the flow engine, whose start takes seconds, on made-up bytes: custody looks at bytes only."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from glassine.flows import ingest, verify
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import Studio
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB, BY = "2611-04", "Imre Falk"


def card_of(root: Path, frames: int) -> Path:
    """A card with so many small files in two folders, and a text file."""
    made = random.Random(frames)
    for number in range(1, frames + 1):
        folder = root / "DCIM" / ("100SIMUL" if number <= (frames + 1) // 2 else "101SIMUL")
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"SIMU{number:04d}.DNG").write_bytes(made.randbytes(2000 + number))
    (root / "NOTES.TXT").write_bytes(made.randbytes(40))
    return root


def take_in(studio: Studio, card: Path) -> None:
    """Custody's part of an ingest."""
    with mock.patch.object(ingest, "run_batches", _plain_batches):
        job = OpenJob(studio, JOB, BY)
        tally = ingest.Tally()
        ingest.take_in(job, [card], None, tally)
        assert tally.problems + job.finish() == []


def plain_verify(studio: Studio, **words: Any) -> Document:
    """The whole flow."""
    with mock.patch.object(verify, "run_batches", _plain_batches):
        outcome: Document = verify.verify.fn(str(studio.folder), JOB, BY, **words)
        return outcome


def stop_plain_verify(studio: Studio, *, after: int, **words: Any) -> None:
    """The whole flow, interrupted from the keyboard when so many copies have been recorded, or before it ends."""
    real, said = OpenJob.say, 0

    def say(job: OpenJob, event: str, facts: Iterable[Document]) -> Manifest:
        nonlocal said
        known = list(facts)
        if any(fact["kind"] == "fixity_pass" for fact in known):
            raise KeyboardInterrupt
        result = real(job, event, known)
        said += sum(fact["kind"] == "read_back" for fact in known)
        if said >= after:
            raise KeyboardInterrupt
        return result

    small_batches, patched = mock.patch.object(verify, "BATCH_BYTES", 1), mock.patch.object(OpenJob, "say", say)
    with small_batches, patched, pytest.raises(KeyboardInterrupt):
        plain_verify(studio, **words)


def _plain_batches(name: str, work: Callable[[list[Any]], Any], batches: Iterable[list[Any]]) -> Iterator[Any]:
    return (work(batch) for batch in batches)
