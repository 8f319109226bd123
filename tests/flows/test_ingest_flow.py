"""Ingest: what a card becomes in custody, whatever lies on it."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, VolumeError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody import card_walk

Run = Callable[..., Document]
JOB = "2611-04"


def test_frames_companions_and_strays(at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]) -> None:
    studio = at("ingested")
    manifest = manifest_of(studio)
    assert [(frame["number"], frame["name"]) for frame in manifest.frames] == [
        (f"{number:04d}", f"SIMU{number:04d}.DNG") for number in range(1, 5)
    ]
    assert [sorted(c["name"] for c in frame["companions"]) for frame in manifest.frames] == [
        ["SIMU0001.JPG", "SIMU0001.xmp"],
        ["SIMU0002.xmp"],
        [],
        [],
    ]
    assert [stray["name"] for stray in manifest.document["strays"]] == ["NOTES.TXT"]
    assert {frame["set_up"] for frame in manifest.frames} == {"bench"}
    first = manifest.frames[0]
    assert (first["camera"], first["serial"], first["counter"]) == ("Glassine Simulated Camera", "GS-000117", 1)
    assert first["captured"] == "2026-11-24T14:03:20.000+01:00"
    ids = {volume.volume for volume in (studio.working_volume(), *studio.backups()[0])}
    for sha256, holder in manifest.every_file():
        assert {copy["volume"] for copy in holder["copies"]} == ids
        for volume in (studio.working_volume(), *studio.backups()[0]):
            lies = volume.locate(JOB, holder["path"])
            assert hashlib.sha256(lies.read_bytes()).hexdigest() == sha256


def test_same_name_other_content_is_kept_beside_it_and_same_content_is_seen_only(
    at: Callable[[str], Studio], run: Run, card: Path, tmp_path: Path, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("ingested")
    folder = tmp_path / "second" / "DCIM" / "100SIMUL"
    folder.mkdir(parents=True)
    shutil.copy(card / "DCIM" / "100SIMUL" / "SIMU0002.DNG", folder / "SIMU0001.DNG")  # known content, another name
    changed = (card / "DCIM" / "100SIMUL" / "SIMU0003.DNG").read_bytes()
    (folder / "SIMU0003.DNG").write_bytes(changed[:-2] + bytes([changed[-2] ^ 1, changed[-1]]))
    outcome = run("ingest", studio, sources=[str(tmp_path / "second")], set_up="bench")
    assert outcome["ok"]
    assert (outcome["frames"], outcome["seen_again"]) == (["0005"], 1)
    manifest = manifest_of(studio)
    assert len({frame["path"] for frame in manifest.frames}) == 5
    assert manifest.frame(3)["name"] == manifest.frame(5)["name"] == "SIMU0003.DNG"
    assert manifest.frame(3)["sha256"] != manifest.frame(5)["sha256"]
    assert len(manifest.frame(2)["seen"]) == 2


def test_what_is_no_picture_is_kept_marked_and_reported(
    at: Callable[[str], Studio], run: Run, card: Path, tmp_path: Path, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("opened")
    source = tmp_path / "odd"
    source.mkdir()
    whole = (card / "DCIM" / "100SIMUL" / "SIMU0002.DNG").read_bytes()
    (source / "SHORT.DNG").write_bytes(whole[: len(whole) // 2])
    (source / "EMPTY.NEF").write_bytes(b"")
    (source / "WORDS.CR2").write_bytes(b"these are words\n")
    (source / "GOOD.DNG").write_bytes(whole)
    (source / "plan.txt").write_bytes(b"window first\n")
    (source / ".DS_Store").write_bytes(b"\0")
    (source / "link.DNG").symlink_to(source / "GOOD.DNG")
    outcome = run("ingest", studio, sources=[str(source)])
    assert outcome["status"] == 0
    manifest = manifest_of(studio)
    by_name = {frame["name"]: frame for frame in manifest.frames}
    assert sorted(by_name) == ["EMPTY.NEF", "GOOD.DNG", "SHORT.DNG", "WORDS.CR2"]
    assert [name for name in sorted(by_name) if by_name[name]["undecodable"]] == ["EMPTY.NEF", "SHORT.DNG", "WORDS.CR2"]
    assert outcome["undecodable"] == [by_name[name]["number"] for name in ("EMPTY.NEF", "SHORT.DNG", "WORDS.CR2")]
    assert outcome["strays"] == ["plan.txt"]
    assert [Path(litter).name for litter in outcome["litter"]] == [".DS_Store"]
    assert any("link.DNG" in passed for passed in outcome["passed_over"])
    for name in ("EMPTY.NEF", "SHORT.DNG", "WORDS.CR2"):
        assert any(name in line and "does not decode" in line for line in outcome["said"])
        assert len(by_name[name]["copies"]) == 2


def test_bad_calls_say_one_sentence_and_write_nothing(
    at: Callable[[str], Studio], run: Run, card: Path, contents: Callable[[Path], dict[str, str]]
) -> None:
    studio = at("opened")
    before = contents(studio.folder.parent)
    with pytest.raises(VolumeError, match="is not there: connect the card") as absent:
        run("ingest", studio, sources=[str(card / "nowhere")])
    assert (absent.value.code, absent.value.exit_status) == ("V004", 3)
    with pytest.raises(CallError, match=r"no set-up 'roof' \(known: bench, window\)") as unknown:
        run("ingest", studio, sources=[str(card)], set_up="roof")
    assert unknown.value.code == "W002"
    assert contents(studio.folder.parent) == before


def test_absent_backup_is_said_and_its_copies_are_owed_and_paid_later(
    at: Callable[[str], Studio], run: Run, card: Path, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("opened")
    (backup,) = studio.backups()[0]
    aside = backup.root.with_name("unplugged")
    backup.root.rename(aside)
    outcome = run("ingest", studio, sources=[str(card)])
    assert outcome["status"] == 3
    assert any("Volume backup is absent" in problem for problem in outcome["problems"])
    arrived = [holder for _, holder in manifest_of(studio).every_file() if holder.get("role") != "job sheet"]
    assert outcome["owed_copies"] == len(arrived) == 8
    assert any("Do not format the card" in line for line in outcome["said"])
    aside.rename(backup.root)
    assert run("ingest", studio, sources=[str(card)])["owed_copies"] == 0
    for _, holder in manifest_of(studio).every_file():
        assert len(holder["copies"]) == 2


def test_killed_in_the_middle_goes_on_where_it_stopped(
    at: Callable[[str], Studio], run: Run, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from glassine.flows import arrival as module

    studio = at("opened")
    from glassine.tasks.custody.replication import replicate as placed
    from glassine.tasks.custody.source_file import SourceFile

    calls: list[str] = []

    def stop_at_fourth(source: SourceFile, *words: object, **named: object) -> object:
        calls.append(source.label)
        if len(calls) == 4:
            raise KeyboardInterrupt
        return placed(source, *words, **named)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(module, "replicate", stop_at_fourth)
        with pytest.raises(KeyboardInterrupt):
            run("ingest", studio, sources=[str(card)])
    outcome = run("ingest", studio, sources=[str(card)])
    assert outcome["ok"]
    manifest = JobRecord(studio.job_folder(JOB)).manifest()
    assert [frame["name"] for frame in manifest.frames] == [f"SIMU{number:04d}.DNG" for number in range(1, 5)]
    originals = studio.job_folder(JOB) / "originals"
    lie = {path.relative_to(originals.parent).as_posix() for path in originals.rglob("*") if path.is_file()}
    assert lie == {holder["path"] for _, holder in manifest.every_file() if holder["path"].startswith("originals/")}


def test_of_two_names_of_one_content_the_one_on_the_volumes_is_recorded(tmp_path: Path) -> None:
    """Three groups are copied at once, and the later name may be placed first."""
    from glassine.flows.arrival import Arrival, arrival_facts
    from glassine.schemas.manifest import Manifest
    from glassine.tasks.custody.card_walk import FoundFile
    from glassine.tasks.custody.replication import PlacedCopy

    names = ("A0001.DNG", "B0001.DNG")
    first, second = (FoundFile(tmp_path / name, name, "100SIMUL", f"card/{name}", 3, 0) for name in names)
    placed = PlacedCopy("v-0000000000000001", "originals/100SIMUL/B0001.ba7816bf.DNG", "medium")
    sha256 = hashlib.sha256(b"abc").hexdigest()
    groups = [[Arrival(first, "original", sha256, 3, [])], [Arrival(second, "original", sha256, 3, [placed])]]
    facts = list(arrival_facts(Manifest(), groups, None))
    assert {fact["path"] for fact in facts if "path" in fact} == {placed.path}


def test_an_empty_source_is_no_success(at: Callable[[str], Studio], run: Run, tmp_path: Path) -> None:
    """An unmounted card looks like an empty folder."""
    (tmp_path / "card").mkdir()
    outcome = run("ingest", at("ingested"), sources=[str(tmp_path / "card")])
    assert outcome["status"] == 3
    assert "format" not in " ".join(outcome["said"] + outcome["problems"])


def test_copies_known_to_be_bad_are_said_before_a_card_is_formatted(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], card: Path
) -> None:
    studio = at("ingested")
    (backup,) = studio.backups()[0]
    backup.locate(JOB, manifest_of(studio).frame(1)["path"]).unlink()
    assert run("verify", studio)["status"] == 1
    outcome = run("ingest", studio, sources=[str(card)])
    assert (outcome["status"], outcome["bad_copies"]) == (1, 1)
    assert any("Do not format" in line for line in outcome["said"])


def test_content_lost_everywhere_comes_back_from_the_card(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], card: Path
) -> None:
    studio = at("ingested")
    path = manifest_of(studio).frame(1)["path"]
    for volume in (studio.working_volume(), *studio.backups()[0]):
        volume.locate(JOB, path).unlink()
    run("verify", studio)
    outcome = run("ingest", studio, sources=[str(card)])
    assert outcome["status"] == 0, outcome
    assert {copy["outcome"] for copy in manifest_of(studio).frame(1)["copies"]} == {"whole"}
    assert run("verify", studio)["bad"] == []


def test_a_folder_that_cannot_be_read_stops_no_other(
    at: Callable[[str], Studio],
    run: Run,
    manifest_of: Callable[..., Manifest],
    card: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    source = tmp_path / "card"
    shutil.copytree(card, source)
    (source / "bad").mkdir()
    real = os.scandir

    def scan(folder: Path) -> Any:
        if Path(folder).name == "bad":
            raise OSError(5, "Input/output error")
        return real(folder)

    monkeypatch.setattr(card_walk.os, "scandir", scan)  # type: ignore[attr-defined]
    studio = at("opened")
    outcome = run("ingest", studio, sources=[str(source)])
    assert outcome["status"] == 3
    assert any("Do not format" in line for line in outcome["said"])
    assert any("bad" in problem for problem in outcome["problems"])
    assert len(manifest_of(studio).frames) == 4
