"""A select walked through its retouch by whatever may happen next: what is said of it never disagrees with itself."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from datetime import date
from pathlib import Path
from typing import Any, ClassVar

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from glassine.schemas.due import (
    due_deliveries,
    due_finals,
    late_deliverables,
    late_frames,
    owed_rounds,
    unsigned_finals,
    waits,
)
from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import Occasion
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People
from glassine.schemas.stage import (
    Frame,
    base_of_next_round,
    crop_for,
    current_round,
    frames_of_round,
    is_blocked,
    last_return,
    live_notes,
    newer_round,
    notes_to_ask,
    outcome_of,
    refused_return,
    round_state,
    rounds_under,
)
from glassine.schemas.validation import check_document

Fact = dict[str, Any]
ME = "p-00000000a1"
LATE = date(2030, 1, 1)
CAUSES = ("missed note", "client's change", "unasked change", "other")
FAULTS = ("note undone", "technical", "another frame", "older round", "nothing done")
some_frames = st.lists(st.sampled_from([2, 3]), max_size=2, unique=True)


def sha(text: object) -> str:
    return hashlib.sha256(str(text).encode()).hexdigest()


def occasion(place: int) -> Occasion:
    """When the fact at this place was told: a second after the one before."""
    return Occasion(f"2026-11-25T{10 + place // 3600:02d}:{place // 60 % 60:02d}:{place % 60:02d}Z", ME)


class Retouch(RuleBasedStateMachine):
    """Frame 1 is the select, frames 2 and 3 give pieces; the manifest is checked after every fact."""

    make: ClassVar[Any]
    opening: ClassVar[list[Fact]]
    people: ClassVar[People]

    def __init__(self) -> None:
        super().__init__()
        self.manifest = Manifest()
        self.told: list[Fact] = []
        self.tell(*self.opening)

    def tell(self, *facts: Fact) -> None:
        for fact in facts:
            assert apply_fact(self.manifest, json.loads(json.dumps(fact)), occasion(len(self.told))), fact
            self.told.append(fact)
        self.manifest.compute()

    @property
    def frame(self) -> Frame:
        return self.manifest.frames[0]

    @property
    def state(self) -> str:
        retouch = current_round(self.frame)
        return round_state(retouch) if retouch else ""

    @property
    def blocked(self) -> list[int]:
        return [frame["frame"] for frame in self.manifest.frames if is_blocked(frame)]

    # ---- what people do

    @rule(donors=some_frames)
    def write_note(self, donors: list[int]) -> None:
        number = len(self.frame["notes"]) + 1
        named = [{"frame": donor, "region": None} for donor in donors]
        self.tell(self.make("note", note=f"n-{number:010x}", donors=named))

    @precondition(lambda self: bool(self.frame["notes"]))
    @rule(place=st.integers(0, 9))
    def withdraw_note_or_not(self, place: int) -> None:
        note = self.frame["notes"][place % len(self.frame["notes"])]["note"]
        before = self.frame["withdrawals"].get(note, {"revision": 0, "withdrawn": False})
        fields = {"revision": before["revision"] + 1, "withdrawn": not before["withdrawn"]}
        self.tell(self.make("withdrawal", note=note, **fields))

    @precondition(lambda self: self.state in ("", "briefed", "accepted"))
    @rule()
    def brief(self) -> None:
        """By a person: a first round, what was briefed anew, or more after an accepted return."""
        retouch = current_round(self.frame)
        cause = retouch["brief"]["cause"] if retouch and self.state == "briefed" else None
        self._brief(cause)

    @precondition(lambda self: bool(owed_rounds(self.manifest)))
    @rule()
    def open_owed_rounds(self) -> None:
        """By glassine, with the cause."""
        retouch = current_round(self.frame)
        assert retouch
        refused = refused_return(retouch)
        assert refused, "what is owed has a cause"
        review = refused["review"]
        why, text = (review["why"], review["text"]) if review else ("missed note", "")
        self._brief({"why": why, "text": text, "return": refused["sha256"]})
        assert owed_rounds(self.manifest) == []
        assert self.state == "briefed"

    def _brief(self, cause: Fact | None) -> None:
        base, _ = base_of_next_round(self.frame, self.blocked)
        notes = [note["note"] for note in notes_to_ask(self.frame, base)]
        number = len(self.frame["rounds"]) + 1
        self.tell(self.make("brief", round=number, notes=notes, base_round=base, cause=cause))

    @precondition(lambda self: self.state in ("briefed", "out"))
    @rule(due=st.sampled_from([None, "2026-12-01"]))
    def hand_out(self, due: str | None) -> None:
        retouch = current_round(self.frame)
        assert retouch
        revision = retouch["hand_out"]["revision"] + 1 if retouch["hand_out"] else 1
        self.tell(self.make("hand_out", round=retouch["round"], revision=revision, due=due))
        assert self.state == "out" or retouch["take_backs"]

    @precondition(lambda self: self.state in ("briefed", "out"))
    @rule()
    def call_off(self) -> None:
        retouch = current_round(self.frame)
        assert retouch
        self.tell(self.make("call_off", round=retouch["round"]))
        before = current_round(self.frame)
        assert before is None or before["round"] < retouch["round"]

    @precondition(lambda self: self.state in ("briefed", "out"))
    @rule(
        faults=st.lists(st.sampled_from(FAULTS), max_size=2),
        to_review=st.booleans(),
        used=some_frames,
        old=st.booleans(),
    )
    def take_back(self, faults: list[str], to_review: bool, used: list[int], old: bool) -> None:
        retouch = current_round(self.frame)
        assert retouch
        count = sum(len(other["take_backs"]) for other in self.frame["rounds"])
        same = [back["sha256"] for other in self.frame["rounds"][:-1] for back in other["take_backs"]]
        known = {back["sha256"] for back in retouch["take_backs"]}
        returned = same[0] if old and same and same[0] not in known else sha(count)
        named = [{"kind": kind, "text": kind, "note": None} for kind in faults]
        fields = {"faults": named, "to_review": to_review and not faults, "used": used}
        self.tell(self.make("take_back", round=retouch["round"], sha256=returned, accepted=not faults, **fields))

    @property
    def judged(self) -> list[tuple[Fact, Fact]]:
        """Rounds and their returns, but of those called off: the flows let nobody judge them."""
        rounds = [retouch for retouch in self.frame["rounds"] if not retouch["called_off"]]
        return [(retouch, back) for retouch in rounds for back in retouch["take_backs"]]

    @precondition(lambda self: bool(self.judged))
    @rule(place=st.integers(0, 99), accepted=st.booleans(), why=st.sampled_from(CAUSES))
    def review(self, place: int, accepted: bool, why: str) -> None:
        backs = self.judged
        retouch, back = backs[place % len(backs)]
        fields = {"revision": back["review"]["revision"] + 1 if back["review"] else 1, "accepted": accepted}
        fields["why"] = None if accepted else why
        self.tell(self.make("review", round=retouch["round"], sha256=back["sha256"], **fields))

    @rule(specification=st.sampled_from([None, "yearbook-print"]), whole=st.booleans())
    def crop(self, specification: str | None, whole: bool) -> None:
        fields = {"revision": self.frame["crops"]["revision"] + 1, "specification": specification}
        self.tell(self.make("crop", **fields, **({"crop": None} if whole else {})))
        assert not any(final["signed_off"] for final in self.frame["finals"])

    @rule(number=st.integers(1, 3))
    def block_or_release(self, number: int) -> None:
        block = self.manifest.frame(number)["block"] or {"revision": 0, "blocked": False}
        fields = {"revision": block["revision"] + 1, "blocked": not block["blocked"]}
        self.tell(self.make("block", frame=number, **fields))

    @rule(step=st.sampled_from([0, 1]))
    def change_the_look(self, step: int) -> None:
        known = self.manifest.adopted("look/lifted-mono")
        assert known
        fields = {"revision": known["revision"] + 1, "sha256": sha(f"look {step}"), "content": {"step": step}}
        self.tell(self.make("adopted", document="look/lifted-mono", **fields))

    @precondition(lambda self: not self.frame["rounds"] and not self.frame["finals"])
    @rule()
    def ask_for_finals_of_the_original(self) -> None:
        self._render("print", "lifted-mono", 0)

    @precondition(lambda self: bool(due_finals(self.manifest)))
    @rule()
    def render_all_that_is_due(self) -> None:
        for due in due_finals(self.manifest):
            self._render(due.final, due.look, due.round)
        assert due_finals(self.manifest) == [], "a rendering that was made is due no more"

    def _render(self, name: str, look: str, number: int) -> None:
        adopted = self.manifest.adopted(f"look/{look}")
        assert adopted
        fields = {"look_sha256": adopted["sha256"], "sha256": sha(f"{name} {number} {adopted['sha256']}")}
        frames = frames_of_round(self.frame, number)
        self.tell(self.make("final", final=name, look=look, round=number, frames=frames, **fields))

    @precondition(lambda self: bool(unsigned_finals(self.manifest)))
    @rule()
    def sign_off(self) -> None:
        for _, final in unsigned_finals(self.manifest):
            fields = {"final_sha256": final["sha256"], "crop": self.frame["crops"]["revision"]}
            self.tell(self.make("sign_off", final=final["final"], **fields))
        assert unsigned_finals(self.manifest) == []

    @precondition(lambda self: bool(due_deliveries(self.manifest)))
    @rule()
    def deliver_all_that_is_due(self) -> None:
        for due in due_deliveries(self.manifest):
            files = [
                {
                    **self.make("delivery")["files"][0],
                    "final_sha256": final["sha256"],
                    "crop": crop_for(self.frame, due.specification),
                    "frames": final["frames"],
                }
                for _, final in due.items
            ]
            number = len(self.manifest.document["deliveries"]) + 1
            fields = {"client": due.client, "specification": due.specification, "files": files}
            self.tell(self.make("delivery", delivery=number, **fields), self.make("hand_over", delivery=number))
        assert due_deliveries(self.manifest) == []

    # ---- what is true all the while

    @invariant()
    def the_last_return_was_accepted_and_is_the_newest(self) -> None:
        accepted = [
            (retouch["round"], back["sha256"])
            for retouch in self.frame["rounds"]
            for back in retouch["take_backs"]
            if outcome_of(back) == "accepted"
        ]
        returned = last_return(self.frame)
        assert (returned is not None) == bool(accepted)
        assert returned is None or (returned["round"], returned["sha256"]) == accepted[-1]

    @invariant()
    def the_round_that_counts_is_the_newest_but_void_briefs(self) -> None:
        retouch = current_round(self.frame)
        if retouch is not None:
            assert not retouch["called_off"]
            assert not self.is_without_its_cause(retouch) or retouch["hand_out"] or retouch["take_backs"]
        for void in self.frame["rounds"][retouch["round"] if retouch else 0 :]:
            if not void["called_off"]:
                assert (void["hand_out"], void["take_backs"]) == (None, [])
                assert self.is_without_its_cause(void)

    def is_without_its_cause(self, retouch: Fact) -> bool:
        """Whether the return that a brief follows was accepted after all, or rejected for another reason."""
        cause = retouch["brief"]["cause"]
        before = self.frame["rounds"][: retouch["round"] - 1]
        followed = [
            back for other in before for back in other["take_backs"] if cause and back["sha256"] == cause["return"]
        ]
        if not followed:
            return False
        outcome, review = outcome_of(followed[-1]), followed[-1]["review"]
        return outcome == "accepted" or (
            outcome == "rejected" and (review["why"], review["text"]) != (cause["why"], cause["text"])
        )

    @invariant()
    def its_state_says_what_became_of_its_returns(self) -> None:
        for retouch in self.frame["rounds"]:
            outcomes = Counter(outcome_of(back) for back in retouch["take_backs"])
            state = round_state(retouch)
            assert (state == "accepted") == (outcomes["accepted"] > 0)
            assert (state == "to review") == (outcomes["to review"] > 0 and not outcomes["accepted"])
            assert state != "refused" or refused_return(retouch)
            assert state != "out" or retouch["hand_out"]
            assert state != "briefed" or not retouch["hand_out"]
            assert not outcomes["rejected"] or state not in ("briefed", "out")

    @invariant()
    def the_stage_agrees(self) -> None:
        frame, current = self.frame, [final for final in self.frame["finals"] if not final["stale"]]
        under_way = {"briefed": "briefed", "out": "handed out", "to review": "returned", "refused": "returned"}
        if is_blocked(frame):
            assert frame["stage"] == "blocked"
        elif self.state in under_way and all(newer_round(frame, final) for final in current):
            assert frame["stage"] == under_way[self.state]
        elif frame["deliveries"]:
            assert frame["stage"] == "delivered"
        elif current:
            assert frame["stage"] == ("signed off" if all(final["signed_off"] for final in current) else "final")
        else:
            assert frame["stage"] == ("returned" if self.state else "selected")

    @invariant()
    def what_is_owed_agrees(self) -> None:
        owed = [owed["frame"] for owed in owed_rounds(self.manifest)]
        assert owed == ([1] if self.state == "refused" and not is_blocked(self.frame) else [])
        told = [wait.what for wait in waits(self.manifest, self.people, LATE)]
        assert len(told) == len(set(told))
        awaited = [
            what.partition(" ")[2].partition(" ")[0] for what in told if ", round" in what or "next round" in what
        ]
        expected = {"briefed": ["hand"], "out": ["return"], "to review": ["judge"], "refused": ["open"]}
        unretouched = any(
            final["round"] == 0 and not final["stale"] and newer_round(self.frame, final) is None
            for final in self.frame["finals"]
        )
        quiet = is_blocked(self.frame) or (self.state == "briefed" and unretouched)
        assert awaited == ([] if quiet else expected.get(self.state, []))
        assert late_frames(self.manifest, LATE) in ([], ["0001"])
        assert not late_frames(self.manifest, LATE) or self.state == "out"

    @invariant()
    def at_most_one_final_of_a_name_is_current_and_of_the_last_return(self) -> None:
        returned = last_return(self.frame)
        current = [final for final in self.frame["finals"] if not final["stale"]]
        assert len({final["final"] for final in current}) == len(current)
        assert all(final["round"] == (returned["round"] if returned else 0) for final in current)
        for final in current:
            look = self.manifest.adopted(f"look/{final['look']}")
            assert look
            assert look["sha256"] == final["look_sha256"]

    @invariant()
    def nothing_stale_unsigned_or_blocked_is_due_to_leave(self) -> None:
        for due in due_deliveries(self.manifest):
            for number, final in due.items:
                assert not final["stale"]
                assert self.state in ("", "accepted") or final["round"] == 0, "work under way holds it back"
                assert newer_round(self.frame, final) is None
                assert final["signed_off"]
                assert number in final["frames"]
                assert not any(is_blocked(self.manifest.frame(each)) for each in final["frames"])
            assert late_deliverables(self.manifest, LATE), "what is due now is late then"

    @invariant()
    def what_the_next_brief_asks_is_live_and_not_held(self) -> None:
        base, picture = base_of_next_round(self.frame, self.blocked)
        assert (base == 0) == (picture is None)
        assert 0 <= base <= len(self.frame["rounds"])
        if base:
            assert not set(self.blocked) & set(frames_of_round(self.frame, base)[1:]), "no blocked piece goes on"
            under = [retouch["round"] for retouch in rounds_under(self.frame, base)]
            assert under == sorted(set(under), reverse=True)
            assert under[0] == base
        asked = {note["note"] for note in notes_to_ask(self.frame, base)}
        assert asked <= {note["note"] for note in live_notes(self.frame)}
        assert not base or not asked & set(self.frame["rounds"][base - 1]["brief"]["notes"])

    def teardown(self) -> None:
        check_document(self.manifest.document, "manifest", label="the fold")
        again = Manifest()
        for place, fact in enumerate(self.told):
            apply_fact(again, json.loads(json.dumps(fact)), occasion(place))
        assert not [fact for fact in self.told if apply_fact(again, fact, occasion(0))], "said twice"
        assert again.compute().document == self.manifest.document


def test_a_retouch_never_disagrees_with_itself(fact: Any, sheet_facts: list[Fact], tmp_path: Path) -> None:
    chosen = [fact("selects_round"), fact("mark"), fact("selects_round", state="closed"), fact("hand_off")]
    Retouch.make = staticmethod(fact)
    Retouch.people = People(tmp_path / "people.json")
    frames = [fact("frame", frame=number, sha256=sha(f"frame {number}")) for number in (1, 2, 3)]
    Retouch.opening = [fact("job"), *sheet_facts, *frames, *chosen]
    run_state_machine_as_test(  # type: ignore[no-untyped-call]
        Retouch,
        settings=settings(
            max_examples=120, stateful_step_count=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
        ),
    )
