"""A returned retouch against its base: is it the file that was asked for, and was each note done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import tifffile

from glassine.schemas.errors import FixityError, FrameError, VolumeError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.handoff.older_round import may_lack_work, rounds_that_lack
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.change_map import compare
from glassine.tasks.imaging.flat import extra_channels, has_layers
from glassine.tasks.imaging.registration import Shift, measure_fit

ANOTHER_FRAME_DELTA_E: Final = 10.0
"""CIEDE2000 that counts as a strong change; a third of a stop on 18 % grey is about 5 (computed)."""
ANOTHER_FRAME_FRACTION: Final = 0.6
"""Of the picture outside the notes. No retouch by marks changes most of the rest strongly (own choice)."""

MUCH_CHANGED: Final = 0.05
"""Of the picture outside the notes, from which it is looked at whether the whole is shifted or another one; a retouch
by marks leaves most of the rest as it was (own choice)."""

_PROFILE_TAG: Final = 34675  # ICC.1:2010, annex B
_ORIENTATION_TAG: Final = 274  # TIFF 6.0


@dataclass(frozen=True)
class _Header:
    """What a TIFF says of itself, read without its pixels."""

    width: int
    height: int
    bits: int
    profile: str
    pages: int
    layered: bool
    extra_channels: int


def check_return(
    base: Path,
    returned: Path,
    notes: Sequence[Mapping[str, Any]],
    *,
    base_facts: Mapping[str, Any],
    threshold: float = 1.0,
    picture: Path | None = None,
    older: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """Check a returned file and compare it with its base.

    Refused are: a technical fault (no TIFF, another size, fewer bits, another or no profile, out of register), what
    is probably another frame, what was made from an older round's base, a note whose region did not change, and a
    picture in which nothing did. A change elsewhere, even of the whole, is reported, never refused.

    Parameters
    ----------
    base : the base file that was handed out
    returned : the file that came back
    notes : dicts with at least "id", "region" and "instruction", in the order of the brief
    base_facts : {"width", "height", "bits", "profile", "sha256"} of the base, as it was made
    threshold : CIEDE2000 above which a pixel counts as changed; 1 is about what is just seen side by side
        (common practice)
    picture : where a JPEG of the changes is written, if it comes to a comparison
    older : earlier rounds of this frame whose work the base holds: {"round", "base": that round's base file, "notes":
        [{"id", "region"}, ...]}; see `older_round.rounds_that_lack`

    Returns
    -------
    {"accepted": compared and no fault, "faults": [{"kind": "technical", "another frame", "older round", "note
    undone" or "nothing done", "text": sentence, "note": id or None}, ...], "causes": their sentences, "remarks":
    [sentence, ...], "width", "height", "bits", "profile": of the returned file, None where it is no TIFF,
    "layered": whether a flat is to be derived of it (`flat.derive_flat`),
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
        "faults": [],
        "causes": [],
        "remarks": [],
        "width": None,
        "height": None,
        "bits": None,
        "profile": None,
        "layered": False,
        "compared": False,
        "notes": [],
        "outside": {"changed_fraction": 0.0, "boxes": []},
        "sha256": _digest(returned),
        "size": returned.stat().st_size,
    }
    report["faults"] = faults = _faults(report, base, returned, notes, base_facts, threshold, picture, older)
    report["causes"] = [fault["text"] for fault in faults]
    report["accepted"] = report["compared"] and not faults
    return report


def _fault(kind: str, text: str, note: str | None = None) -> dict[str, Any]:
    return {"kind": kind, "text": text, "note": note}


def _faults(
    report: dict[str, Any],
    base: Path,
    returned: Path,
    notes: Sequence[Mapping[str, Any]],
    base_facts: Mapping[str, Any],
    threshold: float,
    picture: Path | None,
    older: Sequence[Mapping[str, Any]],
) -> list[dict[str, Any]]:
    """Every fault of the returned file; what else is found goes into the report."""
    try:
        header = _read_header(returned)
    except FrameError as error:
        return [_fault("technical", error.sentence)]
    report.update(width=header.width, height=header.height, bits=header.bits, profile=header.profile or None)
    report.update(layered=header.layered, remarks=_remarks(returned.name, header))
    faults = [_fault("technical", cause) for cause in _formal_causes(returned.name, header, base_facts)]
    # Pixels of another size cannot be laid over each other; and a size that is known bounds the memory.
    if (header.width, header.height) == (base_facts["width"], base_facts["height"]):
        try:
            faults += _compared(report, base, returned, notes, threshold, picture, older)
        except FrameError as error:  # the bases have the bytes that we wrote: it is the returned file
            faults.append(_fault("technical", error.sentence))
    return faults


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
    remarks = []
    if header.pages > 1:
        remarks.append(f"{name} has {header.pages} pages; the first was looked at.")
    elif header.layered:
        remarks.append(f"{name} has layers; the flat picture that it has beside them was looked at.")
    if header.extra_channels:
        count = f"{header.extra_channels} channel{'' if header.extra_channels == 1 else 's'}"
        remarks.append(
            f"{name} has {count} beside colour (transparency, saved selections): kept in the file as it came, "
            "left out of the picture."
        )
    return remarks


def _compared(
    report: dict[str, Any],
    base: Path,
    returned: Path,
    notes: Sequence[Mapping[str, Any]],
    threshold: float,
    picture: Path | None,
    older: Sequence[Mapping[str, Any]],
) -> list[dict[str, Any]]:
    """The faults that the pixels tell; what changed goes into the report."""
    regions = [note["region"] for note in notes]
    found = compare(base, returned, regions, threshold=threshold, picture=picture)
    report["compared"] = True
    report["outside"] = found["outside"]
    report["notes"] = [
        {"id": note["id"], "changed": region["changed"], "changed_fraction": region["changed_fraction"]}
        for note, region in zip(notes, found["regions"], strict=True)
    ]
    name = returned.name
    # The largest change, not the changed fraction: one pixel of many millions is rounded away in that.
    if found["max"] <= threshold:
        same = "is the base file again, pixel for pixel" if found["max"] == 0 else "shows no change from the base file"
        return [_fault("nothing done", f"{name} {same}: nothing was done.")]
    # The second and the third look are rare: a retouch leaves most of a picture as it was.
    if found["outside"]["changed_fraction"] > MUCH_CHANGED:
        fit = measure_fit(base, returned)
        if fit.shift != (0, 0):
            return [_fault("technical", _shifted(name, fit.shift))]
        if not fit.same_detail and _strongly_changed(base, returned, regions, found):
            text = (
                f"{name} is probably another frame: more than {ANOTHER_FRAME_FRACTION:.0%} of the picture outside "
                "the marks is not the base file's, nor is its detail."
            )
            return [_fault("another frame", text)]
        if not fit.same_noise:
            report["remarks"].append(
                f"{name} may be made from another frame of the same pose: nothing outside the marks is the base file's "
                "to the pixel, and its noise is another. Compare the two."
            )
    faults = []
    if older and may_lack_work(found["outside"], older):
        lacking = rounds_that_lack(base, returned, regions, older, threshold=threshold)
        if lacking:
            faults.append(_fault("older round", _outdated(name, lacking)))
    for number, (note, region) in enumerate(zip(notes, found["regions"], strict=True), 1):
        if not region["changed"]:
            text = f"Note {number} ({_short(note['instruction'])}) was left undone: nothing changed in its region."
            faults.append(_fault("note undone", text, note["id"]))
    return faults


def _shifted(name: str, shift: Shift) -> str:
    right, down = shift
    across = f"{abs(right)} px to the {'left' if right < 0 else 'right'}"
    return (
        f"{name} is shifted by {across} and {abs(down)} px {'up' if down < 0 else 'down'} against the base file: "
        "return it in register."
    )


def _outdated(name: str, lacking: Sequence[int]) -> str:
    *first, last = [str(number) for number in lacking]
    rounds = f"rounds {', '.join(first)} and {last}" if first else f"round {last}"
    return (
        f"{name} was made from the base file of round {lacking[0]}: the work of {rounds} is gone from it; "
        "work in the base file of this round."
    )


def _strongly_changed(
    base: Path, returned: Path, regions: Sequence[Mapping[str, Any]], found: Mapping[str, Any]
) -> bool:
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
            pages, layered, bits = len(tiff.pages), has_layers(tiff), int(page.bitspersample)
            extra = extra_channels(page)
    except Exception as error:  # a hostile file makes tifffile raise nearly anything
        raise FrameError("P001", f"{path.name} is no TIFF that can be read; return a flat TIFF.") from error
    return _Header(width, height, bits, icc_profile.profile_name(icc) if icc else "", pages, layered, extra)


def _digest(path: Path) -> str:
    try:
        return hash_file(path)
    except OSError as error:
        raise VolumeError("V004", f"{path} cannot be read: {error.strerror or error}.") from error


def _short(text: str) -> str:
    line = " ".join(text.split())
    return f"“{line}”" if len(line) <= 60 else f"“{line[:57]}…”"
