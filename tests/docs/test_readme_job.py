"""README's job, step by step: every line of it is run, one after the other, as it stands there."""

from __future__ import annotations

import io
import json
import re
import shlex
import shutil
from contextlib import redirect_stdout
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from glassine.flows.cli import main
from glassine.flows.studio import VARIABLE
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.tasks.handoff.xmp_sidecar import write_sidecar
from glassine.tasks.imaging.simulated_camera import CaptureData, take_frame
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_set import Scene
from glassine.tasks.imaging.tiff_picture import read_picture, write_picture

README = Path(__file__).resolve().parents[2] / "README.md"
JOB = "2611-04"
FRAMES = GREY_CARD = 10
PLAYED_ELSEWHERE = ("glassine demo", "glassine studio add-volume bank=")
"""The demo takes minutes (tests/flows/test_demo.py plays it); a server is asked in tests/conformance."""


def lines_of(text: str) -> list[str]:
    """The lines of the code blocks, from the first step of the job on."""
    steps = text.partition("## A real job, step by step")[2].partition("## What is on disk")[0]
    return [line.strip() for line in steps.splitlines() if re.match(r" {4,}\S", line)]


class Reader:
    """Somebody who types what README says, on a machine whose disks lie in one folder."""

    def __init__(self, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.root, self.monkeypatch = root, monkeypatch
        self.here = root

    def card(self) -> None:
        folder = self.root / "media" / "CARD" / "DCIM" / "100SIMUL"
        folder.mkdir(parents=True)
        begun = datetime(2026, 11, 24, 14, 3, 20, tzinfo=UTC)
        for index in range(FRAMES):
            capture = CaptureData(counter=index + 1, taken=begun + timedelta(seconds=17 * index))
            light = render_scene(replace(Scene(), seed=index), 200, 300)
            if index + 1 == GREY_CARD:
                light = np.full_like(light, 0.12)
            take_frame(folder / f"SIMU{index + 1:04d}.DNG", light, capture, seed=index)
        sidecars = self.root / "path" / "to" / "sidecars"
        sidecars.mkdir(parents=True)
        write_sidecar(sidecars / "SIMU0003.xmp", rating=-1)

    def type(self, line: str) -> int:
        """Run one line; returns its exit status."""
        for folder in ("/data/jobs", "/mnt/backup", "/mnt/offsite", "/media/CARD", "/path/to/sidecars"):
            line = line.replace(folder, str(self.root / folder[1:]))
        words = shlex.split(line, comments=True)
        if words[0] == "cd":
            self.here = self.here / words[1]
            self.monkeypatch.chdir(self.here)
            return 0
        assert words[0] == "glassine", line
        self.meanwhile(words)
        target = None
        if ">" in words:
            words, target = words[: words.index(">")], self.here / words[-1]
        said = io.StringIO()
        with redirect_stdout(said):
            status = main(words[1:])
        if target:
            target.write_text(said.getvalue(), encoding="utf-8")
        return status

    def meanwhile(self, words: list[str]) -> None:
        """What others do before a line: a retoucher returns a file, somebody finds one on the web, ids are looked up."""
        if words[1:3] == ["retouch", "confirm"]:
            (draft,) = JobRecord(self.job).manifest().frame(9)["drafts"]
            words[5] = draft["note"]
        if words[1:3] == ["retouch", "take-back"]:
            self.retouch(self.here / words[5])
        if words[1:3] == ["audit", "--file"]:
            (found,) = list(self.here.rglob("data/2611-04_0005_print.*"))[:1]
            shutil.copyfile(found, self.here / words[3])
        if words[1:3] == ["look", "tune"]:
            self.monkeypatch.setattr("sys.stdin", io.StringIO("filter orange\nblack D 1.6\nsave\nquit\n"))
        if words[1] == "wrap":  # the backup is another disk, as README says it should be
            identity = self.root / "mnt" / "backup" / "glassine-volume.json"
            known = json.loads(identity.read_text("utf-8"))
            identity.write_text(json.dumps({**known, "medium": "another disk"}), encoding="utf-8")

    @property
    def job(self) -> Path:
        return self.root / "data" / "jobs" / JOB

    def retouch(self, returned: Path) -> None:
        """Every note is done, and one thing more."""
        frame = JobRecord(self.job).manifest().frame(9)
        picture, info = read_picture(self.job / frame["rounds"][-1]["brief"]["base"]["path"])
        height, width = picture.shape[:2]
        regions = [note["region"] for note in frame["notes"]]
        for region in (*regions, {"x": 2, "y": 2, "width": 6, "height": 6}):
            rows = slice(int(height * region["y"] / 100), int(height * (region["y"] + region["height"]) / 100))
            columns = slice(int(width * region["x"] / 100), int(width * (region["x"] + region["width"]) / 100))
            picture[rows, columns] = np.minimum(picture[rows, columns] + np.float32(0.2), 1)
        write_picture(returned, picture, info.profile)


def test_the_job_of_readme_runs_line_by_line(
    flow_engine: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    lines = [line for line in lines_of(README.read_text("utf-8")) if not line.startswith(PLAYED_ELSEWHERE)]
    assert len(lines) >= 35
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.chdir(tmp_path)
    reader = Reader(tmp_path, monkeypatch)
    reader.card()
    for line in lines:
        status = reader.type(line)
        assert status == 0, f"{line}\n{capfd.readouterr()}"
    manifest = JobRecord(reader.job).manifest()
    assert check_chain(reader.job) == []
    stages = {frame["frame"]: frame["stage"] for frame in manifest.frames}
    assert (stages[5], stages[9]) == ("delivered", "delivered")
    assert manifest.frame(9)["finals"][0]["frames"] == [9, 7]
    assert all(delivery["handed_over"] for delivery in manifest.document["deliveries"])
    assert {copy["outcome"] for _, holder in manifest.every_file() for copy in holder["copies"]} == {"whole"}
    receipts = [json.loads(path.read_bytes()) for path in (reader.here / "clients").rglob("*-receipt.json")]
    assert {receipt["client"] for receipt in receipts} == {"Sorrel Lane Instruments"}
