"""Which copies a pass reads: older ones, samples, both; what a stopped pass goes on with; what a sample says."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from glassine.flows import verify as module
from glassine.flows.cli import main
from glassine.flows.job_sheet import open_new_job
from glassine.flows.studio import Studio, make_studio, read_studio
from glassine.flows.verify_report import merge_jobs
from glassine.flows.verify_scope import Asked, plan_pass
from glassine.schemas.errors import CallError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.validation import Document
from glassine.tasks.custody.sampling import chance_of_missing
from tests.flows.plain_verify import JOB, card_of, plain_verify, stop_plain_verify, take_in

FRAMES = 30


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A studio with a job of thirty small frames on a working volume and a backup."""
    root = tmp_path_factory.mktemp("scope")
    studio = make_studio(root / "studio", [(name, f"../volumes/{name}") for name in ("working", "backup")])
    open_new_job(studio, JOB, None, title="Makers", client="Sorrel Lane Instruments", by="Imre Falk")
    take_in(studio, card_of(root / "card", FRAMES))
    return root


@pytest.fixture
def studio(taken_in: Path, tmp_path: Path) -> Studio:
    shutil.copytree(taken_in, tmp_path / "world", copy_function=shutil.copy2)
    return read_studio(tmp_path / "world" / "studio")


@pytest.fixture
def at_time(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Set the clock of the record and of verify so many days and hours from now."""

    def set_to(days: float = 0, hours: float = 0) -> None:
        def now() -> str:
            moment = datetime.now(UTC) + timedelta(days=days, hours=hours)
            return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")

        monkeypatch.setattr("glassine.schemas.job_record.utc_now", now)
        monkeypatch.setattr(module, "utc_now", now)

    return set_to


def copies_of(studio: Studio) -> dict[tuple[str, str], Document]:
    files = JobRecord(studio.job_folder(JOB)).manifest().every_file()
    return {(copy["volume"], copy["path"]): copy for _, holder in files for copy in holder["copies"]}


def passes_of(studio: Studio) -> Document:
    found: Document = JobRecord(studio.job_folder(JOB)).manifest().document["passes"]
    return found


def read_in(studio: Studio, number: int) -> set[tuple[str, str]]:
    return {place for place, copy in copies_of(studio).items() if copy["pass"] == number}


@pytest.mark.parametrize("days", [-1.0, float("nan"), float("inf"), 1e9])
def test_ages_that_mean_nothing(days: float) -> None:
    with pytest.raises(CallError, match="--older-than"):
        Asked(older_than=days)


@pytest.mark.parametrize("sample", ["0", "101%", "many", "-5", ""])
def test_samples_that_mean_nothing(sample: str) -> None:
    with pytest.raises(CallError, match="--sample"):
        Asked(sample=sample)


@pytest.mark.parametrize("words", [["--sample", "0"], ["--older-than", "-2"], ["--older-than", "soon"]])
def test_words_that_mean_nothing_are_status_2(
    words: list[str], studio: Studio, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", JOB, *words, "--studio", str(studio.folder)]) == 2
    assert words[0] in capsys.readouterr().err
    assert passes_of(studio)["opened"] == 0


def test_only_what_was_not_read_for_long(studio: Studio, at_time: Callable[..., None]) -> None:
    everything = len(copies_of(studio))
    assert plain_verify(studio, older_than=1)["read"] == 0, "all were read back when they were written"
    scope = passes_of(studio)["scope"]
    assert (scope["older_than_days"], scope["sample"], scope["seed"]) == (1, None, None)
    at_time(days=2)
    assert plain_verify(studio, older_than=3)["read"] == 0
    first = plain_verify(studio, older_than=1.5)
    assert (first["read"], first["not_read"]) == (everything, {"away": 0, "earlier": 0, "not_asked": 0})
    again = plain_verify(studio, older_than=1.5)
    assert (again["read"], again["not_read"]["not_asked"]) == (0, everything)
    assert any(f"{everything} not asked for" in line for line in again["said"])
    assert plain_verify(studio, older_than=0)["read"] == everything


def test_a_time_that_cannot_be_says_nothing_of_the_age(studio: Studio, at_time: Callable[..., None]) -> None:
    at_time(days=30)
    assert plain_verify(studio)["status"] == 0
    at_time()
    assert plain_verify(studio, older_than=7)["read"] == len(copies_of(studio))


def test_known_bad_copies_are_always_read(studio: Studio) -> None:
    bad = studio.working_volume().locate(JOB, min(path for _, path in copies_of(studio)))
    bad.unlink()
    assert plain_verify(studio)["status"] == 1
    assert plain_verify(studio, older_than=1)["read"] == 1
    sampled = plain_verify(studio, sample="5")
    assert (sampled["read"], sampled["status"]) == (6, 1)
    assert sampled["sample"]["of"] == len(copies_of(studio)) - 1
    assert plain_verify(studio, older_than=1, repair=True)["mended"] == [
        f"working: {bad.relative_to(studio.job_folder(JOB)).as_posix()}"
    ]


@pytest.mark.parametrize("asked", ["10", "25%", "100%", "500"])
def test_a_sample_reads_so_many_each_volume_its_share(studio: Studio, asked: str) -> None:
    everything = copies_of(studio)
    every = len(everything)
    size = {"10": 10, "25%": math.ceil(every / 4)}.get(asked, every)
    outcome = plain_verify(studio, sample=asked)
    assert (outcome["status"], outcome["read"], outcome["sample"]["of"]) == (0, size, every)
    scope = passes_of(studio)["scope"]
    assert (scope["sample"], scope["of"], len(scope["seed"])) == (size, every, 16)
    drawn = read_in(studio, 1)
    for volume in {volume for volume, _ in everything}:
        assert abs(sum(place[0] == volume for place in drawn) - size / 2) <= 0.5
    plain_verify(studio, sample=asked)
    assert (read_in(studio, 2) == drawn) == (size == every), "the next sample is another"


def test_what_a_sample_says(studio: Studio) -> None:
    outcome = plain_verify(studio, sample="30")
    told = outcome["sample"]
    each = len(copies_of(studio)) // 2
    assert (told["read"], told["of"], told["if_bad"], told["certainty"]) == (30, 2 * each, 1, 0.95)
    assert told["chance_missed"] == pytest.approx(1 - 15 / each)

    def worst(bad: int) -> float:
        splits = range(bad + 1)
        return max(chance_of_missing(each, n, 15) * chance_of_missing(each, bad - n, 15) for n in splits)

    assert worst(told["surely_found"]) <= 0.05 < worst(told["surely_found"] - 1)
    (line,) = [line for line in outcome["said"] if "chosen at random" in line]
    assert f"15 of {each} on working" in line
    chance = f"{100 - 1500 / each:.1f} %"
    assert f"if 1 of them were bad, wherever they lie, the chance of having missed it would be {chance}" in line
    assert f"of {told['surely_found']} or more, at least one would have been found with 95 % certainty" in line
    assert any("FAST 2008" in line for line in outcome["said"])


def test_a_sample_that_finds_a_bad_copy_asks_for_all(studio: Studio) -> None:
    for path in (studio.working_volume().job_folder(JOB) / "originals").rglob("*.DNG"):
        path.write_bytes(path.read_bytes()[:-1])
    outcome = plain_verify(studio, sample="20")
    assert outcome["status"] == 1
    assert any("asks for all of them to be read" in line for line in outcome["said"])
    assert not any("chosen at random" in line for line in outcome["said"])
    assert len(outcome["clusters"][0]["copies"]) == len(outcome["bad"])


@pytest.mark.parametrize("words", [{"sample": "20"}, {"sample": "40%"}, {"older_than": 0.0}, {}])
def test_a_stopped_pass_goes_on_with_the_same_copies(
    studio: Studio, monkeypatch: pytest.MonkeyPatch, words: dict[str, Any]
) -> None:
    stop_plain_verify(studio, after=7, **words)
    scope = passes_of(studio)["scope"]
    assert len(read_in(studio, 1)) == 7
    outcome = plain_verify(studio, **words)
    passes = passes_of(studio)
    assert (passes["opened"], passes["closed"], passes["scope"]) == (1, 1, scope)
    wanted = scope["sample"] if scope and scope["sample"] else len(copies_of(studio))
    assert (outcome["read"], outcome["not_read"]["earlier"]) == (wanted - 7, 7)
    assert len(read_in(studio, 1)) == wanted
    assert (outcome["sample"] or {"read": wanted})["read"] == wanted


@pytest.mark.parametrize("repair", [False, True])
def test_a_sample_that_found_a_bad_copy_before_it_was_stopped_says_so(studio: Studio, repair: bool) -> None:
    every = len(copies_of(studio))
    folder = studio.working_volume().job_folder(JOB)
    contents = {path: path.read_bytes() for path in (folder / "originals").rglob("*.DNG")}
    for path, content in contents.items():
        path.write_bytes(content[:-1])
    stop_plain_verify(studio, after=7, sample="20")
    found = {place for place, copy in copies_of(studio).items() if copy["outcome"] != "whole"}
    assert found
    for path, content in contents.items():  # all that it did not read yet are whole again
        if not any(path == folder / place for _, place in found):
            path.write_bytes(content)
    outcome = plain_verify(studio, sample="20", repair=repair)
    assert (outcome["read"], outcome["found"], len(outcome["bad"])) == (13, len(found), 0 if repair else len(found))
    assert any("asks for all of them to be read" in line for line in outcome["said"])
    assert (outcome["sample"]["of"], outcome["sample"]["read"]) == (every, 20)


def test_a_stopped_sample_is_drawn_from_the_same_copies_again(studio: Studio, tmp_path: Path) -> None:
    """Whatever came in meanwhile, and whatever is found of copies that were bad before the pass."""
    folder = studio.working_volume().job_folder(JOB)
    bad = sorted((folder / "originals").rglob("*.DNG"))[:5]
    contents = [path.read_bytes() for path in bad]
    for path in bad:
        path.unlink()
    plain_verify(studio)
    every = len(copies_of(studio))
    for path, content in zip(bad[:3], contents, strict=False):
        path.write_bytes(content)
    number = passes_of(studio)["opened"] + 1
    stop_plain_verify(studio, after=12, sample="30")
    assert passes_of(studio)["scope"]["of"] == every - 5
    before = read_in(studio, number)
    take_in(studio, card_of(tmp_path / "more", 3))
    came = read_in(studio, number) - before
    assert len(came) == 6 + 2
    outcome = plain_verify(studio, sample="30")
    assert (outcome["sample"]["of"], outcome["sample"]["read"]) == (every - 5, 30)
    assert len(read_in(studio, number) - came) == 30 + 5


@pytest.mark.parametrize(
    ("first", "then"),
    [
        ({"sample": "20"}, {}),
        ({}, {"sample": "20"}),
        ({"sample": "20"}, {"sample": "21"}),
        ({"sample": "20"}, {"sample": "20", "older_than": 0.0}),
        ({"older_than": 0.0}, {"older_than": 0.5}),
    ],
)
def test_another_scope_is_a_new_pass(
    studio: Studio, monkeypatch: pytest.MonkeyPatch, first: dict[str, Any], then: dict[str, Any]
) -> None:
    stop_plain_verify(studio, after=7, **first)
    outcome = plain_verify(studio, **then)
    assert (passes_of(studio)["opened"], passes_of(studio)["closed"]) == (2, 2)
    assert outcome["not_read"]["earlier"] == 0


def test_a_sample_left_off_for_a_day_is_drawn_anew(
    studio: Studio, monkeypatch: pytest.MonkeyPatch, at_time: Callable[..., None]
) -> None:
    stop_plain_verify(studio, after=7, sample="20")
    at_time(hours=23)
    stop_plain_verify(studio, after=3, sample="20")
    assert passes_of(studio)["opened"] == 1
    at_time(hours=25)
    assert plain_verify(studio, sample="20")["read"] == 20
    assert passes_of(studio)["opened"] == 2


def test_a_volume_that_goes_away_has_no_part_in_what_a_sample_says(
    studio: Studio, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (backup,) = studio.backups()[0]
    real = plan_pass

    def pulled_out(job: Any) -> Any:
        plan = real(job)
        shutil.move(backup.root, tmp_path / "drawer")
        return plan

    monkeypatch.setattr(module, "plan_pass", pulled_out)
    outcome = plain_verify(studio, sample="20")
    assert outcome["status"] == 3
    assert [volume["volume"] for volume in outcome["sample"]["volumes"]] == ["working"]
    assert (outcome["sample"]["read"], outcome["read"]) == (10, 10)


def test_all_jobs_are_one_summary(studio: Studio) -> None:
    good = plain_verify(studio)
    refused = {"ok": False, "status": 1, "said": [], "problems": ["Job 2611-05: Entry 3 is altered."]}
    merged = merge_jobs([good, refused, good])
    assert merged["status"] == 1
    assert merged["said"][-1] == f"3 jobs: {2 * good['read']} copies read now, 0.0 GB; not right: 1."
    assert merge_jobs([good])["said"] == good["said"]
    assert merge_jobs([])["said"] == ["No job yet."]
