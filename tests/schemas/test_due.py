"""What is owed now: due lists from the facts, and the decisions that a job waits for."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.due import (
    contact_sheet_inputs,
    current_final,
    delivered_digests,
    due_deliveries,
    due_finals,
    late_frames,
    owed_copies,
    owed_hand_offs,
    unidentified,
    unproofed,
    unsigned_finals,
    waits,
)
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People

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
    assert contact_sheet_inputs(fold([*chosen, fact("note"), fact("set_up")]))[0] == digest
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
    assert delivered_digests(fold(packed), CLIENT, "yearbook-print") == set()
    assert delivered_digests(fold(handed), CLIENT, "yearbook-print") == {fact("final")["sha256"]}
    assert delivered_digests(fold(handed), "Somebody else", "yearbook-print") == set()

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
        ([fact("selects_round", state="closed")], ["to brief the retouch of 0001"]),
        ([fact("brief")], ["to hand out 0001, round 1"]),
        ([fact("hand_out")], ["to return 0001, round 1, due 2026-12-01"]),
        (
            [fact("take_back", accepted=False)],
            ["to return 0001, round 1, due 2026-12-01 (the last return was refused)"],
        ),
        ([fact("take_back", sha256="2" * 64)], []),
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
    assert wait.command == "glassine retouch hand-out 2611-04 0001 --to NAME --due 2026-11-30"


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
