"""Files that landed, put together as they belong: an original with the companions that came before or after it."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

from glassine.flows.arrival import Arrival, Intake
from glassine.schemas.errors import VolumeError
from glassine.tasks.custody.card_walk import (
    PICTURE_ENDINGS,
    RAW_ENDINGS,
    FoundFile,
    FoundGroup,
    pair_companions,
    printable_name,
    stem_of,
)
from glassine.tasks.custody.landing import Landing, is_under_way

COMPANION_SECONDS = 2.0
"""A file that may go with a raw which is not there yet waits so long for it: a camera sends both within a second or two."""
GROUPS_A_BATCH = 6
"""Taken in at once, so that what lands meanwhile waits for no more: at 24 megapixels a second or two."""
_LOOK_AGAIN_SECONDS = 0.2


@dataclass
class Gathered:
    """A group to be taken in. `in_custody`: its original is already, with that digest."""

    group: FoundGroup
    in_custody: str | None = None

    def copy(self, custody: Intake) -> tuple[list[Arrival], list[str]]:
        """Bring it into custody; an original that is there already is not read again."""
        original = self.group.original
        if original is None or self.in_custody is None:
            return custody.copy_group(self.group)
        known = Arrival(original, "original", self.in_custody, original.size, [])
        arrivals, problems = custody.copy_group(FoundGroup(None, self.group.companions))
        return [known, *arrivals], problems


@dataclass
class ArrivedFiles:
    """The files of a watched folder that have landed, and those of them that wait for what they go with."""

    folder: Path
    held: dict[Path, float] = field(default_factory=dict)
    """Files that were not taken in yet, and until when (a steady clock) they wait for an original."""
    has_more: bool = False
    """Whether the last gathering left some that need not wait."""
    _landings: dict[Path, Landing] = field(default_factory=dict)
    _found: dict[Path, FoundFile] = field(default_factory=dict)
    _in_custody: dict[Path, tuple[tuple[int, int], str]] = field(default_factory=dict)
    _has_raws: bool | None = None

    def add(self, landing: Landing, now: float) -> None:
        """A file has landed."""
        self._landings[landing.path] = landing
        self._found[landing.path] = self._as_found(landing)
        self._has_raws = self._has_raws or _ending(landing.path) in RAW_ENDINGS or self._has_raws
        self.held[landing.path] = now + COMPANION_SECONDS

    def next_deadline(self) -> float:
        """When the first of those that wait is not to wait any more."""
        return min(self.held.values())

    def gather(self, now: float, *, hurry: bool) -> list[Gathered]:
        """The groups that can be taken in now; with `hurry` nothing waits any more."""
        gathered: dict[Path, Gathered] = {}
        self.has_more = False
        for path in sorted(self.held, key=lambda path: self._landings[path].landed_at):
            group = self._group_of(path)
            if group is None:  # its original is landing
                self.held[path] = max(self.held[path], now + _LOOK_AGAIN_SECONDS)
                continue
            if not hurry and now < self.held[path] and self._waits(path, group):
                continue
            key = group.files[0].path
            if len(gathered) == GROUPS_A_BATCH and key not in gathered:
                self.has_more = True
                break
            known = self._in_custody.get(key)
            is_known = known is not None and key not in self.held and known[0] == self._landings[key].version
            gathered[key] = Gathered(group, known[1] if known and is_known else None)
        for one in gathered.values():
            for file in one.group.files:
                self.held.pop(file.path, None)
        return list(gathered.values())

    def put_back(self, groups: list[Gathered]) -> None:
        """Groups that were not taken in are gathered again."""
        for gathered in groups:
            for file in gathered.group.files:
                if self._in_custody.get(file.path, (None,))[0] != self._landings[file.path].version:
                    self.held[file.path] = 0.0

    def settle(self, gathered: Gathered, arrivals: list[Arrival]) -> None:
        """What of a group is in custody now."""
        for arrival in arrivals:
            self._in_custody[arrival.file.path] = (self._landings[arrival.file.path].version, arrival.sha256)
        if gathered.group.original and self._has_raws is None:
            self._has_raws = _ending(gathered.group.original.path) in RAW_ENDINGS

    def landing(self, path: Path) -> Landing:
        """How a file landed."""
        return self._landings[path]

    def landed_at(self, path: Path) -> float:
        """When a file landed, seconds since 1970."""
        return self._landings[path].landed_at

    def _waits(self, path: Path, group: FoundGroup) -> bool:
        """Whether a file may belong to a raw that is still to come."""
        if group.original is None:
            return True
        return group.original.path == path and _ending(path) not in RAW_ENDINGS and self._has_raws is not False

    def _group_of(self, path: Path) -> FoundGroup | None:
        """The group of a file, of those that have landed; None while its original is still landing."""
        base = stem_of(path.name)
        if base.rpartition(".")[2].lower() in RAW_ENDINGS | set(PICTURE_ENDINGS):  # NAME.EXT.xmp
            base = stem_of(base)
        siblings = {path}
        try:
            for other in path.parent.iterdir():
                if _fold(other.name).startswith(_fold(base) + ".") and not is_under_way(other.name):
                    siblings.add(other)
        except OSError as error:
            raise VolumeError("V004", f"{path.parent} cannot be read ({error.strerror}): connect it again.") from error
        landed = [self._found.get(other) or self._unlanded(other) for other in sorted(siblings)]
        for group in pair_companions(landed):
            if any(file.path == path for file in group.files):
                if group.original and group.original.path not in self._found:
                    return None
                companions = [file for file in group.companions if file.path in self._found]
                return FoundGroup(group.original, companions, [f for f in group.strays if f.path in self._found])
        return None

    def _as_found(self, landing: Landing) -> FoundFile:
        parts = [printable_name(part) for part in (self.folder.name, *landing.path.relative_to(self.folder).parts)]
        source = "/".join(parts)
        return FoundFile(landing.path, parts[-1], parts[-2], source[-2000:], landing.size, landing.modified_ns)

    def _unlanded(self, path: Path) -> FoundFile:
        return FoundFile(path, printable_name(path.name), "", "", -1, -1)


def _ending(path: Path) -> str:
    return path.suffix.lower().removeprefix(".")


def _fold(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()
