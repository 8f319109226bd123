"""What the tests of the record share."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from glassine.schemas.entry import canonical_bytes
from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import Occasion
from glassine.schemas.job_record import JobRecord, create_job
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People
from tests.schemas.facts_of_each_kind import AT, JOB, PHOTOGRAPHER, RETOUCHER, Batch, Fact, a_fact, adoptions, shipped
from tests.schemas.story import the_balanced_batches, the_batches, the_later_batches, the_shoot_batches


@pytest.fixture(scope="session")
def fact() -> Callable[..., Fact]:
    """A fact of a kind, about frame 1 unless told otherwise."""
    return a_fact


@pytest.fixture(scope="session")
def sheet_facts() -> list[Fact]:
    """The facts that adopt the job sheet and what it names."""
    return adoptions()


@pytest.fixture(scope="session")
def batches() -> list[Batch]:
    """A small job told in facts of all kinds."""
    told = the_batches, the_later_batches, the_shoot_batches, the_balanced_batches
    return [batch for tell in told for batch in tell(PHOTOGRAPHER, RETOUCHER)]


@pytest.fixture(scope="session")
def fold() -> Callable[[Iterable[Fact]], Manifest]:
    """The manifest after some facts, with the job's own fact before them."""

    def fold_facts(facts: Iterable[Fact]) -> Manifest:
        manifest = Manifest()
        for each in (a_fact("job"), *facts):
            apply_fact(manifest, json.loads(json.dumps(each)), Occasion(AT, PHOTOGRAPHER))
        return manifest.compute()

    return fold_facts


@pytest.fixture(scope="session")
def make_job() -> Callable[[Path, list[Batch]], JobRecord]:
    """A job in a folder, with an entry for each batch."""

    def make(folder: Path, told: list[Batch]) -> JobRecord:
        record = create_job(folder, JOB, by="Imre Falk")
        for count, (event, facts) in enumerate(told):
            at = f"2026-11-25T10:{count // 60:02d}:{count % 60:02d}.000000Z"
            record.commit(lambda _, facts=facts: facts, by=PHOTOGRAPHER, event=event, at=at)  # type: ignore[misc]
        return record

    return make


def write_fixture(folder: Path) -> None:
    """Make `fixtures/record_format_1_fold_4` anew; README.md there says when (never, once it is committed)."""
    job = folder / "job"
    job.mkdir(parents=True)
    (job / "people.json").write_bytes(canonical_bytes({"format": 1, "salt": "0f" * 16, "people": {}}))
    people = People(job / "people.json")
    photographer, retoucher = people.person_of("Imre Falk"), people.person_of("Noa Lind")
    record = JobRecord(job)
    told: list[Batch] = [("accession", [a_fact("job")]), *the_batches(photographer, retoucher)]
    told += [*the_later_batches(photographer, retoucher), *the_shoot_batches(photographer, retoucher)]
    told += the_balanced_batches(photographer, retoucher)
    for count, (event, facts) in enumerate(told):
        at = f"2026-11-25T{9 + count // 6:02d}:{count % 6}0:00.{count:06d}Z"
        record.commit(lambda _, facts=facts: facts, by=photographer, event=event, at=at)  # type: ignore[misc]
        if count == len(told) // 2:
            record.checkpoint()
    head = record.manifest().head
    kept = {"format": 1, "job": JOB, "entry": head.entry, "sha256": head.sha256, "at": "2026-11-26T09:00:00Z"}
    (job / "heads").mkdir()
    (job / "heads" / f"{head.entry:08d}-{head.sha256[:8]}.json").write_bytes(canonical_bytes(kept))
    (job / "job.json").write_bytes(canonical_bytes(shipped("job_sheet.example")))
    (folder / "expected_manifest.json").write_bytes(
        (json.dumps(record.manifest().document, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()
    )
