"""A written list of selects, `0142, 0151-0153, hero 0177`, as choices; nothing in it is guessed.

Items stand between commas, semicolons, line ends or the word *and*. An item is

- a frame number, with or without leading zeros: digits always mean the number printed under the proof;
- a range of frame numbers, `0151-0153`;
- the whole stem of a camera's file, `IMG_0142`, with or without its ending, in any case. A part of a stem
  is never taken, even where only one file has it;
- several numbers, ranges and stems with blanks between.

The words *select*, *out*, *hold* and *hero* before one number, range or stem apply to it alone; without a
word it is a select, and a hero is a select. Right after an item that is out or on hold a bare item is unclear,
since the word may be meant for it too. Whatever could mean two frames, or none, is named, and then
nothing is taken.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

from glassine.schemas.errors import CallError
from glassine.tasks.handoff.xmp_sidecar import read_rating, verdict_of

Verdict = Literal["select", "out", "hold"]

TEXT_LIMIT: Final = 1_000_000
"""Characters: a list of 100,000 frames, ten times the largest job."""

_WORDS: Final[dict[str, Verdict | None]] = {"select": "select", "out": "out", "hold": "hold", "hero": None}
_SEPARATOR = re.compile(r"[,;\r\n]|(?<=\s)and(?=\s)", re.IGNORECASE)
_DASH: Final = "[-\u2010\u2011\u2012\u2013\u2014\u2212]"
"""Hyphen, non-breaking hyphen, figure, en and em dash, minus: what word processors make of a hyphen."""
_NUMBER = re.compile(r"[0-9]{1,9}")
_RANGE = re.compile(rf"([0-9]{{1,9}}){_DASH}([0-9]{{1,9}})")
_SPACED_RANGE = re.compile(rf"(?<=[0-9])\s+({_DASH})\s+(?=[0-9])")
_ENDING = re.compile(r"\.[A-Za-z0-9]{1,5}$")


@dataclass(frozen=True)
class Choice:
    """What the list says of one frame."""

    frame: int
    verdict: Verdict
    hero: bool = False


class _UnclearError(Exception):
    """An item that cannot be taken, and why."""


def parse_selects(text: str, frames: Mapping[int, str]) -> list[Choice]:
    """Read a written list; the choices stand in the order of the list, each frame once.

    Parameters
    ----------
    text : the list, as in the module's text
    frames : number and stem of the camera's file, of every frame of the job

    Raises
    ------
    CallError
        W001: the text names no frame. W002: items are unknown, ambiguous or contradict each other; `details`
        has a sentence for every one of them.

    Examples
    --------
    >>> [choice.frame for choice in parse_selects("142, IMG_0007", {142: "IMG_0001", 148: "IMG_0007"})]
    [142, 148]
    """
    if len(text) > TEXT_LIMIT:
        raise CallError("W001", f"The list is longer than {TEXT_LIMIT} characters; give it in parts.")
    book = _FrameBook(frames)
    said: list[Choice] = []
    faults: list[str] = []
    before = ""
    for item in _SEPARATOR.split(text.removeprefix("\ufeff")):
        if not item.strip():
            continue
        words = " ".join(item.split())
        before, previous = words, before
        try:
            _check_word_repeated(previous, words)
            said += _read_item(words, book)
        except _UnclearError as unclear:
            faults.append(str(unclear))
    return _settle(said, faults, "the list")


def read_ratings(sidecars: Iterable[Path], frames: Mapping[int, str], *, threshold: float = 1) -> list[Choice]:
    """Read the choices from XMP sidecars named after the camera's files; unrated frames are left out.

    Parameters
    ----------
    sidecars : files such as IMG_0142.xmp or IMG_0142.CR2.xmp
    frames : number and stem of the camera's file, of every frame of the job
    threshold : a rating of at least this is a select; -1 is out (`verdict_of`)

    Raises
    ------
    CallError
        W002 with a sentence for every sidecar that is of no frame, of several, or cannot be read.
    """
    book = _FrameBook(frames)
    said: list[Choice] = []
    faults: list[str] = []
    for path in sidecars:
        try:
            frame = book.frame_by_stem(path.stem)
            verdict = verdict_of(read_rating(path), threshold)
        except _UnclearError as unclear:
            faults.append(f"{path.name}: {unclear}")
        except CallError as error:
            faults.append(error.sentence)
        else:
            if verdict is not None:
                said.append(Choice(frame, verdict))
    return _settle(said, faults, "the sidecars", none_is_right=True)


class _FrameBook:
    """The frames of a job, by number and by stem."""

    def __init__(self, frames: Mapping[int, str]) -> None:
        self.stems = frames
        self.by_stem: dict[str, list[int]] = {}
        for number, stem in sorted(frames.items()):
            self.by_stem.setdefault(stem.casefold(), []).append(number)

    def frames_with_stem(self, text: str) -> list[int]:
        """The frames whose file has this stem, written with or without its ending."""
        key = text.casefold()
        return self.by_stem.get(key) or self.by_stem.get(_ENDING.sub("", key), [])

    def frame_by_stem(self, text: str) -> int:
        found = self.frames_with_stem(text)
        if not found:
            raise _UnclearError(f"{_show(text)} is no frame of this job{self._nearest(text)}")
        if len(found) > 1:
            raise _UnclearError(f"{_show(text)} is the camera's name of {_numbers(found)}: write the frame's number")
        return found[0]

    def frame_by_number(self, text: str) -> int:
        number = int(text)
        namesakes = [frame for frame in self.by_stem.get(text, []) if frame != number]
        if number in self.stems and namesakes:
            raise _UnclearError(
                f"{text} is the number of one frame and the camera's name of {_numbers(namesakes)}: "
                f"write 0{text} for the frame {number:04d}"
            )
        if number not in self.stems:
            raise _UnclearError(f"{text} is no frame of this job{self._nearest(text)}")
        return number

    def frames_in_range(self, first: int, last: int) -> list[int]:
        span = f"{first:04d}-{last:04d}"
        if first > last:
            raise _UnclearError(f"the range {span} runs backwards: write {last:04d}-{first:04d}")
        known = sorted(number for number in self.stems if first <= number <= last)
        missing = last - first + 1 - len(known)
        if missing:
            shown = list(_first_unknown(first, last, self.stems))
            more = f" and {missing - len(shown)} more" if missing > len(shown) else ""
            raise _UnclearError(
                f"the range {span} has numbers that are no frame of this job: "
                f"{', '.join(f'{number:04d}' for number in shown)}{more}"
            )
        return known

    def _nearest(self, text: str) -> str:
        """A hint, never a decision: the frames whose stem has this text in it."""
        key = _ENDING.sub("", text).casefold()
        near = sorted(n for stem, numbers in self.by_stem.items() if key and key in stem for n in numbers)
        if not near:
            return ""
        names = ", ".join(f"{self.stems[number]} is frame {number:04d}" for number in near[:3])
        return f"; {names}: write the number" if len(near) <= 3 else f"; {names}, …: write the number"


def _check_word_repeated(previous: str, item: str) -> None:
    """`hold 0003, 0010`: whoever wrote that may well mean both, so it is asked rather than guessed."""
    word = previous.partition(" ")[0].casefold()
    if word in ("out", "hold") and item.partition(" ")[0].casefold() not in _WORDS:
        raise _UnclearError(
            f"{_show(item)} right after {_show(previous)} is unclear: write `{word} {item}` or `select {item}`"
        )


def _read_item(item: str, book: _FrameBook) -> list[Choice]:
    words: list[str] = []
    rest = item
    while (head := rest.partition(" "))[0].casefold() in _WORDS:
        words.append(head[0].casefold())
        rest = head[2]
    if not rest:
        raise _UnclearError(f"{_show(item)} says no frame: the word stands before a number")
    verdicts = {said for word in words if (said := _WORDS[word])}
    hero = "hero" in words
    if len(verdicts) > 1 or (hero and verdicts - {"select"}):
        raise _UnclearError(f"{_show(item)} contradicts itself: say one of select, out or hold; a hero is a select")
    verdict: Verdict = verdicts.pop() if verdicts else "select"
    # A stem may hold blanks, so the whole is tried before it is taken apart.
    references = [rest] if book.frames_with_stem(rest) else _SPACED_RANGE.sub(r"\1", rest).split(" ")
    if len(references) > 1 and (words or any(part.casefold() in _WORDS for part in references)):
        raise _UnclearError(
            f"{_show(item)} is unclear: a word stands before one number, range or stem; "
            "put a comma after it, and the word again before the next"
        )
    return [Choice(frame, verdict, hero) for reference in references for frame in _read_reference(reference, book)]


def _read_reference(text: str, book: _FrameBook) -> list[int]:
    if _NUMBER.fullmatch(text):
        return [book.frame_by_number(text)]
    span = _RANGE.fullmatch(text)
    if span is None:
        return [book.frame_by_stem(text)]
    if book.frames_with_stem(text):
        raise _UnclearError(
            f"{_show(text)} is a range and the camera's name of {_numbers(book.frames_with_stem(text))}: "
            "write the numbers one by one"
        )
    return book.frames_in_range(int(span[1]), int(span[2]))


def _settle(said: list[Choice], faults: list[str], where: str, *, none_is_right: bool = False) -> list[Choice]:
    """One choice a frame; contradictions join the faults, and any fault refuses the whole."""
    settled: dict[int, Choice] = {}
    clashes: dict[int, set[str]] = {}
    for choice in said:
        before = settled.setdefault(choice.frame, choice)
        if before.verdict != choice.verdict:
            clashes.setdefault(choice.frame, {before.verdict}).add(choice.verdict)
        elif choice.hero and not before.hero:
            settled[choice.frame] = replace(before, hero=True)
    faults = faults + [
        f"frame {frame:04d} is said to be {' and '.join(sorted(verdicts))}: say one"
        for frame, verdicts in clashes.items()
    ]
    if faults:
        count = "One item" if len(faults) == 1 else f"{len(faults)} items"
        more = "" if len(faults) == 1 else " (and more)"
        raise CallError("W002", f"{count} of {where} cannot be taken, so none was: {faults[0]}{more}.", details=faults)
    if not settled and not none_is_right:
        raise CallError("W001", "The list names no frame; write one as in: 0142, 0151-0153, hero 0177.")
    return list(settled.values())


def _first_unknown(first: int, last: int, known: Mapping[int, str], count: int = 5) -> Iterator[int]:
    for number in range(first, last + 1):
        if count == 0:
            return
        if number not in known:
            count -= 1
            yield number


def _numbers(frames: list[int]) -> str:
    names = [f"{frame:04d}" for frame in frames[:4]] + (["…"] if len(frames) > 4 else [])
    return ("frame " if len(frames) == 1 else "frames ") + ", ".join(names)


def _show(text: str) -> str:
    shown = repr(text)  # escapes control characters of hostile text
    return shown if len(shown) <= 60 else shown[:57] + "…"
