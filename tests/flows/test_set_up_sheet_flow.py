"""Set-up sheets of a job: one a set-up, each with the picture that stands for it; nothing is recorded."""

from __future__ import annotations

from collections.abc import Callable

import pypdf
import pytest

from glassine.flows.cli import main
from glassine.flows.job_sheet import set_block
from glassine.flows.set_up_sheet import best_frame, make_sheets
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
LIGHT = {"name": "main", "modifier": "softbox, 60 × 90 cm", "azimuth_degrees": -45, "height_m": 2.1, "distance_m": 1.4}


@pytest.fixture
def lit(at: Callable[[str], Studio], change_sheet: Callable[..., None], run: Callable[..., Document]) -> Studio:
    """The closed cull, with a set-up whose main light has numbers."""
    studio = at("closed")
    change_sheet(studio, set_ups=[{"name": "bench", "lights": [LIGHT]}, {"name": "window / north"}])
    run("advance", studio)
    return studio


def test_each_set_up_has_its_sheet_with_its_best_frame(lit: Studio, manifest_of: Callable[..., Manifest]) -> None:
    before = manifest_of(lit).head
    told = make_sheets(lit, JOB)
    first, second = told["sheets"]
    assert (first["set_up"], first["frame"], second["frame"]) == ("bench", "0001", None), "0001 is the hero"
    (page,) = pypdf.PdfReader(first["path"]).pages
    text = page.extract_text()
    for words in ("bench", "0001", "softbox", "45° left", "2.10 m", "1.40 m"):
        assert words in text
    assert any("How far the camera is from the sitter is not given" in line for line in told["said"])
    assert manifest_of(lit).head == before
    assert make_sheets(lit, JOB, "bench")["sheets"] == [first]


def test_what_was_left_out_or_may_not_be_shown_stands_for_nothing(
    lit: Studio, manifest_of: Callable[..., Manifest]
) -> None:
    folder = lit.job_folder(JOB)

    def best() -> str | None:
        found = best_frame(manifest_of(lit), "bench", folder)
        return str(found["number"]) if found else None

    assert best() == "0001"
    set_block(lit, JOB, [1], "no release", blocked=True, by="Imre Falk")
    assert best() == "0003", "the other select"
    set_block(lit, JOB, [3], "no release", blocked=True, by="Imre Falk")
    assert best() == "0002", "0004 is out"
    set_block(lit, JOB, [2], "no release", blocked=True, by="Imre Falk")
    assert best() is None


def test_a_set_up_that_is_not_on_the_sheet_is_refused(lit: Studio, change_sheet: Callable[..., None]) -> None:
    with pytest.raises(CallError, match="no set-up 'attic'"):
        make_sheets(lit, JOB, "attic")
    assert main(["job", "set-up-sheet", JOB, "--studio", str(lit.folder)]) == 0
    assert main(["job", "set-up-sheet", JOB, "attic", "--studio", str(lit.folder)]) == 2
