"""Paper sizes against the table of ISO 216."""

from __future__ import annotations

import pytest

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.paper_size import paper_size_mm


@pytest.mark.parametrize(
    ("name", "size"),
    [
        # ISO 216, tables of the A and B series.
        ("A0", (841, 1189)), ("A1", (594, 841)), ("A2", (420, 594)), ("A3", (297, 420)), ("A4", (210, 297)),
        ("A5", (148, 210)), ("A6", (105, 148)), ("B0", (1000, 1414)), ("B1", (707, 1000)), ("B2", (500, 707)),
        ("B3", (353, 500)), ("B4", (250, 353)), ("B5", (176, 250)), ("B6", (125, 176)),
    ],
)  # fmt: skip
def test_sizes_are_those_of_the_standard(name: str, size: tuple[int, int]) -> None:
    assert paper_size_mm(name) == size
    assert paper_size_mm(name, landscape=True) == size[::-1]


@pytest.mark.parametrize("name", ["", "A", "a4", "A7", "A-1", "A04", "A4 ", "C4", "Letter", "A١", "B10"])
def test_any_other_name_is_refused(name: str) -> None:
    with pytest.raises(CallError, match="give one of A0 to A6 or B0 to B6") as caught:
        paper_size_mm(name)
    assert caught.value.code == "W001"
