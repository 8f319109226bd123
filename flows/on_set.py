"""What is on set: the set-up, its arrangement and the purpose that the next frames get; and how it is changed.

It is a fact of the job, so that one terminal may say it while another takes frames in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.entry import entry_name, parse_entry
from glassine.schemas.errors import CallError
from glassine.schemas.identifiers import parse_time, print_frame
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

Fact = dict[str, Any]
PURPOSES = {"picture": "pictures", "test": "tests", "grey_card": "grey cards"}
"""What frames are taken for, and how one speaks of them."""


@dataclass(frozen=True)
class OnSet:
    """What the frames that come next are."""

    set_up: str | None
    arrangement: int = 1
    purpose: str = "picture"

    def __str__(self) -> str:
        return f"{self.set_up or 'no set-up'}, arrangement {self.arrangement}, {PURPOSES[self.purpose]}"

    def facts_of(self, frame: int) -> list[Fact]:
        """What a new frame gets by it."""
        facts: list[Fact] = []
        if self.set_up:
            moved = {"arrangement": self.arrangement} if self.arrangement > 1 else {}
            facts.append({"kind": "set_up", "frame": frame, "revision": 1, "set_up": self.set_up, **moved})
        if self.purpose != "picture":
            facts.append({"kind": "purpose", "frame": frame, "revision": 1, "purpose": self.purpose})
        return facts


def on_set_now(manifest: Manifest) -> OnSet:
    """What is on set; before anybody said it, the job sheet's only set-up."""
    said = manifest.document["on_set"]
    if said:
        return OnSet(said["set_up"], said["arrangement"], said["purpose"])
    known = set_ups_of(manifest)
    return OnSet(known[0] if len(known) == 1 else None)


def set_ups_of(manifest: Manifest) -> list[str]:
    """The names of the job sheet's set-ups, in its order."""
    return [set_up["name"] for set_up in manifest.sheet.get("set_ups", [])]


def go_to(manifest: Manifest, before: OnSet, set_up: str) -> OnSet:
    """Go to a set-up, as its lights stood last; the next frames are pictures.

    Raises
    ------
    CallError
        W002: the job sheet has no such set-up.
    """
    check_set_up(manifest, set_up)
    return OnSet(set_up, newest_arrangement(manifest, before, set_up))


def next_set_up(manifest: Manifest, before: OnSet) -> OnSet:
    """Go to the set-up that follows in the job sheet.

    Raises
    ------
    CallError
        W002: there is none.
    """
    known = set_ups_of(manifest)
    place = known.index(before.set_up) + 1 if before.set_up in known else 0
    if place >= len(known):
        why = f"{before.set_up} is the job sheet's last set-up" if known else "The job sheet names no set-up"
        raise CallError("W002", f"{why}: write the next into job.json, or name one with `glassine on-set`.")
    return go_to(manifest, before, known[place])


def move_light(manifest: Manifest, before: OnSet) -> OnSet:
    """A light was moved: the next arrangement of the same set-up."""
    return replace(before, arrangement=newest_arrangement(manifest, before, before.set_up) + 1)


def newest_arrangement(manifest: Manifest, now: OnSet, set_up: str | None) -> int:
    """The arrangement in which a set-up stood last."""
    known: list[int] = [frame["arrangement"] for frame in manifest.frames if frame["set_up"] == set_up]
    return max([1, *known, *([now.arrangement] if now.set_up == set_up else [])])


def check_set_up(manifest: Manifest, set_up: str) -> None:
    """Raise CallError W002 for a set-up that the job sheet does not have."""
    known = set_ups_of(manifest)
    if set_up not in known:
        names = ", ".join(known) or "none"
        raise CallError("W002", f"The job sheet has no set-up {set_up!r} (known: {names}): write it into job.json.")


def say_on_set(job: OpenJob, wanted: OnSet) -> None:
    """Commit what the next frames are, unless it is so already."""

    def propose(manifest: Manifest) -> list[Fact]:
        known = manifest.document["on_set"]
        if known and on_set_now(manifest) == wanted:
            return []
        return [{"kind": "on_set", "revision": known["revision"] + 1 if known else 1, **asdict(wanted)}]

    job.commit("on-set", propose)


def on_set(
    studio: Studio, number: str, *, set_up: str | None, moved: bool, purpose: str | None, by: str | None
) -> Document:
    """Say what the next frames are; without any word, tell what is on set now."""
    if set_up is None and not moved and purpose is None:
        now = on_set_now(JobRecord(studio.job_folder(number)).manifest())
        return summary([f"On set: {now}."], [], job=number, **asdict(now))
    job = OpenJob(studio, number, by)
    wanted = on_set_now(job.manifest)
    wanted = go_to(job.manifest, wanted, set_up) if set_up is not None else wanted
    wanted = move_light(job.manifest, wanted) if moved else wanted
    wanted = replace(wanted, purpose=purpose) if purpose else wanted
    say_on_set(job, wanted)
    return summary([f"On set: {wanted}."], job.finish(), job=number, **asdict(wanted))


def assign_purpose(studio: Studio, number: str, purpose: str, frames: Sequence[int], by: str | None) -> Document:
    """Correct what frames were taken for, as a new fact."""
    job = OpenJob(studio, number, by)

    def propose(manifest: Manifest) -> list[Fact]:
        return [
            {"kind": "purpose", "frame": frame["frame"], "revision": frame["purpose_revision"] + 1, "purpose": purpose}
            for frame in map(manifest.frame, frames)
            if frame["purpose"] != purpose
        ]

    job.commit("purpose", propose)
    numbers = ", ".join(print_frame(frame) for frame in frames)
    return summary([f"{PURPOSES[purpose].capitalize()}: {numbers}."], job.finish(), job=number, purpose=purpose)


class OnSetHistory:
    """What was on set when: a frame belongs to the set-up that stood when its file landed, not when it was taken in."""

    def __init__(self, record: JobRecord, default: OnSet) -> None:
        self._record = record
        self._default = default
        self._said: list[tuple[float, OnSet]] = []
        self._revision = 0
        self._read = 0

    def refresh(self) -> None:
        """Read what has been said since, here or at another terminal."""
        while True:
            path = self._record.record_folder / entry_name(self._read + 1)
            try:
                content = path.read_bytes()
            except OSError:
                return
            self._read += 1
            entry = parse_entry(content, self._read, label=str(path))
            for fact in entry["facts"]:
                if fact["kind"] == "on_set" and fact["revision"] > self._revision:
                    self._revision = fact["revision"]
                    said = OnSet(fact["set_up"], fact["arrangement"], fact["purpose"])
                    self._said.append((parse_time(entry["at"]).timestamp(), said))

    def note(self, moment: float, said: OnSet, revision: int) -> None:
        """Something was said here at a moment (seconds since 1970), and bears this revision in the record."""
        self.refresh()
        self._said = [*self._said[:-1], (moment, said)] if self._revision == revision else self._said

    def at(self, moment: float) -> OnSet:
        """What was on set at a moment, seconds since 1970."""
        return next((said for since, said in reversed(self._said) if since <= moment), self._default)
