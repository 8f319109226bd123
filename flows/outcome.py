"""What a command comes back with: sentences for a person, facts for a program, and an exit status."""

from __future__ import annotations

import json
from typing import Any

from glassine.schemas.errors import NOT_RIGHT, WORLD_IN_THE_WAY, GlassineError
from glassine.schemas.validation import Document


def summary(said: list[str], problems: list[str], *, status: int = 0, **data: Any) -> Document:
    """What a flow returns: sentences for a person, facts for a program, and the exit status.

    A problem that many files met, a full disk for one, is told once.
    """
    problems = list(dict.fromkeys(problems))
    status = status or (WORLD_IN_THE_WAY if problems else 0)
    return {"ok": status == 0, "status": status, "said": said, "problems": problems, **data}


def merge(found: list[Document]) -> Document:
    """The outcomes of several jobs as one; what is not right (1) goes before what may pass (3)."""
    statuses = {one["status"] for one in found} - {0}
    status = NOT_RIGHT if NOT_RIGHT in statuses else max(statuses, default=0)
    said = [line for one in found for line in one["said"]] or ["No job yet."]
    problems = [line for one in found for line in one["problems"]]
    return {"ok": status == 0, "status": status, "said": said, "problems": problems, "jobs": found}


def failure(error: GlassineError) -> Document:
    """The one shape of an error for a program."""
    errors = error.details or [error.sentence]
    return {"ok": False, "error": error.code, "sentence": error.sentence, "errors": errors, "status": error.exit_status}


def pretty_json(document: Document) -> bytes:
    """A document as people read and edit it."""
    return (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()
