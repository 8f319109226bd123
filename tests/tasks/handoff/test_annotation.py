"""Notes as W3C Web Annotations."""

from __future__ import annotations

import json
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import CallError
from glassine.tasks.handoff import annotation

ELLIPSE = '<ellipse cx="50" cy="50" rx="10" ry="10"/>'

coordinates = st.integers(0, 1_000_000).map(lambda n: n / 10_000)


@st.composite
def boxes(draw: st.DrawFn) -> dict[str, Any]:
    x, y = draw(st.integers(0, 999_999)), draw(st.integers(0, 999_999))
    width, height = draw(st.integers(1, 1_000_000 - x)), draw(st.integers(1, 1_000_000 - y))
    box = {"x": x / 10_000, "y": y / 10_000, "width": width / 10_000, "height": height / 10_000}
    return {"shape": draw(st.sampled_from(["rectangle", "ellipse"])), **box}


@st.composite
def polygons(draw: st.DrawFn) -> dict[str, Any]:
    more = draw(st.lists(st.tuples(coordinates, coordinates), max_size=12))
    # Three corners that are on no line, and any others.
    return {"shape": "polygon", "points": [[10.0, 10.0], [90.0, 10.0], [50.0, 90.0], *map(list, more)]}


regions = boxes() | polygons()
names = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=annotation.NAME_LIMIT).filter(
    str.strip
)
instructions = st.text(st.characters(exclude_categories=["C"]) | st.just("\n"), min_size=1).filter(str.strip)
notes = st.fixed_dictionaries(
    {
        "id": names,
        "region": regions,
        "instruction": instructions,
        "by": names,
        "made": st.datetimes().map(lambda time: time.isoformat() + "Z"),
    }
)

paths = (
    st.lists(
        st.text(st.characters(exclude_categories=["C"], exclude_characters="/\\"), min_size=1), min_size=1, max_size=4
    )
    .filter(lambda parts: not {".", ".."} & set(parts))
    .map("/".join)
)
donors = st.fixed_dictionaries({"frame": st.integers(1, 999_999_999), "region": st.none() | regions, "path": paths})
notes_with_donors = st.builds(
    lambda note, donors: note | {"donors": donors},
    notes,
    st.lists(donors, min_size=1, max_size=annotation.DONORS_LIMIT),
)


def a_note(**changes: Any) -> dict[str, Any]:
    note = {
        "id": "n-00000000a1",
        "region": {"shape": "rectangle", "x": 10.0, "y": 20.0, "width": 30.0, "height": 40.0},
        "instruction": "Take out the stray hair.",
        "by": "p-00000000b2",
        "made": "2026-11-25T10:44:47Z",
    }
    return note | changes


@settings(deadline=None, max_examples=60)
@given(regions)
def test_region_survives_its_text(region: dict[str, Any]) -> None:
    assert annotation.parse_region(annotation.write_region(region)) == region


@settings(deadline=None, max_examples=60)
@given(notes | notes_with_donors, st.text(st.characters(exclude_categories=["C"]), min_size=1, max_size=40))
def test_note_survives_its_annotation_and_json(note: dict[str, Any], target: str) -> None:
    written = json.loads(json.dumps(annotation.to_annotation(note, target)))
    assert annotation.from_annotation(written) == note
    assert annotation.target_of(written) == target


def test_annotation_has_the_standard_s_own_form() -> None:
    # W3C Web Annotation Data Model, sections 3.1, 3.2.5, 4.2.1 (from memory)
    assert annotation.to_annotation(a_note(), "retouch/frame 0142.tif") == {
        "@context": "http://www.w3.org/ns/anno.jsonld",
        "id": "#n-00000000a1",
        "type": "Annotation",
        "motivation": "editing",
        "created": "2026-11-25T10:44:47Z",
        "creator": {"type": "Person", "nickname": "p-00000000b2"},
        "body": {"type": "TextualBody", "format": "text/plain", "value": "Take out the stray hair."},
        "target": {
            "source": "retouch/frame%200142.tif",
            "selector": {
                "type": "FragmentSelector",
                "conformsTo": "http://www.w3.org/TR/media-frags/",
                "value": "xywh=percent:10,20,30,40",
            },
        },
    }


def test_donor_is_a_second_body_in_the_standard_s_own_form() -> None:
    # W3C Web Annotation Data Model, sections 3.2.7 (several bodies), 3.3.5 and 4 (a specific resource with a purpose),
    # from memory; `linking` is "a resource related to the target" in its vocabulary.
    donors = [
        {
            "frame": 12,
            "region": {"shape": "rectangle", "x": 1.0, "y": 2.0, "width": 3.0, "height": 4.5},
            "path": "a b.tif",
        },
        {"frame": 9, "region": None, "path": "r/9.tif"},
    ]
    text, one, other = annotation.to_annotation(a_note(donors=donors), "a.tif")["body"]
    assert text == {"type": "TextualBody", "format": "text/plain", "value": "Take out the stray hair."}
    assert one == {
        "type": "SpecificResource",
        "purpose": "linking",
        "label": "frame 12",
        "source": "a%20b.tif",
        "selector": {
            "type": "FragmentSelector",
            "conformsTo": "http://www.w3.org/TR/media-frags/",
            "value": "xywh=percent:1,2,3,4.5",
        },
    }
    assert other == {"type": "SpecificResource", "purpose": "linking", "label": "frame 9", "source": "r/9.tif"}


def test_no_donors_is_the_old_form() -> None:
    assert annotation.to_annotation(a_note(donors=[]), "a.tif") == annotation.to_annotation(a_note(), "a.tif")
    assert "donors" not in annotation.normalise_note(a_note(donors=[]))


@pytest.mark.parametrize(
    "donors",
    [
        "0012",
        {"frame": 12},
        [12],
        [{"frame": 12, "region": None}],
        [{"frame": 0, "region": None, "path": "a.tif"}],
        [{"frame": True, "region": None, "path": "a.tif"}],
        [{"frame": "12", "region": None, "path": "a.tif"}],
        [{"frame": 12, "region": "all of it", "path": "a.tif"}],
        [{"frame": 12, "region": None, "path": "../a.tif"}],
        [{"frame": 12, "region": None, "path": "/a.tif"}],
        [{"frame": 12, "region": None, "path": "a\\b.tif"}],
        [{"frame": 12, "region": None, "path": "a\nb.tif"}],
        [{"frame": 12, "region": None, "path": "\ud800.tif"}],
        [{"frame": 12, "region": None, "path": ""}],
        [{"frame": 12, "region": None, "path": "a.tif", "more": 1}],
        [{"frame": 12, "region": None, "path": "a.tif"}] * 7,
    ],
)
def test_hostile_donor_is_refused(donors: Any) -> None:
    with pytest.raises(CallError) as refused:
        annotation.to_annotation(a_note(donors=donors), "a.tif")
    assert refused.value.code == "W001"
    assert len(refused.value.sentence) < 300


@pytest.mark.parametrize(
    "changes",
    [
        {"type": "TextualBody"},
        {"purpose": "commenting"},
        {"label": "frame 0"},
        {"label": "frame ١٢"},
        {"label": 12},
        {"source": None},
        {"source": "%2e%2e/a.tif"},
        {"selector": None},
        {"selector": {"type": "CssSelector", "value": "body"}},
    ],
)
def test_donor_body_that_is_not_ours_is_refused(changes: dict[str, Any]) -> None:
    donor = {"frame": 12, "region": None, "path": "a.tif"}
    written = annotation.to_annotation(a_note(donors=[donor]), "a.tif")
    written["body"][1] |= changes
    with pytest.raises(CallError):
        annotation.from_annotation(written)


@settings(deadline=None, max_examples=60)
@given(regions)
def test_bounds_hold_the_region(region: dict[str, Any]) -> None:
    left, top, right, bottom = annotation.bounds(region)
    assert 0 <= left <= right <= 100.0001
    assert 0 <= top <= bottom <= 100.0001
    if region["shape"] == "polygon":
        assert all(left <= x <= right and top <= y <= bottom for x, y in region["points"])
    else:
        assert right - left == pytest.approx(region["width"])


def test_ellipse_is_svg_that_any_reader_understands() -> None:
    region = {"shape": "ellipse", "x": 10.0, "y": 20.0, "width": 5.0, "height": 0.0001}
    selector = annotation.to_annotation(a_note(region=region), "a.tif")["target"]["selector"]
    svg = ElementTree.fromstring(selector["value"])
    assert selector["type"] == "SvgSelector"
    assert svg.get("viewBox") == "0 0 100 100"
    assert svg[0].tag == "{http://www.w3.org/2000/svg}ellipse"
    assert svg[0].attrib == {"cx": "12.5", "cy": "20.00005", "rx": "2.5", "ry": "0.00005"}


def test_time_is_written_in_utc() -> None:
    written = annotation.to_annotation(a_note(made="2026-11-25T11:44:47.250+01:00"), "a.tif")
    assert written["created"] == "2026-11-25T10:44:47.250000Z"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "xywh=10,20,30,40",  # pixels, by the standard's default: percent is wanted
        "xywh=pixel:10,20,30,40",
        "xywh=percent:10,20,30",
        "xywh=percent:10,20,30,40,50",
        "xywh=percent:10,20,95,40",  # reaches outside
        "xywh=percent:10,20,0,40",  # empty
        "xywh=percent:-1,20,30,40",
        "xywh=percent:1e1,20,30,40",
        "xywh=percent:nan,20,30,40",
        "xywh=percent:10, 20,30,40",
        "xywh=percent:١٠,20,30,40",  # digits, but not ASCII
        "xywh=percent:10,20,30,40#<script>",
        "ellipse=percent:10,20,30,9999999999999999999999",
        "polygon=percent:1,1 2,2",
        "polygon=percent:1,1 2,2 3,3",  # on one line
        "polygon=percent:1,1 2,2 3,4,5",
        "polygon=percent:" + "1,1 " * 401,
        "polygon=percent:" + "1,1 " * 100_000,
        "circle=percent:1,1,1,1",
        "javascript:alert(1)",
    ],
)
def test_hostile_region_text_is_refused(text: str) -> None:
    with pytest.raises(CallError) as refused:
        annotation.parse_region(text)
    assert refused.value.code == "W001"
    assert len(refused.value.sentence) < 300


@pytest.mark.parametrize(
    "region",
    [
        None,
        {"shape": "rectangle"},
        {"shape": ["rectangle"], "x": 1, "y": 1, "width": 1, "height": 1},
        {"shape": "rectangle", "x": "1", "y": 1, "width": 1, "height": 1},
        {"shape": "rectangle", "x": True, "y": 1, "width": 1, "height": 1},
        {"shape": "rectangle", "x": float("inf"), "y": 1, "width": 1, "height": 1},
        {"shape": "rectangle", "x": 1, "y": 1, "width": 1, "height": 1, "onload": "x"},
        {"shape": "polygon", "points": "1,1 2,2"},
        {"shape": "polygon", "points": [[1, 1], [2, 3], [4]]},
    ],
)
def test_hostile_region_is_refused(region: Any) -> None:
    with pytest.raises(CallError, match=r"[Rr]egion|polygon"):
        annotation.normalise_region(region)


@pytest.mark.parametrize(
    "inner",
    [
        "",
        '<ellipse cx="50" cy="50" rx="10" ry="10"/><ellipse cx="50" cy="50" rx="10" ry="10"/>',
        '<ellipse cx="50" cy="50" rx="10" ry="10" onclick="x()"/>',
        '<ellipse cx="50" cy="50" rx="10" ry="10"><script>x()</script></ellipse>',
        '<ellipse cx="5" cy="50" rx="10" ry="10"/>',
        '<path d="M0 0 L10 10"/>',
        '<image href="http://example.org/x.png"/>',
        '<polygon points="1,1 2,2 url(x)"/>',
        "words",
    ],
)
def test_svg_that_is_not_ours_is_refused(inner: str) -> None:
    written = annotation.to_annotation(a_note(), "a.tif")
    value = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100">{inner}</svg>'
    written["target"]["selector"] = {"type": "SvgSelector", "value": value}
    with pytest.raises(CallError) as refused:
        annotation.from_annotation(written)
    assert refused.value.code == "W001"


@pytest.mark.parametrize(
    "value",
    [
        "not xml",
        f'<!DOCTYPE svg [<!ENTITY a "b">]><svg xmlns="{annotation.SVG}" viewBox="0 0 100 100">{ELLIPSE}&a;</svg>',
        f'<svg viewBox="0 0 100 100">{ELLIPSE}</svg>',
        f'<svg xmlns="{annotation.SVG}" viewBox="0 0 6000 4000">{ELLIPSE}</svg>',
        "<svg>" * 10_000,
        "\ud800",
    ],
)
def test_hostile_svg_is_refused(value: str) -> None:
    written = annotation.to_annotation(a_note(), "a.tif")
    written["target"]["selector"] = {"type": "SvgSelector", "value": value}
    with pytest.raises(CallError, match="SVG"):
        annotation.from_annotation(written)


@pytest.mark.parametrize(
    "changes",
    [
        {"id": ""},
        {"id": "two words"},
        {"by": None},
        {"instruction": " \n"},
        {"instruction": "bell\x07"},
        {"instruction": "x" * 2001},
        {"made": "yesterday"},
        {"made": "2026-11-25T10:44:47"},  # no offset
        {"made": "2026-11-25"},
        {"more": 1},
    ],
)
def test_note_with_a_wrong_field_is_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(CallError, match="note"):
        annotation.to_annotation(a_note(**changes), "a.tif")


@pytest.mark.parametrize("key", ["type", "id", "created", "creator", "body", "target"])
@pytest.mark.parametrize("value", [None, 7, "", [], {}])
def test_annotation_with_a_wrong_part_is_refused(key: str, value: object) -> None:
    written = annotation.to_annotation(a_note(), "a.tif")
    written[key] = value
    with pytest.raises(CallError):
        annotation.from_annotation(written)
