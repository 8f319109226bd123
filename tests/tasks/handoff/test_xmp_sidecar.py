"""Ratings in XMP sidecars, with Exiv2 (pyexiv2) as a second reader and writer."""

from __future__ import annotations

from pathlib import Path

import pyexiv2
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import CallError, VolumeError
from glassine.tasks.handoff import xmp_sidecar
from glassine.tasks.handoff.xmp_sidecar import read_rating, verdict_of, write_sidecar

PACKET = """<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" {attribute}>{element}</rdf:Description>
</rdf:RDF></x:xmpmeta>"""


def a_sidecar(folder: Path, *, attribute: str = "", element: str = "") -> Path:
    path = folder / "IMG_0142.xmp"
    path.write_text(PACKET.format(attribute=attribute, element=element), encoding="utf-8")
    return path


# XMP Specification Part 1 (April 2012, = ISO 16684-1), Table 5: -1, or from 0 to 5, real
@pytest.mark.parametrize(
    ("text", "rating"), [("-1", -1), ("0", 0), ("2.5", 2.5), ("5", 5), (" 3 ", 3), ("+4", 4), ("-1.0", -1)]
)
def test_rating_is_read_as_attribute_and_element(tmp_path: Path, text: str, rating: float) -> None:
    assert read_rating(a_sidecar(tmp_path, attribute=f'xmp:Rating="{text}"')) == rating
    assert read_rating(a_sidecar(tmp_path, element=f"<xmp:Rating>{text}</xmp:Rating>")) == rating


@pytest.mark.parametrize("text", ["-0.5", "5.5", "6", "-2", "", "nan", "inf", "1e0", "٣", "three", "1" * 400])
def test_rating_that_is_not_allowed_is_refused(tmp_path: Path, text: str) -> None:
    path = a_sidecar(tmp_path, attribute=f'xmp:Rating="{text}"')
    with pytest.raises(CallError) as refused:
        read_rating(path)
    assert refused.value.code == "W001"
    assert str(path) in refused.value.sentence
    assert repr(text)[:50] in refused.value.sentence


def test_no_rating_is_none(tmp_path: Path) -> None:
    assert read_rating(a_sidecar(tmp_path)) is None


def test_rating_of_something_else_is_passed_over(tmp_path: Path) -> None:
    nested = (
        '<xmp:Thing rdf:parseType="Resource"><xmp:Rating>5</xmp:Rating></xmp:Thing>'
        '<xmp:Other><rdf:Description xmp:Rating="4"/></xmp:Other>'
    )
    assert read_rating(a_sidecar(tmp_path, element=nested)) is None


def test_two_ratings_are_refused(tmp_path: Path) -> None:
    path = a_sidecar(tmp_path, attribute='xmp:Rating="1"', element="<xmp:Rating>2</xmp:Rating>")
    with pytest.raises(CallError, match="several ratings"):
        read_rating(path)


@pytest.mark.parametrize(
    ("rating", "verdict"),
    [(None, None), (-1, "out"), (0, None), (0.5, None), (1, "select"), (2.5, "select"), (5, "select")],
)
def test_verdict_of_a_rating(rating: float | None, verdict: str | None) -> None:
    assert verdict_of(rating) == verdict


def test_verdict_by_a_threshold() -> None:
    assert [verdict_of(rating, 3) for rating in (-1, 0, 2.5, 3, 5)] == ["out", None, None, "select", "select"]
    # 0 is unrated by the specification, whatever the threshold.
    assert verdict_of(0, 0) is None


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_encodings_of_xmp_are_read(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "a.xmp"
    path.write_bytes(PACKET.format(attribute='xmp:Rating="2"', element="").encode(encoding))
    assert read_rating(path) == 2


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"rating: 5",
        b"\xff\xd8\xff\xe0 a JPEG",
        b'<?xml version="1.0" encoding="klingon"?><a/>',
        b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>',
        b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>',
        b'<!DOCTYPE a SYSTEM "http://example.org/a.dtd"><a/>',
        b'<!DOCTYPE a [<!ENTITY x "x"><!ENTITY y "&x;&x;&x;&x;&x;&x;&x;&x;">]><a>&y;</a>',
        b"<a><b></a>",
    ],
)
def test_hostile_file_is_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.xmp"
    path.write_bytes(data)
    with pytest.raises(CallError, match="no XMP sidecar"):
        read_rating(path)


def test_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "a.xmp"
    with path.open("wb") as file:
        file.truncate(100 * 2**20)  # sparse where the file system can
    with pytest.raises(CallError, match="larger than 16 MB"):
        read_rating(path)


def test_missing_file_is_of_the_world(tmp_path: Path) -> None:
    with pytest.raises(VolumeError) as missing:
        read_rating(tmp_path / "none.xmp")
    assert missing.value.code == "V004"


def test_exiv2_reads_what_is_written(tmp_path: Path) -> None:
    path = tmp_path / "handoff" / "IMG_0142.xmp"
    write_sidecar(
        path,
        rating=5,
        label='Hero & "first"',
        title="Zither <neck>, frame 0142",
        creator=["Ida Łęcka", "Jon Vael"],
        job="2611-04",
    )
    with pyexiv2.Image(str(path)) as image:
        found = image.read_xmp()
    assert found == {
        "Xmp.xmp.Rating": "5",
        "Xmp.xmp.Label": 'Hero & "first"',
        "Xmp.dc.title": {'lang="x-default"': "Zither <neck>, frame 0142"},
        "Xmp.dc.creator": ["Ida Łęcka", "Jon Vael"],
        "Xmp.photoshop.TransmissionReference": "2611-04",
    }
    assert read_rating(path) == 5


@pytest.mark.parametrize("rating", ["-1", "0", "3"])
def test_what_exiv2_writes_is_read(tmp_path: Path, rating: str) -> None:
    path = tmp_path / "IMG_0142.xmp"
    write_sidecar(path, rating=1, title="Frame 0142")
    with pyexiv2.Image(str(path)) as image:
        image.modify_xmp({"Xmp.xmp.Rating": rating})
    assert read_rating(path) == float(rating)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rating=st.sampled_from([-1, 0, 1, 2, 3, 4, 5]),
    label=st.none() | st.text(),
    title=st.none() | st.text(),
    creator=st.lists(st.text(), max_size=3),
)
def test_any_text_is_written_whole_or_refused(
    tmp_path: Path, rating: int, label: str | None, title: str | None, creator: list[str]
) -> None:
    path = tmp_path / "a.xmp"
    path.unlink(missing_ok=True)
    try:
        write_sidecar(path, rating=rating, label=label, title=title, creator=creator)
    except CallError as error:
        assert "XML cannot hold" in error.sentence
        assert list(tmp_path.iterdir()) == []
        return
    first = path.read_bytes()
    write_sidecar(path, rating=rating, label=label, title=title, creator=creator)
    assert path.read_bytes() == first
    assert read_rating(path) == rating
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("rating", [-2, 6, True])
def test_rating_that_is_not_allowed_is_not_written(tmp_path: Path, rating: int) -> None:
    with pytest.raises(CallError, match="-1 or from 0 to 5"):
        write_sidecar(tmp_path / "a.xmp", rating=rating)
    assert list(tmp_path.iterdir()) == []


def test_refused_size_is_the_one_documented() -> None:
    assert xmp_sidecar.SIZE_LIMIT == 16 * 2**20
