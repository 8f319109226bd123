"""The stage of a frame, computed from its facts and never set, so that it cannot disagree with them."""

from __future__ import annotations

from collections.abc import Collection, Iterator
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
    """How far a frame has come; work that is under way again goes before what was delivered."""
    if is_blocked(frame):
        return "blocked"
    current = [final for final in frame["finals"] if not final["stale"]]
    retouch = current_round(frame)
    if retouch and round_state(retouch) != "accepted" and all(newer_round(frame, final) for final in current):
        return _STAGE_OF_ROUND[round_state(retouch)]
    if frame["deliveries"]:
        return "delivered"
    if current:
        return "signed off" if all(final["signed_off"] for final in current) else "final"
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
        returned = accepted_return(frame, retouch["round"])
        if returned:
            return returned
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
    """Whether a round counts no more: it was called off; or nobody was handed its brief, and the return that it follows
    was accepted after all, or rejected for another reason."""
    if retouch["called_off"]:
        return True
    cause = retouch["brief"]["cause"]
    if retouch["hand_out"] or retouch["take_backs"] or not cause:
        return False
    before = frame["rounds"][: retouch["round"] - 1]
    followed = [back for other in before for back in other["take_backs"] if back["sha256"] == cause["return"]]
    if not followed:
        return False
    review = followed[-1]["review"]
    is_other = review and not review["accepted"] and (review["why"], review["text"]) != (cause["why"], cause["text"])
    return bool(outcome_of(followed[-1]) == "accepted" or is_other)


def newer_round(frame: Frame, final: dict[str, Any]) -> dict[str, Any] | None:
    """The retouch round under way that a final is older than, if any: then the final waits for it, and does not leave.

    A final of the original itself may have been made after a brief that nobody was handed: it leaves unretouched.
    """
    retouch = current_round(frame)
    if retouch is None or retouch["round"] <= final["round"] or round_state(retouch) == "accepted":
        return None
    if final["round"] == 0 and round_state(retouch) == "briefed" and retouch["round"] <= final["briefed"]:
        return None
    return retouch


def accepted_return(frame: Frame, number: int) -> dict[str, Any] | None:
    """The accepted return of exactly this round, or None; a round that was called off has none."""
    if not 0 < number <= len(frame["rounds"]) or frame["rounds"][number - 1]["called_off"]:
        return None
    returns = frame["rounds"][number - 1]["take_backs"]
    return next((back for back in reversed(returns) if outcome_of(back) == "accepted"), None)


def rounds_under(frame: Frame, number: int) -> Iterator[dict[str, Any]]:
    """A round, and those whose pictures it was made on, down to the original."""
    while number > 0:
        retouch: dict[str, Any] = frame["rounds"][number - 1]
        yield retouch
        number = min(retouch["brief"]["base_round"], number - 1)


def base_of_next_round(frame: Frame, blocked: Collection[int] = ()) -> tuple[int, str | None]:
    """The round whose picture the next round starts from, and that picture's digest; 0 and None: the original.

    It is what was accepted last. Where the client changed their mind, the work that was rejected is kept, too. A
    picture that holds a piece of a frame that is `blocked` now is passed over.
    """
    retouch = current_round(frame)
    if retouch and round_state(retouch) in ("briefed", "out"):  # what is briefed anew starts where it did
        number = min(retouch["brief"]["base_round"], retouch["round"] - 1)
        newest = [frame["rounds"][number - 1]] if number else []
    else:
        newest = [
            other for other in reversed(frame["rounds"]) if other is retouch or accepted_return(frame, other["round"])
        ]
    for other in newest:
        kept = _kept_return(other)
        if kept and not set(blocked) & set(frames_of_round(frame, other["round"])[1:]):
            return int(other["round"]), picture_sha256(kept)
    return 0, None


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
    held = {note for retouch in rounds_under(frame, base_round) for note in retouch["brief"]["notes"]}
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
    for retouch in rounds_under(frame, number):
        named = set(retouch["brief"]["notes"])
        found |= {donor["frame"] for note in frame["notes"] if note["note"] in named for donor in note["donors"]}
        found |= {used for back in retouch["take_backs"] if outcome_of(back) != "refused" for used in back["used"]}
    return [frame["frame"], *sorted(found - {frame["frame"]})]


_STAGE_OF_ROUND = {
    "briefed": "briefed",
    "out": "handed out",
    "to review": "returned",
    "refused": "returned",
    "accepted": "returned",
}
