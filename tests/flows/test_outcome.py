"""The one shape in which commands come back."""

from __future__ import annotations

import json
from pathlib import Path

from glassine.flows.outcome import failure, merge, pretty_json, summary
from glassine.schemas.errors import CallError, DocumentError, FixityError, VolumeError


def test_outcome_is_ok_exactly_when_its_status_is_0() -> None:
    assert summary(["done"], []) == {"ok": True, "status": 0, "said": ["done"], "problems": []}
    assert summary([], ["no volume"])["status"] == 3
    assert summary([], ["no volume"])["ok"] is False
    assert summary([], ["no volume"], status=1, job="x") == {
        "ok": False,
        "status": 1,
        "said": [],
        "problems": ["no volume"],
        "job": "x",
    }


def test_failure_bears_code_sentence_every_fault_and_status() -> None:
    assert failure(CallError("W001", "One frame is wanted.")) == {
        "ok": False,
        "error": "W001",
        "sentence": "One frame is wanted.",
        "errors": ["One frame is wanted."],
        "status": 2,
    }
    several = failure(DocumentError("D002", "job.json", "due", "is wrong.", details=["due: is wrong.", "x: too"]))
    assert several["errors"] == ["due: is wrong.", "x: too"]
    assert failure(VolumeError("V001", "Absent."))["status"] == 3
    assert failure(FixityError(Path("a"), "SHA-256", "0" * 64, None))["error"] == "C002"


def test_document_for_people_reads_back() -> None:
    document = {"title": "Süd", "n": [1, 2]}
    assert json.loads(pretty_json(document)) == document
    assert "Süd".encode() in pretty_json(document)
    assert pretty_json(document).endswith(b"}\n")


def test_outcomes_of_jobs_as_one_put_what_is_not_right_before_what_may_pass() -> None:
    whole, away, bad = summary(["a"], []), summary(["b"], ["absent"]), summary(["c"], ["differs"], status=1)
    assert (merge([whole, away])["status"], merge([away, bad, whole])["status"]) == (3, 1)
    both = merge([whole, bad])
    assert (both["ok"], both["said"], both["problems"]) == (False, ["a", "c"], ["differs"])
    assert both["jobs"] == [whole, bad]
    assert merge([]) == {"ok": True, "status": 0, "said": ["No job yet."], "problems": [], "jobs": []}
