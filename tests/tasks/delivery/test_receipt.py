"""Receipts: valid against their schema, the same bytes again, readable as text by another program (pypdf)."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import jsonschema
import pypdf
import pytest

import glassine.schemas
from glassine.tasks.delivery.receipt import receipt_bytes, receipt_document, write_receipt_pdf

SCHEMA = json.loads((Path(next(iter(glassine.schemas.__path__))) / "receipt.schema.json").read_text(encoding="utf-8"))


def _document(files: int = 3, **changes: Any) -> dict[str, Any]:
    given: dict[str, Any] = {
        "job": "2026-014",
        "client": "Łukasz Źle Instruments 工",
        "delivery": 1,
        "specifications": ["yearbook-print"],
        "licence": {"terms": "One yearbook.", "until": "2027-12-31", "from": None, "fee": "nobody else's concern"},
        "files": [
            {
                "name": f"2026-014_{number:04d}_colour.tif",
                "sha256": hashlib.sha256(str(number).encode()).hexdigest(),
                "size": 17_000_000 + number,
                "frame": number,
                "final": None if number == 2 else "colour",
                "width": 2008,
                "height": 2835,
                "camera": "not told",
            }
            for number in range(files, 0, -1)
        ],
        "record": {"entry": 57, "sha256": "ab" * 32},
        "handed_over_at": "2026-11-25T10:44:47Z",
        "handed_over_by": "the assistant",
        "place": "/volumes/client/" + "long/" * 40,
    }
    return receipt_document(**{**given, **changes})


def test_a_receipt_meets_its_schema_and_tells_no_more() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    document = _document()
    jsonschema.Draft202012Validator(SCHEMA).validate(document)
    assert document["licence"] == {"terms": "One yearbook.", "until": "2027-12-31"}
    assert [file["frame"] for file in document["files"]] == [1, 2, 3]
    assert json.loads(receipt_bytes(document)) == document


@pytest.mark.parametrize(
    "change",
    [
        {"delivery": 0},
        {"handed_over_at": "2026-11-25T10:44:47+01:00"},
        {"record": {"entry": 1, "sha256": "AB" * 32}},
        {"specifications": [""]},
    ],
)
def test_the_schema_refuses(change: dict[str, Any]) -> None:
    assert not jsonschema.Draft202012Validator(SCHEMA).is_valid(_document(**change))


def test_the_same_receipt_is_the_same_pdf(tmp_path: Path) -> None:
    for name in ("one.pdf", "two.pdf"):
        write_receipt_pdf(_document(), tmp_path / "new" / name)
    one, two = ((tmp_path / "new" / name).read_bytes() for name in ("one.pdf", "two.pdf"))
    assert one == two
    assert sorted(path.name for path in (tmp_path / "new").iterdir()) == ["one.pdf", "two.pdf"]


def test_every_digest_is_printed_in_full(tmp_path: Path) -> None:
    document = _document(files=40)
    write_receipt_pdf(document, tmp_path / "receipt.pdf")
    pages = [page.extract_text() for page in pypdf.PdfReader(tmp_path / "receipt.pdf").pages]
    text = "\n".join(pages)
    assert len(pages) > 1
    for file in document["files"]:
        assert file["sha256"] in text
        assert file["name"] in text
    assert document["record"]["sha256"] in text
    assert hashlib.sha256(receipt_bytes(document)).hexdigest() in text
    assert "sha256sum -c manifest-sha256.txt" in text
    assert "Łukasz Zle Instruments U+5DE5" in text
    assert document["place"] in text.replace("\n", "")
    assert all(f"page {number}" in page for number, page in enumerate(pages, 1))
