"""A returned retouch against its base: is it the file that was asked for, and was each note done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import tifffile

from glassine.schemas.errors import FixityError, FrameError, VolumeError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.change_map import compare

ANOTHER_FRAME_DELTA_E: Final = 10.0
"""CIEDE2000 that counts as a strong change; a third of a stop on 18 % grey is about 5 (computed)."""
ANOTHER_FRAME_FRACTION: Final = 0.6
"""Of the picture outside the notes. No retouch by marks changes most of the rest strongly (own choice)."""

_PROFILE_TAG: Final = 34675  # ICC.1:2010, annex B
_ORIENTATION_TAG: Final = 274  # TIFF 6.0
_LAYERS_TAG: Final = 37724  # ImageSourceData, where editors keep their layers beside the flat picture


@dataclass(frozen=True)
class _Header:
    """What a TIFF says of itself, read without its pixels."""

    width: int
    height: int
    bits: int
    profile: str
    pages: int
    layered: bool


def check_return(
    base: Path,
    returned: Path,
    notes: Sequence[Mapping[str, Any]],
    *,
    base_facts: Mapping[str, Any],
    threshold: float = 1.0,
    picture: Path | None = None,
) -> dict[str, Any]:
    """Check a returned file and compare it with its base.

    Refused are: no TIFF, another size, fewer bits, another or no profile, nothing changed at all, a note whose
    region did not change, and what is probably another frame. A change elsewhere is reported, never refused.

    Parameters
    ----------
    base : the base file that was handed out
    returned : the file that came back
    notes : dicts with at least "id", "region" and "instruction", in the order of the brief
    base_facts : {"width", "height", "bits", "profile", "sha256"} of the base, as it was made
    threshold : CIEDE2000 above which a pixel counts as changed; 1 is about what is just seen side by side
        (common practice)
    picture : where a JPEG of the changes is written, if it comes to a comparison

    Returns
    -------
    {"accepted": bool, "causes": [sentence, ...], "remarks": [sentence, ...],
    "width", "height", "bits", "profile": of the returned file, None where it is no TIFF,
    "compared": bool, "notes": [{"id", "changed": bool, "changed_fraction"}, ...],
    "outside": {"changed_fraction", "boxes": [[x, y, w, h] in percent, ...]}, "sha256", "size": bytes}.
    Where it was not compared, `notes` is empty and `outside` says nothing.

    Raises
    ------
    FixityError
        The base file is not the one that `base_facts` names.
    VolumeError
        V004: one of the two cannot be read.
    """
    if (found := _digest(base)) != base_facts["sha256"]:
        raise FixityError(base, "SHA-256", base_facts["sha256"], found)
    report: dict[str, Any] = {
        "accepted": False,
        "causes": [],
        "remarks": [],
        "width": None,
        "height": None,
        "bits": None,
        "profile": None,
        "compared": False,
        "notes": [],
        "outside": {"changed_fraction": 0.0, "boxes": []},
        "sha256": _digest(returned),
        "size": returned.stat().st_size,
    }
    try:
        header = _read_header(returned)
    except FrameError as error:
        report["causes"].append(error.sentence)
        return report
    report.update(width=header.width, height=header.height, bits=header.bits, profile=header.profile or None)
    report["causes"] = _formal_causes(returned.name, header, base_facts)
    report["remarks"] = _remarks(returned.name, header)
    # Pixels of another size cannot be laid over each other; and a size that is known bounds the memory.
    if (header.width, header.height) == (base_facts["width"], base_facts["height"]):
        _compare(report, base, returned, notes, threshold, picture)
    report["accepted"] = report["compared"] and not report["causes"]
    return report


def _formal_causes(name: str, header: _Header, base_facts: Mapping[str, Any]) -> list[str]:
    causes = []
    width, height = base_facts["width"], base_facts["height"]
    if (header.width, header.height) != (width, height):
        causes.append(
            f"{name} has {header.width} × {header.height} px, the base file {width} × {height} px: "
            "return it uncropped and in its size."
        )
    if header.bits < base_facts["bits"]:
        causes.append(
            f"{name} has {header.bits} bits a sample, the base file {base_facts['bits']}: "
            "tones are lost; save it again from the layered file."
        )
    if not header.profile:
        causes.append(f"{name} has no colour profile: embed {base_facts['profile']}.")
    elif header.profile != base_facts["profile"]:
        causes.append(
            f"{name} has the colour profile {header.profile}, the base file {base_facts['profile']}: "
            "work in the base file's and embed it."
        )
    return causes


def _remarks(name: str, header: _Header) -> list[str]:
    if header.pages > 1:
        return [f"{name} has {header.pages} pages; the first was looked at."]
    if header.layered:
        return [f"{name} has layers; the flat picture that it has beside them was looked at."]
    return []


def _compare(
    report: dict[str, Any],
    base: Path,
    returned: Path,
    notes: Sequence[Mapping[str, Any]],
    threshold: float,
    picture: Path | None,
) -> None:
    """Add to the report what the pixels say."""
    regions = [note["region"] for note in notes]
    try:
        found = compare(base, returned, regions, threshold=threshold, picture=picture)
    except FrameError as error:  # the base has the bytes that we wrote: it is the returned file
        report["causes"].append(error.sentence)
        return
    report["compared"] = True
    report["outside"] = found["outside"]
    report["notes"] = [
        {"id": note["id"], "changed": region["changed"], "changed_fraction": region["changed_fraction"]}
        for note, region in zip(notes, found["regions"], strict=True)
    ]
    causes: list[str] = report["causes"]
    name = returned.name
    # The largest change, not the changed fraction: one pixel of many millions is rounded away in that.
    if found["max"] <= threshold:
        same = "is the base file again, pixel for pixel" if found["max"] == 0 else "shows no change from the base file"
        causes.append(f"{name} {same}: nothing was done.")
        return
    if _is_another_frame(base, returned, regions, found):
        causes.append(
            f"{name} is probably another frame, or was graded as a whole: more than "
            f"{ANOTHER_FRAME_FRACTION:.0%} of the picture outside the marks is not the base file's."
        )
        return
    for number, (note, region) in enumerate(zip(notes, found["regions"], strict=True), 1):
        if not region["changed"]:
            causes.append(
                f"Note {number} ({_short(note['instruction'])}) was left undone: nothing changed in its region."
            )


def _is_another_frame(
    base: Path, returned: Path, regions: Sequence[Mapping[str, Any]], found: Mapping[str, Any]
) -> bool:
    # The second look, for strong changes only, is rare: a retouch leaves most of a picture as it was.
    if found["outside"]["changed_fraction"] <= ANOTHER_FRAME_FRACTION:
        return False
    strong = compare(base, returned, regions, threshold=ANOTHER_FRAME_DELTA_E)
    return bool(strong["outside"]["changed_fraction"] > ANOTHER_FRAME_FRACTION)


def _read_header(path: Path) -> _Header:
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            tags = page.tags
            width, height = page.imagewidth, page.imagelength
            if tags.valueof(_ORIENTATION_TAG, default=1) in (5, 6, 7, 8):
                width, height = height, width
            icc = tags.valueof(_PROFILE_TAG)
            pages, layered, bits = len(tiff.pages), _LAYERS_TAG in tags, int(page.bitspersample)
    except Exception as error:  # a hostile file makes tifffile raise nearly anything
        raise FrameError("P001", f"{path.name} is no TIFF that can be read; return a flat TIFF.") from error
    return _Header(width, height, bits, icc_profile.profile_name(icc) if icc else "", pages, layered)


def _digest(path: Path) -> str:
    try:
        return hash_file(path)
    except OSError as error:
        raise VolumeError("V004", f"{path} cannot be read: {error.strerror or error}.") from error


def _short(text: str) -> str:
    line = " ".join(text.split())
    return f"“{line}”" if len(line) <= 60 else f"“{line[:57]}…”"
