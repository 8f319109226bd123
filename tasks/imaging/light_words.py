"""Numbers in the words of a job sheet's set-up: a modifier's size, a light's place and power, the camera's settings.

Only what is plain is read. Words that could mean two things give None, never a guess; the words themselves stay as they
are for whoever reads them.
"""

from __future__ import annotations

import math
import re
from typing import Final, NamedTuple

METRES_A_FOOT: Final = 0.3048
"""Exact, by the international yard and pound agreement of 1959."""
FULL_FRAME_MM: Final = (36.0, 24.0)
"""What "full frame" means in the trade: the picture of 35 mm film (common practice)."""

_NUMBER = r"\d{1,6}(?:\.\d{1,4})?"
_METRES: Final = {
    **dict.fromkeys(("mm",), 0.001),
    **dict.fromkeys(("cm",), 0.01),
    **dict.fromkeys(("m", "metre", "metres"), 1.0),
    **dict.fromkeys(("ft", "foot", "feet", "'", "′"), METRES_A_FOOT),
    **dict.fromkeys(("in", "inch", "inches", '"', "″"), METRES_A_FOOT / 12),
}
_UNIT = "|".join(sorted(map(re.escape, _METRES), key=len, reverse=True))
_SIZE = re.compile(
    rf"(?<![\d.])({_NUMBER})\s*({_UNIT})?(?:\s*(?:x|×|by)\s*({_NUMBER})\s*({_UNIT})?)?(?![\w.°])", re.IGNORECASE
)
_DEGREES = rf"({_NUMBER})\s*(?:°|degrees?\b|deg\b)"
_ROUND = ("octagon", "octa", "round", "dish", "umbrella", "reflector", "parabolic", "globe", "lantern")
_FLAT = re.compile(r"\b(?:board|panel|flag)s?\b")
_BOXES = re.compile(r"box|strip")

_PIECES_SAY_NOTHING = re.compile(
    r"(?:up |quite |very )?(?:high|low)|(?:just |well )?(?:above|below) (?:the )?(?:eye|eyes|eye level|eye height|head|lens|chin)"
)
_SIDE = re.compile(rf"(?:to )?(?:the )?camera[- ](left|right)(?:\s+(?:at\s+)?{_DEGREES})?")
_BY_THE_LENS = re.compile(
    r"(?:straight )?(?:by|at|on|over|above|under|below) the (?:lens|camera)(?: axis)?|on(?:[- ]the)?[- ]axis"
)
_BEHIND = re.compile(r"(?:straight |directly )?behind(?: the sitter)?")

_FRACTIONS: Final = {"½": "1/2", "⅓": "1/3", "⅔": "2/3", "¼": "1/4", "¾": "3/4"}
_STOPS = rf"({_NUMBER}|\d/\d|\d{{1,2}} \d/\d)\s*stops?"
_OF_FULL = re.compile(
    rf"full(?: power)?(?:,? (?:less|minus) {_STOPS})?|{_STOPS} (?:below|under|less than) full(?: power)?"
)
_PART = re.compile(r"1/(\d{1,4})(?: (?:of )?(?:full|power|full power))?|(half|quarter)(?: (?:of full|power))?")
_METERED = re.compile(
    rf"{_STOPS} (over|under|above|below) (?:the )?exposure(?:, metered (at the (?:face|sitter)|on the background))?"
    r"|(?:at )?the exposure(?:, metered (at the (?:face|sitter)|on the background))?"
)


class Modifier(NamedTuple):
    """What is known of a modifier as numbers: how wide and high its front is, its form, its grid."""

    width_m: float | None
    height_m: float | None
    form: str
    """"round", "flat" for a board, else "square"."""
    grid_degrees: float | None


class Metered(NamedTuple):
    """A light as it was metered: stops against the exposure, and whether at the background instead of the sitter."""

    stops: float
    on_background: bool


class Settings(NamedTuple):
    """A camera's settings, None for what is not said."""

    shutter_s: float | None
    f_number: float | None
    iso: float | None


def read_modifier(words: str) -> Modifier:
    """A modifier from its words, such as "octagonal softbox, 120 cm", "strip, 1 x 4 ft", "grid, 20°".

    Of two sizes the first is the width, as it stands (common practice); of one, both sides or the diameter. A second or
    contradicting size gives no size.
    """
    text = words.casefold()
    grid = None
    angles = re.findall(_DEGREES, text)
    if "grid" in text and len(angles) == 1 and 0 < float(angles[0]) < 180:
        grid = float(angles[0])
    # A grid of which nothing else is said sits on a round reflector (common practice).
    is_round = any(word in text for word in _ROUND) or ("grid" in text and not _BOXES.search(text))
    form = "flat" if _FLAT.search(text) else "round" if is_round else "square"
    sizes = [size for size in map(_size_m, _SIZE.finditer(text)) if size]
    width, height = sizes[0] if len(sizes) == 1 else (None, None)
    return Modifier(width, height, form, grid)


def _size_m(found: re.Match[str]) -> tuple[float, float] | None:
    first, unit, second, second_unit = found.groups()
    unit, second_unit = unit or second_unit, second_unit or unit
    if unit is None or second_unit is None:
        return None
    width = float(first) * _METRES[unit]
    height = float(second) * _METRES[second_unit] if second else width
    # Nothing that lights a sitter is smaller than a fingernail or larger than a hall.
    return (width, height) if 0.01 <= width <= 20 and 0.01 <= height <= 20 else None


def read_azimuth_degrees(place: str) -> float | None:
    """Where a light stands on the floor, from words such as "camera left, 45°"; None where they are not plain.

    Returns
    -------
    Degrees seen from the sitter, (-180, 180]: 0 towards the camera, above 0 to camera right, 180 behind. "Behind" with
    an angle is plain only where the angle is over 90°, counted from the lens like any other; "camera left" alone is no
    number.

    Examples
    --------
    >>> [read_azimuth_degrees(words) for words in ("camera left, 45°", "behind, camera right, 150°", "behind right")]
    [-45.0, 150.0, None]
    """
    side, angle, behind, lens = "", None, False, False
    for piece in re.split(r"\s*[,;]\s*", place.casefold().strip().rstrip(".")):
        if found := _SIDE.fullmatch(piece):
            if side or (found[2] and angle is not None):
                return None
            side, angle = found[1], float(found[2]) if found[2] else angle
        elif found := re.fullmatch(_DEGREES, piece):
            if angle is not None:
                return None
            angle = float(found[1])
        elif _BY_THE_LENS.fullmatch(piece):
            lens = True
        elif _BEHIND.fullmatch(piece):
            behind = True
        elif piece != "on the background" and not _PIECES_SAY_NOTHING.fullmatch(piece):
            return None
    if side and angle is not None and angle <= 180 and not lens and not (behind and angle <= 90):
        return angle if side == "right" or angle == 180 else -angle
    if not side and angle is None and lens != behind:
        return 180.0 if behind else 0.0
    return None


def is_on_background(place: str) -> bool:
    """Whether the words of a place say that the light is for the background."""
    return re.search(r"\bon the (?:back)?ground\b", place.casefold()) is not None


def read_power_stops(power: str) -> float | None:
    """Stops against full power, 0 or below, from words such as "full less 2 stops", "1/4", "half power"; else None.

    Examples
    --------
    >>> [read_power_stops(words) for words in ("full", "full less 2 1/3 stops", "1/16", "500 J")]
    [0.0, -2.3333333333333335, -4.0, None]
    """
    text = _plain(power)
    if found := _OF_FULL.fullmatch(text):
        less = found[1] or found[2]
        return 0.0 - _stops(less) if less else 0.0
    if found := _PART.fullmatch(text):
        part = int(found[1]) if found[1] else {"half": 2, "quarter": 4}[found[2]]
        return -math.log2(part) if part else None
    return None


def read_metered(power: str) -> Metered | None:
    """A metered light, from words such as "3.9 stops under the exposure, metered at the face"; else None.

    Examples
    --------
    >>> read_metered("3.9 stops under the exposure, metered at the face")
    Metered(stops=-3.9, on_background=False)
    """
    found = _METERED.fullmatch(_plain(power))
    if not found:
        return None
    amount, way, where, plain_where = found.groups()
    stops = 0.0 if amount is None else _stops(amount) * (1 if way in ("over", "above") else -1)
    return Metered(stops, "background" in (where or plain_where or ""))


def read_settings(exposure: str) -> Settings:
    """Shutter time in seconds, f-number and ISO speed, each from words such as "1/160 s, f/8, ISO 100"; else None.

    Examples
    --------
    >>> read_settings("1/160 s, f/8, ISO 100")
    Settings(shutter_s=0.00625, f_number=8.0, iso=100.0)
    """
    text = exposure.casefold()
    times = re.findall(rf"(?<![\w./])(?:(1)/)?({_NUMBER})\s*s(?:ec|econds?)?\b", text)
    stops = re.findall(rf"\bf\s*/?\s*({_NUMBER})(?![\d.])", text)
    speeds = re.findall(rf"\biso\s*({_NUMBER})(?![\d.])", text)
    shutter = None
    if len(times) == 1 and float(times[0][1]) > 0:
        shutter = 1 / float(times[0][1]) if times[0][0] else float(times[0][1])
    return Settings(shutter, _only(stops), _only(speeds))


def read_focal_mm(lens: str) -> float | None:
    """A focal length in millimetres from words such as "85 mm"; None for a zoom's range or where it is not said."""
    if re.search(rf"{_NUMBER}\s*(?:mm)?\s*(?:-|–|to)\s*{_NUMBER}", lens):
        return None
    return _only(re.findall(rf"(?<![\d.])({_NUMBER})\s*mm\b", lens.casefold()))


def read_sensor_mm(camera: str) -> tuple[float, float] | None:
    """Sides of the sensor, the camera level, in millimetres, where the words say "full frame" or "36 x 24 mm"."""
    text = camera.casefold()
    found = re.findall(rf"(?<![\d.])({_NUMBER})\s*(?:mm)?\s*(?:x|×|by)\s*({_NUMBER})\s*mm\b", text)
    if len(found) == 1 and all(1 <= float(side) <= 1000 for side in found[0]):
        return float(found[0][0]), float(found[0][1])
    return FULL_FRAME_MM if not found and re.search(r"\bfull[- ]frame\b", text) else None


def is_upright(camera: str) -> bool:
    """Whether the words say that the camera is turned upright."""
    text = camera.casefold()
    return re.search(r"\bupright\b", text) is not None and re.search(r"\bnot upright\b", text) is None


def read_background_m(background: str) -> float | None:
    """How far the background is behind the sitter, in metres, from words such as "grey paper, 2.5 m behind"."""
    found = re.findall(rf"(?<![\d.])({_NUMBER})\s*(m|cm|ft|feet)\s+behind\b", background.casefold())
    return float(found[0][0]) * _METRES[found[0][1]] if len(found) == 1 and float(found[0][0]) > 0 else None


def _only(found: list[str]) -> float | None:
    return float(found[0]) if len(found) == 1 and float(found[0]) > 0 else None


def _plain(words: str) -> str:
    text = words.casefold().strip().rstrip(".")
    for sign, written in _FRACTIONS.items():
        text = text.replace(sign, f" {written}")
    return re.sub(r"\s+", " ", text).strip()


def _stops(amount: str) -> float:
    total = 0.0
    for part in amount.split():
        above, _, below = part.partition("/")
        total += float(above) / (float(below) if below and float(below) else 1.0)
    return total
