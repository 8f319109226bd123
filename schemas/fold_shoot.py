"""The part of the fold that is the day of the shoot: cards, clocks, what the frames are for, who carries what home."""

from __future__ import annotations

from collections.abc import Callable

from glassine.schemas.facts import Fact
from glassine.schemas.fold_base import ContradictionError, Occasion, body_of, check_next
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document


def _card(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    cards, card = manifest.document["cards"], fact["card"]
    for known in cards:
        if known != card and known.lower() == card.lower():
            raise ContradictionError(
                f"Card {card} is known as {known}: names that differ only in upper and lower case are one card."
            )
    return _is_next(cards.get(card), fact, f"card {card}") and _keep(cards, card, fact, occasion, "card")


def _clock(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    clocks, serial = manifest.document["clocks"], fact["serial"]
    if not _is_next(clocks.get(serial), fact, f"the clock of body {serial}"):
        return False
    if fact["frame"] is not None:
        manifest.frame(fact["frame"])
    return _keep(clocks, serial, fact, occasion, "serial")


def _purpose(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    if fact["revision"] <= frame["purpose_revision"]:
        return False
    check_next(fact["revision"], frame["purpose_revision"], "the purpose")
    frame.update(purpose=fact["purpose"], purpose_revision=fact["revision"])
    return True


def _on_set(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    document = manifest.document
    return _is_next(document["on_set"], fact, "what is on set") and _keep(document, "on_set", fact, occasion)


def _balance(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    balances = manifest.document["balances"]
    subject = [fact["set_up"], fact["arrangement"], fact["camera"]]
    known = next((b for b in balances if [b["set_up"], b["arrangement"], b["camera"]] == subject), None)
    if not _is_next(known, fact, f"the balance of {fact['set_up']}"):
        return False
    if fact["frame"] is not None:
        manifest.frame(fact["frame"])
    if known:
        balances.remove(known)
    balances.append({**body_of(fact), "at": occasion.at})
    return True


def _exposure_match(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    frame = manifest.frame(fact["frame"])
    if not _is_next(frame["exposure_match"], fact, f"the exposure match of frame {frame['number']}"):
        return False
    if fact["to"] is not None:
        manifest.frame(fact["to"])
    frame["exposure_match"] = body_of(fact, "frame")
    return True


def _carrier(manifest: Manifest, fact: Fact, occasion: Occasion) -> bool:
    carriers, volume = manifest.document["carriers"], fact["volume"]
    known = carriers.get(volume)
    return _is_next(known, fact, f"the carrier of {volume}") and _keep(carriers, volume, fact, occasion, "volume")


def _is_next(known: Document | None, fact: Fact, what: str) -> bool:
    """Whether a fact is newer than what is known; a contradiction when it is not the very next."""
    before = known["revision"] if known else 0
    if fact["revision"] <= before:
        return False
    check_next(fact["revision"], before, what)
    return True


def _keep(holder: Document, name: str, fact: Fact, occasion: Occasion, *without: str) -> bool:
    holder[name] = {**body_of(fact, *without), "at": occasion.at}
    return True


APPLY_SHOOT: dict[str, Callable[[Manifest, Fact, Occasion], bool]] = {
    "card": _card,
    "clock": _clock,
    "purpose": _purpose,
    "on_set": _on_set,
    "carrier": _carrier,
    "balance": _balance,
    "exposure_match": _exposure_match,
}
"""How each kind of fact about the day of the shoot changes the manifest; `fold.apply_fact` is the way in."""
