"""The balance of a frame: white balance and exposure that its pictures get before any look."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from glassine.schemas.entry import canonical_bytes, digest_of
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document

MOST_STOPS = 5.0
"""An exposure is moved by so much at most, in all (own choice: beyond it a picture shows clipping or noise)."""
RENDERED = frozenset({".jpg", ".jpeg", ".png", ".thm", ".tif", ".tiff"})
"""Endings of originals that are rendered already: their white balance is in them, and cannot be said anew."""


def is_rendered(frame: Frame) -> bool:
    """Whether an original is no raw, by its name."""
    return PurePath(frame["name"]).suffix.lower() in RENDERED


def balance_of_set_up(balances: Sequence[Document], frame: Frame) -> Document | None:
    """The newest balance that was said for a frame's set-up and camera model; one of its arrangement goes first."""
    if frame["set_up"] is None:
        return None
    camera = frame["camera"] or ""
    fitting = [known for known in balances if (known["set_up"], known["camera"]) == (frame["set_up"], camera)]
    for arrangement in (frame["arrangement"], None):
        for known in fitting:
            if known["arrangement"] == arrangement:
                return known
    return None


def balance_of(balances: Sequence[Document], frame: Frame) -> Document | None:
    """{"multipliers", "stops"} of a frame: of its set-up, and its own exposure match added; None for as shot.

    Of what is rendered already the exposure alone. Both together end at `MOST_STOPS`.
    """
    said = balance_of_set_up(balances, frame)
    multipliers = said["multipliers"] if said and not is_rendered(frame) else None
    stops = round(min(max(whole_stops(balances, frame), -MOST_STOPS), MOST_STOPS), 4)
    return {"multipliers": multipliers, "stops": stops} if multipliers or stops else None


def whole_stops(balances: Sequence[Document], frame: Frame) -> float:
    """The stops of a frame's set-up and its own match, without an end."""
    said, own = balance_of_set_up(balances, frame), frame["exposure_match"]
    return float((said["stops"] if said else 0.0) + (own["stops"] if own else 0.0))


def balance_of_base(frame: Frame, base_round: int) -> Document | None:
    """The balance of the base file of a frame's next round: of the round it goes on from, else the frame's own."""
    if base_round == 0:
        return frame["balance"] or None
    of_round: Document | None = frame["rounds"][base_round - 1]["brief"].get("balance")
    return of_round


def balance_key(balance: Document | None) -> str:
    """What tells pictures of one frame in different balances apart: 16 hex digits, or nothing for as shot."""
    if not balance:
        return ""
    multipliers = balance["multipliers"] and [float(each) for each in balance["multipliers"]]
    # As floats: 2 and 2.0 are one number, and two texts.
    return digest_of(canonical_bytes([multipliers, float(balance["stops"])]))[:16]


def proof_key(look_sha256: str, balance: Document | None) -> str:
    """Under which name the manifest keeps a proof."""
    return ".".join(filter(None, (look_sha256, balance_key(balance))))
