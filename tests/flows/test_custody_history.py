"""A frame's whole history from the record, against what is known to have happened to it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.custody_history import audit_custody
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.validation import Document

JOB = "2611-04"
Run = Callable[..., Document]


def where(studio: Studio, frame: int, volume: int) -> Path:
    root = studio.volume_root(studio.settings["volumes"][volume])
    return root / JOB / str(JobRecord(studio.job_folder(JOB)).manifest().frame(frame)["path"])


def test_history_of_a_delivered_frame_is_what_happened(at: Callable[[str], Studio]) -> None:
    studio = at("delivered")
    outcome = audit_custody(studio, JOB, [1])
    assert (outcome["status"], outcome["unfit"], outcome["chain"]) == (0, [], [])
    (frame,) = outcome["frames"]
    assert frame["sha256"] == hashlib.sha256(where(studio, 1, 0).read_bytes()).hexdigest()
    happened = [line["what"] for line in frame["history"]]
    order = [
        "taken in as",
        "copied to working",
        "copied to backup",
        "handed out",
        "came back",
        "packed in",
        "handed over",
    ]
    at_lines = [next(i for i, what in enumerate(happened) if word in what) for word in order]
    assert at_lines == sorted(at_lines)
    assert [line["entry"] for line in frame["history"]] == sorted(line["entry"] for line in frame["history"])
    for line in frame["history"]:  # each line is of the entry that it names
        entry = json.loads((studio.job_folder(JOB) / "record" / f"{line['entry']:08d}.json").read_bytes())
        assert (entry["at"], entry["event"]) == (line["at"], line["event"])
    assert len(happened) == len(set(zip(happened, (line["entry"] for line in frame["history"]), strict=True)))
    assert all(one["by"] in {"Imre Falk", "Tove Abel", "Noa Lind", "Ada Quill"} for one in frame["history"])
    said = "\n".join(outcome["said"])
    assert "the chain of its" in said
    assert "short of 3-2-1: 1 more copy (it has 2 of 3)" in said


def test_all_frames_are_a_line_each(at: Callable[[str], Studio]) -> None:
    outcome = audit_custody(at("ingested"), JOB)
    assert [frame["number"] for frame in outcome["frames"]] == ["0001", "0002", "0003", "0004"]
    assert sum(line.startswith("000") for line in outcome["said"]) == 4


def test_bad_and_mended_copies_are_in_the_history(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("ingested")
    rotten = where(studio, 2, 1)
    rotten.write_bytes(b"rot" + rotten.read_bytes()[3:])
    where(studio, 3, 0).unlink()
    assert audit_custody(studio, JOB)["unfit"] == [f"working: {where(studio, 3, 0).relative_to(studio.job_folder(JOB))} should be whole, and is not there."]  # fmt: skip
    run("verify", studio)
    found = audit_custody(studio, JOB, [2, 3])
    assert found["status"] == 1
    assert [("altered" in one, "missing" in one) for one in found["unfit"]] == [(True, False), (False, True)]
    run("verify", studio, repair=True)
    mended = audit_custody(studio, JOB, [2, 3])
    assert (mended["status"], mended["unfit"]) == (0, [])
    second, third = ([line["what"] for line in frame["history"]] for frame in mended["frames"])
    assert any(what.startswith("NOT WHOLE") and "read as" in what for what in second)
    assert any(what.startswith("made again from working") and "kept as aside/" in what for what in second)
    assert any(what.startswith("NOT THERE") for what in third)
    assert any(what.startswith("made again from backup") for what in third)


def test_a_file_that_no_entry_names_and_one_of_another_size(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    stranger = where(studio, 1, 1).with_name("SIMU0099.00000000.DNG")
    stranger.write_bytes(b"from elsewhere")
    with where(studio, 4, 0).open("ab") as stream:
        stream.write(b"more")
    outcome = audit_custody(studio, JOB)
    assert outcome["status"] == 1
    assert [("SIMU0099" in one, "should have" in one) for one in outcome["unfit"]] == [(False, True), (True, False)]


def test_a_broken_chain_proves_nothing(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    entry = studio.job_folder(JOB) / "record" / "00000003.json"
    entry.write_bytes(entry.read_bytes().replace(b"2", b"3", 1))
    outcome = audit_custody(studio, JOB)
    assert (outcome["status"], outcome["frames"]) == (1, [])
    assert "Entry 3 of the record is altered" in outcome["chain"][0]


@pytest.mark.parametrize("change", ["altered", "missing", "later"])
def test_a_volume_whose_entries_are_others(at: Callable[[str], Studio], change: str) -> None:
    studio = at("ingested")
    record = studio.volume_root(studio.settings["volumes"][1]) / JOB / "record"
    newest = max(record.iterdir())
    if change == "altered":
        newest.write_bytes(newest.read_bytes() + b" ")
    elif change == "missing":
        newest.unlink()
    else:
        (record / "00000999.json").write_bytes(b"{}")
    outcome = audit_custody(studio, JOB)
    if change == "missing":  # a volume that was away lacks some: that is owed, and no contradiction
        assert (outcome["status"], outcome["volumes"][1]["lacks"]) == (0, 1)
    else:
        assert outcome["status"] == 1
        assert len(outcome["unfit"]) == 1


def test_a_volume_that_is_away_is_said(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    root = studio.volume_root(studio.settings["volumes"][1])
    root.rename(root.with_name("drawer"))
    outcome = audit_custody(studio, JOB)
    assert outcome["status"] == 0
    assert any(line.startswith("Not looked at: Volume backup is absent") for line in outcome["said"])


@pytest.mark.parametrize("folder", ["heads", "record"])
def test_a_volume_that_cannot_be_read_holds_up_no_other(
    at: Callable[[str], Studio], make_unreadable: Callable[[Path], None], folder: str
) -> None:
    studio = at("ingested")
    make_unreadable(studio.volume_root(studio.settings["volumes"][1]) / JOB / folder)
    gone = where(studio, 3, 0)
    gone.unlink()
    outcome = audit_custody(studio, JOB)
    assert [volume["name"] for volume in outcome["volumes"]] == ["working"]
    assert outcome["unfit"] == [
        f"working: {gone.relative_to(studio.job_folder(JOB))} should be whole, and is not there."
    ]
    (line,) = [line for line in outcome["said"] if line.startswith("Not looked at: ")]
    assert line.startswith("Not looked at: Volume backup at ")
    assert "cannot be read" in line


def test_copies_are_counted_in_words(at: Callable[[str], Studio], run: Run) -> None:
    studio = at("ingested")
    where(studio, 2, 0).unlink()
    run("verify", studio)
    first, second, *_ = [line for line in audit_custody(studio, JOB)["said"] if line.startswith("000")]
    assert "  2 whole copies on working, backup" in first
    assert "  1 whole copy on backup" in second


def test_an_unknown_frame(at: Callable[[str], Studio]) -> None:
    with pytest.raises(CallError, match="has no frame 0099"):
        audit_custody(at("ingested"), JOB, [99])
