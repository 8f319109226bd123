"""One entry of a record: its canonical bytes and its place in the chain."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, NamedTuple

from glassine.schemas.errors import DocumentError, RecordError
from glassine.schemas.facts import Fact
from glassine.schemas.validation import Document, check_document, parse_document

FORMAT = 1
NO_ENTRY = "0" * 64
"""What stands as `previous` in entry 1."""


class Head(NamedTuple):
    """The last entry of a record: its number (0 for none) and the SHA-256 of its bytes."""

    entry: int
    sha256: str


EMPTY = Head(0, NO_ENTRY)


def canonical_bytes(document: Any) -> bytes:
    """The one way to write a document of the record (FORMAT.md, "Canonical bytes")."""
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode()


def digest_of(content: bytes) -> str:
    """SHA-256 (FIPS 180-4) of some bytes, in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def entry_name(number: int) -> str:
    """The file name of an entry."""
    return f"{number:08d}.json"


def entry_number(path: Path) -> int | None:
    """The number of an entry's file, or None for a file that is no entry."""
    return int(path.stem) if path.suffix == ".json" and len(path.stem) == 8 and path.stem.isdigit() else None


def compose_entry(head: Head, facts: list[Fact], *, at: str, by: str, event: str) -> Document:
    """The entry that comes after `head`, checked against its schema."""
    entry = {
        "format": FORMAT,
        "entry": head.entry + 1,
        "previous": head.sha256,
        "at": at,
        "by": by,
        "event": event,
        "facts": facts,
    }
    return check_document(entry, "record_entry", label=f"record entry {head.entry + 1} (to be written)")


def parse_entry(content: bytes, number: int, *, label: str) -> Document:
    """An entry from its bytes: canonical, valid, and the number its name says.

    Raises
    ------
    RecordError
        R003, naming the entry.
    """
    try:
        entry = parse_document(content, "record_entry", label=label)
    except DocumentError as error:
        raise RecordError("R003", f"Entry {number} of the record cannot be read: {error}") from error
    if entry["entry"] != number:
        raise RecordError(
            "R003",
            f"Entry {number} of the record ({label}) says that it is entry {entry['entry']}: mend it with `glassine verify --repair`.",
        )
    if canonical_bytes(entry) != content:
        raise RecordError(
            "R001",
            f"Entry {number} of the record ({label}) is altered, and not in canonical form: mend it with `glassine verify --repair`.",
        )
    return entry
