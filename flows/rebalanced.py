"""What a change of balance does to a job's pictures: which are due again, and which keep what they have."""

from __future__ import annotations

from dataclasses import dataclass

from glassine.schemas.balance import MOST_STOPS, is_rendered, whole_stops
from glassine.schemas.errors import CallError
from glassine.schemas.identifiers import counted
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, current_round, round_state
from glassine.schemas.validation import Document


@dataclass(frozen=True)
class Standing:
    """Balance and current finals of each frame at one moment."""

    balances: dict[int, Document | None]
    finals: dict[int, list[str]]

    @classmethod
    def of(cls, manifest: Manifest) -> Standing:
        """How they stand now."""
        return cls(
            {frame["frame"]: frame["balance"] for frame in manifest.frames},
            {frame["frame"]: _current(frame) for frame in manifest.frames},
        )

    def changed(self, manifest: Manifest) -> list[Frame]:
        """The frames whose balance is another since."""
        return [frame for frame in manifest.frames if frame["balance"] != self.balances.get(frame["frame"])]

    def say(self, manifest: Manifest) -> list[str]:
        """What the change did, in sentences; none when it did nothing."""
        changed = self.changed(manifest)
        if not changed:
            return []
        said = [f"{counted(len(changed), 'frame gets', 'frames get')} it."]
        if any(frame["proof"] is None for frame in changed):
            said.append(f"`glassine proof {manifest.job}` makes their proofs again.")
        void = [frame["number"] for frame in changed if set(self.finals.get(frame["frame"], [])) - set(_current(frame))]
        said += _naming(void, "The finals of {} are due again, and are to be signed off again.")
        gone = [frame["number"] for frame in changed if frame["number"] in void and frame["deliveries"]]
        said += _naming(gone, "Delivered as they were before: {}.")
        states = {frame["number"]: round_state(found) for frame in changed if (found := current_round(frame))}
        briefed = [number for number, state in states.items() if state == "briefed"]
        said += _naming(
            briefed, "Briefed and not handed out: {}. The same `glassine retouch brief` makes the base file again."
        )
        others = [number for number in states if number not in briefed]
        said += _naming(others, "With a retoucher, or back: {}. Their base files keep the balance they were made with.")
        brighter = [frame["number"] for frame in changed if (frame["balance"] or {"stops": 0})["stops"] > 0]
        said += _naming(brighter, "A base file of {} clips what its stops lift over white; proofs and finals keep it.")
        return said


def check_stops(before: Manifest, after: Manifest) -> None:
    """Refuse a change that moves a frame by more than `MOST_STOPS`, its set-up's and its own together: CallError W001."""
    for frame in after.frames:
        stops = whole_stops(after.document["balances"], frame)
        was = whole_stops(before.document["balances"], before.frame(frame["frame"]))
        if abs(stops) > MOST_STOPS and stops != was:
            raise CallError(
                "W001",
                f"Frame {frame['number']} would be moved by {stops:+g} stops in all, its set-up's and its own: {MOST_STOPS:g} is the most.",
            )


def say_rendered(frames: list[Frame], multipliers: list[float] | None) -> list[str]:
    """That a white balance does nothing to frames that are no raws."""
    rendered = [frame["number"] for frame in frames if multipliers and is_rendered(frame)]
    return _naming(rendered, "No raw, so that its white balance stays: {}.")


def _current(frame: Frame) -> list[str]:
    return [final["sha256"] for final in frame["finals"] if not final["stale"]]


def _naming(numbers: list[str], sentence: str) -> list[str]:
    return [sentence.format(", ".join(numbers))] if numbers else []
