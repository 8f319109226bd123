"""The stage of a frame, computed from its facts and never set, so that it cannot disagree with them."""

from __future__ import annotations

from typing import Any

Frame = dict[str, Any]

STAGES = (
    "received",
    "undecodable",
    "proofed",
    "out",
    "held",
    "selected",
    "briefed",
    "handed out",
    "returned",
    "final",
    "signed off",
    "delivered",
    "blocked",
)
"""Every stage, from the card to the client."""


def stage_of(frame: Frame) -> str:
    """How far a frame has come."""
    if is_blocked(frame):
        return "blocked"
    if frame["deliveries"]:
        return "delivered"
    current = [final for final in frame["finals"] if not final["stale"]]
    if current:
        return "signed off" if all(final["signed_off"] for final in current) else "final"
    if frame["rounds"]:
        retouch = current_round(frame)
        if retouch:
            return _STAGE_OF_ROUND[round_state(retouch)]
    selection = frame["selection"]
    if selection and selection["closed"]:
        verdicts = {"select": "selected", "out": "out", "hold": "held"}
        if selection["verdict"] in verdicts:
            return verdicts[selection["verdict"]]
    if frame["proof"]:
        return "proofed"
    return "undecodable" if frame["undecodable"] else "received"


def is_blocked(frame: Frame) -> bool:
    """Whether a frame may not be shown or leave."""
    return bool(frame["block"] and frame["block"]["blocked"])


def is_selected(frame: Frame) -> bool:
    """Whether a closed round chose this frame."""
    selection = frame["selection"]
    return bool(selection and selection["closed"] and selection["verdict"] == "select")


def is_handed_out(frame: Frame) -> bool:
    """Whether a retoucher was ever handed this frame."""
    return any(retouch["hand_out"] for retouch in frame["rounds"])


def was_back(frame: Frame) -> bool:
    """Whether a retouch of this frame ever came back in due form: it is not to leave unretouched."""
    return any(outcome_of(back) != "refused" for retouch in frame["rounds"] for back in retouch["take_backs"])


def last_return(frame: Frame) -> dict[str, Any] | None:
    """The newest accepted return of a frame's retouch, with its `round`, or None."""
    for retouch in reversed(frame["rounds"]):
        for returned in reversed(retouch["take_backs"]):
            if outcome_of(returned) == "accepted":
                return dict(returned)
    return None


def outcome_of(returned: dict[str, Any]) -> str:
    """What came of a return: "refused" by the check, "to review" by a person, "accepted", or "rejected" by a person."""
    if returned["review"]:
        return "accepted" if returned["review"]["accepted"] else "rejected"
    if not returned["accepted"]:
        return "refused"
    return "to review" if returned["to_review"] else "accepted"


def round_state(retouch: dict[str, Any]) -> str:
    """Where a retouch round is: "briefed", "out", "to review", "accepted", or "refused", which makes the next one due.

    A file that is not this round's work (another frame, an older round, a technical fault) is refused and leaves the
    round out: the right file may still come.
    """
    outcomes = [outcome_of(returned) for returned in retouch["take_backs"]]
    for outcome in ("accepted", "to review"):
        if outcome in outcomes:
            return outcome
    if refused_return(retouch):
        return "refused"
    return "out" if retouch["hand_out"] else "briefed"


def refused_return(retouch: dict[str, Any]) -> dict[str, Any] | None:
    """The return that ended a round without being accepted: a note was left undone, or a person rejected it."""
    for returned in reversed(retouch["take_backs"]):
        outcome = outcome_of(returned)
        if outcome == "rejected" or (outcome == "refused" and only_notes_undone(returned)):
            found: dict[str, Any] = returned
            return found
    return None


def only_notes_undone(returned: dict[str, Any]) -> bool:
    """Whether a return is this round's work, with nothing against it but notes that were left undone."""
    kinds = {fault["kind"] for fault in returned["faults"]}
    return kinds == {"note undone"}


def current_round(frame: Frame) -> dict[str, Any] | None:
    """The newest retouch round that counts, or None; a brief that is void does not."""
    return next((retouch for retouch in reversed(frame["rounds"]) if not _is_void(frame, retouch)), None)


def _is_void(frame: Frame, retouch: dict[str, Any]) -> bool:
    """Whether nobody was handed a brief that followed a refusal, and that return was accepted after all."""
    cause = retouch["brief"]["cause"]
    if retouch["hand_out"] or retouch["take_backs"] or not cause:
        return False
    before = frame["rounds"][: retouch["round"] - 1]
    followed = [back for other in before for back in other["take_backs"] if back["sha256"] == cause["return"]]
    return bool(followed) and outcome_of(followed[-1]) == "accepted"


def base_of_next_round(frame: Frame) -> tuple[int, str | None]:
    """The round whose picture the next round starts from, and that picture's digest; 0 and None: the original.

    It is what was accepted last. Where the client changed their mind, the work that was rejected is kept, too.
    """
    retouch = current_round(frame)
    if retouch and round_state(retouch) in ("briefed", "out"):  # what is briefed anew starts where it did
        number = min(retouch["brief"]["base_round"], retouch["round"] - 1)
        kept = _kept_return(frame["rounds"][number - 1]) if number else None
    else:
        kept = _kept_return(retouch) if retouch else None
        kept = kept or last_return(frame)
    return (int(kept["round"]), picture_sha256(kept)) if kept else (0, None)


def _kept_return(retouch: dict[str, Any]) -> dict[str, Any] | None:
    """The return of a round whose work the next one goes on with, if any."""
    for returned in reversed(retouch["take_backs"]):
        outcome = outcome_of(returned)
        if outcome == "accepted" or (outcome == "rejected" and returned["review"]["why"] == "client's change"):
            found: dict[str, Any] = returned
            return found
    return None


def live_notes(frame: Frame) -> list[dict[str, Any]]:
    """The notes of a frame that nobody has withdrawn."""
    withdrawn = {note for note, found in frame["withdrawals"].items() if found["withdrawn"]}
    return [note for note in frame["notes"] if note["note"] not in withdrawn]


def notes_to_ask(frame: Frame, base_round: int) -> list[dict[str, Any]]:
    """The live notes that a picture of this round does not hold yet: what the next brief asks."""
    held: set[str] = set()
    while base_round > 0:
        brief = frame["rounds"][base_round - 1]["brief"]
        held |= set(brief["notes"])
        base_round = min(brief["base_round"], base_round - 1)
    return [note for note in live_notes(frame) if note["note"] not in held]


def picture_sha256(returned: dict[str, Any]) -> str:
    """Digest of the picture of a return: of the flat derived from it where it came with layers."""
    return str(returned["flat"]["sha256"] if returned["flat"] else returned["sha256"])


def crop_for(frame: Frame, specification: str) -> dict[str, Any] | None:
    """The crop of a frame for a delivery specification; None is the full frame."""
    crops = frame["crops"]
    found: dict[str, Any] | None = crops["specifications"].get(specification, crops["general"])
    return found


def frames_of_round(frame: Frame, number: int) -> list[int]:
    """Every frame that the picture of a retouch round may hold a piece of, the frame itself first.

    A round is made on the picture of the round that its base file came from, so that one's frames are in it too.
    """
    found = {frame["frame"]}
    while number > 0:
        retouch = frame["rounds"][number - 1]
        named = set(retouch["brief"]["notes"])
        found |= {donor["frame"] for note in frame["notes"] if note["note"] in named for donor in note["donors"]}
        found |= {number for returned in retouch["take_backs"] for number in returned["used"]}
        number = min(retouch["brief"]["base_round"], number - 1)
    return [frame["frame"], *sorted(found - {frame["frame"]})]


_STAGE_OF_ROUND = {
    "briefed": "briefed",
    "out": "handed out",
    "to review": "returned",
    "refused": "returned",
    "accepted": "returned",
}
