"""Facts: their kinds, what makes one the same as another, and the event that a batch of them is."""

from __future__ import annotations

import json
from typing import Any

from glassine.schemas.validation import load_schema

Fact = dict[str, Any]

KEY_FIELDS: dict[str, tuple[str, ...]] = {
    "job": ("job",),
    "adopted": ("document", "revision"),
    "volume": ("volume", "revision"),
    "card": ("card", "revision"),
    "clock": ("serial", "revision"),
    "carrier": ("volume", "revision"),
    "frame": ("sha256",),
    "companion": ("frame", "sha256", "name"),
    "stray": ("sha256",),
    "seen": ("sha256", "source"),
    "copy": ("sha256", "volume", "path"),
    "fixity_pass": ("pass", "state"),
    "read_back": ("sha256", "volume", "path", "pass"),
    "repair": ("sha256", "volume", "path", "pass"),
    "identified": ("frame",),
    "undecodable": ("frame",),
    "unshowable": ("frame",),
    "decode_attempt": ("frame", "attempt"),
    "set_up": ("frame", "revision"),
    "purpose": ("frame", "revision"),
    "on_set": ("revision",),
    "balance": ("set_up", "arrangement", "camera", "revision"),
    "exposure_match": ("frame", "revision"),
    "reading": ("frame", "method"),
    "proof": ("frame", "look_sha256", "balance"),
    "contact_sheet": ("revision",),
    "selects_round": ("round", "state"),
    "mark": ("round", "frame", "person", "revision"),
    "hand_off": ("round",),
    "note": ("frame", "note"),
    "withdrawal": ("frame", "note", "revision"),
    "brief": ("frame", "round"),
    "hand_out": ("frame", "round", "revision"),
    "call_off": ("frame", "round"),
    "take_back": ("frame", "round", "sha256"),
    "review": ("frame", "round", "sha256", "revision"),
    "crop": ("frame", "revision"),
    "final": ("frame", "final", "round", "look_sha256", "balance"),
    "sign_off": ("frame", "final_sha256", "person", "crop"),
    "delivery": ("delivery",),
    "hand_over": ("delivery",),
    "block": ("frame", "revision"),
    "holding": ("sha256", "path"),
}
"""The fields that, with the kind, make a fact the same fact (FORMAT.md, "Facts"); never the time."""

ABSENT: dict[str, Any] = {"crop": 0, "balance": None}
"""What a key field that older entries lack stands for."""

EVENTS = {
    "open": "accession",
    "adopt": "policy assignment",
    "ingest": "ingestion",
    "verify": "fixity check",
    "repair": "recovery",
    "replicate": "replication",
    "identify": "metadata extraction",
    "proof": "creation",
    "selects": "appraisal",
    "hand-off": "exporting",
    "retouch": "transfer",
    "brief": "information package creation",
    "take-back": "quality review",
    "review": "quality review",
    "crop": "appraisal",
    "grade": "creation",
    "sign-off": "quality review",
    "deliver": "information package creation",
    "hand-over": "dissemination",
    "block": "policy assignment",
    "card": "transfer",
    "clock": "metadata modification",
    "purpose": "metadata modification",
    "on-set": "metadata modification",
    "balance": "metadata modification",
    "carrier": "transfer",
    "restore": "recovery",
}
"""The event label of each flow's entries: PREMIS event types (id.loc.gov/vocabulary/preservation/eventType; partly from memory)."""


def fact_key(fact: Fact) -> str:
    """What makes this fact the same as another: its kind and key fields, as one string."""
    return json.dumps(
        [fact["kind"], *(fact[field] if field in fact else ABSENT[field] for field in KEY_FIELDS[fact["kind"]])],
        ensure_ascii=False,
    )


def fact_kinds() -> list[str]:
    """Every kind that the schema of an entry knows."""
    return list(load_schema("record_entry")["$defs"]["fact"]["properties"]["kind"]["enum"])
