"""Power cuts, by model: whatever the disks come back with, nothing is half, nothing that was said is lost, work goes on.

`power_model` says what may be lost. After each cut: a file under a finished name has the bytes that its name says;
entries are whole and chained; a head names an entry that is there; no entry speaks of a copy that is not there whole,
on the volume that it names; every entry that was committed is there, and with it the names of people. The next run
completes the work, and leaves no temporary file.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from glassine.flows.open_job import OpenJob
from glassine.schemas.errors import RecordError
from tests.faults.conftest import JOB
from tests.faults.power_model import IsIdle, Loss
from tests.faults.small_world import BY, EVERYTHING, FILES, NOTHING, World, small_blocks

losses = st.one_of(
    st.just(NOTHING), st.just(EVERYTHING), st.builds(Loss, st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1))
)
shots = st.lists(st.sampled_from(sorted(FILES)), min_size=1, max_size=3)
stops = st.none() | st.integers(1, 150)
"""At which call of the seam a command is stopped, if at all; a command that makes fewer comes to its end."""


@pytest.fixture(scope="module", autouse=True)
def small_blocks_and_no_flow_engine() -> Iterator[None]:
    with small_blocks():
        yield


class Power(RuleBasedStateMachine):
    """A job on two disks; each command may be stopped at any call, by a kill or by the power, and is given again."""

    template: ClassVar[Path]

    def __init__(self) -> None:
        super().__init__()
        self.temporary = tempfile.TemporaryDirectory(dir=self.template.parent)
        self.is_right = True
        self.world: World

    def do(self, work: Callable[[], list[str]], stop_at: int | None, power: bool, lost: list[Loss]) -> None:
        """A command; where it is stopped, by the power or by a kill, after which what was written is still there."""
        self.is_right = False
        ended = self.world.run(work, stop_at)
        if ended or not power:
            self.world.check()
        else:
            self.world.cut_power(*lost)
        self.is_right = True

    @initialize(links=st.booleans(), names=shots, stop_at=stops, power=st.booleans(), lost=st.tuples(losses, losses))
    def open_job(
        self, links: bool, names: list[str], stop_at: int | None, power: bool, lost: tuple[Loss, Loss]
    ) -> None:
        self.world = World(self.template, Path(self.temporary.name), links=links)
        self.world.put_on_card(names)
        self.do(self.world.open_job, stop_at, power, list(lost))
        assert self.world.run(self.world.open_job)

    @rule(names=shots)
    def shoot(self, names: list[str]) -> None:
        self.world.put_on_card(names)

    @rule(stop_at=stops, power=st.booleans(), lost=st.tuples(losses, losses), by=st.sampled_from([BY, "Ada Quill"]))
    def ingest(self, stop_at: int | None, power: bool, lost: tuple[Loss, Loss], by: str) -> None:
        self.do(lambda: self.world.ingest(by), stop_at, power, list(lost))

    @rule(
        rot=st.tuples(st.integers(0, 1), st.integers(0, 9)),
        stop_at=stops,
        power=st.booleans(),
        lost=st.tuples(losses, losses),
    )
    def repair(self, rot: tuple[int, int], stop_at: int | None, power: bool, lost: tuple[Loss, Loss]) -> None:
        self.world.flip(*rot)
        self.do(self.world.repair, stop_at, power, list(lost))

    @rule(volume=st.integers(0, 1), which=st.integers(0, 9))
    def flip(self, volume: int, which: int) -> None:
        self.world.flip(volume, which)

    @rule(lost=st.tuples(losses, losses))
    def cut_power(self, lost: tuple[Loss, Loss]) -> None:
        self.is_right = False
        self.world.cut_power(*lost)
        self.is_right = True

    def teardown(self) -> None:
        try:
            if hasattr(self, "world") and self.is_right:
                self.world.complete()
        finally:
            self.temporary.cleanup()


def test_no_cut_loses_or_halves_anything(empty_studio: Path) -> None:
    Power.template = empty_studio
    run_state_machine_as_test(  # type: ignore[no-untyped-call]
        Power,
        settings=settings(
            max_examples=150,
            stateful_step_count=8,
            deadline=None,
            phases=[Phase.explicit, Phase.generate],  # shrinking takes minutes here, and threads make it go astray
            suppress_health_check=[HealthCheck.too_slow],
        ),
    )


def finished_job(template: Path, folder: Path, is_idle: IsIdle = lambda call, path: False) -> World:
    """A job with two frames, a companion and a stray, of which each flush is what it should be, or does nothing."""
    world = World(template, folder, is_idle=is_idle)
    world.put_on_card(list(FILES))
    assert world.run(world.open_job)
    assert world.run(world.ingest)
    return world


@pytest.fixture(scope="module")
def begun(empty_studio: Path, memory: Path) -> Path:
    """A job that is open, and a card."""
    world = World(empty_studio, memory / "begun-power")
    world.put_on_card(list(FILES))
    assert world.run(world.open_job)
    return world.folder


@pytest.mark.parametrize("power", [True, False])
def test_stopped_at_every_call_of_an_ingest_and_then_the_power_goes(begun: Path, memory: Path, power: bool) -> None:
    """By a cut, or by a kill; the ingest is given again; and when it has come to its end all that it said will last."""
    calls = ended = 0
    while not ended:
        calls += 1
        with tempfile.TemporaryDirectory(dir=memory) as folder:
            world = World(begun, Path(folder))
            ended = world.run(world.ingest, calls)
            if power and not ended:
                world.cut_power(*random.Random(calls).sample([NOTHING, EVERYTHING], 2))
            world.check()
            assert world.run(world.ingest)
            world.cut_power(NOTHING, NOTHING)
            manifest = world.check()
            assert manifest is not None
            copies = [len(holder["copies"]) for _, holder in manifest.every_file()]
            assert copies == [2] * (len(FILES) + 1)  # and the job sheet
    assert calls > 120


def test_killed_at_every_call_of_opening_a_job_and_then_the_power_goes(empty_studio: Path, memory: Path) -> None:
    """What the killed run made and did not flush is flushed by the next, before that builds on it."""
    calls = ended = 0
    while not ended:
        calls += 1
        with tempfile.TemporaryDirectory(dir=memory) as folder:
            world = World(empty_studio, Path(folder))
            ended = world.run(world.open_job, calls)
            assert world.run(world.open_job)
            world.cut_power(NOTHING, NOTHING)
    assert calls > 100


def test_a_run_that_does_not_settle_what_a_killed_one_left_is_noticed(
    begun: Path, memory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The model's teeth once more: without that flush some kill of an ingest's last calls leaves the backup to lose an
    entry which the next run took for safe."""
    monkeypatch.setattr(OpenJob, "_settle", lambda job: None)
    with pytest.raises(AssertionError, match="the backup lost entry"):
        for calls in range(135, 100, -1):
            with tempfile.TemporaryDirectory(dir=memory) as folder:
                world = World(begun, Path(folder))
                world.run(world.ingest, calls)
                assert world.run(world.ingest)
                world.cut_power(NOTHING, NOTHING)


def test_the_model_sees_all_that_is_changed(empty_studio: Path, tmp_path: Path) -> None:
    """Nothing that must last is changed but through the seam: after all the work the model's disks are the real ones."""
    world = finished_job(empty_studio, tmp_path / "world")
    world.flip(1, 0)
    assert world.run(world.repair)
    for disk in world.computer.disks:
        files = [path for path in disk.root.rglob("*") if path.is_file() and path.suffix != ".lock"]
        assert disk.paths() == {path.relative_to(disk.root).as_posix(): path.read_bytes() for path in files}


@pytest.mark.parametrize("volume", ["working", "backup"])
@pytest.mark.parametrize(
    ("call", "where"),
    [
        ("flush", ""),
        ("flush", "originals"),
        ("flush", "record"),
        ("flush_folder", ""),
        ("flush_folder", "originals/100SIMUL"),
        ("flush_folder", "record"),
        ("make_folder", ""),
        ("make_folder", "originals/101SIMUL"),
    ],
)
def test_a_flush_that_does_nothing_is_noticed(
    empty_studio: Path, tmp_path: Path, volume: str, call: str, where: str
) -> None:
    """The model has teeth: it finds a loss when files, folders or the names of new folders are not flushed, anywhere on
    a volume or only in one folder of it."""
    world = finished_job(empty_studio, tmp_path / "whole")
    world.cut_power(NOTHING, NOTHING)  # all was flushed

    def is_idle(made: str, path: Path) -> bool:
        place = tmp_path / "broken" / "volumes" / volume / JOB / where
        return made == call and (place == path or place in path.parents)

    world = finished_job(empty_studio, tmp_path / "broken", is_idle)
    with pytest.raises((AssertionError, FileNotFoundError, RecordError)):
        world.cut_power(NOTHING, NOTHING)
