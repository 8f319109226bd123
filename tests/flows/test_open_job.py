"""A job opened for writing: it refuses forks, brings changed settings into the record, and ends with paid debts."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.job_sheet import open_new_job
from glassine.flows.open_job import OpenJob, adopted_document
from glassine.flows.studio import Studio, read_studio
from glassine.schemas.errors import CallError, DocumentError, GlassineError, RecordError, VolumeError
from glassine.schemas.job_record import JobRecord, read_heads
from glassine.schemas.manifest import CHECKPOINT, Manifest, read_checkpoint
from glassine.schemas.validation import Document, read_document

JOB, MANAGER = "2611-04", "Tove Abel"


def test_folder_restored_from_an_old_backup_is_refused(
    shoot: dict[str, Path], at: Callable[[str], Studio], contents: Callable[[Path], dict[str, str]]
) -> None:
    studio = at("proofed")
    folder = studio.job_folder(JOB)
    shutil.rmtree(folder)
    shutil.copytree(shoot["ingested"] / "volumes" / "working" / JOB, folder)
    before = contents(studio.folder.parent)
    with pytest.raises(RecordError, match="volume backup knows: the folder is older") as forked:
        OpenJob(studio, JOB, MANAGER)
    assert (forked.value.code, forked.value.exit_status) == ("R004", 1)
    assert contents(studio.folder.parent) == before


def test_two_histories_are_told_apart(shoot: dict[str, Path], at: Callable[[str], Studio], tmp_path: Path) -> None:
    studio = at("ingested")
    shutil.copytree(shoot["ingested"], tmp_path / "elsewhere")
    other = read_studio(tmp_path / "elsewhere" / "studio")
    for one, title in ((studio, "here"), (other, "there")):
        path = one.job_folder(JOB) / "job.json"
        path.write_text(path.read_text("utf-8").replace("Makers' portraits", title), encoding="utf-8")
        OpenJob(one, JOB, MANAGER).finish()
    folder = studio.job_folder(JOB)
    shutil.rmtree(folder)
    shutil.copytree(other.job_folder(JOB), folder)
    with pytest.raises(RecordError, match="two histories of this job exist") as forked:
        OpenJob(studio, JOB, MANAGER)
    assert forked.value.code == "R004"


def test_changed_settings_enter_the_record_once(
    at: Callable[[str], Studio], change_sheet: Callable[..., None], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("ingested")
    head = manifest_of(studio).head
    OpenJob(studio, JOB, MANAGER)
    assert manifest_of(studio).head == head
    change_sheet(studio, title="Another title")
    OpenJob(studio, JOB, MANAGER)
    manifest = manifest_of(studio)
    assert manifest.head.entry == head.entry + 1
    assert (manifest.sheet["title"], manifest.document["documents"]["job-sheet"]["revision"]) == ("Another title", 2)
    OpenJob(studio, JOB, MANAGER)
    assert manifest_of(studio).head == manifest.head


def test_broken_sheet_is_named_and_nothing_written(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("ingested")
    head = manifest_of(studio).head
    sheet = studio.job_folder(JOB) / "job.json"
    sheet.write_text(sheet.read_text("utf-8").replace('"title"', '"titel"'), encoding="utf-8")
    with pytest.raises(DocumentError, match=r"job\.json"):
        OpenJob(studio, JOB, MANAGER)
    assert manifest_of(studio).head == head


def test_end_of_a_flow_leaves_head_checkpoint_and_copies(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest], change_sheet: Callable[..., None]
) -> None:
    studio = at("ingested")
    change_sheet(studio, title="Another title")
    job = OpenJob(studio, JOB, MANAGER)
    written = job.path("notes/remark.txt")
    written.parent.mkdir()
    written.write_text("kept\n", encoding="utf-8")
    job.say("adopt", [job.hold(written, "job sheet")])
    assert job.owed() == 2
    assert job.finish() == []
    assert job.owed() == 0
    head = manifest_of(studio).head
    for volume in job.volumes:
        assert volume.locate(JOB, "notes/remark.txt").read_text("utf-8") == "kept\n"
        assert head in read_heads(volume.job_folder(JOB) / "heads")
    checkpoint = read_checkpoint(studio.job_folder(JOB))
    assert checkpoint is not None
    assert checkpoint.head == head
    assert (studio.job_folder(JOB) / CHECKPOINT).exists()


def test_holding_that_vanished_is_said(at: Callable[[str], Studio]) -> None:
    job = OpenJob(at("ingested"), JOB, MANAGER)
    written = job.path("remark.txt")
    written.write_text("gone soon\n", encoding="utf-8")
    job.say("adopt", [job.hold(written, "job sheet")])
    written.unlink()
    (problem,) = job.finish()
    assert "remark.txt is missing" in problem


def test_other_record_on_a_backup_is_not_overwritten(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    number = JobRecord(studio.job_folder(JOB)).manifest().head.entry + 1
    foreign = backup.job_folder(JOB) / "record" / f"{number:08d}.json"
    foreign.write_bytes(b"{}\n")
    job = OpenJob(studio, JOB, MANAGER)
    job.say("block", [{"kind": "block", "frame": 1, "revision": 1, "blocked": True, "reason": "x"}])
    job.finish()
    assert foreign.read_bytes() == b"{}\n"


def test_copy_is_found_on_the_backup_when_the_working_one_is_gone(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    job = OpenJob(studio, JOB, MANAGER)
    frame = job.manifest.frame(1)
    working = job.working.locate(JOB, frame["path"])
    assert job.find_whole(frame["sha256"]) == working
    working.unlink()
    (backup,) = job.backups
    assert job.find_whole(frame["sha256"]) == backup.locate(JOB, frame["path"])
    backup.locate(JOB, frame["path"]).unlink()
    with pytest.raises(VolumeError, match=f"run `glassine verify {JOB} --repair`") as lost:
        job.find_whole(frame["sha256"])
    assert lost.value.code == "V001"


def test_document_that_the_job_names_not_is_said(at: Callable[[str], Studio]) -> None:
    job = OpenJob(at("opened"), JOB, MANAGER)
    assert adopted_document(job.manifest, "look/hard-mono")["content"]["name"] == "hard-mono"
    with pytest.raises(GlassineError, match=r"names no look/none: write it into its job\.json") as unknown:
        adopted_document(job.manifest, "look/none")
    assert unknown.value.code == "D004"


def test_lost_names_come_back_from_a_backup(at: Callable[[str], Studio], run: Callable[..., Document]) -> None:
    studio = at("closed")
    people = studio.job_folder(JOB) / "people.json"
    before = people.read_bytes()
    people.unlink()
    run("proof", studio)
    assert people.read_bytes() == before


def test_lost_names_without_a_backup_stop_everything(at: Callable[[str], Studio], run: Callable[..., Document]) -> None:
    studio = at("closed")
    for volume in (studio.working_volume(), *studio.backups()[0]):
        (volume.job_folder(JOB) / "people.json").unlink()
    with pytest.raises(RecordError) as stopped:
        run("proof", studio)
    assert stopped.value.code == "R007"
    assert not (studio.job_folder(JOB) / "people.json").exists()


def test_a_lost_job_sheet_is_written_again_from_the_record(
    at: Callable[[str], Studio], run: Callable[..., Document]
) -> None:
    studio = at("closed")
    sheet = studio.job_folder(JOB) / "job.json"
    before = read_document(sheet, "job_sheet")
    sheet.unlink()
    with pytest.raises(CallError) as refused:
        open_new_job(studio, JOB, None, title=None, client="Somebody else", by=MANAGER)
    assert refused.value.code == "W003"
    run("proof", studio)
    assert read_document(sheet, "job_sheet") == before
