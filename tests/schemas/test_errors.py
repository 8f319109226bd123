"""Errors: one line whatever a file is called, and the same after a process boundary."""

from __future__ import annotations

import pickle

import pytest

from glassine.schemas.errors import EXIT_STATUS, DocumentError, VolumeError


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("a\nb", r"a\nb"),
        ("\x1b[2J", r"\x1b[2J"),
        ("\udcff", r"\udcff"),
        ("\u202egpj", r"\u202egpj"),  # right-to-left override: a name that reads otherwise than it is
        ("naïve 漢.dng", "naïve 漢.dng"),
    ],
)
def test_a_hostile_name_neither_breaks_the_line_nor_speaks_to_the_terminal(name: str, shown: str) -> None:
    error = VolumeError("V004", f"{name} cannot be read.", details=[f"{name} is gone."])
    assert (str(error), error.details) == (f"{shown} cannot be read.", [f"{shown} is gone."])
    assert str(error).encode()
    assert str(DocumentError("D001", name, "", "is no document.")) == f"{shown}: is no document."


def test_an_error_comes_out_of_another_process_as_it_was() -> None:
    error = DocumentError("D002", "job.json", "due", "is late.", details=["a", "b"])
    again = pickle.loads(pickle.dumps(error))
    assert (type(again), again.__dict__, again.args) == (DocumentError, error.__dict__, error.args)


def test_every_code_has_a_status_of_the_table() -> None:
    assert set(EXIT_STATUS.values()) == {1, 2, 3}
