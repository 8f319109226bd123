"""Exposures as the camera counted and timed them: which files are one exposure, which numbers are missing, when it was.

Pure functions of what the files say (`serial`, `counter`, `captured` of a frame), which a camera wrote and a stranger may
have altered: what cannot be read as a number or a time is left out.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from functools import lru_cache
from itertools import groupby, pairwise
from typing import NamedTuple

from glassine.schemas.stage import Frame

LAST_FILE_NUMBER = 9999
"""File numbers go from 0001 to 9999; source: CIPA DC-009 (DCF). That 0001 follows on 9999 is common practice."""
SAME_EXPOSURE_S = 1
"""Seconds by which the times of one exposure may differ: one file may hold the fraction, the other not (own choice)."""

_HALF_ROUND = LAST_FILE_NUMBER // 2
_NS = 10**9
_START = datetime(1, 1, 1, tzinfo=UTC)  # UTC stands in for the camera's own local time: days of 24 hours
_CAPTURED = re.compile(
    r"(\d{4})([:-])(\d\d)\2(\d\d)([ T])(\d\d):(\d\d):(\d\d)(?:\.(\d{1,9}))?([+-]\d\d:\d\d|Z)?", re.ASCII
)


class Gap(NamedTuple):
    """Numbers that a body counted and no frame of the job bears: `first` to `last`, both missing, first <= last."""

    serial: str
    first: int
    last: int
    after_frame: int
    """Number in the job of the frame before the gap; the lowest, where several bear that counter."""
    before_frame: int
    """Number in the job of the frame after the gap."""


class _Shot(NamedTuple):
    counter: int
    second: int | None
    frame: int


def taken_at(captured: str | None, offset_s: float) -> str | None:
    """The camera's own local time of an exposure, put right by what its clock was off.

    Parameters
    ----------
    captured : as the file says it, such as "2026-11-25T10:44:47.12+01:00" or "2026:11:25 10:44:47"
    offset_s : seconds to add to it, finite

    Returns
    -------
    Written as `captured` is: the same separators, as many decimals (rounded to them), the same zone. None when there is
    no time, it is none that there is, or the sum lies outside the years 1 to 9999.

    Examples
    --------
    >>> taken_at("2026-11-25T23:59:59.50+01:00", 61)
    '2026-11-26T00:01:00.50+01:00'
    >>> taken_at("2026:11:25 10:44:47", -3600.25)
    '2026:11:25 09:44:47'
    >>> taken_at("2026-02-30T10:00:00", 0) is None
    True
    """
    read = _read(captured)
    if read is None or offset_s == 0:
        return captured if read else None
    seconds, found = read
    decimals = found[9] or ""
    unit = 10 ** len(decimals)
    moved, fraction = divmod(seconds * unit + int(decimals or 0) + round(Fraction(offset_s) * unit), unit)
    try:
        time = _START + timedelta(seconds=moved)
    except OverflowError:
        return None
    day = f"{time.year:04d}{found[2]}{time.month:02d}{found[2]}{time.day:02d}"
    written = f".{fraction:0{len(decimals)}d}" if decimals else ""
    return f"{day}{found[5]}{time.hour:02d}:{time.minute:02d}:{time.second:02d}{written}{found[10] or ''}"


def same_exposures(frames: Iterable[Frame]) -> dict[int, int]:
    """For each frame that is not the only one of its exposure: the lowest number of another frame that is the same.

    The same exposure is: the same camera serial, the same counter, both known, and a time within one second. So a file
    that came over the cable and the one on the card are one exposure, also when their bytes differ. Of the times only
    what the camera's clock showed is compared: one file may lack the zone that the other has.

    Examples
    --------
    >>> cable = {"frame": 1, "serial": "0001", "counter": 42, "captured": "2026-11-25T10:44:47.62+01:00"}
    >>> card = {"frame": 7, "serial": "0001", "counter": 42, "captured": "2026-11-25T10:44:47"}
    >>> other = {"frame": 8, "serial": "0002", "counter": 42, "captured": "2026-11-25T10:44:47"}
    >>> same_exposures([cable, card, other])
    {1: 7, 7: 1}
    """
    counted: dict[tuple[str, int], list[Frame]] = {}
    for frame in frames:
        if frame["serial"] is not None and frame["counter"] is not None:
            counted.setdefault((frame["serial"], frame["counter"]), []).append(frame)
    found: dict[int, int] = {}
    for alike in counted.values():
        if len(alike) > 1:
            found |= _within_a_second(alike)
    return dict(sorted(found.items()))


def counter_gaps(frames: Iterable[Frame]) -> list[Gap]:
    """The numbers that are missing between the lowest and the highest counter of each body, by serial and in its order.

    A counter may be a file number, which goes from 9999 to 0001, or a count of the shutter, which goes on:

    - A body with no counter above 9999 rolls over where a later exposure has a number lower by more than half the round.
      A gap over the roll-over is two: up to 9999, and from 1.
    - With some above 9999, it counts on, unless a number up to 9999 was taken after one above: then some of its files say
      the one and some the other, and each is looked at by itself.

    A counter that several frames bear is no gap; a counter of 0 is none (DCF), nor is one of a body without a serial.

    Examples
    --------
    >>> def shot(frame, counter, minute):
    ...     return {"frame": frame, "serial": "0001", "counter": counter, "captured": f"2026-11-25T10:{minute:02d}:00"}
    >>> counter_gaps([shot(1, 9998, 0), shot(2, 9999, 1), shot(3, 1, 2), shot(4, 5, 3)])
    [Gap(serial='0001', first=2, last=4, after_frame=3, before_frame=4)]
    """
    bodies: dict[str, list[_Shot]] = {}
    for frame in frames:
        if frame["serial"] is not None and frame["counter"]:
            at = _wall_ns(frame["captured"])
            second = None if at is None else at // _NS
            bodies.setdefault(frame["serial"], []).append(_Shot(frame["counter"], second, frame["frame"]))
    return [gap for serial in sorted(bodies) for gap in _gaps_of_body(serial, bodies[serial])]


@lru_cache(maxsize=2**15)  # every fold asks for the same times again
def _read(captured: str | None) -> tuple[int, re.Match[str]] | None:
    """Whole seconds that the camera's clock showed, since the year 1, and the parts of the text."""
    found = _CAPTURED.fullmatch(captured or "")
    if found is None:
        return None
    year, month, day, hour, minute, second = (int(found[part]) for part in (1, 3, 4, 6, 7, 8))
    try:
        time = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:  # the 30th of February, 25 o'clock
        return None
    since = time - _START
    return since.days * 86_400 + since.seconds, found


def _wall_ns(captured: str | None) -> int | None:
    read = _read(captured)
    return None if read is None else read[0] * _NS + int((read[1][9] or "").ljust(9, "0"))


def _within_a_second(alike: Iterable[Frame]) -> dict[int, int]:
    """Of frames of one serial and counter: for each, the lowest other within a second."""
    by_time: dict[int, list[int]] = {}
    for frame in alike:
        at = _wall_ns(frame["captured"])
        if at is not None:
            by_time.setdefault(at, []).append(frame["frame"])
    lowest = {at: sorted(numbers)[:2] for at, numbers in by_time.items()}  # a third is never the lowest other
    times = sorted(lowest)
    found: dict[int, int] = {}
    for at in times:
        reach = SAME_EXPOSURE_S * _NS
        near = times[bisect_left(times, at - reach) : bisect_right(times, at + reach)]
        first, *others = sorted(number for other in near for number in lowest[other])
        for number in by_time[at] if others else []:
            found[number] = others[0] if number == first else first
    return found


def _gaps_of_body(serial: str, shots: Sequence[_Shot]) -> list[Gap]:
    low = [shot for shot in shots if shot.counter <= LAST_FILE_NUMBER]
    high = [shot for shot in shots if shot.counter > LAST_FILE_NUMBER]
    if not high:
        return _gaps_of_run(serial, _unroll(low), rolls=True)
    if _is_after(low, high):
        return _gaps_of_run(serial, _unroll(low), rolls=True) + _gaps_of_run(serial, _as_counted(high), rolls=False)
    return _gaps_of_run(serial, _as_counted(shots), rolls=False)


def _is_after(low: Sequence[_Shot], high: Sequence[_Shot]) -> bool:
    """Whether any of the low numbers was surely taken after one of the high."""
    lasts = [shot.second for shot in low if shot.second is not None]
    firsts = [shot.second for shot in high if shot.second is not None]
    return bool(lasts and firsts) and max(lasts) > min(firsts)


def _as_counted(shots: Iterable[_Shot]) -> list[tuple[int, int]]:
    return [(shot.counter, shot.frame) for shot in shots]


def _unroll(shots: Iterable[_Shot]) -> list[tuple[int, int]]:
    """File numbers as if they had gone on after 9999, with their frames; their times say in which round they are."""
    by_second: dict[int | None, list[_Shot]] = {}
    for shot in shots:
        by_second.setdefault(shot.second, []).append(shot)
    untimed = by_second.pop(None, [])
    placed: list[tuple[int, int]] = []
    rounds, last = 0, 0
    for second in sorted(second for second in by_second if second is not None):
        now = by_second[second]
        before = last if placed else _start_of(now)
        # Times of whole seconds cannot order a burst, so its numbers do, onward from the one before.
        for shot in sorted(now, key=lambda shot: ((shot.counter - before) % LAST_FILE_NUMBER, shot.frame)):
            place = shot.counter + rounds * LAST_FILE_NUMBER
            if place < last - _HALF_ROUND:
                rounds += 1
                place += LAST_FILE_NUMBER
            elif rounds and place > last + _HALF_ROUND:  # the last of the round before, with a time a little late
                place -= LAST_FILE_NUMBER
            placed.append((place, shot.frame))
            last = place
    known = sorted({place for place, _ in placed})
    for shot in untimed:
        places = (shot.counter, shot.counter + rounds * LAST_FILE_NUMBER)
        placed.append((min(places, key=lambda place: _distance(known, place)), shot.frame))
    return placed


def _start_of(shots: Sequence[_Shot]) -> int:
    """The number that came first in a second with which nothing can be compared."""
    counters = sorted(shot.counter for shot in shots)
    if counters[-1] - counters[0] <= _HALF_ROUND:
        return counters[0]
    return next(counter for counter in counters if counter > _HALF_ROUND)


def _distance(known: Sequence[int], place: int) -> int:
    at = bisect_left(known, place)
    return min((abs(other - place) for other in known[max(0, at - 1) : at + 1]), default=0)


def _gaps_of_run(serial: str, placed: Iterable[tuple[int, int]], *, rolls: bool) -> list[Gap]:
    frames = {place: next(same)[1] for place, same in groupby(sorted(placed), key=lambda found: found[0])}
    return [
        Gap(serial, first, last, frames[before], frames[after])
        for before, after in pairwise(frames)
        for first, last in _numbers(before + 1, after - 1, rolls=rolls)
    ]


def _numbers(first: int, last: int, *, rolls: bool) -> Iterator[tuple[int, int]]:
    """Missing places as the numbers that the camera would have written, cut where it rolls over."""
    while first <= last:
        number = (first - 1) % LAST_FILE_NUMBER + 1 if rolls else first
        length = min(last - first, LAST_FILE_NUMBER - number) if rolls else last - first
        yield number, number + length
        first += length + 1
