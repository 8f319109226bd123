"""How light falls off with distance, and how two lights stand to one another: in stops and as ratios.

All of it holds for a light that is small against its distance and goes out alike to all sides it is meant for; within
about five times its width a large softbox falls off more slowly (common practice). A meter decides.
"""

from __future__ import annotations

import math

from glassine.schemas.errors import CallError


def inverse_square_stops(from_m: float, to_m: float) -> float:
    """By how many stops light changes where its source is moved from one distance to another: -2 log2(to / from).

    The inverse square law; below 0 where it gets darker.

    Examples
    --------
    >>> inverse_square_stops(1, 2)
    -2.0
    """
    return -2 * math.log2(_metres(to_m) / _metres(from_m))


def at_sitter_stops(power_stops: float, distance_m: float) -> float:
    """Light at the sitter, in stops against the same light at full power and 1 m, from power and distance alone.

    Parameters
    ----------
    power_stops : against full power, 0 or below
    distance_m : above 0

    Notes
    -----
    Two lights compare by it only where both have the same full power and their modifiers take the same share.
    """
    return power_stops + inverse_square_stops(1.0, distance_m)


def key_to_fill(stops: float) -> float:
    """Ratio of two lights that lie so many stops apart, as n in n:1; common practice."""
    return math.exp2(stops)


def lit_to_fill(stops: float) -> float:
    """Ratio of what both light to what the fill alone lights, as n in n:1, where the fill reaches both sides."""
    return math.exp2(stops) + 1


def say_ratio(ratio: float) -> str:
    """A ratio as it is said: "1.5:1", "16:1", and "1:2" where it is below one.

    Examples
    --------
    >>> [say_ratio(ratio) for ratio in (1.0, 2.83, 16.4, 0.25)]
    ['1:1', '2.8:1', '16:1', '1:4']
    """
    if ratio < 1:
        return ":".join(reversed(say_ratio(1 / ratio).split(":")))
    return f"{ratio:.1f}".removesuffix(".0") + ":1" if ratio < 9.95 else f"{ratio:.0f}:1"


def aperture_at_distance(guide_number_m: float, distance_m: float, iso: float = 100.0) -> float:
    """f-number for a bare strobe of a guide number (metres, ISO 100) at a distance: GN = N d, and GN grows as sqrt(S/100).

    Examples
    --------
    >>> aperture_at_distance(40, 5), aperture_at_distance(40, 5, 400)
    (8.0, 16.0)
    """
    return _metres(guide_number_m) * math.sqrt(iso / 100) / _metres(distance_m)


def grid_spot_m(distance_m: float, angle_degrees: float, front_m: float = 0.0) -> float:
    """Width of the spot behind a grid of a full angle: 2 D tan(angle / 2) + front. An estimate.

    Parameters
    ----------
    distance_m : from the grid to what it lights, straight on
    angle_degrees : as the grid is named, taken for the full angle; above 0, below 180
    front_m : width of the grid itself, 0 where it is not known

    Notes
    -----
    Makers do not say by which criterion a grid has its angle. By plane geometry a honeycomb's light ends at this width;
    what looks like its spot is smaller and has soft borders (common practice).

    Examples
    --------
    >>> round(grid_spot_m(1, 20), 2)
    0.35
    """
    if not 0 < angle_degrees < 180:
        raise CallError("W001", f"A grid's angle lies between 0 and 180 degrees, not {angle_degrees:g}.")
    return 2 * _metres(distance_m) * math.tan(math.radians(angle_degrees) / 2) + front_m


def _metres(length_m: float) -> float:
    if not (math.isfinite(length_m) and length_m > 0):
        raise CallError("W001", f"A distance is above 0 m, not {length_m:g} m.")
    return length_m
