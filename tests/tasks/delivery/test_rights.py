"""Rights in files, read back by a second program (pyexiv2), and whether a licence lets anything leave."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pyexiv2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from glassine.schemas.errors import CallError
from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.delivery.rights import IIM_BYTES, MODEL_RELEASE, embedded_metadata, may_leave

SHEET = {
    "creator": "Ilse Übermut-Überlingen of the North Shore",  # 44 bytes: more than IIM takes
    "credit_line": "Studio North Shore",
    "copyright_notice": "© 2026 Studio North Shore. All rights reserved.",
    "usage_terms": "One yearbook, print run 800; no other use.",
    "web_statement": "https://example.org/rights",
    "job": "2026-014",
    "client": "Instrument Workshop",
    "title": "The makers",
    "description": "Portraits of the makers & their benches <2026>",
    "keywords": ["violin", "brass", "Geige"],
    "instructions": "Don't crop.\nNo text on the picture.",
    "model_release": "unlimited",
}
FRAME = {"number": 142, "captured": "2026-11-25T10:44:47.12+01:00", "description": None}


@pytest.fixture(scope="module")
def exif() -> Iterator[ExifTool]:
    with ExifTool() as program:
        yield program


@pytest.mark.parametrize("ending", ["jpg", "tif"])
def test_a_second_program_reads_the_same(exif: ExifTool, tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"x.{ending}"
    Image.new("RGB", (16, 16)).save(path)
    exif.write(path, embedded_metadata(SHEET, FRAME, {"type": "JPEG", "colour_space": "sRGB"}))
    with pyexiv2.Image(str(path)) as second:
        xmp, iim, tags = second.read_xmp(), second.read_iptc(), second.read_exif()
    alternatives = {
        "Xmp.dc.rights": "copyright_notice",
        "Xmp.dc.description": "description",
        "Xmp.xmpRights.UsageTerms": "usage_terms",
    }
    for name, key in alternatives.items():
        assert xmp[name] == {'lang="x-default"': SHEET[key]}
    assert xmp["Xmp.dc.creator"] == [SHEET["creator"]]
    assert xmp["Xmp.dc.title"] == {'lang="x-default"': "2026-014_0142"}
    assert xmp["Xmp.dc.subject"] == SHEET["keywords"]
    assert xmp["Xmp.photoshop.Credit"] == SHEET["credit_line"]
    assert xmp["Xmp.photoshop.Headline"] == SHEET["title"]
    assert xmp["Xmp.photoshop.TransmissionReference"] == SHEET["job"]
    assert xmp["Xmp.photoshop.Instructions"] == SHEET["instructions"]
    assert xmp["Xmp.photoshop.DateCreated"] == "2026-11-25T10:44:47.12+01:00"
    assert xmp["Xmp.xmpRights.WebStatement"] == SHEET["web_statement"]
    assert xmp["Xmp.xmpRights.Marked"] == "True"
    assert xmp["Xmp.plus.ModelReleaseStatus"] == "http://ns.useplus.org/ldf/vocab/MR-UMR"
    assert xmp["Xmp.plus.Licensee[1]/plus:LicenseeName"] == SHEET["client"]
    assert iim["Iptc.Application2.Byline"] == ["Ilse Übermut-Überlingen of the"]  # 32 bytes
    assert iim["Iptc.Application2.Copyright"] == SHEET["copyright_notice"]
    assert iim["Iptc.Application2.TransmissionReference"] == SHEET["job"]
    assert iim["Iptc.Application2.Keywords"] == SHEET["keywords"]
    assert tags["Exif.Image.Artist"] == SHEET["creator"]
    assert tags["Exif.Image.Copyright"] == SHEET["copyright_notice"]
    assert tags["Exif.Photo.DateTimeOriginal"] == "2026:11:25 10:44:47"
    assert tags["Exif.Photo.OffsetTimeOriginal"] == "+01:00"
    assert tags["Exif.Photo.ColorSpace"] == "1"


def test_iim_and_xmp_say_that_they_are_in_step(exif: ExifTool, tmp_path: Path) -> None:
    """Metadata Working Group Guidelines 2.0: IPTCDigest equals the digest of the IIM that is there."""
    Image.new("RGB", (16, 16)).save(tmp_path / "x.jpg")
    exif.write(tmp_path / "x.jpg", embedded_metadata(SHEET, FRAME))
    row = exif.read([tmp_path / "x.jpg"], ["Photoshop:IPTCDigest", "File:CurrentIPTCDigest"])[0]
    assert row["Photoshop:IPTCDigest"] == row["File:CurrentIPTCDigest"]


def test_serial_numbers_and_places_are_taken_out(exif: ExifTool, tmp_path: Path) -> None:
    path = tmp_path / "x.jpg"
    Image.new("RGB", (16, 16)).save(path)
    with pyexiv2.Image(str(path)) as file:
        file.modify_exif({"Exif.Photo.BodySerialNumber": "0071", "Exif.GPSInfo.GPSLatitude": "48/1 0/1 0/1"})
        file.modify_xmp({"Xmp.exif.GPSLatitude": "48,0N", "Xmp.aux.SerialNumber": "0071", "Xmp.photoshop.City": "Here"})
    exif.write(path, embedded_metadata(SHEET, FRAME))
    with pyexiv2.Image(str(path)) as second:
        left = [*second.read_exif(), *second.read_xmp()]
    assert not [name for name in left if "GPS" in name or "Serial" in name or "City" in name]


def test_a_png_has_no_iim(exif: ExifTool, tmp_path: Path) -> None:
    Image.new("RGB", (16, 16)).save(tmp_path / "x.png")
    exif.write(tmp_path / "x.png", embedded_metadata(SHEET, FRAME, {"type": "PNG", "colour_space": "sRGB"}))
    with pyexiv2.Image(str(tmp_path / "x.png")) as second:
        assert second.read_iptc() == {}
        assert second.read_xmp()["Xmp.dc.creator"] == [SHEET["creator"]]


def test_what_is_unknown_is_not_written() -> None:
    tags = embedded_metadata({"creator": "A", "keywords": [], "title": ""}, {})
    written = {name for name, value in tags.items() if value is not None}
    assert written == {
        "XMP-dc:Creator",
        "IPTC:By-line",
        "IFD0:Artist",
        "ExifIFD:ColorSpace",
        "IPTC:CodedCharacterSet",
        "Photoshop:IPTCDigest",
    }


def test_without_an_offset_iim_has_no_time() -> None:
    tags = embedded_metadata({}, {"captured": "2026-11-25T10:44:47"})
    assert tags["IPTC:DateCreated"] == "2026:11:25"
    assert "IPTC:TimeCreated" not in tags
    assert tags["XMP-photoshop:DateCreated"] == "2026:11:25 10:44:47"


@given(text=st.text(min_size=1, max_size=400))
@settings(deadline=None, max_examples=100)
def test_iim_is_cut_at_a_character_and_xmp_is_whole(text: str) -> None:
    tags = embedded_metadata({"creator": text, "title": text, "keywords": [text]}, {})
    for name, limit in {"By-line": 32, "Headline": 256, "Keywords": 64}.items():
        value: Any = tags[f"IPTC:{name}"]
        cut = value[0] if isinstance(value, list) else value
        assert IIM_BYTES[name] == limit
        assert text.startswith(cut)
        assert len(cut.encode(errors="surrogatepass")) <= limit
        # One character more would be too much, or there is none.
        assert cut == text or len(text[: len(cut) + 1].encode()) > limit
    assert tags["XMP-dc:Creator"] == [text]


@pytest.mark.parametrize(("status", "code"), MODEL_RELEASE.items())
def test_plus_codes(status: str, code: str) -> None:
    tags = embedded_metadata({"model_release": status}, {})
    assert tags["XMP-plus:ModelReleaseStatus"] == code


def test_a_release_without_a_code_is_refused() -> None:
    with pytest.raises(CallError, match="not applicable"):
        embedded_metadata({"model_release": "MR-LPR"}, {})


DAYS = st.integers(0, 10).map(lambda day: date(2026, 12, 1) + timedelta(day))


@given(on=DAYS, embargo=st.none() | DAYS, first=st.none() | DAYS, last=st.none() | DAYS)
@settings(deadline=None, max_examples=100)
def test_a_licence_lets_leave_exactly_between_its_days(
    on: date, embargo: date | None, first: date | None, last: date | None
) -> None:
    limits = {"embargo_until": embargo, "from": first, "until": last}
    licence = {key: day.isoformat() for key, day in limits.items() if day}
    free = (not embargo or on >= embargo) and (not first or on >= first) and (not last or on <= last)
    assert (may_leave(licence, on=on) == []) == free


def test_the_causes_are_sentences_and_a_wrong_date_is_refused() -> None:
    licence = {"terms": "x", "embargo_until": "2026-12-03", "from": None, "until": "2026-11-01"}
    assert may_leave(licence, on=date(2026, 12, 2)) == [
        "It is under embargo until 2026-12-03; today is 2026-12-02.",
        "The licence ended on 2026-11-01; today is 2026-12-02.",
    ]
    with pytest.raises(CallError, match="YYYY-MM-DD"):
        may_leave({"until": "soon"}, on=date(2026, 12, 2))
