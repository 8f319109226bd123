"""Rights: what is written into a delivered file about whose it is, and whether it may leave."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from glassine.schemas.errors import CallError
from glassine.tasks.delivery.exiftool import TagValue

# IPTC Photo Metadata Standard 2024.1 (TechReference): longest value of each IIM field, in bytes.
IIM_BYTES = {
    "ObjectName": 64,
    "Headline": 256,
    "Caption-Abstract": 2000,
    "Keywords": 64,
    "By-line": 32,
    "Credit": 32,
    "CopyrightNotice": 128,
    "OriginalTransmissionReference": 32,
    "SpecialInstructions": 256,
}

# PLUS LDF controlled vocabulary, model release status. ExifTool sets http://ns.useplus.org/ldf/vocab/ before the code.
MODEL_RELEASE = {
    "none": "MR-NON",
    "not applicable": "MR-NAP",
    "unlimited": "MR-UMR",
    "limited": "MR-LMR",
}

# A client needs neither the serial numbers of the studio's cameras nor the place where someone lives. Renditions are
# made from samples alone and hold none of this; a file that came by another way might.
STRIPPED: Mapping[str, TagValue] = dict.fromkeys(
    (
        "GPS:all",
        "MakerNotes:all",
        "ExifIFD:SerialNumber",
        "ExifIFD:LensSerialNumber",
        "ExifIFD:OwnerName",
        "XMP-exif:GPS*",
        "XMP-aux:SerialNumber",
        "XMP-iptcCore:Location",
        "XMP-photoshop:City",
    )
)

_EXIF_SRGB, _EXIF_UNCALIBRATED = 1, 65535  # Exif 2.32, tag ColorSpace
_IIM_UTF8 = "\x1b%G"  # IIM 1:90, ISO 2022 escape for UTF-8


def embedded_metadata(
    job_sheet_rights: Mapping[str, Any], frame: Mapping[str, Any], rendition: Mapping[str, Any] | None = None
) -> dict[str, TagValue]:
    """Everything that is written into a delivered file, as ExifTool tags.

    Parameters
    ----------
    job_sheet_rights : "creator", "credit_line", "copyright_notice", "usage_terms", "web_statement", "job", "client",
        "title", "description", "keywords" (a list), "instructions", "model_release" (a key of
        `MODEL_RELEASE`); any may be missing
    frame : "number", "captured" (RFC 3339, offset optional), and its own "title", "headline", "description",
        "keywords", "model_release", which go before those of the job; any may be missing
    rendition : what `make_rendition` returned: "type" (a PNG has no IIM), "colour_space" (Exif says sRGB or not)

    Returns
    -------
    Tags for `ExifTool.write`: XMP, IIM and Exif in step (Metadata Working Group Guidelines 2.0), codes rather than
    their meaning; `STRIPPED` are deleted.

    Raises
    ------
    CallError
        W001: a model release that PLUS has no code for.

    Notes
    -----
    Properties and their places: IPTC Photo Metadata Standard 2024.1. IIM fields are limited in bytes (`IIM_BYTES`):
    there a longer text is cut at the end of a character; XMP and Exif have it in full. IIM has a time only where the
    offset is known, since it cannot be written without.
    """
    sheet = {key: value for key, value in job_sheet_rights.items() if value not in (None, "", [])}
    own = {key: value for key, value in frame.items() if value not in (None, "", [])}
    rendition = rendition or {}
    reference = own.get("title")
    if reference is None and "job" in sheet and "number" in own:
        reference = f"{sheet['job']}_{own['number']:04d}"
    creator = sheet.get("creator")
    tags: dict[str, TagValue] = dict(STRIPPED)
    written: list[tuple[Any, Sequence[str]]] = [
        ([creator] if creator else None, ("XMP-dc:Creator", "IPTC:By-line")),
        (creator, ("IFD0:Artist",)),
        (sheet.get("credit_line"), ("XMP-photoshop:Credit", "IPTC:Credit")),
        (sheet.get("copyright_notice"), ("XMP-dc:Rights", "IPTC:CopyrightNotice", "IFD0:Copyright")),
        (sheet.get("usage_terms"), ("XMP-xmpRights:UsageTerms",)),
        (sheet.get("web_statement"), ("XMP-xmpRights:WebStatement",)),
        (True if "copyright_notice" in sheet else None, ("XMP-xmpRights:Marked",)),
        (
            sheet.get("job"),
            ("XMP-photoshop:TransmissionReference", "IPTC:OriginalTransmissionReference"),
        ),
        ([sheet["client"]] if "client" in sheet else None, ("XMP-plus:LicenseeName",)),
        (reference, ("XMP-dc:Title", "IPTC:ObjectName")),
        (own.get("headline", sheet.get("title")), ("XMP-photoshop:Headline", "IPTC:Headline")),
        (
            own.get("description", sheet.get("description")),
            ("XMP-dc:Description", "IPTC:Caption-Abstract", "IFD0:ImageDescription"),
        ),
        (own.get("keywords", sheet.get("keywords")), ("XMP-dc:Subject", "IPTC:Keywords")),
        (sheet.get("instructions"), ("XMP-photoshop:Instructions", "IPTC:SpecialInstructions")),
        (
            _release_code(own.get("model_release", sheet.get("model_release"))),
            ("XMP-plus:ModelReleaseStatus",),
        ),
    ]
    for value, names in written:
        if value is not None:
            tags.update({name: _fitted(name, value) for name in names})
    tags.update(_date_tags(own.get("captured")))
    tags["ExifIFD:ColorSpace"] = _EXIF_SRGB if rendition.get("colour_space") == "sRGB" else _EXIF_UNCALIBRATED
    if rendition.get("type") == "PNG":
        tags = {name: value for name, value in tags.items() if not name.startswith("IPTC:")}
    elif any(name.startswith("IPTC:") for name in tags):
        tags["IPTC:CodedCharacterSet"] = _IIM_UTF8
        # The digest tells readers that IIM and XMP were written together.
        tags["Photoshop:IPTCDigest"] = "new"
    return tags


def _release_code(status: str | None) -> str | None:
    if status is None:
        return None
    if status not in MODEL_RELEASE:
        raise CallError("W001", f"{status!r} is no model release status; there are: {', '.join(MODEL_RELEASE)}.")
    return MODEL_RELEASE[status]


def _fitted(name: str, value: Any) -> TagValue:
    """A value as its tag takes it: IIM cut to its bytes, XMP and Exif as it is."""
    if isinstance(value, bool):
        return "True" if value else "False"
    if isinstance(value, list | tuple):
        return list(dict.fromkeys(_cut(name, str(item)) for item in value))
    return _cut(name, str(value))


def _cut(name: str, text: str) -> str:
    group, _, tag = name.partition(":")
    return text.encode()[: IIM_BYTES[tag]].decode(errors="ignore") if group == "IPTC" else text


def _date_tags(captured: str | None) -> dict[str, TagValue]:
    found = re.fullmatch(r"(\d{4})-(\d\d)-(\d\d)T(\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?([+-]\d\d:\d\d|Z)?", captured or "")
    if not found:
        return {}
    day, time, fraction = f"{found[1]}:{found[2]}:{found[3]}", found[4], found[5]
    offset = "+00:00" if found[6] == "Z" else found[6]
    tags: dict[str, TagValue] = {
        "XMP-photoshop:DateCreated": f"{day} {time}{'.' + fraction if fraction else ''}{offset or ''}",
        "IPTC:DateCreated": day,
        "ExifIFD:DateTimeOriginal": f"{day} {time}",
    }
    if fraction:
        tags["ExifIFD:SubSecTimeOriginal"] = fraction
    if offset:
        tags["ExifIFD:OffsetTimeOriginal"] = offset
        tags["IPTC:TimeCreated"] = f"{time}{offset}"
    return tags


def may_leave(licence: Mapping[str, Any], *, on: date) -> list[str]:
    """Why nothing may leave under a licence on a day; empty when it may.

    Parameters
    ----------
    licence : "embargo_until" (the first day it may be shown), "from" and "until" (first and last day of use), each
        "YYYY-MM-DD", null or missing for no limit
    on : the day on which it would leave

    Raises
    ------
    CallError
        W001: a date that is none.
    """
    embargo, first, last = (_day(licence, key) for key in ("embargo_until", "from", "until"))
    causes = []
    if embargo and on < embargo:
        causes.append(f"It is under embargo until {embargo}; today is {on}.")
    if first and on < first:
        causes.append(f"The licence begins on {first}; today is {on}.")
    if last and on > last:
        causes.append(f"The licence ended on {last}; today is {on}.")
    return causes


def _day(licence: Mapping[str, Any], key: str) -> date | None:
    value = licence.get(key)
    if value is None:
        return None
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        raise CallError("W001", f"The licence's {key!r} is {value!r}; write it as YYYY-MM-DD.") from None
