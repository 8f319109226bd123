"""What a file says about the exposure it holds: camera, counter, time, settings; a stranger's words, so cleaned."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from glassine.tasks.delivery.exiftool import ExifTool

MAX_TEXT = 120
"""Longest text that is believed to be a name, in characters; a longer one is no camera or lens (common practice)."""

_TAGS = (
    "Make",
    "Model",
    "SerialNumber",
    "CameraSerialNumber",
    "ImageNumber",
    "FileNumber",
    "SubSecDateTimeOriginal",
    "DateTimeOriginal",
    "CreateDate",
    "OffsetTimeOriginal",
    "FNumber",
    "ExposureTime",
    "ISO",
    "FocalLength",
    "LensModel",
    "Lens",
    "ImageSize",
    "ImageWidth",
    "ImageHeight",
    "Orientation",
    "MIMEType",
    "FileType",
)
# CIPA DC-009 (DCF): four free characters, then a number 0001-9999.
_DCF_STEM = re.compile(r"[A-Z0-9_]{4}(?!0000)(\d{4})", re.IGNORECASE)
_TIME = re.compile(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)(\.\d{1,9})?([+-]\d\d:\d\d|Z)?")
_DAMAGE = re.compile(
    r"truncat|past end|premature|unexpected end|error reading|corrupt|format error|bad IFD0", re.IGNORECASE
)


def identify(exif: ExifTool, paths: Sequence[Path], names: Sequence[str] | None = None) -> list[dict[str, Any]]:
    """Identify files by their metadata, in batches.

    Parameters
    ----------
    exif : running ExifTool
    paths : of copies in custody
    names : for each path, the file name as the camera wrote it, whose digits are the counter where Exif has none

    Returns
    -------
    One dictionary a path, null where it is unknown or not to be believed:
    "camera" ("Make Model"), "serial", "lens", "format" (MIME type or file type) : text
    "counter" : whole number; a camera's file number and DCF digits count 1-9999 and roll over
    "captured" : "2026-11-25T10:44:47.12+01:00"; without offset it is the camera's own local time
    "exposure" : {"f_number", "shutter_s", "iso", "focal_length_mm"}
    "width", "height" : pixels of the largest picture; "orientation" : 1 to 8 (TIFF 6.0, tag 274)
    "error" : what ExifTool says about damage

    Raises
    ------
    CallError
        W001: a path that must not be given to ExifTool.
    """
    rows = exif.read(paths, _TAGS, as_text=True)
    given = names if names is not None else [""] * len(rows)
    return [_identity(row, name) for row, name in zip(rows, given, strict=True)]


def _identity(row: Mapping[str, Any], name: str) -> dict[str, Any]:
    error = row.get("ExifTool:Error")
    warning = row.get("ExifTool:Warning")
    if error is None and isinstance(warning, str) and _DAMAGE.search(warning):
        error = warning
    # A maker's own note may say the same again, rounded otherwise: Exif goes first.
    ranked = sorted(row.items(), key=lambda item: item[0].startswith(("IFD0:", "ExifIFD:")))
    tags = {key.rpartition(":")[2]: value for key, value in ranked}
    width, height = _size(tags)
    return {
        "camera": _camera(_text(tags.get("Make")), _text(tags.get("Model"))),
        "serial": _first(tags, ("SerialNumber", "CameraSerialNumber"), _text),
        "counter": _counter(tags, name),
        "captured": _captured(tags),
        "exposure": {
            "f_number": _positive(tags.get("FNumber")),
            "shutter_s": _positive(tags.get("ExposureTime")),
            "iso": _positive(tags.get("ISO")),
            "focal_length_mm": _positive(tags.get("FocalLength")),
        },
        "lens": _first(tags, ("LensModel", "Lens"), _lens),
        "width": width,
        "height": height,
        "orientation": _whole(tags.get("Orientation"), 1, 8),
        "format": _first(tags, ("MIMEType", "FileType"), _text),
        "error": None if error is None else " ".join(str(error).split())[:300],
    }


def _first(tags: Mapping[str, Any], names: Sequence[str], clean: Callable[[Any], str | None]) -> str | None:
    return next((found for name in names if (found := clean(tags.get(name))) is not None), None)


def _text(value: object) -> str | None:
    """A name, with control characters and odd white space gone; null when nothing or too much is left."""
    if not isinstance(value, str):
        return None
    kept = "".join(character if character.isprintable() and character != "\ufffd" else " " for character in value)
    kept = " ".join(kept.split())
    return kept if 0 < len(kept) <= MAX_TEXT else None


def _lens(value: object) -> str | None:
    """A lens's name; a bare number is a maker's code, or a focal length, and names nothing."""
    text = _text(value)
    return None if text is None or re.fullmatch(r"[\d. -]+", text) else text


def _camera(make: str | None, model: str | None) -> str | None:
    if make and model and not model.casefold().startswith(make.casefold()):
        return f"{make} {model}"
    return model or make


def _number(value: object) -> float | None:
    try:
        number = float(str(value))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _positive(value: object) -> float | None:
    """A quantity above zero, to six decimals; a million of anything is no setting of a camera."""
    number = _number(value)
    return round(number, 6) if number is not None and 1e-6 <= number < 1e6 else None


def _whole(value: object, least: int, most: int) -> int | None:
    number = _number(value)
    return int(number) if number is not None and number.is_integer() and least <= number <= most else None


def _size(tags: Mapping[str, Any]) -> tuple[int | None, int | None]:
    sides = str(tags.get("ImageSize", "")).replace("x", " ").split()
    if len(sides) != 2:
        sides = [str(tags.get("ImageWidth")), str(tags.get("ImageHeight"))]
    width, height = (_whole(side, 1, 1_000_000) for side in sides)
    return (width, height) if width and height else (None, None)


def _counter(tags: Mapping[str, Any], name: str) -> int | None:
    counted = _whole(tags.get("ImageNumber"), 1, 2**32 - 1)
    if counted is not None:
        return counted
    # Folder and number in one: 101-0142 is written 1010142. The folder's digits go, so that it agrees with the name's.
    filed = _whole(re.sub(r"\D", "", str(tags.get("FileNumber", ""))), 1, 9_999_999)
    if filed is not None and filed % 10_000:
        return filed % 10_000
    stem = _DCF_STEM.fullmatch(Path(name).stem)
    return int(stem[1]) if stem else None


def _captured(tags: Mapping[str, Any]) -> str | None:
    for name in ("SubSecDateTimeOriginal", "DateTimeOriginal", "CreateDate"):
        found = _TIME.fullmatch(str(tags.get(name, "")).strip())
        if not found:
            continue
        offset = found[8] or _offset(tags.get("OffsetTimeOriginal")) or ""
        text = f"{found[1]}-{found[2]}-{found[3]}T{found[4]}:{found[5]}:{found[6]}"
        try:
            datetime.fromisoformat(f"{text}{offset}")  # the 30th of February, 25 o'clock
        except ValueError:
            continue
        return f"{text}{found[7] or ''}{offset}"
    return None


def _offset(value: object) -> str | None:
    text = str(value).strip()
    return text if re.fullmatch(r"[+-]\d\d:\d\d|Z", text) else None
