"""Ratings in XMP sidecars: read from those of any program, written clean for any program.

Sources: XMP Specification Part 1 (April 2012, = ISO 16684-1), Table 5, for the values of xmp:Rating; IPTC
Photo Metadata Standard 2024.1 for dc:title, dc:creator and the job's number in
photoshop:TransmissionReference (a namespace name that the standard fixes).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final, Literal
from xml.etree.ElementTree import Element, ParseError
from xml.sax.saxutils import escape, quoteattr

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import fromstring

from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import CallError, VolumeError

SIZE_LIMIT: Final = 16 * 2**20
"""Bytes. Sidecars have some kilobytes; one with painted masks in it a few megabytes (from memory)."""

_RDF: Final = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
_RATING: Final = "{http://ns.adobe.com/xap/1.0/}Rating"
_REAL = re.compile(r"[+-]?[0-9]+(\.[0-9]*)?|[+-]?\.[0-9]+")
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 (production 2, Char) cannot hold, not even escaped."""


def read_rating(path: Path) -> float | None:
    """Return xmp:Rating of a sidecar: -1 (rejected), 0 (unrated) to 5, or None where there is none.

    Raises
    ------
    CallError
        W001: not an XMP file, or a value that the specification does not allow.
    VolumeError
        V004: the file cannot be read.
    """
    root = _read_xmp(path)
    found: set[str] = set()
    for description in _descriptions(root):
        if _RATING in description.attrib:
            found.add(description.attrib[_RATING].strip())
        found.update("".join(element.itertext()).strip() for element in description.findall(_RATING))
    if not found:
        return None
    if len(found) > 1:
        raise CallError("W001", f"{path} has several ratings ({', '.join(sorted(map(_show, found)))}); leave one.")
    text = found.pop()
    rating = float(text) if _REAL.fullmatch(text) and len(text) <= 20 else math.nan
    if rating != -1 and not 0 <= rating <= 5:
        raise CallError("W001", f"{path} has the rating {_show(text)}; it must be -1 or from 0 to 5.")
    return rating


def verdict_of(rating: float | None, threshold: float = 1) -> Literal["select", "out"] | None:
    """Return what a rating says of a frame: -1 is out, `threshold` and above a select, else nothing."""
    if rating is None:
        return None
    if rating == -1:
        return "out"
    return "select" if rating > 0 and rating >= threshold else None


def write_sidecar(
    path: Path,
    *,
    rating: int,
    label: str | None = None,
    title: str | None = None,
    creator: str | Sequence[str] = (),
    job: str | None = None,
) -> None:
    """Write an XMP packet with a rating; the same values give the same bytes.

    Parameters
    ----------
    path : the sidecar, replaced as a whole if it is there
    rating : -1 (rejected) or 0 to 5
    label : xmp:Label
    title, creator, job : dc:title, dc:creator (one or several), photoshop:TransmissionReference

    Raises
    ------
    CallError
        W001: a rating that is not allowed, or a character that XML cannot hold.
    VolumeError
        V003: the disk is full or cannot be written.
    """
    if isinstance(rating, bool) or rating not in (-1, 0, 1, 2, 3, 4, 5):
        raise CallError("W001", f"The rating for {path.name} is {rating!r}; it must be -1 or from 0 to 5.")
    creators = [creator] if isinstance(creator, str) else list(creator)
    for text in (label, title, job, *creators):
        if text is not None and _NOT_XML.search(text):
            raise CallError("W001", f"{_show(text)} for {path.name} has a character that XML cannot hold.")
    attributes = [f'xmp:Rating="{rating}"']
    if label is not None:
        attributes.append(f"xmp:Label={quoteattr(label)}")
    if job is not None:
        attributes.append(f"photoshop:TransmissionReference={quoteattr(job)}")
    elements = []
    if title is not None:
        elements.append(
            f'<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{escape(title)}</rdf:li></rdf:Alt></dc:title>'
        )
    if creators:
        names = "".join(f"<rdf:li>{escape(name)}</rdf:li>" for name in creators)
        elements.append(f"<dc:creator><rdf:Seq>{names}</rdf:Seq></dc:creator>")
    # The identifier in the packet's head is fixed by ISO 16684-1, 7.3.2.
    packet = "\n".join(
        [
            '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>',
            '<x:xmpmeta xmlns:x="adobe:ns:meta/">',
            ' <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">',
            '  <rdf:Description rdf:about=""',
            '    xmlns:xmp="http://ns.adobe.com/xap/1.0/"',
            '    xmlns:dc="http://purl.org/dc/elements/1.1/"',
            '    xmlns:photoshop="http://ns.adobe.com/photoshop/1.0/"',
            "    " + "\n    ".join(attributes) + ">",
            *(f"   {element}" for element in elements),
            "  </rdf:Description>",
            " </rdf:RDF>",
            "</x:xmpmeta>",
            '<?xpacket end="w"?>',
            "",
        ]
    )
    replace_file(path, packet.encode("utf-8"))


def _read_xmp(path: Path) -> Element:
    try:
        with path.open("rb") as file:
            # One byte more than the limit: what grows while it is read is refused too.
            data = file.read(SIZE_LIMIT + 1)
    except OSError as error:
        raise VolumeError("V004", f"{path} cannot be read: {error.strerror or error}.") from error
    if len(data) > SIZE_LIMIT:
        raise CallError("W001", f"{path} is larger than {SIZE_LIMIT // 2**20} MB, which no sidecar is.")
    try:
        root: Element = fromstring(data, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError, LookupError, RecursionError) as error:
        # ValueError and LookupError: an encoding that is named but not known, or not what the bytes are
        raise CallError("W001", f"{path} is no XMP sidecar: it is not plain XML.") from error
    return root


def _descriptions(root: Element) -> list[Element]:
    """The descriptions of the picture itself; those within other properties are of other things."""
    packets = [root] if root.tag == f"{_RDF}RDF" else root.findall(f"{_RDF}RDF")
    return [description for packet in packets for description in packet.findall(f"{_RDF}Description")]


def _show(text: str) -> str:
    shown = repr(text)
    return shown if len(shown) <= 60 else shown[:57] + "…"
