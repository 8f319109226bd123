"""Files that arrive: into custody, group by group, by several threads at once; and the facts that they are."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from glassine.flows.open_job import OpenJob
from glassine.schemas.errors import VolumeError
from glassine.schemas.manifest import Manifest
from glassine.tasks.custody.card_walk import FoundFile, FoundGroup
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.original_name import original_path
from glassine.tasks.custody.replication import PlacedCopy, replicate
from glassine.tasks.custody.source_file import SourceFile

Fact = dict[str, Any]


@dataclass
class Arrival:
    """One file of a source, in custody: what it is to its frame, its digest, and the copies that were placed."""

    file: FoundFile
    role: str
    sha256: str
    size: int
    copies: list[PlacedCopy]


class Intake:
    """A batch under way: what was in custody when it began, and what it brought in since; several threads share it."""

    def __init__(self, job: OpenJob, manifest: Manifest, on_bytes: Callable[[int], None]) -> None:
        self.job = job
        self.on_bytes = on_bytes
        # What was lost on every volume is not known: the card may still have it.
        self.known = {
            sha256
            for sha256, holder in manifest.every_file()
            if not holder["copies"] or any(copy["outcome"] == "whole" for copy in holder["copies"])
        }
        self.names = known_names(manifest)
        self._placing: dict[str, threading.Thread] = {}
        self._changed = threading.Condition()

    def copy_group(self, group: FoundGroup) -> tuple[list[Arrival], list[str]]:
        """Bring one group into custody; a file that cannot be read is told of, and the others go on."""
        arrivals: list[Arrival] = []
        problems: list[str] = []
        for file in group.files:
            role = "original" if file is group.original else "companion" if file in group.companions else "stray"
            try:
                arrivals.append(self._copy_file(file, role, problems))
            except VolumeError as error:
                problems.append(str(error))
                if role == "original":
                    break  # its companions wait for it
        return arrivals, problems

    def _copy_file(self, file: FoundFile, role: str, problems: list[str]) -> Arrival:
        if (file.name, file.size) in self.names:  # most likely this very file: read it once, without writing
            try:
                sha256 = hash_file(file.path)
            except OSError as error:
                raise VolumeError(
                    "V004",
                    f"{file.path} cannot be read ({error.strerror}) and was not taken in: try another reader or cable, and run the same command again.",
                ) from error
            if sha256 in self.known:
                self.on_bytes(file.size)
                return Arrival(file, role, sha256, file.size, [])
        try:
            replica = replicate(
                SourceFile(file.path),
                self.job.number,
                self.job.volumes,
                lambda sha256: original_path(file, sha256),
                is_known=self._is_known,
                on_bytes=self.on_bytes,
            )
            problems += [str(failure) for failure in replica.failures]
            if not replica.copies and replica.sha256 not in self.known:
                raise VolumeError(
                    "V003",
                    f"{file.source} was not taken in, since no volume took a copy of it: see what each volume says, and run the same command again.",
                )
            with self._changed:
                self.known.add(replica.sha256)
        finally:
            self._let_go()
        return Arrival(file, role, replica.sha256, replica.size, replica.copies)

    def _is_known(self, sha256: str) -> bool:
        """Whether content is in custody; when another thread is just placing the same, what came of that."""
        with self._changed:
            while sha256 not in self.known and sha256 in self._placing:
                self._changed.wait()
            if sha256 not in self.known:
                self._placing[sha256] = threading.current_thread()
            return sha256 in self.known

    def _let_go(self) -> None:
        """This thread places nothing any more."""
        with self._changed:
            own = threading.current_thread()
            self._placing = {sha256: thread for sha256, thread in self._placing.items() if thread is not own}
            self._changed.notify_all()


def known_names(manifest: Manifest) -> set[tuple[str, int]]:
    """Name and size of every file that came from a camera: one that has both is most likely known."""
    files = [*manifest.frames, *(file for frame in manifest.frames for file in frame["companions"])]
    return {(file["name"], file["size"]) for file in (*files, *manifest.document["strays"])}


def arrival_facts(
    manifest: Manifest,
    groups: list[list[Arrival]],
    set_up: str | None,
    more: Callable[[int, Arrival], Iterable[Fact]] = lambda frame, arrival: (),
) -> Iterator[Fact]:
    """What a batch of arrivals means on this state of the job: new frames, companions, strays, or content seen again.

    `more` gives further facts of a new frame, from its number and its arrival.
    """
    numbers = {frame["sha256"]: frame["frame"] for frame in manifest.frames}
    # Of two files of the same bytes, the later one may have been placed: its name is the one on the volumes.
    placed = {found.sha256: found.copies[0].path for arrivals in groups for found in arrivals if found.copies}
    known = {sha256 for sha256, _ in manifest.every_file()}
    for arrivals in groups:
        owner: int | None = None
        for arrival in arrivals:
            common = _common_fields(arrival, placed)
            if arrival.role == "original" and arrival.sha256 not in known:
                number = max(numbers.values(), default=0) + 1
                numbers[arrival.sha256] = number
                yield {"kind": "frame", "frame": number, **common, "folder": arrival.file.folder}
                if set_up:
                    yield {"kind": "set_up", "frame": number, "revision": 1, "set_up": set_up}
                yield from more(number, arrival)
            elif arrival.role == "companion" and owner is not None:
                yield {"kind": "companion", "frame": owner, **common}
            elif arrival.sha256 not in known:
                yield {"kind": "stray", **common, "reason": "not a picture format that glassine knows"}
            known.add(arrival.sha256)
            yield {"kind": "seen", "sha256": arrival.sha256, "source": common["source"]}
            for copy in arrival.copies:
                yield _copy_fact(manifest, arrival.sha256, copy)
            if arrival.role == "original":
                owner = numbers.get(arrival.sha256)


def _copy_fact(manifest: Manifest, sha256: str, copy: PlacedCopy) -> Fact:
    """A new copy, or the mending of one that was found missing or different at that very place."""
    holder = manifest.holder(sha256)
    for known in holder["copies"] if holder else []:
        if (known["volume"], known["path"]) == (copy.volume, copy.path) and known["outcome"] != "whole":
            number = manifest.document["passes"]["opened"]
            place = {"sha256": sha256, "volume": copy.volume, "path": copy.path}
            return {"kind": "repair", **place, "pass": number, "from_volume": None, "aside": None}
    return copy.as_fact(sha256)


def _common_fields(arrival: Arrival, placed: dict[str, str]) -> Fact:
    file = arrival.file
    path = placed.get(arrival.sha256) or original_path(file, arrival.sha256)
    return {"sha256": arrival.sha256, "size": arrival.size, "name": file.name, "path": path, "source": file.source}
