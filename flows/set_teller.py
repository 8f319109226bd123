"""What is told on set while frames come in: a line a frame, and trouble at once, with the terminal's bell."""

from __future__ import annotations

import json
import sys
from contextlib import suppress
from typing import Any

from glassine.schemas.set_trouble import Trouble
from glassine.schemas.stage import Frame


class Teller:
    """Writes lines for a person, or JSON for a program; nobody who stops reading stops the taking in."""

    def __init__(self, *, as_json: bool) -> None:
        self._as_json = as_json
        self._standing: set[Trouble] = set()
        self._kinds_that_stand: set[str] = set()
        self.troubles: list[Trouble] = []

    def line(self, text: str, **data: Any) -> None:
        """Something that happened."""
        self._write(json.dumps(data, ensure_ascii=False) if self._as_json else text)

    def frame(self, frame: Frame, seconds: float, troubles: list[Trouble]) -> None:
        """A frame that is in custody and has its proof, so many seconds after the last write to its file."""
        words = [frame["number"], frame["name"]]
        if frame["set_up"]:
            words.append(frame["set_up"] + (f" {frame['arrangement']}" if frame["arrangement"] > 1 else ""))
        if frame["purpose"] != "picture":
            words.append(frame["purpose"].replace("_", " "))
        told = {name: frame[name] for name in ("name", "set_up", "arrangement", "purpose")}
        shown = frame["proof"]["path"] if frame["proof"] else None
        data = {"frame": frame["number"], **told, "proof": shown, "seconds": round(seconds, 3)}
        self.line("  ".join([*words, f"{seconds:.1f} s"]), **data, trouble=[one._asdict() for one in troubles])
        for trouble in troubles:
            self._ring(trouble)

    def trouble(self, trouble: Trouble) -> None:
        """Trouble that is not one frame's."""
        if self._as_json:
            self._write(json.dumps({"trouble": [trouble._asdict()]}, ensure_ascii=False))
        self._ring(trouble)

    def standing(self, kinds: set[str], troubles: list[Trouble]) -> None:
        """Trouble of these kinds that stands now: told when it begins, and again only after it went away."""
        self._kinds_that_stand |= kinds
        for trouble in troubles:
            if trouble not in self._standing:
                self.trouble(trouble)
        self._standing = {known for known in self._standing if known.kind not in kinds} | set(troubles)

    def past(self, trouble: Trouble) -> bool:
        """Whether trouble that stood for a while (a volume, the record) stands no more."""
        return trouble.kind in self._kinds_that_stand and trouble not in self._standing

    def _ring(self, trouble: Trouble) -> None:
        self.troubles.append(trouble)
        if self._as_json:
            return
        bell = "\a" if sys.stderr.isatty() else ""
        with suppress(OSError, ValueError):
            sys.stderr.write(f"{bell}  ! {trouble.sentence}\n")
            sys.stderr.flush()

    def _write(self, text: str) -> None:
        with suppress(OSError, ValueError):  # who reads, has gone
            sys.stdout.write(text + "\n")
            sys.stdout.flush()
