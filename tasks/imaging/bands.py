"""Pictures worked on by bands of rows: on every core, in bounded memory, and in a fixed order."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Final, TypeVar

Result = TypeVar("Result")

BAND_ROWS: Final = 64
"""Rows of a band: few enough that the steps of a conversion stay near the processor; a strip of our TIFFs."""
_MOST_THREADS: Final = 8
"""Beyond it memory and the writing of the file are the limit (own choice)."""


def in_order(calls: Iterable[Callable[[], Result]], threads: int | None = None) -> Iterator[Result]:
    """Results of calls in the calls' order, while those that follow run on other threads.

    Parameters
    ----------
    calls : asked for one by one in the thread of whoever iterates: what they do to come by their input needs no lock
    threads : by default one for each core, 8 at most

    Raises
    ------
    MemoryError
        Where there is no room for another thread's stack.

    Notes
    -----
    One call more than there are threads has been begun at most, so that no more bands than that are in memory. What a
    call raises is raised in its place; what follows it is given up.
    """
    workers = threads or min(os.cpu_count() or 1, _MOST_THREADS)
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        try:
            for call in calls:
                waiting.append(_begin(pool, call))
                if len(waiting) > workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for begun in waiting:
                begun.cancel()


def _begin(pool: ThreadPoolExecutor, call: Callable[[], Result]) -> Future[Result]:
    try:
        return pool.submit(call)
    except RuntimeError as error:  # "can't start new thread": a lack of memory, no fault of the picture
        raise MemoryError(str(error)) from error


def band_slices(height: int) -> Iterator[slice]:
    """Rows from top to bottom, `BAND_ROWS` at a time."""
    return (slice(top, min(top + BAND_ROWS, height)) for top in range(0, height, BAND_ROWS))
