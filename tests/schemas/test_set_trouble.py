"""Trouble on set: what departs is told, what good frames do is not."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.exposure import Gap
from glassine.schemas.set_trouble import PEERS, gap_trouble, peers_of, picture_trouble
from glassine.schemas.stage import Frame

SETTINGS = {"f_number": 8.0, "iso": 100.0, "shutter_s": 1 / 160}


def frame(number: int, stops: float = 0.0, headroom: float | None = 1.2, sharpness: float = 0.01, **more: Any) -> Frame:
    reading = {"exposure_stops": stops, "headroom_stops": headroom, "sharpness": sharpness}
    return {
        "frame": number,
        "number": f"{number:04d}",
        "set_up": "bench",
        "arrangement": 1,
        "purpose": "picture",
        "undecodable": None,
        "block": None,
        "exposure": SETTINGS,
        "reading": reading,
        **more,
    }


GOOD = [frame(number) for number in range(1, 5)]


def kinds(one: Frame, peers: list[Frame], hidden: float | None = None) -> list[str]:
    return [trouble.kind for trouble in picture_trouble(one, peers, hidden)]


def test_a_strobe_that_did_not_fire() -> None:
    dark = frame(5, stops=-3.3, headroom=2.7)
    (trouble,) = picture_trouble(dark, GOOD)
    assert trouble.kind == "strobe"
    assert trouble.sentence == "Frame 0005 lies 3.3 stops under the others of its set-up: did the strobe fire?"
    assert kinds(dark, []) == []  # nothing to compare it with
    assert kinds(dark, GOOD[:1]) == ["strobe"]


@pytest.mark.parametrize(
    "one",
    [
        frame(5, stops=-3.3, headroom=1.3),  # a dark coat: the brightest photosites are where they were
        frame(5, stops=-1.2, headroom=2.2),
        frame(5, stops=+2.0, headroom=0.0),
        frame(5, stops=-3.0, headroom=4.0, exposure={**SETTINGS, "f_number": 22.6}),  # three stops smaller
        frame(5, stops=-3.0, headroom=4.0, exposure={**SETTINGS, "shutter_s": 1 / 1280}),  # by daylight
        frame(5, stops=-3.3, headroom=2.7, purpose="test"),
        frame(5, stops=-3.3, headroom=2.7, sharpness=0.0001, purpose="grey_card"),
    ],
)
def test_what_has_another_cause_is_no_dead_strobe(one: Frame) -> None:
    assert kinds(one, GOOD) == []


def test_focus_that_slipped_and_sharpness_that_the_pose_changes() -> None:
    (trouble,) = picture_trouble(frame(5, sharpness=0.001), GOOD)
    assert trouble.kind == "focus"
    assert trouble.sentence == "Frame 0005 has 10% of its set-up's usual sharpness: did focus slip?"
    assert kinds(frame(5, sharpness=0.004), GOOD) == []
    assert kinds(frame(5, sharpness=0.001), GOOD[:2]) == []
    assert kinds(frame(5, sharpness=0.0), [frame(number, sharpness=0.0) for number in range(1, 5)]) == []


def test_lost_highlights_and_a_file_that_does_not_decode() -> None:
    assert kinds(frame(5), GOOD, 0.02) == ["highlights"]
    assert kinds(frame(5), GOOD, 0.0005) == []
    assert kinds(frame(5, undecodable="it is cut short", reading=None), GOOD, None) == ["undecodable"]


def test_peers_are_pictures_of_the_same_lighting_before_it() -> None:
    others = [
        frame(1),
        frame(2, arrangement=2),
        frame(3, set_up="window"),
        frame(4, purpose="test"),
        frame(5, reading=None),
        frame(6, block={"blocked": True}),
        frame(8),
    ]
    assert [peer["frame"] for peer in peers_of(frame(7), others)] == [1]
    many = [frame(number) for number in range(1, 101)]
    assert [peer["frame"] for peer in peers_of(frame(101), many)] == list(range(101 - PEERS, 101))


@given(
    stops=st.floats(-6, 6),
    change=st.floats(-6, 6),
    by=st.sampled_from([("f_number", -0.5), ("iso", 1.0), ("shutter_s", 1.0)]),
)
def test_a_setting_that_explains_an_exposure_is_no_trouble(stops: float, change: float, by: tuple[str, float]) -> None:
    name, power = by
    settings = {**SETTINGS, name: SETTINGS[name] * 2 ** (change * power)}
    changed = frame(5, stops=stops + change, headroom=9.0, exposure=settings)
    assert kinds(changed, [frame(number, stops=stops) for number in range(1, 5)]) == []


def test_a_jump_in_the_counter() -> None:
    told = gap_trouble(Gap("GS-000117", 13, 14, 12, 13))
    assert told.kind == "counter"
    assert "2 exposures (0013 to 0014 of body GS-000117, between frames 0012 and 0013) did not arrive" in told.sentence
    assert "1 exposure (0013 of body" in gap_trouble(Gap("GS-000117", 13, 13, 12, 13)).sentence
