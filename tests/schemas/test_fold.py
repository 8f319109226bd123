"""The fold: pure, idempotent, the same from any checkpoint, always valid, and deaf to contradictions."""

from __future__ import annotations

import hashlib
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
from glassine.schemas.stage import (
    base_of_next_round,
    crop_for,
    current_round,
    frames_of_round,
    live_notes,
    refused_return,
    round_state,
)
from glassine.schemas.validation import check_document

Fact = dict[str, Any]
MakeFact = Callable[..., Fact]
Fold = Callable[[Iterable[Fact]], Manifest]

PEOPLE = ("p-00000000a1", "p-00000000b2")
VOLUMES = ("v-00000000000000a1", "v-00000000000000b2")
LOOKS = ("hard-mono", "lifted-mono")
STAGES_OF_A_LOOK = ("bright", "dark")
SERIALS = ("0001", "0002")
WITHOUT_FRAMES = {
    "job",
    "adopted",
    "volume",
    "card",
    "clock",
    "carrier",
    "frame",
    "companion",
    "stray",
    "fixity_pass",
    "on_set",
    "contact_sheet",
    "selects_round",
}
"""Kinds that can be told before there is a frame; the teller sees to it where that is only sometimes so."""
REGION = {"shape": "rectangle", "x": 10, "y": 20, "width": 30, "height": 40.5}
FAULTS = [{"kind": kind, "text": kind, "note": None} for kind in ("note undone", "technical", "another frame")]


def sha(text: object) -> str:
    return hashlib.sha256(str(text).encode()).hexdigest()


def look_digest(name: str, version: str) -> str:
    return sha(f"look {name} {version}")


class Teller:
    """Says what could be true next in a job: facts of all kinds that fit the state, from small pools so that they meet.

    Drawn from one seed: a draw for each choice made histories of 60 facts too slow to search.
    """

    def __init__(self, make: MakeFact, seed: int) -> None:
        self.make = make
        self.random = random.Random(seed)
        self.manifest = Manifest()
        self.tell("job")

    def tell(self, kind: str) -> Fact | None:
        """A new fact of that kind that is true now, brought into the manifest; None when there can be none."""
        if kind in WITHOUT_FRAMES:
            fields = getattr(self, f"_{kind}")()
        else:
            fields = getattr(self, f"_{kind}")() if self.manifest.frames else None
        if fields is None:
            return None
        fact = self.make(kind, **fields)
        at = f"2026-11-25T10:00:00.{self.random.randrange(10**6):06d}Z"
        news = apply_fact(self.manifest, fact, Occasion(at, PEOPLE[0]))
        self.manifest.compute()
        return fact if news else None  # `commit` leaves out what changes nothing

    def some_frame(self) -> Fact:
        frame: Fact = self.random.choice(self.manifest.frames)
        return frame

    def _job(self) -> Fact:
        return {}

    def _adopted(self) -> Fact:
        name = self.random.choice(["job-sheet", *(f"look/{look}" for look in LOOKS)])
        known = self.manifest.adopted(name)
        version = self.random.choice(STAGES_OF_A_LOOK)  # so that a look changes, and changes back
        content: Fact = {"version": version}
        digest = look_digest(name.removeprefix("look/"), version)
        if name == "job-sheet":
            finals = [{"final": name, "look": self.random.choice(LOOKS)} for name in ("print", "colour")]
            content, digest = {"preview_look": self.random.choice(LOOKS), "finals": finals}, sha("sheet")
        revision = known["revision"] + 1 if known else 1
        return {"document": name, "revision": revision, "sha256": digest, "content": content}

    def _volume(self) -> Fact:
        volume = self.random.choice(VOLUMES)
        known = self.manifest.document["volumes"].get(volume)
        return {"volume": volume, "revision": known["revision"] + 1 if known else 1}

    def _frame(self) -> Fact | None:
        number = self.random.randrange(1, 6)
        if number in self.manifest.by_number or self.manifest.holder(sha(f"file {number}")):
            return None
        return {"frame": number, "sha256": sha(f"file {number}")}

    def _companion(self) -> Fact | None:
        if not self.manifest.frames:
            return None
        name = self.random.choice(["A.JPG", "A.XMP"])
        return {"frame": self.some_frame()["frame"], "sha256": sha(f"file {self.random.randrange(8)}"), "name": name}

    def _stray(self) -> Fact:
        return {"sha256": sha(f"file {self.random.randrange(8)}")}

    def _holding(self) -> Fact:
        return {"sha256": sha(f"made {self.random.randrange(3)}"), "path": f"sheets/{self.random.randrange(2)}.json"}

    def _some_file(self) -> str:
        return self.random.choice([sha256 for sha256, _ in self.manifest.every_file()])

    def _seen(self) -> Fact:
        return {"sha256": self._some_file(), "source": f"card {self.random.randrange(2)}"}

    def _copy(self) -> Fact:
        sha256 = self._some_file()
        return {"sha256": sha256, "volume": self.random.choice(VOLUMES), "path": f"originals/{sha256[:8]}"}

    def _fixity_pass(self) -> Fact:
        passes = self.manifest.document["passes"]
        if passes["opened"] == passes["closed"]:
            fields = {"pass": passes["opened"] + 1, "state": "opened"}
            seed = f"{self.random.getrandbits(64):016x}"
            sample = {"older_than_days": None, "before": None, "sample": 2, "of": 5, "seed": seed}
            return fields | self.random.choice([{}, {"scope": None}, {"scope": sample}])
        return {"pass": passes["opened"], "state": "closed"}

    def _some_copy(self) -> Fact | None:
        known = [
            {"sha256": sha256, "volume": copy["volume"], "path": copy["path"]}
            for sha256, holder in self.manifest.every_file()
            for copy in holder["copies"]
        ]
        number = self.manifest.document["passes"]["opened"]
        return {**self.random.choice(known), "pass": number} if known and number else None

    def _read_back(self) -> Fact | None:
        copy = self._some_copy()
        outcome = self.random.choice(["whole", "differs", "missing"])
        found = {"whole": copy and copy["sha256"], "differs": sha("rotten"), "missing": None}[outcome]
        return copy and {**copy, "outcome": outcome, "found": found}

    def _repair(self) -> Fact | None:
        return self._some_copy()

    def _undecodable(self) -> Fact:
        return {"frame": self.some_frame()["frame"]}

    _unshowable = _undecodable

    def _identified(self) -> Fact:
        second = self.random.randrange(3)
        return {
            "frame": self.some_frame()["frame"],
            "serial": self.random.choice([*SERIALS, None]),
            "counter": self.random.choice([4711, 4712, None]),
            "captured": self.random.choice([f"2026-11-25T10:44:4{second}", f"2026-11-25T10:44:4{second}.75Z", None]),
        }

    def _card(self) -> Fact:
        card = self.random.choice(["A7", "B_2"])
        known = self.manifest.document["cards"].get(card)
        state = self.random.choice(["issued", "returned", "taken_in"])
        camera, person = self.random.choice([*SERIALS, None]), self.random.choice([*PEOPLE, None])
        revision = known["revision"] + 1 if known else 1
        return {"card": card, "revision": revision, "state": state, "camera": camera, "person": person}

    def _clock(self) -> Fact:
        serial = self.random.choice(SERIALS)
        known = self.manifest.document["clocks"].get(serial)
        frame = self.random.choice([None, *self.manifest.by_number])
        offset = self.random.choice([0, 3600, -0.5, 10**12])
        return {"serial": serial, "revision": known["revision"] + 1 if known else 1, "offset_s": offset, "frame": frame}

    def _purpose(self) -> Fact:
        frame = self.some_frame()
        purpose = self.random.choice(["picture", "test", "grey_card"])
        return {"frame": frame["frame"], "revision": frame["purpose_revision"] + 1, "purpose": purpose}

    def _on_set(self) -> Fact:
        known = self.manifest.document["on_set"]
        name, arrangement = self.random.choice(["bench", None]), self.random.randrange(1, 4)
        return {"revision": known["revision"] + 1 if known else 1, "set_up": name, "arrangement": arrangement}

    def _carrier(self) -> Fact:
        volume = self.random.choice(VOLUMES)
        known = self.manifest.document["carriers"].get(volume)
        person = self.random.choice([*PEOPLE, None])
        return {"volume": volume, "revision": known["revision"] + 1 if known else 1, "person": person}

    def _decode_attempt(self) -> Fact:
        frame = self.some_frame()
        outcome = self.random.choice(["stopped", "stopped", "decoded", "refused"])
        return {
            "frame": frame["frame"],
            "attempt": frame["decoding"]["attempts"] + 1 if frame["decoding"] else 1,
            "limit_seconds": self.random.choice([10, 20]),
            "limit_mb": self.random.choice([512, 1024]),
            "outcome": outcome,
            "reason": None if outcome == "decoded" else outcome,
        }

    def _set_up(self) -> Fact:
        frame = self.some_frame()
        name = self.random.choice(["bench", "window", None])
        fields = {"frame": frame["frame"], "revision": frame["set_up_revision"] + 1, "set_up": name}
        return fields | self.random.choice([{}, {"arrangement": 2}])

    def _reading(self) -> Fact:
        stops = self.random.choice([None, -1.25, 0, 0.5])
        return {"frame": self.some_frame()["frame"], "method": self.random.randrange(1, 4), "exposure_stops": stops}

    def _proof(self) -> Fact:
        look, version = self.random.choice(LOOKS), self.random.choice(STAGES_OF_A_LOOK)
        return {"frame": self.some_frame()["frame"], "look": look, "look_sha256": look_digest(look, version)}

    def _contact_sheet(self) -> Fact:
        known = self.manifest.document["contact_sheet"]
        return {"revision": known["revision"] + 1 if known else 1}

    def _selects_round(self) -> Fact:
        name = self.random.choice(["edit", "client"])
        known = self.manifest.selects_round(name)
        return {"round": name, "state": "closed" if known else "opened", "person": self.random.choice(PEOPLE)}

    def _mark(self) -> Fact | None:
        open_rounds = [found for found in self.manifest.document["selects_rounds"] if not found["closed"]]
        if not open_rounds:
            return None
        found, frame, person = self.random.choice(open_rounds), self.some_frame()["frame"], self.random.choice(PEOPLE)
        before = found["marks"].get(str(frame), {}).get(person)
        return {
            "round": found["round"],
            "frame": frame,
            "person": person,
            "revision": before["revision"] + 1 if before else 1,
            "verdict": self.random.choice(["select", "out", "hold"]),
            "hero": self.random.random() < 0.3,
            "fixable": self.random.random() < 0.5,
            "remark": self.random.choice([None, "collar", "lint"]),
            **({"region": REGION} if self.random.random() < 0.5 else {}),
        }

    def _hand_off(self) -> Fact | None:
        closed = [found["round"] for found in self.manifest.document["selects_rounds"] if found["closed"]]
        return {"round": self.random.choice(closed)} if closed else None

    def _some_numbers(self) -> list[int]:
        return sorted({self.some_frame()["frame"] for _ in range(self.random.randrange(3))})

    def _note(self) -> Fact:
        frame = self.some_frame()
        donors = [{"frame": n, "region": self.random.choice([None, REGION])} for n in self._some_numbers()]
        fields: Fact = {"frame": frame["frame"], "note": f"n-000000000{self.random.randrange(3)}"}
        if frame["drafts"] and self.random.random() < 0.7:
            fields["draft"] = self.random.choice(frame["drafts"])["note"]
        return {**fields, "donors": donors} if donors else fields

    def _withdrawal(self) -> Fact | None:
        frame = self.some_frame()
        known = sorted({note["note"] for note in frame["notes"] + frame["drafts"]} | set(frame["withdrawals"]))
        if not known:
            return None
        note = self.random.choice(known)
        before = frame["withdrawals"].get(note)
        revision = before["revision"] + 1 if before else 1
        return {"frame": frame["frame"], "note": note, "revision": revision, "withdrawn": self.random.random() < 0.6}

    def _brief(self) -> Fact:
        frame = self.some_frame()
        fields: Fact = {"frame": frame["frame"], "round": len(frame["rounds"]) + 1}
        fields["notes"] = [note["note"] for note in live_notes(frame)]
        if self.random.random() < 0.3:
            return fields  # as format 1 was first written
        retouch = current_round(frame)
        refused = refused_return(retouch) if retouch and round_state(retouch) == "refused" else None
        cause = refused and {"why": "missed note", "text": "", "return": refused["sha256"]}
        level = self.random.choice([None, {"name": "portrait", "instruction": ""}])
        return {
            **fields,
            "level": level,
            "extras": [],
            "cause": cause,
            "base_round": base_of_next_round(frame, self._some_numbers())[0],
        }

    def _some_round(self) -> tuple[Fact, Fact] | None:
        frames = [frame for frame in self.manifest.frames if frame["rounds"]]
        if not frames:
            return None
        frame = self.random.choice(frames)
        return frame, self.random.choice(frame["rounds"])

    def _hand_out(self) -> Fact | None:
        if (found := self._some_round()) is None:
            return None
        frame, retouch = found
        revision = retouch["hand_out"]["revision"] + 1 if retouch["hand_out"] else 1
        return {"frame": frame["frame"], "round": retouch["round"], "revision": revision}

    def _call_off(self) -> Fact | None:
        if (found := self._some_round()) is None or found[1]["called_off"]:
            return None
        return {"frame": found[0]["frame"], "round": found[1]["round"]}

    def _take_back(self) -> Fact | None:
        if (found := self._some_round()) is None:
            return None
        frame, retouch = found
        accepted = self.random.random() < 0.7
        returned = sha(f"return {self.random.randrange(2)}")
        fields = {"frame": frame["frame"], "round": retouch["round"], "sha256": returned, "accepted": accepted}
        if self.random.random() < 0.3:
            return fields  # as format 1 was first written
        faults = [] if accepted else [self.random.choice(FAULTS)]
        flat = self.random.choice([None, {**self.make("brief")["base"], "sha256": sha("flat")}])
        more = {"faults": faults, "flat": flat, "hours": self.random.choice([None, 1.5]), "used": self._some_numbers()}
        return {**fields, **more, "to_review": accepted and self.random.random() < 0.5}

    def _review(self) -> Fact | None:
        rounds = [(f, r, t) for f in self.manifest.frames for r in f["rounds"] for t in r["take_backs"]]
        if not rounds:
            return None
        frame, retouch, returned = self.random.choice(rounds)
        accepted = self.random.random() < 0.5
        return {
            "frame": frame["frame"],
            "round": retouch["round"],
            "sha256": returned["sha256"],
            "revision": returned["review"]["revision"] + 1 if returned["review"] else 1,
            "accepted": accepted,
            "why": None if accepted else self.random.choice(["missed note", "client's change", "other"]),
        }

    def _crop(self) -> Fact:
        frame = self.some_frame()
        return {
            "frame": frame["frame"],
            "revision": frame["crops"]["revision"] + 1,
            "specification": self.random.choice([None, "yearbook-print", "screen-2048"]),
            "crop": self.random.choice([None, self.make("crop")["crop"]]),
        }

    def _final(self) -> Fact:
        frame = self.some_frame()
        look, version = self.random.choice(LOOKS), self.random.choice(STAGES_OF_A_LOOK)
        number = self.random.randrange(len(frame["rounds"]) + 1)
        return {
            "frame": frame["frame"],
            "final": self.random.choice(["print", "colour"]),
            "round": number,
            "frames": frames_of_round(frame, number),
            "look": look,
            "look_sha256": look_digest(look, version),
            "sha256": sha(f"final {look} {version}"),  # two names, rounds or frames may give the very same bytes
        }

    def _some_final(self) -> tuple[Fact, Fact] | None:
        finals = [(frame, final) for frame in self.manifest.frames for final in frame["finals"]]
        return self.random.choice(finals) if finals else None

    def _sign_off(self) -> Fact | None:
        if (found := self._some_final()) is None:
            return None
        frame, final = found
        person = self.random.choice(PEOPLE)
        fields = {"frame": frame["frame"], "final": final["final"], "final_sha256": final["sha256"], "person": person}
        revision: int = frame["crops"]["revision"]
        return {**fields, "crop": revision} if revision or self.random.random() < 0.5 else fields

    def _delivery(self) -> Fact | None:
        if (found := self._some_final()) is None:
            return None
        frame, final = found
        file = {**self.make("delivery")["files"][0], "frame": frame["frame"], "final_sha256": final["sha256"]}
        if self.random.random() < 0.7:
            file |= {"crop": crop_for(frame, "yearbook-print"), "frames": final["frames"]}
        return {"delivery": len(self.manifest.document["deliveries"]) + 1, "files": [file]}

    def _hand_over(self) -> Fact | None:
        packed = len(self.manifest.document["deliveries"])
        return {"delivery": self.random.randrange(1, packed + 1)} if packed else None

    def _block(self) -> Fact:
        frame = self.some_frame()
        revision = frame["block"]["revision"] + 1 if frame["block"] else 1
        return {"frame": frame["frame"], "revision": revision, "blocked": self.random.random() < 0.5}


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
