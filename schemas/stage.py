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
        return _retouch_stage(frame["rounds"][-1])
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


def last_return(frame: Frame) -> dict[str, Any] | None:
    """The newest accepted return of a frame's retouch, with its `round`, or None."""
    for retouch in reversed(frame["rounds"]):
        for returned in reversed(retouch["take_backs"]):
            if returned["accepted"]:
                return dict(returned)
    return None


def _retouch_stage(retouch: dict[str, Any]) -> str:
    if any(returned["accepted"] for returned in retouch["take_backs"]):
        return "returned"
    return "handed out" if retouch["hand_out"] else "briefed"
