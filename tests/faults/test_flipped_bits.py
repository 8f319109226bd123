"""One bit that flips, in each file that says something: which command says so, what mends it, and that nothing is lost.

Copies and entries: see test_rot.py. Here: the checkpoint, heads, the names of people, a volume's identity, and the card
itself, read a second time.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from glassine.flows import ingest, verify
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import read_studio
from glassine.schemas.errors import RecordError
from glassine.schemas.job_record import JobRecord, check_chain, read_heads
from glassine.schemas.manifest import CHECKPOINT, read_checkpoint
from glassine.schemas.people import People
from tests.faults.conftest import JOB
from tests.faults.small_world import BY, FILES, World, small_blocks


@pytest.fixture(scope="module", autouse=True)
def small_blocks_and_no_flow_engine() -> Iterator[None]:
    with small_blocks():
        yield


@pytest.fixture(scope="module")
def finished(empty_studio: Path, memory: Path) -> Path:
    """A studio with a job of which everything is on both volumes."""
    world = World(empty_studio, memory / "finished")
    world.put_on_card(list(FILES))
    assert world.run(world.open_job)
    assert world.run(world.ingest)
    return world.folder


@pytest.fixture
def world(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "world"))


def folders(world: Path) -> list[Path]:
    return [world / "volumes" / name / JOB for name in ("working", "backup")]


def run_verify(world: Path, *, repair: bool = False) -> dict[str, Any]:
    outcome: dict[str, Any] = verify.verify.fn(str(world / "studio"), JOB, BY, repair=repair)
    return outcome


def flip(path: Path, at: int, bit: int = 1) -> bytes:
    """Flip a bit of the byte at a place; the file as it is now."""
    content = bytearray(path.read_bytes())
    content[at] ^= bit
    path.write_bytes(content)
    return bytes(content)


@pytest.mark.parametrize("part", [0, 0.1, 0.3, 0.5, 0.7, 0.9])
def test_in_the_checkpoint(world: Path, part: float) -> None:
    """No command minds: it is not believed, is folded again from the entries, and written anew by the next."""
    folder = folders(world)[0]
    before = JobRecord(folder).manifest().document
    flip(folder / CHECKPOINT, int(part * (folder / CHECKPOINT).stat().st_size))
    assert read_checkpoint(folder) is None
    assert JobRecord(folder).manifest().document == before
    assert run_verify(world)["status"] == 0
    written = read_checkpoint(folder)
    assert written is not None
    assert written.head == JobRecord(folder).manifest().head


@pytest.mark.parametrize("volume", [0, 1])
def test_in_a_head(world: Path, volume: int) -> None:
    """No command minds, wherever the bit: a head that is not what its name says, or differs from the entry by one digit
    only, is damaged and passed over. No history is called forged for it; the next head is kept beside it."""
    path = max((folders(world)[volume] / "heads").glob("*.json"))
    whole = path.read_bytes()
    for at in range(len(whole)):
        flip(path, at, 1 << at % 8)
        heads = read_heads(folders(world)[volume] / "heads")
        assert check_chain(folders(world)[0], heads) == []
        path.write_bytes(whole)
    flip(path, whole.index(b'"sha256":"') + 60)
    outcome = run_verify(world)
    assert (outcome["status"], outcome["problems"]) == (0, [])
    assert max(read_heads(folders(world)[volume] / "heads")) == JobRecord(folders(world)[0]).manifest().head


def test_another_history_is_still_told_from_a_flipped_bit(world: Path) -> None:
    """A head whose digest is another one in more than a digit vouches for another history: R001."""
    path = max((folders(world)[1] / "heads").glob("*.json"))
    document = json.loads(path.read_bytes())
    document["sha256"] = document["sha256"][:8] + "0" * 56
    path.write_bytes(json.dumps(document).encode())
    with pytest.raises(RecordError) as told:
        run_verify(world)
    assert (told.value.code, told.value.exit_status) in {("R001", 1), ("R004", 1)}


@pytest.mark.parametrize("where", ["a name", "the salt", "an id", "a brace"])
def test_in_the_names_of_people(world: Path, where: str) -> None:
    """Every command that writes stops with R007, and changes nothing on the backup; `verify --repair` brings the file
    back from there and keeps the bad one aside."""
    own, mirrored = (folder / "people.json" for folder in folders(world))
    good = own.read_bytes()
    at = {
        "a name": good.index(b"Imre"),
        "the salt": good.index(b'"salt": "') + 12,
        "an id": good.index(b'"p-') + 5,
        "a brace": 0,
    }[where]
    bad = flip(own, at)
    for command in (run_verify, lambda world: OpenJob(read_studio(world / "studio"), JOB, BY)):
        with pytest.raises(RecordError, match="verify --repair") as told:
            command(world)
        assert told.value.code == "R007"
    assert (own.read_bytes(), mirrored.read_bytes()) == (bad, good)
    assert run_verify(world, repair=True)["status"] == 0
    assert (own.read_bytes(), mirrored.read_bytes()) == (good, good)
    (aside,) = (folders(world)[0] / "aside" / "record").iterdir()
    assert aside.read_bytes() == bad
    assert People(own).find(BY) is not None


@pytest.mark.parametrize("where", ["a name", "the salt", "an id", "a brace"])
def test_in_the_names_of_people_on_the_backup(world: Path, where: str) -> None:
    """The next command that writes puts the bad file aside there and writes the good one again."""
    own, mirrored = (folder / "people.json" for folder in folders(world))
    good = own.read_bytes()
    at = {
        "a name": good.index(b"Imre"),
        "the salt": good.index(b'"salt": "') + 12,
        "an id": good.index(b'"p-') + 5,
        "a brace": 0,
    }[where]
    bad = flip(mirrored, at)
    outcome = run_verify(world)
    assert (outcome["status"], outcome["problems"]) == (0, [])
    assert (own.read_bytes(), mirrored.read_bytes()) == (good, good)
    (aside,) = (folders(world)[1] / "aside" / "record").iterdir()
    assert aside.read_bytes() == bad


def test_in_every_copy_of_the_names_of_people(world: Path) -> None:
    """Nothing whole is left: it is said (R007), and none of the files is taken for whole, nor lost."""
    bad = [
        flip(folder / "people.json", (folder / "people.json").read_bytes().index(b"Imre")) for folder in folders(world)
    ]
    with pytest.raises(RecordError) as told:
        run_verify(world, repair=True)
    assert told.value.code == "R007"
    assert (folders(world)[1] / "people.json").read_bytes() == bad[1]
    (aside,) = (folders(world)[0] / "aside" / "record").iterdir()
    assert aside.read_bytes() == bad[0]


def test_in_the_identity_of_a_volume(world: Path) -> None:
    """In its id or its form: it counts as another disk or as damaged, which is told of, and nothing is written there
    until the file is put right by hand. Elsewhere (name, medium, site) it is a change like one by hand: a fact of the
    record, beside what was said before."""
    identity = world / "volumes" / "backup" / "glassine-volume.json"
    whole = identity.read_bytes()
    chain = [path.read_bytes() for path in sorted((folders(world)[0] / "record").iterdir())]
    for at in (0, whole.index(b'"volume": "') + 15, len(whole) - 3):
        flip(identity, at)
        outcome = run_verify(world)
        assert outcome["status"] == 3
        assert any(str(identity.parent) in problem for problem in outcome["problems"])
        identity.write_bytes(whole)
    assert run_verify(world)["status"] == 0
    flip(identity, whole.index(b'"site": "') + 10)
    assert run_verify(world)["status"] == 0
    assert [path.read_bytes() for path in sorted((folders(world)[0] / "record").iterdir())][: len(chain)] == chain


@pytest.mark.parametrize("name", ["100SIMUL/SIMU0001.DNG", "100SIMUL/SIMU0001.JPG", "NOTES.TXT"])
def test_on_the_card_after_it_was_read(world: Path, name: str) -> None:
    """The card is read again: the same name and size, other bytes. What was taken in first is left as it is; the new
    bytes are kept too, as a file of their own."""
    first = JobRecord(folders(world)[0]).manifest()
    known = {sha256 for sha256, _ in first.every_file()}
    bad = flip(world / "card" / name, 3)
    job = OpenJob(read_studio(world / "studio"), JOB, BY)
    tally = ingest.Tally()
    ingest.take_in(job, [world / "card"], None, tally)
    assert tally.problems + job.finish() == []
    after = JobRecord(folders(world)[0]).manifest()
    new = [holder for sha256, holder in after.every_file() if sha256 not in known]
    assert len(new) == 1
    for copy in new[0]["copies"]:
        folder = next(
            each for each in folders(world) if copy["volume"] in (each.parent / "glassine-volume.json").read_text()
        )
        assert (folder / copy["path"]).read_bytes() == bad
    for sha256, holder in first.every_file():
        kept = after.holder(sha256)
        assert kept is not None
        assert kept["copies"] == holder["copies"]
    assert run_verify(world)["status"] == 0
