"""A call on a disk that fails, whichever it is: full, read-only, unreadable, or gone midway.

Outcome, for every call by which an ingest changes files: the command ends with a sentence that names the volume (a
problem and exit status 3, or a VolumeError), what was said holds, no file is half under a finished name, and once the
disk is well the same command completes the work and leaves no temporary file.
"""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from glassine.schemas.errors import VolumeError
from tests.faults.small_world import FILES, World, small_blocks


@pytest.fixture(scope="module", autouse=True)
def small_blocks_and_no_flow_engine() -> Iterator[None]:
    with small_blocks():
        yield


@pytest.fixture(scope="module")
def begun(empty_studio: Path, memory: Path) -> Path:
    """A studio with a job open, and a card."""
    world = World(empty_studio, memory / "begun-failing")
    world.put_on_card(list(FILES))
    assert world.run(world.open_job)
    return world.folder


class FailingDisk:
    """From one call on, every call that changes what is on a disk fails; with `once`, that call alone."""

    def __init__(self, root: Path, number: int, first: int, *, once: bool) -> None:
        self.root = root
        self.number = number
        self.first = first
        self.once = once
        self.calls = 0

    def before_call(self, path: Path) -> None:
        if self.root == path or self.root in path.parents:
            self.calls += 1
            if self.calls == self.first or (self.calls > self.first and not self.once):
                raise OSError(self.number, os.strerror(self.number), str(path))


def ingest_on(disk: FailingDisk, world: World) -> list[str]:
    """An ingest while a disk fails: what it says."""
    world.computer.before_call = disk.before_call
    try:
        return world.computer.run(world.ingest) or []
    except VolumeError as error:
        assert (error.code, error.exit_status) == ("V003", 3)
        return [str(error)]
    finally:
        world.computer.before_call = lambda path: None


@pytest.mark.parametrize("volume", ["working", "backup"])
@pytest.mark.parametrize(
    ("number", "once"),
    [(errno.ENOSPC, False), (errno.EIO, False), (errno.EROFS, False), (errno.EIO, True)],
    ids=["full", "failing", "read-only", "one call fails"],
)
def test_every_call_that_may_fail(begun: Path, memory: Path, volume: str, number: int, once: bool) -> None:
    """The disk fails from one call on, each in turn (every third of them here)."""
    first = 1 + ("working", "backup").index(volume)
    while True:
        with tempfile.TemporaryDirectory(dir=memory) as folder:
            world = World(begun, Path(folder))
            disk = FailingDisk(world.folder / "volumes" / volume, number, first, once=once)
            said = ingest_on(disk, world)
            world.check()
            if disk.calls < first:
                assert said == []
                break
            if not once:
                assert said, f"call {first} failed and nothing was said"
                assert all(str(disk.root) in sentence for sentence in said if "not taken in" not in sentence), said
            world.complete()
        first += 3
