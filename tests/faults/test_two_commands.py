"""Two commands on one job at once, as processes of their own: nothing is lost, nothing is there twice, each ends sensibly."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.validation import Document

JOB = "2611-04"

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="os.fork")


AT_ONCE = """
import importlib, json, os, sys
from pathlib import Path
from glassine.flows import ingest, selects_round, verify
from glassine.flows.outcome import failure
from glassine.schemas.errors import GlassineError

for module in (ingest, verify):  # without the flow engine: its server costs 8 s of processor time a command
    module.run_batches = lambda name, work, batches: (work(batch) for batch in batches)
folder, calls = Path(sys.argv[1]), json.loads(sys.argv[2])
gate, opener = os.pipe()
children = []
for number, (named, words) in enumerate(calls):
    child = os.fork()
    if child == 0:
        os.close(opener)
        os.read(gate, 1)  # until all are there
        module, name = named.split(".")
        try:
            outcome = getattr(importlib.import_module(f"glassine.flows.{module}"), name).fn(**words)
        except GlassineError as error:
            outcome = failure(error)
        except BaseException as error:
            outcome = {"status": repr(error)}
        (folder / f"{number}.json").write_text(json.dumps(outcome))
        os._exit(0)
    children.append(child)
os.close(opener)
for child in children:
    os.waitpid(child, 0)
"""


def at_once(studio: Studio, tmp_path: Path, *calls: tuple[str, Document]) -> list[Document]:
    """Run every flow, named `module.flow`, in a process of its own, all from the same moment; the outcome of each."""
    common = {"studio": str(studio.folder), "job": JOB}
    words = json.dumps([(named, {**common, **given}) for named, given in calls])
    for old in tmp_path.glob("?.json"):
        old.unlink()
    subprocess.run([sys.executable, "-c", AT_ONCE, str(tmp_path), words], check=True, timeout=240)
    return [json.loads((tmp_path / f"{number}.json").read_text("utf-8")) for number in range(len(calls))]


def test_ingests_repairs_marks_and_a_closing_at_once(opened: Studio, small_card: Path, tmp_path: Path) -> None:
    working, backup = (opened.folder.parent / "volumes" / name / JOB for name in ("working", "backup"))
    second = tmp_path / "second" / "DCIM" / "102SIMUL"
    second.mkdir(parents=True)
    for number in range(3):
        (second / f"SIMU001{number}.NEF").write_bytes(bytes([number]) * 20_000)
    (second / "SIMU0001.DNG").write_bytes((small_card / "DCIM/100SIMUL/SIMU0001.DNG").read_bytes())  # on both cards

    # The same card twice, and another one that shares a frame with it.
    cards = (small_card, small_card, second.parents[1])
    ingests = (("ingest.ingest", {"sources": [str(card)], "by": "Imre Falk"}) for card in cards)
    ended = at_once(opened, tmp_path, *ingests)
    assert [(outcome["status"], outcome["problems"]) for outcome in ended] == [(0, [])] * 3
    frames = JobRecord(working).manifest().frames
    assert sorted(frame["name"] for frame in frames) == [
        "SIMU0001.DNG",
        "SIMU0001.NEF",
        "SIMU0010.NEF",
        "SIMU0011.NEF",
        "SIMU0012.NEF",
    ]
    assert [frame["frame"] for frame in frames] == [1, 2, 3, 4, 5]
    manifest = JobRecord(working).manifest()
    for folder in (working, backup):
        volume = json.loads((folder.parent / "glassine-volume.json").read_text("utf-8"))["volume"]
        copies = [copy for _, file in manifest.every_file() for copy in file["copies"] if copy["volume"] == volume]
        known = [copy["path"] for copy in copies if copy["path"].startswith("originals/")]
        there = [path.relative_to(folder).as_posix() for path in (folder / "originals").rglob("*") if path.is_file()]
        assert sorted(known) == sorted(there)  # nothing that no fact names, and no fact without its file
        # Five frames, a camera JPEG, a text. What lies on two cards in two folders may have met no other copy yet.
        assert len({(folder / path).read_bytes() for path in there}) == 7 <= len(there) <= 8
    assert check_chain(working) == []

    # Two people mark one round while a copy is mended.
    (rotten,) = backup.rglob("SIMU0010.*")
    rotten.write_bytes(b"rot")
    mended, first, other = at_once(
        opened,
        tmp_path,
        ("verify.verify", {"repair": True, "by": "Imre Falk"}),
        ("selects_round.mark", {"round_name": "edit", "listed": "1, 2", "by": "Imre Falk"}),
        ("selects_round.mark", {"round_name": "edit", "listed": "2, 3", "by": "Ada Quill"}),
    )
    assert (mended["status"], first["status"], other["status"]) == (0, 0, 0)
    assert rotten.read_bytes() == bytes([0]) * 20_000
    (edit,) = JobRecord(working).manifest().document["selects_rounds"]
    assert {number: len(people) for number, people in edit["marks"].items()} == {"1": 1, "2": 2, "3": 1}

    # One closes the round while the other marks: the mark is in it, or is refused; never lost without a word.
    closing, late = at_once(
        opened,
        tmp_path,
        ("selects_round.close", {"round_name": "edit", "by": "Imre Falk"}),
        ("selects_round.mark", {"round_name": "edit", "listed": "4", "by": "Ada Quill"}),
    )
    assert closing["status"] == 0
    (edit,) = JobRecord(working).manifest().document["selects_rounds"]
    assert edit["closed"]
    assert late["status"] == (0 if "4" in edit["marks"] else 2)
    assert check_chain(working) == check_chain(backup) == []
