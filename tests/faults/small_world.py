"""A small job on two disks that a model watches, and what must hold of it at any moment."""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from glassine.flows import ingest, verify
from glassine.flows.job_sheet import open_new_job
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import read_studio
from glassine.schemas.durable_file import TEMPORARY_PREFIX
from glassine.schemas.entry import Head, entry_name
from glassine.schemas.errors import CallError
from glassine.schemas.job_record import JobRecord, check_chain, read_heads
from glassine.schemas.manifest import Manifest
from glassine.tasks.custody import source_file, store
from tests.faults.conftest import JOB, digest, originals_in, volume_at
from tests.faults.power_model import Computer, IsIdle, Loss

BY = "Imre Falk"
FILES = {
    "100SIMUL/SIMU0001.DNG": 1_500,
    "100SIMUL/SIMU0001.JPG": 700,
    "100SIMUL/SIMU0002.DNG": 1,
    "101SIMUL/SIMU0001.DNG": 600,
    "NOTES.TXT": 40,
}
"""What may come to be on the card: two frames of one name, a companion, and a file that is none."""
BLOCK = 512
NOTHING, EVERYTHING = Loss(0, 0), Loss(2**64 - 1, 2**64 - 1)


def plain_batches(name: str, work: Callable[[list[Any]], Any], batches: Any) -> Any:
    """Batches without the flow engine."""
    return (work(batch) for batch in batches)


@contextmanager
def small_blocks() -> Iterator[None]:
    """Files in several blocks, ingests in several entries, and no flow engine."""
    with pytest.MonkeyPatch.context() as patch:
        for module in (ingest, verify):
            patch.setattr(module, "run_batches", plain_batches)
            patch.setattr(module, "BATCH_BYTES", 1_000)
        for blocks in (source_file, store):
            patch.setattr(blocks, "BLOCK_BYTES", BLOCK)
        yield


class World:
    """A copy of the empty studio, the computer that works in it, and what it has said so far."""

    def __init__(
        self, template: Path, folder: Path, *, links: bool = True, is_idle: IsIdle = lambda call, path: False
    ) -> None:
        shutil.copytree(template, folder, dirs_exist_ok=True)
        self.folder = folder
        self.card = folder / "card"
        self.card.mkdir(exist_ok=True)
        self.roots = [folder / "volumes" / name for name in ("working", "backup")]
        self.job_folders = [root / JOB for root in self.roots]
        self.computer = Computer(self.roots, links=links, is_idle=is_idle)
        self.said = Head(0, "")
        """The head after the newest entry whose commit came back."""
        self.mirrored = 0
        """How many entries were on the backup when a command ended well."""
        self.rotten: set[str] = set()
        """Digests of what a flipped bit made of a copy."""

    def put_on_card(self, names: list[str]) -> None:
        for name in names:
            path = self.card / name
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(random.Random(name).randbytes(FILES[name]))

    def run(self, work: Callable[[], list[str]], stop_at: int | None = None) -> bool:
        """Do a piece of work; whether it came to its end, and then without any problem."""
        real = JobRecord.commit

        def commit(record: JobRecord, *words: Any, **named: Any) -> Manifest:
            manifest = real(record, *words, **named)
            self.said = max(self.said, manifest.head)
            return manifest

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(JobRecord, "commit", commit)
            problems = self.computer.run(work, stop_at)
        if problems is None:
            return False
        assert problems == [], problems
        self.mirrored = self.said.entry
        return True

    def open_job(self) -> list[str]:
        studio = read_studio(self.folder / "studio")
        try:
            outcome = open_new_job(studio, JOB, None, title="Makers", client="Sorrel Lane Instruments", by=BY)
        except CallError as error:
            if error.code != "W003":  # it was opened before the power went
                raise
            return OpenJob(studio, JOB, BY).finish()
        problems: list[str] = outcome["problems"]
        return problems

    def ingest(self, by: str = BY) -> list[str]:
        job = OpenJob(read_studio(self.folder / "studio"), JOB, by)
        tally = ingest.Tally()
        ingest.take_in(job, [self.card], None, tally)
        return tally.problems + job.finish()

    def repair(self) -> list[str]:
        outcome = verify.verify.fn(str(self.folder / "studio"), JOB, BY, repair=True)
        return [*outcome["problems"], *(bad["path"] for bad in outcome["bad"])]

    def flip(self, volume: int, which: int) -> None:
        """Flip a bit in a copy that the record knows; in none where the other one is not whole: a bit flips in one place."""
        record = JobRecord(self.job_folders[0])
        holders = [(sha256, holder["copies"]) for sha256, holder in record.manifest().every_file()]
        if not holders:
            return
        sha256, copies = holders[which % len(holders)]
        places = [self.locate(copy) for copy in copies]
        if len(places) < 2 or any(not path.exists() or digest(path.read_bytes()) != sha256 for path in places):
            return
        path = next(path for path in places if self.roots[volume] in path.parents)
        if path.stat().st_size:
            flipped = bytes([path.read_bytes()[0] ^ 1]) + path.read_bytes()[1:]
            path.write_bytes(flipped)
            node = self.computer.disks[volume].file(path)
            node.content = node.flushed = flipped
            self.rotten.add(digest(flipped))

    def locate(self, copy: dict[str, Any]) -> Path:
        """Where a copy of the manifest lies."""
        folder = next(each for each in self.job_folders if volume_at(each.parent) == copy["volume"])
        return folder / str(copy["path"])

    def rotten_places(self) -> list[Path]:
        """Copies that bear a bit that was flipped, and the name of an original."""
        files = [path for folder in self.job_folders for path in originals_in(folder)]
        return [path for path in files if digest(path.read_bytes()) in self.rotten]

    def cut_power(self, working: Loss, backup: Loss) -> None:
        self.computer.cut_power([working, backup])
        self.check()

    def check(self) -> Manifest | None:
        """What must hold at any moment, also after a cut."""
        working, backup = self.job_folders
        for folder in self.job_folders:
            for path in originals_in(folder):
                found = digest(path.read_bytes())
                said = path.name.split(".")[-2]  # 8 digits; more, where other content had that name
                assert found.startswith(said) or found in self.rotten, f"{path} holds wrong bytes"
        heads = [read_heads(folder / "heads") for folder in self.job_folders]
        assert check_chain(working, [head for each in heads for head in each]) == []
        own = {path.name: path.read_bytes() for path in (working / "record").glob("*.json")}
        for path in (backup / "record").glob("*.json"):
            assert own.get(path.name) == path.read_bytes(), f"{path} is on the backup alone, or another"
        for number in range(1, self.mirrored + 1):
            assert (backup / "record" / entry_name(number)).exists(), f"the backup lost entry {number}"
        if not own:
            assert self.said.entry == 0, "the record is gone"
            return None
        record = JobRecord(working)
        chain = [head for _, head in record.entries()]
        assert self.said in chain or not self.said.entry, f"entry {self.said.entry}, which was committed, is gone"
        manifest = record.manifest()
        people = json.loads((working / "people.json").read_text("utf-8"))["people"]
        assert {entry["by"] for entry, _ in record.entries()} <= set(people)
        for sha256, holder in manifest.every_file():
            for copy in holder["copies"]:
                if copy["outcome"] == "whole":
                    place = self.locate(copy)
                    assert place.exists(), f"an entry speaks of {place}, which is not there"
                    found = digest(place.read_bytes())
                    assert found == sha256 or found in self.rotten, f"an entry speaks of {place}, which is not whole"
        return manifest

    def complete(self) -> None:
        """Run everything to its end, and see that nothing is missing or too much."""
        assert self.run(self.open_job)
        assert self.run(self.ingest)
        assert self.run(self.repair)
        assert self.run(self.repair)  # the first may have gone on with a pass that was stopped before a bit flipped
        manifest = self.check()
        assert manifest is not None
        on_card = {digest(path.read_bytes()) for path in self.card.rglob("*") if path.is_file()}
        held = {sha256: holder for sha256, holder in manifest.every_file() if sha256 in on_card}
        assert set(held) == on_card
        for _, holder in manifest.every_file():
            assert {copy["volume"] for copy in holder["copies"]} == {volume_at(root) for root in self.roots}
            assert {copy["outcome"] for copy in holder["copies"]} == {"whole"}
        assert self.rotten_places() == []
        for folder in self.job_folders:
            named = {copy["path"] for holder in held.values() for copy in holder["copies"]}
            assert {path.relative_to(folder).as_posix() for path in originals_in(folder)} <= named
        left = [path for root in self.roots for path in root.rglob(f"{TEMPORARY_PREFIX}*")]
        assert left == [], left
        own, mirrored = (sorted((folder / "record").glob("*.json")) for folder in self.job_folders)
        assert [path.read_bytes() for path in own] == [path.read_bytes() for path in mirrored]
