"""Rounds of the cull: lists, ratings, conflicts between people, and what closing freezes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.handoff.xmp_sidecar import read_rating, write_sidecar

Run = Callable[..., Document]
JOB, PHOTOGRAPHER, EDITOR = "2611-04", "Imre Falk", "Ada Quill"


def test_list_becomes_marks_and_the_round_freezes_them(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("closed")
    frames = manifest_of(studio).frames
    assert [(f["selection"]["verdict"], f["selection"]["hero"]) for f in frames] == [
        ("select", True),
        ("hold", False),
        ("select", False),
        ("out", False),
    ]
    with pytest.raises(CallError, match=r"'edit' is closed since .* a new round") as late:
        run("selects_round.mark", studio, round_name="edit", listed="0002")
    assert (late.value.code, late.value.exit_status) == ("W004", 2)
    assert manifest_of(studio).frame(2)["selection"]["verdict"] == "hold"
    run("selects_round.mark", studio, round_name="second edit", listed="0002", by=PHOTOGRAPHER)
    run("selects_round.close", studio, round_name="second edit", by=PHOTOGRAPHER)
    assert manifest_of(studio).frame(2)["stage"] == "selected"
    assert manifest_of(studio).frame(1)["selection"]["round"] == "edit"


def test_sidecars_of_the_selects_bear_ratings_for_any_program(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("closed")
    hand_off = manifest_of(studio).selects_round("edit")["hand_off"]  # type: ignore[index]
    ratings = {file["frame"]: read_rating(studio.job_folder(JOB) / file["path"]) for file in hand_off}
    assert ratings == {1: 5, 3: 4}
    for file in hand_off:
        frame = manifest_of(studio).frame(file["frame"])
        assert Path(file["path"]).stem == Path(frame["path"]).stem, "named as the original in custody is"


def test_people_who_disagree_are_shown_and_the_frame_stays_undecided(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("proofed")
    run("selects_round.mark", studio, round_name="edit", listed="0001, 0003", by=PHOTOGRAPHER)
    outcome = run("selects_round.mark", studio, round_name="edit", listed="out 0001, hold 0002", by=EDITOR)
    (conflict,) = [line for line in outcome["said"] if line.startswith("Conflict")]
    assert "frame 0001" in conflict
    assert f"{PHOTOGRAPHER} says select" in conflict
    assert f"{EDITOR} says out" in conflict
    closed = run("selects_round.close", studio, round_name="edit", by=PHOTOGRAPHER)
    assert closed["selects"] == ["0003"]
    assert any(line.startswith("Conflict on frame 0001") for line in closed["said"])
    manifest = manifest_of(studio)
    assert manifest.frame(1)["selection"]["verdict"] == "conflict"
    assert manifest.frame(1)["stage"] == "proofed"
    assert [file["frame"] for file in manifest.selects_round("edit")["hand_off"]] == [3]  # type: ignore[index]
    with pytest.raises(CallError, match="no select of a closed round"):
        run("retouch.brief", studio, frame=1, notes=["xywh=percent:1,1,5,5 | dust"])


def test_person_may_change_their_mind_while_the_round_is_open(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("proofed")
    for listed, changed in (("0001", True), ("0001", False), ("out 0001", True), ("0001", True)):
        outcome = run("selects_round.mark", studio, round_name="edit", listed=listed, by=PHOTOGRAPHER)
        assert outcome["changed"] is changed, listed
    (mark,) = manifest_of(studio).selects_round("edit")["marks"]["1"].values()  # type: ignore[index]
    assert (mark["verdict"], mark["revision"]) == ("select", 3)


def test_remark_and_region_are_kept(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("proofed")
    words = {"round_name": "edit", "listed": "0001", "remark": "eyes", "region": "xywh=percent:40,20,10,8"}
    run("selects_round.mark", studio, **words, by=PHOTOGRAPHER)
    (mark,) = manifest_of(studio).selects_round("edit")["marks"]["1"].values()  # type: ignore[index]
    assert mark["remark"] == "eyes"
    assert mark["region"]
    assert run("selects_round.mark", studio, **words, by=PHOTOGRAPHER)["changed"] is False


def test_ratings_of_sidecars_in_a_folder_and_in_custody(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], tmp_path: Path
) -> None:
    studio = at("proofed")
    came = run("selects_round.mark", studio, round_name="on the card", by=PHOTOGRAPHER)
    assert came["counts"] == {"select": 1, "hold": 0, "out": 0}, "a rating of 0 says nothing, 3 is a select"
    assert list(manifest_of(studio).selects_round("on the card")["marks"]) == ["2"]  # type: ignore[index]
    for stem, rating in (("SIMU0003", 1), ("SIMU0004", -1)):
        write_sidecar(tmp_path / "ratings" / f"{stem}.xmp", rating=rating)
    run("selects_round.mark", studio, round_name="rated", ratings=str(tmp_path / "ratings"), by=PHOTOGRAPHER)
    marks = manifest_of(studio).selects_round("rated")["marks"]  # type: ignore[index]
    assert {frame: next(iter(given.values()))["verdict"] for frame, given in marks.items()} == {
        "3": "select",
        "4": "out",
    }


def test_what_is_unknown_is_named_all_of_it_and_nothing_is_taken(
    at: Callable[[str], Studio], run: Run, contents: Callable[[Path], dict[str, str]]
) -> None:
    studio = at("proofed")
    before = contents(studio.folder.parent)
    with pytest.raises(CallError) as unknown:
        run("selects_round.mark", studio, round_name="edit", listed="0001, 0042, SIMU0099")
    said = " ".join([unknown.value.sentence, *unknown.value.details])
    assert "0042" in said
    assert "SIMU0099" in said
    for words in (
        {"round_name": "edit", "listed": " , "},
        {"round_name": " ", "listed": "0001"},
        {"round_name": "edit", "ratings": "/nowhere/at/all"},
        {"round_name": "edit", "listed": "0001", "region": "circle"},
    ):
        with pytest.raises(CallError):
            run("selects_round.mark", studio, **words)
    with pytest.raises(CallError, match="no round 'edit' with marks in it"):
        run("selects_round.close", studio, round_name="edit")
    after = contents(studio.folder.parent)
    assert {path: digest for path, digest in after.items() if "people.json" not in path} == {
        path: digest for path, digest in before.items() if "people.json" not in path
    }
