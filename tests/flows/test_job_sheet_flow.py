"""Opening jobs, set-ups and blocks: what a studio manager says, and what is refused of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.job_sheet import assign_set_up, list_jobs, open_new_job, set_block
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, DocumentError, GlassineError
from glassine.schemas.job_record import check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

Contents = Callable[[Path], dict[str, str]]
JOB, MANAGER = "2611-04", "Tove Abel"


def open_job(studio: Studio, number: str, sheet: Path | None = None, **words: Any) -> Document:
    return open_new_job(studio, number, sheet, **{"title": None, "client": None, "by": MANAGER, **words})


def test_plain_job_gets_the_studios_defaults(studio: Studio, manifest_of: Callable[..., Manifest]) -> None:
    outcome = open_job(studio, "2612-01", client="Sorrel Lane Instruments")
    assert outcome["ok"]
    sheet = manifest_of(studio, "2612-01").sheet
    assert (sheet["title"], sheet["preview_look"]) == ("2612-01", "hard-mono")
    assert sheet["finals"] == [{"final": "main", "look": "lifted-mono"}]
    assert sheet["deliverables"] == [{"client": "Sorrel Lane Instruments", "specification": "screen-2048"}]
    assert check_chain(studio.job_folder("2612-01")) == []
    assert {"look/hard-mono", "look/lifted-mono", "specification/screen-2048", "job-sheet"} == set(
        manifest_of(studio, "2612-01").document["documents"]
    )


def test_names_of_people_stay_outside_the_chain(studio: Studio) -> None:
    open_job(studio, "2612-01", client="Sorrel Lane Instruments")
    record = studio.job_folder("2612-01") / "record"
    assert all(MANAGER not in path.read_text("utf-8") for path in record.glob("*.json"))
    assert MANAGER in (studio.job_folder("2612-01") / "people.json").read_text("utf-8")


def test_sheet_of_another_job_is_refused(
    studio: Studio, tmp_path: Path, sheet: Document, write: Callable[..., Path], contents: Contents
) -> None:
    path = write(tmp_path / "sheet.json", {**sheet, "deliverables": []})
    before = contents(tmp_path)
    with pytest.raises(CallError, match=f"is the job sheet of {JOB}, not of 2612-01") as refused:
        open_job(studio, "2612-01", path)
    assert refused.value.code == "W001"
    assert contents(tmp_path) == before


@pytest.mark.parametrize(
    ("changes", "code", "said"),
    [
        ({"preview_look": "sepia"}, "D004", r"no sepia\.json \(known: hard-mono, lifted-mono"),
        ({"finals": [{"final": "print", "look": "sepia"}]}, "D004", r"no sepia\.json"),
        ({"deliverables": [{"client": "x", "specification": "poster"}]}, "D004", r"no poster\.json"),
        (
            {"deliverables": [{"client": "x", "specification": "screen-2048", "finals": ["mural"]}]},
            "D004",
            "names the final 'mural'; the sheet's finals are print",
        ),
        (
            {"finals": [{"final": "a", "look": "hard-mono"}, {"final": "a", "look": "soft-mono"}]},
            "D002",
            "names one final twice",
        ),
        ({"licences": [{"client": "x"}]}, "D002", r"at licences\[1\]: 'terms' is missing"),
        ({"due": "next week"}, "D002", "at due"),
        ({"format": 2}, "D003", "this version reads format 1"),
        ({"colour": "blue"}, "D002", "'colour' has no place here"),
    ],
)
def test_wrong_sheet_is_named_with_its_place_and_no_job_is_begun(
    studio: Studio,
    tmp_path: Path,
    sheet: Document,
    write: Callable[..., Path],
    contents: Contents,
    changes: Document,
    code: str,
    said: str,
) -> None:
    path = write(tmp_path / "sheet.json", {**sheet, "deliverables": [], **changes})
    before = contents(tmp_path)
    with pytest.raises(DocumentError, match=said) as refused:
        open_job(studio, JOB, path)
    assert (refused.value.code, refused.value.exit_status) == (code, 2)
    assert contents(tmp_path) == before
    assert studio.job_numbers() == []


@pytest.mark.parametrize("number", ["", "a/b", "..", "con", "a" * 41, "2611 04", "é", "-x"])
def test_number_that_a_folder_cannot_bear_is_refused(studio: Studio, number: str) -> None:
    with pytest.raises(CallError, match="cannot be a job number") as refused:
        open_job(studio, number, client="x")
    assert refused.value.code == "W001"
    assert studio.job_numbers() == []


def test_plain_job_needs_a_client(studio: Studio) -> None:
    with pytest.raises(CallError, match="--client NAME"):
        open_job(studio, "2612-01", title="Portraits")


def test_numbers_that_differ_in_case_only_are_one_too_many(studio: Studio, contents: Contents) -> None:
    open_job(studio, "2612-b", client="x")
    before = contents(studio.folder.parent)
    with pytest.raises(CallError, match="2612-b differs from 2612-B only in case") as refused:
        open_job(studio, "2612-B", client="x")
    assert refused.value.code == "W003"
    assert contents(studio.folder.parent) == before


def test_open_job_gets_a_new_sheet_and_keeps_the_old_one(
    studio: Studio,
    tmp_path: Path,
    sheet: Document,
    write: Callable[..., Path],
    manifest_of: Callable[..., Manifest],
    contents: Contents,
) -> None:
    plain = {**sheet, "deliverables": []}
    open_job(studio, JOB, write(tmp_path / "sheet.json", plain))
    with pytest.raises(CallError, match="is open already") as again:
        open_job(studio, JOB, client="x")
    assert again.value.code == "W003"
    open_job(studio, JOB, write(tmp_path / "sheet.json", {**plain, "title": "Another title"}))
    assert manifest_of(studio).sheet["title"] == "Another title"
    kept = [json.loads(path.read_text("utf-8"))["title"] for path in sorted(studio.job_folder(JOB).glob("sheets/*"))]
    assert kept == [sheet["title"], "Another title"]
    before = contents(studio.folder.parent)
    open_job(studio, JOB, tmp_path / "sheet.json")
    assert contents(studio.folder.parent) == before


def test_two_clients_two_jobs_are_listed_apart(studio: Studio) -> None:
    open_job(studio, "2612-01", client="Sorrel Lane Instruments", title="Makers")
    open_job(studio, "2612-02", client="Ada Quill", title="Ada")
    assert [(row["job"], row["client"], row["frames"]) for row in list_jobs(studio)["jobs"]] == [
        ("2612-01", "Sorrel Lane Instruments", 0),
        ("2612-02", "Ada Quill", 0),
    ]
    with pytest.raises(CallError, match=r"no job 2612-03 in this studio \(known: 2612-01, 2612-02\)"):
        studio.job_folder("2612-03")


def test_set_up_is_assigned_and_an_unknown_one_named(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest], contents: Contents
) -> None:
    studio = at("ingested")
    assign_set_up(studio, JOB, "window", [2, 3], MANAGER)
    assert [frame["set_up"] for frame in manifest_of(studio).frames] == ["bench", "window", "window", "bench"]
    before = contents(studio.folder.parent)
    assign_set_up(studio, JOB, "window", [2, 3], MANAGER)
    assert contents(studio.folder.parent) == before
    with pytest.raises(CallError, match=r"no set-up 'roof' \(known: bench, window\)"):
        assign_set_up(studio, JOB, "roof", [2], MANAGER)
    with pytest.raises(GlassineError, match="has no frame 0009") as unknown:
        assign_set_up(studio, JOB, "window", [9], MANAGER)
    assert unknown.value.exit_status == 2
    assert contents(studio.folder.parent) == before


def test_block_needs_a_reason_and_tells_of_what_left_already(
    at: Callable[[str], Studio], manifest_of: Callable[..., Manifest], contents: Contents
) -> None:
    studio = at("delivered")
    with pytest.raises(CallError, match="needs a reason"):
        set_block(studio, JOB, [1], "  ", blocked=True, by=MANAGER)
    outcome = set_block(studio, JOB, [1], "withdrawn", blocked=True, by=MANAGER)
    said = [line for line in outcome["said"] if "ask them to withdraw it" in line]
    assert [f"Frame 0001 is in delivery {number} to" in line for number, line in enumerate(said, 1)] == [True, True]
    assert "2611-04_0001_print.tif" in said[0]
    assert any("0001 was handed out to Noa Lind: ask for it back" in line for line in outcome["said"])
    assert not list(studio.job_folder(JOB).glob("handoff/**/*0001*.xmp")), "its sidecar is away"
    assert manifest_of(studio).frame(1)["stage"] == "blocked"
    before = contents(studio.folder.parent)
    set_block(studio, JOB, [1], "withdrawn", blocked=True, by=MANAGER)
    assert contents(studio.folder.parent) == before
    set_block(studio, JOB, [1], "settled", blocked=False, by=MANAGER)
    assert manifest_of(studio).frame(1)["stage"] == "delivered"
