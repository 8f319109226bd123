"""The 3-2-1 rule: three copies, two media, one off site (Ruggiero & Heckathorn, Data Backup Options, US-CERT 2012)."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.manifest import Manifest
from glassine.schemas.three_two_one import CLOCK_SKEW, CopyRule, check_three_two_one, standing_of

Fact = dict[str, Any]
NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)
VOLUMES = {
    "v-00000000000000a1": {"name": "working", "medium": "disk 1", "site": "studio"},
    "v-00000000000000a2": {"name": "same disk", "medium": "disk 1", "site": "studio"},
    "v-00000000000000b1": {"name": "backup", "medium": "disk 2", "site": "studio"},
    "v-00000000000000c1": {"name": "away", "medium": "disk 3", "site": "home"},
    "v-00000000000000c2": {"name": "carried", "medium": "disk 1", "site": "home"},
}
BY_NAME = {volume["name"]: key for key, volume in VOLUMES.items()}


def copy_on(volume: str, *, outcome: str = "whole", days: float | None = 1) -> Fact:
    at = None if days is None else (NOW - timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return {"volume": BY_NAME.get(volume, volume), "path": "a", "outcome": outcome, "whole_at": at, "pass": 0}


COPIES = st.lists(
    st.builds(
        copy_on,
        st.sampled_from([*BY_NAME, "v-00000000000000ff"]),
        outcome=st.sampled_from(["whole", "missing", "differs"]),
        days=st.none() | st.integers(-2, 20),
    ),
    max_size=6,
)


@pytest.mark.parametrize(
    ("names", "counted", "missing"),
    [
        (["working", "backup", "away"], (3, 3, 2), ()),
        (["working", "same disk", "away"], (3, 2, 2), ()),
        (["working", "away"], (2, 2, 2), ("1 more copy (it has 2 of 3)",)),
        (["working", "same disk", "carried"], (3, 1, 2), ("1 more medium (it has 1 of 2: disk 1)",)),
        (["working", "same disk", "backup"], (3, 2, 1), ("a copy off site (it is at 1 of 2 sites: studio)",)),
        (
            [],
            (0, 0, 0),
            (
                "3 more copies (it has 0 of 3)",
                "2 more media (it has 0 of 2)",
                "a copy off site (it is at 0 of 2 sites)",
            ),
        ),
    ],
)
def test_truth_table(names: list[str], counted: tuple[int, int, int], missing: tuple[str, ...]) -> None:
    found = standing_of(map(copy_on, names), VOLUMES, now=NOW)
    assert (found.copies, len(found.media), len(found.sites)) == counted
    assert (found.missing, found.holds) == (missing, not missing)


@pytest.mark.parametrize("outcome", ["missing", "differs"])
def test_a_copy_that_is_not_whole_does_not_count(outcome: str) -> None:
    found = standing_of([copy_on("working"), copy_on("backup"), copy_on("away", outcome=outcome)], VOLUMES, now=NOW)
    assert (found.copies, found.sites) == (2, ("studio",))


@pytest.mark.parametrize(
    ("days", "counts"),
    [
        (0, True),
        (7, True),
        (7.001, False),
        (None, False),
        (-CLOCK_SKEW / timedelta(days=1), True),
        (-1, False),  # the clock was set back: its age is not known
    ],
)
def test_age_of_the_read_back(days: float | None, counts: bool) -> None:
    copy = copy_on("working", days=days)
    assert standing_of([copy], VOLUMES, within_days=7, now=NOW).copies == counts
    assert standing_of([copy], VOLUMES, now=NOW).copies == 1, "without a limit any age counts"


def test_a_volume_that_nobody_described_is_no_medium() -> None:
    found = standing_of([copy_on("v-00000000000000ff")], VOLUMES, rule=CopyRule(1, 1, 1), now=NOW)
    assert (found.copies, found.media, found.missing) == (1, (), ("1 more medium (it has 0 of 1)",))


@given(copies=COPIES, more=COPIES, within=st.none() | st.integers(1, 10), least=st.tuples(*[st.integers(1, 4)] * 3))
def test_more_copies_never_make_it_worse(
    copies: list[Fact], more: list[Fact], within: int | None, least: tuple[int, int, int]
) -> None:
    rule = CopyRule(*least)
    before = standing_of(copies, VOLUMES, rule=rule, within_days=within, now=NOW)
    after = standing_of(copies + more, VOLUMES, rule=rule, within_days=within, now=NOW)
    assert len(after.missing) <= len(before.missing)
    assert before.copies <= after.copies
    assert set(before.media) <= set(after.media)
    assert set(before.sites) <= set(after.sites)


@given(copies=COPIES, within=st.none() | st.integers(1, 10), least=st.tuples(*[st.integers(1, 4)] * 3))
def test_it_holds_exactly_when_all_three_counts_are_reached(
    copies: list[Fact], within: int | None, least: tuple[int, int, int]
) -> None:
    found = standing_of(copies, VOLUMES, rule=CopyRule(*least), within_days=within, now=NOW)
    reached = found.copies >= least[0] and len(found.media) >= least[1]
    assert found.holds == (reached and (least[2] == 1 or len(found.sites) >= least[2]))
    assert len(found.media) <= found.copies


def test_every_file_of_a_manifest(fold: Callable[[Iterable[Fact]], Manifest], fact: Callable[..., Fact]) -> None:
    facts = [fact("job"), fact("volume"), fact("frame"), fact("companion"), fact("copy")]
    manifest = fold(facts)
    found = {holder["path"]: standing for _, holder, standing in check_three_two_one(manifest, now=NOW)}
    original, companion = found[fact("frame")["path"]], found[fact("companion")["path"]]
    assert (original.copies, original.media, original.sites) == (1, ("disk 1",), ("studio",))
    assert (companion.copies, len(companion.missing)) == (0, 3)
    late = [standing.copies for *_, standing in check_three_two_one(manifest, within_days=1, now=NOW)]
    assert late == [0, 0], "the copy was read back five days ago"
