"""The chain: a byte flipped anywhere is found and its entry named; so is one cut off, missing, extra or put in between."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.entry import Head, canonical_bytes, digest_of, entry_name
from glassine.schemas.errors import RecordError
from glassine.schemas.job_record import JobRecord, check_chain, read_heads, write_head

Fact = dict[str, Any]
Batches = list[tuple[str, list[Fact]]]
ENTRIES = 6


@pytest.fixture
def job(
    tmp_path: Path, batches: Batches, make_job: Callable[[Path, Batches], JobRecord], fact: Callable[..., Fact]
) -> Path:
    """A record of six small entries with its head kept, and no checkpoint."""
    told = [batches[1], ("ingestion", [fact("frame"), fact("stray")]), batches[9], batches[11], ("e", [fact("block")])]
    record = make_job(tmp_path / "job", told)
    write_head(record.folder, "2611-04", record.manifest().head)
    return record.folder


def entry(folder: Path, number: int) -> Path:
    return folder / "record" / entry_name(number)


def flip(path: Path, position: int) -> None:
    content = bytearray(path.read_bytes())
    content[position] ^= 1 << position % 8
    path.write_bytes(content)


def test_a_whole_record_has_no_faults(job: Path) -> None:
    assert check_chain(job) == []
    assert read_heads(job / "heads")[0].entry == ENTRIES


@pytest.mark.parametrize("number", range(1, ENTRIES + 1))
def test_a_byte_flipped_anywhere_is_found_and_its_entry_named(job: Path, number: int) -> None:
    path = entry(job, number)
    whole = path.read_bytes()
    for position in range(len(whole)):
        flip(path, position)
        faults = check_chain(job)
        assert len(faults) == 1, (position, faults)
        assert faults[0].startswith(f"Entry {number} of the record"), (position, faults)
        assert str(path) in faults[0]
        path.write_bytes(whole)


@pytest.mark.parametrize("number", range(1, ENTRIES))
def test_a_reader_stops_at_a_flipped_byte_and_names_its_entry(job: Path, number: int) -> None:
    """Without the heads: every entry but the last is vouched for by its successor."""
    path = entry(job, number)
    whole = path.read_bytes()
    for position in range(0, len(whole), 7):
        flip(path, position)
        with pytest.raises(RecordError, match=rf"^Entry {number} of the record") as caught:
            JobRecord(job).manifest()
        assert caught.value.code in {"R001", "R003", "R006"}
        path.write_bytes(whole)


@pytest.mark.parametrize("number", range(1, ENTRIES + 1))
def test_a_missing_entry_is_named(job: Path, number: int) -> None:
    entry(job, number).unlink()
    (fault,) = check_chain(job)
    assert fault.startswith(f"Entry {number} of the record is missing")
    if number < ENTRIES:
        with pytest.raises(RecordError, match=f"Entry {number} of the record in .* is missing") as caught:
            JobRecord(job).manifest()
        assert caught.value.code == "R002"


def test_entries_cut_off_are_each_named_by_the_head(job: Path) -> None:
    for number in (5, 6):
        entry(job, number).unlink()
    assert [fault.split(" of ")[0] for fault in check_chain(job)] == ["Entry 5", "Entry 6"]
    shutil.rmtree(job / "record")
    assert len(check_chain(job)) == ENTRIES


@pytest.mark.parametrize("cut", [0, 1, 40, -1])
def test_an_entry_cut_short_is_named(job: Path, cut: int) -> None:
    for number in range(1, ENTRIES + 1):
        whole = entry(job, number).read_bytes()
        entry(job, number).write_bytes(whole[:cut])
        (fault,) = check_chain(job)
        assert fault.startswith(f"Entry {number} of the record")
        entry(job, number).write_bytes(whole)


def test_an_extra_entry_that_does_not_follow_is_named(job: Path) -> None:
    extra = json.loads(entry(job, ENTRIES).read_bytes())
    extra.update(entry=ENTRIES + 1, previous="1" * 64)
    entry(job, ENTRIES + 1).write_bytes(canonical_bytes(extra))
    (fault,) = check_chain(job)
    assert fault.startswith(f"Entry {ENTRIES + 1} of the record is altered")
    entry(job, ENTRIES + 1).write_bytes(b"not an entry\n")
    (fault,) = check_chain(job)
    assert fault.startswith(f"Entry {ENTRIES + 1} of the record cannot be read")


def test_an_entry_put_in_between_is_found(job: Path) -> None:
    """What follows is renumbered, so that the gap does not show; the chain shows it."""
    for number in range(ENTRIES, 2, -1):
        moved = json.loads(entry(job, number).read_bytes())
        moved["entry"] = number + 1
        entry(job, number + 1).write_bytes(canonical_bytes(moved))
    between = json.loads(entry(job, 2).read_bytes())
    between.update(entry=3, previous=digest_of(entry(job, 2).read_bytes()))
    entry(job, 3).write_bytes(canonical_bytes(between))
    faults = check_chain(job)
    assert faults
    assert {int(fault.split()[1]) for fault in faults} <= set(range(3, ENTRIES + 2)), "entries 1 and 2 are whole"
    with pytest.raises(RecordError):
        JobRecord(job).manifest()


def test_entries_swapped_are_found(job: Path) -> None:
    first, second = entry(job, 3).read_bytes(), entry(job, 4).read_bytes()
    entry(job, 3).write_bytes(second)
    entry(job, 4).write_bytes(first)
    assert {fault.split(" of ")[0] for fault in check_chain(job)} >= {"Entry 4"}


def test_a_history_written_anew_is_found_by_the_head_alone(job: Path) -> None:
    """Someone alters entry 2 and makes every later entry anew: the chain agrees with itself, the head does not."""
    (head,) = read_heads(job / "heads")
    altered = json.loads(entry(job, 2).read_bytes())
    altered["at"] = "2020-01-01T00:00:00Z"
    entry(job, 2).write_bytes(canonical_bytes(altered))
    for number in range(3, ENTRIES + 1):
        redone = json.loads(entry(job, number).read_bytes())
        redone["previous"] = digest_of(entry(job, number - 1).read_bytes())
        entry(job, number).write_bytes(canonical_bytes(redone))
    shutil.rmtree(job / "heads")
    assert check_chain(job) == []
    (fault,) = check_chain(job, [head])
    assert fault.startswith(f"Entry {ENTRIES} of the record is altered")


def test_two_heads_that_disagree_are_two_histories(job: Path) -> None:
    faults = check_chain(job, [Head(ENTRIES, "1" * 64)])
    assert len(faults) == 1
    assert f"Entry {ENTRIES} of the record" in faults[0]
    assert "two histories" in faults[0]


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="there is no sha256sum program")
def test_the_chain_can_be_checked_with_sha256sum_alone(job: Path) -> None:
    """FORMAT.md, "The chain": what it prints for entry n stands in entry n+1, and for the last one in the head."""

    def printed() -> list[str]:
        names = [entry_name(number) for number in range(1, ENTRIES + 1)]
        call = ["sha256sum", *names]
        lines = subprocess.run(call, cwd=job / "record", capture_output=True, text=True, check=True).stdout.splitlines()
        assert [line.split("  ")[1] for line in lines] == names
        return [line.split("  ")[0] for line in lines]

    written = [json.loads(entry(job, number).read_bytes())["previous"] for number in range(2, ENTRIES + 1)]
    (head,) = (json.loads(path.read_bytes()) for path in (job / "heads").iterdir())
    assert printed() == [*written, head["sha256"]]
    flip(entry(job, 3), 100)
    assert [printed()[n] != digest for n, digest in enumerate([*written, head["sha256"]])] == [n == 2 for n in range(6)]
