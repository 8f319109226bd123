"""Calls on other threads: their results in order, no more begun than said, nothing after a failure."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.tasks.imaging.bands import BAND_ROWS, band_slices, in_order


@given(count=st.integers(0, 30), threads=st.integers(1, 5))
def test_results_come_in_the_calls_order(count: int, threads: int) -> None:
    assert list(in_order((partial(pow, number, 2) for number in range(count)), threads)) == [n**2 for n in range(count)]


def test_a_later_call_does_not_overtake_an_earlier_one_that_waits() -> None:
    later = threading.Event()

    def first() -> str:
        assert later.wait(30)
        return "first"

    def second() -> str:
        later.set()
        return "second"

    assert list(in_order([first, second], 2)) == ["first", "second"]


@pytest.mark.parametrize("threads", [1, 3])
def test_no_more_is_asked_for_than_one_call_beyond_the_threads(threads: int) -> None:
    asked = 0

    def calls() -> Iterator[Callable[[], int]]:
        nonlocal asked
        for number in range(20):
            asked += 1
            yield partial(int, number)

    for taken, _ in enumerate(in_order(calls(), threads), start=1):
        assert asked <= taken + threads


def test_what_a_call_raises_comes_in_its_place_and_ends_all() -> None:
    asked: list[int] = []

    def calls() -> Iterator[Callable[[], int]]:
        for number in range(40):
            asked.append(number)
            yield partial(divmod_first, 6, 3 - number)

    results = in_order(calls(), 2)
    assert [next(results) for _ in range(3)] == [2, 3, 6]
    with pytest.raises(ZeroDivisionError):
        next(results)
    assert list(results) == []
    assert len(asked) <= 3 + 1 + 2


def divmod_first(one: int, other: int) -> int:
    return divmod(one, other)[0]


def test_what_is_left_half_way_leaves_no_thread() -> None:
    before = threading.active_count()
    results = in_order((partial(int, number) for number in range(100)), 3)
    assert next(results) == 0
    assert isinstance(results, Iterator)
    results.close()  # type: ignore[attr-defined]
    assert threading.active_count() == before


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="the size of a process is read from /proc")
def test_no_room_for_a_thread_is_a_lack_of_memory() -> None:
    """In a process of its own, which may have 1 MB more than it has: a thread's stack takes 8."""
    code = (
        "import resource\n"
        "from glassine.tasks.imaging.bands import in_order\n"
        "held = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()\n"
        "resource.setrlimit(resource.RLIMIT_AS, (held + (1 << 20), resource.RLIM_INFINITY))\n"
        "try:\n"
        "    list(in_order([int]))\n"
        "except MemoryError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "can't start new thread\n"


@given(height=st.integers(1, 1000))
def test_slices_cover_every_row_once(height: int) -> None:
    slices = list(band_slices(height))
    assert [row for rows in slices for row in range(rows.start, rows.stop)] == list(range(height))
    assert all(rows.stop - rows.start == BAND_ROWS for rows in slices[:-1])
