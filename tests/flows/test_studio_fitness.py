"""The checks of a studio: volumes that are away, swapped, cloned or full, clocks, documents, jobs, memory."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.flows import studio_fitness
from glassine.flows.finding import Finding
from glassine.flows.job_sheet import open_new_job
from glassine.flows.studio import SETTINGS, Studio, add_volume, read_studio
from glassine.flows.studio_fitness import (
    Job,
    check_against_entries,
    check_memory,
    check_room,
    check_studio,
    judge_probe,
)
from glassine.schemas.identifiers import VOLUME_IDENTITY
from glassine.tasks.custody.volume_probe import Probe, probe_folder

GOOD = Probe(device=1, free_bytes=10**12, unwritable="", no_replace="", clock_off_s=0.0)
GIB = 2**30


def check(studio: Studio, now: datetime | None = None) -> list[Finding]:
    return list(check_studio(read_studio(studio.folder), now or datetime.now(UTC)))


def about(what: str, findings: list[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.what == what]


def wrongs(findings: list[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.level == "wrong"]


def root(studio: Studio, name: str) -> Path:
    return next(studio.volume_root(one) for one in studio.settings["volumes"] if one["name"] == name)


@pytest.fixture
def working(studio: Studio) -> Studio:
    """A studio with one open job."""
    open_new_job(studio, "2611-04", None, title="Portraits", client="Ada Quill", by="Tove Abel")
    return studio


def test_studio_that_is_fit_and_nothing_is_changed(working: Studio) -> None:
    everything = working.folder.parent
    before = {path: path.stat().st_mtime_ns for path in everything.rglob("*") if path.is_file()}
    found = check(working)
    assert wrongs(found) == []
    assert [finding.level for finding in about("volumes", found)] == ["mind"]  # both are on the test's one disk
    assert "are on one disk" in about("volumes", found)[0].found
    assert about("jobs", found)[0].found.startswith("1, ")
    assert {path: path.stat().st_mtime_ns for path in everything.rglob("*") if path.is_file()} == before


def test_absent_empty_and_swapped_volumes_are_world_in_the_way(working: Studio) -> None:
    backup = root(working, "backup")
    backup.rename(backup.with_name("unplugged"))
    (finding,) = about("volume backup", check(working))
    assert (finding.level, finding.status) == ("wrong", 3)
    assert "is absent" in finding.found
    backup.mkdir()
    (finding,) = about("volume backup", check(working))
    assert "is there and empty: no disk is mounted there" in finding.found
    assert finding.do
    identity = json.loads((backup.with_name("unplugged") / VOLUME_IDENTITY).read_text("utf-8"))
    (backup / VOLUME_IDENTITY).write_text(json.dumps({**identity, "volume": "v-" + "0" * 16}), encoding="utf-8")
    (finding,) = about("volume backup", check(working))
    assert (finding.level, finding.status) == ("wrong", 3)
    assert "another disk is mounted there" in finding.found
    (backup / VOLUME_IDENTITY).write_text("{", encoding="utf-8")
    (finding,) = about("volume backup", check(working))
    assert (finding.level, finding.status) == ("wrong", 2)


def test_absent_working_volume_hides_the_jobs_and_nothing_else(working: Studio) -> None:
    root(working, "working").rename(root(working, "working").with_name("unplugged"))
    found = check(working)
    assert [finding.what for finding in wrongs(found)] == ["volume working"]
    assert about("looks", found)[0].level == "ok"


def test_clone_of_a_volume_is_not_right(working: Studio) -> None:
    shutil.copytree(root(working, "backup"), working.folder.parent / "clone")
    settings = working.folder / SETTINGS
    identity = json.loads((root(working, "backup") / VOLUME_IDENTITY).read_text("utf-8"))["volume"]
    table = f'\n[[volumes]]\nname = "clone"\npath = "../clone"\nvolume = "{identity}"\n'
    settings.write_text(settings.read_text("utf-8") + table, encoding="utf-8")
    (finding,) = wrongs(check(working))
    assert (finding.what, finding.status) == ("volumes", 1)
    assert "backup and clone bear one identity" in finding.found


def test_volumes_of_one_medium_are_told_of(working: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    devices = iter(range(100))
    monkeypatch.setattr(
        studio_fitness, "probe_folder", lambda folder: replace(probe_folder(folder), device=next(devices))
    )
    assert "say that they are one medium" in about("volumes", check(working))[0].found
    identity = root(working, "backup") / VOLUME_IDENTITY
    document = json.loads(identity.read_text("utf-8"))
    identity.write_text(json.dumps({**document, "medium": "another disk"}), encoding="utf-8")
    assert about("volumes", check(working)) == []


def test_one_volume_alone_and_one_without_an_id_are_told_of(working: Studio) -> None:
    settings = working.folder / SETTINGS
    lines = settings.read_text("utf-8").splitlines()
    first_id = next(line for line in lines if line.startswith("volume = "))
    lines.remove(first_id)
    settings.write_text("\n".join(lines), encoding="utf-8")
    ((_, finding),) = [(f.level, f) for f in about("volume working", check(working)) if f.level == "mind"]
    assert first_id in finding.do
    text = settings.read_text("utf-8").replace('[[volumes]]\nname = "backup"', '[[volumes]]\nname = "second"')
    begin = text.index('[[volumes]]\nname = "second"')
    settings.write_text(text[:begin] + text[text.index("# What new jobs get") :], encoding="utf-8")
    (finding,) = about("volumes", check(working))
    assert "only one" in finding.found
    add_volume(read_studio(working.folder), "backup", "../third")
    assert "on one disk" in about("volumes", check(working))[0].found


@pytest.mark.parametrize(
    ("probe", "is_working", "level", "word"),
    [
        (replace(GOOD, unwritable="Read-only file system"), True, "wrong", "Read-only file system"),
        (replace(GOOD, no_replace="cannot hold a job"), True, "wrong", "cannot hold a job"),
        (replace(GOOD, no_replace="cannot hold a job"), False, "mind", "can hold copies, but not the record"),
        (replace(GOOD, clock_off_s=-7200.0), False, "mind", "7200 s behind"),
        (replace(GOOD, clock_off_s=61.0), False, "mind", "61 s ahead of"),
    ],
)
def test_what_a_probe_found_is_said(probe: Probe, is_working: bool, level: str, word: str) -> None:
    (finding,) = judge_probe("volume x", Path("x"), probe, is_working=is_working)
    assert finding.level == level
    assert word in finding.found
    assert finding.do


def test_good_probe_says_nothing_and_fat_times_are_good() -> None:
    for off in (0.0, 2.0, -2.0):
        assert list(judge_probe("volume x", Path("x"), replace(GOOD, clock_off_s=off), is_working=True)) == []


@given(free=st.integers(0, 10**13), sizes=st.lists(st.integers(0, 10**13), max_size=3))
def test_room_is_enough_when_the_largest_job_and_a_card_fit(free: int, sizes: list[int]) -> None:
    jobs = [Job(f"job-{size}", size, datetime.now(UTC)) for size in sizes]
    finding = check_room("volume x", "x", free, jobs)
    enough = free >= 10**10 and free >= max(sizes, default=0)
    assert finding.level == ("ok" if enough else "mind")
    assert f"about {free // 60_000_000} frames" in finding.found
    assert ("largest job" in finding.found) is (10**10 <= free < max(sizes, default=0))


def test_clock_behind_the_record_is_wrong(working: Studio) -> None:
    now = datetime.now(UTC)
    (finding,) = wrongs(check(working, now - timedelta(hours=1)))
    assert (finding.what, finding.status) == ("clock", 3)
    assert "job 2611-04" in finding.found
    assert list(check_against_entries([Job("1", 0, now)], now - timedelta(seconds=1))) == []


def test_damaged_record_is_not_right(working: Studio) -> None:
    folder = working.job_folder("2611-04")
    (folder / "manifest.json").unlink()
    (folder / "record" / "00000002.json").unlink()
    (finding,) = wrongs(check(working))
    assert (finding.what, finding.status) == ("job 2611-04", 1)
    assert "Entry 2 " in finding.found


@pytest.mark.parametrize(
    ("change", "word"),
    [({"preview_look": "sepia"}, "'sepia'"), ({"finals": 3}, "finals"), ({"colour": 1}, "'colour' has no place here")],
)
def test_sheet_that_cannot_be_used_is_wrong(change: dict[str, object], word: str, working: Studio) -> None:
    sheet = working.job_folder("2611-04") / "job.json"
    sheet.write_text(json.dumps({**json.loads(sheet.read_text("utf-8")), **change}), encoding="utf-8")
    (finding,) = wrongs(check(working))
    assert (finding.what, finding.status) == ("job 2611-04", 2)
    assert word in finding.found
    sheet.unlink()  # the one in force is in the record
    assert wrongs(check(working)) == []


def test_looks_specifications_defaults_and_clients(working: Studio, tmp_path: Path) -> None:
    (working.folder / "looks" / "bad.json").write_text("{}", encoding="utf-8")
    settings = working.folder / SETTINGS
    text = settings.read_text("utf-8").replace('specification = "screen-2048"', 'specification = "gone"', 1)
    client = f'\n[[clients]]\nname = "Ada"\nfolder = "{tmp_path.as_posix()}/away"\nspecification = "lost"\n'
    settings.write_text(text + client, encoding="utf-8")
    found = check(working)
    assert [(finding.what, finding.status) for finding in wrongs(found)] == [
        ("looks", 2),
        ("studio.toml, [defaults]", 2),
        ("client Ada", 2),
    ]
    assert "screen-2048" in wrongs(found)[1].do, "those that are there are named"
    assert [finding.level for finding in about("client Ada", found)] == ["wrong", "mind"]


def test_memory_that_workers_may_take_is_held_against_the_machines(working: Studio) -> None:
    limited = replace(working, settings={**working.settings, "workers": 4, "decode_memory_mb": 4096})
    assert check_memory(limited, 16 * GIB).level == "ok"
    finding = check_memory(limited, 15 * GIB)
    assert finding.level == "mind"
    assert "`workers = 3`" in finding.do
    assert "decode_memory_mb" in check_memory(limited, 2 * GIB).do
    assert check_memory(limited, None).level == "ok"
