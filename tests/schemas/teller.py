"""Histories of a job as they could be: facts of all kinds that fit the state, drawn from one seed."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable, Iterable
from typing import Any

from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import Occasion
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

    def _balance(self) -> Fact:
        subject = {
            "set_up": self.random.choice(["bench", "window"]),
            "arrangement": self.random.choice([None, 2]),
            "camera": self.random.choice(["Simulated Body", ""]),
        }
        known = [b for b in self.manifest.document["balances"] if all(b[name] == subject[name] for name in subject)]
        return {
            **subject,
            "revision": known[0]["revision"] + 1 if known else 1,
            "multipliers": self.random.choice([None, [2, 1, 1.5]]),
            "stops": self.random.choice([0, 0.5]),
            "frame": self.random.choice([None, self.some_frame()["frame"]]),
        }

    def _exposure_match(self) -> Fact:
        frame = self.some_frame()
        known = frame["exposure_match"]
        stops, to = self.random.choice([0, -0.5, 0.25]), self.random.choice([None, self.some_frame()["frame"]])
        return {"frame": frame["frame"], "revision": known["revision"] + 1 if known else 1, "stops": stops, "to": to}

    def _balanced(self) -> Fact:
        """The balance that a picture is made in, where it has one."""
        return self.random.choice([{}, {"balance": {"multipliers": [2, 1, 1.5], "stops": 0}}])

    def _reading(self) -> Fact:
        stops = self.random.choice([None, -1.25, 0, 0.5])
        return {"frame": self.some_frame()["frame"], "method": self.random.randrange(1, 4), "exposure_stops": stops}

    def _proof(self) -> Fact:
        look, version = self.random.choice(LOOKS), self.random.choice(STAGES_OF_A_LOOK)
        made = {"frame": self.some_frame()["frame"], "look": look, "look_sha256": look_digest(look, version)}
        return made | self._balanced()

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
        } | (self._balanced() if number == 0 else {})

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
