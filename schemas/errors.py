"""Errors with a stable code, one sentence each, and the exit status a command ends with."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

NOT_RIGHT = 1
"""It ran, and what it checked is not right: a copy differs, a return is refused."""
WRONG_WORDS = 2
"""The words of the call or a document are wrong."""
WORLD_IN_THE_WAY = 3
"""A volume is missing, a disk is full: try again."""
INTERRUPTED = 130
"""Stopped by the keyboard (128 + SIGINT, the shells' convention)."""

EXIT_STATUS = {
    "D001": WRONG_WORDS,  # a document cannot be read as JSON or TOML
    "D002": WRONG_WORDS,  # a document does not meet its schema
    "D003": WRONG_WORDS,  # a document names a format that this version does not know
    "D004": WRONG_WORDS,  # a document names something that is not there (a look, a set-up, a specification)
    "W001": WRONG_WORDS,  # the words of a call are wrong
    "W002": WRONG_WORDS,  # a frame, job, client, round or person that nobody knows
    "W003": WRONG_WORDS,  # something is there already
    "W004": WRONG_WORDS,  # asked for out of order (a mark after the round was closed)
    "R001": NOT_RIGHT,  # an entry is altered: its digest is not what the chain says
    "R002": NOT_RIGHT,  # an entry is missing
    "R003": NOT_RIGHT,  # an entry cannot be read or does not meet its schema
    "R004": NOT_RIGHT,  # the job folder is older than a head that was kept elsewhere
    "R005": WORLD_IN_THE_WAY,  # the folder has neither hard links nor a no-replace rename
    "R007": NOT_RIGHT,  # the names of a job's people are lost
    "R006": NOT_RIGHT,  # an entry holds a fact that contradicts the facts before it
    "C001": NOT_RIGHT,  # a copy differs
    "C002": NOT_RIGHT,  # a copy is missing
    "C003": NOT_RIGHT,  # no whole copy is left
    "V001": WORLD_IN_THE_WAY,  # a volume is absent
    "V002": WORLD_IN_THE_WAY,  # another disk is mounted where a volume should be
    "V003": WORLD_IN_THE_WAY,  # a volume is full or cannot be written
    "V004": WORLD_IN_THE_WAY,  # a source cannot be read
    "V005": WORLD_IN_THE_WAY,  # a program that is needed is not there
    "P001": NOT_RIGHT,  # a picture does not decode
    "P002": WRONG_WORDS,  # an array that is no picture of the kind asked for
    "L001": NOT_RIGHT,  # a delivery is refused: unsigned, stale, blocked, under embargo, out of licence
    "L002": NOT_RIGHT,  # a bag is not valid
}
"""Each stable error code with the exit status of a command that ends in it (FORMAT.md, "Errors")."""


class GlassineError(Exception):
    """Something that a person can act on, said in one sentence.

    Parameters
    ----------
    code : a key of `EXIT_STATUS`
    sentence : what, where, and what to do about it
    details : every single fault, where there are several
    """

    def __init__(self, code: str, sentence: str, *, details: Sequence[str] = ()) -> None:
        self.code = code
        self.sentence = _on_one_line(sentence)
        self.details = [_on_one_line(detail) for detail in details]
        super().__init__(code, self.sentence)

    def __str__(self) -> str:
        return self.sentence

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.__dict__.copy()))

    @property
    def exit_status(self) -> int:
        """The exit status that a command ends with."""
        return EXIT_STATUS[self.code]

    @property
    def retryable(self) -> bool:
        """Whether the same call may go through later."""
        return self.exit_status == WORLD_IN_THE_WAY


def _on_one_line(text: str) -> str:
    """A sentence in which a file's hostile name can neither break the line nor speak to the terminal."""
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape", "surrogatepass").decode() for letter in text
    )


def _rebuild(cls: type[GlassineError], fields: dict[str, object]) -> GlassineError:
    error = cls.__new__(cls)
    Exception.__init__(error, fields["code"], fields["sentence"])
    error.__dict__.update(fields)
    return error


class DocumentError(GlassineError):
    """A document is wrong: which file, the place in it, and what would be right."""

    def __init__(self, code: str, document: str, place: str, wanted: str, *, details: Sequence[str] = ()) -> None:
        where = f"{document}, at {place}" if place else document
        super().__init__(code, f"{where}: {wanted}", details=details)
        self.document = document
        self.place = place
        self.wanted = wanted


class CallError(GlassineError):
    """The words of a call are wrong, or name something nobody knows."""


class RecordError(GlassineError):
    """The record of a job is damaged or was tampered with."""


class VolumeError(GlassineError):
    """A volume or a source is not there, is another one, or cannot be written."""


class FrameError(GlassineError):
    """A picture does not decode, or an array is not the picture asked for."""


class DeliveryRefusedError(GlassineError):
    """Something may not leave the studio, with every cause."""


class FixityError(GlassineError):
    """A copy is not what its digest says."""

    def __init__(self, path: Path | str, algorithm: str, expected: str, found: str | None) -> None:
        if found is None:
            super().__init__("C002", f"{path} is missing: run `glassine verify --repair` to mend it from a good copy.")
        else:
            super().__init__(
                "C001",
                f"{path} differs: its {algorithm} is {found[:16]}…, the record says {expected[:16]}…. "
                "Run `glassine verify --repair` to mend it from a good copy.",
            )
        self.path = path
        self.algorithm = algorithm
        self.expected = expected
        self.found = found
