"""A volume or a card that can only be read: exit status 3, one sentence, nothing half, and a later run pays what is owed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.errors import VolumeError
from glassine.schemas.job_record import check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
Ingest = Callable[..., Document]
SwitchReadOnly = Callable[[Path], Callable[[], None]]


@pytest.fixture
def make_read_only() -> Iterator[SwitchReadOnly]:
    """Have a folder be read-only until the function that comes back is called; for the super-user on Linux only.

    By a bind mount: permissions do not hold the super-user back, and whoever else runs the tests may not mount.
    """
    mounted: list[Path] = []

    def let_go(folder: Path) -> None:
        if folder in mounted:
            subprocess.run(["umount", str(folder)], check=True)
            mounted.remove(folder)

    def switch(folder: Path) -> Callable[[], None]:
        if not sys.platform.startswith("linux") or os.geteuid():
            pytest.skip("only the super-user may mount a folder over itself")
        if subprocess.run(["mount", "--bind", str(folder), str(folder)], check=False).returncode:
            pytest.skip("this system lets nobody mount")
        mounted.append(folder)
        subprocess.run(["mount", "-o", "remount,ro,bind", str(folder)], check=True)
        return lambda: let_go(folder)

    yield switch
    while mounted:
        let_go(mounted[0])


def roots(studio: Studio) -> tuple[Path, Path]:
    return studio.folder.parent / "volumes" / "working", studio.folder.parent / "volumes" / "backup"


def test_the_backup_can_only_be_read(
    opened: Studio,
    small_card: Path,
    ingest_now: Ingest,
    make_read_only: SwitchReadOnly,
    check_custody: Callable[..., Manifest],
) -> None:
    working, backup = roots(opened)
    let_go = make_read_only(backup)
    outcome = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["frames"]) == (3, ["0001", "0002"])
    assert all("Read-only file system" in problem for problem in outcome["problems"])
    assert all("mend that and run the same command again" in problem for problem in outcome["problems"])
    assert any("Do not format the card" in line for line in outcome["said"])
    check_custody([working / JOB], small_card)
    let_go()
    assert (ingest_now(opened, small_card)["status"], check_chain(working / JOB)) == (0, [])
    check_custody([working / JOB, backup / JOB], small_card)


def test_the_working_volume_can_only_be_read(
    opened: Studio,
    small_card: Path,
    ingest_now: Ingest,
    make_read_only: SwitchReadOnly,
    snapshot: Callable[..., dict[str, Any]],
    check_custody: Callable[..., Manifest],
) -> None:
    working, backup = roots(opened)
    before = snapshot(working)
    let_go = make_read_only(working)
    with pytest.raises(VolumeError, match="Read-only file system") as refused:
        ingest_now(opened, small_card)
    assert (refused.value.code, refused.value.exit_status) == ("V003", 3)
    assert snapshot(working) == before
    let_go()
    assert ingest_now(opened, small_card)["status"] == 0
    check_custody([working / JOB, backup / JOB], small_card)


def test_a_card_with_its_write_lock_set_is_a_card(
    opened: Studio, small_card: Path, ingest_now: Ingest, make_read_only: SwitchReadOnly
) -> None:
    make_read_only(small_card)
    assert ingest_now(opened, small_card)["status"] == 0


@pytest.mark.skipif(sys.platform == "win32" or not hasattr(os, "geteuid") or os.geteuid() == 0, reason="permissions")
def test_the_backup_belongs_to_somebody_else(
    opened: Studio, small_card: Path, ingest_now: Ingest, check_custody: Callable[..., Manifest]
) -> None:
    """The same for whoever is not the super-user: a folder without the right to write."""
    working, backup = roots(opened)
    folders = [backup, *(path for path in backup.rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o500)
    try:
        outcome = ingest_now(opened, small_card)
    finally:
        for folder in folders:
            folder.chmod(0o700)
    assert (outcome["status"], outcome["frames"]) == (3, ["0001", "0002"])
    assert all("Permission denied" in problem for problem in outcome["problems"])
    assert ingest_now(opened, small_card)["status"] == 0
    check_custody([working / JOB, backup / JOB], small_card)
