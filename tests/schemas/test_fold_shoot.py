"""The day of the shoot: cards that come and go, clocks put right, arrangements, purposes, scopes, carriers."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from glassine.schemas.entry import EMPTY, compose_entry
from glassine.schemas.errors import DocumentError
from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import ContradictionError, Occasion
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import check_document

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Fold = Callable[[Iterable[Fact]], Manifest]
ME, OTHER = "p-00000000a1", "p-00000000b2"
AT = "2026-11-25T09:00:00.000000Z"
LATER = "2026-11-26T09:00:00.000000Z"
SCOPE = {"older_than_days": None, "before": None, "sample": 3, "of": 11, "seed": "0f3c2a91d7b45e68"}


def told_later(manifest: Manifest, *facts: Fact) -> list[bool]:
    """Which of these were news, a day after."""
    return [apply_fact(manifest, json.loads(json.dumps(each)), Occasion(LATER, OTHER)) for each in facts]


def check_entry(*facts: Fact) -> None:
    compose_entry(EMPTY, list(facts), at=AT, by=ME, event="e")


def test_a_job_without_such_facts_has_the_values_they_start_from(fact: MakeFact, fold: Fold) -> None:
    manifest = fold([fact("frame"), fact("set_up"), fact("fixity_pass")])
    frame, document = manifest.frames[0], manifest.document
    assert (frame["arrangement"], frame["purpose"], frame["purpose_revision"]) == (1, "picture", 0)
    assert (frame["taken"], frame["same_exposure"]) == (None, None)
    assert [document[name] for name in ("cards", "clocks", "on_set", "carriers")] == [{}, {}, None, {}]
    assert document["passes"]["scope"] is None


# ---- cards


def test_a_card_goes_through_any_states_and_out_again(fact: MakeFact, fold: Fold) -> None:
    states = ["issued", "returned", "taken_in", "issued", "issued", "taken_in"]
    facts = [fact("card", revision=place, state=state, camera=None) for place, state in enumerate(states, 1)]
    manifest = fold(facts)
    known = {"revision": 6, "state": "taken_in", "camera": None, "person": ME, "at": AT}
    assert manifest.document["cards"] == {"A7": known}
    assert told_later(manifest, *facts) == [False] * 6


def test_what_a_card_is_said_to_be_now_stands_and_nothing_of_before(fact: MakeFact, fold: Fold) -> None:
    manifest = fold([fact("card"), fact("card", revision=2, state="returned", camera=None, person=None)])
    assert manifest.document["cards"]["A7"]["camera"] is None
    assert manifest.document["cards"]["A7"]["person"] is None


def test_two_names_that_differ_in_case_are_one_card_and_that_is_said(fact: MakeFact, fold: Fold) -> None:
    manifest = fold([fact("card", card="Blue-1")])
    with pytest.raises(ContradictionError, match="Card BLUE-1 is known as Blue-1: names that differ only in upper"):
        told_later(manifest, fact("card", card="BLUE-1", revision=2))
    assert told_later(manifest, fact("card", card="Blue-2"), fact("card", card="Blue-1", revision=2)) == [True, True]


@pytest.mark.parametrize("card", ["", "a" * 21, "A 7", "Größe", "A/7", "A7\n"])
def test_a_card_has_a_name_that_fits_on_it(fact: MakeFact, card: str) -> None:
    with pytest.raises(DocumentError):
        check_entry(fact("card", card=card))


# ---- clocks


def test_an_offset_puts_every_frame_of_its_body_right_and_touches_no_captured_time(fact: MakeFact, fold: Fold) -> None:
    captured = "2026-11-25T23:59:30.50"
    facts = [
        *(fact("frame", frame=number, sha256=f"{number:064x}") for number in (1, 2, 3, 4)),
        fact("identified", frame=1, captured=captured),
        fact("identified", frame=2, captured=captured, serial="0002"),
        fact("identified", frame=3, captured=None),
        fact("identified", frame=4, captured=captured, serial=None),
        fact("clock", offset_s=62.25, frame=None),
    ]
    manifest = fold(facts)
    assert [frame["taken"] for frame in manifest.frames] == ["2026-11-26T00:00:32.75", captured, None, captured]
    assert told_later(manifest, fact("clock", revision=2, offset_s=-30, how="typed")) == [True]
    manifest.compute()
    assert [frame["taken"] for frame in manifest.frames] == ["2026-11-25T23:59:00.50", captured, None, captured]
    assert [frame["captured"] for frame in manifest.frames] == [captured, captured, None, captured]
    known = {"revision": 2, "offset_s": -30, "how": "typed", "frame": 1, "at": LATER}
    assert manifest.document["clocks"] == {"0001": known}


@pytest.mark.parametrize("offset", [float("inf"), float("nan"), 1e13, "60", None])
def test_an_offset_is_a_number_of_seconds(fact: MakeFact, offset: object) -> None:
    with pytest.raises((DocumentError, ValueError)):
        check_entry({**fact("clock"), "offset_s": offset})


def test_two_files_of_one_exposure_know_each_other_from_the_second_on(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("frame"), fact("identified"), fact("frame", frame=2, sha256="2" * 64)]
    manifest = fold(facts)
    assert [frame["same_exposure"] for frame in manifest.frames] == [None, None]
    assert told_later(manifest, fact("identified", frame=2, captured="2026-11-25T10:03:18Z")) == [True]
    assert [frame["same_exposure"] for frame in manifest.compute().frames] == [2, 1]


# ---- what frames are


def test_a_frame_may_be_said_to_be_something_else_later(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("frame"), fact("purpose"), fact("purpose", revision=2, purpose="test")]
    manifest = fold(facts)
    assert (manifest.frames[0]["purpose"], manifest.frames[0]["purpose_revision"]) == ("test", 2)
    assert told_later(manifest, *facts) == [False] * 3


def test_an_arrangement_is_of_the_set_up_that_is_said_with_it(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("frame"), fact("set_up", arrangement=3)]
    assert fold(facts).frames[0]["arrangement"] == 3
    frame = fold([*facts, fact("set_up", revision=2, set_up="window")]).frames[0]
    assert (frame["set_up"], frame["arrangement"]) == ("window", 1)


def test_what_is_on_set_is_said_anew_each_time(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("on_set"), fact("on_set", revision=2, set_up=None, arrangement=4, purpose="test")]
    manifest = fold([fact("frame"), *facts])
    known = {"revision": 2, "set_up": None, "arrangement": 4, "purpose": "test", "at": AT}
    assert manifest.document["on_set"] == known
    assert told_later(manifest, *facts) == [False, False]
    assert manifest.frames[0]["purpose"] == "picture", "only what comes next, and by a fact of its own"


@pytest.mark.parametrize("fields", [{"arrangement": 0}, {"purpose": "portrait"}, {"set_up": ""}])
def test_what_is_on_set_is_checked(fact: MakeFact, fields: Fact) -> None:
    with pytest.raises(DocumentError):
        check_entry(fact("on_set", **fields))


# ---- carriers and passes


def test_a_volume_has_the_carrier_named_last(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("carrier"), fact("carrier", volume="v-00000000000000a1", person=OTHER)]
    facts += [fact("carrier", revision=2, person=None)]
    manifest = fold(facts)
    assert manifest.document["carriers"] == {
        "v-00000000000000a1": {"revision": 1, "person": OTHER, "at": AT},
        "v-00000000000000b2": {"revision": 2, "person": None, "at": AT},
    }
    assert told_later(manifest, *facts) == [False] * 3


def test_the_scope_is_that_of_the_pass_opened_last(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("fixity_pass", scope=SCOPE)]
    assert fold(facts).document["passes"]["scope"] == SCOPE
    facts += [fact("fixity_pass", state="closed")]
    assert fold(facts).document["passes"]["scope"] == SCOPE, "it is what was read"
    facts += [fact("fixity_pass", **{"pass": 2})]
    manifest = fold(facts)
    assert manifest.document["passes"]["scope"] is None
    assert told_later(manifest, *facts) == [False] * 3
    assert manifest.document["passes"]["scope"] is None
    check_document(manifest.document, "manifest", label="the fold")


@pytest.mark.parametrize(
    "scope",
    [
        {},
        {**SCOPE, "seed": "0F3C2A91D7B45E68"},
        {**SCOPE, "sample": 0},
        {**SCOPE, "older_than_days": -1},
        {**SCOPE, "before": "yesterday"},
        {**SCOPE, "why": "habit"},
        "all",
    ],
)
def test_a_scope_is_checked(fact: MakeFact, scope: object) -> None:
    check_entry(fact("fixity_pass", scope=SCOPE))
    with pytest.raises(DocumentError):
        check_entry(fact("fixity_pass", scope=scope))


def test_only_a_pass_that_is_opened_has_a_scope(fact: MakeFact) -> None:
    check_entry(fact("fixity_pass", state="closed", scope=None))
    with pytest.raises(DocumentError, match="scope"):
        check_entry(fact("fixity_pass", state="closed", scope=SCOPE))
