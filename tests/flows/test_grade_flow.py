"""Grade and sign-off: a final is one exact round in one exact look, the same bytes again, and somebody's decision."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

Run = Callable[..., Document]
JOB, PHOTOGRAPHER, MANAGER = "2611-04", "Imre Falk", "Tove Abel"


def test_finals_are_16_bit_with_a_profile_from_the_round_that_came_back(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("graded")
    manifest = manifest_of(studio)
    returned = manifest.frame(1)["rounds"][0]["take_backs"][0]["sha256"]
    rounds = {}
    for number in (1, 3):
        frame = manifest.frame(number)
        for final in frame["finals"]:
            path = studio.job_folder(JOB) / final["path"]
            assert hashlib.sha256(path.read_bytes()).hexdigest() == final["sha256"]
            with tifffile.TiffFile(path) as file:
                page = file.pages.first
                assert page.dtype == np.uint16
                assert 34675 in page.tags  # TIFF tag of the ICC profile (ICC.1, annex B)
            rounds[number, final["final"]] = (final["round"], final["sources"])
    assert rounds[1, "print"] == rounds[1, "colour"] == (1, [manifest.frame(1)["sha256"], returned])
    assert rounds[3, "print"] == rounds[3, "colour"] == (0, [manifest.frame(3)["sha256"]])


def test_rendered_again_they_are_the_same_bytes(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    """On the same pins and architecture, from the facts alone: the record of the first rendering is what it is held to."""
    from glassine.flows.grade import make_finals
    from glassine.flows.open_job import OpenJob
    from glassine.schemas.due import DueFinal

    studio = at("graded")
    job = OpenJob(studio, JOB, MANAGER)
    finals = [(number, final) for number in (1, 3) for final in manifest_of(studio).frame(number)["finals"]]
    for _, final in finals:
        job.path(final["path"]).unlink()
    head = job.manifest.head
    due = [DueFinal(number, final["final"], final["look"], final["round"]) for number, final in finals]
    made = make_finals(job, due)
    assert [hashlib.sha256(path.read_bytes()).hexdigest() for _, path in made] == [f["sha256"] for _, f in finals]
    assert job.manifest.head == head


def test_sign_off_is_bound_to_the_rendered_file_and_bears_a_name(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("graded")
    outcome = run("grade.sign_off", studio, frames=[1], final="print", by=PHOTOGRAPHER)
    assert outcome["said"] == [f"Frame 0001: final 'print' of round 1 may leave, says {PHOTOGRAPHER}."]
    run("grade.sign_off", studio, frames=[1], final="print", by=MANAGER)
    finals = {final["final"]: final["signed_off"] for final in manifest_of(studio).frame(1)["finals"]}
    assert finals["colour"] is None
    assert finals["print"]["person"] != manifest_of(studio).frame(1)["rounds"][0]["hand_out"]["retoucher"]
    assert manifest_of(studio).frame(1)["stage"] == "final", "every current final is signed off before the frame is"


@pytest.mark.parametrize(
    ("stage", "flow", "words"),
    [
        ("proofed", "grade", {"unretouched": [1]}),
        ("closed", "grade", {"unretouched": [2]}),
        ("handed out", "grade", {"unretouched": [1]}),
        ("closed", "grade.sign_off", {"frames": [1]}),
        ("graded", "grade.sign_off", {"frames": [1], "final": "poster"}),
    ],
)
def test_out_of_order_is_refused_and_nothing_is_rendered(
    at: Callable[[str], Studio],
    run: Run,
    stage: str,
    flow: str,
    words: dict[str, Any],
    contents: Callable[[Path], dict[str, str]],
) -> None:
    studio = at(stage)
    before = contents(studio.folder.parent)
    with pytest.raises(CallError) as refused:
        run(flow, studio, **words)
    assert refused.value.code == "W004"
    assert contents(studio.folder.parent) == before


def test_blocked_frame_is_neither_rendered_nor_signed(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    from glassine.flows.job_sheet import set_block

    studio = at("returned")
    set_block(studio, JOB, [1], "no release", blocked=True, by=None)
    assert run("grade", studio)["finals"] == []
    set_block(studio, JOB, [1], "release came", blocked=False, by=None)
    assert len(run("grade", studio)["finals"]) == 2
    set_block(studio, JOB, [1], "release withdrawn", blocked=True, by=None)
    with pytest.raises(CallError, match="is blocked"):
        run("grade.sign_off", studio, frames=[1])
    assert all(final["signed_off"] is None for final in manifest_of(studio).frame(1)["finals"])


def test_a_look_under_another_name_makes_nothing_stale(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], change_sheet: Callable[..., None]
) -> None:
    studio = at("graded")
    before = len(manifest_of(studio).frame(1)["finals"])
    looks = studio.folder / "looks"
    document = json.loads((looks / "lifted-mono.json").read_text("utf-8"))
    (looks / "renamed.json").write_text(json.dumps(document), encoding="utf-8")
    change_sheet(studio, finals=[{"final": "print", "look": "renamed"}, {"final": "colour", "look": "plain-colour"}])
    assert run("grade", studio)["finals"] == []
    finals = manifest_of(studio).frame(1)["finals"]
    assert (len(finals), [final["stale"] for final in finals]) == (before, [False] * before)
