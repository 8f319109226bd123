"""The commands of looks: `glassine look ...`."""

from __future__ import annotations

import difflib
import errno
import re
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, Parameter

from glassine.flows.cli_common import HERE, Common, frame_numbers
from glassine.flows.prefect_environment import set_environment
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document

look_app = App(name="look")
_JOB_AND_FRAME = re.compile(r"([^/]+)/([^/]+)")
_PROMPT = "look> "


@look_app.default
def look(
    frames: list[str], *, look: list[str] | None = None, out: Path | None = None, common: Common = HERE
) -> Document:
    """Show frames by several looks, side by side on one sheet.

    A row a frame, each picture with the name of its look under it. One to six
    looks, at most twelve frames. Nothing is recorded.

    Example: glassine look 2611-04/0009 --look hard-mono --look soft-mono
    Next: glassine look tune hard-mono 2611-04/0009

    Parameters
    ----------
    frames
        JOB/NUMBER, such as 2611-04/0009, or a picture file.
    look
        A look of the studio, once for each; all of them without any.
    out
        The sheet, a JPEG; by default in proofs/looks of the job, or for a file in the current folder.
    """
    _check_no_command_was_meant(frames[0])
    set_environment()  # rendering shares modules with flows, which load the flow engine
    from glassine.flows.look import show_looks

    studio = common.find()
    return show_looks(studio, _named(studio, frames), look or [], out and out.absolute())


@look_app.command(name="list")
def look_list(*, common: Common = HERE) -> Document:
    """List the studio's looks, what each is for, and its steps in words; and which are wrong.

    Exit status 2 when one is wrong.

    Example: glassine look list --studio my-studio
    Next: glassine look 2611-04/0009
    """
    set_environment()
    from glassine.flows.look import list_looks

    return list_looks(common.find())


@look_app.command(name="make")
def look_make(
    name: str,
    *,
    purpose: str,
    source: Annotated[str | None, Parameter(name="--from")] = None,
    cdl: Path | None = None,
    identifier: Annotated[str | None, Parameter(name="--id")] = None,
    cube: Path | None = None,
    space: Literal["sRGB", "Adobe RGB (1998)", "ROMM RGB"] = "sRGB",
    common: Common = HERE,
) -> Document:
    """Make a new look of the studio: from another one, and from a grade that came from elsewhere.

    The grade stands after the steps of the other look, and before its grain. It
    becomes a part of the look: its file is not needed any more. A look that is
    there is never replaced.

    Example: glassine look make evening --cube evening.cube --purpose "Warm light, late."
    Next: glassine look tune evening 2611-04/0009

    Parameters
    ----------
    name
        Lower case, digits and dashes.
    purpose
        What the look is for, in a sentence.
    source
        The look that it begins with; for a grade by default plain-colour.
    cdl
        A grade as slope, offset, power and saturation: a .cc, .ccc or .cdl file.
    identifier
        Which correction of that file, where it holds several.
    cube
        A grade as a table: a .cube file.
    space
        The colours that the grade expects, and gives.
    """
    set_environment()
    from glassine.flows.look import make_look

    return make_look(
        common.find(), name, purpose=purpose, source=source, cdl=cdl, identifier=identifier, cube=cube, space=space
    )


@look_app.command(name="tune")
def look_tune(
    name: str,
    frame: str,
    *,
    new_name: Annotated[str | None, Parameter(name="--as")] = None,
    common: Common = HERE,
) -> Document:
    """Tune a look on a frame by typed lines, and see each at once, before and after.

    The picture lies always at the same place, which is said at the start. Lines
    are read until `quit`: `exposure 0.5`, `filter orange`, `point -2 -2.6`,
    `contrast 1.1`, `black L* 9`, `tone 0 0 3`, `grain 17 36 6`, `undo`, `steps`,
    `save`; `help` shows all. A line that is wrong changes nothing.

    Piped, as in `glassine look tune ... < lines.txt`, a wrong line makes the
    exit status 2, and the lines after it are still taken.

    Example: glassine look tune hard-mono 2611-04/0009 --as harder-mono
    Next: glassine proof 2611-04

    Parameters
    ----------
    name
        The look to begin with.
    frame
        JOB/NUMBER, such as 2611-04/0009, or a picture file.
    new_name
        What it is saved as, a new look; by default the look itself is changed.
    """
    set_environment()
    from glassine.flows.look_tune import tune_look

    studio = common.find()
    named = _named(studio, [frame])
    if len(named) != 1:
        raise CallError("W001", f"{frame!r} names {len(named)} frames; one is wanted: name it as 2611-04/0009.")
    at_terminal = sys.stdin.isatty()
    outcome = tune_look(
        studio, name, named[0], _typed_lines(at_terminal=at_terminal), new_name=new_name, say=_say, at_terminal=at_terminal,
    )  # fmt: skip
    # What was said stands at the terminal already.
    return {**outcome, "said": []} if at_terminal and not common.json else outcome


def _check_no_command_was_meant(word: str) -> None:
    """A misspelt command below `look` is taken for a frame: say which was meant."""
    known = [name for name in look_app if not name.startswith("-")]
    near = difflib.get_close_matches(word, known, 1)
    if near and "/" not in word and not Path(word).exists():
        raise CallError(
            "W001",
            f"{word!r} is no frame, written as 2611-04/0009, and no file. Did you mean `glassine look {near[0]}`? See `glassine look --help`.",
        )


def _named(studio: Studio, texts: Iterable[str]) -> list[Path | tuple[str, int]]:
    """Files, and frames of jobs, from what was typed."""
    named: list[Path | tuple[str, int]] = []
    for text in texts:
        if _is_file(text):
            named.append(Path(text).absolute())
            continue
        found = _JOB_AND_FRAME.fullmatch(text)
        if not found or found[1] not in studio.job_numbers():
            shown = repr(text if len(text) <= 60 else text[:57] + "…")
            raise CallError("W002", f"{shown} is neither a file nor a frame of a job, written as 2611-04/0009.")
        named += [(found[1], number) for number in frame_numbers(studio, found[1], [found[2]])]
    return list(dict.fromkeys(named))


def _is_file(text: str) -> bool:
    """Whether a text names a file; what is too long for a name names none."""
    try:
        return Path(text).is_file()
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            return False
        raise


def _typed_lines(*, at_terminal: bool) -> Iterator[str]:
    """The lines of stdin, each asked for where somebody types."""
    while True:
        if at_terminal:
            print(_PROMPT, end="", file=sys.stderr, flush=True)  # noqa: T201
        try:
            line = sys.stdin.readline()
        except UnicodeDecodeError as error:
            raise CallError("W001", "What came in by the pipe is no UTF-8 text: write it so.") from error
        if not line:
            return
        yield line


def _say(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)  # noqa: T201
