"""The doctor as a whole: its lines, its document, its exit status, and what it does without a studio."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.flows.cli import main
from glassine.flows.doctor import doctor
from glassine.flows.finding import exit_status, mind, ok, wrong, wrong_by
from glassine.flows.studio import SETTINGS, VARIABLE, Studio
from glassine.schemas.errors import CallError

LINE = re.compile(r"(ok   |mind |wrong)  [^:]+: .+")


def test_machine_without_a_studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    found = doctor(None)
    assert (found["status"], found["ok"], found["problems"]) == (0, True, [])
    assert found["findings"][-1]["what"] == "studio"
    assert "only the machine was looked at" in found["said"][-2]
    assert "glassine studio new" in found["said"][-2]
    assert all(LINE.fullmatch(line) for line in found["said"][:-1])
    assert found["said"][-1].startswith("Fit; ")
    assert list(tmp_path.iterdir()) == []


def test_studio_that_was_named_and_is_none_is_wrong(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert doctor(str(tmp_path))["status"] == 2
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    assert doctor(None)["findings"][-1]["level"] == "wrong"


def test_settings_with_a_fault_do_not_keep_the_machine_from_being_looked_at(studio: Studio) -> None:
    (studio.folder / SETTINGS).write_text("format = ", encoding="utf-8")
    found = doctor(str(studio.folder))
    assert found["status"] == 2
    assert SETTINGS in found["findings"][-1]["found"]
    assert found["findings"][0]["what"] == "Python"
    assert found["said"][-1].startswith("Not fit: 1 wrong, ")


def test_clock_of_another_century_is_said_and_is_status_3(studio: Studio) -> None:
    found = doctor(str(studio.folder), now=datetime(1980, 1, 1, tzinfo=UTC))
    assert found["status"] == 3
    assert [one["what"] for one in found["findings"] if one["level"] == "wrong"] == ["clock"]


@given(st.lists(st.sampled_from([0, 1, 2, 3])))
def test_what_is_not_right_goes_before_the_world_and_that_before_words(statuses: list[int]) -> None:
    findings = [wrong("x", "y", "z", status) if status else mind("x", "y", "z") for status in statuses]
    assert exit_status(findings) == next((status for status in (1, 3, 2) if status in statuses), 0)


def test_lines_and_documents_of_findings() -> None:
    assert ok("a", "b").line() == "ok     a: b"
    assert mind("a", "b", "c").line() == "mind   a: b - c"
    error = CallError("W002", "Nobody knows it: ask.")
    assert wrong_by("a", error).line() == "wrong  a: Nobody knows it: ask."
    assert wrong_by("a", error).as_document() == {
        "level": "wrong",
        "what": "a",
        "found": "Nobody knows it: ask.",
        "do": "",
        "status": 2,
    }


def test_command_prints_lines_for_a_person(studio: Studio, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--studio", str(studio.folder)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "\nok     studio: Test Studio in " in out


def test_command_answers_without_the_flow_engine(studio: Studio) -> None:
    code = (
        "import sys; from glassine.flows.cli import main; status = main(sys.argv[1:]); "
        "print('prefect' in sys.modules, file=sys.stderr); sys.exit(status)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "doctor", "--json", "--studio", str(studio.folder)], capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "False\n")
    assert json.loads(done.stdout)["findings"]
