"""Records written in format 1 are read for ever. What is in `fixtures/record_format_1` is never made again (README.md there)."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from glassine.schemas.facts import fact_kinds
from glassine.schemas.job_record import JobRecord, check_chain, check_not_forked, read_heads
from glassine.schemas.manifest import CHECKPOINT, Manifest
from glassine.schemas.validation import check_document, read_document

FIXTURE = Path(__file__).parent / "fixtures" / "record_format_1"
KINDS = 31
"""Kinds of fact that format 1 had when the fixture was written."""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A copy, so that nothing can write into the fixture."""
    return Path(shutil.copytree(FIXTURE / "job", tmp_path / "job"))


def expected() -> dict[str, object]:
    loaded: dict[str, object] = json.loads((FIXTURE / "expected_manifest.json").read_bytes())
    return loaded


def test_it_holds_every_kind_of_fact(job: Path) -> None:
    kinds = {fact["kind"] for entry, _ in JobRecord(job).entries() for fact in entry["facts"]}
    assert len(kinds) == KINDS
    assert kinds <= set(fact_kinds())


def test_its_chain_is_whole_up_to_its_head(job: Path) -> None:
    (head,) = read_heads(job / "heads")
    assert check_chain(job) == []
    record = JobRecord(job)
    assert record.manifest().head == head
    check_not_forked(record, [head], where="the fixture")


def test_it_folds_to_what_it_folded_to(job: Path) -> None:
    assert (job / CHECKPOINT).exists()
    assert JobRecord(job).manifest().document == expected()
    (job / CHECKPOINT).unlink()
    manifest: Manifest = JobRecord(job).manifest()
    assert manifest.document == expected()
    check_document(manifest.document, "manifest", label="the fold")


def test_its_people_and_its_job_sheet_are_read(job: Path) -> None:
    record = JobRecord(job)
    (by,) = {entry["by"] for entry, _ in record.entries()}
    assert record.people.name_of(by) == "Imre Falk"
    assert record.people.find("Noa Lind") == record.manifest().frames[0]["rounds"][0]["hand_out"]["retoucher"]
    assert read_document(job / "job.json", "job_sheet") == record.manifest().sheet


def test_it_can_be_gone_on_with(job: Path) -> None:
    record = JobRecord(job)
    before = record.manifest().head
    facts = [{"kind": "block", "frame": 3, "revision": 1, "blocked": True, "reason": "later"}]
    after = record.commit(lambda _: facts, by="p-00000000a1", event="policy assignment")
    assert after.head.entry == before.entry + 1
    assert check_chain(job) == []
