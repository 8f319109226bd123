"""What is looked at again and again on set: gaps in the counters, copies that are lacking, room on the volumes."""

from __future__ import annotations

import time
from contextlib import suppress

from glassine.flows.open_job import OpenJob
from glassine.flows.set_teller import Teller
from glassine.schemas.exposure import Gap, counter_gaps
from glassine.schemas.identifiers import counted
from glassine.schemas.manifest import Manifest
from glassine.schemas.set_trouble import Trouble, gap_trouble

GAP_SECONDS = 3.0
"""A number may be missing for so long: in a burst a later exposure can be done with before an earlier one."""
ROOM_FRAMES = 100
"""A volume with room for fewer frames than that is told of: about a quarter of an hour of a quick shoot (own choice)."""
_ROOM_EVERY_SECONDS = 20.0
_USUAL_BYTES = 50_000_000
"""Of a frame, before any is known: 24 megapixels at 16 bits."""


class SetChecks:
    """What was told already is told again only after it went away; gaps from before the session are not told."""

    def __init__(self, job: OpenJob, teller: Teller) -> None:
        self._job = job
        self._teller = teller
        self._told_gaps = counter_gaps(job.manifest.frames)
        self._room_at = 0.0
        self.gaps: dict[Gap, float] = {}
        """Gaps that may yet be filled, and since when (a steady clock) they are there."""

    def deadlines(self) -> list[float]:
        """When to look at the gaps again."""
        return [since + GAP_SECONDS for since in self.gaps.values()]

    def find_gaps(self, manifest: Manifest) -> None:
        """Look for new gaps, after frames came in."""
        now = time.monotonic()
        found = [gap for gap in counter_gaps(manifest.frames) if not any(_is_within(gap, t) for t in self._told_gaps)]
        self.gaps = {gap: self.gaps.get(gap, now) for gap in found}

    def tell_gaps(self) -> None:
        """Tell of the numbers that have been missing for a while."""
        now = time.monotonic()
        for gap in [gap for gap, since in self.gaps.items() if now - since >= GAP_SECONDS]:
            del self.gaps[gap]
            self._told_gaps.append(gap)
            self._teller.trouble(gap_trouble(gap))

    def check_copies(self, manifest: Manifest) -> None:
        """Whether the newest frame has a copy on every volume of the studio."""
        wanted = len(self._job.studio.settings["volumes"])
        there = len(manifest.frames[-1]["copies"]) if manifest.frames else wanted
        short = f"New frames have {counted(there, 'copy', 'copies')}, not {wanted}: do not format the camera's card."
        self._teller.standing({"copies"}, [Trouble("copies", short)] if there < wanted else [])

    def check_room(self) -> None:
        """Whether every volume has room for some more frames; looked at now and then."""
        if time.monotonic() < self._room_at:
            return
        self._room_at = time.monotonic() + _ROOM_EVERY_SECONDS
        sizes = [frame["size"] for frame in self._job.manifest.frames[-ROOM_FRAMES:]]
        usual = sum(sizes) / len(sizes) if sizes else _USUAL_BYTES
        troubles = []
        for volume in self._job.volumes:
            with suppress(OSError):
                free = volume.store.free_bytes()
                if free is not None and free < ROOM_FRAMES * usual:
                    sentence = f"Volume {volume.name} has room for fewer than {ROOM_FRAMES} more frames: free some."
                    troubles.append(Trouble("room", sentence))
        self._teller.standing({"room"}, troubles)


def _is_within(gap: Gap, told: Gap) -> bool:
    """Whether a gap is part of one that was told."""
    return gap.serial == told.serial and told.first <= gap.first and gap.last <= told.last
