"""The manifest's checkpoint: used when it is whole and fits the chain, else made again from the record."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.entry import digest_of
from glassine.schemas.job_record import (
    JobRecord,
    create_job,
)
from glassine.schemas.manifest import CHECKPOINT, FOLD_VERSION, Manifest
from glassine.schemas.validation import check_document

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Batches = list[tuple[str, list[Fact]]]
MakeJob = Callable[[Path, Batches], JobRecord]

BY = "p-00000000a1"


def sha(number: int) -> str:
    return f"{number:064x}"


def commit(record: JobRecord, *facts: Fact, by: str = BY) -> Manifest:
    return record.commit(lambda _: facts, by=by, event="ingestion")


@pytest.fixture
def job(tmp_path: Path, batches: Batches, make_job: MakeJob) -> JobRecord:
    """A small job with a checkpoint in the middle of its record."""
    record = make_job(tmp_path / "job", batches[:9])
    record.checkpoint()
    for event, facts in batches[9:]:
        record.commit(lambda _, facts=facts: facts, by=BY, event=event)  # type: ignore[misc]
    return record


def without_checkpoint(folder: Path) -> Manifest:
    copied = folder.with_name("copied")
    shutil.copytree(folder / "record", copied / "record")
    return JobRecord(copied).manifest()


def test_a_checkpoint_is_valid_by_its_schema_and_is_used(job: JobRecord) -> None:
    document = json.loads((job.folder / CHECKPOINT).read_bytes())
    check_document(document, "manifest", label=CHECKPOINT)
    assert document["head"]["entry"] == 10
    resumed = JobRecord(job.folder)
    assert resumed.manifest().document == without_checkpoint(job.folder).document
    assert resumed.checkpointed == 10


def test_a_byte_flipped_anywhere_in_the_checkpoint_has_it_made_again(job: JobRecord) -> None:
    path = job.folder / CHECKPOINT
    whole, wanted = path.read_bytes(), without_checkpoint(job.folder).document
    for position in range(0, len(whole), max(1, len(whole) // 120)):
        flipped = bytearray(whole)
        flipped[position] ^= 1 << position % 8
        path.write_bytes(flipped)
        read = JobRecord(job.folder)
        assert read.manifest().document == wanted, position
        assert read.checkpointed == 0, f"byte {position} was believed"


@pytest.mark.parametrize(
    "content", [b"", b"\x00" * 4096, b"\xff\xfe garbage", b"{}", b"null\n", b"[" * 100_000, b'{"checksum":"', b"7"]
)
def test_garbage_in_place_of_the_checkpoint_has_it_made_again(job: JobRecord, content: bytes) -> None:
    wanted = without_checkpoint(job.folder)
    (job.folder / CHECKPOINT).write_bytes(content)
    record = JobRecord(job.folder)
    assert record.manifest().document == wanted.document
    record.checkpoint()
    again = JobRecord(job.folder)
    assert again.manifest().document == wanted.document
    assert again.checkpointed == wanted.head.entry


def test_a_cut_off_or_unreadable_checkpoint_is_made_again(job: JobRecord) -> None:
    path = job.folder / CHECKPOINT
    whole, wanted = path.read_bytes(), without_checkpoint(job.folder).document
    path.write_bytes(whole[: len(whole) // 2])
    assert JobRecord(job.folder).manifest().document == wanted
    path.unlink()
    path.mkdir()
    assert JobRecord(job.folder).manifest().document == wanted


def forge(folder: Path, **fields: Any) -> None:
    """A checkpoint that is whole in itself but altered."""
    document = json.loads((folder / CHECKPOINT).read_bytes())
    document.update(fields)
    document.pop("checksum")
    body = json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode()[1:] + b"\n"
    (folder / CHECKPOINT).write_bytes(b'{"checksum":"' + digest_of(body).encode() + b'",\n' + body)


def test_a_forged_checkpoint_is_otherwise_as_glassine_writes_it(job: JobRecord) -> None:
    before = (job.folder / CHECKPOINT).read_bytes()
    forge(job.folder)
    assert (job.folder / CHECKPOINT).read_bytes() == before


@pytest.mark.parametrize(
    "fields",
    [
        {"fold": FOLD_VERSION + 1, "frames": []},
        {"fold": FOLD_VERSION - 1, "frames": []},
        {"format": 2, "frames": []},
        {"frames": [{"frame": 1}]},
        {"head": {"entry": 10, "sha256": "1" * 64}, "frames": []},
        {"head": {"entry": 9_999, "sha256": "1" * 64}, "frames": []},
        {"head": {"entry": 0, "sha256": "0" * 64}, "frames": []},
    ],
)
def test_a_checkpoint_of_another_fold_or_another_history_is_made_again(job: JobRecord, fields: Fact) -> None:
    forge(job.folder, **fields)
    record = JobRecord(job.folder)
    assert record.manifest().document == without_checkpoint(job.folder).document
    assert record.checkpointed == 0


def test_a_checkpoint_is_written_when_it_is_behind_or_gone(tmp_path: Path, fact: MakeFact) -> None:
    record = create_job(tmp_path, "2611-04", by="Imre Falk")
    record.checkpoint()
    written = (tmp_path / CHECKPOINT).stat().st_mtime_ns
    record.checkpoint()
    assert (tmp_path / CHECKPOINT).stat().st_mtime_ns == written
    commit(record, fact("frame", frame=1, sha256=sha(1)))
    record.checkpoint()
    assert json.loads((tmp_path / CHECKPOINT).read_bytes())["head"]["entry"] == 2
    (tmp_path / CHECKPOINT).unlink()
    record.checkpoint()
    assert (tmp_path / CHECKPOINT).exists()
