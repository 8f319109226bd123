"""The fold: how each kind of fact changes the manifest. Pure: no clock, no settings, nothing that is mounted."""

from __future__ import annotations

from collections.abc import Callable

from glassine.schemas.balance import proof_key
from glassine.schemas.entry import Head
from glassine.schemas.errors import CallError
from glassine.schemas.facts import Fact
from glassine.schemas.fold_base import ContradictionError, Occasion, append_new, body_of, check_next, set_once
from glassine.schemas.fold_retouch import APPLY_RETOUCH
from glassine.schemas.fold_shoot import APPLY_SHOOT
from glassine.schemas.identifiers import print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document

GIVE_UP_AFTER = 2
"""Attempts stopped under the same limits, in runs of their own, after which a file counts as undecodable (own choice)."""


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
        **body_of(fact, "frame"),
        "seen": [fact["source"]],
        **dict.fromkeys(
            ("type", "camera", "serial", "counter", "captured", "lens", "width", "height", "orientation", "exposure")
        ),
        "identified": False,
        "taken": None,
        "same_exposure": None,
        "set_up": None,
        "set_up_revision": 0,
        "arrangement": 1,
        "purpose": "picture",
        "purpose_revision": 0,
        "exposure_match": None,
        "balance": None,
        "companions": [],
        "copies": [],
        "proofs": {},
        **dict.fromkeys(("undecodable", "unshowable", "reading", "proof", "selection")),
        "decoding": None,
        "notes": [],
        "drafts": [],
        "withdrawals": {},
        "crops": {"revision": 0, "general": None, "specifications": {}},
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
    companions.append(body_of(fact, "frame"))
    _add_file(manifest, fact, "companion", [fact["source"]])
    return True


def _stray(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    if manifest.holder(fact["sha256"]):
        return False
    manifest.document["strays"].append(body_of(fact))
    _add_file(manifest, fact, "stray", [fact["source"]])
    return True


def _seen(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    return append_new(_holder(manifest, fact)["seen"], fact["source"])


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
    if fact["state"] == "opened":
        passes["scope"] = fact.get("scope")
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
    frame.update(body_of(fact, "frame"), identified=True)
    return True


def _undecodable(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    return not _got_through(frame) and set_once(frame, "undecodable", fact["reason"])


def _decode_attempt(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    """A decoder that was stopped for want of time or memory, or came to its end after that. Stopped twice under the
    same limits, in runs of their own, and the frame counts as unshowable, until a try under higher limits ends."""
    frame = manifest.frame(fact["frame"])
    known = frame["decoding"]
    if known and fact["attempt"] <= known["attempts"]:
        return False
    check_next(fact["attempt"], known["attempts"] if known else 0, "the decoding")
    limits = {name: fact[name] for name in ("limit_seconds", "limit_mb")}
    given_up, resumed = bool(known and known["given_up"]), bool(known and known["resumed"])
    stopped = 0
    if fact["outcome"] != "stopped":
        if given_up:
            frame.update(undecodable=fact["reason"], unshowable=None)
        given_up, resumed = False, resumed or given_up
    else:
        raised = known is not None and any(limits[name] > known[name] for name in limits)
        stopped = 1 if known is None or raised else known["stopped"] + 1
        reason = fact["reason"] or "Its decoder was stopped for want of time or memory."
        if stopped >= GIVE_UP_AFTER and frame["unshowable"] is None:
            frame.update(undecodable=frame["undecodable"] or reason, unshowable=reason)
            given_up = True
    said = {"attempts": fact["attempt"], "stopped": stopped, "given_up": given_up, "resumed": resumed}
    frame["decoding"] = {**said, **limits}
    return True


def _unshowable(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    return set_once(manifest.frame(fact["frame"]), "unshowable", fact["reason"])


def _got_through(frame: Frame) -> bool:
    """Whether a frame that was given up came to its end under higher limits: what was said of it before is past."""
    return bool(frame["decoding"] and frame["decoding"]["resumed"])


def _set_up(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    if fact["revision"] <= frame["set_up_revision"]:
        return False
    check_next(fact["revision"], frame["set_up_revision"], "the set-up")
    frame.update(set_up=fact["set_up"], set_up_revision=fact["revision"], arrangement=fact.get("arrangement", 1))
    return True


def _reading(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    if frame["reading"] and frame["reading"]["method"] >= fact["method"]:
        return False
    frame["reading"] = {**body_of(fact, "frame"), "against_set_up_stops": None}
    return True


def _proof(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    proofs = manifest.frame(fact["frame"])["proofs"]
    key = proof_key(fact["look_sha256"], fact.get("balance"))
    if key in proofs:
        return False
    proofs[key] = body_of(fact, "frame")
    return True


def _contact_sheet(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    known = manifest.document["contact_sheet"]
    revision = known["revision"] if known else 0
    if fact["revision"] <= revision:
        return False
    check_next(fact["revision"], revision, "the contact sheet")
    manifest.document["contact_sheet"] = body_of(fact)
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
            "closing": None,
        }
        manifest.document["selects_rounds"].append(fresh)
        return True
    if not known:
        raise ContradictionError(f"Round {fact['round']!r} was never opened.")
    if known["closed"]:
        return False
    closings = [found["closing"] or 0 for found in manifest.document["selects_rounds"]]
    known.update(closed=occasion.at, person=fact["person"], closing=max(closings) + 1)
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
    check_next(fact["revision"], revision, "the mark")
    known["marks"].setdefault(number, {})[fact["person"]] = {
        "fixable": False,
        "remarks": _remarks(before, fact, occasion),
        **body_of(fact, "round", "frame", "person"),
        "at": occasion.at,
    }
    return True


def _remarks(before: Document | None, fact: Fact, occasion: Occasion) -> list[Document]:
    """Every remark of a person on a frame in a round: a new one takes no earlier one away."""
    remarks = list(before["remarks"]) if before else []
    if fact["remark"]:
        said = {"remark": fact["remark"], "fixable": fact.get("fixable", False), "region": fact.get("region")}
        remarks = [known for known in remarks if known["remark"] != fact["remark"]]
        remarks.append({**said, "at": occasion.at})
    return remarks


def _hand_off(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    known = manifest.selects_round(fact["round"])
    if not known or not known["closed"]:
        raise ContradictionError(f"Round {fact['round']!r} is not closed.")
    return set_once(known, "hand_off", fact["files"])


def _delivery(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    deliveries = manifest.document["deliveries"]
    if fact["delivery"] <= len(deliveries):
        return False
    check_next(fact["delivery"], len(deliveries), "the delivery")
    for number in (number for file in fact["files"] for number in [file["frame"], *file.get("frames", [])]):
        manifest.frame(number)
    files = [{"crop": None, "frames": [file["frame"]], **file} for file in fact["files"]]
    deliveries.append({**body_of(fact), "files": files, "at": occasion.at, "handed_over": None})
    return True


def _hand_over(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    deliveries = manifest.document["deliveries"]
    if fact["delivery"] > len(deliveries):
        raise ContradictionError(f"Delivery {fact['delivery']} was never packed.")
    delivery = deliveries[fact["delivery"] - 1]
    if not set_once(delivery, "handed_over", {**body_of(fact, "delivery"), "at": occasion.at}):
        return False
    for number in {file["frame"] for file in delivery["files"]}:
        append_new(manifest.frame(number)["deliveries"], fact["delivery"])
    return True


def _block(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    revision = frame["block"]["revision"] if frame["block"] else 0
    if fact["revision"] <= revision:
        return False
    check_next(fact["revision"], revision, "the block")
    frame["block"] = {**body_of(fact, "frame"), "at": occasion.at}
    return True


def _revise(table: Document, name: str, fact: Fact, extra: Document, *, drop: tuple[str, ...]) -> bool:
    before = table[name]["revision"] if name in table else 0
    if fact["revision"] <= before:
        return False
    check_next(fact["revision"], before, name)
    table[name] = {**body_of(fact, *drop), **extra}
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
    "decode_attempt": _decode_attempt,
    "unshowable": _unshowable,
    "set_up": _set_up,
    "reading": _reading,
    "proof": _proof,
    "contact_sheet": _contact_sheet,
    "selects_round": _selects_round,
    "mark": _mark,
    "hand_off": _hand_off,
    **APPLY_SHOOT,
    **APPLY_RETOUCH,
    "delivery": _delivery,
    "hand_over": _hand_over,
    "block": _block,
    "holding": _holding,
}
