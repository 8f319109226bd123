"""A clock that jumps: the record is in the order of its entries, whatever time each of them bears."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import cycle
from pathlib import Path

import pytest

from glassine.flows import verify as verify_module
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import Studio
from glassine.schemas import job_record
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
TIMES = (
    "2026-11-25T10:00:00.000000Z",
    "2025-11-25T10:00:00.000000Z",  # a year back
    "2027-11-25T10:00:00.000000Z",
    "1970-01-01T00:00:00.000000Z",  # an empty battery
    "2038-01-19T03:14:08.000000Z",  # past what 32 bits hold
)


@pytest.fixture
def jumping_clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Every look at the clock finds another of `TIMES`."""
    times = cycle(TIMES)
    for module in (job_record, verify_module):
        monkeypatch.setattr(module, "utc_now", lambda: next(times))
    yield


@pytest.mark.usefixtures("jumping_clock")
def test_a_clock_that_jumps_within_every_command(
    opened: Studio,
    small_card: Path,
    ingest_now: Callable[..., Document],
    verify_now: Callable[..., Document],
    check_custody: Callable[..., Manifest],
) -> None:
    folders = [opened.folder.parent / "volumes" / name / JOB for name in ("working", "backup")]
    assert ingest_now(opened, small_card)["status"] == 0
    assert ingest_now(opened, small_card)["frames"] == []
    first = verify_now(opened)
    assert (first["status"], first["read"]) == (0, first["copies"])
    (copy,) = folders[1].rglob("SIMU0001.*.DNG")
    copy.unlink()
    assert (verify_now(opened)["status"], verify_now(opened, repair=True)["status"], verify_now(opened)["status"]) == (
        1,
        0,
        0,
    )
    written = [entry["at"] for entry, _ in JobRecord(folders[0]).entries()]
    assert sorted(written) != written  # they did go back and forth
    assert check_chain(folders[0]) == []
    manifest = check_custody(folders, small_card)
    (folders[0] / "manifest.json").unlink()
    assert JobRecord(folders[0]).manifest().document == manifest.document
    assert [path.read_bytes() for path in sorted((folders[1] / "record").iterdir())] == [
        path.read_bytes() for path in sorted((folders[0] / "record").iterdir())
    ]


@pytest.mark.parametrize(("set_to", "resumed"), [("11:00:00", True), ("09:59:59", False)])
def test_a_pass_left_off_before_the_clock_was_set_back_is_not_gone_on_with(
    opened: Studio,
    small_card: Path,
    ingest_now: Callable[..., Document],
    verify_now: Callable[..., Document],
    monkeypatch: pytest.MonkeyPatch,
    set_to: str,
    resumed: bool,
) -> None:
    """Its age would be taken for less than a day for as long as the clock had been ahead."""
    assert ingest_now(opened, small_card)["status"] == 0
    monkeypatch.setattr(verify_module, "utc_now", lambda: "2026-11-25T10:00:00.000000Z")
    job = OpenJob(opened, JOB, "Imre Falk")
    monkeypatch.setattr(job_record, "utc_now", lambda: "2026-11-25T10:00:00.000000Z")
    assert verify_module._open_pass(job) == 1
    monkeypatch.setattr(verify_module, "utc_now", lambda: f"2026-11-25T{set_to}.000000Z")
    assert verify_module._open_pass(job) == (1 if resumed else 2)
    assert verify_now(opened)["status"] == 0
