"""Records written in format 1 are read for ever. What is in `fixtures/` is never made again (README.md there)."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from glassine.schemas.facts import fact_kinds
from glassine.schemas.job_record import JobRecord, check_chain, check_not_forked, read_heads
from glassine.schemas.manifest import CHECKPOINT, Manifest
from glassine.schemas.validation import check_document, load_schema, read_document

FIXTURES = Path(__file__).parent / "fixtures"
KINDS = {
    "record_format_1": 31,
    "record_format_1_fold_2": 36,
    "record_format_1_fold_3": 41,
    "record_format_1_fold_4": 43,
}
"""Kinds of fact that format 1 had when each fixture was written."""


@pytest.fixture(params=sorted(KINDS))
def name(request: pytest.FixtureRequest) -> str:
    """Which of the fixtures."""
    return str(request.param)


@pytest.fixture
def job(name: str, tmp_path: Path) -> Path:
    """A copy, so that nothing can write into the fixture."""
    return Path(shutil.copytree(FIXTURES / name / "job", tmp_path / "job"))


@pytest.fixture
def expected(name: str) -> dict[str, object]:
    """What it folds to."""
    loaded: dict[str, object] = json.loads((FIXTURES / name / "expected_manifest.json").read_bytes())
    return loaded


def test_every_fixture_is_opened() -> None:
    assert {path.name for path in FIXTURES.iterdir() if path.is_dir()} == set(KINDS)


def test_it_holds_every_kind_of_fact(name: str, job: Path) -> None:
    kinds = {fact["kind"] for entry, _ in JobRecord(job).entries() for fact in entry["facts"]}
    assert len(kinds) == KINDS[name]
    assert kinds <= set(fact_kinds())


def test_its_chain_is_whole_up_to_its_head(job: Path) -> None:
    (head,) = read_heads(job / "heads")
    assert check_chain(job) == []
    record = JobRecord(job)
    assert record.manifest().head == head
    check_not_forked(record, [head], where="the fixture")


def test_it_folds_to_what_it_folded_to(job: Path, expected: dict[str, object]) -> None:
    assert (job / CHECKPOINT).exists()
    assert JobRecord(job).manifest().document == expected
    (job / CHECKPOINT).unlink()
    manifest: Manifest = JobRecord(job).manifest()
    assert manifest.document == expected
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


BROUGHT = {
    "record_format_1_fold_2": (
        [
            "mark",
            "note",
            "brief",
            "take_back",
            "final",
            "sign_off",
            "withdrawal",
            "review",
            "crop",
            "call_off",
            "decode_attempt",
        ]
    ),
    "record_format_1_fold_3": ["set_up", "fixity_pass", "card", "clock", "purpose", "on_set", "carrier"],
    "record_format_1_fold_4": ["balance", "exposure_match", "proof", "brief", "final"],
}
"""Kinds that are new, or have new optional fields, in the entries of a fixture."""

LATER_FIELDS = {
    "record_format_1_fold_3": set[tuple[str, str]](),
    "record_format_1_fold_4": {("proof", "balance"), ("brief", "balance"), ("final", "balance")},
}
"""Optional fields that a fixture brought to kinds which there were before."""


@pytest.mark.parametrize("later", BROUGHT)
def test_a_later_one_uses_every_field_that_the_one_before_lacks(later: str) -> None:
    def fields(name: str) -> set[tuple[str, str]]:
        entries = JobRecord(FIXTURES / name / "job").entries()
        return {(fact["kind"], field) for entry, _ in entries for fact in entry["facts"] for field in fact}

    names = sorted(KINDS)
    kinds = load_schema("record_entry")["$defs"]
    assert fields(names[names.index(later) - 1]) < fields(later)
    came_later = set().union(*(LATER_FIELDS[name] for name in names[names.index(later) + 1 :]))
    for kind in BROUGHT[later]:
        assert {(kind, field) for field in kinds[kind]["properties"]} - came_later <= fields(later), kind
