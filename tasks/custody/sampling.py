"""A sample of copies, spread over the volumes, and the chance that it missed every bad one.

Each volume is a stratum of its own: it gets its share of the sample, by its number of copies, and its copies are drawn
at random without replacement. So no disk is left out, and what is said of the chance of having missed bad copies holds
wherever they lie: within a volume it is hypergeometric, the draws of the volumes do not depend on one another, and the
split of the bad copies over the volumes is taken that is the worst to find. That matters since bad copies are not
independent: they come together on one disk (Bairavasundaram et al., An Analysis of Data Corruption in the Storage
Stack, FAST 2008).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from math import ceil, comb
from typing import NamedTuple

_SIZE = re.compile(r"(?P<number>[0-9]{1,12}(\.[0-9]{1,12})?)\s*(?P<percent>%?)")
Place = tuple[str, str]
"""Where a copy lies: its volume's id, and its path in the job folder."""


class Stratum(NamedTuple):
    """A volume's part: how many copies it was drawn from, and how many of them were read; 0 <= read <= of."""

    of: int
    read: int


def draw_sample(places: Iterable[Place], size: int, seed: str) -> list[Place]:
    """`size` of these places (all when there are fewer), each volume its share, at random without replacement.

    A place's rank is a digest of the seed and the place, and a volume's lowest ranks are drawn. So the same seed and
    places give the same sample in whatever order they come, and a place that went or came since changes little.
    """
    strata: dict[str, list[Place]] = {}
    for place in set(places):
        strata.setdefault(place[0], []).append(place)
    shares = share_out({volume: len(found) for volume, found in strata.items()}, size)
    return [
        place
        for volume, found in sorted(strata.items())
        for place in sorted(found, key=lambda place: _rank(seed, place))[: shares[volume]]
    ]


def share_out(sizes: Mapping[str, int], total: int) -> dict[str, int]:
    """Share a sample out over strata of these sizes (each at least 1), in proportion, by largest remainders.

    Where the total allows, every stratum gets at least one. The shares add up to the total, or to all there is.

    Examples
    --------
    >>> share_out({"backup": 300, "working": 200}, 6)
    {'backup': 4, 'working': 2}
    >>> share_out({"backup": 999, "working": 1}, 2)
    {'backup': 1, 'working': 1}
    """
    everything = sum(sizes.values())
    total = min(total, everything)
    least = 1 if total >= len(sizes) else 0
    shares = {name: max(least, total * size // everything) for name, size in sorted(sizes.items())}
    while (over := sum(shares.values()) - total) != 0:
        step = -1 if over > 0 else 1
        open_ones = [name for name in shares if (least < shares[name] if over > 0 else shares[name] < sizes[name])]
        lack = {name: Fraction(total * sizes[name], everything) - shares[name] for name in open_ones}
        shares[min(lack, key=lambda name: (step * -lack[name], name))] += step
    return shares


def chance_of_missing(of: int, bad: int, read: int) -> float:
    """The chance that a random sample holds none of the bad: C(of - bad, read) / C(of, read), the hypergeometric.

    Parameters
    ----------
    of : how many copies the sample was drawn from
    bad : how many of these are bad, 0 to `of`
    read : how many were drawn, 0 to `of`, without replacement

    Notes
    -----
    Exact in whole numbers, rounded once. Of one bad copy the chance is 1 - read/of: a sample of a tenth finds it one
    time in ten.

    Examples
    --------
    >>> round(1 - chance_of_missing(500, 5, 225), 6)
    0.950495
    """
    return comb(of - bad, read) / comb(of, read)


def worst_chance(strata: Sequence[Stratum], bad: int) -> float:
    """The chance of having missed all of so many bad copies, wherever they lie; 0 when there cannot be so many.

    The worst split puts each next bad copy where it adds least to being found. That is the worst of all splits, since
    within a stratum each further one adds more than the one before (the factors (of-read-i)/(of-i) fall with i).
    """
    split = [0] * len(strata)
    for _ in range(bad):
        where = _worst_next(strata, split)
        if where is None:
            return 0.0
        split[where] += 1
    chance = Fraction(1)
    for (of, read), held in zip(strata, split, strict=True):
        chance *= Fraction(comb(of - held, read), comb(of, read))
    return float(chance)


def surely_found(strata: Sequence[Stratum], certainty: float = 0.95) -> int | None:
    """How many bad copies, wherever they lie, would have shown at least one in this sample, at least so surely.

    None when not even every copy being bad would: nothing was read.
    """
    split = [0] * len(strata)
    missed, bad = 1.0, 0
    while missed > 1 - certainty:
        where = _worst_next(strata, split)
        if where is None:
            return bad + 1 if any(read for _, read in strata) else None
        missed *= float(_factor(strata[where], split[where]))
        split[where] += 1
        bad += 1
    return bad


def size_of(asked: str, of: int) -> int:
    """How many copies "225" or "10%" of so many are: at least one, at most all, a part of a copy counted as one.

    Raises
    ------
    ValueError
        It is neither a whole number from 1 nor a percentage above 0 and up to 100.
    """
    written = _SIZE.fullmatch(asked.strip())
    number = Fraction(written["number"]) if written else Fraction(0)
    if written and written["percent"] and 0 < number <= 100:
        return min(of, ceil(of * number / 100))
    if written and not written["percent"] and number >= 1 and number.denominator == 1:
        return min(of, int(number))
    raise ValueError(f"{asked!r} is no size of a sample")


def _worst_next(strata: Sequence[Stratum], split: Sequence[int]) -> int | None:
    """The stratum where one more bad copy is the least likely to be found, of those that can hide one more."""
    hiding = [index for index, (of, read) in enumerate(strata) if split[index] < of - read]
    return max(hiding, key=lambda index: _factor(strata[index], split[index]), default=None)


def _factor(stratum: Stratum, held: int) -> Fraction:
    """By what the chance of missing all falls when a stratum holds one bad copy more."""
    return Fraction(stratum.of - stratum.read - held, stratum.of - held)


def _rank(seed: str, place: Place) -> bytes:
    return hashlib.sha256("\0".join((seed, *place)).encode()).digest()
