"""The fold: how each kind of fact changes the manifest. Pure: no clock, no settings, nothing that is mounted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from glassine.schemas.entry import Head
from glassine.schemas.errors import CallError
from glassine.schemas.facts import Fact
from glassine.schemas.identifiers import print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document


class Occasion(NamedTuple):
    """When and on whose behalf a fact was committed."""

    at: str
    by: str


class ContradictionError(CallError):
    """A fact that cannot be true after the facts before it."""

    def __init__(self, sentence: str) -> None:
        super().__init__("W004", sentence)


def apply_fact(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    """Bring one fact into the manifest; false when it was known (saying it twice changes nothing).

    Raises
    ------
    ContradictionError
        It contradicts the state: an unknown frame, a number given twice, a mark in a closed round.
    """
    try:
        return _APPLY[fact["kind"]](manifest, fact, occasion)
    except ContradictionError:
        raise
    except CallError as error:
        raise ContradictionError(str(error)) from error


def apply_entry(manifest: Manifest, entry: Document, head: Head) -> None:
    """Bring one entry into the manifest and move its head there."""
    occasion = Occasion(entry["at"], entry["by"])
    for fact in entry["facts"]:
        apply_fact(manifest, fact, occasion)
    manifest.document["head"] = head._asdict()


def _job(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    if manifest.job == fact["job"]:
        return False
    if manifest.job:
        raise ContradictionError(f"This is the record of job {manifest.job}, not of {fact['job']}.")
    manifest.document.update(job=fact["job"], opened=occasion.at)
    return True


def _adopted(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    return _revise(manifest.document["documents"], fact["document"], fact, {"at": occasion.at}, drop=("document",))


def _volume(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    return _revise(manifest.document["volumes"], fact["volume"], fact, {}, drop=("volume",))


def _frame(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    if fact["sha256"] in manifest.by_sha256:
        return False
    if fact["frame"] in manifest.by_number:
        raise ContradictionError(f"Frame number {print_frame(fact['frame'])} is taken.")
    if manifest.holder(fact["sha256"]):
        raise ContradictionError(f"The content of frame {print_frame(fact['frame'])} is in custody as another file.")
    frame: Frame = {
        "frame": fact["frame"],
        "number": print_frame(fact["frame"]),
        "stage": "received",
        **_body(fact, "frame"),
        "seen": [fact["source"]],
        **dict.fromkeys(
            ("type", "camera", "serial", "counter", "captured", "lens", "width", "height", "orientation", "exposure")
        ),
        "identified": False,
        "set_up": None,
        "set_up_revision": 0,
        "companions": [],
        "copies": [],
        "proofs": {},
        **dict.fromkeys(("undecodable", "unshowable", "reading", "proof", "selection")),
        "notes": [],
        "rounds": [],
        "finals": [],
        "deliveries": [],
        "block": None,
    }
    manifest.frames.append(frame)
    manifest.by_number[frame["frame"]] = manifest.by_sha256[frame["sha256"]] = frame
    return True


def _companion(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    companions = manifest.frame(fact["frame"])["companions"]
    if any((known["sha256"], known["name"]) == (fact["sha256"], fact["name"]) for known in companions):
        return False
    companions.append(_body(fact, "frame"))
    _add_file(manifest, fact, "companion", [fact["source"]])
    return True


def _stray(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    if manifest.holder(fact["sha256"]):
        return False
    manifest.document["strays"].append(_body(fact))
    _add_file(manifest, fact, "stray", [fact["source"]])
    return True


def _seen(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    return _append_new(_holder(manifest, fact)["seen"], fact["source"])


def _holding(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    if manifest.holder(fact["sha256"]):
        return False
    _add_file(manifest, fact, fact["role"], [])
    return True


def _copy(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    copies = _holder(manifest, fact)["copies"]
    if _find_copy(copies, fact) is not None:
        return False
    known_pass = manifest.document["passes"]["opened"]
    copies.append({**_place(fact), "outcome": "whole", "whole_at": occasion.at, "pass": known_pass})
    return True


def _fixity_pass(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    passes = manifest.document["passes"]
    number = fact["pass"]
    if number <= passes[fact["state"]]:
        return False
    if number != (passes["opened"] + 1 if fact["state"] == "opened" else passes["opened"]):
        raise ContradictionError(f"Pass {number} cannot be {fact['state']} now.")
    passes.update({fact["state"]: number, f"{fact['state']}_at": occasion.at})
    return True


def _read_back(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    copy = _known_copy(manifest, fact)
    if copy["pass"] >= fact["pass"]:
        return False
    copy.update({"outcome": fact["outcome"], "pass": fact["pass"]})
    if fact["outcome"] == "whole":
        copy["whole_at"] = occasion.at
    return True


def _repair(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    copy = _known_copy(manifest, fact)
    if copy["outcome"] == "whole" or copy["pass"] > fact["pass"]:  # it rotted again after this repair
        return False
    copy.update({"outcome": "whole", "whole_at": occasion.at, "pass": fact["pass"]})
    return True


def _identified(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    if frame["identified"]:
        return False
    frame.update(_body(fact, "frame"), identified=True)
    return True


def _undecodable(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    return _set_once(manifest.frame(fact["frame"]), "undecodable", fact["reason"])


def _unshowable(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    return _set_once(manifest.frame(fact["frame"]), "unshowable", fact["reason"])


def _set_up(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    if fact["revision"] <= frame["set_up_revision"]:
        return False
    _check_next(fact["revision"], frame["set_up_revision"], "the set-up")
    frame.update(set_up=fact["set_up"], set_up_revision=fact["revision"])
    return True


def _reading(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    if frame["reading"] and frame["reading"]["method"] >= fact["method"]:
        return False
    frame["reading"] = {**_body(fact, "frame"), "against_set_up_stops": None}
    return True


def _proof(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    proofs = manifest.frame(fact["frame"])["proofs"]
    if fact["look_sha256"] in proofs:
        return False
    proofs[fact["look_sha256"]] = _body(fact, "frame")
    return True


def _contact_sheet(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    known = manifest.document["contact_sheet"]
    revision = known["revision"] if known else 0
    if fact["revision"] <= revision:
        return False
    _check_next(fact["revision"], revision, "the contact sheet")
    manifest.document["contact_sheet"] = _body(fact)
    return True


def _selects_round(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    known = manifest.selects_round(fact["round"])
    if fact["state"] == "opened":
        if known:
            return False
        fresh = {
            "round": fact["round"],
            "opened": occasion.at,
            "closed": None,
            "person": fact["person"],
            "marks": {},
            "hand_off": None,
        }
        manifest.document["selects_rounds"].append(fresh)
        return True
    if not known:
        raise ContradictionError(f"Round {fact['round']!r} was never opened.")
    if known["closed"]:
        return False
    known.update(closed=occasion.at, person=fact["person"])
    return True


def _mark(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    known = manifest.selects_round(fact["round"])
    if not known:
        raise ContradictionError(f"Round {fact['round']!r} was never opened.")
    number = str(manifest.frame(fact["frame"])["frame"])
    before = known["marks"].get(number, {}).get(fact["person"])
    revision = before["revision"] if before else 0
    if fact["revision"] <= revision:
        return False
    if known["closed"]:
        raise ContradictionError(f"Round {fact['round']!r} is closed; a later change is a new round.")
    _check_next(fact["revision"], revision, "the mark")
    known["marks"].setdefault(number, {})[fact["person"]] = {
        **_body(fact, "round", "frame", "person"),
        "at": occasion.at,
    }
    return True


def _hand_off(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    known = manifest.selects_round(fact["round"])
    if not known or not known["closed"]:
        raise ContradictionError(f"Round {fact['round']!r} is not closed.")
    return _set_once(known, "hand_off", fact["files"])


def _note(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    notes = manifest.frame(fact["frame"])["notes"]
    if any(note["note"] == fact["note"] for note in notes):
        return False
    notes.append({**_body(fact, "frame"), "at": occasion.at})
    return True


def _brief(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    rounds = manifest.frame(fact["frame"])["rounds"]
    if fact["round"] <= len(rounds):
        return False
    _check_next(fact["round"], len(rounds), "the retouch round")
    brief = {**_body(fact, "frame"), "at": occasion.at}
    rounds.append({"round": fact["round"], "brief": brief, "hand_out": None, "take_backs": []})
    return True


def _hand_out(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    retouch = _round(manifest, fact)
    revision = retouch["hand_out"]["revision"] if retouch["hand_out"] else 0
    if fact["revision"] <= revision:
        return False
    _check_next(fact["revision"], revision, "the hand-out")
    retouch["hand_out"] = {**_body(fact, "frame"), "at": occasion.at}
    return True


def _take_back(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    returned = _round(manifest, fact)["take_backs"]
    if any(known["sha256"] == fact["sha256"] for known in returned):
        return False
    returned.append({**_body(fact, "frame"), "at": occasion.at})
    return True


def _final(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    finals = manifest.frame(fact["frame"])["finals"]
    if any(all(known[field] == fact[field] for field in ("final", "round", "look_sha256")) for known in finals):
        return False
    same = (known["signed_off"] for known in finals if known["sha256"] == fact["sha256"])  # a sign-off is for the bytes
    signed_off = next((signed for signed in same if signed), None)
    finals.append({**_body(fact, "frame"), "at": occasion.at, "signed_off": signed_off, "stale": False})
    return True


def _sign_off(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    finals = [f for f in manifest.frame(fact["frame"])["finals"] if f["sha256"] == fact["final_sha256"]]
    if not finals:
        raise ContradictionError(f"Frame {print_frame(fact['frame'])} has no final of that digest.")
    unsigned = [final for final in finals if final["signed_off"] is None]
    for final in unsigned:
        final["signed_off"] = {"person": fact["person"], "at": occasion.at}
    return bool(unsigned)


def _delivery(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    deliveries = manifest.document["deliveries"]
    if fact["delivery"] <= len(deliveries):
        return False
    _check_next(fact["delivery"], len(deliveries), "the delivery")
    deliveries.append({**_body(fact), "at": occasion.at, "handed_over": None})
    return True


def _hand_over(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    deliveries = manifest.document["deliveries"]
    if fact["delivery"] > len(deliveries):
        raise ContradictionError(f"Delivery {fact['delivery']} was never packed.")
    delivery = deliveries[fact["delivery"] - 1]
    if not _set_once(delivery, "handed_over", {**_body(fact, "delivery"), "at": occasion.at}):
        return False
    for number in {file["frame"] for file in delivery["files"]}:
        _append_new(manifest.frame(number)["deliveries"], fact["delivery"])
    return True


def _block(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    revision = frame["block"]["revision"] if frame["block"] else 0
    if fact["revision"] <= revision:
        return False
    _check_next(fact["revision"], revision, "the block")
    frame["block"] = {**_body(fact, "frame"), "at": occasion.at}
    return True


def _body(fact: Fact, *without: str) -> Document:
    return {name: value for name, value in fact.items() if name != "kind" and name not in without}


def _revise(table: Document, name: str, fact: Fact, extra: Document, *, drop: tuple[str, ...]) -> bool:
    before = table[name]["revision"] if name in table else 0
    if fact["revision"] <= before:
        return False
    _check_next(fact["revision"], before, name)
    table[name] = {**_body(fact, *drop), **extra}
    return True


def _check_next(number: int, before: int, what: str) -> None:
    if number != before + 1:
        raise ContradictionError(f"{what} goes from {before} to {number}")


def _set_once(holder: Document, field: str, value: Any) -> bool:
    if holder[field] is not None:
        return False
    holder[field] = value
    return True


def _append_new(values: list[Any], value: Any) -> bool:
    if value in values:
        return False
    values.append(value)
    return True


def _add_file(manifest: Manifest, fact: Fact, role: str, seen: list[str]) -> None:
    if manifest.holder(fact["sha256"]) is None:
        fresh = {"size": fact["size"], "role": role, "path": fact["path"], "copies": [], "seen": seen}
        manifest.document["files"][fact["sha256"]] = fresh


def _holder(manifest: Manifest, fact: Fact) -> Document:
    holder = manifest.holder(fact["sha256"])
    if holder is None:
        raise ContradictionError(f"No file of this job has the digest {fact['sha256'][:16]}….")
    return holder


def _place(fact: Fact) -> Document:
    return {"volume": fact["volume"], "path": fact["path"]}


def _find_copy(copies: list[Document], fact: Fact) -> Document | None:
    return next((copy for copy in copies if (copy["volume"], copy["path"]) == (fact["volume"], fact["path"])), None)


def _known_copy(manifest: Manifest, fact: Fact) -> Document:
    copy = _find_copy(_holder(manifest, fact)["copies"], fact)
    if copy is None:
        raise ContradictionError(f"No copy is known at {fact['path']} on volume {fact['volume']}.")
    return copy


def _round(manifest: Manifest, fact: Fact) -> Document:
    rounds = manifest.frame(fact["frame"])["rounds"]
    if fact["round"] > len(rounds):
        raise ContradictionError(f"Frame {print_frame(fact['frame'])} has no retouch round {fact['round']}.")
    found: Document = rounds[fact["round"] - 1]
    return found


_APPLY: dict[str, Callable[[Manifest, Fact, Occasion], bool]] = {
    "job": _job,
    "adopted": _adopted,
    "volume": _volume,
    "frame": _frame,
    "companion": _companion,
    "stray": _stray,
    "seen": _seen,
    "copy": _copy,
    "fixity_pass": _fixity_pass,
    "read_back": _read_back,
    "repair": _repair,
    "identified": _identified,
    "undecodable": _undecodable,
    "unshowable": _unshowable,
    "set_up": _set_up,
    "reading": _reading,
    "proof": _proof,
    "contact_sheet": _contact_sheet,
    "selects_round": _selects_round,
    "mark": _mark,
    "hand_off": _hand_off,
    "note": _note,
    "brief": _brief,
    "hand_out": _hand_out,
    "take_back": _take_back,
    "final": _final,
    "sign_off": _sign_off,
    "delivery": _delivery,
    "hand_over": _hand_over,
    "block": _block,
    "holding": _holding,
}
