"""Tuning on a live frame: the picture, saving, and lines that are wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from glassine.flows.look import look_bytes
from glassine.flows.look_tune import tune_look
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, GlassineError
from glassine.schemas.validation import Document
from glassine.tasks.imaging.bit_depth import from_integers
from glassine.tasks.imaging.look_tuning import LINES

JOB = "2611-04"
Tune = Callable[..., Document]


@pytest.fixture
def original(card: Path) -> Path:
    return next(card.rglob("SIMU0001.DNG"))


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def tune(studio: Studio, original: Path, told: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tune:
    """Tune a look on a file, by default piped; what is said at once goes to `told`."""
    monkeypatch.chdir(tmp_path)

    def run(name: str, lines: Iterable[str], **words: Any) -> Document:
        usual: dict[str, Any] = {"say": told.append, "at_terminal": False}
        return tune_look(studio, name, original, lines, **{**usual, **words})

    return run


def halves(path: Path) -> tuple[Any, Any]:
    """The pictures before and after."""
    with Image.open(path) as sheet:
        pixels = from_integers(np.asarray(sheet))
    return pixels[150:850, 60:1240], pixels[150:850, 1288:2468]


def test_each_line_is_seen_at_once_before_and_after_at_one_place(tune: Tune, tmp_path: Path, told: list[str]) -> None:
    preview = tmp_path / "tuning_plain-colour.jpg"
    seen = []

    def watching() -> Iterator[str]:
        for line in ("exposure -2", "filter red", "undo", "undo"):
            seen.append(preview.read_bytes())
            yield line

    outcome = tune("plain-colour", watching())
    seen.append(preview.read_bytes())
    assert outcome["preview"] == str(preview)
    assert str(preview) in told[0]
    start, darker, grey, darker_again, end = seen
    assert len({start, darker, grey}) == 3
    assert (darker_again, end) == (darker, start)
    (tmp_path / "grey.jpg").write_bytes(grey)
    before, after = halves(tmp_path / "grey.jpg")
    assert after.mean() < before.mean() - 0.1
    assert np.ptp(before, axis=2).max() > 0.1
    assert np.ptp(after, axis=2).max() < 0.02
    assert outcome["unsaved"] is False, "everything was undone"


def test_the_light_is_decoded_once(
    studio: Studio, original: Path, told: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    frame = tmp_path / "frame.dng"
    frame.write_bytes(original.read_bytes())

    def lines() -> Iterator[str]:
        frame.unlink()
        yield "exposure 1"

    outcome = tune_look(studio, "hard-mono", frame, lines(), say=told.append, at_terminal=False)
    assert (outcome["status"], outcome["unsaved"]) == (0, True)


def test_saving_replaces_the_look_that_is_tuned(tune: Tune, studio: Studio) -> None:
    outcome = tune("hard-mono", ["exposure 1", "save", "purpose Lighter.", "save", "quit", "exposure 9"])
    look = studio.look("hard-mono")
    assert look["purpose"] == "Lighter."
    assert {"step": "exposure", "stops": 1} in look["steps"]
    assert (studio.folder / "looks" / "hard-mono.json").read_bytes() == look_bytes(look)
    assert (outcome["saved"], outcome["unsaved"], outcome["look"]) == (["hard-mono"] * 2, False, look)
    saved = [line for line in outcome["said"] if line.startswith("Saved as look hard-mono.")]
    assert len(saved) == 2
    assert "adopt it with their next command, and their proofs and finals in it are due again" in saved[0]


def test_saving_under_another_name_leaves_the_first_as_it_was(tune: Tune, studio: Studio) -> None:
    before = (studio.folder / "looks" / "hard-mono.json").read_bytes()
    outcome = tune("hard-mono", ["exposure 1", "save", "exposure 2", "save third", "save"], new_name="second")
    assert (studio.folder / "looks" / "hard-mono.json").read_bytes() == before
    assert studio.look("second")["steps"][0]["stops"] == 1
    assert studio.look("third")["steps"][0]["stops"] == 2
    assert outcome["saved"] == ["second", "third", "third"], "what was saved last is saved again"
    assert outcome["look"]["name"] == "third"
    assert any("a new one: a job uses it once its sheet names it" in line for line in outcome["said"])


def test_no_other_look_is_ever_replaced(tune: Tune, studio: Studio, tmp_path: Path) -> None:
    before = (studio.folder / "looks" / "soft-mono.json").read_bytes()
    with pytest.raises(CallError, match="There is a look soft-mono already") as refused:
        tune("hard-mono", [], new_name="soft-mono")
    assert refused.value.code == "W003"
    outcome = tune("hard-mono", ["exposure 1", "save soft-mono", "save ../out", "save"])
    assert outcome["status"] == 2
    first, second = outcome["problems"]
    assert first == "Line 2: There is a look soft-mono already: save this one under another name."
    assert second.startswith("Line 3: look ../out, at name: must be written so")
    assert (studio.folder / "looks" / "soft-mono.json").read_bytes() == before
    assert outcome["saved"] == ["hard-mono"], "the lines after a wrong one are taken"


def test_a_look_that_somebody_else_changed_meanwhile_is_not_replaced(tune: Tune, studio: Studio) -> None:
    path = studio.folder / "looks" / "hard-mono.json"

    def lines() -> Iterator[str]:
        yield "exposure 1"
        path.write_bytes(path.read_bytes().replace(b"Preview", b"PREVIEW"))
        yield "save"
        yield "save mine"

    outcome = tune("hard-mono", lines())
    assert "was changed meanwhile: save this one under another name" in outcome["problems"][0]
    assert b"PREVIEW" in path.read_bytes()
    assert outcome["saved"] == ["mine"]


def test_wrong_lines_change_nothing_and_are_counted(tune: Tune, tmp_path: Path) -> None:
    outcome = tune("hard-mono", ["# a comment", "", "exposure 99", "brighter", "undo"])
    assert outcome["status"] == 2
    assert [line.partition(":")[0] for line in outcome["problems"]] == ["Line 3", "Line 4", "Line 5"]
    assert outcome["unsaved"] is False
    before, after = halves(tmp_path / "tuning_hard-mono.jpg")
    assert np.abs(before - after).mean() < 0.01


def test_commands_stand_alone(tune: Tune) -> None:
    outcome = tune("hard-mono", ["exposure 1", "undo 3", "quit now", "steps all", "help me", "save a b"])
    assert (outcome["status"], outcome["unsaved"], outcome["saved"]) == (2, True, [])
    assert outcome["problems"] == [
        "Line 2: `undo` stands alone: write nothing after it.",
        "Line 3: `quit` stands alone: write nothing after it.",
        "Line 4: `steps` stands alone: write nothing after it.",
        "Line 5: `help` stands alone: write nothing after it.",
        "Line 6: Write: save, or save NAME with one name.",
    ]


@pytest.mark.parametrize("name", ["con", "nul", "com1"])
def test_no_look_is_saved_under_a_name_that_some_system_keeps_for_itself(tune: Tune, studio: Studio, name: str) -> None:
    outcome = tune("hard-mono", [f"save {name}"])
    assert outcome["status"] == 2
    assert outcome["problems"] == [
        f"Line 1: look {name}, at name: is kept by some systems for themselves: take another."
    ]
    assert not (studio.folder / "looks" / f"{name}.json").exists()


def test_what_was_not_saved_is_said(tune: Tune, studio: Studio) -> None:
    before = (studio.folder / "looks" / "hard-mono.json").read_bytes()
    for lines in (["exposure 1"], ["exposure 1", "quit"]):
        outcome = tune("hard-mono", lines)
        assert (outcome["status"], outcome["unsaved"], outcome["saved"]) == (0, True, [])
        assert outcome["said"][-1] == "Not saved: the last changes of look hard-mono."
    assert (studio.folder / "looks" / "hard-mono.json").read_bytes() == before


def test_at_a_terminal_wrong_lines_are_only_said_and_unsaved_changes_asked_about_once(
    tune: Tune, told: list[str]
) -> None:
    lines = iter(["brighter", "exposure 1", "quit", "exposure 2", "quit", "quit", "exposure 3"])
    outcome = tune("hard-mono", lines, at_terminal=True)
    assert (outcome["status"], outcome["problems"]) == (0, [])
    assert sum("unsaved changes" in line for line in told) == 2, "asked again after another change"
    assert any("“brighter” begins no line of tuning" in line for line in told)
    assert told[-1].startswith("Not saved")
    assert list(lines) == ["exposure 3"], "quit ends it"
    told.clear()
    tune("hard-mono", ["exposure 1", "save new", "quit", "exposure 2"], at_terminal=True)
    assert not any("unsaved" in line for line in told)


def test_steps_and_help_are_said_at_once(tune: Tune, told: list[str]) -> None:
    tune("lifted-mono", ["help", "steps"])
    said = [line.strip() for line in told]
    assert set(LINES) < set(said)
    assert "save [NAME]" in said
    assert any(line.startswith("grain 17, on film of 36 mm") for line in said)


@pytest.mark.parametrize(("name", "code"), [("nope", "D004"), ("../hard-mono", "D002"), ("Hard", "D002")])
def test_a_look_that_is_none_is_said_before_anything_is_decoded(tune: Tune, name: str, code: str) -> None:
    with pytest.raises(GlassineError) as refused:
        tune(name, [])
    assert refused.value.code == code


def test_a_picture_of_ones_own_is_not_written_over(tune: Tune, tmp_path: Path) -> None:
    own = tmp_path / "tuning_hard-mono.jpg"
    Image.new("RGB", (30, 20)).save(own)
    before = own.read_bytes()
    with pytest.raises(CallError, match="is no look sheet"):
        tune("hard-mono", ["exposure 1"])
    assert own.read_bytes() == before


def test_a_frame_of_a_job_has_its_picture_with_the_job(
    at: Callable[[str], Studio], contents: Callable[[Path], dict[str, str]], told: list[str]
) -> None:
    studio = at("proofed")
    folder = studio.job_folder(JOB)
    before = contents(folder)
    outcome = tune_look(studio, "hard-mono", (JOB, 3), ["exposure 1", "save"], say=told.append, at_terminal=False)
    assert Path(outcome["preview"]) == folder / "proofs" / "looks" / "tuning_hard-mono.jpg"
    assert set(contents(folder)) - set(before) == {"proofs/looks/tuning_hard-mono.jpg"}
    assert outcome["status"] == 0


def test_a_job_adopts_a_look_that_was_saved(
    at: Callable[[str], Studio], run: Callable[..., Document], told: list[str]
) -> None:
    studio = at("proofed")
    assert run("proof", studio)["made"] == []
    tune_look(studio, "hard-mono", (JOB, 1), ["exposure 1", "save"], say=told.append, at_terminal=False)
    assert run("proof", studio)["made"] == ["0001", "0002", "0003", "0004"]
