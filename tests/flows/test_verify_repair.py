"""Whatever became of three copies of each file, `verify --repair` loses no bytes, and mends all that can be mended."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.flows.job_sheet import open_new_job
from glassine.flows.studio import make_studio, read_studio
from glassine.schemas.job_record import JobRecord
from tests.flows.plain_verify import JOB, card_of, plain_verify, stop_plain_verify, take_in

VOLUMES = ("working", "backup", "vault")
State = st.sampled_from(["whole", "flipped", "short", "missing", "unreadable", "another's"])
States = st.tuples(*[st.tuples(State, State, State)] * 2)
"""What lies at each of the three places of each of two frames."""


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A studio with three volumes, and a job of two frames and a text file."""
    root = tmp_path_factory.mktemp("repair")
    studio = make_studio(root / "studio", [(name, f"../volumes/{name}") for name in VOLUMES])
    open_new_job(studio, JOB, None, title="Makers", client="Sorrel Lane Instruments", by="Imre Falk")
    take_in(studio, card_of(root / "card", 2))
    return root


def paths_in(world: Path) -> list[str]:
    frames = JobRecord(world / "volumes" / VOLUMES[0] / JOB).manifest().frames
    return [frame["path"] for frame in frames]


def put_into(world: Path, paths: list[str], contents: list[bytes], states: tuple[Any, ...]) -> None:
    """Bring each place into its state."""
    for index, (path, of_frame) in enumerate(zip(paths, states, strict=True)):
        for volume, state in zip(VOLUMES, of_frame, strict=True):
            place, good = world / "volumes" / volume / JOB / path, contents[index]
            if place.is_dir():
                shutil.rmtree(place)
            place.unlink(missing_ok=True)
            if state == "unreadable":  # a folder: reading it is an OSError, as reading a bad sector is
                place.mkdir()
                (place / "sector").write_bytes(volume.encode())
            elif state != "missing":
                flipped = bytes([good[0] ^ 1]) + good[1:]
                written = {"whole": good, "flipped": flipped, "short": good[:-1], "another's": contents[index - 1]}
                place.write_bytes(written[state])


def held(world: Path, volume: str) -> dict[str, str]:
    """Everything that bears a name under originals/ and aside/ of a volume, with its digest."""
    folder = world / "volumes" / volume / JOB
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for part in ("originals", "aside")
        for path in sorted((folder / part).rglob("*"))
        if path.is_file()
    }


@settings(max_examples=25)  # each runs the whole flow two or three times
@given(before=States, now=States, looked=st.sampled_from(["not at all", "wholly", "in part"]))
def test_no_bytes_are_lost_and_all_that_can_be_is_mended(
    world: Path, before: tuple[Any, ...], now: tuple[Any, ...], looked: str
) -> None:
    """`before` is what an earlier pass found, which was closed or stopped; `now` what is there when --repair runs."""
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder) / "world"
        shutil.copytree(world, here)
        studio = read_studio(here / "studio")
        paths = paths_in(here)
        contents = [(here / "volumes" / VOLUMES[0] / JOB / path).read_bytes() for path in paths]
        if looked != "not at all":
            put_into(here, paths, contents, before)
            if looked == "wholly":
                plain_verify(studio)
            else:
                stop_plain_verify(studio, after=4)
        put_into(here, paths, contents, now)
        there = {volume: held(here, volume) for volume in VOLUMES}

        outcome = plain_verify(studio, repair=True)
        for volume in VOLUMES:
            after = held(here, volume)
            kept = sorted(after.values())
            for digest in there[volume].values():
                assert digest in kept, "every byte string that was there is still there"
            for path, of_frame in zip(paths, now, strict=True):
                if of_frame[VOLUMES.index(volume)] == "whole":
                    assert after[path] == there[volume][path]
                if "whole" not in of_frame:
                    assert {name: digest for name, digest in after.items() if path in name} == {
                        name: digest for name, digest in there[volume].items() if path in name
                    }, "of what is lost nothing is touched"
        if looked == "in part":  # the pass goes on, and what it had read before is not read again
            outcome = plain_verify(studio, repair=True)
        for path, content, of_frame in zip(paths, contents, now, strict=True):
            good = hashlib.sha256(content).hexdigest()
            whole = [held(here, volume).get(path) == good for volume in VOLUMES]
            assert all(whole) if "whole" in of_frame else not any(whole)
            assert (good in outcome["lost"]) == ("whole" not in of_frame)
        assert outcome["status"] == (0 if all("whole" in of_frame for of_frame in now) else 1)
        assert list(here.rglob(".glassine-*")) == []


def test_a_backup_that_cannot_be_read_holds_up_no_other(
    world: Path, tmp_path: Path, make_unreadable: Callable[[Path], None]
) -> None:
    shutil.copytree(world, tmp_path / "world")
    volumes = tmp_path / "world" / "volumes"
    make_unreadable(volumes / "backup" / JOB / "record")
    studio = read_studio(tmp_path / "world" / "studio")
    outcome = plain_verify(studio)
    assert (outcome["status"], outcome["bad"]) == (3, [])
    (problem,) = outcome["problems"]
    assert problem.startswith("Volume backup at ")
    assert "cannot be read" in problem
    entry = volumes / "vault" / JOB / "record" / "00000003.json"
    entry.write_bytes(entry.read_bytes().replace(b"2", b"3", 1))
    outcome = plain_verify(studio)
    assert (outcome["status"], len(outcome["chain_faults"])) == (1, 1)
    assert "Entry 3 of the record differs on volume vault" in outcome["chain_faults"][0]
    outcome = plain_verify(studio, repair=True)
    assert (outcome["status"], outcome["mended"]) == (3, ["vault: record/00000003.json"])


def test_what_was_found_is_said_then_what_is_left(world: Path, tmp_path: Path) -> None:
    shutil.copytree(world, tmp_path / "world")
    first, second = paths_in(tmp_path / "world")
    folder = tmp_path / "world" / "volumes"
    good = (folder / "backup" / JOB / first).read_bytes()
    (folder / "backup" / JOB / first).write_bytes(good[:-1])
    (folder / "working" / JOB / second).unlink()
    outcome = plain_verify(read_studio(tmp_path / "world" / "studio"), repair=True)
    assert outcome["said"][0].endswith(" copies read now, 2 missing or different.")
    assert [line for line in outcome["said"] if "ended" in line or "mending" in line] == [
        f"Mended from a whole copy: backup: {first} (the bad file is kept under aside/).",
        f"Mended from a whole copy: working: {second}.",
        "Left after mending: 0 missing or different.",
    ]
    assert (outcome["found"], outcome["bad"], outcome["status"]) == (2, [], 0)
