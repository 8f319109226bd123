"""The stage of a frame: each is reached by facts, and computed again when a newer fact says otherwise."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from glassine.schemas.job_record import document_digest
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import STAGES, is_blocked, is_selected, last_return
from glassine.schemas.validation import load_schema

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Fold = Callable[[Iterable[Fact]], Manifest]
OTHER = "p-00000000b2"


def closed_round(fact: MakeFact, verdict: str = "select", name: str = "edit") -> list[Fact]:
    return [
        fact("selects_round", round=name),
        fact("mark", round=name, verdict=verdict),
        fact("selects_round", round=name, state="closed"),
    ]


@pytest.fixture(scope="module")
def life(fact: MakeFact, sheet_facts: list[Fact]) -> list[tuple[str, list[Fact]]]:
    """Stage by stage, the facts that bring a frame there from the one before."""
    return [
        ("received", [*sheet_facts, fact("frame")]),
        ("undecodable", [fact("undecodable")]),
        ("proofed", [fact("proof", picture="embedded preview")]),
        ("proofed", [fact("selects_round"), fact("mark")]),  # an open round decides nothing
        ("selected", [fact("selects_round", state="closed")]),
        ("briefed", [fact("brief")]),
        ("handed out", [fact("hand_out")]),
        ("handed out", [fact("take_back", accepted=False)]),  # a refused return is none
        ("returned", [fact("take_back", sha256="2" * 64)]),
        ("final", [fact("final")]),
        ("signed off", [fact("sign_off")]),
        ("signed off", [fact("delivery")]),  # packed is not handed over
        ("delivered", [fact("hand_over")]),
        ("blocked", [fact("block")]),
        ("delivered", [fact("block", revision=2, blocked=False)]),
    ]


def test_each_stage_is_reached_by_facts(fold: Fold, life: list[tuple[str, list[Fact]]]) -> None:
    facts: list[Fact] = []
    for stage, more in life:
        facts += more
        assert fold(facts).frames[0]["stage"] == stage, more
    reached = {stage for stage, _ in life} | {"out", "held"}
    assert reached == set(STAGES)


def test_stages_are_those_of_the_schema() -> None:
    assert list(STAGES) == load_schema("manifest")["$defs"]["stage"]["enum"]


@pytest.mark.parametrize(("verdict", "stage"), [("select", "selected"), ("out", "out"), ("hold", "held")])
def test_a_closed_round_decides(fact: MakeFact, fold: Fold, verdict: str, stage: str) -> None:
    frame = fold([fact("frame"), *closed_round(fact, verdict)]).frames[0]
    assert frame["stage"] == stage
    assert is_selected(frame) == (verdict == "select")


def test_people_who_disagree_decide_nothing(fact: MakeFact, fold: Fold, sheet_facts: list[Fact]) -> None:
    marks = [fact("selects_round"), fact("mark"), fact("mark", person=OTHER, verdict="out", hero=True)]
    frame = fold([*sheet_facts, fact("frame"), fact("proof"), *marks, fact("selects_round", state="closed")]).frames[0]
    assert (frame["stage"], frame["selection"]["verdict"]) == ("proofed", "conflict")
    assert frame["selection"]["hero"]
    assert not is_selected(frame)


def test_the_newest_closed_round_counts_and_an_open_one_does_not_yet(fact: MakeFact, fold: Fold) -> None:
    first = [fact("frame"), *closed_round(fact, "out")]
    second = closed_round(fact, "select", "client")
    assert fold([*first, *second[:2]]).frames[0]["stage"] == "out"
    assert fold([*first, *second]).frames[0]["stage"] == "selected"
    other = [fact("frame", frame=2, sha256="2" * 64)]
    later = [fact("selects_round", round="late"), fact("mark", round="late", frame=2, verdict="out")]
    manifest = fold([*first, *second, *other, *later, fact("selects_round", round="late", state="closed")])
    assert [frame["stage"] for frame in manifest.frames] == ["selected", "out"], (
        "a round speaks for the frames it marked"
    )


def test_every_current_final_must_be_signed_off(fact: MakeFact, fold: Fold) -> None:
    colour = {"final": "colour", "sha256": "c" * 64}
    facts = [fact("frame"), fact("brief"), fact("take_back"), fact("final"), fact("final", **colour), fact("sign_off")]
    assert fold(facts).frames[0]["stage"] == "final"
    signed = fact("sign_off", final="colour", final_sha256="c" * 64)
    assert fold([*facts, signed]).frames[0]["stage"] == "signed off"


def test_a_blocked_frame_is_blocked_wherever_it_stands(
    fact: MakeFact, fold: Fold, life: list[tuple[str, list[Fact]]]
) -> None:
    facts: list[Fact] = []
    for _, more in life[:-2]:
        facts += more
        frame = fold([*facts, fact("block")]).frames[0]
        assert frame["stage"] == "blocked"
        assert is_blocked(frame)


# ---- stale finals

LOOK_FIELDS = ("final", "round", "look", "stale")


def finals(manifest: Manifest) -> list[tuple[Any, ...]]:
    return [tuple(final[field] for field in LOOK_FIELDS) for final in manifest.frames[0]["finals"]]


def test_a_newer_round_makes_a_final_stale_only_once_it_is_back(
    fact: MakeFact, fold: Fold, sheet_facts: list[Fact]
) -> None:
    facts = [*sheet_facts, fact("frame"), fact("brief"), fact("take_back"), fact("final"), fact("sign_off")]
    assert finals(fold(facts)) == [("print", 1, "lifted-mono", False)]
    facts += [fact("brief", round=2), fact("hand_out", round=2)]
    assert finals(fold(facts)) == [("print", 1, "lifted-mono", False)]
    facts += [fact("take_back", round=2, sha256="2" * 64, accepted=False)]
    assert finals(fold(facts)) == [("print", 1, "lifted-mono", False)]
    facts += [fact("take_back", round=2, sha256="3" * 64)]
    manifest = fold(facts)
    assert finals(manifest) == [("print", 1, "lifted-mono", True)]
    assert manifest.frames[0]["stage"] == "returned"
    returned = last_return(manifest.frames[0])
    assert returned
    assert (returned["round"], returned["sha256"]) == (2, "3" * 64)
    facts += [fact("final", round=2, sha256="4" * 64)]
    assert finals(fold(facts)) == [("print", 1, "lifted-mono", True), ("print", 2, "lifted-mono", False)]
    assert fold(facts).frames[0]["stage"] == "final"


def test_a_look_changed_makes_a_final_stale_and_changed_back_makes_it_current(
    fact: MakeFact, fold: Fold, sheet_facts: list[Fact]
) -> None:
    first = next(each for each in sheet_facts if each["document"] == "look/lifted-mono")
    softer = json.loads(json.dumps(first["content"]))
    softer["steps"].pop()
    changed = {**first, "content": softer, "sha256": document_digest(softer), "revision": 2}
    facts = [*sheet_facts, fact("frame"), fact("brief"), fact("take_back"), fact("final"), fact("sign_off"), changed]
    assert finals(fold(facts)) == [("print", 1, "lifted-mono", True)]
    assert fold(facts).frames[0]["stage"] == "returned"
    again = [*facts, fact("final", look_sha256=changed["sha256"], sha256="2" * 64)]
    assert [stale for *_, stale in finals(fold(again))] == [True, False]
    assert fold(again).frames[0]["stage"] == "final"
    back = [*again, {**first, "revision": 3}]
    assert [stale for *_, stale in finals(fold(back))] == [False, True]
    assert fold(back).frames[0]["stage"] == "signed off", "what was signed off is in force again"


def test_another_look_named_for_a_final_makes_it_stale(fact: MakeFact, fold: Fold, sheet_facts: list[Fact]) -> None:
    sheet = next(each for each in sheet_facts if each["document"] == "job-sheet")
    content = {**sheet["content"], "finals": [{"final": "print", "look": "plain-colour"}]}
    changed = {**sheet, "content": content, "sha256": document_digest(content), "revision": 2}
    facts = [*sheet_facts, fact("frame"), fact("brief"), fact("take_back"), fact("final"), changed]
    assert finals(fold(facts)) == [("print", 1, "lifted-mono", True)]
    assert finals(fold([*facts, {**sheet, "revision": 3}])) == [("print", 1, "lifted-mono", False)]


def test_another_preview_look_shows_another_proof_and_back(fact: MakeFact, fold: Fold, sheet_facts: list[Fact]) -> None:
    sheet = next(each for each in sheet_facts if each["document"] == "job-sheet")
    content = {**sheet["content"], "preview_look": "plain-colour"}
    changed = {**sheet, "content": content, "sha256": document_digest(content), "revision": 2}
    facts = [*sheet_facts, fact("frame"), fact("proof")]
    assert fold(facts).frames[0]["proof"]["look"] == "hard-mono"
    assert fold([*facts, changed]).frames[0]["proof"] is None
    back = [*facts, changed, {**sheet, "revision": 3}]
    assert fold(back).frames[0]["proof"]["look"] == "hard-mono"


def test_frames_are_compared_within_their_set_up(fact: MakeFact, fold: Fold) -> None:
    stops = {1: 0.0, 2: 0.5, 3: 2.0, 4: -3.0, 5: None}
    facts: list[Fact] = []
    for number, exposure in stops.items():
        facts += [fact("frame", frame=number, sha256=f"{number:064x}")]
        facts += [fact("reading", frame=number, exposure_stops=exposure)]
        facts += [fact("set_up", frame=number, set_up="window" if number == 4 else "bench")]
    against = [frame["reading"]["against_set_up_stops"] for frame in fold(facts).frames]
    assert against == [-0.5, 0.0, 1.5, 0.0, None]  # the median of the bench is 0.5
