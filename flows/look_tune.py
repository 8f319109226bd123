"""Tuning a look on a live frame: typed lines, each shown at once on one picture that lies always at the same place."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

from glassine.flows.look import (
    Named,
    Subject,
    check_place,
    decoded,
    find_subjects,
    look_bytes,
    look_path,
    read_look,
)
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import CallError, GlassineError
from glassine.schemas.validation import Document
from glassine.tasks.imaging.look_sheet import Caption, Row, develop, make_look_sheet, show
from glassine.tasks.imaging.look_tuning import LINES, Tuning, check_look
from glassine.tasks.imaging.look_words import say_step

LONG_SIDE_PX = 1200
"""Of each of the two pictures: they fill a screen side by side (own choice)."""
COMMANDS = ("steps", "undo", "save [NAME]", "help", "quit")


def tune_look(
    studio: Studio,
    name: str,
    frame: Named,
    lines: Iterable[str],
    *,
    new_name: str | None = None,
    say: Callable[[str], None],
    at_terminal: bool,
) -> Document:
    """Change a look line by line, with a picture of it before and after.

    Parameters
    ----------
    name : the look to begin with
    frame : what it is seen on
    lines : `LINES` and `COMMANDS`, until they end or one says `quit`
    new_name : what it is saved as; by default `name`, whose file is replaced
    say : told of everything at once, a line each
    at_terminal : somebody types: wrong lines are only said, and unsaved changes asked about once. Else wrong lines
        make the exit status that of the first

    Returns
    -------
    A summary with "preview", "look" (as it is at the end), "saved" (names) and "unsaved".

    Raises
    ------
    CallError
        W003: `new_name` is another look. W004: the frame is blocked.
    FrameError
        P001: it does not decode.
    """
    path = look_path(studio, name)
    if not path.is_file():
        studio.look(name)  # says which looks there are
    looks = _StudioLooks(studio, name, read_look(path), new_name or name)
    (subject,) = find_subjects(studio, [frame])
    session = _Session(looks, _Preview(studio, subject, looks.tuning.look), say, at_terminal=at_terminal)
    session.run(lines)
    look = {**looks.tuning.look, "name": looks.target}
    data = {"preview": str(session.preview.path), "look": look, "saved": looks.saved, "unsaved": looks.is_unsaved}
    return summary(session.said, session.wrong, status=session.status, **data)


class _StudioLooks:
    """The look that is tuned, and the studio's files that it may be saved in."""

    def __init__(self, studio: Studio, name: str, look: Document, target: str) -> None:
        self._studio = studio
        self._known = {name: look_path(studio, name).read_bytes()}
        self.target = target
        self.tuning = Tuning(look)
        self.saved: list[str] = []
        self._kept = look
        self._check_free(target)

    @property
    def is_unsaved(self) -> bool:
        """Whether something was changed since the look was last saved."""
        return self.tuning.look != self._kept

    def save(self, name: str | None) -> str:
        """Write the look, whole, under a name; returns what is to be said of it."""
        target = name or self.target
        path = self._check_free(target)
        look = check_look({**self.tuning.look, "name": target}, label=f"look {target}")
        content = look_bytes(look)
        replace_file(path, content)
        is_new = target not in self._known
        self._known[target], self.target, self._kept = content, target, self.tuning.look
        self.saved.append(target)
        if is_new:
            return f"Saved as look {target}, a new one: a job uses it once its sheet names it."
        return (
            f"Saved as look {target}. Jobs whose sheets name it adopt it with their next command, "
            "and their proofs and finals in it are due again."
        )

    def _check_free(self, name: str) -> Path:
        path = look_path(self._studio, name)
        if path.exists() and path.read_bytes() != self._known.get(name):
            if name in self._known:
                raise CallError("W003", f"{path} was changed meanwhile: save this one under another name.")
            raise CallError("W003", f"There is a look {name} already: save this one under another name.")
        return path


class _Preview:
    """One picture, before and after, of a frame whose light is decoded once."""

    def __init__(self, studio: Studio, subject: Subject, before: Document) -> None:
        self.path = subject.folder / f"tuning_{before['name']}.jpg"
        check_place(self.path)
        self._subject = subject
        self._light = decoded(studio, subject, partial(develop, subject.source, LONG_SIDE_PX, balance=subject.balance))
        self._before = show(before, self._light, seed=subject.seed)
        self.write(Tuning(before))

    def write(self, tuning: Tuning) -> None:
        """Write the picture again, with the newest line first under it."""
        after = show(tuning.look, self._light, seed=self._subject.seed)
        captions = [Caption("before", ""), Caption("after", "; ".join(reversed(tuning.lines)))]
        make_look_sheet([Row(self._subject.number, self._subject.words, [self._before, after])], captions, self.path)


class _Session:
    """Lines that are typed or piped, and what comes of each."""

    def __init__(
        self, looks: _StudioLooks, preview: _Preview, say: Callable[[str], None], *, at_terminal: bool
    ) -> None:
        self.looks, self.preview = looks, preview
        self.said = [f"Before and after: {preview.path}"]
        self.wrong: list[str] = []
        self.status = 0
        self._say, self._at_terminal = say, at_terminal
        self._asked = False

    def run(self, lines: Iterable[str]) -> None:
        """Take every line, until they end or one says `quit`."""
        self._say(f"{self.said[0]} (open it in a viewer that shows a file again when it changes)")
        if self._at_terminal:
            self._say(f"Type `help` for the lines that there are; `save` keeps the look as {self.looks.target}.")
        for number, line in enumerate(lines, 1):
            words = line.split()
            if not words or words[0].startswith("#"):
                continue
            if words == ["quit"] and self._may_end():
                break
            try:
                if words != ["quit"]:
                    self._take(words, line.strip())
            except GlassineError as error:
                self._refuse(number, error)
        if self.looks.is_unsaved:
            self._tell(f"Not saved: the last changes of look {self.looks.target}.")

    def _take(self, words: list[str], line: str) -> None:
        tuning = self.looks.tuning
        match words:
            case ["help"]:
                for known in (*LINES, *COMMANDS):
                    self._say(f"    {known}")
            case ["steps"]:
                for step in tuning.look["steps"]:
                    self._say(f"    {say_step(step)}")
            case ["save"] | ["save", _]:
                self._tell(self.looks.save(words[1] if len(words) == 2 else None))
            case ["undo"]:
                tuning.undo()
                self.preview.write(tuning)
            case ["save", *_]:
                raise CallError("W001", "Write: save, or save NAME with one name.")
            case ["help" | "steps" | "undo" | "quit" as command, *_]:
                raise CallError("W001", f"`{command}` stands alone: write nothing after it.")
            case _:
                tuning.change(line)
                self.preview.write(tuning)
        self._asked = False

    def _may_end(self) -> bool:
        """Whether `quit` ends it: unsaved changes are asked about once."""
        if not self._at_terminal or self._asked or not self.looks.is_unsaved:
            return True
        self._asked = True
        self._say("There are unsaved changes: `save` keeps them, `quit` once more drops them.")
        return False

    def _refuse(self, number: int, error: GlassineError) -> None:
        if self._at_terminal:
            self._say(error.sentence)
        else:
            self.wrong.append(f"Line {number}: {error.sentence}")
            self.status = self.status or error.exit_status

    def _tell(self, sentence: str) -> None:
        """Have the summary say it; and at a terminal say it at once."""
        if self._at_terminal:
            self._say(sentence)
        self.said.append(sentence)
