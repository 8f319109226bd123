"""A job sheet that is changed midway: by hand while a command runs, half saved, or by mistake another job's."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.arrival import Intake
from glassine.flows.job_sheet import open_new_job
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, DocumentError, GlassineError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
Ingest = Callable[..., Document]


@pytest.fixture
def sheet(opened: Studio) -> Path:
    return opened.job_folder(JOB) / "job.json"


def change(sheet: Path, **fields: Any) -> None:
    sheet.write_text(json.dumps({**json.loads(sheet.read_text("utf-8")), **fields}), encoding="utf-8")


def during_ingest(monkeypatch: pytest.MonkeyPatch, act: Callable[[], object]) -> None:
    """Do something when the first file of a card is about to be copied."""
    real = Intake._copy_file

    def copy_file(batch: Intake, file: Any, *words: Any) -> Any:
        if file.name == "SIMU0001.DNG":
            act()
        return real(batch, file, *words)

    monkeypatch.setattr(Intake, "_copy_file", copy_file)


def test_a_change_while_a_command_runs_is_adopted_by_the_next(
    opened: Studio, small_card: Path, sheet: Path, ingest_now: Ingest, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = JobRecord(sheet.parent).manifest().document["documents"]["job-sheet"]["revision"]
    during_ingest(monkeypatch, lambda: change(sheet, title="Makers, second day"))
    assert ingest_now(opened, small_card)["status"] == 0
    manifest = JobRecord(sheet.parent).manifest()
    assert (manifest.sheet["title"], len(manifest.frames)) == ("Makers", 2)
    assert json.loads(sheet.read_text("utf-8"))["title"] == "Makers, second day"  # nobody wrote over it
    assert ingest_now(opened, small_card)["status"] == 0
    manifest = JobRecord(sheet.parent).manifest()
    assert manifest.sheet["title"] == "Makers, second day"
    assert manifest.document["documents"]["job-sheet"]["revision"] == before + 1


def test_a_sheet_half_saved_while_a_command_runs_loses_nothing(
    opened: Studio,
    small_card: Path,
    sheet: Path,
    ingest_now: Ingest,
    monkeypatch: pytest.MonkeyPatch,
    check_custody: Callable[..., Manifest],
) -> None:
    whole = sheet.read_text("utf-8")
    during_ingest(monkeypatch, lambda: sheet.write_text(whole[: len(whole) // 2], encoding="utf-8"))
    assert ingest_now(opened, small_card)["status"] == 0
    folders = [opened.folder.parent / "volumes" / name / JOB for name in ("working", "backup")]
    check_custody(folders, small_card)
    with pytest.raises(DocumentError, match="is not JSON") as refused:
        ingest_now(opened, small_card)
    assert (refused.value.document, refused.value.exit_status) == (str(sheet), 2)
    sheet.write_text(whole, encoding="utf-8")
    assert ingest_now(opened, small_card)["status"] == 0


@pytest.mark.parametrize(
    ("fields", "code", "wanted"),
    [
        ({"job": "2611-05"}, "D002", "at job: is 2611-05, and this is job 2611-04"),
        ({"titel": "Makers"}, "D002", "'titel' has no place here (did you mean 'title'?)"),
        ({"finals": [{"final": "main", "look": "lifted-mono"}] * 2}, "D002", "at finals: names one final twice"),
        ({"finals": [{"final": "main", "look": "no-such-look"}]}, "D004", "holds no no-such-look.json"),
        (
            {"deliverables": [{"client": "A", "specification": "screen-2048", "finals": ["poster"]}]},
            "D004",
            "names the final 'poster'; the sheet's finals are main",
        ),
        (
            {"licences": [{"client": "A", "terms": "t", "from": "2027-01-01", "until": "2026-01-01"}]},
            "D002",
            "at licences: that of A ends before it begins",
        ),
        (
            {"set_ups": [{"name": "bench", "lights": [{"name": "main", "distance_m": 140}]}]},
            "D002",
            "at set_ups[1].lights[1].distance_m: must be at most 30 (in metres from the sitter), not 140.",
        ),
    ],
    ids=["another job's", "typing error", "final twice", "unknown look", "unknown final", "licence", "wrong unit"],
)
def test_a_sheet_edited_by_hand_is_checked_like_one_that_is_given(
    opened: Studio, sheet: Path, fields: Document, code: str, wanted: str
) -> None:
    head = JobRecord(sheet.parent).manifest().head
    change(sheet, **fields)
    with pytest.raises(GlassineError) as refused:
        OpenJob(opened, JOB, "Imre Falk")
    assert (refused.value.code, refused.value.exit_status) == (code, 2)
    assert wanted in str(refused.value)
    assert JobRecord(sheet.parent).manifest().head == head


def test_a_job_number_twice(opened: Studio, snapshot: Callable[..., dict[str, Any]]) -> None:
    before = snapshot(opened.folder.parent)
    with pytest.raises(CallError, match="is open already") as refused:
        open_new_job(opened, JOB, None, title="Another job", client="Another client", by="Tove Abel")
    assert (refused.value.code, refused.value.exit_status) == ("W003", 2)
    assert snapshot(opened.folder.parent) == before


@pytest.mark.parametrize(
    ("client", "by"),
    [
        ("a\x01b", "Imre Falk"),
        ("a\nb", "Imre Falk"),
        ("\udcff", "Imre Falk"),
        ("Client", "\udcff"),
        ("Client", "a\x1bb"),
    ],
)
def test_a_job_refused_for_a_hostile_word_is_not_begun(
    opened: Studio, client: str, by: str, snapshot: Callable[..., dict[str, Any]]
) -> None:
    before = snapshot(opened.folder.parent)
    with pytest.raises(GlassineError) as refused:
        open_new_job(opened, "2611-05", None, title=None, client=client, by=by)
    assert refused.value.exit_status == 2
    assert snapshot(opened.folder.parent) == before
    assert not (opened.working_volume().root / "2611-05").exists()
