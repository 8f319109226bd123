"""Tuning a look by typed lines: each makes another look of it, or is refused and leaves it as it was."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Mapping
from typing import Any, Final

from glassine.schemas.errors import CallError, DocumentError
from glassine.schemas.validation import check_document
from glassine.tasks.handoff.annotation import parse_region
from glassine.tasks.imaging.look import PreparedLook

Document = dict[str, Any]
Steps = list[Document]

FEATHER_PERCENT: Final = 20.0
"""Of a region whose line says nothing: no edge is seen (own choice)."""
LINES: Final = (
    "exposure STOPS",
    "filter none|yellow|orange|red|green",
    "weights RED GREEN BLUE [SPACE]",
    "colour",
    "point STOPS-IN STOPS-OUT",
    "drop STOPS-IN",
    "contrast FACTOR",
    "black L* 9 | black D 1.9 | black off",
    "white L* 97 | white D 0.05 | white off",
    "tone L* A* B* | tone off",
    "grain GRANULARITY FORMAT-MM CLUMP-UM | grain off",
    "burn STOPS REGION [outside] [feather PERCENT] | burn off",
    "hold STOPS REGION [outside] [feather PERCENT] | hold off",
    "purpose TEXT",
)
"""Every line that `change` knows, as it is typed."""

_WHITE_STOPS = 2.474
"""log2(1 / 0.18): where white lies above middle grey."""
_STRAIGHT = [[-8.0, -8.0], [_WHITE_STOPS, _WHITE_STOPS]]
_MOST_CORNERS, _SMALLEST_PERCENT = 100, 0.1
"""Of a region: look.schema.json."""
_DARKEST_STOPS = -16.0
"""The least that a curve gives: look.schema.json."""
_SAME_STOPS = 0.0005
"""Points nearer than this are one: numbers are typed with three digits at most."""
_FACTOR_LIMITS = (0.1, 10.0)
_ORDER: Final = (
    "exposure",
    "burn_in",
    "hold_back",
    "monochrome",
    "tone_curve",
    "cdl",
    "cube",
    "white_point",
    "black_point",
    "toning",
    "grain",
)
"""Where a new step goes: after the last one that is not later here. Common practice; black and white points stand
after foreign grades, which would move them."""
_WORDS: Final = {
    "purpose": "the purpose",
    "steps": "the look",
    "stops": "STOPS",
    "filter": "the filter",
    "red": "RED",
    "green": "GREEN",
    "blue": "BLUE",
    "primaries": "SPACE",
    "lightness": "L*",
    "density": "D",
    "granularity": "GRANULARITY",
    "format_long_side_mm": "FORMAT-MM",
    "clump_um": "CLUMP-UM",
    "feather_percent": "PERCENT",
}
"""What `LINES` call the fields of a look."""
_POINTS: Final = {
    "tone_curve": ("the curve", "STOPS-IN", "STOPS-OUT"),
    "toning": ("the toning", "L*", "A*", "B*"),
}
"""What `LINES` call the points of a step, and the numbers of each."""
_PLACE = re.compile(r"steps\[(?P<step>[0-9]+)\]\.(?P<field>\w+)(?P<rest>.*)")
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)")
_REGION = re.compile(r"(?P<region>\S.*?)(?P<outside>\s+outside)?(?:\s+feather\s+(?P<feather>\S+?)%?)?", re.DOTALL)


def change(look: Mapping[str, Any], line: str) -> Document:
    """The look that a line makes of another one.

    Parameters
    ----------
    look : valid by `check_look`
        Not modified.
    line : one of `LINES`. Of several steps of a kind the last one is changed; `burn` and `hold` add one each time;
        `point` and `tone` move the point that they name, or add it

    Returns
    -------
    A look that is valid by `check_look`.

    Raises
    ------
    CallError
        W001: the line is none, or what it asks for is no look.

    Examples
    --------
    >>> look = {"format": 1, "name": "a", "purpose": "A.", "steps": [{"step": "exposure", "stops": 0}]}
    >>> change(look, "exposure +0.5")["steps"]
    [{'step': 'exposure', 'stops': 0.5}]
    """
    verb, _, rest = line.strip().partition(" ")
    changed = copy.deepcopy(dict(look))
    if verb == "purpose":
        changed["purpose"] = rest.strip()
    elif verb in _CHANGES:
        _CHANGES[verb](changed["steps"], rest.split())
    else:
        raise CallError("W001", f"“{_cut(verb)}” begins no line of tuning: there are {', '.join(_CHANGES)}, purpose.")
    try:
        check_look(changed, label="the look")
    except DocumentError as error:
        raise CallError("W001", f"“{_cut(line.strip())}” changes nothing: {_in_words(changed, error)}") from error
    return changed


def _in_words(changed: Document, error: DocumentError) -> str:
    """What is wrong with a look that a line made, in the words of `LINES`."""
    found = _PLACE.fullmatch(error.place)
    if not found:
        return f"{_WORDS.get(error.place, '')} {error.wanted}".lstrip()
    field, rest = found["field"], found["rest"]
    step = changed["steps"][int(found["step"]) - 1]
    if field == "region":  # what `parse_region` takes lies within the schema's limits but for these
        if step["region"]["shape"] == "polygon":
            return f"the polygon must have at most {_MOST_CORNERS} corners, and has {len(step['region']['points'])}."
        return f"the region must be {_SMALLEST_PERCENT:g} percent wide and high or more."
    if field == "points":
        number = re.fullmatch(r"\[[0-9]+\]\[([0-9]+)\]", rest)
        what = _POINTS[step["step"]][int(number[1]) if number else 0]
    else:
        what = _WORDS.get(field, field)
    return f"{what} {error.wanted}"


def check_look(look: Any, *, label: str) -> Document:
    """The look itself, when it is valid against the schema and can be applied; else DocumentError D002."""
    checked = check_document(look, "look", label=label)
    PreparedLook(checked, width=3, height=2, seed=0)
    return checked


class Tuning:
    """A look while it is tuned, with all that it was before."""

    def __init__(self, look: Mapping[str, Any]) -> None:
        self._states = [copy.deepcopy(dict(look))]
        self.lines: list[str] = []
        """The lines that made the look what it is now, the oldest first."""

    @property
    def look(self) -> Document:
        """The look as it is now."""
        return self._states[-1]

    def change(self, line: str) -> None:
        """Change the look by a line; one that is refused (CallError) changes nothing."""
        self._states.append(change(self.look, line))
        self.lines.append(line.strip())

    def undo(self) -> None:
        """Take the last change back. Raises CallError W001 where there is none."""
        if len(self._states) == 1:
            raise CallError("W001", "There is nothing to undo.")
        self._states.pop()
        self.lines.pop()


def insert_step(steps: Steps, step: Document) -> None:
    """Put a step where the trade's order has it: see `_ORDER`; grain stays last."""
    rank = _ORDER.index(step["step"])
    places = [index + 1 for index, known in enumerate(steps) if _ORDER.index(known["step"]) <= rank]
    steps.insert(max(places, default=0), step)


def _last(steps: Steps, name: str) -> Document | None:
    return next((step for step in reversed(steps) if step["step"] == name), None)


def _replace(steps: Steps, step: Document) -> None:
    """Put a step in the place of the last one of its kind, or where it belongs."""
    known = _last(steps, step["step"])
    if known is None:
        insert_step(steps, step)
    else:
        known.clear()
        known.update(step)


def _remove(steps: Steps, name: str, what: str) -> None:
    kept = [step for step in steps if step["step"] != name]
    if len(kept) == len(steps):
        raise CallError("W001", f"The look has no {what} that could be taken out.")
    steps[:] = kept


def _numbers(words: list[str], count: int, usage: str) -> list[float]:
    numbers = [_number(word) for word in words]
    if len(numbers) != count:
        raise CallError("W001", f"Write: {usage}.")
    return numbers


def _number(word: str) -> float:
    if len(word) > 20 or not _NUMBER.fullmatch(word):
        raise CallError("W001", f"“{_cut(word)}” is no number: write it as 0.5 or -2.")
    number = float(word)
    return int(number) if number == int(number) else number


def _expose(steps: Steps, words: list[str]) -> None:
    (stops,) = _numbers(words, 1, "exposure STOPS, such as exposure 0.5")
    _replace(steps, {"step": "exposure", "stops": stops})


def _filter(steps: Steps, words: list[str]) -> None:
    if len(words) != 1:
        raise CallError("W001", "Write: filter none, yellow, orange, red or green.")
    _replace(steps, {"step": "monochrome", "filter": words[0]})


def _weigh(steps: Steps, words: list[str]) -> None:
    red, green, blue = _numbers(words[:3], 3, "weights RED GREEN BLUE, such as weights 0.4 0.5 0.1")
    known = _last(steps, "monochrome") or {}
    space = " ".join(words[3:]) or known.get("primaries")
    weights: Document = {"step": "monochrome", "red": red, "green": green, "blue": blue}
    _replace(steps, weights | ({"primaries": space} if space else {}))


def _colour(steps: Steps, words: list[str]) -> None:
    if words:
        raise CallError("W001", "Write: colour, and nothing after it.")
    _remove(steps, "monochrome", "monochrome step")


def _point(steps: Steps, words: list[str]) -> None:
    into, out = _numbers(words, 2, "point STOPS-IN STOPS-OUT, such as point -2 -2.6")
    points = [point for point in _curve(steps)["points"] if abs(point[0] - into) >= _SAME_STOPS]
    _curve(steps)["points"] = sorted([*points, [into, out]])


def _drop(steps: Steps, words: list[str]) -> None:
    (into,) = _numbers(words, 1, "drop STOPS-IN, such as drop -2")
    curve = _last(steps, "tone_curve")
    points = curve["points"] if curve else []
    kept = [point for point in points if abs(point[0] - into) >= _SAME_STOPS]
    if curve is None or len(kept) == len(points):
        known = ", ".join(f"{point[0]:g}" for point in points) or "none"
        raise CallError("W001", f"The curve has no point at {into:g} stops: there are {known}.")
    curve["points"] = kept


def _contrast(steps: Steps, words: list[str]) -> None:
    (factor,) = _numbers(words, 1, "contrast FACTOR, such as contrast 1.1")
    low, high = _FACTOR_LIMITS
    if not low <= factor <= high:
        raise CallError("W001", f"A curve's contrast is multiplied by {low:g} to {high:g}, not by {factor:g}.")
    curve = _curve(steps)
    curve["points"] = [[into, round(_steepen(out, factor), 3)] for into, out in curve["points"]]


def _steepen(out: float, factor: float) -> float:
    """Stops out with the contrast at grey multiplied; white stays, and `1 / factor` takes it back.

    Below grey they are multiplied. Above it they would leave white and burn out, so a hyperbola of the same slope at
    grey ends at white (own choice).
    """
    if out < 0:
        return max(out * factor, _DARKEST_STOPS)
    if out > _WHITE_STOPS:
        return out
    share = out / _WHITE_STOPS
    return _WHITE_STOPS * factor * share / (1 + (factor - 1) * share)


def _curve(steps: Steps) -> Document:
    """The look's last tone curve; a straight one is put in where there is none."""
    known = _last(steps, "tone_curve")
    if known is None:
        known = {"step": "tone_curve", "points": copy.deepcopy(_STRAIGHT)}
        insert_step(steps, known)
    return known


def _set_end(name: str, steps: Steps, words: list[str]) -> None:
    end = name.removesuffix("_point")
    if words == ["off"]:
        _remove(steps, name, f"{end} point")
        return
    kind = {"l*": "lightness", "d": "density"}.get(words[0].lower() if words else "")
    if kind is None:
        raise CallError("W001", f"Write: {end} L* NUMBER, {end} D NUMBER, or {end} off.")
    (number,) = _numbers(words[1:], 1, f"{end} {words[0]} NUMBER")
    _replace(steps, {"step": name, kind: number})


def _tone(steps: Steps, words: list[str]) -> None:
    if words == ["off"]:
        _remove(steps, "toning", "toning")
        return
    lightness, a, b = _numbers(words, 3, "tone L* A* B*, such as tone 0 0 3, or tone off")
    known = _last(steps, "toning") or {"shadows": [0, 0], "lights": [0, 0]}
    before = known.get("points") or [[0, *known["shadows"]], [100, *known["lights"]]]
    points = [point for point in before if abs(point[0] - lightness) >= _SAME_STOPS]
    _replace(steps, {"step": "toning", "points": sorted([*points, [lightness, a, b]])})


def _grain(steps: Steps, words: list[str]) -> None:
    if words == ["off"]:
        _remove(steps, "grain", "grain")
        return
    numbers = _numbers(words, 3, "grain GRANULARITY FORMAT-MM CLUMP-UM, such as grain 17 36 6, or grain off")
    _replace(
        steps, {"step": "grain", **dict(zip(("granularity", "format_long_side_mm", "clump_um"), numbers, strict=True))}
    )


def _expose_region(name: str, steps: Steps, words: list[str]) -> None:
    verb = name.partition("_")[0]
    if words == ["off"]:
        _remove(steps, name, "region burnt in" if verb == "burn" else "region held back")
        return
    found = _REGION.fullmatch(" ".join(words[1:]))
    if not found:
        usage = f"{verb} STOPS REGION [outside] [feather PERCENT]"
        raise CallError("W001", f"Write: {usage}, such as {verb} 0.7 ellipse=percent:5,5,90,90 outside feather 20.")
    step: Document = {"step": name, "stops": _number(words[0]), "region": parse_region(found["region"])}
    step["outside"] = bool(found["outside"])
    step["feather_percent"] = _number(found["feather"]) if found["feather"] else FEATHER_PERCENT
    insert_step(steps, step)


def _cut(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "…"


def _for_step(name: str, function: Callable[[str, Steps, list[str]], None]) -> Callable[[Steps, list[str]], None]:
    return lambda steps, words: function(name, steps, words)


_CHANGES: dict[str, Callable[[Steps, list[str]], None]] = {
    "exposure": _expose,
    "filter": _filter,
    "weights": _weigh,
    "colour": _colour,
    "point": _point,
    "drop": _drop,
    "contrast": _contrast,
    "black": _for_step("black_point", _set_end),
    "white": _for_step("white_point", _set_end),
    "tone": _tone,
    "grain": _grain,
    "burn": _for_step("burn_in", _expose_region),
    "hold": _for_step("hold_back", _expose_region),
}
