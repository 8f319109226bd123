"""Receipts: what was in a delivery, for people (PDF) and programs (JSON)."""

from __future__ import annotations

import hashlib
import io
import json
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import reportlab
from reportlab.lib.pagesizes import A4
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from glassine.schemas.durable_file import replace_file

_MARGIN_PT = 56.0
_WIDTH_PT = A4[0] - 2 * _MARGIN_PT
_LABEL_PT = 110.0
_LEADING = 1.45
"""Line to line, in sizes of the font (common practice)."""
# These come with reportlab and know more letters than the fonts built into every PDF reader.
_TEXT, _BOLD, _FIXED = "Vera", "VeraBd", "Courier"
_LICENCE_KEYS = ("terms", "from", "until", "embargo_until")
_FILE_KEYS = ("name", "sha256", "size", "frame", "final", "width", "height")


def receipt_document(
    *,
    job: str,
    client: str,
    delivery: int,
    specifications: Sequence[str],
    licence: Mapping[str, Any],
    files: Iterable[Mapping[str, Any]],
    record: Mapping[str, Any],
    handed_over_at: str,
    handed_over_by: str,
    place: str,
) -> dict[str, Any]:
    """Compose a receipt, valid against receipt.schema.json.

    Parameters
    ----------
    job, client, delivery, specifications, handed_over_by, place : as the schema describes them
    licence : "terms", and "from", "until", "embargo_until" where there are such; anything else stays in the studio
    files : "name", "sha256", "size" (bytes, with metadata, as in the bag), "frame", "final", "width", "height";
        anything else stays in the studio; sorted by name here
    record : {"entry", "sha256"} of the last entry of the record
    handed_over_at : RFC 3339, UTC, ending in Z
    """
    return {
        "format": 1,
        "job": job,
        "client": client,
        "delivery": delivery,
        "specifications": list(specifications),
        "licence": {key: licence[key] for key in _LICENCE_KEYS if licence.get(key) is not None},
        "files": sorted(({key: file[key] for key in _FILE_KEYS} for file in files), key=lambda file: file["name"]),
        "record": {"entry": record["entry"], "sha256": record["sha256"]},
        "handed_over_at": handed_over_at,
        "handed_over_by": handed_over_by,
        "place": place,
    }


def receipt_bytes(document: Mapping[str, Any]) -> bytes:
    """A receipt as the JSON that is written: UTF-8, two spaces, keys in order, a newline at the end."""
    return (json.dumps(document, indent=2, sort_keys=True, ensure_ascii=False) + "\n").encode()


def write_receipt_pdf(document: Mapping[str, Any], out: Path) -> None:
    """Write a receipt as PDF, A4; the same document gives the same bytes.

    Every digest is printed in full, that of the JSON receipt too, with how to check them.

    Parameters
    ----------
    document : from `receipt_document`
    out : put in place whole; its folder is created
    """
    pages = io.BytesIO()
    _Sheet(pages, document).write()
    replace_file(out, pages.getvalue())


class _Sheet:
    """The pages of one receipt while they are written."""

    def __init__(self, file: io.BytesIO, document: Mapping[str, Any]) -> None:
        fonts = Path(reportlab.__file__).parent / "fonts"
        for name in (_TEXT, _BOLD):
            if name not in pdfmetrics.getRegisteredFontNames():
                pdfmetrics.registerFont(TTFont(name, str(fonts / f"{name}.ttf")))
        self.document = document
        self.title = f"Receipt: job {document['job']}, delivery {document['delivery']}"
        self.canvas = Canvas(file, pagesize=A4, invariant=1, pageCompression=1)
        self.canvas.setTitle(self.title)
        self.canvas.setAuthor("")
        self.y = A4[1] - _MARGIN_PT
        self.page = 1

    def write(self) -> None:
        document = self.document
        self.lines([self.title], _BOLD, 15)
        self.space(8)
        for label, value in self.facts():
            self.row(label, value)
        self.space(10)
        count, octets = len(document["files"]), sum(file["size"] for file in document["files"])
        self.lines([f"{count} file{'s' if count > 1 else ''}, {octets:,} bytes"], _BOLD, 11)
        for file in document["files"]:
            self.file(file)
        self.space(10)
        self.check_paragraph()
        self.footer()
        self.canvas.save()

    def facts(self) -> list[tuple[str, str]]:
        document, licence = self.document, self.document["licence"]
        facts = [
            ("To", document["client"]),
            ("Handed over", f"{document['handed_over_at']} by {document['handed_over_by']}"),
            ("Place", document["place"]),
            ("Specification", ", ".join(document["specifications"])),
            ("Licence", licence["terms"]),
        ]
        names = {"from": "Use from", "until": "Use until", "embargo_until": "Embargo until"}
        facts += [(name, licence[key]) for key, name in names.items() if licence.get(key)]
        return facts

    def file(self, file: Mapping[str, Any]) -> None:
        about = f"frame {file['frame']:04d}" + (f", {file['final']}" if file["final"] else "")
        about += f"; {file['width']} × {file['height']} pixels; {file['size']:,} bytes"
        name = _wrapped(file["name"], _TEXT, 9, _WIDTH_PT)
        self.need(12 * len(name) + 30)
        self.space(6)
        self.lines(name, _TEXT, 9)
        self.lines([about], _TEXT, 7.5)
        self.lines([file["sha256"]], _FIXED, 8.5)

    def check_paragraph(self) -> None:
        record = self.document["record"]
        receipt_sha256 = hashlib.sha256(receipt_bytes(self.document)).hexdigest()
        self.need(190)
        self.lines(["How to check"], _BOLD, 11)
        self.text(
            "The digests are SHA-256 (FIPS 180-4). In the delivered folder, the one that holds bagit.txt, this "
            "checks every file:"
        )
        self.lines(["sha256sum -c manifest-sha256.txt"], _FIXED, 9)
        self.text("On macOS:")
        self.lines(["shasum -a 256 -c manifest-sha256.txt"], _FIXED, 9)
        self.text("On Windows, one file at a time, to compare with the digest above:")
        self.lines(["certutil -hashfile FILE SHA256"], _FIXED, 9)
        self.space(4)
        self.text("This receipt as JSON has the digest")
        self.lines([receipt_sha256], _FIXED, 8.5)
        self.space(4)
        self.text(
            f"The record of the job stood at entry {record['entry']} with the digest below. Keep this receipt: it "
            "shows later whether anything before that entry was altered."
        )
        self.lines([record["sha256"]], _FIXED, 8.5)

    def row(self, label: str, value: str) -> None:
        lines = _wrapped(value, _TEXT, 9, _WIDTH_PT - _LABEL_PT)
        self.need(13)
        self.canvas.setFont(_BOLD, 9)
        self.canvas.drawString(_MARGIN_PT, self.y - 9 * _LEADING, label)
        self.lines(lines, _TEXT, 9, left=_MARGIN_PT + _LABEL_PT)

    def text(self, text: str) -> None:
        self.lines(_wrapped(text, _TEXT, 8.5, _WIDTH_PT), _TEXT, 8.5)

    def lines(self, lines: Sequence[str], font: str, size_pt: float, left: float = _MARGIN_PT) -> None:
        for line in lines:
            self.need(size_pt * _LEADING)
            self.y -= size_pt * _LEADING
            self.canvas.setFont(font, size_pt)
            self.canvas.drawString(left, self.y, line)

    def space(self, points: float) -> None:
        self.y -= points

    def need(self, points: float) -> None:
        """Begin a new page where less than this is left on the page."""
        if self.y - points < _MARGIN_PT:
            self.footer()
            self.canvas.showPage()
            self.page += 1
            self.y = A4[1] - _MARGIN_PT

    def footer(self) -> None:
        self.canvas.setFont(_TEXT, 7.5)
        self.canvas.drawString(_MARGIN_PT, _MARGIN_PT / 2, self.title)
        self.canvas.drawRightString(A4[0] - _MARGIN_PT, _MARGIN_PT / 2, f"page {self.page}")


def _wrapped(text: str, font: str, size_pt: float, width_pt: float) -> list[str]:
    """Lines that fit a width; a word that does not fit (a long path) is broken."""
    lines = []
    for line in simpleSplit(_shown(text, font), font, size_pt, width_pt):
        rest = line
        while pdfmetrics.stringWidth(rest, font, size_pt) > width_pt:
            end = len(rest)
            while pdfmetrics.stringWidth(rest[:end], font, size_pt) > width_pt:
                end -= 1
            lines.append(rest[:end])
            rest = rest[end:]
        lines.append(rest)
    return lines


def _shown(text: str, font: str) -> str:
    """Text for a font that lacks some characters: without the accent, else as code point; the JSON has them all."""
    known = pdfmetrics.getFont(font).face.charToGlyph
    shown = []
    for character in text:
        base = unicodedata.normalize("NFD", character)[0]
        if ord(character) in known or character.isspace():
            shown.append(character)
        else:
            shown.append(base if ord(base) in known else f"U+{ord(character):04X}")
    return "".join(shown)
