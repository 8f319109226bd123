"""The record: compare-and-swap between real processes, lost races, lost replies, forks, and people."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas import durable_file, file_system
from glassine.schemas.entry import Head, canonical_bytes, digest_of, entry_name
from glassine.schemas.errors import RecordError, VolumeError
from glassine.schemas.facts import fact_key
from glassine.schemas.fold_base import ContradictionError
from glassine.schemas.job_record import (
    JobRecord,
    adopt,
    check_chain,
    check_not_forked,
    create_job,
    read_heads,
    write_head,
)
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Batches = list[tuple[str, list[Fact]]]
MakeJob = Callable[[Path, Batches], JobRecord]

BY, OTHER = "p-00000000a1", "p-00000000b2"


def told(record: JobRecord) -> list[Fact]:
    return [fact for entry, _ in record.entries() for fact in entry["facts"]]


def record_files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((folder / "record").iterdir())}


def sha(number: int) -> str:
    return f"{number:064x}"


def commit(record: JobRecord, *facts: Fact, by: str = BY) -> Manifest:
    return record.commit(lambda _: facts, by=by, event="ingestion")


# ---- several processes at once

WRITER = """
import sys, time
from pathlib import Path
from glassine.schemas.job_record import JobRecord

folder, writer, rounds = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
record = JobRecord(folder)
frame = {"size": 1, "name": "A.DNG", "folder": "", "path": "originals/A.DNG", "source": ""}
(folder / f"ready-{writer}").touch()
while not (folder / "go").exists():
    time.sleep(0.001)
for turn in range(rounds):
    def propose(manifest):
        known = {f["sha256"] for f in manifest.frames}
        fresh = [f"{writer * 1000 + turn:064x}", f"{900_000 + turn:064x}"]  # its own, and one that all writers bring
        first = max(manifest.by_number, default=0) + 1
        new = [sha256 for sha256 in fresh if sha256 not in known]
        yield from ({"kind": "frame", "frame": first + n, "sha256": s, **frame} for n, s in enumerate(new))
        yield from ({"kind": "seen", "sha256": s, "source": f"card {writer}"} for s in fresh)
    record.commit(propose, by=f"p-{writer:010x}", event="ingestion")
"""


def run_writers(folder: Path, script: str, count: int, *arguments: str) -> list[str]:
    """Start several processes, let them go at one moment, and return what they print."""
    calls = [[sys.executable, "-c", script, str(folder), str(number), *arguments] for number in range(1, count + 1)]
    writers = [subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for call in calls]
    until = time.monotonic() + 30
    while len(list(folder.glob("ready-*"))) < count and time.monotonic() < until:
        time.sleep(0.005)
    (folder / "go").touch()
    ends = [writer.communicate(timeout=60) for writer in writers]
    assert [writer.returncode for writer in writers] == [0] * count, [error for _, error in ends]
    return [output for output, _ in ends]


def test_many_writers_make_one_unbroken_chain_and_lose_nothing(tmp_path: Path) -> None:
    writers, rounds = 5, 12
    create_job(tmp_path, "2611-04", by="Imre Falk")
    run_writers(tmp_path, WRITER, writers, str(rounds))

    assert check_chain(tmp_path) == []
    record = JobRecord(tmp_path)
    keys = [fact_key(fact) for fact in told(record)]
    assert len(keys) == len(set(keys))
    frames = record.manifest().frames
    own = {sha(writer * 1000 + turn) for writer in range(1, writers + 1) for turn in range(rounds)}
    shared = {sha(900_000 + turn) for turn in range(rounds)}
    assert {frame["sha256"] for frame in frames} == own | shared
    assert sorted(frame["frame"] for frame in frames) == list(range(1, len(own | shared) + 1))
    for frame in frames:
        cards = {f"card {writer}" for writer in range(1, writers + 1)}
        wanted = cards if frame["sha256"] in shared else {f"card {int(frame['sha256'], 16) // 1000}"}
        assert set(frame["seen"]) - {""} == wanted
    names = [path.name for path in (tmp_path / "record").iterdir()]
    assert sorted(names) == [entry_name(number) for number in range(1, len(names) + 1)], "a temporary file was left"
    assert len({entry["by"] for entry, _ in record.entries()}) == writers + 1


# ---- a race that is lost, step by step


def test_a_proposal_that_lost_the_race_is_made_again_on_the_new_state(tmp_path: Path, fact: MakeFact) -> None:
    mine = create_job(tmp_path, "2611-04", by="Imre Falk")
    other = JobRecord(tmp_path)
    asked: list[int] = []

    def propose(manifest: Manifest) -> list[Fact]:
        asked.append(manifest.head.entry)
        if len(asked) == 1:
            commit(other, fact("frame", frame=1, sha256=sha(7)), by=OTHER)
        number = max(manifest.by_number, default=0) + 1
        return [fact("frame", frame=number, sha256=sha(8))]

    manifest = mine.commit(propose, by=BY, event="ingestion")
    assert asked == [1, 2]
    assert [(frame["frame"], frame["sha256"]) for frame in manifest.frames] == [(1, sha(7)), (2, sha(8))]
    assert manifest.document == JobRecord(tmp_path).manifest().document == other.manifest().document
    assert check_chain(tmp_path) == []


def test_a_fact_that_the_winner_has_said_is_left_out(tmp_path: Path, fact: MakeFact) -> None:
    mine = create_job(tmp_path, "2611-04", by="Imre Falk")
    other = JobRecord(tmp_path)
    calls: list[None] = []

    def propose(_: Manifest) -> list[Fact]:
        calls.append(None)
        if len(calls) == 1:
            commit(other, fact("frame"), by=OTHER)
        return [fact("frame")]

    mine.commit(propose, by=BY, event="ingestion")
    assert len(calls) == 2
    assert [each["kind"] for each in told(mine)] == ["job", "frame"]
    assert mine.manifest().head.entry == 2


def test_a_mark_that_lost_against_the_closing_is_refused(tmp_path: Path, fact: MakeFact) -> None:
    mine = create_job(tmp_path, "2611-04", by="Imre Falk")
    commit(mine, fact("frame"), fact("selects_round"))
    other = JobRecord(tmp_path)
    after: dict[str, bytes] = {}

    def propose(_: Manifest) -> list[Fact]:
        if not after:
            commit(other, fact("selects_round", state="closed"), by=OTHER)
            after.update(record_files(tmp_path))
        return [fact("mark")]

    with pytest.raises(ContradictionError, match="Round 'edit' is closed") as caught:
        mine.commit(propose, by=BY, event="appraisal")
    assert caught.value.code == "W004"
    assert record_files(tmp_path) == after, "something was written"
    assert mine.manifest().document == JobRecord(tmp_path).manifest().document
    assert mine.manifest().selects_round("edit")["marks"] == {}  # type: ignore[index]


def test_a_batch_with_one_contradiction_writes_nothing(tmp_path: Path, fact: MakeFact) -> None:
    record = create_job(tmp_path, "2611-04", by="Imre Falk")
    before = record_files(tmp_path)
    with pytest.raises(ContradictionError):
        commit(record, fact("frame"), fact("frame", sha256=sha(3)))
    assert record_files(tmp_path) == before
    assert record.manifest().frames == []


def test_what_is_known_makes_no_entry(tmp_path: Path, batches: Batches, make_job: MakeJob) -> None:
    record = make_job(tmp_path, batches)
    before = record_files(tmp_path)
    for event, facts in batches:
        record.commit(lambda _, facts=facts: facts, by=OTHER, event=event)  # type: ignore[misc]
        JobRecord(tmp_path).commit(lambda _, facts=facts: facts, by=OTHER, event=event)  # type: ignore[misc]
    assert record_files(tmp_path) == before


def test_what_a_commit_returns_is_what_is_read_back(tmp_path: Path, batches: Batches, make_job: MakeJob) -> None:
    manifest = make_job(tmp_path, batches).manifest()
    assert canonical_bytes(manifest.document) == canonical_bytes(JobRecord(tmp_path).manifest().document)


# ---- file systems with ways of their own


def test_a_link_that_was_made_but_whose_reply_was_lost_counts_as_written(
    tmp_path: Path, fact: MakeFact, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A network drive that did the link, lost the reply, and when asked again answers that the name exists."""
    record = create_job(tmp_path, "2611-04", by="Imre Falk")
    link = os.link

    def lose_reply(source: Path, target: Path) -> None:
        link(source, target)
        link(source, target)

    monkeypatch.setattr(os, "link", lose_reply)
    manifest = commit(record, fact("frame"))
    assert manifest.head.entry == 2
    assert [each["kind"] for each in told(record)] == ["job", "frame"]
    assert sorted(record_files(tmp_path)) == [entry_name(1), entry_name(2)]


def test_a_link_that_was_made_but_ended_in_an_error_is_found_again(
    tmp_path: Path, fact: MakeFact, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = create_job(tmp_path, "2611-04", by="Imre Falk")
    link = os.link

    def fail_after(source: Path, target: Path) -> None:
        link(source, target)
        raise OSError(errno.EIO, "the drive went away")

    monkeypatch.setattr(os, "link", fail_after)
    with pytest.raises(VolumeError) as caught:
        commit(record, fact("frame"))
    assert (caught.value.code, caught.value.retryable) == ("V003", True)
    monkeypatch.undo()
    assert commit(record, fact("frame")).head.entry == 2
    assert [each["kind"] for each in told(record)] == ["job", "frame"]


@pytest.mark.parametrize("number", [errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK])
def test_without_links_a_rename_is_used_that_never_replaces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "link", refuse)
    path = tmp_path / "00000001.json"
    assert durable_file.write_if_absent(path, b"first")
    assert not durable_file.write_if_absent(path, b"second")
    assert durable_file.write_if_absent(path, b"first"), "the same bytes count as written"
    assert [(found.name, found.read_bytes()) for found in tmp_path.iterdir()] == [(path.name, b"first")]


def test_a_race_is_lost_without_links_as_with_them(
    tmp_path: Path, fact: MakeFact, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr(os, "link", refuse)
    test_a_proposal_that_lost_the_race_is_made_again_on_the_new_state(tmp_path, fact)


def test_a_folder_with_neither_links_nor_such_a_rename_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> bool:
        raise OSError(errno.EINVAL, "no such call on this file system")

    monkeypatch.setattr(os, "link", refuse)
    monkeypatch.setattr(file_system, "rename_if_absent", refuse)
    with pytest.raises(RecordError, match="neither hard links nor a rename") as caught:
        create_job(tmp_path, "2611-04", by="Imre Falk")
    assert caught.value.code == "R005"
    assert list((tmp_path / "record").iterdir()) == []


def test_a_rename_that_replaces_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def replace(temporary: Path, path: Path) -> bool:
        temporary.replace(path)
        return True

    monkeypatch.setattr(durable_file, "place_if_absent", replace)
    with pytest.raises(RecordError, match="two writers there could overwrite each other") as caught:
        create_job(tmp_path, "2611-04", by="Imre Falk")
    assert caught.value.code == "R005"


def test_a_full_disk_leaves_the_record_as_it_was(
    tmp_path: Path, fact: MakeFact, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = create_job(tmp_path, "2611-04", by="Imre Falk")
    before = record_files(tmp_path)

    def refuse(_: object) -> None:
        raise OSError(errno.ENOSPC, "no space left")

    monkeypatch.setattr(file_system, "flush", refuse)
    with pytest.raises(VolumeError, match="is full") as caught:
        commit(record, fact("frame"))
    assert caught.value.code == "V003"
    assert record_files(tmp_path) == before
    monkeypatch.undo()
    assert commit(record, fact("frame")).head.entry == 2


def test_a_folder_without_a_record_is_an_empty_job(tmp_path: Path) -> None:
    record = JobRecord(tmp_path / "nothing")
    assert not record.exists()
    assert record.manifest().head == Head(0, "0" * 64)


# ---- two histories (R004)


def test_a_folder_restored_from_an_old_backup_is_refused(tmp_path: Path, batches: Batches, make_job: MakeJob) -> None:
    record = make_job(tmp_path / "job", batches)
    write_head(tmp_path / "backup", "2611-04", record.manifest().head)
    heads = read_heads(tmp_path / "backup" / "heads")
    assert heads == [record.manifest().head]
    check_not_forked(record, heads, where="volume backup")

    old = JobRecord(tmp_path / "old")
    shutil.copytree(record.record_folder, old.record_folder)
    for number in range(heads[0].entry - 3, heads[0].entry + 1):
        (old.record_folder / entry_name(number)).unlink()
    assert old.manifest().head.entry == heads[0].entry - 4, "by itself the shorter chain is whole"
    with pytest.raises(RecordError, match=f"ends before entry {heads[0].entry}, which volume backup knows") as caught:
        check_not_forked(old, heads, where="volume backup")
    assert caught.value.code == "R004"


def test_a_forked_history_is_refused(tmp_path: Path, batches: Batches, make_job: MakeJob, fact: MakeFact) -> None:
    record = make_job(tmp_path / "job", batches[:6])
    fork = JobRecord(tmp_path / "fork")
    shutil.copytree(record.folder, fork.folder)
    for each in (record, fork):
        commit(each, fact("block", frame=3, reason=f"said in {each.folder.name}"))
    commit(fork, fact("block", frame=3, revision=2, blocked=False))
    head = record.manifest().head
    with pytest.raises(RecordError, match=rf"Entry {head.entry} of the record .* two histories") as caught:
        check_not_forked(fork, [head], where="volume backup")
    assert caught.value.code == "R004"
    assert check_chain(fork.folder) == []
    (fault,) = check_chain(fork.folder, [head])
    assert fault.startswith(f"Entry {head.entry} of the record")


def test_an_older_head_is_no_fork(tmp_path: Path, batches: Batches, make_job: MakeJob) -> None:
    record = make_job(tmp_path, batches)
    for number in (1, 5):
        check_not_forked(record, [Head(number, digest_of(record_files(tmp_path)[entry_name(number)]))], where="v")
    check_not_forked(record, [], where="v")


def test_a_head_is_kept_once_and_one_that_cannot_be_read_is_passed_over(tmp_path: Path) -> None:
    head = Head(3, sha(3))
    write_head(tmp_path, "2611-04", head)
    (kept,) = (tmp_path / "heads").iterdir()
    before = kept.read_bytes()
    write_head(tmp_path, "2611-04", head)
    assert kept.read_bytes() == before
    (tmp_path / "heads" / "00000009-00000000.json").write_bytes(b"torn")
    assert read_heads(tmp_path / "heads") == [head]
    assert read_heads(tmp_path / "none") == []


# ---- documents


def test_a_document_is_adopted_when_it_changed_and_when_it_changed_back(tmp_path: Path) -> None:
    record = create_job(tmp_path, "2611-04", by="Imre Falk")
    first, second = {"format": 1, "name": "a", "n": 1}, {"format": 1, "name": "a", "n": 2}
    for content in (first, first, second, second, first):
        record.commit(lambda manifest, content=content: adopt(manifest, "look/a", content), by=BY, event="e")  # type: ignore[misc]
    adopted = [fact for fact in told(record) if fact["kind"] == "adopted"]
    assert [fact["content"]["n"] for fact in adopted] == [1, 2, 1]
    assert [fact["revision"] for fact in adopted] == [1, 2, 3]
    assert adopted[0]["sha256"] == digest_of(canonical_bytes(first))


# ---- people

NAMER = """
import sys, time
from pathlib import Path
from glassine.schemas.people import People

folder, writer = Path(sys.argv[1]), int(sys.argv[2])
(folder / f"ready-{writer}").touch()
while not (folder / "go").exists():
    time.sleep(0.001)
people = People(folder / "people.json")
print(people.person_of("Imre Falk"), people.person_of(f"Helper {writer}"), people.person_of(" imre  FALK"))
"""


def test_two_processes_give_a_name_the_same_id_and_lose_no_name(tmp_path: Path) -> None:
    said = [line.split() for line in run_writers(tmp_path, NAMER, 4)]
    assert len({ids[0] for ids in said}) == 1
    assert all(ids[2] == ids[0] for ids in said), "case and spaces make no other person"
    people = People(tmp_path / "people.json")
    assert [people.name_of(ids[1]) for ids in said] == [f"Helper {number}" for number in range(1, 5)]
    assert people.name_of(said[0][0]) == "Imre Falk"


def test_a_salt_of_its_own_keeps_names_from_being_tried(tmp_path: Path) -> None:
    ids = {People(tmp_path / name / "people.json").person_of("Imre Falk") for name in ("a", "b")}
    assert len(ids) == 2


def test_an_erased_name_leaves_the_chain_whole(
    tmp_path: Path, batches: Batches, make_job: MakeJob, fact: MakeFact
) -> None:
    record = make_job(tmp_path, batches)
    person = record.people.person_of("Noa Lind")
    commit(record, fact("brief", round=2), fact("hand_out", round=2, retoucher=person), by=person)
    assert record.people.find("noa lind") == person
    assert record.people.name_of(person) == "Noa Lind"
    before, head = record.manifest().document, record.manifest().head
    document = json.loads((tmp_path / "people.json").read_bytes())
    del document["people"][person]
    (tmp_path / "people.json").write_text(json.dumps(document))

    again = JobRecord(tmp_path)
    assert again.people.name_of(person) == person
    assert again.people.find("Noa Lind") is None
    assert again.manifest().document == before
    assert check_chain(tmp_path, [head]) == []
    assert not any(b"Noa" in content for content in record_files(tmp_path).values())
