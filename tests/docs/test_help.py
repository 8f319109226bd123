"""Help that teaches: what a command does, an example that works, what comes next; and a script for every shell."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cyclopts import App

from glassine.flows.cli import app, main
from glassine.flows.cli_words import every_command, example_of

COMMANDS = list(every_command(app))
IDS = [" ".join(path) for path, _ in COMMANDS]
every = pytest.mark.parametrize(("path", "command"), COMMANDS, ids=IDS)
Path_ = tuple[str, ...]


def parse(line: str) -> tuple[Callable[..., Any], dict[str, Any]]:
    """What the command line makes of a whole command, without running it; what a shell would do is left out."""
    words = shlex.split(line)
    words = words[1 : words.index(">")] if ">" in words else words[1:]
    function, bound, _ = app.parse_args(words, exit_on_error=False, print_error=False)
    return function, bound.arguments


def shown_help(path: Path_, capsys: pytest.CaptureFixture[str]) -> str:
    assert main([*path, "--help"]) == 0
    return " ".join(capsys.readouterr().out.replace("│", " ").split())


def test_the_walk_finds_every_command() -> None:
    assert {path[0] for path, _ in COMMANDS} == {name for name in app if not name.startswith("-")}
    assert len(COMMANDS) >= 25


@every
def test_example_parses_and_is_shown(path: Path_, command: App, capsys: pytest.CaptureFixture[str]) -> None:
    example = example_of(command)
    assert example, "its docstring has an `Example:` line"
    assert tuple(shlex.split(example)[1 : len(path) + 1]) == path
    function, arguments = parse(example)
    assert function is command.default_command
    assert arguments or path in {("job", "list"), ("job", "sheet"), ("doctor",)}
    shown = shown_help(path, capsys)
    assert f"Example: {example}" in shown
    for option in ("--studio", "--by", "--json"):
        assert option in shown


@every
def test_help_says_what_comes_next(path: Path_, command: App) -> None:
    lines = re.findall(r"^\s*(?:Next|See also): (.+)$", str(command.help), re.MULTILINE)
    assert lines, "its docstring has a `Next:` or a `See also:` line"
    for line in lines:
        assert line.startswith("glassine "), "the line is one whole command"
        function, _ = parse(line)
        assert function is not command.default_command, "what comes next is another command"


@every
def test_every_parameter_is_explained(path: Path_, command: App) -> None:
    found = command.assemble_argument_collection(parse_docstring=True)
    silent = [argument.name for argument in found if argument.show and not argument.parameter.help]
    assert silent == []


@every
def test_help_begins_with_one_sentence(path: Path_, command: App) -> None:
    first = str(command.help).splitlines()[0]
    assert first.rstrip(")")[-1] in ".;:"
    assert first[0].isupper()


@pytest.mark.parametrize("group", [app[name] for name in app if not name.startswith("-")], ids=lambda one: one.name[0])
def test_first_page_says_what_each_command_is_for(group: App, capsys: pytest.CaptureFixture[str]) -> None:
    shown = shown_help((), capsys)
    assert " ".join(str(group.help).splitlines()[0].split()) in shown


def test_first_page_tells_a_newcomer_how_to_begin(capsys: pytest.CaptureFixture[str]) -> None:
    shown = shown_help((), capsys)
    for line in re.findall(r"`(glassine [^`]+)`", shown):
        assert shlex.split(line)[1] in list(app)
    assert re.search(r"Begin with `glassine demo`.*`glassine doctor`.*`glassine studio new`", shown)
    assert shown.index("studio") < shown.index("ingest ") < shown.index("grade ") < shown.index("deliver ")


def script(shell: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["completion", shell]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shell_takes_the_script(shell: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = script(shell, capsys)
    for path, _ in COMMANDS:
        assert path[-1] in text
    if not shutil.which(shell):
        pytest.skip(f"{shell} is not installed")
    file = tmp_path / "glassine"
    file.write_text(text, encoding="utf-8")
    done = subprocess.run([shell, "-n", str(file)], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(not shutil.which("bash"), reason="bash is not installed")
@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        (["ret"], {"retouch"}),
        ([""], {name for name in app if not name.startswith("-")}),
        (["retouch", "sign"], {"sign-off"}),
        (["job", "open", "2611-04", "--sh"], {"--sheet"}),
        (["completion", "z"], {"zsh"}),
        (["status", "--js"], {"--json"}),
    ],
)
def test_bash_completes(
    typed: list[str], offered: set[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "glassine"
    file.write_text(script("bash", capsys), encoding="utf-8")
    # As the tab key does it: the function that `complete` was told of, with the words so far.
    code = (
        'source "$1"; shift; called=$(complete -p glassine | sed "s/.*-F \\([^ ]*\\).*/\\1/"); '
        'COMP_WORDS=(glassine "$@"); COMP_CWORD=$#; "$called" glassine "${COMP_WORDS[COMP_CWORD]}"; '
        'printf "%s\\n" "${COMPREPLY[@]}"'
    )
    done = subprocess.run(
        ["bash", "--norc", "-c", code, "bash", str(file), *typed], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    assert set(done.stdout.split()) == offered
