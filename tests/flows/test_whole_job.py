"""The whole job, stage by stage: what each leaves behind, and that a second run of each changes nothing."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.job_record import check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document, check_document

Contents = dict[str, str]
JOB, PHOTOGRAPHER, CLIENT = "2611-04", "Imre Falk", "Sorrel Lane Instruments"
AGAIN: list[tuple[str, str, dict[str, Any]]] = [
    ("ingested", "ingest", {"set_up": "bench"}),
    ("proofed", "proof", {}),
    ("closed", "selects_round.close", {"round_name": "edit", "by": PHOTOGRAPHER}),
    (
        "handed out",
        "retouch.brief",
        {"frame": 1, "notes": ["xywh=percent:25,25,30,30 | take out the mark"], "grader": PHOTOGRAPHER},
    ),
    ("handed out", "retouch.hand_out", {"frames": [1], "retoucher": "Noa Lind", "due": "2999-12-01"}),
    ("returned", "retouch_return.take_back", {"frame": 1}),
    ("graded", "grade", {"unretouched": [3]}),
    ("signed", "grade.sign_off", {"frames": [1, 3], "by": PHOTOGRAPHER}),
    ("delivered", "deliver", {"client": CLIENT}),
    ("delivered", "advance", {}),
]


def test_stages_of_the_frames_follow_from_the_facts(
    shoot: dict[str, Path], at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("delivered")
    manifest = manifest_of(studio)
    assert [frame["stage"] for frame in manifest.frames] == ["delivered", "held", "delivered", "out"]
    check_document(manifest.document, "manifest", label="manifest")
    assert check_chain(studio.job_folder(JOB)) == []
    wanted = {
        "ingested": ["received"] * 4,
        "proofed": ["proofed"] * 4,
        "closed": ["selected", "held", "selected", "out"],
        "handed out": ["handed out", "held", "selected", "out"],
        "returned": ["returned", "held", "selected", "out"],
        "graded": ["final", "held", "final", "out"],
        "signed": ["signed off", "held", "signed off", "out"],
    }
    for stage, stages in wanted.items():
        folder = shoot[stage] / "volumes" / "working" / JOB
        assert [frame["stage"] for frame in _manifest_in(folder).frames] == stages, stage


def test_backup_holds_all_that_cannot_be_made_again(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest], contents: Callable[[Path], Contents]
) -> None:
    studio = at("delivered")
    working = contents(studio.job_folder(JOB))
    (backup,) = studio.backups()[0]
    kept = contents(backup.job_folder(JOB))
    for sha256, holder in manifest_of(studio).every_file():
        assert kept[holder["path"]] == sha256, holder["path"]
    for name in ("record", "people.json", "job.json"):
        mine = {path: digest for path, digest in working.items() if path.startswith(name)}
        assert mine
        assert {path: digest for path, digest in kept.items() if path.startswith(name)} == mine
    newest = f"heads/{manifest_of(studio).head.entry:08d}-{manifest_of(studio).head.sha256[:8]}.json"
    assert newest in kept
    roles = {holder["role"] for _, holder in manifest_of(studio).every_file() if "role" in holder}
    assert roles >= {"companion", "stray", "job sheet", "brief", "return", "receipt"}


@pytest.mark.parametrize(("stage", "flow", "words"), AGAIN, ids=[f"{flow}" for _, flow, _ in AGAIN])
def test_second_run_changes_nothing(
    stage: str,
    flow: str,
    words: dict[str, Any],
    at: Callable[[str], Studio],
    run: Callable[..., Document],
    card: Path,
    contents: Callable[[Path], Contents],
) -> None:
    studio = at(stage)
    if flow == "ingest":
        words = {**words, "sources": [str(card)]}
    if flow == "retouch_return.take_back":
        words = {**words, "file": str(studio.folder.parent / "returns" / "0001.tif")}
    if flow == "advance":
        run(flow, studio)  # the contact sheet shows the marks, which came after it
    before = contents(studio.folder.parent)
    outcome = run(flow, studio, **words)
    assert outcome["ok"], outcome
    assert contents(studio.folder.parent) == before


def test_job_lost_with_its_working_disk_comes_back_from_the_backup(
    at: Callable[[str], Studio], run: Callable[..., Document], manifest_of: Callable[..., Manifest]
) -> None:
    """What DESIGN.md promises of holdings: a lost working disk loses nothing, and the work goes on."""
    studio = at("returned")
    before = manifest_of(studio).document
    (backup,) = studio.backups()[0]
    working = studio.job_folder(JOB)
    shutil.rmtree(working)
    shutil.copytree(backup.job_folder(JOB), working)
    assert manifest_of(studio).document == before
    outcome = run("advance", studio)
    assert outcome["ok"], outcome
    finals = manifest_of(studio).frame(1)["finals"]
    assert [(final["final"], final["round"]) for final in finals] == [("print", 1), ("colour", 1)]
    assert all((working / final["path"]).is_file() for final in finals)


def _manifest_in(folder: Path) -> Manifest:
    from glassine.schemas.job_record import JobRecord

    return JobRecord(folder).manifest()
