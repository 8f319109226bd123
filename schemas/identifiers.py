"""Names that the format gives to jobs, frames, volumes and notes."""

from __future__ import annotations

import hashlib
import re
import secrets
from datetime import UTC, datetime

from glassine.schemas.errors import CallError

_JOB = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
# Device names that Windows keeps for itself in every folder; source: Microsoft, "Naming Files, Paths, and Namespaces".
_RESERVED = {"con", "prn", "aux", "nul", *(f"com{n}" for n in range(10)), *(f"lpt{n}" for n in range(10))}
VOLUME_IDENTITY = "glassine-volume.json"
"""The file at the root of a volume that says which volume it is."""


def check_job_number(number: str) -> str:
    """Return a job number that every system can bear as a folder's name, else raise CallError W001."""
    if not _JOB.fullmatch(number) or number.casefold() in _RESERVED:
        raise CallError(
            "W001",
            f"{number!r} cannot be a job number: use letters, digits, dash and underscore, at most 40, such as 2611-04.",
        )
    return number


def print_frame(frame: int) -> str:
    """A frame's number as it is printed under every proof: at least four digits."""
    return f"{frame:04d}"


def counted(count: int, thing: str, things: str | None = None) -> str:
    """A number with its noun: "1 note", "2 notes"; `things` is the plural of one that takes no "s"."""
    return f"{count} {thing if count == 1 else things or thing + 's'}"


def new_volume_id() -> str:
    """A volume's id, made once for ever: `v-` and 16 hexadecimal digits."""
    return f"v-{secrets.token_hex(8)}"


def note_id(frame: int, person: str, region: str, instruction: str) -> str:
    """A note's id: a pure function of what was said, so that the same note said twice is one note."""
    digest = hashlib.sha256("\n".join((str(frame), person, region, instruction)).encode()).hexdigest()
    return f"n-{digest[:10]}"


def utc_now() -> str:
    """The time as the record writes it: RFC 3339, UTC, microseconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def parse_time(text: str) -> datetime:
    """A time of the record as an aware datetime."""
    return datetime.fromisoformat(text)
