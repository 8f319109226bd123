"""Words of a call that are wrong, in one sentence: what is wrong, what was perhaps meant, and an example that works."""

from __future__ import annotations

import difflib
import inspect
import re
from collections.abc import Iterator

from cyclopts import App, CycloptsError, MissingArgumentError, UnknownOptionError, UnusedCliTokensError
from cyclopts.exceptions import UnknownCommandError

from glassine.schemas.errors import CallError

PROGRAM = "glassine"


def every_command(parent: App, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], App]]:
    """Every command that does something, with the words that call it."""
    for name in parent:
        if name.startswith("-"):
            continue
        child = parent[name]
        if child.default_command is not None:
            yield (*path, name), child
        yield from every_command(child, (*path, name))


def example_of(command: App) -> str:
    """The example in a command's help, or nothing for a group of commands."""
    found = re.search(rf"^\s*Example: ({PROGRAM} .+)$", command.help, re.MULTILINE)
    return found[1].strip() if found else ""


def option_names(command: App, root: App) -> list[str]:
    """The options of a command, without the words that may stand bare."""
    found = command.assemble_argument_collection(default_parameter=root.default_parameter)
    return [
        name
        for argument in found
        if argument.show and argument.field_info.kind is inspect.Parameter.KEYWORD_ONLY
        for name in argument.names
    ]


def wrong_words(error: CycloptsError, root: App) -> CallError:
    """The sentence for words that the command line does not take."""
    path = tuple(error.command_chain or ())
    command = root
    for word in path:
        command = command[word]
    called = " ".join((PROGRAM, *path))
    match error:
        case UnknownCommandError():
            return CallError("W001", _unknown_command(root, command, called, (error.unused_tokens or ["?"])[0]))
        case UnknownOptionError():
            options = option_names(command, root)
            said = _unknown_option(options, called, error.token.keyword or error.token.value)
        case MissingArgumentError():
            said = _missing(command, called, error)
        case UnusedCliTokensError():
            words = error.unused_tokens or ["?"]
            if _names(command):  # a command that does something by itself, and has others below it
                return CallError("W001", _unknown_command(root, command, called, words[0]))
            extra = ", ".join(map(repr, words))
            said = f"`{called}` does not know what to do with {extra}: quote a name that holds spaces."
        case _:
            said = " ".join(str(error).split())
    example = example_of(command)
    return CallError("W001", f"{said}{f' Example: {example}.' if example else ''} See `{called} --help`.")


def _names(group: App) -> list[str]:
    """The commands below a command."""
    return [name for name in group if not name.startswith("-")]


def _unknown_command(root: App, group: App, called: str, word: str) -> str:
    commands = list(every_command(root))
    names = {path[-1]: " ".join(path) for path, _ in reversed(commands)}
    names |= {name: name for name in root if not name.startswith("-")}
    near = difflib.get_close_matches(word, _names(group), 1)
    meant = f"{called} {near[0]}" if near else ""
    if not near and (elsewhere := difflib.get_close_matches(word, list(names), 1)):
        meant = f"{PROGRAM} {names[elsewhere[0]]}"
    known = ", ".join(_names(group))
    perhaps = f" Did you mean `{meant}`?" if meant else ""
    return f"`{called}` has no command {word!r}.{perhaps} It has {known}. See `{called} --help`."


def _unknown_option(options: list[str], called: str, word: str) -> str:
    near = difflib.get_close_matches(word, options, 1)
    perhaps = f" Did you mean {near[0]}?" if near else f" It has {', '.join(options)}."
    return f"`{called}` has no option {word}.{perhaps}"


def _missing(command: App, called: str, error: MissingArgumentError) -> str:
    argument = error.argument
    assert argument is not None, "every missing argument is one of the command's"
    by_name = {one.name: one for one in command.assemble_argument_collection(parse_docstring=True)}
    meaning = " ".join((by_name[argument.name].parameter.help or "").split()).rstrip(".")
    may_be_bare = argument.field_info.kind is inspect.Parameter.POSITIONAL_OR_KEYWORD
    shown = argument.name.removeprefix("--").upper() if may_be_bare else argument.name
    needed = f"a value after {error.keyword}" if error.keyword else shown
    return f"`{called}` needs {needed}{f' ({meaning})' if meaning else ''}."
