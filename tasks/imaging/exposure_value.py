"""Exposure in stops: aperture, time and speed as APEX values, where 18 % grey and saturation lie, what a lens sees.

APEX counts in stops: Ev = Av + Tv = Bv + Sv. Source: Exif, annex "APEX units" (its letter from memory), after ANSI PH2.5.
Numbers on lenses and dials are nominal: f/11 is 2^3.5 = 11.31, 1/15 s is 1/16 s. They are taken as they are written, so
that EV agrees with other programs; a ladder of nominal numbers is then within 0.1 stop of exact thirds (f/1.2 within 0.15).
"""

from __future__ import annotations

import math
from typing import Final

from glassine.schemas.errors import CallError

GREY: Final = 0.18
"""Reflectance of mid-grey: a convention of the trade. ISO 2720 leaves its constants a range, and they give 11 to 18 %."""
SATURATION: Final = math.sqrt(2)
"""Reflectance that just saturates at the speed ISO 12232:2019 calls saturation-based: half a stop over a perfect white."""

_SPEED_AT_0: Final = 3.125
"""Speed of Sv 0: 100/32. Exif, annex "APEX units"."""


def aperture_value(f_number: float) -> float:
    """Av, in stops from f/1: 2 log2 N. CallError W001 where N is not above 0."""
    return 2 * math.log2(_above_zero(f_number, "An f-number"))


def time_value(shutter_s: float) -> float:
    """Tv, in stops from 1 s: -log2 t. CallError W001 where t is not above 0."""
    return -math.log2(_above_zero(shutter_s, "A shutter time in seconds"))


def speed_value(iso: float) -> float:
    """Sv, in stops from ISO 3.125: log2(S / 3.125). CallError W001 where S is not above 0."""
    return math.log2(_above_zero(iso, "An ISO speed") / _SPEED_AT_0)


def exposure_value(f_number: float, shutter_s: float) -> float:
    """Ev of aperture and time alone: Av + Tv.

    Raises
    ------
    CallError
        W001: a number that is not finite and above 0.

    Examples
    --------
    >>> round(exposure_value(8, 1 / 200), 2)
    13.64
    """
    return aperture_value(f_number) + time_value(shutter_s)


def exposure_value_at_iso_100(f_number: float, shutter_s: float, iso: float) -> float:
    """EV of the light that is exposed right: what aperture and time would be at ISO 100.

    It is what ExifTool calls LightValue.

    Raises
    ------
    CallError
        W001: a number that is not finite and above 0.

    Examples
    --------
    >>> round(exposure_value_at_iso_100(8, 1 / 200, 400), 2)
    11.64
    """
    return exposure_value(f_number, shutter_s) - speed_value(iso) + speed_value(100)


def grey_when_over(stops: float) -> float:
    """Linear value of mid-grey, white 1.0, where it is exposed by so many stops over (below 0: under) the meter."""
    return GREY * math.exp2(stops)


def stops_below_saturation(stops_over: float) -> float:
    """How far mid-grey stays below saturation where it is exposed by so many stops over the meter.

    2.97 stops at 0, from the relations of ISO 12232:2019; a camera may leave itself more. Below 0: it saturates.
    """
    return math.log2(SATURATION / grey_when_over(stops_over))


def angle_of_view_degrees(side_mm: float, focal_mm: float) -> float:
    """Full angle that a side of the sensor sees, focused far away: 2 atan(side / 2f); plane geometry.

    Parameters
    ----------
    side_mm, focal_mm : in millimetres, above 0

    Examples
    --------
    >>> [round(angle_of_view_degrees(side, 65), 1) for side in (36, 24)]
    [31.0, 20.9]
    """
    side, focal = _above_zero(side_mm, "A sensor's side in mm"), _above_zero(focal_mm, "A focal length in mm")
    return math.degrees(2 * math.atan(side / (2 * focal)))


def seen_at_m(side_mm: float, focal_mm: float, distance_m: float) -> float:
    """How much of a plane at a distance in metres a side of the sensor sees, in metres; close-ups see a little less."""
    return _above_zero(distance_m, "A distance in metres") * side_mm / _above_zero(focal_mm, "A focal length in mm")


def say_shutter(shutter_s: float) -> str:
    """A shutter time as it is said: "1/160 s", "0.5 s", "2 s"."""
    parts = round(1 / _above_zero(shutter_s, "A shutter time in seconds"))
    # Below a third of a second times are whole parts of one, within what a dial rounds.
    if parts >= 3 and abs(shutter_s * parts - 1) < 0.02:
        return f"1/{parts} s"
    return f"{shutter_s:.3g} s"


def sync_speed_warning(shutter_s: float, sync_s: float) -> str:
    """What to say of a shutter time for strobes, where the camera's shortest one with an open shutter is `sync_s`.

    Returns
    -------
    A sentence where the time is shorter, else "". Times within a sixth of a stop are the same: dials are nominal, and
    Exif may hold either the nominal or the exact time.

    Raises
    ------
    CallError
        W001: a time that is not finite and above 0.
    """
    if time_value(shutter_s) - time_value(sync_s) <= 1 / 6:
        return ""
    return (
        f"{say_shutter(shutter_s)} is faster than the sync speed of {say_shutter(sync_s)}: a strobe lights only part of "
        f"the frame. Set {say_shutter(sync_s)} or longer."
    )


def _above_zero(number: float, what: str) -> float:
    if not (math.isfinite(number) and number > 0):
        raise CallError("W001", f"{what} is above 0, not {number:g}.")
    return number
