"""What a select goes through: drafts and notes, returns and their reviews, crops, finals and their sign-offs."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.due import due_deliveries, late_frames, owed_rounds
from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import ContradictionError, Occasion
from glassine.schemas.identifiers import note_id
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import current_round, last_return, outcome_of, refused_return, round_state

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Fold = Callable[[Iterable[Fact]], Manifest]
ME, OTHER = "p-00000000a1", "p-00000000b2"
AT = "2026-11-25T09:00:00.000000Z"
LATER = Occasion("2026-12-25T10:00:00Z", OTHER)
REGION = {"shape": "rectangle", "x": 10, "y": 20, "width": 30, "height": 40.5}


def sha(text: object) -> str:
    return hashlib.sha256(str(text).encode()).hexdigest()


def fault(kind: str) -> Fact:
    return {"kind": kind, "text": f"{kind}.", "note": None}


def the_round(manifest: Manifest, number: int = 1) -> Fact:
    found: Fact = manifest.frames[0]["rounds"][number - 1]
    return found


def closed_round(fact: MakeFact, name: str = "edit", **mark: Any) -> list[Fact]:
    """A round of the cull with one mark."""
    return [
        fact("selects_round", round=name),
        fact("mark", round=name, **mark),
        fact("selects_round", round=name, state="closed"),
    ]


@pytest.fixture(scope="module")
def out(fact: MakeFact, sheet_facts: list[Fact]) -> list[Fact]:
    """A select whose first round is with a retoucher."""
    return [*sheet_facts, fact("frame"), *closed_round(fact), fact("note"), fact("brief"), fact("hand_out")]


# ---- drafts


def drafts(manifest: Manifest) -> list[str]:
    return [draft["instruction"] for draft in manifest.frames[0]["drafts"]]


def test_a_fixable_remark_on_a_select_is_a_draft(fact: MakeFact, fold: Fold) -> None:
    (draft,) = fold([fact("frame"), *closed_round(fact, remark="lint", fixable=True, region=REGION)]).frames[0][
        "drafts"
    ]
    assert draft["note"] == note_id(1, ME, "remark", "lint")
    assert (draft["round"], draft["person"], draft["region"], draft["instruction"]) == ("edit", ME, REGION, "lint")
    (whole,) = fold([fact("frame"), *closed_round(fact, remark="lint", fixable=True)]).frames[0]["drafts"]
    assert whole["region"] is None


@pytest.mark.parametrize(
    "mark",
    [
        {"remark": "lint"},
        {"remark": "lint", "fixable": False},
        {"fixable": True},
        {"remark": "lint", "fixable": True, "verdict": "out"},
        {"remark": "lint", "fixable": True, "verdict": "hold"},
    ],
)
def test_anything_else_is_none(fact: MakeFact, fold: Fold, mark: Fact) -> None:
    assert drafts(fold([fact("frame"), *closed_round(fact, **mark)])) == []


def test_nothing_is_drafted_while_the_round_is_open_or_people_disagree(fact: MakeFact, fold: Fold) -> None:
    told = [fact("frame"), *closed_round(fact, remark="lint", fixable=True)]
    assert drafts(fold(told[:-1])) == []
    other = fact("mark", person=OTHER, verdict="out")
    assert drafts(fold([*told[:-1], other, told[-1]])) == []
    settled = closed_round(fact, "client")
    assert drafts(fold([*told[:-1], other, told[-1], *settled])) == ["lint"], "whichever round it was said in"


def test_people_draft_for_themselves_and_remarks_add_up(fact: MakeFact, fold: Fold) -> None:
    said: Fact = {"remark": "lint", "fixable": True}
    told = [fact("frame"), *closed_round(fact, **said)]
    other = fact("mark", person=OTHER, **said)
    assert drafts(fold([*told[:-1], other, told[-1]])) == ["lint", "lint"]
    changed = fact("mark", remark="collar", fixable=True, revision=2)
    assert drafts(fold([*told[:-1], changed, told[-1]])) == ["lint", "collar"]
    assert drafts(fold([*told[:-1], {**changed, "remark": None}, told[-1]])) == ["lint"], "silence takes nothing away"


def test_a_remark_said_again_is_one_draft_and_says_last_whether_it_is_fixable(fact: MakeFact, fold: Fold) -> None:
    told = [fact("frame"), *closed_round(fact, remark="lint", fixable=True)]
    unfixable = fact("mark", remark="lint", revision=2)
    fixable = fact("mark", remark="lint", fixable=True, region=REGION, revision=3)
    assert drafts(fold([*told[:-1], unfixable, told[-1]])) == []
    manifest = fold([*told[:-1], unfixable, fixable, told[-1]])
    assert drafts(manifest) == ["lint"]
    (remark,) = manifest.frames[0]["selection"]["marks"][ME]["remarks"]
    assert (remark["remark"], remark["fixable"], remark["region"]) == ("lint", True, REGION)
    again = [*told, *closed_round(fact, "client", remark="lint", fixable=True)]
    assert drafts(fold(again)) == ["lint"], "the same remark of the same person, in whichever round"
    draft = fold(told).frames[0]["drafts"][0]["note"]
    assert drafts(fold([*again, fact("withdrawal", note=draft)])) == []


def test_a_draft_is_gone_once_it_is_confirmed_or_withdrawn_and_back_when_that_is_taken_back(
    fact: MakeFact, fold: Fold
) -> None:
    told = [fact("frame"), *closed_round(fact, remark="lint", fixable=True)]
    draft = fold(told).frames[0]["drafts"][0]["note"]
    assert drafts(fold([*told, fact("note")])) == ["lint"], "a note of its own confirms nothing"
    assert drafts(fold([*told, fact("note", draft=draft)])) == []
    told += [fact("withdrawal", note=draft)]
    assert drafts(fold(told)) == []
    told += [fact("withdrawal", note=draft, revision=2, withdrawn=False)]
    assert drafts(fold(told)) == ["lint"]
    told += [fact("withdrawal", note=draft, revision=3)]
    assert drafts(fold(told)) == []


# ---- returns and reviews

RETURNS: dict[str, tuple[Fact, str, str]] = {
    "right": ({}, "accepted", "accepted"),
    "right, as it was first written": ({"faults": []}, "accepted", "accepted"),
    "something more was changed": ({"to_review": True}, "to review", "to review"),
    "a note left undone": ({"accepted": False, "faults": [fault("note undone")]}, "refused", "refused"),
    "two notes left undone": ({"accepted": False, "faults": [fault("note undone")] * 2}, "refused", "refused"),
    "a note left undone and 8 bits": (
        {"accepted": False, "faults": [fault("note undone"), fault("technical")]},
        "refused",
        "out",
    ),
    "8 bits": ({"accepted": False, "faults": [fault("technical")]}, "refused", "out"),
    "another frame": ({"accepted": False, "faults": [fault("another frame")]}, "refused", "out"),
    "an older round": ({"accepted": False, "faults": [fault("older round")]}, "refused", "out"),
    "nothing done": ({"accepted": False, "faults": [fault("nothing done")]}, "refused", "out"),
    "refused before there were faults": ({"accepted": False, "causes": ["Note 1 was left undone."]}, "refused", "out"),
}
"""Fields of a return; its outcome and the state of its round."""


@pytest.mark.parametrize("what", RETURNS)
def test_what_came_of_a_return(fact: MakeFact, fold: Fold, out: list[Fact], what: str) -> None:
    fields, outcome, state = RETURNS[what]
    manifest = fold([*out, fact("take_back", **fields)])
    frame, retouch = manifest.frames[0], the_round(manifest)
    assert (outcome_of(retouch["take_backs"][0]), round_state(retouch)) == (outcome, state)
    assert (last_return(frame) is not None) == (state == "accepted")
    assert [owed["frame"] for owed in owed_rounds(manifest)] == ([1] if state == "refused" else [])
    assert frame["stage"] == ("handed out" if state == "out" else "returned")


@pytest.mark.parametrize("what", RETURNS)
@given(verdicts=st.lists(st.booleans(), min_size=1, max_size=4))
def test_the_newest_review_decides_whatever_the_check_found(
    fact: MakeFact, fold: Fold, out: list[Fact], what: str, verdicts: list[bool]
) -> None:
    told = [*out, fact("take_back", **RETURNS[what][0])]
    for revision, accepted in enumerate(verdicts, 1):
        told.append(fact("review", revision=revision, accepted=accepted, why=None if accepted else "other"))
        manifest = fold(told)
        (returned,) = the_round(manifest)["take_backs"]
        assert outcome_of(returned) == ("accepted" if accepted else "rejected")
        assert round_state(the_round(manifest)) == ("accepted" if accepted else "refused")
        assert (last_return(manifest.frames[0]) is not None) == accepted
        assert (refused_return(the_round(manifest)) is None) == accepted
        assert bool(owed_rounds(manifest)) != accepted
    assert apply_fact(manifest, told[-1], LATER) is False


def test_a_round_waits_for_the_review_though_a_wrong_file_came_too(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    wrong = {"accepted": False, "faults": [fault("technical")]}
    told = [*out, fact("take_back", **wrong, sha256=sha("8 bits")), fact("take_back", to_review=True)]
    told += [fact("take_back", **wrong, sha256=sha("8 bits again"))]
    assert round_state(the_round(fold(told))) == "to review"
    told += [fact("take_back", sha256=sha("right"))]
    assert round_state(the_round(fold(told))) == "accepted"
    told += [fact("review", accepted=False, why="other")]
    assert round_state(the_round(fold(told))) == "accepted", "another return was right"
    told += [fact("review", sha256=sha("right"), accepted=False, why="missed note")]
    manifest = fold(told)
    assert round_state(the_round(manifest)) == "refused"
    refused = refused_return(the_round(manifest))
    assert refused
    assert refused["sha256"] == sha("right"), "the newest"


def test_what_was_accepted_can_be_rejected_and_its_finals_are_stale(
    fact: MakeFact, fold: Fold, out: list[Fact]
) -> None:
    told = [*out, fact("take_back"), fact("final"), fact("sign_off")]
    assert due_deliveries(fold(told))
    rejected = [*told, fact("review", accepted=False, why="client's change")]
    manifest = fold(rejected)
    frame = manifest.frames[0]
    assert [final["stale"] for final in frame["finals"]] == [True]
    assert due_deliveries(manifest) == []
    assert owed_rounds(manifest) == [frame]
    assert frame["stage"] == "returned"
    back = fold([*rejected, fact("review", revision=2)])
    assert [final["stale"] for final in back.frames[0]["finals"]] == [False]
    assert (owed_rounds(back), back.frames[0]["stage"]) == ([], "signed off")
    assert due_deliveries(back)


def test_a_round_that_is_called_off_counts_no_more_and_the_final_before_it_may_leave_again(
    fact: MakeFact, fold: Fold, out: list[Fact]
) -> None:
    told = [*out, fact("take_back"), fact("final"), fact("sign_off")]
    again = [*told, fact("brief", round=2), fact("hand_out", round=2)]
    manifest = fold(again)
    assert (manifest.frames[0]["stage"], due_deliveries(manifest)) == ("handed out", [])
    assert late_frames(manifest, date(2030, 1, 1)) == ["0001"]
    off = fold([*again, fact("call_off", round=2)])
    frame = off.frames[0]
    assert (current_round(frame) or {})["round"] == 1
    assert (frame["stage"], late_frames(off, date(2030, 1, 1))) == ("signed off", [])
    assert [due.specification for due in due_deliveries(off)] == [
        due.specification for due in due_deliveries(fold(told))
    ]
    assert due_deliveries(off)
    assert the_round(off, 2)["called_off"] == {"reason": fact("call_off")["reason"], "person": ME, "at": AT}
    assert apply_fact(off, fact("call_off", round=2, reason="another"), LATER) is False, "once is enough"
    with pytest.raises(ContradictionError):
        apply_fact(off, fact("call_off", round=3), LATER)
    third = fold([*again, fact("call_off", round=2), fact("brief", round=3)]).frames[0]
    assert (current_round(third) or {})["round"] == 3


def test_the_only_round_called_off_leaves_a_select_without_one(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    frame = fold([*out, fact("call_off")]).frames[0]
    assert (current_round(frame), frame["stage"]) == (None, "selected")


def test_a_rejected_second_round_leaves_the_first_one_in_force(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    told = [*out, fact("take_back"), fact("final"), fact("brief", round=2), fact("hand_out", round=2)]
    told += [fact("take_back", round=2, sha256=sha(2))]
    assert fold(told).frames[0]["finals"][0]["stale"]
    manifest = fold([*told, fact("review", round=2, sha256=sha(2), accepted=False, why="other")])
    frame = manifest.frames[0]
    assert (last_return(frame) or {})["round"] == 1
    assert not frame["finals"][0]["stale"]
    assert owed_rounds(manifest) == [frame]


def test_a_final_of_the_original_is_stale_once_a_round_came_back(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    told = [fact("final", round=0) if each["kind"] == "brief" else each for each in out if each["kind"] != "hand_out"]
    told += [fact("brief"), fact("hand_out")]
    assert not fold(told).frames[0]["finals"][0]["stale"]
    refused = {"accepted": False, "faults": [fault("technical")]}
    assert not fold([*told, fact("take_back", **refused)]).frames[0]["finals"][0]["stale"]
    told += [fact("take_back", to_review=True)]
    assert fold(told).frames[0]["finals"][0]["stale"]
    assert fold([*told, fact("review", accepted=False, why="other")]).frames[0]["finals"][0]["stale"]


def test_the_next_round_starts_where_the_record_says(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    undone = fact("take_back", accepted=False, faults=[fault("note undone")])
    assert the_round(fold([*out, undone, fact("brief", round=2)]), 2)["brief"]["base_round"] == 0
    assert the_round(fold([*out, fact("take_back"), fact("brief", round=2)]), 2)["brief"]["base_round"] == 1
    said = fact("brief", round=2, base_round=0)
    assert the_round(fold([*out, fact("take_back"), said]), 2)["brief"]["base_round"] == 0
    silent = the_round(fold(out))["brief"]
    assert (silent["level"], silent["extras"], silent["cause"]) == (None, [], None)


def test_a_return_says_nothing_of_what_older_entries_had_not(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    (returned,) = the_round(fold([*out, fact("take_back")]))["take_backs"]
    silent = {name: returned[name] for name in ("faults", "to_review", "flat", "hours", "used", "review")}
    assert silent == {"faults": [], "to_review": False, "flat": None, "hours": None, "used": [], "review": None}


def test_a_next_round_ends_the_debt(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    told = [*out, fact("take_back", accepted=False, faults=[fault("note undone")])]
    assert owed_rounds(fold(told))
    assert owed_rounds(fold([*told, fact("block")])) == []
    dropped = closed_round(fact, "client", verdict="out")
    assert owed_rounds(fold([*told, *dropped])) == [], "it is no select any more"
    cause = {"why": "missed note", "text": "", "return": fact("take_back")["sha256"]}
    manifest = fold([*told, fact("brief", round=2, cause=cause)])
    assert owed_rounds(manifest) == []
    assert (current_round(manifest.frames[0]) or {})["brief"]["cause"] == cause


# ---- crops and sign-offs


def signed(manifest: Manifest) -> list[str | None]:
    return [final["signed_off"] and final["signed_off"]["person"] for final in manifest.frames[0]["finals"]]


def test_a_crop_takes_back_every_sign_off(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    colour = {"final": "colour", "sha256": sha("colour")}
    told = [*out, fact("take_back"), fact("final"), fact("final", **colour), fact("sign_off")]
    told += [fact("sign_off", final="colour", final_sha256=sha("colour"))]
    assert signed(fold(told)) == [ME, ME]
    told += [fact("crop", specification="yearbook-print")]
    assert signed(fold(told)) == [None, None]
    assert due_deliveries(fold(told)) == []
    assert fold(told).frames[0]["stage"] == "final"
    assert signed(fold([*told, fact("sign_off", crop=1, person=OTHER)])) == [OTHER, None]
    again = [*told, fact("sign_off", crop=1), fact("crop", revision=2, crop=None)]
    assert signed(fold(again)) == [None, None], "taking a crop back is another picture, too"


@pytest.mark.parametrize("older", [{}, {"crop": 0}, {"crop": 1}])
def test_a_sign_off_of_an_older_crop_does_nothing(fact: MakeFact, fold: Fold, out: list[Fact], older: Fact) -> None:
    told = [*out, fact("take_back"), fact("final"), fact("crop"), fact("crop", revision=2, crop=None)]
    manifest = fold(told)
    assert apply_fact(manifest, fact("sign_off", **older), LATER) is False
    assert signed(manifest) == [None]
    assert apply_fact(manifest, fact("sign_off", crop=2), LATER) is True
    assert apply_fact(manifest, fact("sign_off", crop=2, person=OTHER), LATER) is False, "one is enough"
    assert signed(manifest) == [ME]


def test_the_same_bytes_rendered_after_a_crop_are_signed_off_anew(fact: MakeFact, fold: Fold, out: list[Fact]) -> None:
    told = [*out, fact("take_back"), fact("final"), fact("sign_off"), fact("crop"), fact("final", final="web")]
    assert signed(fold(told)) == [None, None]
    assert signed(fold([*told, fact("sign_off", crop=1)])) == [ME, ME]


def test_a_crop_of_one_frame_leaves_the_others_alone(fact: MakeFact, fold: Fold) -> None:
    told = [fact("frame"), fact("frame", frame=2, sha256=sha(2)), fact("final", round=0), fact("sign_off")]
    assert signed(fold([*told, fact("crop", frame=2)])) == [ME]


def test_older_finals_and_deliveries_are_of_their_frame_alone_and_uncropped(fact: MakeFact, fold: Fold) -> None:
    manifest = fold([fact("frame"), fact("final", round=0), fact("delivery")])
    assert manifest.frames[0]["finals"][0]["frames"] == [1]
    (file,) = manifest.document["deliveries"][0]["files"]
    assert (file["frames"], file["crop"]) == ([1], None)
