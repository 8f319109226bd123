"""A full disk: exit status 3, one sentence, nothing half, and a later run pays what is owed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.errors import VolumeError
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
Ingest = Callable[..., Document]


@pytest.fixture
def mount_small(tmp_path: Path) -> Iterator[Callable[[Path, int], Path]]:
    """Put a file system of so many KiB under a folder, with what the folder holds; for the super-user on Linux only."""
    mounted: list[Path] = []

    def mount(folder: Path, kibibytes: int) -> Path:
        kept = tmp_path / f"kept-{folder.name}"
        shutil.copytree(folder, kept)
        words = ["mount", "-t", "tmpfs", "-o", f"size={kibibytes}k", "none", str(folder)]
        if not sys.platform.startswith("linux") or os.geteuid() or subprocess.run(words, check=False).returncode:
            pytest.skip("only the super-user may mount a small file system")
        mounted.append(folder)
        shutil.copytree(kept, folder, dirs_exist_ok=True)
        return folder

    yield mount
    for folder in mounted:
        subprocess.run(["umount", str(folder)], check=True)


def make_larger(folder: Path) -> None:
    subprocess.run(["mount", "-o", "remount,size=16384k", str(folder)], check=True)


def roots(studio: Studio) -> tuple[Path, Path]:
    return studio.folder.parent / "volumes" / "working", studio.folder.parent / "volumes" / "backup"


@pytest.mark.parametrize("free", [0, 4, 8, 12, 16, 20])
def test_the_backup_is_full(
    opened: Studio,
    small_card: Path,
    ingest_now: Ingest,
    mount_small: Callable[[Path, int], Path],
    check_custody: Callable[..., Manifest],
    free: int,
) -> None:
    working, backup = roots(opened)
    mount_small(backup, 1024)
    filler = backup / "filler"
    with filler.open("wb") as stream:
        left = shutil.disk_usage(backup).free - free * 1024
        stream.write(b"\0" * left)
    outcome = ingest_now(opened, small_card)
    assert (outcome["ok"], outcome["status"]) == (False, 3)
    assert outcome["owed_copies"] > 0
    assert outcome["frames"] == ["0001", "0002"]
    (sentence,) = [problem for problem in outcome["problems"] if str(backup / JOB / "originals") in problem]
    assert "is full" in sentence
    assert len(outcome["problems"]) == len(set(outcome["problems"])) <= 4  # one a folder that was written to
    manifest = check_custody([working / JOB, backup / JOB], small_card, whole=False)
    assert all(frame["copies"] for frame in manifest.frames)
    assert [path.name for path in backup.rglob(".glassine-*")] == []

    make_larger(backup)
    assert ingest_now(opened, small_card)["status"] == 0
    check_custody([working / JOB, backup / JOB], small_card)


@pytest.mark.parametrize("free", [0, 4, 16, 28, 40])
def test_the_working_volume_is_full(
    opened: Studio,
    small_card: Path,
    ingest_now: Ingest,
    mount_small: Callable[[Path, int], Path],
    check_custody: Callable[..., Manifest],
    free: int,
) -> None:
    """However far it comes, it says so once; the entry that cannot be written is written by the next run."""
    working, backup = roots(opened)
    mount_small(working, 1024)
    with (working / "filler").open("wb") as stream:
        stream.write(b"\0" * (shutil.disk_usage(working).free - free * 1024))
    try:
        outcome = ingest_now(opened, small_card)
    except VolumeError as error:
        assert error.code == "V003"
        assert error.exit_status == 3
        assert str(working / JOB) in str(error)
        assert "is full" in str(error)
    else:
        assert outcome["status"] == 3
        assert any(str(working / JOB) in problem and "is full" in problem for problem in outcome["problems"])
    assert check_chain(working / JOB) == []
    JobRecord(working / JOB).manifest()
    assert [path.name for path in working.rglob(".glassine-*")] == []

    make_larger(working)
    assert ingest_now(opened, small_card)["status"] == 0
    check_custody([working / JOB, backup / JOB], small_card)


LIMITED = """
import json, resource, sys
from pathlib import Path
from glassine.flows import ingest
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import read_studio

ingest.run_batches = lambda name, work, batches: (work(batch) for batch in batches)  # without the flow engine
resource.setrlimit(resource.RLIMIT_FSIZE, (9_500, 9_500))
job = OpenJob(read_studio(Path(sys.argv[1])), "2611-04", "Imre Falk")
tally = ingest.Tally()
ingest.take_in(job, [Path(sys.argv[2])], None, tally)
print(json.dumps(tally.problems + job.finish()))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="RLIMIT_FSIZE")
def test_a_file_that_is_too_large_for_the_volumes(
    opened: Studio, small_card: Path, ingest_now: Ingest, check_custody: Callable[..., Manifest]
) -> None:
    """RLIMIT_FSIZE (IEEE Std 1003.1, setrlimit): a write past it fails with EFBIG, whoever runs the test."""
    words = [sys.executable, "-W", "error", "-c", LIMITED, str(opened.folder), str(small_card)]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=120)
    problems: list[str] = json.loads(done.stdout)
    assert done.stderr == ""
    assert any("SIMU0001.DNG was not taken in" in problem for problem in problems)
    assert any("File too large" in problem for problem in problems)
    folders = [root / JOB for root in roots(opened)]
    manifest = check_custody(folders, small_card, whole=False)
    assert [frame["name"] for frame in manifest.frames] == ["SIMU0001.NEF"]
    assert [stray["name"] for stray in manifest.document["strays"]] == ["NOTES.TXT"]
    # The JPEG of the frame that failed waits for it, or it would be taken for a frame of its own.
    assert not [path for folder in folders for path in folder.rglob("*.JPG")]
    assert not [path for folder in folders for path in folder.rglob(".glassine-*")]

    outcome: dict[str, Any] = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["frames"]) == (0, ["0002"])
    manifest = JobRecord(folders[0]).manifest()
    assert [len(frame["copies"]) for frame in manifest.frames] == [2, 2]
    assert [[file["name"] for file in frame["companions"]] for frame in manifest.frames] == [[], ["SIMU0001.JPG"]]
