"""The cards of a job: issued, returned, taken in; none of two jobs at once."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.card_log import issue_card, list_cards, log_taken_in, return_card
from glassine.flows.job_sheet import open_new_job
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.validation import Document

Run = Callable[..., Document]
JOB, OTHER = "2611-04", "2611-05"
MANAGER, ASSISTANT, RUNNER = "Tove Abel", "Bo Ek", "Ida Holm"


@pytest.fixture
def opened(at: Callable[[str], Studio]) -> Studio:
    return at("opened")


def rows(studio: Studio, job: str = JOB) -> list[tuple[str, str, str | None, str | None]]:
    return [(row["card"], row["state"], row["camera"], row["person"]) for row in list_cards(studio, job)["cards"]]


def test_a_card_goes_out_comes_back_and_is_taken_in(opened: Studio, run: Run, card: Path) -> None:
    told = issue_card(opened, JOB, "A7", camera="body A", person=ASSISTANT, by=MANAGER)
    assert told["said"] == ["Card A7 is out, in body A, with Bo Ek."]
    assert rows(opened) == [("A7", "issued", "body A", ASSISTANT)]
    assert return_card(opened, JOB, "a7", person=RUNNER, by=MANAGER)["card"]["state"] == "returned"
    assert rows(opened) == [("A7", "returned", "body A", RUNNER)]
    told = run("ingest", opened, sources=[str(card)], card="A7")
    assert told["said"][-1] == "Card A7 is taken in."
    assert rows(opened) == [("A7", "taken_in", "body A", RUNNER)]
    assert "A7  taken in  body A  with Ida Holm  since 20" in list_cards(opened, JOB)["said"][0]
    assert return_card(opened, JOB, "A7", by=MANAGER)["said"] == ["Card A7 was taken in already."]


def test_saying_it_twice_changes_nothing(opened: Studio) -> None:
    head = []
    for _ in range(2):
        issue_card(opened, JOB, "A7", camera="body A", person=ASSISTANT, by=MANAGER)
        head.append(JobRecord(opened.job_folder(JOB)).manifest().head)
    assert head[0] == head[1]


def test_taking_it_in_twice_changes_nothing(opened: Studio, run: Run, card: Path) -> None:
    run("ingest", opened, sources=[str(card)], card="A7")
    head = JobRecord(opened.job_folder(JOB)).manifest().head
    told = run("ingest", opened, sources=[str(card)], card="a7")
    assert told["said"][-1] == "Card A7 is taken in."
    assert JobRecord(opened.job_folder(JOB)).manifest().head == head


def test_a_card_never_issued_is_taken_in_and_its_name_doubted(opened: Studio, run: Run, card: Path) -> None:
    told = run("ingest", opened, sources=[str(card)], card="B1")
    assert "never issued" in told["said"][-1]
    assert rows(opened) == [("B1", "taken_in", None, None)]


def test_a_card_out_in_another_job_is_refused_until_it_is_back(opened: Studio) -> None:
    open_new_job(opened, OTHER, None, title="Second", client="Quern Street Museum", by=MANAGER)
    issue_card(opened, OTHER, "A7", camera="body B", by=MANAGER)
    with pytest.raises(CallError, match=r"out in job 2611-05, in body B.*cards return 2611-05 a7") as refused:
        issue_card(opened, JOB, "a7", camera="body A", by=MANAGER)
    assert refused.value.code == "W004"
    assert rows(opened) == []
    return_card(opened, OTHER, "A7", by=MANAGER)
    told = issue_card(opened, JOB, "a7", camera="body A", by=MANAGER)
    assert rows(opened) == [("a7", "issued", "body A", None)]
    mind = "Mind that it came back in job 2611-05, and was not taken in there: see that nothing is on it."
    assert (told["said"][1:], told["status"]) == ([mind], 0)


def test_a_card_that_another_job_took_in_is_issued_without_a_word(opened: Studio) -> None:
    open_new_job(opened, OTHER, None, title="Second", client="Quern Street Museum", by=MANAGER)
    issue_card(opened, OTHER, "A7", camera="body B", by=MANAGER)
    return_card(opened, OTHER, "A7", unused=True, by=MANAGER)
    assert issue_card(opened, JOB, "A7", camera="body A", by=MANAGER)["said"] == ["Card A7 is out, in body A."]


def test_files_that_were_in_custody_before_may_be_of_another_card(
    opened: Studio, run: Run, card: Path, tmp_path: Path
) -> None:
    run("ingest", opened, sources=[str(card)])
    issue_card(opened, JOB, "A8", camera="body A", by=MANAGER)
    told = run("ingest", opened, sources=[str(card)], card="a8")
    mind = "Mind that every file on it was in custody before: see that it is card A8."
    assert (told["said"][-2:], told["status"]) == (["Card A8 is taken in.", mind], 0)
    issue_card(opened, JOB, "A9", camera="body A", by=MANAGER)
    shutil.copytree(card, tmp_path / "own")
    (tmp_path / "own" / "MORE.TXT").write_bytes(b"not taken in before")
    told = run("ingest", opened, sources=[str(tmp_path / "own")], card="A9")
    assert told["said"][-1] == "Card A9 is taken in."


def test_a_damaged_record_of_another_job_is_said(opened: Studio) -> None:
    open_new_job(opened, OTHER, None, title="Second", client="Quern Street Museum", by=MANAGER)
    folder = opened.job_folder(OTHER)
    (folder / "manifest.json").unlink()
    (folder / "record" / "00000001.json").write_bytes(b"{}")
    told = issue_card(opened, JOB, "A7", camera="body A", by=MANAGER)
    assert "job 2611-05" in told["said"][-1]


def test_a_card_that_came_back_and_goes_out_again_is_minded(opened: Studio) -> None:
    issue_card(opened, JOB, "A7", camera="body A", by=MANAGER)
    return_card(opened, JOB, "A7", by=MANAGER)
    told = issue_card(opened, JOB, "A7", camera="body B", by=MANAGER)
    assert any("was not taken in" in line for line in told["said"])


def test_an_unused_card_is_not_outstanding(opened: Studio) -> None:
    issue_card(opened, JOB, "A7", camera="body A", by=MANAGER)
    told = return_card(opened, JOB, "A7", unused=True, by=MANAGER)
    assert told["card"]["state"] == "taken_in"


def test_an_empty_card_stays_outstanding(opened: Studio, run: Run, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    issue_card(opened, JOB, "A7", camera="body A", by=MANAGER)
    told = run("ingest", opened, sources=[str(tmp_path / "empty")], card="A7")
    assert "Card A7 stays outstanding: no file is on it" in told["said"][-1]
    assert rows(opened)[0][1] == "issued"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root reads every file")
def test_a_file_that_cannot_be_read_leaves_the_card_outstanding(
    opened: Studio, run: Run, card: Path, tmp_path: Path
) -> None:
    shutil.copytree(card, tmp_path / "own")
    (tmp_path / "own" / "NOTES.TXT").chmod(0)
    told = run("ingest", opened, sources=[str(tmp_path / "own")], card="A7")
    assert "stays outstanding: not every file" in told["said"][-1]
    assert rows(opened) == []


def test_what_is_left_on_a_card_keeps_it_outstanding(opened: Studio) -> None:
    job = OpenJob(opened, JOB, MANAGER)
    job.say(
        "card", [{"kind": "card", "card": "A7", "revision": 1, "state": "returned", "camera": None, "person": None}]
    )
    told = log_taken_in(job, "A7", 3, ["SIMU0002.DNG cannot be read"], new=2)
    assert told == ["Card A7 stays outstanding: not every file on it is in custody."]
    assert rows(opened) == [("A7", "returned", None, None)]
    assert log_taken_in(job, None, 3, [], new=3) == []


def test_a_link_on_the_card_leaves_it_outstanding(opened: Studio, run: Run, card: Path, tmp_path: Path) -> None:
    shutil.copytree(card, tmp_path / "own")
    try:
        (tmp_path / "own" / "link.DNG").symlink_to(tmp_path / "elsewhere.DNG")
    except OSError:
        pytest.skip("no links here")
    issue_card(opened, JOB, "A7", camera="body A", by=MANAGER)
    told = run("ingest", opened, sources=[str(tmp_path / "own")], card="A7")
    assert "stays outstanding: not every file" in told["said"][-1]
    assert rows(opened)[0][1] == "issued"
    (tmp_path / "own" / "link.DNG").unlink()
    run("ingest", opened, sources=[str(tmp_path / "own")], card="A7")
    assert rows(opened)[0][1] == "taken_in"


@pytest.mark.parametrize("name", ["", "A 7", "Ä7", "A" * 21, "A/7"])
def test_a_name_that_is_none_is_refused(opened: Studio, name: str) -> None:
    with pytest.raises(CallError, match="cannot be a card's name"):
        issue_card(opened, JOB, name, camera="body A", by=MANAGER)
    with pytest.raises(CallError, match="cannot be a card's name"):
        return_card(opened, JOB, name, by=MANAGER)


def test_wrong_words_write_nothing(opened: Studio, run: Run, card: Path) -> None:
    head = JobRecord(opened.job_folder(JOB)).manifest().head
    with pytest.raises(CallError, match="which camera"):
        issue_card(opened, JOB, "A7", camera=" ", by=MANAGER)
    with pytest.raises(CallError, match=r"never issued a card A7 \(known: none\)"):
        return_card(opened, JOB, "A7", by=MANAGER)
    with pytest.raises(CallError, match="by itself"):
        run("ingest", opened, sources=[str(card), str(card)], card="A7")
    assert JobRecord(opened.job_folder(JOB)).manifest().head == head
    assert list_cards(opened, JOB)["said"] == ["No card was issued."]
