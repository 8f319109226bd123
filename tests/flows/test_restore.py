"""The whole working volume is lost after a finished job, and comes back from the others, record and all."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows import restore as module
from glassine.flows.card import ask_card
from glassine.flows.job_sheet import list_jobs
from glassine.flows.status import status
from glassine.flows.studio import Studio, read_studio
from glassine.schemas import durable_file
from glassine.schemas.errors import CallError, RecordError, VolumeError
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.validation import Document
from glassine.tasks.custody import fixity
from glassine.tasks.custody.volume import make_volume

JOB, MANAGER = "2611-04", "Tove Abel"
MADE_AGAIN = ("proofs/", "handoff/", "manifest.json", ".people.json.lock")
"""What `advance` makes from the rest."""
OTHER = ("deliveries/000", "hand-out-", "_reference.jpg", "changes-", "/returns/")
Run = Callable[..., Document]


def files_in(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def working_of(studio: Studio) -> Path:
    return studio.volume_root(studio.settings["volumes"][0])


def test_the_working_volume_is_deleted_after_a_finished_job(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("delivered")
    root = working_of(studio)
    before = files_in(root / JOB)
    manifest = JobRecord(root / JOB).manifest()
    held = {copy["path"] for _, holder in manifest.every_file() for copy in holder["copies"]}
    assert {holder["role"] for _, holder in manifest.every_file() if "role" in holder} >= {
        "companion", "stray", "brief", "base file", "return", "final", "receipt", "job sheet"
    }  # fmt: skip
    shutil.rmtree(root)

    with pytest.raises(VolumeError, match="run the same command again with --new-disk") as absent:
        run("restore", studio)
    assert absent.value.code == "V001"
    assert not root.exists()

    outcome = run("restore", studio, new_disk=True)
    assert (outcome["ok"], outcome["problems"]) == (True, [])
    assert (outcome["lost"], outcome["restored"]) == (len(held), len(held))
    after = files_in(root / JOB)
    for path, digest in before.items():
        if path.startswith("heads/"):  # each volume dates its own; entry and digest are in the name
            assert path in after
        elif path in held or path.startswith("record/") or path in {"people.json", "job.json"}:
            assert after[path] == digest, path
        else:
            assert path.startswith(MADE_AGAIN) or any(part in path for part in OTHER), path
    assert check_chain(root / JOB) == []
    assert read_studio(studio.folder).working_volume().volume == studio.settings["volumes"][0]["volume"]

    checked = run("verify", studio)
    assert (checked["status"], checked["bad"]) == (0, [])
    assert run("advance", studio)["ok"]
    again = files_in(root / JOB)
    assert {path for path in before if path.startswith("proofs/")} <= set(again)
    assert {path: digest for path, digest in before.items() if path.startswith("proofs/hard")}.items() <= again.items()
    assert run("restore", studio)["restored"] == 0


def test_what_went_with_the_disk_and_can_be_made_again_is_due(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("proofed")
    shutil.rmtree(working_of(studio))
    run("restore", studio, new_disk=True)
    assert {"4 proofs to make", "1 contact sheet to make"} <= set(status(studio, JOB)["due"])
    assert "4 proofs made." in run("advance", studio)["said"]
    assert status(studio, JOB)["due"] == []


def test_a_job_that_was_not_restored_yet_is_named(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    shutil.rmtree(working_of(studio) / JOB)
    told = list_jobs(studio)
    assert (told["status"], told["lost"], told["jobs"]) == (1, [JOB], [])
    assert f"glassine job restore {JOB}" in told["problems"][0]
    assert f"glassine job restore {JOB}" in status(studio, None)["problems"][0]


def test_a_bad_copy_is_named_where_the_card_may_be_formatted_all_the_same(
    at: Callable[[str], Studio], run: Run, card: Path
) -> None:
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    next((backup.root / JOB / "originals").rglob("*.DNG")).unlink()
    run("verify", studio)
    said = " ".join(ask_card(studio, card)["said"])
    assert "Mind: 1 copy of its files missing or different" in said


def test_restored_custody_counts_for_the_card(at: Callable[[str], Studio], run: Run, card: Path) -> None:
    studio = at("ingested")
    shutil.rmtree(working_of(studio))
    run("restore", studio, new_disk=True)
    answer = ask_card(studio, card)
    assert {file["copies"] for file in answer["files"]} == {2}


@pytest.mark.parametrize("stop_at", [1, 4, 9, 30])
def test_a_restore_that_is_stopped_goes_on(
    at: Callable[[str], Studio], run: Run, monkeypatch: pytest.MonkeyPatch, stop_at: int
) -> None:
    studio = at("delivered")
    root = working_of(studio)
    held = len([copy for _, holder in JobRecord(root / JOB).manifest().every_file() for copy in holder["copies"][:1]])
    shutil.rmtree(root)
    calls = 0

    def count(real: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*words: Any, **named: Any) -> Any:
            nonlocal calls
            calls += 1
            if calls == stop_at:
                raise KeyboardInterrupt
            return real(*words, **named)

        return counted

    with monkeypatch.context() as patched:
        patched.setattr(module, "write_if_absent", count(durable_file.write_if_absent))
        patched.setattr(module, "repair_copy", count(fixity.repair_copy))
        with pytest.raises(KeyboardInterrupt):
            run("restore", studio, new_disk=True)
    outcome = run("restore", studio)
    assert outcome["ok"]
    manifest = JobRecord(root / JOB).manifest()
    for sha256, holder in manifest.every_file():
        assert {copy["outcome"] for copy in holder["copies"]} == {"whole"}
        assert hashlib.sha256((root / JOB / holder["path"]).read_bytes()).hexdigest() == sha256
    assert len(manifest.every_file()) == held


def test_a_file_that_no_volume_has_whole_is_said_and_the_others_come_back(
    at: Callable[[str], Studio], run: Run
) -> None:
    studio = at("ingested")
    root = working_of(studio)
    (backup,) = studio.backups()[0]
    gone = next((backup.root / JOB / "originals").rglob("*.DNG"))
    gone.write_bytes(b"rotten" + gone.read_bytes()[6:])
    rotten = gone.read_bytes()
    shutil.rmtree(root)
    outcome = run("restore", studio, new_disk=True)
    assert outcome["status"] == 1
    assert outcome["restored"] == outcome["lost"] - 1
    assert any(gone.name in sentence and "No whole copy" in sentence for sentence in outcome["failed"])
    assert gone.read_bytes() == rotten


def test_an_altered_entry_here_is_not_overwritten(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("ingested")
    entry = working_of(studio) / JOB / "record" / "00000003.json"
    entry.write_bytes(entry.read_bytes().replace(b"2", b"3", 1))
    altered = entry.read_bytes()
    with pytest.raises(
        RecordError, match="is not of the chain that the newest head names: nothing was written"
    ) as mixed:
        run("restore", studio)
    assert mixed.value.code == "R004"
    assert entry.read_bytes() == altered


def test_entries_of_another_history_are_not_brought(at: Callable[[str], Studio], run: Run) -> None:
    """Nothing of it is written, not even what the working volume lacks."""
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    record = working_of(studio) / JOB / "record"
    newest = max(record.iterdir())
    number = int(newest.stem) + 1
    foreign = backup.root / JOB / "record" / f"{number:08d}.json"
    foreign.write_bytes(newest.read_bytes().replace(f'"entry":{number - 1}'.encode(), f'"entry":{number}'.encode()))
    before = files_in(working_of(studio) / JOB)
    assert run("restore", studio)["entries"] == 0
    assert files_in(working_of(studio) / JOB)["record/" + newest.name] == before["record/" + newest.name]
    assert not (record / foreign.name).exists() or (record / foreign.name).read_bytes() != foreign.read_bytes()


def test_a_record_of_which_the_newest_entries_are_missing_is_not_taken_for_whole(
    at: Callable[[str], Studio], run: Run
) -> None:
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    newest = max((backup.root / JOB / "record").iterdir())
    newest.unlink()
    shutil.rmtree(working_of(studio))
    with pytest.raises(RecordError, match="Connect every volume that holds a copy of this job"):
        run("restore", studio, new_disk=True)


def test_stopped_between_two_entries_nobody_goes_on_with_half_a_record(
    at: Callable[[str], Studio], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also when the volumes that know better are away by then."""
    studio = at("delivered")
    root = working_of(studio)
    (backup,) = studio.backups()[0]
    shutil.rmtree(root)
    real = durable_file.write_if_absent

    def stop(path: Path, content: bytes) -> bool:
        if path.name == "00000004.json":
            raise KeyboardInterrupt
        return real(path, content)

    with monkeypatch.context() as patched:
        patched.setattr(module, "write_if_absent", stop)
        with pytest.raises(KeyboardInterrupt):
            run("restore", studio, new_disk=True)
    assert len(list((root / JOB / "record").iterdir())) == 3
    shutil.move(backup.root, backup.root.with_name("drawer"))
    with pytest.raises(RecordError) as half:
        run("advance", studio)
    assert half.value.code in {"R001", "R002", "R004"}
    shutil.move(backup.root.with_name("drawer"), backup.root)
    assert run("restore", studio)["ok"]


def test_a_damaged_entry_on_one_volume_is_taken_from_another(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("ingested")
    third = make_volume(studio.folder.parent / "volumes" / "third", "third")
    (backup,) = studio.backups()[0]
    shutil.copytree(backup.root / JOB, third.root / JOB)
    settings = studio.folder / "studio.toml"
    table = f'\n[[volumes]]\nname = "third"\npath = "{third.root}"\nvolume = "{third.volume}"\n'
    settings.write_text(settings.read_text("utf-8") + table, encoding="utf-8")
    entry = backup.root / JOB / "record" / "00000004.json"
    entry.write_bytes(entry.read_bytes().replace(b"2", b"3", 1))
    shutil.rmtree(working_of(studio))
    outcome = run("restore", read_studio(studio.folder), new_disk=True)
    assert check_chain(working_of(studio) / JOB) == []
    assert outcome["restored"] == outcome["lost"]


def test_the_new_disk_stands_where_the_lost_one_stood_and_its_pass_is_no_whole_one(
    at: Callable[[str], Studio], run: Run
) -> None:
    studio = at("opened")
    identity = working_of(studio) / "glassine-volume.json"
    known = json.loads(identity.read_text("utf-8"))
    identity.write_text(json.dumps({**known, "site": "loft"}), encoding="utf-8")
    run("advance", studio)
    shutil.rmtree(working_of(studio))
    assert run("restore", studio, new_disk=True)["ok"]
    assert json.loads(identity.read_text("utf-8"))["site"] == "loft"
    scope = JobRecord(studio.job_folder(JOB)).manifest().document["passes"]["scope"]
    assert scope["lost"] is True


def test_a_job_that_no_volume_knows(at: Callable[[str], Studio], run: Run) -> None:
    with pytest.raises(CallError, match=r"No volume that is here holds a record of job 1111 \(looked at: backup\)"):
        run("restore", at("opened"), job="1111")


def test_another_disk_at_the_working_path_is_not_written(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("ingested")
    root = working_of(studio)
    shutil.rmtree(root)
    make_volume(root, "someone's")
    with pytest.raises(VolumeError) as other:
        run("restore", studio, new_disk=True)
    assert other.value.code == "V002"
    assert [path.name for path in root.iterdir()] == ["glassine-volume.json"]
