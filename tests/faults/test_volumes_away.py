"""A backup that is away, or another disk in its place: work goes on, what is owed is said, and paid later."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from glassine.flows import ingest as ingest_module
from glassine.flows.arrival import Intake
from glassine.flows.studio import Studio
from glassine.schemas.errors import VolumeError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody import source_file
from glassine.tasks.custody.volume import make_volume

JOB = "2611-04"
Ingest = Callable[..., Document]


@pytest.fixture
def roots(opened: Studio) -> tuple[Path, Path]:
    return opened.folder.parent / "volumes" / "working", opened.folder.parent / "volumes" / "backup"


def test_the_backup_is_away_and_comes_back(
    opened: Studio,
    roots: tuple[Path, Path],
    small_card: Path,
    tmp_path: Path,
    ingest_now: Ingest,
    check_custody: Callable[..., Manifest],
) -> None:
    working, backup = roots
    shutil.move(backup, tmp_path / "drawer")
    outcome = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["frames"]) == (3, ["0001", "0002"])
    assert outcome["owed_copies"] >= 4
    assert [("backup" in problem, "is absent" in problem) for problem in outcome["problems"]] == [(True, True)]
    assert any("Do not format the card" in sentence for sentence in outcome["said"])
    assert not backup.exists()
    check_custody([working / JOB], small_card)

    backup.mkdir()  # an empty mount point is no volume
    assert ingest_now(opened, small_card)["status"] == 3
    assert list(backup.iterdir()) == []
    backup.rmdir()

    shutil.move(tmp_path / "drawer", backup)
    paid = ingest_now(opened, small_card)
    assert (paid["status"], paid["owed_copies"], paid["frames"]) == (0, 0, [])
    check_custody([working / JOB, backup / JOB], small_card)


def test_what_is_owed_is_paid_without_the_card(
    opened: Studio,
    roots: tuple[Path, Path],
    small_card: Path,
    tmp_path: Path,
    ingest_now: Ingest,
    verify_now: Callable[..., Document],
    check_custody: Callable[..., Manifest],
) -> None:
    working, backup = roots
    shutil.move(backup, tmp_path / "drawer")
    assert ingest_now(opened, small_card)["status"] == 3
    shutil.move(tmp_path / "drawer", backup)
    shutil.move(small_card, tmp_path / "formatted")
    assert verify_now(opened)["status"] == 0
    check_custody([working / JOB, backup / JOB], tmp_path / "formatted")


def test_another_disk_at_the_backups_path(
    opened: Studio,
    roots: tuple[Path, Path],
    small_card: Path,
    tmp_path: Path,
    ingest_now: Ingest,
    snapshot: Callable[..., dict[str, Any]],
) -> None:
    working, backup = roots
    shutil.move(backup, tmp_path / "drawer")
    make_volume(backup, "someone's")
    before = snapshot(backup)
    outcome = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["frames"]) == (3, ["0001", "0002"])
    assert ["another disk is mounted there" in problem for problem in outcome["problems"]] == [True]
    assert snapshot(backup) == before
    assert len(list((working / JOB / "originals").rglob("SIMU*"))) == 3


@pytest.mark.parametrize("there", ["nothing", "another disk"])
def test_the_working_volume_is_away(
    opened: Studio,
    roots: tuple[Path, Path],
    small_card: Path,
    tmp_path: Path,
    ingest_now: Ingest,
    snapshot: Callable[..., dict[str, Any]],
    there: str,
) -> None:
    working = roots[0]
    shutil.move(working, tmp_path / "drawer")
    if there == "another disk":
        make_volume(working, "someone's")
    before = snapshot(opened.folder.parent)
    with pytest.raises(VolumeError) as away:
        ingest_now(opened, small_card)
    assert (away.value.code, away.value.exit_status) == ({"nothing": "V001", "another disk": "V002"}[there], 3)
    assert snapshot(opened.folder.parent) == before


@pytest.mark.parametrize("then", ["an empty mount point", "nothing", "another disk"])
def test_the_backup_is_pulled_out_on_the_way(
    opened: Studio,
    roots: tuple[Path, Path],
    small_card: Path,
    tmp_path: Path,
    ingest_now: Ingest,
    check_custody: Callable[..., Manifest],
    monkeypatch: pytest.MonkeyPatch,
    then: str,
) -> None:
    working, backup = roots
    real = Intake._copy_file

    def copy_file(batch: Intake, file: Any, *words: Any) -> Any:
        if file.name == "SIMU0001.NEF":
            shutil.move(backup, tmp_path / "drawer")
            if then == "an empty mount point":
                backup.mkdir()
            elif then == "another disk":
                make_volume(backup, "someone's")
        return real(batch, file, *words)

    with monkeypatch.context() as patch:
        patch.setattr(Intake, "_copy_file", copy_file)
        patch.setattr(ingest_module, "GROUPS_AT_ONCE", 1)  # no other copy is just beginning
        outcome = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["frames"]) == (3, ["0001", "0002"])
    assert outcome["owed_copies"] > 0
    assert not (backup / JOB).exists()  # nothing was written into what is not the backup
    if backup.exists():
        shutil.rmtree(backup)
    shutil.move(tmp_path / "drawer", backup)
    assert ingest_now(opened, small_card)["status"] == 0
    check_custody([working / JOB, backup / JOB], small_card)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only the super-user may mount")
def test_the_backup_is_unmounted_on_the_way(
    opened: Studio,
    roots: tuple[Path, Path],
    small_card: Path,
    tmp_path: Path,
    ingest_now: Ingest,
    check_custody: Callable[..., Manifest],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A real mount that goes while files are open on it: no folder is made at its empty mount point, what it lacks is
    said to be owed, and is paid when it is mounted again."""
    working, backup = roots
    drawer = tmp_path / "drawer"
    shutil.move(backup, drawer)
    backup.mkdir()
    mount, unmount = ["mount", "--bind", str(drawer), str(backup)], ["umount", "--lazy", str(backup)]
    if subprocess.run(mount, check=False).returncode:
        pytest.skip("this system lets nobody mount")
    mounted = [backup]
    real = source_file.SourceFile.blocks

    def blocks(source: source_file.SourceFile) -> Iterator[bytes]:
        for block in real(source):
            yield block
            if source.path.name == "SIMU0001.NEF" and mounted:
                subprocess.run(unmount, check=True)
                mounted.clear()

    try:
        with monkeypatch.context() as patch:
            patch.setattr(source_file.SourceFile, "blocks", blocks)
            patch.setattr(source_file, "BLOCK_BYTES", 4096)
            patch.setattr(ingest_module, "GROUPS_AT_ONCE", 1)  # so that it is known what was copied before
            outcome = ingest_now(opened, small_card)
        assert (outcome["status"], outcome["frames"]) == (3, ["0001", "0002"])
        assert outcome["owed_copies"] > 0
        assert list(backup.iterdir()) == []
        subprocess.run(mount, check=True)
        mounted.append(backup)
        assert ingest_now(opened, small_card)["status"] == 0
        check_custody([working / JOB, backup / JOB], small_card)
    finally:
        if mounted:
            subprocess.run(unmount, check=True)
