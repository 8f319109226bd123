"""A balance: read from documents, carried to other processes, and refused where it is nonsense."""

from __future__ import annotations

import math
import pickle
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.balance import AS_SHOT, Balance

multipliers = st.lists(st.floats(0.1, 10), min_size=3, max_size=3)


def test_nothing_is_as_shot() -> None:
    assert Balance.of(None) is AS_SHOT
    assert Balance.of({}) == Balance.of({"multipliers": None, "stops": 0}) == AS_SHOT == Balance(None, 0.0)
    assert AS_SHOT.gain == 1.0


@given(st.one_of(st.none(), multipliers), st.floats(-5, 5))
def test_a_document_comes_through_and_a_balance_through_a_pickle(given_ones: list[float] | None, stops: float) -> None:
    balance = Balance.of({"multipliers": given_ones, "stops": stops})
    assert balance.multipliers == (None if given_ones is None else tuple(given_ones))
    assert balance.stops == stops
    assert balance.gain == pytest.approx(math.exp2(stops))
    assert pickle.loads(pickle.dumps(balance)) == balance
    assert hash(balance) == hash(Balance(balance.multipliers, balance.stops))


def test_whole_numbers_are_numbers() -> None:
    balance = Balance.of({"multipliers": [2, 1, 1], "stops": -1})
    assert balance == Balance((2.0, 1.0, 1.0), -1.0)
    assert balance.multipliers is not None
    assert all(isinstance(value, float) for value in (*balance.multipliers, balance.stops))


@pytest.mark.parametrize(
    "document",
    [
        {"multipliers": [2.0, 1.0]},
        {"multipliers": [2.0, 1.0, 1.5, 1.0]},
        {"multipliers": []},
        {"multipliers": "1 1 1"},
        {"multipliers": 1.0},
        {"multipliers": [2.0, "1.0", 1.5]},
        {"multipliers": [2.0, True, 1.5]},
        {"multipliers": [0.0999, 1.0, 1.5]},
        {"multipliers": [10.01, 1.0, 1.5]},
        {"multipliers": [math.nan, 1.0, 1.5]},
        {"multipliers": [2.0, 1.0, -1.5]},
        {"stops": 5.01},
        {"stops": -5.01},
        {"stops": math.nan},
        {"stops": math.inf},
        {"stops": "1"},
        {"stops": None},
        {"stops": True},
    ],
)
def test_nonsense_is_refused(document: dict[str, Any]) -> None:
    with pytest.raises(CallError) as caught:
        Balance.of(document)
    assert caught.value.code == "W001"
    assert ("white balance" in str(caught.value)) == ("multipliers" in document)
