"""Grades from elsewhere by tables: `.cube` files, how a table stands in a look, and how it is applied to a picture.

Source: the format's page, as OpenColorIO's reader of the format quotes it. Red runs fastest, then green, then blue; a
file holds one curve for each channel ("1D") or one cube of colours ("3D").
"""

from __future__ import annotations

import base64
import binascii
import codecs
import io
import math
import re
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from glassine.schemas.errors import DocumentError, FrameError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.icc_profile import check_colour

Kind = Literal["1D", "3D"]
LARGEST_SIZE: Final[Mapping[str, int]] = {"1D": 65536, "3D": 65}
"""Entries of a curve, from the format's page; entries along a side of a cube (common practice: 17 to 65)."""
LARGEST_VALUE: Final = 65504.0
"""No number of a table or of its domain is larger, either way: what half-precision floats hold (IEEE 754)."""
SIZE_LIMIT: Final = 16 * 2**20
"""Bytes of a file: a cube of 65 with numbers of 19 letters."""

_LONGEST_LINE: Final = 1000
"""Bytes; the format's page allows 250 (from memory)."""
_NARROWEST_DOMAIN: Final = 1e-6
_BLOCK_PX: Final = 16384
"""Pixels worked on at once: their numbers stay in a processor's cache (measured: twice as fast as all at once)."""
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
_KEYWORDS: Final = ("TITLE", "LUT_1D_SIZE", "LUT_3D_SIZE", "DOMAIN_MIN", "DOMAIN_MAX")
_RANGES: Final[Mapping[str, Kind]] = {"LUT_1D_INPUT_RANGE": "1D", "LUT_3D_INPUT_RANGE": "3D"}
"""Two numbers, the domain of all three channels: a line that some writers add (from memory)."""
_TITLE = re.compile(r'"(?P<quoted>.*?)"\s*(?:#.*)?|(?P<plain>[^#]*)(?:#.*)?')
_COUNTS: Final = {2: "two", 3: "three"}
_SUB: Final = b"\x1a"
"""With which old systems end a text."""


@dataclass(frozen=True, eq=False)
class Cube:
    """A table of colours.

    title : as the file has it, or ""
    kind : "1D", a curve for each channel, or "3D", a colour for each colour
    size : entries of a curve, or along one side of the cube
    domain_min, domain_max : red, green, blue of the first and of the last entry
    table : float32, (size, 3), or (size, size, size, 3) indexed [blue, green, red]; the last axis is red, green, blue
    """

    title: str
    kind: Kind
    size: int
    domain_min: tuple[float, float, float]
    domain_max: tuple[float, float, float]
    table: NDArray[np.float32]


def read_cube(source: Path | bytes, *, label: str = "") -> Cube:
    """Read a `.cube` file, or the bytes of one.

    Parameters
    ----------
    source : the file, or what is in it; every error names the file, or `label`, and the line

    Raises
    ------
    DocumentError
        D001: the file cannot be read, or is too large. D002: what is in it is no table.
    """
    name = label or (str(source) if isinstance(source, Path) else "the table")
    content = _read(source) if isinstance(source, Path) else source
    if len(content) > SIZE_LIMIT:
        wanted = f"is larger than {SIZE_LIMIT // 2**20} MB, which no table is: name another file."
        raise DocumentError("D001", name, "", wanted)
    return _Reading(name).read(content)


def apply_cube(
    encoded: FloatImage, cube: Cube, interpolation: Literal["tetrahedral", "trilinear"] = "tetrahedral"
) -> FloatImage:
    """Look every colour of a picture up in a table; what lies outside its domain is clamped to it.

    Parameters
    ----------
    encoded : float32, (H, W, 3), encoded as the table wants it
        Not modified.
    interpolation : between the entries of a cube; curves are interpolated linearly

    Returns
    -------
    float32, (H, W, 3).

    Raises
    ------
    FrameError
        P002 for a wrong shape or type, NaN, infinity, or an unknown interpolation.

    Notes
    -----
    Within 1e-6 of OpenColorIO. Tetrahedral: the cell is cut into six along its grey diagonal, so that a table that
    keeps greys neutral keeps those between its entries neutral too; trilinear does not (common practice).
    """
    check_colour(encoded)
    if interpolation not in ("tetrahedral", "trilinear"):
        raise FrameError("P002", f"A table is interpolated tetrahedral or trilinear, not “{interpolation}”.")
    pixels = np.ascontiguousarray(encoded).reshape(-1, 3)
    looked_up = np.empty_like(pixels)
    lowest = np.array(cube.domain_min, np.float32)
    sides = zip(cube.domain_min, cube.domain_max, strict=True)
    scale = np.array([(cube.size - 1) / (high - low) for low, high in sides], np.float32)
    look_up = _curves(cube) if cube.kind == "1D" else _between_entries(cube, interpolation)
    for start in range(0, len(pixels), _BLOCK_PX):
        block = slice(start, start + _BLOCK_PX)
        looked_up[block] = look_up(*_cells(pixels[block], lowest, scale, cube.size))
    return looked_up.reshape(encoded.shape)


def pack_table(cube: Cube) -> dict[str, Any]:
    """A table as it stands in a look's JSON, so that the look is whole in itself.

    Returns
    -------
    {"kind", "size", "domain_min", "domain_max", "values"}; the values are base64 (RFC 4648) of zlib (RFC 1950) of
    little-endian float32, three to an entry, red fastest. The title is left out.
    """
    values = zlib.compress(np.ascontiguousarray(cube.table, "<f4").tobytes(), 9)
    return {
        "kind": cube.kind,
        "size": cube.size,
        "domain_min": list(cube.domain_min),
        "domain_max": list(cube.domain_max),
        "values": base64.b64encode(values).decode("ascii"),
    }


def unpack_table(packed: Mapping[str, Any], *, label: str = "the table") -> Cube:
    """The table that `pack_table` packed, number for number; `label` names the document in an error.

    Raises
    ------
    DocumentError
        D002 for anything that `pack_table` does not write: fields of another kind, a size out of range, values that
        are no base64 of zlib, too few or too many of them, or numbers out of range.
    """
    kind, size, values = packed.get("kind"), packed.get("size"), packed.get("values")
    if kind != "1D" and kind != "3D":
        raise DocumentError("D002", label, "kind", "must be 1D or 3D.")
    if isinstance(size, bool) or not isinstance(size, int) or not 2 <= size <= LARGEST_SIZE[kind]:
        raise DocumentError("D002", label, "size", f"must be a whole number from 2 to {LARGEST_SIZE[kind]}.")
    domain_min = _corner(packed.get("domain_min"), label, "domain_min")
    domain_max = _corner(packed.get("domain_max"), label, "domain_max")
    if wrong := _wrong_domain(domain_min, domain_max):
        raise DocumentError("D002", label, "domain_max", wrong)
    if not isinstance(values, str):
        raise DocumentError("D002", label, "values", "must be text: base64 of the packed numbers.")
    shape = (size, 3) if kind == "1D" else (size, size, size, 3)
    table = np.frombuffer(_inflate(values, 4 * math.prod(shape), label), "<f4").astype(np.float32).reshape(shape)
    if not (np.abs(table) <= LARGEST_VALUE).all():
        raise DocumentError("D002", label, "values", f"holds a number beyond {LARGEST_VALUE:g}, or none at all.")
    return Cube("", kind, size, domain_min, domain_max, table)


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            # One byte more than the limit: what grows while it is read is refused too.
            return file.read(SIZE_LIMIT + 1)
    except OSError as error:
        wanted = f"cannot be read ({error.strerror or error}): check its name and its rights."
        raise DocumentError("D001", str(path), "", wanted) from error


class _Reading:
    """A `.cube` file while it is read, line by line."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.line = 0
        self.seen: set[str] = set()
        self.domain: dict[str, tuple[float, ...]] = {"DOMAIN_MIN": (0.0,) * 3, "DOMAIN_MAX": (1.0,) * 3}
        self.ranges: dict[str, tuple[float, ...]] = {}
        self.title = ""
        self.kind: Kind | None = None
        self.size = 0
        self.values: list[float] = []

    def read(self, content: bytes) -> Cube:
        # Comments and titles are written in all encodings; numbers and keywords are ASCII in each.
        content = content.removeprefix(codecs.BOM_UTF8)
        if content.rstrip().endswith(_SUB):
            content = content.rstrip().rstrip(_SUB)
        for number, line in enumerate(io.BytesIO(content.replace(b"\r\n", b"\n").replace(b"\r", b"\n")), 1):
            self.line = number
            if len(line) > _LONGEST_LINE:
                raise self._refuse(f"it is longer than {_LONGEST_LINE} letters, which no line of a table is.")
            text = line.decode("utf-8", "replace")
            words = text.partition("#")[0].split()
            if not words:
                continue
            if _NUMBER.fullmatch(words[0][:40]) or words[0].lower().lstrip("+-") in ("nan", "inf", "infinity"):
                self._take_entry(words)
            else:
                self._take_keyword(words, text)
        return self._finish()

    def _refuse(self, wanted: str, *, line: bool = True) -> DocumentError:
        return DocumentError("D002", self.name, f"line {self.line}" if line else "", wanted)

    def _take_keyword(self, words: list[str], text: str) -> None:
        keyword = words[0]
        if keyword not in (*_KEYWORDS, *_RANGES):
            known = ", ".join((*_KEYWORDS, *_RANGES))
            raise self._refuse(f"{_cut(keyword)} is no keyword of a .cube table, which has {known}.")
        if self.values:
            raise self._refuse(f"{keyword} stands after the first row of numbers: put it above them.")
        if keyword in self.seen:
            raise self._refuse(f"{keyword} stands twice: leave one of them.")
        self.seen.add(keyword)
        if keyword == "TITLE":
            found = _TITLE.fullmatch(text.strip()[len("TITLE") :].strip())
            self.title = (found["quoted"] or (found["plain"] or "").strip().strip('"')) if found else ""
            return
        if keyword in _RANGES:
            self.ranges[keyword] = self._numbers(words[1:], keyword, 2)
            return
        if not keyword.endswith("SIZE"):
            self.domain[keyword] = self._numbers(words[1:], keyword, 3)
            return
        if self.kind:
            raise self._refuse("both LUT_1D_SIZE and LUT_3D_SIZE are given: a table is one or the other.")
        self.kind = "1D" if keyword == "LUT_1D_SIZE" else "3D"
        largest, given = LARGEST_SIZE[self.kind], " ".join(words[1:])
        if not re.fullmatch("[0-9]{1,9}", given) or not 2 <= int(given) <= largest:
            raise self._refuse(f"{keyword} must be a whole number from 2 to {largest}, not {_cut(given) or 'nothing'}.")
        self.size = int(given)

    def _take_entry(self, words: list[str]) -> None:
        if not self.kind:
            raise self._refuse("numbers stand before the table's size: give LUT_1D_SIZE or LUT_3D_SIZE above them.")
        if len(self.values) == 3 * self._entries():
            raise self._refuse(f"there are more rows of numbers than the {self._entries()} of the table's size.")
        self.values += self._numbers(words, "a row", 3)

    def _numbers(self, words: list[str], what: str, count: int) -> tuple[float, ...]:
        if len(words) != count:
            raise self._refuse(f"{what} has {_COUNTS[count]} numbers, not {len(words)}.")
        for word in words:
            if len(word) > 40 or not _NUMBER.fullmatch(word):
                raise self._refuse(f"{_cut(word)} is no number.")
            if not abs(float(word)) <= LARGEST_VALUE:
                raise self._refuse(f"{_cut(word)} is beyond {LARGEST_VALUE:g}, which no colour is.")
        return tuple(float(word) for word in words)

    def _entries(self) -> int:
        return self.size if self.kind == "1D" else self.size**3

    def _finish(self) -> Cube:
        if not self.kind:
            wanted = "holds no .cube table: it has neither LUT_1D_SIZE nor LUT_3D_SIZE."
            raise self._refuse(wanted, line=False)
        if len(self.values) < 3 * self._entries():
            found = len(self.values) // 3
            raise self._refuse(f"the file ends after {found} of the {self._entries()} rows of the table's size.")
        self._take_ranges()
        domain_min, domain_max = ((red, green, blue) for red, green, blue in self.domain.values())
        if wrong := _wrong_domain(domain_min, domain_max):
            raise self._refuse(f"DOMAIN_MAX {wrong}", line=False)
        shape = (self.size, 3) if self.kind == "1D" else (self.size,) * 3 + (3,)
        table = np.array(self.values, np.float32).reshape(shape)
        return Cube(self.title, self.kind, self.size, domain_min, domain_max, table)

    def _take_ranges(self) -> None:
        """Have a range of the table's kind be its domain."""
        for keyword, (low, high) in self.ranges.items():
            if _RANGES[keyword] != self.kind:
                raise self._refuse(f"{keyword} is for a table of the other kind: take it out.", line=False)
            if high - low < _NARROWEST_DOMAIN:
                raise self._refuse(f"{keyword} must rise from its first number to its second.", line=False)
            domain: dict[str, tuple[float, ...]] = {"DOMAIN_MIN": (low,) * 3, "DOMAIN_MAX": (high,) * 3}
            if any(end in self.seen and self.domain[end] != domain[end] for end in domain):
                wanted = f"{keyword} and DOMAIN_MIN or DOMAIN_MAX contradict each other: leave one of them."
                raise self._refuse(wanted, line=False)
            self.domain = domain


def _wrong_domain(low: Sequence[float], high: Sequence[float]) -> str:
    """What is wrong with the upper end of a domain, or nothing."""
    if all(b - a >= _NARROWEST_DOMAIN for a, b in zip(low, high, strict=True)):
        return ""
    return "must be larger than DOMAIN_MIN in each of red, green and blue."


def _corner(numbers: object, label: str, place: str) -> tuple[float, float, float]:
    if (
        not isinstance(numbers, list)
        or len(numbers) != 3
        or any(isinstance(number, bool) or not isinstance(number, int | float) for number in numbers)
        or not all(abs(number) <= LARGEST_VALUE for number in numbers)
    ):
        raise DocumentError("D002", label, place, f"must be three numbers up to {LARGEST_VALUE:g}.")
    return float(numbers[0]), float(numbers[1]), float(numbers[2])


def _inflate(values: str, wanted_bytes: int, label: str) -> bytes:
    """What was packed; never more memory than the table has."""
    try:
        unpacking = zlib.decompressobj()
        content = unpacking.decompress(base64.b64decode(values, validate=True), wanted_bytes + 1)
    except (ValueError, binascii.Error, zlib.error) as error:
        raise DocumentError("D002", label, "values", "is no base64 of zlib: take the table in again.") from error
    if len(content) != wanted_bytes or not unpacking.eof or unpacking.unused_data:
        wanted = f"must hold {wanted_bytes // 4} numbers, as many as its size says: take the table in again."
        raise DocumentError("D002", label, "values", wanted)
    return content


def _cut(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "…"


_RED, _GREEN, _BLUE = 0, 1, 2
_FIRST: Final = [_BLUE, _BLUE, _GREEN, _GREEN, _BLUE, _RED, _RED, _RED]
_LAST: Final = [_RED, _RED, _RED, _BLUE, _GREEN, _GREEN, _BLUE, _BLUE]
"""The channels with the largest and the smallest share, by 4 (red >= green) + 2 (green >= blue) + (red >= blue).

Where two are equal either will do; 1 and 6 contradict themselves.
"""
Cells = NDArray[np.int32]
"""(3, N): for each channel and pixel the entry below it. Whole numbers of 32 bits: processors turn floats into those at once."""
Shares = FloatImage
"""(3, N): how far each pixel is on the way to the next entry, [0, 1]."""
Between = Callable[[Cells, Shares], FloatImage]
"""From where pixels lie in a table to their colours, (N, 3)."""


def _cells(pixels: FloatImage, low: FloatImage, scale: FloatImage, size: int) -> tuple[Cells, Shares]:
    places = np.ascontiguousarray(pixels.T)
    places -= low[:, np.newaxis]
    places *= scale[:, np.newaxis]
    np.clip(places, 0.0, size - 1, out=places)
    cells = places.astype(np.int32)
    np.minimum(cells, size - 2, out=cells)
    places -= cells.astype(np.float32)
    return cells, places


def _curves(cube: Cube) -> Between:
    curves = [np.ascontiguousarray(cube.table[:, channel]) for channel in range(3)]

    def linear(cells: Cells, shares: Shares) -> FloatImage:
        looked_up = np.empty_like(shares)
        for channel, curve in enumerate(curves):
            below = curve.take(cells[channel])
            looked_up[channel] = below + shares[channel] * (curve.take(cells[channel] + 1) - below)
        return looked_up.T

    return linear


def _between_entries(cube: Cube, interpolation: str) -> Between:
    entries = np.zeros((cube.size**3, 4), np.float32)
    entries[:, :3] = cube.table.reshape(-1, 3)
    # Each as one item of 16 bytes: NumPy fetches those three times as fast as three floats.
    items = entries.view(np.complex128).ravel()
    steps = np.array([1, cube.size, cube.size**2], np.int32)
    red_step, green_step, blue_step = steps
    whole_way = steps.sum(dtype=np.int32)
    after_first, before_last = steps[_FIRST], whole_way - steps[_LAST]

    def fetch(places: NDArray[np.int32]) -> FloatImage:
        """The colours at some places, (3, N): planes, which NumPy multiplies eight times as fast as rows of three."""
        rows = items.take(places).view(np.float32).reshape(-1, 4)
        planes: FloatImage = np.ascontiguousarray(rows.T[:3])
        return planes

    def origin_of(cells: Cells) -> NDArray[np.int32]:
        red, green, blue = cells
        place: NDArray[np.int32] = blue * blue_step + green * green_step + red
        return place

    def tetrahedral(cells: Cells, shares: Shares) -> FloatImage:
        red, green, blue = shares
        origin = origin_of(cells)
        largest, smallest = np.maximum(np.maximum(red, green), blue), np.minimum(np.minimum(red, green), blue)
        middle = np.maximum(np.minimum(red, green), np.minimum(np.maximum(red, green), blue))
        order = (red >= green).view(np.uint8) * np.uint8(4)
        order += (green >= blue).view(np.uint8) * np.uint8(2)
        order += (red >= blue).view(np.uint8)
        # The channel with the largest share goes first, that with the smallest last, to the cell's far corner.
        looked_up: FloatImage = fetch(origin) * (1 - largest)
        looked_up += fetch(origin + after_first.take(order)) * (largest - middle)
        looked_up += fetch(origin + before_last.take(order)) * (middle - smallest)
        looked_up += fetch(origin + whole_way) * smallest
        return looked_up.T

    def along_red(place: NDArray[np.int32], share: FloatImage) -> FloatImage:
        below = fetch(place)
        below += (fetch(place + red_step) - below) * share
        return below

    def along_green(place: NDArray[np.int32], shares: Shares) -> FloatImage:
        below = along_red(place, shares[0])
        below += (along_red(place + green_step, shares[0]) - below) * shares[1]
        return below

    def trilinear(cells: Cells, shares: Shares) -> FloatImage:
        origin = origin_of(cells)
        below = along_green(origin, shares)
        below += (along_green(origin + blue_step, shares) - below) * shares[2]
        return below.T

    return tetrahedral if interpolation == "tetrahedral" else trilinear
