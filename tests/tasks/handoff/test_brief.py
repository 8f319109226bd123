"""Briefs as documents."""

from __future__ import annotations

from typing import Any

import pytest

from glassine.schemas.errors import DocumentError
from glassine.schemas.validation import check_document
from glassine.tasks.handoff.annotation import from_annotation
from glassine.tasks.handoff.brief import brief_document

BASE = {
    "path": "retouch/0142 round 1/0142_base.tif",
    "sha256": "ab" * 32,
    "size": 250_123_456,
    "width": 2000,
    "height": 3000,
    "bits": 16,
    "profile": "ROMM RGB",
}


def a_note(number: int, region: dict[str, Any], instruction: str) -> dict[str, Any]:
    return {
        "id": f"n-{number:010x}",
        "region": region,
        "instruction": instruction,
        "by": "p-0000000001",
        "made": "2026-11-25T10:44:47Z",
    }


NOTES = [
    a_note(1, {"shape": "ellipse", "x": 40.0, "y": 30.0, "width": 8.0, "height": 5.0}, "Soften the mark."),
    a_note(2, {"shape": "polygon", "points": [[60.0, 10.0], [64.0, 12.0], [70.0, 30.0]]}, "Stray hair: out."),
    a_note(3, {"shape": "rectangle", "x": 0.0, "y": 92.0, "width": 100.0, "height": 8.0}, "Extend the floor."),
]


def a_document(**changes: Any) -> dict[str, Any]:
    values: dict[str, Any] = {
        "job": "2611-04",
        "frame": 142,
        "round_number": 1,
        "base": BASE,
        "proof": {"path": "proofs/0142.jpg", "sha256": "cd" * 32},
        "standing": ["Skin keeps its pores.", "Clean the background evenly."],
        "notes": NOTES,
        "retoucher": "p-0000000002",
        "due": "2026-12-04",
        "grader": "p-0000000003",
    }
    return brief_document(**(values | changes))


def test_document_meets_its_schema_and_holds_the_notes() -> None:
    document = check_document(a_document(), "brief", label="brief")
    assert [from_annotation(annotation) for annotation in document["notes"]] == NOTES


def test_document_may_leave_people_open() -> None:
    open_document = a_document(retoucher=None, due=None, grader=None, proof=None, standing=[], notes=[])
    check_document(open_document, "brief", label="brief")


@pytest.mark.parametrize(
    "changes",
    [
        {"frame": 0},
        {"due": "Friday"},
        {"retoucher": "Ida"},
        {"base": BASE | {"path": "../0142.tif"}},
        {"base": BASE | {"bits": 12}},
        {"standing": [""]},
    ],
)
def test_schema_is_strict(changes: dict[str, Any]) -> None:
    with pytest.raises(DocumentError):
        check_document(a_document(**changes), "brief", label="brief")


@pytest.mark.parametrize(
    "selector",
    [
        {"type": "SvgSelector", "value": "<svg><script>x()</script></svg>"},
        {"type": "FragmentSelector", "conformsTo": "http://www.w3.org/TR/media-frags/", "value": "xywh=1,2,3,4"},
    ],
)
def test_schema_refuses_foreign_marks(selector: dict[str, str]) -> None:
    document = a_document()
    document["notes"][0]["target"]["selector"] = selector
    with pytest.raises(DocumentError):
        check_document(document, "brief", label="brief")


DONOR = {"frame": 12, "region": None, "path": "retouch/0142 round 2/0012_base.tif"}
EXTRAS = [
    BASE | {"use": "rendering", "name": "window", "frame": 142, "exposure_stops": -1.5, "path": "r/0142_window.tif"},
    BASE | {"use": "donor", "name": "0012", "frame": 12, "exposure_stops": None, "path": DONOR["path"]},
    BASE
    | {"use": "original", "name": "0142.dng", "frame": 142, "exposure_stops": None, "path": "r/0142.dng"}
    | dict.fromkeys(("width", "height", "bits", "profile")),
]
RICH: dict[str, Any] = {
    "level": {"name": "close", "instruction": "Skin, hair and cloth, at full size."},
    "extras": EXTRAS,
    "cause": {"why": "missed note", "text": "The hair on the left is still there.", "return": "ef" * 32},
    "crop": {
        "region": {"shape": "rectangle", "x": 10.0, "y": 15.0, "width": 70.0, "height": 70.0},
        "straighten_degrees": 2.5,
        "turn_degrees": 0,
    },
    "notes": [NOTES[0] | {"donors": [DONOR, DONOR | {"region": NOTES[2]["region"]}]}, *NOTES[1:]],
}


def test_rich_document_meets_its_schema() -> None:
    document = check_document(a_document(**RICH), "brief", label="brief")
    assert {name: document[name] for name in ("level", "extras", "cause", "crop")} == {
        name: RICH[name] for name in ("level", "extras", "cause", "crop")
    }
    assert [from_annotation(annotation) for annotation in document["notes"]] == RICH["notes"]


def test_what_is_not_given_is_left_out() -> None:
    assert a_document(level=None, extras=[], cause=None, crop=None) == a_document()
    assert not {"level", "extras", "cause", "crop"} & set(a_document())


@pytest.mark.parametrize(
    "changes",
    [
        {"level": {"name": "", "instruction": "All of it."}},
        {"extras": [EXTRAS[0] | {"use": "spare"}]},
        {"extras": [EXTRAS[0] | {"path": "/etc/passwd"}]},
        {"extras": [{"use": "donor"}]},
        {"cause": {"why": "whim", "text": "", "return": None}},
        {"cause": {"why": "other", "text": "x" * 2001, "return": None}},
        {"crop": RICH["crop"] | {"turn_degrees": 45}},
        {"crop": RICH["crop"] | {"region": NOTES[1]["region"]}},
    ],
)
def test_schema_is_strict_with_what_is_optional(changes: dict[str, Any]) -> None:
    with pytest.raises(DocumentError):
        check_document(a_document(**changes), "brief", label="brief")


@pytest.mark.parametrize(
    "changes",
    [{"purpose": "tagging"}, {"label": "0012"}, {"source": "a b.tif"}, {"selector": {"type": "CssSelector"}}, {"x": 1}],
)
def test_schema_refuses_foreign_donors(changes: dict[str, Any]) -> None:
    document = a_document(**RICH)
    document["notes"][0]["body"][1] |= changes
    with pytest.raises(DocumentError):
        check_document(document, "brief", label="brief")
