"""Notes on a picture as W3C Web Annotations: a marked region with an instruction, and what is brought over for it.

A region is a rectangle, an ellipse or a polygon of numbers in percent of the picture (x to the right, y down,
from its upper left corner). Text that comes from elsewhere is parsed to numbers and written anew; foreign
markup is never handed on.

Sources: W3C Web Annotation Data Model (Recommendation of 2017, from memory), its context anno.jsonld for the
terms, and W3C Media Fragments URI 1.0 (Recommendation of 2012). The grammar of the latter has whole numbers only; one percent of 6,000 px is 60 px,
too coarse to mark a hair, so up to four decimals are written and read here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final
from urllib.parse import quote, unquote
from xml.etree.ElementTree import ParseError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import fromstring

from glassine.schemas.errors import CallError

Region = dict[str, Any]
"""{"shape": "rectangle" | "ellipse", "x", "y", "width", "height"}, of an ellipse the box around it, or
{"shape": "polygon", "points": [[x, y], ...]}."""

CONTEXT: Final = "http://www.w3.org/ns/anno.jsonld"
MEDIA_FRAGMENTS: Final = "http://www.w3.org/TR/media-frags/"
SVG: Final = "http://www.w3.org/2000/svg"

DECIMALS: Final = 4
"""1e-4 percent is a hundredth of a pixel in a picture 10,000 px wide."""
POINTS_LIMIT: Final = 400
"""A person clicks tens of corners; more than this is no outline that anyone drew."""
SVG_LIMIT: Final = 40 * POINTS_LIMIT
"""Characters of a selector: POINTS_LIMIT points of two numbers, with room."""
INSTRUCTION_LIMIT: Final = 2000
NAME_LIMIT: Final = 100
DONORS_LIMIT: Final = 6
"""Frames that one note brings a piece over from; their details then fit on one page of the brief."""

_NUMBER = re.compile(r"[0-9]{1,3}(\.[0-9]{1,12})?")
_NAME = re.compile(r"[^\s\x00-\x1f\x7f-\x9f]+")
_DONOR_LABEL = re.compile(r"frame ([1-9][0-9]{0,8})")
_PATH = re.compile(r"(?!/)(?!.*(^|/)\.\.?(/|$))[^\\\x00-\x1f\ud800-\udfff]{1,1000}")
"""As `path` in the schemas: relative, `/` between parts, no part of dots."""
_BOX_KEYS = ("x", "y", "width", "height")
_SVG_HEAD = f'<svg xmlns="{SVG}" viewBox="0 0 100 100" preserveAspectRatio="none">'


def normalise_region(region: Mapping[str, Any]) -> Region:
    """Return the region with its numbers rounded to four decimals, when it is one.

    Raises
    ------
    CallError
        W001: another shape, a number outside 0 to 100, an empty region, a key too many or too few.
    """
    if not isinstance(region, Mapping):
        raise _wrong(f"a region is an object with a shape, not {_quote(region)}")
    shape = region.get("shape")
    if shape in ("rectangle", "ellipse"):
        _require_keys(region, {"shape", *_BOX_KEYS})
        x, y, width, height = (_coordinate(region[key], key) for key in _BOX_KEYS)
        if width <= 0 or height <= 0:
            raise _wrong(f"the {shape} is empty: its width and height must be above 0")
        if round(x + width, DECIMALS) > 100 or round(y + height, DECIMALS) > 100:
            raise _wrong(f"the {shape} reaches outside the picture: x + width and y + height must not pass 100")
        return {"shape": shape, "x": x, "y": y, "width": width, "height": height}
    if shape == "polygon":
        _require_keys(region, {"shape", "points"})
        return {"shape": "polygon", "points": _normalise_points(region["points"])}
    raise _wrong(f"a region's shape is rectangle, ellipse or polygon, not {_quote(shape)}")


def parse_region(text: str) -> Region:
    """Read `xywh=percent:x,y,w,h`, `ellipse=percent:x,y,w,h` or `polygon=percent:x,y x,y x,y`.

    The first is a W3C media fragment; the other two follow its pattern, the ellipse by the box around it.

    Raises
    ------
    CallError
        W001: it is none of the three, or not a region within the picture.

    Examples
    --------
    >>> parse_region("xywh=percent:10,20,30,40")
    {'shape': 'rectangle', 'x': 10.0, 'y': 20.0, 'width': 30.0, 'height': 40.0}
    """
    if len(text) > SVG_LIMIT:
        raise _wrong(f"a region is written in at most {SVG_LIMIT} characters")
    kind, _, numbers = text.strip().partition("=percent:")
    if kind == "polygon":
        points = [_parse_numbers(pair, 2, text) for pair in numbers.split()]
        return normalise_region({"shape": "polygon", "points": points})
    if kind not in ("xywh", "ellipse"):
        raise _wrong(
            f"{_quote(text)} is no region; write xywh=percent:x,y,w,h, ellipse=percent:x,y,w,h "
            "or polygon=percent:x,y x,y x,y"
        )
    values = _parse_numbers(numbers, 4, text)
    shape = "rectangle" if kind == "xywh" else "ellipse"
    return normalise_region({"shape": shape, **dict(zip(_BOX_KEYS, values, strict=True))})


def write_region(region: Mapping[str, Any]) -> str:
    """Return the region as the text that `parse_region` reads back unchanged."""
    known = normalise_region(region)
    if known["shape"] == "polygon":
        return "polygon=percent:" + " ".join(f"{_plain(x)},{_plain(y)}" for x, y in known["points"])
    kind = "xywh" if known["shape"] == "rectangle" else "ellipse"
    return f"{kind}=percent:" + ",".join(_plain(known[key]) for key in _BOX_KEYS)


def bounds(region: Mapping[str, Any]) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a region, in percent."""
    if region["shape"] == "polygon":
        xs, ys = zip(*region["points"], strict=True)
        return min(xs), min(ys), max(xs), max(ys)
    return region["x"], region["y"], region["x"] + region["width"], region["y"] + region["height"]


def to_annotation(note: Mapping[str, Any], target: str) -> dict[str, Any]:
    """Write a note as a W3C Web Annotation on `target`, the picture's file name or address.

    Parameters
    ----------
    note : {"id", "region", "instruction", "by": person id, "made": RFC 3339 time}, and where pieces are brought
        over "donors": [{"frame": number, "region": in percent of the donor, or None for the same place as the
        note's, "path": of the donor's file}, ...]
    target : percent-encoded where an address needs it; `target_of` reads it back

    Returns
    -------
    dict
        JSON-LD: motivation *editing*; a FragmentSelector for a rectangle, an SvgSelector for an ellipse or a
        polygon. The person id is the creator's `nickname`, `made` is `created`, in UTC. The body is the
        instruction; with donors it is a list, the instruction first, then a SpecificResource for each, with the
        purpose *linking* ("a resource related to the target") and the frame in its label.

    Raises
    ------
    CallError
        W001: a field is missing or cannot be.
    """
    known = normalise_note(note)
    text = {"type": "TextualBody", "format": "text/plain", "value": known["instruction"]}
    if not target or len(target) > 1000 or any(ord(c) < 32 for c in target):
        raise _wrong(f"a note needs the name of the picture that it is on, not {_quote(target)}")
    return {
        "@context": CONTEXT,
        "id": "#" + quote(known["id"], safe=""),
        "type": "Annotation",
        "motivation": "editing",
        "created": known["made"],
        "creator": {"type": "Person", "nickname": known["by"]},
        "body": [text, *map(_to_donor_body, known["donors"])] if "donors" in known else text,
        "target": {"source": quote(target, safe="/:"), "selector": _to_selector(known["region"])},
    }


def from_annotation(annotation: Mapping[str, Any]) -> dict[str, Any]:
    """Read the note that `to_annotation` wrote; keys of others are passed over.

    Raises
    ------
    CallError
        W001: it is no annotation of one region with one instruction in plain text, and donors if any.
    """
    if not isinstance(annotation, Mapping) or annotation.get("type") != "Annotation":
        raise _wrong("the note is no W3C Web Annotation: its type must be Annotation")
    body, donors = _bodies(annotation)
    if body.get("type") != "TextualBody" or body.get("format", "text/plain") != "text/plain":
        raise _wrong("the annotation's body must be one TextualBody in text/plain, then its donors")
    identifier = annotation.get("id")
    if not isinstance(identifier, str) or not identifier.startswith("#"):
        raise _wrong(f"the annotation's id must be a # and a name, not {_quote(identifier)}")
    note = {
        "id": unquote(identifier[1:]),
        "region": _from_selector(_object(_object(annotation, "target"), "selector")),
        "instruction": body.get("value"),
        "by": _object(annotation, "creator").get("nickname"),
        "made": annotation.get("created"),
        "donors": [_from_donor_body(donor) for donor in donors],
    }
    return normalise_note(note)


def target_of(annotation: Mapping[str, Any]) -> str:
    """Return the picture that an annotation is on, as it was given to `to_annotation`."""
    source = _object(annotation, "target").get("source")
    if not isinstance(source, str) or not source:
        raise _wrong("the annotation's target names no source")
    return unquote(source)


def normalise_note(note: Mapping[str, Any]) -> dict[str, Any]:
    """Return the note with its regions rounded and its time in UTC, when every field is there and can be.

    "donors" may be left out; an empty list of them is.

    Raises
    ------
    CallError
        W001: a field is missing or cannot be.
    """
    _require_keys({"donors": [], **note}, {"id", "region", "instruction", "by", "made", "donors"})
    for key in ("id", "by"):
        value = note[key]
        if not isinstance(value, str) or len(value) > NAME_LIMIT or not _NAME.fullmatch(value):
            raise _wrong(f"a note's {key} is 1 to {NAME_LIMIT} characters without blanks, not {_quote(value)}")
    instruction = note["instruction"]
    if (
        not isinstance(instruction, str)
        or not instruction.strip()
        or len(instruction) > INSTRUCTION_LIMIT
        or any((ord(c) < 32 and c not in "\n\t") or 0x7F <= ord(c) < 0xA0 for c in instruction)
    ):
        raise _wrong(f"a note's instruction is text of 1 to {INSTRUCTION_LIMIT} characters, not {_quote(instruction)}")
    known = {
        "id": note["id"],
        "region": normalise_region(note["region"]),
        "instruction": instruction,
        "by": note["by"],
        "made": _utc(note["made"]),
    }
    donors = note.get("donors") or []
    if not isinstance(donors, Sequence) or isinstance(donors, str) or len(donors) > DONORS_LIMIT:
        raise _wrong(f"a note has a list of at most {DONORS_LIMIT} donors")
    return known | ({"donors": [_normalise_donor(donor) for donor in donors]} if donors else {})


def _normalise_donor(donor: object) -> dict[str, Any]:
    if not isinstance(donor, Mapping):
        raise _wrong(f"a note's donor is an object with a frame, a region and a path, not {_quote(donor)}")
    _require_keys(donor, {"frame", "region", "path"})
    frame, region, path = donor["frame"], donor["region"], donor["path"]
    if isinstance(frame, bool) or not isinstance(frame, int) or not 1 <= frame < 10**9:
        raise _wrong(f"a note's donor is a frame by its number, not {_quote(frame)}")
    if not isinstance(path, str) or not _PATH.fullmatch(path):
        raise _wrong(f"a note's donor has a path within the job folder, not {_quote(path)}")
    return {"frame": frame, "region": None if region is None else normalise_region(region), "path": path}


def _to_donor_body(donor: Mapping[str, Any]) -> dict[str, Any]:
    body = {
        "type": "SpecificResource",
        "purpose": "linking",
        "label": f"frame {donor['frame']}",
        "source": quote(donor["path"], safe="/:"),
    }
    return body | ({} if donor["region"] is None else {"selector": _to_selector(donor["region"])})


def _from_donor_body(body: object) -> dict[str, Any]:
    if (
        not isinstance(body, Mapping)
        or body.get("type") != "SpecificResource"
        or body.get("purpose") != "linking"
        or not isinstance(label := body.get("label"), str)
        or not (frame := _DONOR_LABEL.fullmatch(label))
        or not isinstance(source := body.get("source"), str)
    ):
        raise _wrong('an annotation\'s donor is a SpecificResource for linking, with a source and a label "frame 12"')
    region = _from_selector(_object(body, "selector")) if "selector" in body else None
    return {"frame": int(frame[1]), "region": region, "path": unquote(source)}


def _bodies(annotation: Mapping[str, Any]) -> tuple[Mapping[str, Any], Sequence[object]]:
    """The body that says what is asked, and those of the donors."""
    body = annotation.get("body")
    if isinstance(body, list) and body and isinstance(body[0], Mapping):
        return body[0], body[1:]
    return _object(annotation, "body"), []


def _to_selector(region: Region) -> dict[str, str]:
    if region["shape"] == "rectangle":
        return {"type": "FragmentSelector", "conformsTo": MEDIA_FRAGMENTS, "value": write_region(region)}
    if region["shape"] == "ellipse":
        x, y, width, height = (region[key] for key in _BOX_KEYS)
        # A half of a number with 4 decimals has 5: the box comes back exactly.
        numbers = {"cx": x + width / 2, "cy": y + height / 2, "rx": width / 2, "ry": height / 2}
        shape = "<ellipse " + " ".join(f'{key}="{_plain(value, 5)}"' for key, value in numbers.items()) + "/>"
    else:
        points = " ".join(f"{_plain(x)},{_plain(y)}" for x, y in region["points"])
        shape = f'<polygon points="{points}"/>'
    return {"type": "SvgSelector", "value": f"{_SVG_HEAD}{shape}</svg>"}


def _from_selector(selector: Mapping[str, Any]) -> Region:
    kind, value = selector.get("type"), selector.get("value")
    if not isinstance(value, str):
        raise _wrong("the annotation's selector has no value")
    if kind == "FragmentSelector":
        if selector.get("conformsTo") != MEDIA_FRAGMENTS:
            raise _wrong(f"the annotation's fragment must conform to {MEDIA_FRAGMENTS}")
        region = parse_region(value)
        if region["shape"] != "rectangle":
            raise _wrong("a media fragment is a rectangle; other shapes come as an SvgSelector")
        return region
    if kind == "SvgSelector":
        return _parse_svg(value)
    raise _wrong(f"the annotation's selector must be a FragmentSelector or an SvgSelector, not {_quote(kind)}")


def _parse_svg(text: str) -> Region:
    if len(text) > SVG_LIMIT:
        raise _wrong(f"the annotation's SVG is longer than {SVG_LIMIT} characters")
    try:
        root = fromstring(text, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError) as error:
        raise _wrong("the annotation's SVG is not plain XML") from error
    aspect = root.attrib.pop("preserveAspectRatio", "none")
    if root.tag != f"{{{SVG}}}svg" or root.attrib != {"viewBox": "0 0 100 100"} or aspect != "none":
        raise _wrong('the annotation\'s SVG must have the viewBox "0 0 100 100" and nothing more')
    shapes = list(root)
    if len(shapes) != 1 or len(shapes[0]) or any((part or "").strip() for part in root.itertext()):
        raise _wrong("the annotation's SVG must hold one shape and nothing else")
    (shape,) = shapes
    if shape.tag == f"{{{SVG}}}ellipse" and set(shape.attrib) == {"cx", "cy", "rx", "ry"}:
        cx, cy, rx, ry = (_parse_number(shape.attrib[key], text) for key in ("cx", "cy", "rx", "ry"))
        box = {"x": cx - rx, "y": cy - ry, "width": 2 * rx, "height": 2 * ry}
        return normalise_region({"shape": "ellipse", **box})
    if shape.tag == f"{{{SVG}}}polygon" and set(shape.attrib) == {"points"}:
        return parse_region("polygon=percent:" + shape.attrib["points"])
    raise _wrong("the annotation's SVG must hold an ellipse (cx, cy, rx, ry) or a polygon (points) and nothing else")


def _normalise_points(points: object) -> list[list[float]]:
    if not isinstance(points, Sequence) or isinstance(points, str) or not 3 <= len(points) <= POINTS_LIMIT:
        raise _wrong(f"a polygon has 3 to {POINTS_LIMIT} points")
    known: list[list[float]] = []
    for point in points:
        if not isinstance(point, Sequence) or isinstance(point, str) or len(point) != 2:
            raise _wrong(f"a polygon's point is two numbers, not {_quote(point)}")
        known.append([_coordinate(point[0], "x"), _coordinate(point[1], "y")])
    (x0, y0), rest = known[0], known[1:]
    far = max(rest, key=lambda point: abs(point[0] - x0) + abs(point[1] - y0))
    if all(abs((far[0] - x0) * (y - y0) - (far[1] - y0) * (x - x0)) < 1e-9 for x, y in rest):
        raise _wrong("the polygon is empty: its points lie on one line")
    return known


def _coordinate(value: object, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise _wrong(f"a region's {name} is a number, not {_quote(value)}")
    rounded = round(float(value), DECIMALS) + 0.0  # + 0.0 makes -0.0 a plain 0.0
    if not 0 <= rounded <= 100:
        raise _wrong(f"a region's {name} is in percent of the picture, from 0 to 100, not {_quote(value)}")
    return rounded


def _parse_numbers(text: str, count: int, whole: str) -> list[float]:
    parts = text.split(",")
    if len(parts) != count:
        raise _wrong(f"{_quote(whole)} is no region: it needs {count} numbers at {_quote(text)}")
    return [_parse_number(part, whole) for part in parts]


def _parse_number(text: str, whole: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise _wrong(f"{_quote(text)} in {_quote(whole)} is no number from 0 to 100")
    return float(text)


def _plain(value: float, decimals: int = DECIMALS) -> str:
    return f"{value:.{decimals}f}".rstrip("0").rstrip(".")


def _utc(value: object) -> str:
    # RFC 3339 in UTC with Z is also what the annotation model asks of `created` (xsd:dateTime, from memory).
    try:
        time = datetime.fromisoformat(value if isinstance(value, str) and "T" in value else "")
        if time.tzinfo is None:
            raise ValueError
        return time.astimezone(UTC).isoformat().replace("+00:00", "Z")
    except (ValueError, OverflowError):
        raise _wrong(f"a note's time is written as in 2026-11-25T10:44:47Z, not {_quote(value)}") from None


def _object(holder: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = holder.get(key)
    if not isinstance(value, Mapping):
        raise _wrong(f"the annotation's {key} must be one object")
    return value


def _require_keys(holder: Mapping[str, Any], wanted: set[str]) -> None:
    if set(holder) != wanted:
        raise _wrong(f"a note or region has {', '.join(sorted(wanted))}, not {_quote(sorted(map(str, holder)))}")


def _quote(value: object) -> str:
    text = repr(value)  # repr escapes control characters of hostile text
    return text if len(text) <= 80 else text[:77] + "…"


def _wrong(sentence: str) -> CallError:
    return CallError("W001", sentence[0].upper() + sentence[1:] + ".")
