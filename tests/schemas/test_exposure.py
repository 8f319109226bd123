"""Exposures: times put right, files of one exposure found, missing numbers named, whatever the files say."""

from __future__ import annotations

import doctest
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas import exposure
from glassine.schemas.exposure import LAST_FILE_NUMBER, Gap, counter_gaps, same_exposures, taken_at

Frame = dict[str, Any]
Form = tuple[int, str, str, str]
START = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def test_the_examples_are_true() -> None:
    done = doctest.testmod(exposure)
    assert (done.failed, done.attempted) == (0, 9)


# ---- times


def written(time: datetime, decimals: int, zone: str = "", dash: str = "-", between: str = "T") -> str:
    fraction = f".{time.microsecond:06d}000"[: decimals + 1] if decimals else ""
    return f"{time:%Y{dash}%m{dash}%d{between}%H:%M:%S}{fraction}{zone}"


times = st.datetimes(datetime(1900, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001
forms = st.tuples(
    st.integers(0, 9), st.sampled_from(["", "Z", "+01:00", "-09:30"]), st.sampled_from("-:"), st.sampled_from("T ")
)
offsets = st.integers(-(10**9), 10**9)


@given(times, forms, offsets)
def test_a_time_moves_by_the_offset_and_keeps_its_form(time: datetime, form: Form, offset: int) -> None:
    captured = written(time, *form)
    assert taken_at(captured, offset) == written(time + timedelta(seconds=offset), *form)
    assert taken_at(taken_at(captured, offset), -offset) == captured
    assert taken_at(captured, 0) == captured


@given(times, times, forms, st.floats(-1e9, 1e9))
def test_no_offset_changes_which_of_two_came_first(one: datetime, other: datetime, form: Form, offset: float) -> None:
    first, second = sorted([written(one, *form), written(other, *form)])
    earlier, later = taken_at(first, offset), taken_at(second, offset)
    assert earlier is not None
    assert later is not None
    assert (len(earlier), len(later)) == (len(first), len(second))
    assert earlier <= later


@pytest.mark.parametrize(
    ("captured", "offset", "taken"),
    [
        ("2026-11-25T10:44:47", 0.4, "2026-11-25T10:44:47"),
        ("2026-11-25T10:44:47", -0.6, "2026-11-25T10:44:46"),
        ("2026-11-25T10:44:47.1", 0.25, "2026-11-25T10:44:47.3"),
        ("2026-11-25T10:44:47.123456789Z", 0.1, "2026-11-25T10:44:47.223456789Z"),
        ("2028-02-28T23:59:59", 1, "2028-02-29T00:00:00"),
        ("2026-03-29T01:59:59+01:00", 1, "2026-03-29T02:00:00+01:00"),  # a camera knows of no summer time by itself
        ("0001-01-01T00:00:00", -1, None),
        ("9999-12-31T23:59:59", 1, None),
        ("2026-11-25T10:44:47", 10**12, None),
        ("2026-11-25T10:44:47", -1e300, None),
    ],
)
def test_times_at_the_edges(captured: str, offset: float, taken: str | None) -> None:
    assert taken_at(captured, offset) == taken


@pytest.mark.parametrize(
    "captured",
    [
        *("", "yesterday", "2026-11-25", "2026-02-30T10:00:00", "2026-11-25T25:00:00", "2026-11-25T10:00:60"),
        *("2026-11:25T10:00:00", "2026-11-25T10:00:00.", "2026-11-25T10:00:00+1", "2026-11-25T10:00:00\n"),
        *("0000:00:00 00:00:00", "٢٠٢٦-11-25T10:00:00", None),
    ],
)
@pytest.mark.parametrize("offset", [0, 60])
def test_what_is_no_time_is_not_put_right(captured: str | None, offset: int) -> None:
    assert taken_at(captured, offset) is None


@given(st.text(), st.floats(allow_nan=False, allow_infinity=False))
def test_any_text_and_any_offset_are_borne(captured: str, offset: float) -> None:
    assert taken_at(captured, offset) is None or taken_at(captured, 0) == captured


# ---- one exposure


def shot(
    number: int, counter: int | None, second: float | None = 0, serial: str | None = "0001", zone: str = ""
) -> Frame:
    captured = None if second is None else written(START + timedelta(seconds=second), 2, zone)
    return {"frame": number, "serial": serial, "counter": counter, "captured": captured}


def test_a_file_over_the_cable_and_the_one_from_the_card_are_one_exposure() -> None:
    cable, card = shot(3, 42, 0.99, zone="+01:00"), shot(9, 42, 0)
    assert same_exposures([cable, card, shot(10, 43, 0)]) == {3: 9, 9: 3}
    assert same_exposures([card, shot(12, 42, 0.5), cable]) == {3: 9, 9: 3, 12: 3}


@pytest.mark.parametrize(
    "other",
    [
        *(shot(2, 43), shot(2, None), shot(2, 42, serial="0002"), shot(2, 42, serial=None)),
        *(shot(2, 42, 1.01), shot(2, 42, None), shot(2, 42) | {"captured": "0000:00:00 00:00:00"}),
    ],
)
def test_what_differs_in_serial_counter_or_time_is_another_exposure(other: Frame) -> None:
    assert same_exposures([shot(1, 42), other]) == {}
    assert same_exposures([other, other | {"frame": 3}]) == (
        {} if None in other.values() or other["captured"][0] == "0" else {2: 3, 3: 2}
    )


def test_fractions_of_other_lengths_are_compared_as_what_they_are() -> None:
    one, other = shot(1, 42) | {"captured": "2026-11-25T10:00:00.50"}, shot(2, 42)
    assert same_exposures([one, other | {"captured": "2026-11-25T10:00:01.5"}]) == {1: 2, 2: 1}
    assert same_exposures([one, other | {"captured": "2026-11-25T10:00:01.6"}]) == {}


def test_within_a_second_is_not_handed_on() -> None:
    """The first and the last of three are too far apart: each is the same as the one between."""
    assert same_exposures([shot(1, 42, 0), shot(2, 42, 1), shot(3, 42, 2)]) == {1: 2, 2: 1, 3: 2}


shots = st.lists(
    st.tuples(
        st.sampled_from([41, 42, None]),
        st.sampled_from([0, 0.3, 0.9, 1, 1.3, 2, 5, None]),
        st.sampled_from(["0001", "0002", None]),
    ),
    max_size=20,
)


@given(shots, st.randoms())
def test_each_is_the_same_as_the_lowest_other_and_in_whatever_order_they_are_given(
    told: list[tuple[int | None, float | None, str | None]], order: Any
) -> None:
    frames = [shot(number, *fields) for number, fields in enumerate(told, 1)]
    expected = {}
    for number, (counter, second, serial) in enumerate(told, 1):
        others = [
            other
            for other, (its_counter, its_second, its_serial) in enumerate(told, 1)
            if other != number
            and None not in (counter, second, serial, its_second)
            and (counter, serial) == (its_counter, its_serial)
            and abs(round(100 * (second or 0)) - round(100 * (its_second or 0))) <= 100
        ]
        if others:
            expected[number] = others[0]
    assert same_exposures(frames) == expected
    order.shuffle(frames)
    assert same_exposures(frames) == expected


# ---- missing numbers


def missing(gaps: list[Gap]) -> list[int]:
    return [number for gap in gaps for number in range(gap.first, gap.last + 1)]


@st.composite
def runs(draw: st.DrawFn) -> tuple[list[Frame], list[int], bool]:
    """What one body shot, numbers in a row, some of them not in the job; those between the first and last that are not."""
    rolls = draw(st.booleans())
    start = draw(st.integers(1, LAST_FILE_NUMBER)) if rolls else draw(st.integers(1, 10**6))
    length = draw(st.integers(1, 60))
    if draw(st.booleans()) and rolls:
        start = draw(st.integers(LAST_FILE_NUMBER - length, LAST_FILE_NUMBER))
    if not rolls and start <= LAST_FILE_NUMBER:
        start += LAST_FILE_NUMBER  # no file number
    steps = draw(st.lists(st.sampled_from([0, 0.2, 1, 30]), min_size=length, max_size=length))
    kept = draw(st.lists(st.integers(1, 3), min_size=length, max_size=length).map(lambda many: [n % 3 for n in many]))
    frames: list[Frame] = []
    between: list[int] = []
    lost: list[int] = []
    at, seen = 0.0, False
    for place, (step, copies) in enumerate(zip(steps, kept, strict=True)):
        counter = (start - 1 + place) % LAST_FILE_NUMBER + 1 if rolls else start + place
        at += step
        if copies == 0:
            between += [counter] if seen else []
        else:
            lost, between, seen = lost + between, [], True
        for _ in range(copies):
            frames.append(shot(len(frames) + 1, counter, at))
    return frames, lost, rolls


@given(runs(), st.randoms())
def test_exactly_what_is_missing_is_named(told: tuple[list[Frame], list[int], bool], order: Any) -> None:
    frames, lost, _ = told
    gaps = counter_gaps(frames)
    assert missing(gaps) == lost
    counters = {frame["frame"]: frame["counter"] for frame in frames}
    for gap in gaps:
        assert gap.first <= gap.last
        assert gap.after_frame < gap.before_frame, "numbers were given in the order of the exposures"
        assert gap.first in (counters[gap.after_frame] + 1, 1)
        assert gap.last in (counters[gap.before_frame] - 1, LAST_FILE_NUMBER)
    order.shuffle(frames)
    assert counter_gaps(frames) == gaps


@given(runs(), runs())
def test_bodies_are_looked_at_one_by_one(
    one: tuple[list[Frame], list[int], bool], two: tuple[list[Frame], list[int], bool]
) -> None:
    other = [frame | {"serial": "0002", "frame": frame["frame"] + 1000} for frame in two[0]]
    gaps = counter_gaps([*other, *one[0]])
    assert gaps == counter_gaps(one[0]) + counter_gaps(other)
    assert [gap.serial for gap in gaps] == sorted(gap.serial for gap in gaps)


@given(shots)
def test_any_numbers_and_times_are_borne(told: list[tuple[int | None, float | None, str | None]]) -> None:
    frames = [shot(number, *fields) for number, fields in enumerate(told, 1)]
    for serial in ("0001", "0002"):
        found = {frame["counter"] for frame in frames if frame["serial"] == serial}
        assert not found & set(missing([gap for gap in counter_gaps(frames) if gap.serial == serial]))


def in_order(*counters: int | None, step: float = 60) -> list[Frame]:
    return [shot(number, counter, (number - 1) * step) for number, counter in enumerate(counters, 1)]


def without_times(frames: list[Frame]) -> list[Frame]:
    return [frame | {"captured": None} for frame in frames]


def named(gaps: list[Gap]) -> list[tuple[int, int]]:
    return [(gap.first, gap.last) for gap in gaps]


def test_a_gap_names_the_frames_around_it() -> None:
    frames = [shot(1, 12, 0), shot(2, 9, 30), shot(3, 9, 30), shot(4, 13, 40)]
    assert counter_gaps(frames) == [Gap("0001", 10, 11, after_frame=2, before_frame=1)]


@pytest.mark.parametrize(
    ("what", "frames", "gaps"),
    [
        ("nothing", [], []),
        ("one", in_order(7), []),
        ("in a row", in_order(7, 8, 9), []),
        ("twice the same", in_order(7, 7, 8), []),
        ("no counter, no serial, none at all", [*in_order(7, None, 0, 8), shot(9, 20, serial=None)], []),
        ("the card was formatted and the numbers began anew", in_order(344, 345, 1, 2), [(3, 343)]),
        ("over the roll-over", in_order(9998, 9999, 1, 2), []),
        ("a gap over the roll-over is two", in_order(9997, 3), [(9998, 9999), (1, 2)]),
        ("a gap up to the roll-over is one", in_order(9997, 1), [(9998, 9999)]),
        ("a gap from the roll-over on is one", in_order(9999, 3), [(1, 2)]),
        ("a burst over the roll-over", in_order(9998, 9999, 1, 2, 3, step=0.2), []),
        ("the times go the other way", in_order(1, 2, 9998, 9999), [(3, 9997)]),
        ("without times nothing says that it rolled over", without_times(in_order(9999, 1, 2)), [(3, 9998)]),
        ("one without a time lies where it fits", [*in_order(9998, 9999, 1, 3), shot(9, 2, None)], []),
        ("a late one of the round before", in_order(9996, 9997, 9999, 1, 9998, 2), []),
        ("a burst over the roll-over, one lost", in_order(9997, 9998, 1, 2, step=0.2), [(9999, 9999)]),
        ("one file has the fraction, the other not", [shot(1, 1, 5), shot(2, 9999, 5.48), shot(3, 2, 5.9)], []),
        (
            "one without a time lies by what is nearest",
            [*in_order(5000, 9999, 1, 2000, 5900), shot(9, 2100, None)],
            [(5001, 9998), (2, 1999), (2001, 2099), (2101, 5899)],
        ),
        ("round twice", in_order(9999, 4000, 8000, 9999, 1), [(1, 3999), (4001, 7999), (8001, 9998)]),
        ("a count of the shutter goes on", in_order(9998, 9999, 10_000, 10_003), [(10_001, 10_002)]),
        ("a burst of a count of the shutter", in_order(9999, 10_001, step=0.2), [(10_000, 10_000)]),
        ("without times, too", without_times(in_order(9999, 10_002)), [(10_000, 10_001)]),
        (
            "file numbers and counts of the shutter",
            in_order(52_341, 41, 52_342, 42, 52_344, 45),
            [(43, 44), (52_343, 52_343)],
        ),
        ("file numbers that roll over, and counts", in_order(52_341, 9999, 1, 52_342), []),
        ("a long way", in_order(10_000, 4_294_967_295), [(10_001, 4_294_967_294)]),
    ],
)
def test_gaps(what: str, frames: list[Frame], gaps: list[tuple[int, int]]) -> None:
    assert named(counter_gaps(frames)) == gaps, what


def test_more_than_half_the_round_of_one_job_rolls_over() -> None:
    counters = [(2000 + place) % LAST_FILE_NUMBER + 1 for place in range(9000)]
    del counters[4000:4100]
    frames = in_order(*counters, step=0.5)
    (gap,) = counter_gaps(frames)
    assert gap == Gap("0001", 6001, 6100, after_frame=4000, before_frame=4001)
