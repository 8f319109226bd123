"""What the apply functions of the fold share: the occasion of a fact, contradictions, revisions."""

from __future__ import annotations

from typing import Any, NamedTuple

from glassine.schemas.errors import CallError
from glassine.schemas.facts import Fact
from glassine.schemas.validation import Document


class Occasion(NamedTuple):
    """When and on whose behalf a fact was committed."""

    at: str
    by: str


class ContradictionError(CallError):
    """A fact that cannot be true after the facts before it."""

    def __init__(self, sentence: str) -> None:
        super().__init__("W004", sentence)


def body_of(fact: Fact, *without: str) -> Document:
    """The fields of a fact that the manifest keeps."""
    return {name: value for name, value in fact.items() if name != "kind" and name not in without}


def check_next(number: int, before: int, what: str) -> None:
    """A revision counts on by one, else the fact contradicts the state."""
    if number != before + 1:
        raise ContradictionError(f"{what} goes from {before} to {number}")


def set_once(holder: Document, field: str, value: Any) -> bool:
    """Set a field that was never set; false when it was."""
    if holder[field] is not None:
        return False
    holder[field] = value
    return True


def append_new(values: list[Any], value: Any) -> bool:
    """Add a value to a list; false when it is there."""
    if value in values:
        return False
    values.append(value)
    return True
