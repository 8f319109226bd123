"""`glassine look ...`: what is typed, what is read from the pipe and from a terminal, what is printed where."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cyclopts import App, Parameter

from glassine.flows.cli_look import look_app
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, GlassineError
from glassine.schemas.validation import Document

JOB = "2611-04"
Call = Callable[..., Document]
PROGRAM = """
import sys
from glassine.flows.cli_look import look_app
if __name__ == "__main__":
    outcome = look_app(sys.argv[1:], result_action="return_value")
    print(outcome["said"], outcome["problems"], outcome["saved"])
    sys.exit(outcome["status"])
"""


@pytest.fixture
def call(studio: Studio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Call:
    """Run a command of looks in the studio, from a folder of one's own."""
    monkeypatch.chdir(tmp_path)
    root = App(default_parameter=Parameter(negative=()))
    root.command(look_app)

    def run(*words: str, where: Studio = studio, typed: str = "") -> Document:
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        outcome: Any = root(
            ["look", *words, "--studio", str(where.folder)], exit_on_error=False, print_error=False,
            result_action="return_value",
        )  # fmt: skip
        return dict(outcome)

    return run


@pytest.fixture
def original(card: Path) -> str:
    return str(next(card.rglob("SIMU0001.DNG")))


def test_looks_are_listed_made_and_seen(call: Call, original: str, tmp_path: Path) -> None:
    (tmp_path / "evening.cube").write_text("LUT_1D_SIZE 2\n0 0 0\n1 0.9 0.8\n")
    (tmp_path / "late.cc").write_text(
        "<ColorCorrection id='x'><SatNode><Saturation>0.5</Saturation></SatNode></ColorCorrection>"
    )
    assert call("make", "evening", "--cube", "evening.cube", "--purpose", "Late.")["status"] == 0
    made = call("make", "late", "--cdl", "late.cc", "--id", "x", "--from", "soft-mono", "--purpose", "Later.",
                "--space", "ROMM RGB")  # fmt: skip
    assert made["look"]["steps"][-1]["space"] == "ROMM RGB"
    assert [look["name"] for look in call("list")["looks"]] == [
        "evening", "hard-mono", "late", "lifted-mono", "plain-colour", "soft-mono",
    ]  # fmt: skip
    shown = call(original, "--look", "evening", "--look", "late", "--out", "sheet.jpg")
    assert Path(shown["sheet"]) == tmp_path / "sheet.jpg"
    assert (tmp_path / "sheet.jpg").is_file()


def test_frames_of_a_job_are_typed_with_its_number(call: Call, at: Callable[[str], Studio]) -> None:
    studio = at("proofed")
    shown = call(f"{JOB}/0001-0002", f"{JOB}/0002", "--look", "hard-mono", "--look", "soft-mono", where=studio)
    assert Path(shown["sheet"]).name == "looks_0001-0002_hard-mono_soft-mono.jpg"
    with pytest.raises(CallError, match="names 2 frames; one is wanted"):
        call("tune", "hard-mono", f"{JOB}/0001-0002", where=studio)
    with pytest.raises(CallError) as refused:
        call(f"{JOB}/0099", where=studio)
    assert refused.value.code == "W002"


@pytest.mark.parametrize("text", ["none.dng", "9999-99/0001", "a/b/c.dng", "2611-04/"])
def test_what_is_neither_a_file_nor_a_frame_is_refused(call: Call, text: str) -> None:
    with pytest.raises(CallError, match="is neither a file nor a frame of a job, written as 2611-04/0009") as refused:
        call(text)
    assert refused.value.code == "W002"


@pytest.mark.parametrize(
    "words",
    [
        (f"{JOB}/0001", "--look", "x" * 5000),
        ("make", "x" * 5000, "--from", "hard-mono", "--purpose", "X."),
        ("make", "a", "--from", "x" * 5000, "--purpose", "X."),
        ("tune", "x" * 5000, f"{JOB}/0001"),
        ("tune", "hard-mono", f"{JOB}/0001", "--as", "x" * 5000),
        ("x" * 5000,),
        ("tune", "hard-mono", "x" * 5000),
    ],
    ids=["look", "make", "from", "tune", "as", "frame", "tune a frame"],
)
def test_a_name_that_is_too_long_for_any_file_is_a_wrong_word(
    call: Call, at: Callable[[str], Studio], words: tuple[str, ...]
) -> None:
    with pytest.raises(GlassineError) as refused:
        call(*words, where=at("proofed"))
    assert refused.value.exit_status == 2
    assert len(refused.value.sentence) < 400


def test_lines_come_in_by_a_pipe_and_nothing_but_the_outcome_goes_to_stdout(
    call: Call, original: str, capsys: pytest.CaptureFixture[str]
) -> None:
    outcome = call("tune", "hard-mono", original, "--as", "harder", "--json", typed="exposure 1\nsteps\nsave\n")
    assert (outcome["status"], outcome["saved"]) == (0, ["harder"])
    assert json.dumps(outcome), "it is one JSON document"
    out, err = capsys.readouterr()
    assert out == ""
    assert "tuning_hard-mono.jpg" in err
    assert "exposure +1 stops" in err


def test_a_wrong_line_in_a_pipe_is_status_2(call: Call, original: str) -> None:
    outcome = call("tune", "hard-mono", original, typed="exposure 1\nexposure up\nsave\n")
    assert (outcome["status"], outcome["saved"]) == (2, ["hard-mono"])
    assert outcome["problems"] == ["Line 2: “up” is no number: write it as 0.5 or -2."]


def test_bytes_that_are_no_text_are_one_sentence(
    call: Call, original: str, monkeypatch: pytest.MonkeyPatch, studio: Studio
) -> None:
    from glassine.flows import cli_look

    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"exposure 1\n\xff\xfe\n"), "utf-8"))
    with pytest.raises(CallError, match="no UTF-8 text"):
        list(cli_look._typed_lines(at_terminal=False))


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal")
def test_at_a_terminal_it_asks_line_by_line(studio: Studio, original: str, tmp_path: Path) -> None:
    import pty

    program = tmp_path / "program.py"
    program.write_text(PROGRAM, encoding="utf-8")
    ours, theirs = pty.openpty()
    words = ["tune", "hard-mono", original, "--as", "harder", "--studio", str(studio.folder)]
    running = subprocess.Popen(
        [sys.executable, str(program), *words], stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        cwd=tmp_path, text=True,
    )  # fmt: skip
    os.close(theirs)
    os.write(ours, b"exposure up\nexposure 1\nquit\nsave\nquit\n")
    out, err = running.communicate(timeout=120)
    os.close(ours)
    assert running.returncode == 0
    assert out.strip() == "[] [] ['harder']", "what was said stands at the terminal already"
    for said in ("look> ", "“up” is no number", "There are unsaved changes", "Saved as look harder"):
        assert said in err
