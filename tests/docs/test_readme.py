"""Every command that README.md and DEVELOPERS.md show is one that the command line takes."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from glassine.flows.cli import app

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"


def shown_commands(text: str) -> list[str]:
    """Whole commands: the lines of code blocks that begin with `glassine`."""
    return [line.strip() for line in text.splitlines() if re.match(r" {4,}glassine ", line)]


def test_whole_commands_parse() -> None:
    if not README.exists():
        pytest.skip("README.md is not written yet")
    commands = shown_commands(README.read_text("utf-8"))
    assert len(commands) >= 10
    for line in commands:
        words = shlex.split(line, comments=True)[1:]
        if ">" in words:
            words = words[: words.index(">")]
        function, _, _ = app.parse_args(words, exit_on_error=False, print_error=False)
        assert function is not None, line


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_commands_named_in_a_sentence_exist(name: str) -> None:
    path = ROOT / name
    if not path.exists():
        pytest.skip(f"{name} is not written yet")
    for line in re.findall(r"`glassine ([a-z][^`]*)`", path.read_text("utf-8")):
        command = app
        for word in line.split():
            if command.default_command is not None or not re.fullmatch(r"[a-z][a-z-]*", word):
                break
            assert word in list(command), f"{name}: `glassine {line}`"
            command = command[word]


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "schemas/FORMAT.md"])
def test_files_that_are_named_are_there(name: str) -> None:
    path = ROOT / name
    if not path.exists():
        pytest.skip(f"{name} is not written yet")
    text = path.read_text("utf-8")
    links = [target for target in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in target]
    named = re.findall(r"`((?:config|schemas|tasks|flows|tests)/[\w./-]+?\.\w+)`", text)
    for target in [*links, *named]:
        assert (ROOT / target).exists(), f"{name} names {target}"
