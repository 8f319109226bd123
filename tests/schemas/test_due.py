"""What is owed now: due lists from the facts, and the decisions that a job waits for."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.due import (
    DueFinal,
    blocked_sources,
    contact_sheet_inputs,
    current_final,
    deliverable_finals,
    delivered_pictures,
    deliveries_with,
    due_deliveries,
    due_finals,
    late_deliverables,
    late_frames,
    owed_copies,
    owed_hand_offs,
    owed_rounds,
    picture_key,
    unidentified,
    unproofed,
    unsigned_finals,
    waits,
    wanted_finals,
)
from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import Occasion
from glassine.schemas.job_record import document_digest
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People
from glassine.schemas.stage import newer_round

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Fold = Callable[[Iterable[Fact]], Manifest]
WORKING, BACKUP = "v-00000000000000a1", "v-00000000000000b2"
CLIENT = "Sorrel Lane Instruments"
TODAY = date(2026, 11, 30)
COLOUR = {"final": "colour", "look": "plain-colour", "sha256": "c" * 64}


@pytest.fixture(scope="module")
def colour(fact: MakeFact, sheet_facts: list[Fact]) -> Fact:
    """The colour final of frame 1, with the look in force."""
    look = next(each for each in sheet_facts if each["document"] == "look/plain-colour")
    return fact("final", **COLOUR, look_sha256=look["sha256"])


@pytest.fixture(scope="module")
def chosen(fact: MakeFact, sheet_facts: list[Fact]) -> list[Fact]:
    """A frame that is a select."""
    marked = [fact("selects_round"), fact("mark"), fact("selects_round", state="closed"), fact("hand_off")]
    return [*sheet_facts, fact("frame"), fact("identified"), fact("proof"), fact("reading"), *marked]


@pytest.fixture
def people(tmp_path: Path) -> People:
    return People(tmp_path / "people.json")


def said(manifest: Manifest, people: People, today: date = TODAY) -> list[str]:
    return [wait.what for wait in waits(manifest, people, today)]


def test_copies_are_owed_to_each_volume_and_of_each_kind_of_file(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("frame"), fact("companion"), fact("stray"), fact("holding"), fact("copy")]
    owed = list(owed_copies(fold(facts), [WORKING, BACKUP]))
    assert [(each.role, each.missing) for each in owed if each.role == "original"] == [("original", [BACKUP])]
    assert sorted(each.role for each in owed) == ["companion", "original", "receipt", "stray"]
    assert all(each.missing == [WORKING, BACKUP] for each in owed[1:])
    assert [copy["volume"] for copy in owed[0].known] == [WORKING]
    assert list(owed_copies(fold([fact("frame"), fact("copy")]), [WORKING])) == []
    assert list(owed_copies(fold(facts), [])) == []


def test_a_bad_copy_is_no_owed_copy(fact: MakeFact, fold: Fold) -> None:
    """It is mended by `verify --repair`, which keeps the bad file aside; a plain copy would find the name taken."""
    bad = fact("read_back", outcome="missing", found=None, read_from=None)
    facts = [fact("frame"), fact("copy"), fact("fixity_pass"), bad]
    assert list(owed_copies(fold(facts), [WORKING])) == []


def test_what_nobody_has_looked_at(fact: MakeFact, fold: Fold, sheet_facts: list[Fact]) -> None:
    facts = [*sheet_facts, fact("frame"), fact("frame", frame=2, sha256="2" * 64), fact("identified", frame=2)]
    manifest = fold(facts)
    assert [frame["frame"] for frame in unidentified(manifest)] == [1]
    assert [frame["frame"] for frame in unproofed(manifest, 1)] == [1, 2]


def test_a_proof_and_a_reading_are_due_until_both_are_there(
    fact: MakeFact, fold: Fold, sheet_facts: list[Fact]
) -> None:
    facts = [*sheet_facts, fact("frame")]
    assert unproofed(fold([*facts, fact("proof")]), 1)
    assert unproofed(fold([*facts, fact("reading")]), 1)
    both = [*facts, fact("proof"), fact("reading")]
    assert unproofed(fold(both), 1) == []
    assert unproofed(fold(both), 2), "a newer method reads again"
    assert unproofed(fold([*facts, fact("proof"), fact("undecodable")]), 1) == [], "what does not decode has no reading"
    assert unproofed(fold([*facts, fact("undecodable"), fact("unshowable")]), 1) == []
    assert unproofed(fold([*facts, fact("block")]), 1) == []


def test_the_contact_sheet_is_of_what_it_shows(fact: MakeFact, fold: Fold, chosen: list[Fact]) -> None:
    digest, frames = contact_sheet_inputs(fold(chosen))
    assert [frame["frame"] for frame in frames] == [1]
    assert contact_sheet_inputs(fold([*chosen, fact("note")]))[0] == digest
    for shown in (fact("set_up"), fact("purpose"), fact("reading", method=99, findings=["Soft."])):
        assert contact_sheet_inputs(fold([*chosen, shown]))[0] != digest, shown["kind"]
    assert contact_sheet_inputs(fold([*chosen, fact("block")])) != (digest, frames)
    hero = [{**each, "hero": True} if each["kind"] == "mark" else each for each in chosen]
    assert contact_sheet_inputs(fold(hero))[0] != digest


def test_a_closed_round_owes_a_hand_off_once(fact: MakeFact, fold: Fold, chosen: list[Fact]) -> None:
    assert [found["round"] for found in owed_hand_offs(fold(chosen[:-1]))] == ["edit"]
    assert owed_hand_offs(fold(chosen)) == []
    assert owed_hand_offs(fold([fact("selects_round")])) == []


def test_finals_are_due_when_the_retouch_is_back(fact: MakeFact, fold: Fold, chosen: list[Fact], colour: Fact) -> None:
    out = [*chosen, fact("brief"), fact("hand_out")]
    assert due_finals(fold(out)) == []
    assert due_finals(fold([*out, fact("take_back", accepted=False)])) == []
    back = [*out, fact("take_back")]
    assert [(due.final, due.look, due.round) for due in due_finals(fold(back))] == [
        ("print", "lifted-mono", 1),
        ("colour", "plain-colour", 1),
    ]
    assert [due.final for due in due_finals(fold([*back, fact("final")]))] == ["colour"]
    assert due_finals(fold([*back, fact("final"), colour])) == []
    assert due_finals(fold([*back, fact("brief", round=2)])) == [], "one of the older round would be stale at once"
    again = [*back, fact("final"), colour, fact("brief", round=2), fact("take_back", round=2, sha256="2" * 64)]
    assert [(due.final, due.round) for due in due_finals(fold(again))] == [("print", 2), ("colour", 2)]
    assert due_finals(fold([*back, fact("block")])) == []


def test_finals_that_nobody_signed_off(fact: MakeFact, fold: Fold, chosen: list[Fact], colour: Fact) -> None:
    facts = [*chosen, fact("brief"), fact("take_back"), fact("final"), colour, fact("sign_off")]
    assert [final["final"] for _, final in unsigned_finals(fold(facts))] == ["colour"]
    frame = fold(facts).frames[0]
    assert (current_final(frame, "print") or {})["sha256"] == fact("final")["sha256"]
    assert current_final(frame, "poster") is None
    assert unsigned_finals(fold([*facts, fact("block")])) == []


def test_a_delivery_is_due_when_every_select_is_signed_off(
    fact: MakeFact, fold: Fold, chosen: list[Fact], colour: Fact
) -> None:
    facts = [*chosen, fact("brief"), fact("take_back"), fact("final"), colour]
    assert due_deliveries(fold(facts)) == []
    facts += [fact("sign_off")]
    (due,) = due_deliveries(fold(facts))
    assert (due.client, due.specification, [(n, f["final"]) for n, f in due.items]) == (
        CLIENT,
        "yearbook-print",
        [(1, "print")],
    )
    facts += [fact("sign_off", final="colour", final_sha256="c" * 64)]
    assert [due.specification for due in due_deliveries(fold(facts))] == ["yearbook-print", "screen-2048"]

    second = [fact("frame", frame=2, sha256="2" * 64), fact("mark", frame=2)]
    more = [
        *facts[: facts.index(fact("selects_round", state="closed"))],
        *second,
        fact("selects_round", state="closed"),
    ]
    assert due_deliveries(fold([*more, *facts[len(chosen) :]])) == [], "the second select is not ready"

    packed = [*facts, fact("delivery")]
    assert [due.specification for due in due_deliveries(fold(packed))] == ["yearbook-print", "screen-2048"]
    handed = [*packed, fact("hand_over")]
    assert [due.specification for due in due_deliveries(fold(handed))] == ["screen-2048"]
    assert delivered_pictures(fold(packed), CLIENT, "yearbook-print") == set()
    assert delivered_pictures(fold(handed), CLIENT, "yearbook-print") == {fact("final")["sha256"]}
    assert delivered_pictures(fold(handed), "Somebody else", "yearbook-print") == set()

    redone = [
        fact("brief", round=2),
        fact("take_back", round=2, sha256="3" * 64),
        fact("final", round=2, sha256="4" * 64),
    ]
    assert due_deliveries(fold([*handed, *redone])) == [], "the new version waits for its sign-off"
    (again,) = due_deliveries(fold([*handed, *redone, fact("sign_off", final_sha256="4" * 64)]))
    assert (again.specification, again.items[0][1]["sha256"]) == ("yearbook-print", "4" * 64)
    assert due_deliveries(fold([*facts, fact("block")])) == []


def test_a_job_waits_for_one_person_after_the_other(
    fact: MakeFact, fold: Fold, sheet_facts: list[Fact], people: People, colour: Fact
) -> None:
    steps: list[tuple[list[Fact], list[str]]] = [
        ([*sheet_facts, fact("frame"), fact("identified")], []),
        ([fact("proof"), fact("reading")], ["to choose selects"]),
        ([fact("selects_round"), fact("mark")], ["to close round 'edit' of the cull"]),
        ([fact("selects_round", round="2")], [f"to close round {name!r} of the cull" for name in ("edit", "2")]),
        ([fact("selects_round", round="2", state="closed")], ["to close round 'edit' of the cull"]),
        ([fact("selects_round", state="closed")], ["to brief the retouch of 0001"]),
        ([fact("brief")], ["to hand out 0001, round 1"]),
        ([fact("hand_out")], ["to return 0001, round 1, due 2026-12-01"]),
        (
            [fact("take_back", accepted=False)],
            ["to return 0001, round 1, due 2026-12-01 (what came last was refused)"],
        ),
        (
            [fact("take_back", sha256="2" * 64, to_review=True, outside={"changed_fraction": 0.0125, "boxes": []})],
            ["to judge the return of 0001, round 1: 1.25% changed outside the notes"],
        ),
        (
            [fact("take_back", sha256="3" * 64, accepted=False, causes=["It has 8 bits."])],
            ["to judge the return of 0001, round 1: 1.25% changed outside the notes"],
        ),
        (
            [fact("review", sha256="2" * 64, accepted=False, why="unasked change")],
            ["to open the next round of 0001, which was refused"],
        ),
        ([fact("review", sha256="2" * 64, revision=2)], []),
        ([fact("final"), colour], ["to sign off final 'print' of 0001", "to sign off final 'colour' of 0001"]),
        ([fact("sign_off")], ["to sign off final 'colour' of 0001"]),
        ([fact("sign_off", final="colour", final_sha256="c" * 64)], []),
        ([fact("brief", round=2)], ["to hand out 0001, round 2"]),
        ([fact("block")], []),
    ]
    facts: list[Fact] = []
    for more, waited in steps:
        facts += more
        assert said(fold(facts), people) == waited, more


def test_a_wait_names_who_and_the_command(fact: MakeFact, fold: Fold, chosen: list[Fact], people: People) -> None:
    retoucher = people.person_of("Noa Lind")
    manifest = fold([*chosen, fact("brief"), fact("hand_out", retoucher=retoucher)])
    (wait,) = waits(manifest, people, TODAY)
    assert (wait.person, wait.command) == ("Noa Lind", "glassine retouch take-back 2611-04 0001 FILE")
    (wait,) = waits(fold([*chosen, fact("brief")]), people, TODAY)
    assert wait.command == "glassine retouch hand-out 2611-04 0001 --to NAME --due 2026-12-07"


def test_late_is_after_the_due_day(fact: MakeFact, fold: Fold, chosen: list[Fact], people: People) -> None:
    manifest = fold([*chosen, fact("brief"), fact("hand_out")])  # due on 2026-12-01
    assert late_frames(manifest, date(2026, 12, 1)) == []
    assert late_frames(manifest, date(2026, 12, 2)) == ["0001"]
    assert said(manifest, people, date(2026, 12, 2)) == ["to return 0001, round 1, due 2026-12-01 (late)"]
    moved = fold([*chosen, fact("brief"), fact("hand_out"), fact("hand_out", revision=2, due=None)])
    assert late_frames(moved, date(2030, 1, 1)) == []
    back = fold([*chosen, fact("brief"), fact("hand_out"), fact("take_back")])
    assert late_frames(back, date(2030, 1, 1)) == []


def test_a_conflict_in_a_closed_round_waits_to_be_settled_in_another(
    fact: MakeFact, fold: Fold, chosen: list[Fact], people: People
) -> None:
    place = chosen.index(fact("mark")) + 1
    disputed = [*chosen[:place], fact("mark", person="p-00000000b2", verdict="out"), *chosen[place:]]
    (wait,) = waits(fold(disputed), people, TODAY)
    assert wait.what == "to settle the verdict on 0001, on which the marks disagree"
    assert wait.command == "glassine selects mark 2611-04 '0001' --round ROUND"
    settled = [fact("selects_round", round="2"), fact("mark", round="2", verdict="out")]
    settled += [fact("selects_round", round="2", state="closed")]
    assert said(fold([*disputed, *settled]), people) == []
    assert said(fold([*disputed, fact("block")]), people) == []


def test_a_round_that_came_back_without_being_handed_out_waits_for_no_hand_out(
    fact: MakeFact, fold: Fold, chosen: list[Fact], people: People
) -> None:
    briefed = [*chosen, fact("brief")]
    assert said(fold(briefed), people) == ["to hand out 0001, round 1"]
    assert said(fold([*briefed, fact("take_back")]), people) == []
    assert said(fold([*briefed, fact("take_back", to_review=True)]), people) == [
        "to judge the return of 0001, round 1: 0.10% changed outside the notes"
    ]
    undone = fact("take_back", accepted=False, faults=[{"kind": "note undone", "text": "Note 1.", "note": None}])
    manifest = fold([*briefed, undone])
    assert said(manifest, people) == ["to open the next round of 0001, which was refused"]
    assert owed_rounds(manifest) == manifest.frames
    assert said(fold([*briefed, undone, fact("brief", round=2)]), people) == ["to hand out 0001, round 2"]


def test_a_void_brief_is_waited_for_by_nobody_and_holds_no_final_up(
    fact: MakeFact, fold: Fold, chosen: list[Fact], people: People
) -> None:
    faults = [{"kind": "note undone", "text": "Note 1.", "note": None}]
    told = [*chosen, fact("brief"), fact("hand_out"), fact("take_back", accepted=False, faults=faults)]
    told += [fact("brief", round=2, cause={"why": "missed note", "text": "", "return": fact("take_back")["sha256"]})]
    assert said(fold(told), people) == ["to hand out 0001, round 2"]
    assert due_finals(fold(told)) == []
    accepted = fold([*told, fact("review")])
    assert said(accepted, people) == []
    assert [(due.final, due.round) for due in due_finals(accepted)] == [("print", 1), ("colour", 1)]
    assert late_frames(fold([*told, fact("review")]), date(2030, 1, 1)) == []


def test_a_final_of_the_original_is_not_due_once_a_round_came_back(
    fact: MakeFact, fold: Fold, chosen: list[Fact], people: People
) -> None:
    told = [*chosen, fact("final", round=0)]
    assert [due.final for due in due_finals(fold(told))] == ["colour"]
    after_all = fold([*chosen, fact("brief"), fact("final", round=0)])
    assert said(after_all, people) == ["to sign off final 'print' of 0001"], "it leaves unretouched after all"
    told += [fact("brief")]
    assert said(fold(told), people) == ["to hand out 0001, round 1"], "it is to be retouched after all"
    assert due_finals(fold([*told, fact("take_back", to_review=True)])) == []
    rejected = fold([*told, fact("take_back", to_review=True), fact("review", accepted=False, why="other")])
    assert due_finals(rejected) == []


# ---- finals of some frames only, crops, donors


@pytest.fixture(scope="module")
def sheet(sheet_facts: list[Fact]) -> Fact:
    return next(each for each in sheet_facts if each["document"] == "job-sheet")


def revised(sheet: Fact, revision: int = 2, **content: Any) -> Fact:
    """The job sheet with some fields changed."""
    changed = {**sheet["content"], **content}
    return {**sheet, "content": changed, "sha256": document_digest(changed), "revision": revision}


@pytest.fixture(scope="module")
def two(fact: MakeFact, sheet_facts: list[Fact]) -> list[Fact]:
    """Two selects whose retouch came back, the second with a piece of frame 3."""
    frames = [fact("frame", frame=number, sha256=f"{number:064x}") for number in (1, 2, 3)]
    marks = [fact("selects_round"), fact("mark"), fact("mark", frame=2), fact("selects_round", state="closed")]
    back = [fact("brief"), fact("take_back"), fact("brief", frame=2), fact("take_back", frame=2, used=[3])]
    return [*sheet_facts, *frames, *marks, fact("hand_off"), *back]


def test_a_final_of_some_frames_is_wanted_of_these_only(
    fact: MakeFact, fold: Fold, sheet: Fact, two: list[Fact]
) -> None:
    finals = [
        {"final": "print", "look": "lifted-mono"},
        {"final": "colour", "look": "plain-colour", "frames": [2]},
    ]
    manifest = fold([*two, revised(sheet, finals=finals)])
    assert wanted_finals(manifest) == finals
    assert [wanted_finals(manifest, frame) for frame in manifest.frames] == [finals[:1], finals, finals[:1]]
    assert due_finals(manifest) == [
        DueFinal(1, "print", "lifted-mono", 1),
        DueFinal(2, "print", "lifted-mono", 1),
        DueFinal(2, "colour", "plain-colour", 1),
    ]
    first, second, _ = manifest.frames
    assert deliverable_finals(manifest, {}, second) == ["print", "colour"]
    assert deliverable_finals(manifest, {"finals": []}, second) == ["print", "colour"], "none named is all"
    assert deliverable_finals(manifest, {"finals": ["colour"]}, second) == ["colour"]
    assert deliverable_finals(manifest, {"finals": ["colour"]}, first) == []
    assert deliverable_finals(manifest, {"finals": ["poster"]}, second) == []


def test_a_delivery_waits_for_no_final_that_a_frame_does_not_get(
    fact: MakeFact, fold: Fold, sheet: Fact, two: list[Fact], colour: Fact
) -> None:
    finals = [{"final": "print", "look": "lifted-mono"}, {"final": "colour", "look": "plain-colour", "frames": [2]}]
    wanted = [{"client": CLIENT, "specification": "screen-2048", "finals": ["colour"]}]
    told = [*two, revised(sheet, finals=finals, deliverables=wanted), {**colour, "frame": 2}]
    assert due_deliveries(fold(told)) == []
    signed = fold([*told, fact("sign_off", frame=2, final="colour", final_sha256="c" * 64)])
    (due,) = due_deliveries(signed)
    assert [(number, final["final"]) for number, final in due.items] == [(2, "colour")]
    assert due_deliveries(fold([*told[:-1], revised(sheet, 3, finals=finals, deliverables=[])])) == []


@pytest.fixture(scope="module")
def sent(fact: MakeFact, sheet: Fact, two: list[Fact]) -> list[Fact]:
    """Both selects signed off, packed for the yearbook and handed over; frame 2 holds a piece of frame 3."""
    wanted = [{"client": CLIENT, "specification": "yearbook-print", "finals": ["print"], "due": "2026-12-15"}]
    file = fact("delivery")["files"][0]
    second = {"frame": 2, "frames": [2, 3], "sha256": "2" * 64}
    files = [file, {**file, "frame": 2, "frames": [2, 3], "final_sha256": "2" * 64}]
    return [
        *two,
        revised(sheet, deliverables=wanted),
        fact("final"),
        fact("final", **second),
        fact("sign_off"),
        fact("sign_off", frame=2, final_sha256="2" * 64),
        fact("delivery", files=files),
        fact("hand_over"),
    ]


def test_a_blocked_donor_keeps_the_final_from_leaving_and_someone_is_told(
    fact: MakeFact, fold: Fold, sent: list[Fact], people: People
) -> None:
    ready = sent[:-2]
    assert [[number for number, _ in due.items] for due in due_deliveries(fold(ready))] == [[1, 2]]
    manifest = fold([*ready, fact("block", frame=3)])
    assert blocked_sources(manifest, manifest.frames[1]["finals"][0]) == ["0003"]
    assert blocked_sources(manifest, manifest.frames[0]["finals"][0]) == []
    assert due_deliveries(manifest) == []
    (wait,) = waits(manifest, people, TODAY)
    assert wait.what == ("to have 0002 retouched without 0003: its final 'print' holds a piece of what is blocked now")
    assert wait.command == "glassine retouch review 2611-04 0002 --reject other --text 'without 0003'"
    rejected = fact("review", frame=2, accepted=False, why="other")
    assert said(fold([*ready, fact("block", frame=3), rejected]), people) == [
        "to open the next round of 0002, which was refused"
    ]
    released = fold([*ready, fact("block", frame=3), fact("block", frame=3, revision=2, blocked=False)])
    assert due_deliveries(released)
    assert waits(released, people, TODAY) == []
    own = fold([*ready, fact("block", frame=2)])
    assert [[number for number, _ in due.items] for due in due_deliveries(own)] == [[1]]
    assert waits(own, people, TODAY) == []


def test_deliveries_that_hold_a_frame_or_a_piece_of_it(fact: MakeFact, fold: Fold, sent: list[Fact]) -> None:
    manifest = fold(sent)
    assert [[found["delivery"] for found in deliveries_with(manifest, number)] for number in (1, 2, 3)] == [[1]] * 3
    assert deliveries_with(manifest, 4) == []
    packed = fold(sent[:-1])
    assert deliveries_with(packed, 3) == [], "it has not left"
    assert [frame["stage"] for frame in manifest.frames] == ["delivered", "delivered", "received"]


def test_another_crop_is_another_picture_to_deliver(fact: MakeFact, fold: Fold, sent: list[Fact]) -> None:
    crop = fact("crop")["crop"]
    assert due_deliveries(fold(sent)) == []
    other = [*sent, fact("crop", specification="screen-2048"), fact("sign_off", crop=1)]
    assert due_deliveries(fold(other)) == [], "the crop is for another specification"
    cropped = [*sent, fact("crop", specification="yearbook-print")]
    assert due_deliveries(fold(cropped)) == [], "the cropped picture waits for its sign-off"
    (due,) = due_deliveries(fold([*cropped, fact("sign_off", crop=1)]))
    assert due.specification == "yearbook-print"
    files = [{**file, "crop": crop} if file["frame"] == 1 else file for file in sent[-2]["files"]]
    again = [fact("delivery", delivery=2, files=files), fact("hand_over", delivery=2)]
    manifest = fold([*cropped, fact("sign_off", crop=1), *again])
    assert due_deliveries(manifest) == []
    final = fact("final")["sha256"]
    assert delivered_pictures(manifest, CLIENT, "yearbook-print") == {
        picture_key(final, None),
        picture_key(final, crop),
        picture_key("2" * 64, None),
    }


def test_a_picture_is_the_same_when_final_and_crop_are(fact: MakeFact) -> None:
    crop = fact("crop")["crop"]
    turned = {**crop, "turn_degrees": 180}
    assert picture_key("a" * 64, None) == "a" * 64
    keys = [picture_key(final * 64, each) for final in "ab" for each in (None, crop, turned)]
    assert len(set(keys)) == len(keys)
    assert picture_key("a" * 64, dict(reversed(crop.items()))) == picture_key("a" * 64, crop), "order says nothing"


def test_what_should_have_been_delivered_by_now(fact: MakeFact, fold: Fold, sheet: Fact, sent: list[Fact]) -> None:
    late = [f"yearbook-print for {CLIENT}, due 2026-12-15"]
    on_time, day_after = date(2026, 12, 15), date(2026, 12, 16)
    assert late_deliverables(fold(sent[:-1]), on_time) == []
    assert late_deliverables(fold(sent[:-1]), day_after) == late, "packed is not handed over"
    assert late_deliverables(fold(sent), day_after) == []
    assert late_deliverables(fold([*sent, fact("crop", frame=2)]), day_after) == late, "another picture is owed"
    rejected = [*sent, fact("review", frame=2, accepted=False, why="client's change")]
    assert late_deliverables(fold(rejected), day_after) == late
    assert late_deliverables(fold([*rejected, fact("block", frame=2)]), day_after) == []
    wanted = [{"client": CLIENT, "specification": "yearbook-print"}]
    by_the_job = revised(sheet, 3, deliverables=wanted, due="2026-12-20")
    assert late_deliverables(fold([*sent[:-1], by_the_job]), date(2026, 12, 21)) == [
        f"yearbook-print for {CLIENT}, due 2026-12-20"
    ]
    assert late_deliverables(fold([*sent[:-1], by_the_job]), day_after) == []
    never = {name: value for name, value in by_the_job["content"].items() if name != "due"}
    undated = {**by_the_job, "content": never, "sha256": document_digest(never)}
    assert late_deliverables(fold([*sent[:-1], undated]), date(2036, 1, 1)) == []


def test_drafts_wait_for_a_person(fact: MakeFact, fold: Fold, sheet_facts: list[Fact], people: People) -> None:
    marks = [fact("selects_round"), fact("mark", remark="lint", fixable=True), fact("selects_round", state="closed")]
    told = [*sheet_facts, fact("frame"), *marks, fact("final", round=0), fact("sign_off")]
    manifest = fold(told)
    (wait,) = waits(manifest, people, TODAY)
    assert wait.what == "to confirm or withdraw 1 draft note of 0001"
    assert wait.command == "glassine retouch notes 2611-04 0001"
    draft = manifest.frames[0]["drafts"][0]["note"]
    assert waits(fold([*told, fact("withdrawal", note=draft)]), people, TODAY) == []
    assert waits(fold([*told, fact("block")]), people, TODAY) == []


def test_the_contact_sheet_shows_crops_and_what_cannot_be_shown(fact: MakeFact, fold: Fold, chosen: list[Fact]) -> None:
    digest, _ = contact_sheet_inputs(fold(chosen))
    assert contact_sheet_inputs(fold([*chosen, fact("crop")]))[0] != digest
    assert contact_sheet_inputs(fold([*chosen, fact("crop", specification="screen-2048")]))[0] == digest
    more = [*chosen, fact("frame", frame=2, sha256="2" * 64)]
    assert contact_sheet_inputs(fold(more))[0] == digest
    changed, frames = contact_sheet_inputs(fold([*more, fact("unshowable", frame=2)]))
    assert (changed != digest, [frame["frame"] for frame in frames]) == (True, [1, 2])


def test_a_newer_round_holds_an_older_final_back(
    fact: MakeFact, fold: Fold, chosen: list[Fact], colour: Fact, people: People
) -> None:
    told = [*chosen, fact("brief"), fact("take_back"), fact("final"), colour, fact("sign_off")]
    assert [due.specification for due in due_deliveries(fold(told))] == ["yearbook-print"]
    assert [final["final"] for _, final in unsigned_finals(fold(told))] == ["colour"]
    again = [*told, fact("brief", round=2)]
    for held in (again, [*again, fact("hand_out", round=2)]):
        manifest = fold(held)
        assert (due_deliveries(manifest), unsigned_finals(manifest)) == ([], [])
        frame = manifest.frames[0]
        assert [(newer_round(frame, final) or {})["round"] for final in frame["finals"]] == [2, 2]
    off = fold([*again, fact("call_off", round=2)])
    assert [newer_round(off.frames[0], final) for final in off.frames[0]["finals"]] == [None, None]
    assert [due.specification for due in due_deliveries(off)] == ["yearbook-print"]
    assert said(off, people) == ["to sign off final 'colour' of 0001"]


def test_a_final_of_the_original_waits_for_a_round_that_was_briefed_after_it(
    fact: MakeFact, fold: Fold, chosen: list[Fact]
) -> None:
    def held(told: list[Fact]) -> list[bool]:
        manifest = Manifest()
        for minute, each in enumerate([fact("job"), *chosen, *told]):
            apply_fact(manifest, each, Occasion(f"2026-11-25T09:{minute:02d}:00Z", "p-00000000a1"))
        (frame,) = manifest.compute().frames
        return [newer_round(frame, final) is not None for final in frame["finals"]]

    assert held([fact("brief"), fact("final", round=0)]) == [False], "it leaves unretouched after all"
    assert held([fact("final", round=0), fact("brief")]) == [True]
    assert held([fact("brief"), fact("final", round=0), fact("hand_out")]) == [True]
    together = fold([*chosen, fact("final", round=0), fact("brief")]).frames[0]
    assert newer_round(together, together["finals"][0]), "the order of the record decides, not the clock"


def test_a_note_in_no_brief_waits_and_so_does_a_frame_that_is_out_and_no_select_any_more(
    fact: MakeFact, fold: Fold, chosen: list[Fact], people: People
) -> None:
    out = [*chosen, fact("note"), fact("brief"), fact("hand_out")]
    returns = "to return 0001, round 1, due 2026-12-01"
    assert said(fold(out), people) == [returns]
    noted = [*out, fact("note", note="n-0000000002")]
    unasked = "to brief 1 note of 0001 that no round has asked"
    assert said(fold(noted), people) == [returns, unasked]
    assert said(fold([*noted, fact("withdrawal", note="n-0000000002")]), people) == [returns]
    assert said(fold([*noted, fact("take_back")]), people) == [unasked]
    assert said(fold([*noted, fact("take_back"), fact("brief", round=2, notes=["n-0000000002"])]), people) == [
        "to hand out 0001, round 2"
    ]
    dropped = [fact("selects_round", round="2"), fact("mark", round="2", verdict="out")]
    dropped += [fact("selects_round", round="2", state="closed")]
    (wait,) = waits(fold([*out, *dropped]), people, TODAY)
    assert wait.what.startswith("to call 0001 back from ")
    assert wait.command == "glassine retouch call-off 2611-04 0001 --reason 'no select any more'"
    assert said(fold([*out, *dropped, fact("call_off")]), people) == []


def test_what_is_no_select_any_more_leaves_in_no_form(fact: MakeFact, fold: Fold, chosen: list[Fact]) -> None:
    back = [*chosen, fact("brief"), fact("take_back")]
    dropped = [fact("selects_round", round="2"), fact("mark", round="2", verdict="out")]
    dropped += [fact("selects_round", round="2", state="closed")]
    assert due_finals(fold(back))
    assert due_finals(fold([*back, *dropped])) == []
    assert unsigned_finals(fold([*back, fact("final")]))
    assert unsigned_finals(fold([*back, fact("final"), *dropped])) == []
