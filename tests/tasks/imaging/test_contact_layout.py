"""Layout of contact sheets: everything on its page, in order, nothing over anything else."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.contact_entry import Entry, SetUpHead
from glassine.tasks.imaging.contact_layout import lay_out, paginate
from glassine.tasks.imaging.paper_size import paper_size_mm

heads = st.none() | st.builds(
    SetUpHead, st.sampled_from(["key", "ring"]), st.sampled_from(["", "low " * 9, "side " * 60])
)
notes = st.lists(st.sampled_from(["The key light did not fire.", "It is dark."]), max_size=3)
runs = st.lists(st.tuples(heads, notes, st.integers(1, 20)), min_size=1, max_size=4)


@settings(max_examples=25)
@given(
    runs=runs,
    shapes=st.sampled_from([[2 / 3], [1.5], [2 / 3, 1.5], [], [9.0], [0.2]]),
    paper=st.sampled_from(["A6", "A4", "B3", "A0"]),
    landscape=st.booleans(),
    per_page=st.integers(1, 40),
    columns=st.none() | st.integers(1, 6),
)
def test_every_frame_has_a_place_of_its_own_under_its_head(
    runs: list[tuple[SetUpHead | None, list[str], int]],
    shapes: list[float],
    paper: str,
    per_page: int,
    columns: int | None,
    *,
    landscape: bool,
) -> None:
    entries = [
        Entry("0001", None, "IMG_0001", "", set_up=head, notes=said) for head, said, count in runs for _ in range(count)
    ]
    size = paper_size_mm(paper, landscape=landscape)
    try:
        layout = lay_out(entries, shapes, [""] * len(entries), size, per_page=per_page, columns=columns)
    except CallError as error:
        assert "too small" in str(error)
        assert paper == "A6" or (columns or per_page) > 1
        return
    pages = paginate(entries, layout)
    assert [index for page in pages for index, _, _ in page.frames] == list(range(len(entries)))
    for page in pages:
        assert columns or len(page.frames) <= per_page
        cells = [(x, y, y + layout.cell_height - layout.gap[1]) for _, x, y in page.frames]
        bands = [(y, y + layout.head_height(head)) for y, head in page.heads]
        assert bool(bands) == any(entry.set_up for entry in entries)
        assert page.foot == max(foot for _, _, foot in cells)
        assert page.foot <= layout.bottom + 1e-6
        assert min(top for _, top, _ in cells) >= layout.top
        assert max(x for x, _, _ in cells) + layout.box[0] <= size[0] - layout.margin + 1e-6
        rows = sorted({(top, foot) for _, top, foot in cells} | set(bands))
        assert all(before[1] <= after[0] + 1e-6 for before, after in pairwise(rows))
        assert len({(x, top) for x, top, _ in cells}) == len(cells)


@pytest.mark.parametrize(
    ("count", "per_page", "shape", "paper", "grid"),
    [
        (36, 36, 2 / 3, "A4", (6, 6)), (36, 36, 1.5, "A4", (6, 6)), (36, 36, 1.0, "A4", (6, 6)),
        (5, 36, 2 / 3, "A4", (2, 3)), (1, 36, 2 / 3, "A4", (2, 2)), (40, 20, 2 / 3, "A4", (4, 5)),
        (40, 37, 1.0, "A4", (6, 7)),
    ],
)  # fmt: skip
def test_the_grid_follows_the_pictures(
    count: int, per_page: int, shape: float, paper: str, grid: tuple[int, int]
) -> None:
    entries = [Entry("0001", None, "IMG_0001", "")] * count
    layout = lay_out(entries, [shape], [""] * count, paper_size_mm(paper), per_page=per_page)
    assert (layout.columns, layout.rows) == grid
