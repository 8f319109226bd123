"""Samples are spread, repeatable and without replacement; the chance of having missed bad copies is exact."""

from __future__ import annotations

import itertools
import math
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.tasks.custody.sampling import (
    Stratum,
    chance_of_missing,
    draw_sample,
    share_out,
    size_of,
    surely_found,
    worst_chance,
)

SEED = "0123456789abcdef"
Sizes = st.dictionaries(st.sampled_from(["v-1", "v-2", "v-3", "v-4"]), st.integers(1, 60), min_size=1)
Strata = st.lists(
    st.integers(1, 6).flatmap(lambda of: st.builds(Stratum, st.just(of), st.integers(0, of))), min_size=1, max_size=3
)


@pytest.mark.parametrize(
    ("of", "bad", "read", "found"),
    [
        (100, 5, 45, 0.953794),
        (500, 5, 225, 0.950495),
        (1000, 10, 258, 0.950204),
        (10000, 100, 294, 0.950172),
        (2000, 20, 410, 0.990077),
        (100, 1, 95, 0.95),
        (50, 1, 25, 0.5),
    ],
)
def test_published_values(of: int, bad: int, read: int, found: float) -> None:
    """The project's table of checked values, section 10 (agreed with scipy's hypergeometric)."""
    assert 1 - chance_of_missing(of, bad, read) == pytest.approx(found, abs=5e-7)
    assert worst_chance([Stratum(of, read)], bad) == pytest.approx(chance_of_missing(of, bad, read), rel=1e-12)


@pytest.mark.parametrize(
    ("of", "bad", "certainty", "read"),
    [(100, 1, 0.95, 95), (100, 5, 0.95, 45), (500, 5, 0.95, 225), (1000, 10, 0.95, 258), (300, 3, 0.9, 161)],
)
def test_smallest_sample_that_finds_so_many(of: int, bad: int, certainty: float, read: int) -> None:
    assert chance_of_missing(of, bad, read) <= 1 - certainty + 1e-12 < chance_of_missing(of, bad, read - 1)


@given(of=st.integers(1, 200), data=st.data())
def test_chance_is_the_share_of_samples_without_a_bad_copy(of: int, data: st.DataObject) -> None:
    bad, read = data.draw(st.integers(0, of)), data.draw(st.integers(0, of))
    assert 0 <= chance_of_missing(of, bad, read) <= 1
    assert chance_of_missing(of, bad, read) == pytest.approx(chance_of_missing(of, read, bad))  # which is which is one
    if bad == 1:
        assert chance_of_missing(of, 1, read) == pytest.approx(1 - read / of)


def test_chance_counted_out() -> None:
    samples = list(itertools.combinations(range(7), 3))
    missed = sum(not {0, 1} & set(sample) for sample in samples)
    assert chance_of_missing(7, 2, 3) == missed / len(samples)


@given(Strata, st.integers(0, 8))
def test_worst_chance_is_the_worst_of_all_splits(strata: list[Stratum], bad: int) -> None:
    splits = itertools.product(*(range(min(of, bad) + 1) for of, _ in strata))
    chances = [
        math.prod(chance_of_missing(of, held, read) for (of, read), held in zip(strata, split, strict=True))
        for split in splits
        if sum(split) == bad
    ]
    assert worst_chance(strata, bad) == pytest.approx(max(chances, default=0.0), abs=1e-12)


@given(Strata, st.sampled_from([0.5, 0.9, 0.95]))
def test_surely_found_is_the_smallest_number(strata: list[Stratum], certainty: float) -> None:
    found = surely_found(strata, certainty)
    if found is None:
        assert not any(read for _, read in strata)
        return
    assert worst_chance(strata, found) <= 1 - certainty + 1e-9
    assert worst_chance(strata, found - 1) > 1 - certainty - 1e-9


@given(Sizes, st.integers(0, 250))
def test_shares_add_up_and_leave_no_volume_out(sizes: dict[str, int], total: int) -> None:
    shares = share_out(sizes, total)
    everything = sum(sizes.values())
    wanted = min(total, everything)
    assert set(shares) == set(sizes)
    assert sum(shares.values()) == wanted
    for name, size in sizes.items():
        assert 0 <= shares[name] <= size
        assert shares[name] >= 1 or wanted < len(sizes)
        exact = wanted * size / everything
        assert shares[name] < exact + len(sizes)
        assert shares[name] > exact - len(sizes)


@given(Sizes, st.integers(1, 250), st.randoms(use_true_random=False))
def test_sample_is_repeatable_spread_and_without_replacement(sizes: dict[str, int], size: int, mixed: object) -> None:
    places = [(volume, f"originals/{n}") for volume, count in sizes.items() for n in range(count)]
    drawn = draw_sample(places, size, SEED)
    shuffled = sorted(places, key=lambda _: mixed.random())  # type: ignore[attr-defined]
    assert draw_sample(shuffled, size, SEED) == drawn
    assert len(set(drawn)) == len(drawn) == min(size, len(places))
    assert set(drawn) <= set(places)
    assert Counter(volume for volume, _ in drawn) == Counter(share_out(sizes, size))


def test_every_copy_is_drawn_about_as_often_as_any_other() -> None:
    places = [("v-1", f"originals/{n}") for n in range(20)]
    drawn = Counter(place for seed in range(4000) for place in draw_sample(places, 5, f"{seed:016x}"))
    expected = 4000 * 5 / 20
    # Chi-square with 19 degrees of freedom: 43.8 is passed once in a thousand, and the seeds are fixed. Each count's
    # variance is that of drawing without replacement, 0.75 of the expected.
    assert sum((drawn[place] - expected) ** 2 / (0.75 * expected) for place in places) * 19 / 20 < 43.8


def test_nothing_to_draw_from() -> None:
    assert draw_sample([], 3, SEED) == []
    assert surely_found([]) is None
    assert surely_found([Stratum(4, 4)]) == 1


@pytest.mark.parametrize(
    ("asked", "of", "size"),
    [
        ("225", 500, 225),
        ("10%", 500, 50),
        ("10 %", 501, 51),
        ("0.1%", 50, 1),
        ("100%", 7, 7),
        (" 9 ", 4, 4),
        ("5", 0, 0),
    ],
)
def test_size_of_a_sample(asked: str, of: int, size: int) -> None:
    assert size_of(asked, of) == size


@pytest.mark.parametrize("asked", ["0", "-1", "0%", "100.1%", "-3%", "ten", "", "%", "1/0%", "1.5", "nan%"])
def test_words_that_are_no_size(asked: str) -> None:
    with pytest.raises(ValueError, match="is no size of a sample"):
        size_of(asked, 10)
