"""Advance: as far as no person is needed, and whom it waits for."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from glassine.flows.studio import Studio
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

Run = Callable[..., Document]
JOB, CLIENT = "2611-04", "Sorrel Lane Instruments"


@pytest.mark.parametrize(
    ("stage", "waits"),
    [
        ("opened", []),
        ("ingested", [("the photographer", "to choose selects")]),
        ("closed", [("the photographer", "to brief the retouch of 0001, 0003")]),
        ("handed out", [("the photographer", "to brief the retouch of 0003"), ("Noa Lind", "to return 0001, round 1")]),
        (
            "returned",
            [
                ("the photographer", "to brief the retouch of 0003"),
                ("whoever signs off", "to sign off final 'print' of 0001"),
                ("whoever signs off", "to sign off final 'colour' of 0001"),
            ],
        ),
        ("delivered", []),
    ],
)
def test_it_stops_where_a_person_decides_and_says_who(
    at: Callable[[str], Studio], run: Run, stage: str, waits: list[tuple[str, str]]
) -> None:
    outcome = run("advance", at(stage))
    assert outcome["ok"]
    assert [w["for"] for w in outcome["waits"]] == [person for person, _ in waits]
    for found, (_, what) in zip(outcome["waits"], waits, strict=True):
        assert found["what"].startswith(what)
        assert found["command"].startswith("glassine ")
        assert JOB in found["command"]
    if not waits:
        assert "Nothing is due, and nobody is waited for." in outcome["said"]


def test_from_the_card_it_goes_to_the_proofs_at_once(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("ingested")
    assert run("advance", studio)["said"][:2] == ["4 proofs made.", "Contact sheet made."]
    assert {frame["stage"] for frame in manifest_of(studio).frames} == {"proofed"}


def test_what_is_signed_off_is_delivered(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("signed")
    said = run("advance", studio)["said"]
    assert f"Delivery 1 handed over to {CLIENT}." in said
    assert f"Delivery 2 handed over to {CLIENT}." in said
    assert [bool(d["handed_over"]) for d in manifest_of(studio).document["deliveries"]] == [True, True]


def test_delivery_that_is_refused_is_told_and_the_rest_is_done(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], change_sheet: Callable[..., None]
) -> None:
    studio = at("signed")
    change_sheet(studio, licences=[])
    outcome = run("advance", studio)
    assert any(line.startswith("Not delivered: ") and "no licence" in line for line in outcome["said"])
    assert outcome["refused"]
    assert manifest_of(studio).document["deliveries"] == []
