"""Several people's rounds of one cull: what each said, where they disagree, what the rest becomes."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from glassine.flows.job_sheet import set_block
from glassine.flows.rounds_list import list_rounds
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import is_selected
from glassine.schemas.validation import Document

Run = Callable[..., Document]
JOB, PHOTOGRAPHER, EDITOR, CLIENT = "2611-04", "Imre Falk", "Ada Quill", "Rhea Soames"


def selects(manifest: Manifest) -> list[int]:
    return [frame["frame"] for frame in manifest.frames if is_selected(frame)]


def test_three_rounds_of_three_people(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("closed")
    assert selects(manifest_of(studio)) == [1, 3]
    run("selects_round.mark", studio, round_name="choice", listed="0001, 0002", remark="the hands", by=CLIENT)
    run("selects_round.close", studio, round_name="choice", rest="hold", by=CLIENT)
    assert selects(manifest_of(studio)) == [1, 2], "what the client said nothing of is on hold, as was asked"
    run("selects_round.mark", studio, round_name="second thoughts", listed="out 0002", by=EDITOR)
    run("selects_round.mark", studio, round_name="second thoughts", listed="0002", by=PHOTOGRAPHER)
    said = run("selects_round.close", studio, round_name="second thoughts", by=EDITOR)["said"]
    assert any("Conflict on frame 0002" in line for line in said)
    assert selects(manifest_of(studio)) == [1]
    found = list_rounds(studio, JOB, None)
    assert [row["closed_by"] for row in found["rounds"]] == [PHOTOGRAPHER, CLIENT, EDITOR]
    choice = {(mark["frame"], mark["person"]): mark for mark in found["rounds"][1]["marks"]}
    assert choice["0002", CLIENT]["before"] == "hold"
    assert choice["0003", CLIENT]["verdict"] == "hold"
    assert {mark["conflict"] for mark in found["rounds"][2]["marks"]} == {True}
    assert found["now"] == {"select": ["0001"], "hold": ["0003"], "out": ["0004"], "conflict": ["0002"]}
    assert any("0002  Ada Quill: out, was select, in conflict" in line for line in found["said"])


def test_without_the_rest_earlier_selects_stay(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("closed")
    run("selects_round.mark", studio, round_name="choice", listed="0002", by=CLIENT)
    run("selects_round.close", studio, round_name="choice", by=CLIENT)
    assert selects(manifest_of(studio)) == [1, 2, 3]
    before = manifest_of(studio).head
    run("selects_round.close", studio, round_name="choice", rest="out", by=CLIENT)
    assert manifest_of(studio).head == before, "a closed round stays as it was closed"


def test_what_is_blocked_is_not_shown_and_unknown_words_name_the_known(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("closed")
    set_block(studio, JOB, [3], "the sitter refused", blocked=True, by=PHOTOGRAPHER)
    found = list_rounds(studio, JOB, "edit")
    assert "0003" not in {mark["frame"] for mark in found["rounds"][0]["marks"]}
    assert found["now"]["select"] == ["0001"]
    with pytest.raises(CallError, match=r"no round 'edits' \(known: 'edit'\)"):
        list_rounds(studio, JOB, "edits")
    with pytest.raises(CallError, match=r"no round 'edits' with marks in it \(known: 'edit'\)"):
        run("selects_round.close", studio, round_name="edits")
    with pytest.raises(CallError, match="--rest is out or hold"):
        run("selects_round.close", studio, round_name="edit", rest="away")


def test_sidecars_of_a_blocked_frame_go_and_come_back(at: Callable[[str], Studio]) -> None:
    studio = at("closed")
    handed = studio.job_folder(JOB) / "handoff" / "round-1"
    before = {path.name: path.read_bytes() for path in handed.iterdir()}
    set_block(studio, JOB, [1], "the sitter refused", blocked=True, by=PHOTOGRAPHER)
    assert len(list(handed.iterdir())) == len(before) - 1
    set_block(studio, JOB, [1], "agreed after all", blocked=False, by=PHOTOGRAPHER)
    assert {path.name: path.read_bytes() for path in handed.iterdir()} == before
