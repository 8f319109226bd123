"""Work of an older round that is gone from a return, by construction; and work that is not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from glassine.tasks.handoff.older_round import may_lack_work, rounds_that_lack
from glassine.tasks.imaging.icc_profile import profile_bytes

SIDE = 40
Samples = NDArray[np.uint16]
LEFT = {"shape": "rectangle", "x": 0.0, "y": 0.0, "width": 50.0, "height": 100.0}
RIGHT = {"shape": "rectangle", "x": 50.0, "y": 0.0, "width": 50.0, "height": 100.0}


def write(path: Path, samples: Samples) -> Path:
    tifffile.imwrite(path, samples, photometric="rgb", iccprofile=profile_bytes("ROMM RGB"), metadata=None)
    return path


def picture() -> Samples:
    return np.full((SIDE, SIDE, 3), 30_000, np.uint16)


def worked(*columns: slice, by: int = 4000) -> Samples:
    samples = picture()
    for part in columns:
        samples[:, part] += by
    return samples


FIRST, SECOND = slice(0, 10), slice(25, 35)  # what round 1 and round 2 changed


def lacking(folder: Path, back: Samples, regions: list[dict[str, Any]]) -> list[int]:
    older = [
        {"round": 1, "base": write(folder / "1.tif", picture()), "notes": [{"id": "n-1", "region": LEFT}]},
        {"round": 2, "base": write(folder / "2.tif", worked(FIRST)), "notes": [{"id": "n-2", "region": RIGHT}]},
    ]
    base = write(folder / "3.tif", worked(FIRST, SECOND))
    return rounds_that_lack(base, write(folder / "back.tif", back), regions, older, threshold=1.0)


@pytest.mark.parametrize(
    ("back", "rounds"),
    [
        (worked(FIRST, SECOND), []),
        (worked(FIRST), [2]),
        (worked(SECOND), [1]),
        (picture(), [1, 2]),
        (worked(FIRST, SECOND, by=8000), []),
    ],
)
def test_the_rounds_whose_work_is_gone(tmp_path: Path, back: Samples, rounds: list[int]) -> None:
    assert lacking(tmp_path, back, []) == rounds


def test_what_the_present_notes_ask_says_nothing(tmp_path: Path) -> None:
    assert lacking(tmp_path, picture(), [RIGHT]) == [1]
    assert lacking(tmp_path, picture(), [LEFT, RIGHT]) == []


def test_work_over_older_work_is_compared_with_every_older_base(tmp_path: Path) -> None:
    # Round 2 went over what round 1 had done: a return from base 1 is not as base 2, and lacks both all the same.
    older = [
        {"round": 1, "base": write(tmp_path / "1.tif", picture()), "notes": [{"id": "n-1", "region": LEFT}]},
        {"round": 2, "base": write(tmp_path / "2.tif", worked(FIRST)), "notes": [{"id": "n-2", "region": LEFT}]},
    ]
    base, back = write(tmp_path / "3.tif", worked(FIRST, by=9000)), write(tmp_path / "back.tif", picture())
    assert rounds_that_lack(base, back, [], older, threshold=1.0) == [1, 2]


@settings(deadline=None, max_examples=25)
@given(changes=st.lists(st.integers(-6000, 6000).filter(lambda by: abs(by + 4000) > 2000), min_size=20, max_size=20))
def test_no_rework_is_taken_for_an_older_round(tmp_path_factory: pytest.TempPathFactory, changes: list[int]) -> None:
    """Whatever is done to the present base's work, short of taking back most of it."""
    back = worked(FIRST, SECOND).astype(np.int64)
    for column, by in zip([*range(10), *range(25, 35)], changes, strict=True):
        back[:, column] += by
    assert lacking(tmp_path_factory.mktemp("rework"), back.astype(np.uint16), []) == []


boxes = st.tuples(*(st.floats(0, 80) for _ in range(2)), *(st.floats(0.1, 20) for _ in range(2))).map(list)


@settings(deadline=None, max_examples=100)
@given(st.lists(boxes, max_size=60))
def test_only_changes_in_an_older_region_are_looked_at(changed: list[list[float]]) -> None:
    older = [{"round": 1, "base": Path("1.tif"), "notes": [{"id": "n-1", "region": RIGHT}]}]
    touched = any(x + width > 50 for x, _, width, _ in changed)
    assert may_lack_work({"boxes": changed}, older) is (touched or len(changed) >= 50)
    assert may_lack_work({"boxes": changed[:49]}, []) is False
