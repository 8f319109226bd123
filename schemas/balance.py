"""The balance of a frame: white balance and exposure that its pictures get before any look."""

from __future__ import annotations

from collections.abc import Sequence

from glassine.schemas.entry import canonical_bytes, digest_of
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document


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
    """{"multipliers", "stops"} of a frame: of its set-up, and its own exposure match added; None for as shot."""
    said, own = balance_of_set_up(balances, frame), frame["exposure_match"]
    multipliers = said["multipliers"] if said else None
    stops = round((said["stops"] if said else 0.0) + (own["stops"] if own else 0.0), 4)
    return {"multipliers": multipliers, "stops": stops} if multipliers or stops else None


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
