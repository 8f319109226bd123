"""The fold, second part: what a select goes through, from its notes to the sign-off of its finals."""

from __future__ import annotations

from collections.abc import Callable

from glassine.schemas.facts import Fact
from glassine.schemas.fold_base import ContradictionError, Occasion, body_of, check_next, set_once
from glassine.schemas.identifiers import print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import last_return
from glassine.schemas.validation import Document


def _note(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    notes = manifest.frame(fact["frame"])["notes"]
    if any(note["note"] == fact["note"] for note in notes):
        return False
    for donor in fact.get("donors", []):
        manifest.frame(donor["frame"])
    notes.append({"donors": [], "draft": None, **body_of(fact, "frame"), "at": occasion.at})
    return True


def _withdrawal(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    withdrawals = manifest.frame(fact["frame"])["withdrawals"]
    before = withdrawals[fact["note"]]["revision"] if fact["note"] in withdrawals else 0
    if fact["revision"] <= before:
        return False
    check_next(fact["revision"], before, "the withdrawal")
    withdrawals[fact["note"]] = {**body_of(fact, "frame", "note"), "person": occasion.by, "at": occasion.at}
    return True


def _brief(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    rounds = frame["rounds"]
    if fact["round"] <= len(rounds):
        return False
    check_next(fact["round"], len(rounds), "the retouch round")
    returned = last_return(frame)
    silent: Document = {"level": None, "extras": [], "cause": None, "base_round": returned["round"] if returned else 0}
    brief = {**silent, **body_of(fact, "frame"), "at": occasion.at}
    rounds.append({"round": fact["round"], "brief": brief, "hand_out": None, "take_backs": [], "called_off": None})
    return True


def _hand_out(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    retouch = _round(manifest, fact)
    revision = retouch["hand_out"]["revision"] if retouch["hand_out"] else 0
    if fact["revision"] <= revision:
        return False
    check_next(fact["revision"], revision, "the hand-out")
    retouch["hand_out"] = {**body_of(fact, "frame"), "at": occasion.at}
    return True


def _call_off(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    reason = {"reason": fact["reason"], "person": occasion.by, "at": occasion.at}
    return set_once(_round(manifest, fact), "called_off", reason)


def _take_back(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    returned = _round(manifest, fact)["take_backs"]
    if any(known["sha256"] == fact["sha256"] for known in returned):
        return False
    for number in fact.get("used", []):
        manifest.frame(number)
    silent: Document = {"faults": [], "to_review": False, "flat": None, "hours": None, "used": [], "remarks": []}
    returned.append({**silent, **body_of(fact, "frame"), "at": occasion.at, "review": None})
    return True


def _review(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    retouch = _round(manifest, fact)
    found = next((known for known in retouch["take_backs"] if known["sha256"] == fact["sha256"]), None)
    if found is None:
        raise ContradictionError(f"Round {fact['round']} of frame {print_frame(fact['frame'])} has no such return.")
    before = found["review"]["revision"] if found["review"] else 0
    if fact["revision"] <= before:
        return False
    check_next(fact["revision"], before, "the review")
    found["review"] = {**body_of(fact, "frame", "round", "sha256"), "person": occasion.by, "at": occasion.at}
    return True


def _crop(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    crops = frame["crops"]
    if fact["revision"] <= crops["revision"]:
        return False
    check_next(fact["revision"], crops["revision"], "the crop")
    crops["revision"] = fact["revision"]
    if fact["specification"] is None:
        crops["general"] = fact["crop"]
    else:
        crops["specifications"][fact["specification"]] = fact["crop"]
    for final in frame["finals"]:  # whoever signed off saw another picture
        final["signed_off"] = None
    return True


def _final(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    finals = frame["finals"]
    key = ("final", "round", "look_sha256", "balance")
    if any(all(known.get(field) == fact.get(field) for field in key) for known in finals):
        return False
    for number in fact.get("frames", []):
        manifest.frame(number)
    same = (known["signed_off"] for known in finals if known["sha256"] == fact["sha256"])  # a sign-off is for the bytes
    signed_off = next((signed for signed in same if signed), None)
    body = {"frames": [fact["frame"]], **body_of(fact, "frame")}
    body |= {"at": occasion.at, "signed_off": signed_off, "stale": False, "briefed": len(frame["rounds"])}
    finals.append(body)
    return True


def _sign_off(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    finals = [final for final in frame["finals"] if final["sha256"] == fact["final_sha256"]]
    if not finals:
        raise ContradictionError(f"Frame {print_frame(fact['frame'])} has no final of that digest.")
    seen, now = fact.get("crop", 0), frame["crops"]["revision"]
    if seen > now:
        raise ContradictionError(f"Frame {print_frame(fact['frame'])} has no crop of revision {seen}.")
    unsigned = [final for final in finals if final["signed_off"] is None] if seen == now else []
    for final in unsigned:
        final["signed_off"] = {"person": fact["person"], "at": occasion.at}
    return bool(unsigned)


def _round(manifest: Manifest, fact: Fact) -> Document:
    rounds = manifest.frame(fact["frame"])["rounds"]
    if fact["round"] > len(rounds):
        raise ContradictionError(f"Frame {print_frame(fact['frame'])} has no retouch round {fact['round']}.")
    found: Document = rounds[fact["round"] - 1]
    return found


APPLY_RETOUCH: dict[str, Callable[[Manifest, Fact, Occasion], bool]] = {
    "note": _note,
    "withdrawal": _withdrawal,
    "brief": _brief,
    "hand_out": _hand_out,
    "call_off": _call_off,
    "take_back": _take_back,
    "review": _review,
    "crop": _crop,
    "final": _final,
    "sign_off": _sign_off,
}
"""How each kind of fact about a select changes the manifest; `fold.apply_fact` is the way in."""
