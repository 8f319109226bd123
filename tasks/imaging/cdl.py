"""Grades from elsewhere by the ASC's Color Decision List: slope, offset, power and saturation, and their XML files.

Source: ASC CDL version 1.2; its formula, the order of its clamps and its weights as OpenColorIO's CDLOpCPU has
them, its XML as the files in circulation have it (from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final
from xml.etree.ElementTree import Element, ParseError

import numpy as np
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import fromstring

from glassine.schemas.errors import DocumentError, FrameError
from glassine.tasks.imaging.bit_depth import FloatImage, check_finite

LARGEST: Final = 100.0
"""No slope, offset, power or saturation goes beyond this, either way (own choice: so far no grade goes)."""
SIZE_LIMIT: Final = 4 * 2**20
"""Bytes of a file. A collection for a whole shoot has some hundred kilobytes (from memory)."""

_LUMA: Final = (np.float32(0.2126), np.float32(0.7152), np.float32(0.0722))
"""Rec. 709 weights, on encoded values: ASC CDL 1.2."""
_FARTHEST = np.float32(1e9)
"""Without clamps a power may leave what float32 holds; it is stopped here, far outside any picture."""
_NAMESPACES: Final = {"", "urn:ASC:CDL:v1.2", "urn:ASC:CDL:v1.01"}
"""Files of 1.01 name the older version and hold the same elements (OpenColorIO writes them to this day)."""
_SATURATION_NODES: Final = {"SatNode", "SATNode"}
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")


def apply_cdl(
    encoded: FloatImage,
    slope: Sequence[float],
    offset: Sequence[float],
    power: Sequence[float],
    saturation: float,
    *,
    clamp: bool,
) -> FloatImage:
    """Grade a picture: (in · slope + offset) ^ power for each channel, then saturation about the luma.

    Parameters
    ----------
    encoded : float32, (H, W, 3), or (H, W, 1) for three equal channels; display-encoded, 0 black, 1 white
        Not modified.
    slope, offset, power : three numbers each, red, green, blue; slope 0 or more, power above 0
    saturation : 0 or more; 0 leaves the luma 0.2126 R + 0.7152 G + 0.0722 B, 1 changes nothing
    clamp : to [0, 1] before the power and at the end, as ASC CDL 1.2 says; without, what lies below 0 passes by
        the power unchanged

    Returns
    -------
    float32, (H, W, 3); (H, W, 1) for one channel when the three channels' numbers are the same.

    Raises
    ------
    FrameError
        P002 for a wrong shape or type, NaN, infinity, or numbers out of range.

    Examples
    --------
    >>> grey = np.full((1, 1, 1), 0.18, np.float32)
    >>> round(apply_cdl(grey, [1.2] * 3, [-0.05] * 3, [1.1] * 3, 1.0, clamp=True).item(), 6)
    0.138714
    """
    if encoded.ndim != 3 or encoded.shape[2] not in (1, 3) or encoded.dtype != np.float32:
        raise FrameError("P002", f"An array {encoded.shape} of {encoded.dtype} where float32 (H, W, 3) is wanted.")
    check_finite(encoded)
    if wrong := _out_of_range(slope, offset, power, saturation):
        raise FrameError("P002", f"A grade's {wrong}")
    alike = all(len(set(numbers)) == 1 for numbers in (slope, offset, power))
    channels = 1 if encoded.shape[2] == 1 and alike else 3
    graded = np.empty((*encoded.shape[:2], channels), np.float32)
    for channel in range(channels):
        plane = encoded[..., min(channel, encoded.shape[2] - 1)] * np.float32(slope[channel])
        plane += np.float32(offset[channel])
        graded[..., channel] = _raise(plane, np.float32(power[channel]), clamp=clamp)
    if channels == 3 and saturation != 1:
        _saturate(graded, np.float32(saturation))
    return np.clip(graded, 0.0, 1.0, out=graded) if clamp else graded


def read_cdl(path: Path, identifier: str | None = None) -> dict[str, Any]:
    """Read one correction of a `.cc`, `.ccc` or `.cdl` file.

    Parameters
    ----------
    path : the file; what it holds counts, not its ending
    identifier : the correction's `id`; may be left out where the file holds one correction only

    Returns
    -------
    {"slope": [r, g, b], "offset": [r, g, b], "power": [r, g, b], "saturation": s}. A correction without a
    saturation has 1, one without slope, offset and power leaves the channels as they are.

    Raises
    ------
    DocumentError
        D001: the file cannot be read, or is no such file. D002: numbers that are none, or out of range; several
        corrections and none named. D004: no correction has that id.
    """
    root = _read_xml(path)
    corrections = [element for element in root.iter() if _name(element) == "ColorCorrection"]
    if not corrections:
        raise DocumentError("D001", str(path), "", "holds no ColorCorrection: name a .cc, .ccc or .cdl file.")
    chosen = _choose(path, corrections, identifier)
    place = f"correction {_cut(chosen.get('id') or '')}" if chosen.get("id") else ""
    nodes = [_only(path, place, chosen, {"SOPNode"}), _only(path, place, chosen, _SATURATION_NODES)]
    if nodes == [None, None]:
        raise DocumentError("D002", str(path), place, "has neither a SOPNode nor a SatNode: it says nothing.")
    grade: dict[str, Any] = {"slope": [1.0] * 3, "offset": [0.0] * 3, "power": [1.0] * 3, "saturation": 1.0}
    if nodes[0] is not None:
        for name in ("Slope", "Offset", "Power"):
            grade[name.lower()] = _numbers(path, place, nodes[0], name, 3)
    if nodes[1] is not None:
        grade["saturation"] = _numbers(path, place, nodes[1], "Saturation", 1)[0]
    if wrong := _out_of_range(**grade):
        raise DocumentError("D002", str(path), place, f"its {wrong}")
    return grade


def _raise(plane: FloatImage, power: np.float32, *, clamp: bool) -> FloatImage:
    """One channel to its power, in place."""
    if clamp:
        np.clip(plane, 0.0, 1.0, out=plane)
    if power == 1:
        return plane
    with np.errstate(over="ignore"):
        raised: FloatImage = np.maximum(plane, np.float32(0.0)) ** power
    np.minimum(raised, _FARTHEST, out=raised)
    return raised if clamp else np.where(plane < 0, plane, raised)


def _saturate(graded: FloatImage, saturation: np.float32) -> None:
    """Spread the channels about their luma, in place."""
    luma = graded[..., 0] * _LUMA[0]
    luma += graded[..., 1] * _LUMA[1]
    luma += graded[..., 2] * _LUMA[2]
    for channel in range(3):
        plane = graded[..., channel]
        plane -= luma
        plane *= saturation
        plane += luma


def _out_of_range(slope: Sequence[float], offset: Sequence[float], power: Sequence[float], saturation: float) -> str:
    """Which number is none that a grade may have, and what it may be; empty where all are right."""
    smallest = {"slope": 0.0, "offset": -LARGEST, "power": 0.0}
    for name, numbers in (("slope", slope), ("offset", offset), ("power", power)):
        if len(numbers) != 3:
            return f"{name} has {len(numbers)} numbers: three are wanted, red, green and blue."
        for number in numbers:
            if not smallest[name] <= number <= LARGEST:
                return f"{name} must be from {smallest[name]:g} to {LARGEST:g}, not {number:g}."
            if name == "power" and number == 0:
                return "power must be above 0."
    return "" if 0 <= saturation <= LARGEST else f"saturation must be from 0 to {LARGEST:g}, not {saturation:g}."


def _read_xml(path: Path) -> Element:
    try:
        with path.open("rb") as file:
            # One byte more than the limit: what grows while it is read is refused too.
            content = file.read(SIZE_LIMIT + 1)
    except OSError as error:
        wanted = f"cannot be read ({error.strerror or error}): check its name and its rights."
        raise DocumentError("D001", str(path), "", wanted) from error
    if len(content) > SIZE_LIMIT:
        wanted = f"is larger than {SIZE_LIMIT // 2**20} MB, which no grade is: name another file."
        raise DocumentError("D001", str(path), "", wanted)
    try:
        root: Element = fromstring(content.lstrip(), forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError, LookupError, RecursionError) as error:
        # ValueError and LookupError: an encoding that is named but not known, or not what the bytes are
        wanted = "is not plain XML, as a .cc, .ccc or .cdl file is: name another file."
        raise DocumentError("D001", str(path), "", wanted) from error
    return root


def _name(element: Element) -> str:
    """The name of an element of the list's own, or empty."""
    namespace, _, name = element.tag.rpartition("}")
    return name if namespace.removeprefix("{") in _NAMESPACES else ""


def _choose(path: Path, corrections: Sequence[Element], identifier: str | None) -> Element:
    known = ", ".join(_cut(element.get("id") or "without an id") for element in corrections[:12])
    known += ", …" if len(corrections) > 12 else ""
    if identifier is None:
        if len(corrections) > 1:
            wanted = f"holds {len(corrections)} corrections ({known}): name one by its id."
            raise DocumentError("D002", str(path), "", wanted)
        return corrections[0]
    found = [element for element in corrections if element.get("id") == identifier]
    if not found:
        wanted = f"holds no correction with the id {_cut(identifier)} (there are: {known}): name one of them."
        raise DocumentError("D004", str(path), "", wanted)
    if len(found) > 1:
        wanted = f"holds {len(found)} corrections with the id {_cut(identifier)}: leave one in it."
        raise DocumentError("D002", str(path), "", wanted)
    return found[0]


def _only(path: Path, place: str, parent: Element, names: set[str]) -> Element | None:
    found = [child for child in parent if _name(child) in names]
    if len(found) > 1:
        wanted = f"has {len(found)} elements {_name(found[0])}: leave one in it."
        raise DocumentError("D002", str(path), place, wanted)
    return found[0] if found else None


def _numbers(path: Path, place: str, parent: Element, name: str, count: int) -> list[float]:
    element = _only(path, place, parent, {name})
    if element is None:
        raise DocumentError("D002", str(path), place, f"has no {name}: add it, or name another file.")
    words = "".join(element.itertext()).split()
    numbers = [float(word) if len(word) <= 40 and _NUMBER.fullmatch(word) else math.nan for word in words[: count + 1]]
    if len(words) != count or not all(map(math.isfinite, numbers)):
        many = "three numbers" if count == 3 else "one number"
        wanted = f"its {name} must be {many}, not {_cut(' '.join(words)) or 'nothing'}."
        raise DocumentError("D002", str(path), place, wanted)
    return numbers


def _cut(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "…"
