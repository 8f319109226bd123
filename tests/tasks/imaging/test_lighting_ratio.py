"""Fall-off and ratios: closed forms (CHECKS 3.3), and common practice where no source is published, said so."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.errors import CallError
from glassine.tasks.imaging.lighting_ratio import (
    aperture_at_distance,
    at_sitter_stops,
    grid_spot_m,
    inverse_square_stops,
    key_to_fill,
    lit_to_fill,
    say_ratio,
)

metres = st.floats(0.05, 100)


@pytest.mark.parametrize(("times", "stops"), [(math.sqrt(2), -1), (2, -2), (1.5, -1.1699), (1.1, -0.2750), (0.5, 2)])
def test_light_falls_by_the_square_of_distance(times: float, stops: float) -> None:
    assert inverse_square_stops(1.7, 1.7 * times) == pytest.approx(stops, abs=5e-5)


def test_the_background_is_nearer_to_the_sitter_the_further_the_lamp_is() -> None:
    assert inverse_square_stops(1, 2) == pytest.approx(-2.0)
    assert inverse_square_stops(3, 4) == pytest.approx(-0.8301, abs=5e-5)


@given(metres, metres, metres)
def test_distances_add_up(first: float, second: float, third: float) -> None:
    by_way = inverse_square_stops(first, second) + inverse_square_stops(second, third)
    assert by_way == pytest.approx(inverse_square_stops(first, third), abs=1e-9)
    assert inverse_square_stops(first, second) == pytest.approx(-inverse_square_stops(second, first), abs=1e-9)


def test_power_and_distance_give_the_light_at_the_sitter() -> None:
    assert at_sitter_stops(0, 1) == 0
    assert at_sitter_stops(-2, 2) == pytest.approx(-4)
    # What two stops less power take, half the distance gives.
    assert at_sitter_stops(-2, 0.5) == pytest.approx(at_sitter_stops(0, 1))


@pytest.mark.parametrize(("stops", "key", "lit"), [(0, 1, 2), (1, 2, 3), (2, 4, 5), (3, 8, 9), (1.5, 2.828, 3.828)])
def test_ratios_as_the_trade_counts_them(stops: float, key: float, lit: float) -> None:
    # Common practice.
    assert key_to_fill(stops) == pytest.approx(key, abs=5e-4)
    assert lit_to_fill(stops) == pytest.approx(lit, abs=5e-4)


@pytest.mark.parametrize(
    ("ratio", "words"),
    [(1, "1:1"), (2, "2:1"), (2.83, "2.8:1"), (9.97, "10:1"), (16.4, "16:1"), (0.25, "1:4"), (0.3, "1:3.3")],
)
def test_ratios_are_said(ratio: float, words: str) -> None:
    assert say_ratio(ratio) == words


def test_guide_number() -> None:
    # GN = N d; GN 40 (ISO 100, metres) lights f/8 at 5 m; at ISO 400 it is 80.
    assert aperture_at_distance(40, 5) == pytest.approx(8)
    assert aperture_at_distance(40, 5, 400) == pytest.approx(16)
    assert aperture_at_distance(40, 10, 400) == pytest.approx(8)


@pytest.mark.parametrize(("angle", "width"), [(10, 0.1750), (20, 0.3527), (30, 0.5359), (40, 0.7279), (60, 1.1547)])
def test_spot_of_a_grid_at_one_metre(angle: float, width: float) -> None:
    # Full angle; 20 degrees at about 0.35 m is common practice too. An estimate: makers name no criterion.
    assert grid_spot_m(1, angle) == pytest.approx(width, abs=5e-5)
    assert grid_spot_m(2, angle, 0.18) == pytest.approx(2 * width + 0.18, abs=1e-4)


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.inf, math.nan])
def test_what_is_no_distance_or_angle_is_refused(wrong: float) -> None:
    calls: list[Callable[[], object]] = [
        lambda: inverse_square_stops(wrong, 1),
        lambda: inverse_square_stops(1, wrong),
        lambda: at_sitter_stops(0, wrong),
        lambda: aperture_at_distance(40, wrong),
        lambda: grid_spot_m(wrong, 20),
        lambda: grid_spot_m(1, wrong),
    ]
    for call in calls:
        with pytest.raises(CallError) as refused:
            call()
        assert refused.value.code == "W001"
    with pytest.raises(CallError):
        grid_spot_m(1, 180)
