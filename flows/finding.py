"""What one check of the doctor found."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from glassine.schemas.errors import NOT_RIGHT, WORLD_IN_THE_WAY, GlassineError
from glassine.schemas.validation import Document


@dataclass(frozen=True)
class Finding:
    """One line: what was looked at, what was found, and what to do.

    `level` is "ok"; "mind" where work goes on, at a risk; or "wrong", with the exit status that it makes.
    """

    level: Literal["ok", "mind", "wrong"]
    what: str
    found: str
    do: str = ""
    status: int = 0

    def line(self) -> str:
        """The finding for a person."""
        advice = f" - {self.do}" if self.do else ""
        return f"{self.level:<5}  {self.what}: {self.found}{advice}"

    def as_document(self) -> Document:
        """The finding for a program."""
        return {"level": self.level, "what": self.what, "found": self.found, "do": self.do, "status": self.status}


def ok(what: str, found: str, do: str = "") -> Finding:
    """All is well with it."""
    return Finding("ok", what, found, do)


def mind(what: str, found: str, do: str) -> Finding:
    """Work goes on, but this is a risk."""
    return Finding("mind", what, found, do)


def wrong(what: str, found: str, do: str, status: int = WORLD_IN_THE_WAY) -> Finding:
    """Some command will stop at this."""
    return Finding("wrong", what, found, do, status)


def wrong_by(what: str, error: GlassineError) -> Finding:
    """What a command would stop at, in the words that it would say; they say what to do, too."""
    return Finding("wrong", what, error.sentence, "", error.exit_status)


def exit_status(findings: Iterable[Finding]) -> int:
    """What is not right (1) goes before what may pass (3), and that before wrong words (2); 0 where nothing is wrong."""
    statuses = {finding.status for finding in findings}
    return NOT_RIGHT if NOT_RIGHT in statuses else max(statuses, default=0)
