"""Which balance a frame's pictures get, and what that does to its proof and its finals."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from glassine.schemas.balance import RENDERED, balance_key, balance_of, proof_key, whole_stops
from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import ContradictionError, Occasion
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame
from glassine.tasks.imaging.raw_rendering import _PILLOW, _TIFF

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Fold = Callable[[Iterable[Fact]], Manifest]
LOCKED = {"multipliers": [2, 1, 1.5], "stops": 0}
LATER = Occasion("2026-11-26T09:00:00.000000Z", "p-00000000b2")


def a_frame(**fields: Any) -> Frame:
    return {"name": "A.DNG", "set_up": "bench", "arrangement": 1, "camera": "Body", "exposure_match": None, **fields}


def said(**fields: Any) -> Fact:
    return {"set_up": "bench", "arrangement": None, "camera": "Body", **LOCKED, **fields}


def test_a_balance_is_of_one_set_up_and_one_camera_model() -> None:
    balances = [said()]
    assert balance_of(balances, a_frame()) == LOCKED
    assert balance_of(balances, a_frame(arrangement=3)) == LOCKED
    for other in ({"set_up": "window"}, {"set_up": None}, {"camera": "Another"}, {"camera": None}):
        assert balance_of(balances, a_frame(**other)) is None
    assert balance_of([said(camera="")], a_frame(camera=None)) == LOCKED


def test_an_arrangements_own_balance_goes_first() -> None:
    balances = [said(arrangement=2, multipliers=[3, 1, 1]), said()]
    assert balance_of(balances, a_frame(arrangement=2)) == {"multipliers": [3, 1, 1], "stops": 0}
    assert balance_of(balances, a_frame(arrangement=1)) == LOCKED


def test_an_exposure_match_adds_to_what_the_set_up_has() -> None:
    matched = a_frame(exposure_match={"stops": -0.25})
    assert balance_of([said(stops=0.5)], matched) == {"multipliers": [2, 1, 1.5], "stops": 0.25}
    assert balance_of([], matched) == {"multipliers": None, "stops": -0.25}
    assert balance_of([], a_frame(exposure_match={"stops": 0})) is None
    assert balance_of([said(multipliers=None, stops=0.25)], matched) is None


@pytest.mark.parametrize(("set_up", "own", "whole"), [(4, 4, 5), (-4, -1.5, -5), (5, -4.5, 0.5)])
def test_what_both_add_up_to_ends_where_a_picture_does(set_up: float, own: float, whole: float) -> None:
    frame = a_frame(exposure_match={"stops": own})
    balances = [said(multipliers=None, stops=set_up)]
    assert balance_of(balances, frame) == {"multipliers": None, "stops": whole}
    assert whole_stops(balances, frame) == set_up + own


@pytest.mark.parametrize("name", ["A.JPG", "a.jpeg", "B.tif", "C.PNG"])
def test_what_is_rendered_already_keeps_its_white_balance(name: str) -> None:
    assert balance_of([said()], a_frame(name=name)) is None
    assert balance_of([said(stops=0.5)], a_frame(name=name)) == {"multipliers": None, "stops": 0.5}
    assert set(_TIFF | _PILLOW) == RENDERED, "as raw_rendering takes them"


def test_pictures_in_different_balances_are_told_apart() -> None:
    assert proof_key("a" * 64, None) == "a" * 64
    keys = {balance_key({"multipliers": None, "stops": stops}) for stops in (-0.5, 0.25, 0.5)}
    assert len(keys) == 3
    assert all(len(key) == 16 for key in keys)
    assert balance_key({"multipliers": [2, 1, 1.5], "stops": 0}) == balance_key(
        {"multipliers": [2.0, 1, 1.5], "stops": 0.0}
    )


def test_a_proof_in_another_balance_is_another_proof(fact: MakeFact, fold: Fold, sheet_facts: list[Fact]) -> None:
    camera = fact("identified")["camera"]
    locked = fact("balance", camera=camera, **LOCKED)
    manifest = fold([*sheet_facts, fact("frame"), fact("identified"), fact("set_up"), fact("proof"), locked])
    frame = manifest.frames[0]
    assert frame["balance"] == LOCKED
    assert frame["proof"] is None
    assert apply_fact(manifest, fact("proof", balance=LOCKED, sha256="5" * 64), LATER)
    assert manifest.compute().frames[0]["proof"]["sha256"] == "5" * 64
    assert len(frame["proofs"]) == 2
    back = fact("balance", camera=camera, revision=2, how="as shot", multipliers=None, stops=0)
    assert apply_fact(manifest, back, LATER)
    assert manifest.compute().frames[0]["proof"]["sha256"] == fact("proof")["sha256"]
    assert [known["revision"] for known in manifest.document["balances"]] == [2]


def test_a_final_of_the_original_is_stale_in_another_balance_and_one_of_a_return_is_not(
    fact: MakeFact, fold: Fold, sheet_facts: list[Fact]
) -> None:
    begun = [*sheet_facts, fact("frame"), fact("identified"), fact("set_up")]
    matched = fact("exposure_match")
    unretouched = fold([*begun, fact("final", round=0, frames=[1]), matched])
    assert [final["stale"] for final in unretouched.frames[0]["finals"]] == [True]
    balance = {"multipliers": None, "stops": matched["stops"]}
    again = fact("final", round=0, frames=[1], balance=balance, sha256="6" * 64)
    assert apply_fact(unretouched, again, LATER)
    assert [final["stale"] for final in unretouched.compute().frames[0]["finals"]] == [True, False]
    retouched = fold([*begun, fact("brief"), fact("hand_out"), fact("take_back"), fact("final"), matched])
    assert [final["stale"] for final in retouched.frames[0]["finals"]] == [False]


@pytest.mark.parametrize("kind", ["balance", "exposure_match"])
def test_revisions_count_on_and_an_older_one_changes_nothing(fact: MakeFact, fold: Fold, kind: str) -> None:
    manifest = fold([fact("frame"), fact(kind), fact(kind, revision=2, stops=0)])
    before = json.dumps(manifest.document)
    assert not apply_fact(manifest, fact(kind), LATER)
    assert json.dumps(manifest.document) == before
    with pytest.raises(ContradictionError, match="goes from 2 to 4"):
        apply_fact(manifest, fact(kind, revision=4), LATER)
