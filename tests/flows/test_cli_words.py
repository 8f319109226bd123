"""Words that are wrong: what is wrong is said, what was perhaps meant, and an example that works."""

from __future__ import annotations

import difflib
import shlex

import pytest
from cyclopts import CycloptsError
from hypothesis import given
from hypothesis import strategies as st

from glassine.flows.cli import app
from glassine.flows.cli_words import every_command, example_of, option_names, wrong_words
from glassine.schemas.errors import CallError

COMMANDS = list(every_command(app))


def sentence(*words: str) -> str:
    with pytest.raises((CycloptsError, CallError)) as raised:
        app(list(words), exit_on_error=False, print_error=False)
    # A command that takes words itself, and has others below it, says which was meant.
    error = wrong_words(raised.value, app) if isinstance(raised.value, CycloptsError) else raised.value
    assert isinstance(error, CallError)
    assert (error.code, error.exit_status) == ("W001", 2)
    return error.sentence


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["statsu"], "glassine status"),
        (["job", "opne"], "glassine job open"),
        (["retouch", "breif", "2611-04"], "glassine retouch brief"),
        (["mark"], "glassine selects mark"),  # it is one, elsewhere
        (["take-back", "2611-04"], "glassine retouch take-back"),
        (["look", "tnue"], "glassine look tune"),
    ],
)
def test_misspelt_command_names_the_nearest(words: list[str], meant: str) -> None:
    assert f"Did you mean `{meant}`?" in sentence(*words)


def test_command_like_no_other_names_all() -> None:
    said = sentence("frobnicate")
    assert "Did you mean" not in said
    for name in app:
        assert name.startswith("-") or name in said
    assert said.endswith("See `glassine --help`.")


@given(st.sampled_from(COMMANDS), st.data())
def test_one_letter_left_out_of_a_command_finds_it_or_one_as_near(
    one: tuple[tuple[str, ...], object], data: st.DataObject
) -> None:
    *groups, name = one[0]
    cut = data.draw(st.integers(0, len(name) - 1))
    typed = name[:cut] + name[cut + 1 :]
    said = sentence(*groups, typed)
    meant = said.split("Did you mean `")[1].split("`")[0].split()[-1]
    nearness = difflib.SequenceMatcher(None, meant, typed).ratio()
    assert nearness >= difflib.SequenceMatcher(None, name, typed).ratio()


def test_misspelt_option_names_the_nearest_else_all_that_there_are() -> None:
    assert "has no option --jsn. Did you mean --json?" in sentence("status", "--jsn")
    assert "has no option --colour. It has --studio, --by, --json." in sentence("status", "--colour")


@pytest.mark.parametrize(
    ("words", "needed"),
    [
        (["ingest"], "`glassine ingest` needs NUMBER (The job's number)."),
        (["ingest", "2611-04"], "needs SOURCES (Cards or folders; nothing on them is changed)."),
        (["deliver", "2611-04"], "needs --to (The client, as the job sheet names it)."),
        (["audit", "--file"], "needs a value after --file (Any file: "),
    ],
)
def test_missing_word_is_named_and_explained(words: list[str], needed: str) -> None:
    assert needed in sentence(*words)


@pytest.mark.parametrize(
    "words", [["ingest"], ["proof", "1", "2 3"], ["completion", "tcsh"], ["status", "--x"], ["job", "set-up", "1"]]
)
def test_every_wrong_call_of_a_command_ends_with_its_example_and_its_help(words: list[str]) -> None:
    path = next(path for path, _ in COMMANDS if list(path) == words[: len(path)])
    said = sentence(*words)
    assert f"Example: {example_of(dict(COMMANDS)[path])}." in said
    assert said.endswith(f"See `glassine {shlex.join(path)} --help`.")
    assert "\n" not in said


def test_words_too_many_are_named() -> None:
    assert "does not know what to do with '2', '3'" in sentence("proof", "1", "2", "3")


def test_options_are_those_that_stand_behind_dashes() -> None:
    assert option_names(app["ingest"], app) == ["--set-up", "--card", "--studio", "--by", "--json"]
