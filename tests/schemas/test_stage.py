"""The stage of a frame: each is reached by facts, and computed again when a newer fact says otherwise."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.job_record import document_digest
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import (
    STAGES,
    accepted_return,
    base_of_next_round,
    crop_for,
    current_round,
    frames_of_round,
    is_blocked,
    is_selected,
    last_return,
    live_notes,
    notes_to_ask,
    picture_sha256,
    round_state,
    rounds_under,
)
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


def because(returned: str | None, why: str = "missed note") -> Fact:
    """The cause of a brief that follows a return."""
    return {"why": why, "text": "", "return": returned}


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
        ("returned", [fact("take_back", sha256="2" * 64, to_review=True)]),  # a person is to judge it
        ("returned", [fact("review", sha256="2" * 64, accepted=False, why="unasked change", text="")]),
        ("briefed", [fact("brief", round=2, cause=because("2" * 64, "unasked change"))]),
        ("returned", [fact("review", sha256="2" * 64, revision=2)]),  # accepted after all: round 2 is void
        ("final", [fact("final")]),
        ("signed off", [fact("sign_off")]),
        ("signed off", [fact("delivery")]),  # packed is not handed over
        ("delivered", [fact("hand_over")]),
        ("briefed", [fact("brief", round=3)]),  # work under way again goes before what was delivered
        ("handed out", [fact("hand_out", round=3)]),
        ("delivered", [fact("call_off", round=3)]),
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


@pytest.mark.parametrize("given", [[], ["sign_off"], ["sign_off", "delivery", "hand_over"]])
def test_work_under_way_again_goes_before_what_was_final(fact: MakeFact, fold: Fold, given: list[str]) -> None:
    told = [fact("frame"), fact("brief"), fact("take_back"), fact("final"), *(fact(kind) for kind in given)]
    before = fold(told).frames[0]["stage"]
    assert before in ("final", "signed off", "delivered")
    told += [fact("brief", round=2)]
    assert fold(told).frames[0]["stage"] == "briefed"
    told += [fact("hand_out", round=2)]
    assert fold(told).frames[0]["stage"] == "handed out"
    back = fact("take_back", round=2, sha256="2" * 64)
    assert fold([*told, {**back, "to_review": True}]).frames[0]["stage"] == "returned"
    assert fold([*told, fact("call_off", round=2)]).frames[0]["stage"] == before
    frame = fold([*told, back]).frames[0]
    assert frame["stage"] == ("delivered" if frame["deliveries"] else "returned")


def test_the_round_closed_last_decides_whichever_was_opened_first(fact: MakeFact, fold: Fold) -> None:
    told = [fact("frame")]
    for name, verdict in (("edit", "select"), ("client", "out")):
        told += [fact("selects_round", round=name), fact("mark", round=name, verdict=verdict)]
    told += [fact("selects_round", round=name, state="closed") for name in ("client", "edit")]
    assert fold(told[:-1]).frames[0]["selection"]["verdict"] == "out"
    manifest = fold(told)
    assert [found["closing"] for found in manifest.document["selects_rounds"]] == [2, 1]
    assert (manifest.frames[0]["selection"]["round"], manifest.frames[0]["stage"]) == ("edit", "selected")


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


# ---- the round that counts


def undone(fact: MakeFact, number: int = 1, returned: str = "a" * 64) -> Fact:
    """A return with a note left undone."""
    faults = [{"kind": "note undone", "text": "Note 1 was left undone.", "note": "n-0000000001"}]
    return fact("take_back", round=number, sha256=returned, accepted=False, faults=faults)


def counts(manifest: Manifest) -> tuple[int, str]:
    """Number and state of the round of frame 1 that counts."""
    found = current_round(manifest.frames[0])
    assert found
    return found["round"], round_state(found)


def test_a_brief_after_a_refusal_is_void_once_that_return_is_accepted(fact: MakeFact, fold: Fold) -> None:
    told = [fact("frame"), fact("brief"), fact("hand_out"), undone(fact)]
    assert counts(fold(told)) == (1, "refused")
    told += [fact("brief", round=2, cause=because("a" * 64))]
    assert counts(fold(told)) == (2, "briefed")
    accepted = [*told, fact("review", sha256="a" * 64)]
    assert counts(fold(accepted)) == (1, "accepted")
    assert counts(fold([*told, fact("brief", round=3, cause=because("a" * 64)), accepted[-1]])) == (1, "accepted")
    same = fact("review", sha256="a" * 64, revision=2, accepted=False, why="missed note", text="")
    assert counts(fold([*accepted, same])) == (2, "briefed"), "it is asked again"
    for other in ({"why": "other"}, {"text": "The collar."}):
        rejected = fold([*accepted, {**same, **other}])
        assert counts(rejected) == (1, "refused"), "the next brief is to say the new cause"
    told += [fact("hand_out", round=2)]
    assert counts(fold([*told, {**same, "revision": 1, "why": "other"}])) == (2, "out"), "it is handed out already"


@pytest.mark.parametrize(
    "further",
    [
        {"kind": "hand_out", "round": 2},
        {"kind": "take_back", "round": 2, "sha256": "b" * 64, "accepted": False},
        {"kind": "take_back", "round": 2, "sha256": "b" * 64},
    ],
)
def test_what_was_handed_out_or_came_back_is_not_void(fact: MakeFact, fold: Fold, further: Fact) -> None:
    told = [
        fact("frame"),
        fact("brief"),
        fact("hand_out"),
        undone(fact),
        fact("brief", round=2, cause=because("a" * 64)),
    ]
    more = fact(further["kind"], **{name: value for name, value in further.items() if name != "kind"})
    assert counts(fold([*told, more, fact("review", sha256="a" * 64)]))[0] == 2


@pytest.mark.parametrize("cause", [None, because(None, "client's change"), because("f" * 64)])
def test_a_brief_with_another_cause_counts_whatever_is_accepted(fact: MakeFact, fold: Fold, cause: Fact | None) -> None:
    told = [fact("frame"), fact("brief"), fact("hand_out"), fact("take_back"), fact("brief", round=2, cause=cause)]
    assert counts(fold(told)) == (2, "briefed")


def test_the_same_file_sent_again_and_accepted_then_ends_its_round(fact: MakeFact, fold: Fold) -> None:
    told = [
        fact("frame"),
        fact("brief"),
        fact("hand_out"),
        undone(fact),
        fact("brief", round=2, cause=because("a" * 64)),
    ]
    manifest = fold([*told, undone(fact, 2), fact("review", round=2, sha256="a" * 64)])
    assert counts(manifest) == (2, "accepted")
    assert (last_return(manifest.frames[0]) or {})["round"] == 2


def test_an_older_file_sent_again_and_refused_voids_no_brief(fact: MakeFact, fold: Fold) -> None:
    told = [fact("frame"), fact("brief"), fact("take_back", sha256="a" * 64), fact("brief", round=2)]
    told += [undone(fact, 2), fact("brief", round=3, cause=because("a" * 64))]
    assert counts(fold(told)) == (3, "briefed"), "it was accepted in round 1 only"
    assert counts(fold([*told, fact("review", round=2, sha256="a" * 64)])) == (2, "accepted")


def test_a_frame_without_a_round_has_none(fact: MakeFact, fold: Fold) -> None:
    frame = fold([fact("frame")]).frames[0]
    assert (current_round(frame), last_return(frame), base_of_next_round(frame)) == (None, None, (0, None))


# ---- what the next round starts from, and what it asks


def test_the_next_round_starts_from_what_was_accepted_last(fact: MakeFact, fold: Fold) -> None:
    told = [fact("frame"), fact("brief"), fact("hand_out")]
    assert base_of_next_round(fold(told).frames[0]) == (0, None)
    assert base_of_next_round(fold([*told, undone(fact)]).frames[0]) == (0, None)
    told += [fact("take_back")]
    assert base_of_next_round(fold(told).frames[0]) == (1, fact("take_back")["sha256"])
    told += [fact("brief", round=2), fact("hand_out", round=2), undone(fact, 2)]
    assert base_of_next_round(fold(told).frames[0]) == (1, fact("take_back")["sha256"])


def test_it_starts_from_the_flat_of_layers(fact: MakeFact, fold: Fold) -> None:
    flat = {**fact("brief")["base"], "sha256": "f" * 64}
    frame = fold([fact("frame"), fact("brief"), fact("take_back", flat=flat)]).frames[0]
    assert base_of_next_round(frame) == (1, "f" * 64)
    (returned,) = frame["rounds"][0]["take_backs"]
    assert picture_sha256(returned) == "f" * 64
    assert picture_sha256({**returned, "flat": None}) == fact("take_back")["sha256"]


@pytest.mark.parametrize(
    ("why", "base"), [("client's change", 2), ("missed note", 1), ("unasked change", 1), ("other", 1)]
)
def test_a_client_who_changed_their_mind_keeps_the_work(fact: MakeFact, fold: Fold, why: str, base: int) -> None:
    told = [fact("frame"), fact("brief"), fact("take_back"), fact("brief", round=2)]
    told += [fact("take_back", round=2, sha256="2" * 64)]
    told += [fact("review", round=2, sha256="2" * 64, accepted=False, why=why)]
    assert base_of_next_round(fold(told).frames[0])[0] == base
    told += [fact("brief", round=3, cause=because("2" * 64, why), base_round=base)]
    assert base_of_next_round(fold(told).frames[0])[0] == base, "briefed anew, it starts where it did"


def test_a_picture_that_holds_a_blocked_piece_is_passed_over(fact: MakeFact, fold: Fold, six: list[Fact]) -> None:
    told = [*six, fact("note", donors=[{"frame": 2, "region": None}])]
    told += [fact("brief"), fact("take_back"), fact("brief", round=2, notes=[])]
    told += [fact("take_back", round=2, sha256="2" * 64, used=[3])]
    frame = fold(told).frames[0]
    assert base_of_next_round(frame) == base_of_next_round(frame, [1, 4]) == (2, "2" * 64), "itself is no piece"
    assert base_of_next_round(frame, [3]) == (1, fact("take_back")["sha256"])
    assert base_of_next_round(frame, {2}) == (0, None), "the second round was made on the first"
    briefed = fold([*told, fact("brief", round=3, base_round=2)]).frames[0]
    assert base_of_next_round(briefed) == (2, "2" * 64)
    assert base_of_next_round(briefed, [3])[0] in (0, 1)
    assert [found["round"] for found in rounds_under(briefed, 3)] == [3, 2, 1]
    assert (accepted_return(briefed, 2) or {})["sha256"] == "2" * 64
    assert [accepted_return(briefed, number) for number in (0, 3, 4)] == [None, None, None]


def test_notes_are_asked_until_a_picture_holds_them(fact: MakeFact, fold: Fold) -> None:
    first, second, third = (f"n-000000000{number}" for number in (1, 2, 3))
    told = [fact("frame"), fact("note"), fact("note", note=second), fact("brief", notes=[first, second])]
    told += [fact("hand_out"), undone(fact)]

    def asked(more: list[Fact]) -> list[str]:
        frame = fold([*told, *more]).frames[0]
        return [note["note"] for note in notes_to_ask(frame, base_of_next_round(frame)[0])]

    assert asked([]) == [first, second], "nothing of a refused return is kept"
    assert asked([fact("review", sha256="a" * 64)]) == []
    assert asked([fact("review", sha256="a" * 64), fact("note", note=third)]) == [third]
    withdrawn = [fact("withdrawal", note=second)]
    assert asked(withdrawn) == [first]
    assert [note["note"] for note in live_notes(fold([*told, *withdrawn]).frames[0])] == [first]
    assert asked([*withdrawn, fact("withdrawal", note=second, revision=2, withdrawn=False)]) == [first, second]
    later = [fact("review", sha256="a" * 64), fact("brief", round=2, notes=[third]), fact("hand_out", round=2)]
    later += [fact("note", note=third), fact("take_back", round=2, sha256="2" * 64)]
    assert asked(later) == [], "the second round was made on the first"
    apart = [{**each, "base_round": 0} if each["kind"] == "brief" else each for each in later]
    assert asked(apart) == [first, second], "it was made on the original"


# ---- crops


@given(
    told=st.lists(
        st.tuples(st.sampled_from([None, "yearbook-print", "screen-2048"]), st.sampled_from([None, 0, 90, 180]))
    )
)
def test_a_crop_of_its_own_goes_before_the_general_one(
    fact: MakeFact, fold: Fold, told: list[tuple[str | None, int | None]]
) -> None:
    crops = [(name, turn if turn is None else {**fact("crop")["crop"], "turn_degrees": turn}) for name, turn in told]
    facts = [
        fact("crop", revision=revision, specification=name, crop=crop) for revision, (name, crop) in enumerate(crops, 1)
    ]
    frame = fold([fact("frame"), *facts]).frames[0]
    newest = dict(crops)
    for name in ("yearbook-print", "screen-2048", "archive-master"):
        assert crop_for(frame, name) == newest.get(name, newest.get(None)), "null of its own is the full frame"
    assert frame["crops"]["revision"] == len(crops)


# ---- the frames of a final


@pytest.fixture(scope="module")
def six(fact: MakeFact) -> list[Fact]:
    return [fact("frame", frame=number, sha256=f"{number:064x}") for number in range(1, 7)]


def test_a_picture_may_hold_its_donors_and_what_was_used(fact: MakeFact, fold: Fold, six: list[Fact]) -> None:
    donors = [{"frame": 5, "region": None}, {"frame": 3, "region": fact("note")["region"]}]
    told = [*six, fact("note", donors=donors), fact("note", note="n-0000000002", donors=[{"frame": 6, "region": None}])]
    told += [fact("brief"), fact("take_back", used=[4, 3])]
    frame = fold(told).frames[0]
    assert frames_of_round(frame, 1) == [1, 3, 4, 5], "a note that was not briefed brought nothing over"
    assert frames_of_round(frame, 0) == [1]
    refused = fact("take_back", sha256="2" * 64, accepted=False, used=[2])
    assert frames_of_round(fold([*told, refused]).frames[0], 1) == [1, 3, 4, 5], "nothing is made of a refused return"
    accepted = fact("review", sha256="2" * 64)
    assert frames_of_round(fold([*told, refused, accepted]).frames[0], 1) == [1, 2, 3, 4, 5]


@given(
    rounds=st.lists(
        st.tuples(st.integers(0, 5), st.lists(st.integers(1, 6), max_size=2), st.lists(st.integers(1, 6), max_size=2)),
        min_size=1,
        max_size=5,
    )
)
def test_frames_come_along_from_the_rounds_below(
    fact: MakeFact, fold: Fold, six: list[Fact], rounds: list[tuple[int, list[int], list[int]]]
) -> None:
    """A round holds what its own donors and the retoucher brought, and all that the round of its base holds."""
    told, held = list(six), {0: {1}}
    for number, (below, donors, used) in enumerate(rounds, 1):
        note = f"n-{number:010x}"
        base = min(below, number - 1)
        told += [fact("note", note=note, donors=[{"frame": donor, "region": None} for donor in donors])]
        told += [fact("brief", round=number, notes=[note], base_round=base)]
        told += [fact("take_back", round=number, sha256=f"{number:064x}", used=used)]
        held[number] = held[base] | {*donors, *used}
    frame = fold(told).frames[0]
    for number, frames in held.items():
        assert frames_of_round(frame, number) == [1, *sorted(frames - {1})]


def test_a_record_that_says_no_base_was_made_on_what_was_accepted_last(
    fact: MakeFact, fold: Fold, six: list[Fact]
) -> None:
    told = [*six, fact("note", donors=[{"frame": 2, "region": None}]), fact("brief"), fact("take_back")]
    told += [fact("brief", round=2, notes=[]), fact("take_back", round=2, sha256="2" * 64, used=[3])]
    assert frames_of_round(fold(told).frames[0], 2) == [1, 2, 3]
    alone = [{**each, "base_round": 0} if each.get("round") == 2 and each["kind"] == "brief" else each for each in told]
    assert frames_of_round(fold(alone).frames[0], 2) == [1, 3]
