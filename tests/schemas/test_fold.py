"""The fold: pure, idempotent, the same from any checkpoint, always valid, and deaf to contradictions."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from glassine.schemas.entry import EMPTY, Head, canonical_bytes, compose_entry, digest_of
from glassine.schemas.facts import fact_kinds
from glassine.schemas.fold import apply_entry, apply_fact
from glassine.schemas.fold_base import ContradictionError, Occasion
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import check_document
from tests.schemas.teller import PEOPLE, Teller, sha

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Fold = Callable[[Iterable[Fact]], Manifest]


@st.composite
def kinds(draw: st.DrawFn) -> tuple[int, list[str]]:
    """A seed, and the kinds of a history in order: frames and copies first, or there is little to say."""
    seed = draw(st.integers(0, 2**32))
    first = ["frame", "frame", "frame", "copy", "copy", "fixity_pass"]
    return seed, first + draw(st.lists(st.sampled_from(fact_kinds()), min_size=60, max_size=200))


def history(make: MakeFact, told: tuple[int, list[str]]) -> list[Fact]:
    """The facts of a plausible job."""
    seed, order = told
    teller = Teller(make, seed)
    return [make("job"), *(fact for kind in order if (fact := teller.tell(kind)) is not None)]


def entries_of(facts: list[Fact], size: int) -> list[tuple[dict[str, Any], Head]]:
    """The facts in entries of `size`, as they would lie in a record."""
    head, made = EMPTY, []
    for start in range(0, len(facts), size):
        at = f"2026-11-25T{start // 3600:02d}:{start // 60 % 60:02d}:{start % 60:02d}Z"
        entry = compose_entry(head, facts[start : start + size], at=at, by=PEOPLE[0], event="e")
        head = Head(entry["entry"], digest_of(canonical_bytes(entry)))
        made.append((json.loads(canonical_bytes(entry)), head))
    return made


def folded(entries: Iterable[tuple[dict[str, Any], Head]], manifest: Manifest | None = None) -> Manifest:
    manifest = manifest or Manifest()
    for entry, head in entries:
        apply_entry(manifest, entry, head)
    return manifest.compute()


thorough = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@thorough
@given(kinds())
def test_the_manifest_is_valid_after_every_entry(fact: MakeFact, told: tuple[int, list[str]]) -> None:
    manifest = Manifest()
    for entry, head in entries_of(history(fact, told), 1):
        check_document(folded([(entry, head)], manifest).document, "manifest", label="the fold")
    assert manifest.head.entry > 3


@thorough
@given(kinds())
def test_a_fact_said_again_changes_nothing(fact: MakeFact, told: tuple[int, list[str]]) -> None:
    facts = history(fact, told)
    again = random.Random(told[0])
    manifest = Manifest()
    later = Occasion("2026-12-25T10:00:00Z", PEOPLE[1])
    for place, each in enumerate(facts):
        apply_fact(manifest, each, Occasion(f"2026-11-25T10:00:{place % 60:02d}Z", PEOPLE[0]))
        state = canonical_bytes(manifest.compute().document)
        for known in (each, *again.choices(facts[: place + 1], k=4)):
            assert apply_fact(manifest, known, later) is False, known
        assert canonical_bytes(manifest.compute().document) == state
    for known in facts:
        assert apply_fact(manifest, known, later) is False, known
    assert canonical_bytes(manifest.compute().document) == state


@thorough
@given(kinds(), st.integers(1, 9), st.data())
def test_a_checkpoint_and_the_tail_give_what_all_entries_give(
    fact: MakeFact, told: tuple[int, list[str]], size: int, data: st.DataObject
) -> None:
    entries = entries_of(history(fact, told), size)
    cut = data.draw(st.integers(0, len(entries)))
    checkpoint = json.loads(canonical_bytes(folded(entries[:cut]).document))
    resumed = folded(entries[cut:], Manifest(checkpoint))
    assert canonical_bytes(resumed.document) == canonical_bytes(folded(entries).document)
    assert resumed.head == entries[-1][1]


@thorough
@given(kinds())
def test_how_facts_are_batched_changes_only_times(fact: MakeFact, told: tuple[int, list[str]]) -> None:
    facts = history(fact, told)
    one, many = folded(entries_of(facts, len(facts))), folded(entries_of(facts, 2))
    assert [frame["stage"] for frame in one.frames] == [frame["stage"] for frame in many.frames]
    assert [frame["selection"] and frame["selection"]["verdict"] for frame in one.frames] == [
        frame["selection"] and frame["selection"]["verdict"] for frame in many.frames
    ]
    assert one.every_file()[0][0] == many.every_file()[0][0]


@thorough
@given(kinds())
def test_the_fold_leaves_its_entries_alone(fact: MakeFact, told: tuple[int, list[str]]) -> None:
    entries = entries_of(history(fact, told), 3)
    before = [canonical_bytes(entry) for entry, _ in entries]
    folded(entries)
    assert [canonical_bytes(entry) for entry, _ in entries] == before


def test_histories_hold_every_kind(fact: MakeFact) -> None:
    told = [each["kind"] for seed in range(20) for each in history(fact, (seed, ["frame"] * 3 + fact_kinds() * 3))]
    assert set(told) == set(fact_kinds())


def _closed_round(fact: MakeFact) -> list[Fact]:
    return [fact("frame"), fact("selects_round"), fact("mark"), fact("selects_round", state="closed")]


CONTRADICTIONS: dict[str, Callable[[MakeFact], tuple[list[Fact], Fact]]] = {
    "another job's fact": lambda fact: ([], fact("job", job="2611-05")),
    "mark in a closed round": lambda fact: (_closed_round(fact), fact("mark", revision=2, verdict="out")),
    "first mark of a person in a closed round": lambda fact: (_closed_round(fact), fact("mark", person=PEOPLE[1])),
    "mark in a round nobody opened": lambda fact: ([fact("frame")], fact("mark")),
    "mark of an unknown frame": lambda fact: ([fact("selects_round")], fact("mark", frame=9)),
    "closing a round nobody opened": lambda fact: ([], fact("selects_round", state="closed")),
    "sidecars of an open round": lambda fact: ([fact("selects_round")], fact("hand_off")),
    "a number given twice": lambda fact: ([fact("frame")], fact("frame", sha256=sha("other"))),
    "a frame that is a stray already": lambda fact: ([fact("stray")], fact("frame", sha256=fact("stray")["sha256"])),
    "identified before it came": lambda fact: ([], fact("identified")),
    "companion of an unknown frame": lambda fact: ([], fact("companion")),
    "copy of an unknown file": lambda fact: ([fact("frame")], fact("copy", sha256=sha("other"))),
    "unknown file seen": lambda fact: ([], fact("seen")),
    "read-back of an unknown copy": lambda fact: ([fact("frame")], fact("read_back")),
    "repair of an unknown copy": lambda fact: ([fact("frame")], fact("repair")),
    "skipped pass": lambda fact: ([], fact("fixity_pass", **{"pass": 2})),
    "pass closed before it was opened": lambda fact: ([], fact("fixity_pass", state="closed")),
    "pass skipped": lambda fact: ([fact("fixity_pass")], fact("fixity_pass", **{"pass": 3})),
    "skipped revision of a document": lambda fact: ([], fact("adopted", revision=2)),
    "skipped revision of a volume": lambda fact: ([fact("volume")], fact("volume", revision=3)),
    "skipped revision of a set-up": lambda fact: ([fact("frame")], fact("set_up", revision=2)),
    "skipped revision of a card": lambda fact: ([fact("card")], fact("card", revision=3)),
    "a card's name in another case": lambda fact: ([fact("card")], fact("card", card="a7")),
    "skipped revision of a clock": lambda fact: ([fact("frame"), fact("clock")], fact("clock", revision=3)),
    "a clock in a frame that is none": lambda fact: ([fact("frame")], fact("clock", frame=9)),
    "skipped revision of a purpose": lambda fact: ([fact("frame")], fact("purpose", revision=2)),
    "purpose of an unknown frame": lambda fact: ([], fact("purpose")),
    "skipped revision of what is on set": lambda fact: ([fact("on_set")], fact("on_set", revision=3)),
    "skipped revision of a carrier": lambda fact: ([fact("carrier")], fact("carrier", revision=3)),
    "skipped revision of a mark": lambda fact: ([fact("frame"), fact("selects_round")], fact("mark", revision=2)),
    "skipped revision of a block": lambda fact: ([fact("frame")], fact("block", revision=2)),
    "skipped contact sheet": lambda fact: ([fact("contact_sheet")], fact("contact_sheet", revision=3)),
    "skipped retouch round": lambda fact: ([fact("frame"), fact("brief")], fact("brief", round=3)),
    "hand-out without a brief": lambda fact: ([fact("frame")], fact("hand_out")),
    "skipped hand-out": lambda fact: ([fact("frame"), fact("brief")], fact("hand_out", revision=2)),
    "return without a brief": lambda fact: ([fact("frame")], fact("take_back")),
    "a frame decoded for the third time first": lambda fact: ([fact("frame")], fact("decode_attempt", attempt=3)),
    "a donor that is no frame": lambda fact: (
        [fact("frame")],
        fact("note", donors=[{"frame": 1, "region": None}, {"frame": 9, "region": None}]),
    ),
    "skipped withdrawal": lambda fact: ([fact("frame"), fact("note")], fact("withdrawal", revision=2)),
    "a return made with an unknown frame": lambda fact: (
        [fact("frame"), fact("brief")],
        fact("take_back", used=[1, 9]),
    ),
    "review without a brief": lambda fact: ([fact("frame")], fact("review")),
    "review of what never came": lambda fact: ([fact("frame"), fact("brief")], fact("review")),
    "review of another round's return": lambda fact: (
        [fact("frame"), fact("brief"), fact("take_back"), fact("brief", round=2)],
        fact("review", round=2),
    ),
    "skipped review": lambda fact: (
        [fact("frame"), fact("brief"), fact("take_back"), fact("review")],
        fact("review", revision=3),
    ),
    "skipped crop": lambda fact: ([fact("frame"), fact("crop")], fact("crop", revision=3)),
    "sign-off of a crop nobody made": lambda fact: (
        [fact("frame"), fact("final", round=0), fact("crop")],
        fact("sign_off", crop=2),
    ),
    "final made of an unknown frame": lambda fact: ([fact("frame")], fact("final", frames=[1, 9])),
    "delivery of an unknown frame": lambda fact: ([], fact("delivery")),
    "delivery made of an unknown frame": lambda fact: (
        [fact("frame")],
        fact("delivery", files=[{**fact("delivery")["files"][0], "frames": [1, 9]}]),
    ),
    "final of an unknown frame": lambda fact: ([], fact("final")),
    "sign-off of bytes that are no final": lambda fact: ([fact("frame")], fact("sign_off")),
    "skipped delivery": lambda fact: ([fact("frame")], fact("delivery", delivery=2)),
    "hand-over of what was never packed": lambda fact: ([fact("frame")], fact("hand_over")),
}


@pytest.mark.parametrize("what", CONTRADICTIONS)
def test_contradictions_are_refused_and_leave_nothing(fact: MakeFact, fold: Fold, what: str) -> None:
    before, contradiction = CONTRADICTIONS[what](fact)
    manifest = fold(before)
    state = canonical_bytes(manifest.document)
    with pytest.raises(ContradictionError) as caught:
        apply_fact(manifest, contradiction, Occasion("2026-11-25T10:00:00Z", PEOPLE[0]))
    assert caught.value.code == "W004"
    assert canonical_bytes(manifest.compute().document) == state


def test_a_copy_that_rots_again_is_not_mended_by_the_old_repair(fact: MakeFact, fold: Fold) -> None:
    rotten = {"outcome": "differs", "found": sha("rotten")}
    facts = [fact("frame"), fact("copy"), fact("fixity_pass"), fact("read_back", **rotten), fact("repair")]
    facts += [fact("fixity_pass", state="closed"), fact("fixity_pass", **{"pass": 2})]
    facts += [fact("read_back", **rotten, **{"pass": 2}), fact("repair")]
    assert fold(facts).frames[0]["copies"][0]["outcome"] == "differs"


def test_a_sign_off_is_for_the_bytes(fact: MakeFact, fold: Fold) -> None:
    """Two finals of the same bytes (one look under two names, a round that came back unchanged) need one sign-off."""
    facts = [fact("frame"), fact("brief"), fact("take_back"), fact("final"), fact("final", final="web")]
    facts += [fact("sign_off"), fact("brief", round=2), fact("take_back", round=2), fact("final", round=2)]
    manifest = fold(facts)
    assert [bool(final["signed_off"]) for final in manifest.frames[0]["finals"]] == [True, True, True]
    other = fold([*facts[:3], fact("final"), fact("final", final="web", sha256=sha("web")), fact("sign_off")])
    assert [bool(final["signed_off"]) for final in other.frames[0]["finals"]] == [True, False]


def test_whole_is_the_time_of_the_last_whole_read(fact: MakeFact) -> None:
    facts = [
        fact("job"),
        fact("frame"),
        fact("copy"),
        fact("fixity_pass"),
        fact("read_back", outcome="missing", found=None, read_from=None),
    ]
    manifest = Manifest()
    for hour, each in enumerate(facts):
        apply_fact(manifest, each, Occasion(f"2026-11-25T0{hour}:00:00Z", PEOPLE[0]))
    (copy,) = manifest.frames[0]["copies"]
    assert (copy["outcome"], copy["whole_at"], copy["pass"]) == ("missing", "2026-11-25T02:00:00Z", 1)


# ---- decode attempts


def attempts(make: MakeFact, told: Iterable[tuple[str, float, int]]) -> list[Fact]:
    """Attempts at frame 1 in a row: outcome, limit of seconds, limit of memory."""
    return [
        make(
            "decode_attempt",
            attempt=place,
            outcome=outcome,
            limit_seconds=seconds,
            limit_mb=mb,
            reason=None if outcome == "decoded" else f"{outcome} within {seconds} s",
        )
        for place, (outcome, seconds, mb) in enumerate(told, 1)
    ]


TWICE: list[tuple[str, float, int]] = [("stopped", 10, 512), ("stopped", 10, 512)]
STOPPED = "stopped within 10 s"
ATTEMPTS: dict[str, tuple[list[tuple[str, float, int]], str | None, str | None]] = {
    "once says little": ([("stopped", 10, 512)], None, None),
    "twice under the same limits": (TWICE, STOPPED, STOPPED),
    "more time is another try": ([("stopped", 10, 512), ("stopped", 20, 512)], None, None),
    "more memory is another try": ([("stopped", 10, 512), ("stopped", 10, 1024)], None, None),
    "more of one and less of the other": ([("stopped", 20, 512), ("stopped", 10, 1024)], None, None),
    "twice under the higher limits": (
        [("stopped", 10, 512), ("stopped", 20, 512), ("stopped", 20, 512)],
        "stopped within 20 s",
        "stopped within 20 s",
    ),
    "it got through between": ([("stopped", 10, 512), ("decoded", 10, 512), ("stopped", 10, 512)], None, None),
    "it got through under higher limits": ([*TWICE, ("decoded", 20, 512)], None, None),
    "it came to its end, and does not decode": ([*TWICE, ("refused", 20, 512)], "refused within 20 s", None),
    "given up, it stays so while higher limits do not help": ([*TWICE, ("stopped", 20, 512)], STOPPED, STOPPED),
    "given up, and through at last": (
        [*TWICE, ("stopped", 20, 512), ("stopped", 20, 512), ("decoded", 40, 512)],
        None,
        None,
    ),
    "through, and then stopped twice again": (
        [*TWICE, ("decoded", 20, 512), ("stopped", 20, 512), ("stopped", 20, 512)],
        "stopped within 20 s",
        "stopped within 20 s",
    ),
}


@pytest.mark.parametrize("what", ATTEMPTS)
def test_a_file_is_given_up_after_two_stops_until_it_gets_through(fact: MakeFact, fold: Fold, what: str) -> None:
    told, undecodable, unshowable = ATTEMPTS[what]
    frame = fold([fact("frame"), *attempts(fact, told)]).frames[0]
    assert (frame["undecodable"], frame["unshowable"]) == (undecodable, unshowable)
    assert frame["decoding"]["given_up"] == (unshowable is not None)
    assert frame["decoding"]["attempts"] == len(told)
    assert (frame["decoding"]["limit_seconds"], frame["decoding"]["limit_mb"]) == told[-1][1:]
    assert frame["stage"] == ("undecodable" if undecodable else "received")


def said_again(manifest: Manifest, facts: Iterable[Fact]) -> list[Fact]:
    """Those of these facts that would be news."""
    later = Occasion("2026-12-25T10:00:00Z", PEOPLE[1])
    return [each for each in facts if apply_fact(manifest, each, later)]


@pytest.mark.parametrize("ended", ["decoded", "refused"])
def test_what_was_said_before_a_file_was_given_up_is_past_when_it_comes_to_its_end(
    fact: MakeFact, fold: Fold, ended: str
) -> None:
    told = attempts(fact, [*TWICE, (ended, 20, 512)])
    facts = [fact("frame"), fact("undecodable"), *told]
    given_up = fold(facts[:-1]).frames[0]
    assert (given_up["undecodable"], given_up["unshowable"]) == (fact("undecodable")["reason"], STOPPED)
    manifest = fold(facts)
    assert manifest.frames[0]["undecodable"] == (None if ended == "decoded" else "refused within 20 s")
    assert said_again(manifest, facts) == []


def test_what_is_refused_at_last_can_be_unshowable_too(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("frame"), *attempts(fact, [*TWICE, ("refused", 20, 512)]), fact("unshowable")]
    manifest = fold(facts)
    assert manifest.frames[0]["unshowable"] == fact("unshowable")["reason"]
    assert said_again(manifest, facts) == []


def test_what_cannot_be_shown_at_all_is_not_given_up(fact: MakeFact, fold: Fold) -> None:
    facts = [fact("frame"), fact("unshowable"), *attempts(fact, TWICE)]
    frame = fold(facts).frames[0]
    assert (frame["unshowable"], frame["decoding"]["given_up"]) == (fact("unshowable")["reason"], False)
    manifest = fold([*facts, *attempts(fact, [*TWICE, ("decoded", 20, 512)])[2:]])
    assert manifest.frames[0]["unshowable"] == fact("unshowable")["reason"], "a fact of its own stays"


def test_a_file_is_given_up_with_a_reason_even_where_none_was_said(fact: MakeFact, fold: Fold) -> None:
    frame = fold([fact("frame"), *(fact("decode_attempt", attempt=n, reason=None) for n in (1, 2))]).frames[0]
    assert frame["decoding"]["given_up"]
    assert frame["undecodable"] == frame["unshowable"] == "Its decoder was stopped for want of time or memory."
