"""Where each frame is."""

from __future__ import annotations

from collections.abc import Callable

from glassine.flows.frame_list import list_frames
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import Studio

JOB = "2611-04"


def test_all_frames_are_a_line_each(at: Callable[[str], Studio]) -> None:
    found = list_frames(at("delivered"), JOB, None)
    assert [line.split("  ")[0] for line in found["said"]] == ["0001", "0002", "0003", "0004"]
    assert "delivered" in found["said"][0]


def test_one_frame_is_told_from_the_card_to_the_client(at: Callable[[str], Studio]) -> None:
    found = list_frames(at("delivered"), JOB, [1])
    told = "\n".join(found["said"])
    for what in (
        "SIMU0001.DNG",
        "copy on",
        "with SIMU0001.JPG",
        "take out the mark",
        "accepted",
        "may leave",
        "in delivery 1",
    ):
        assert what in told
    assert found["frames"][0]["sha256"] in told


def test_what_a_frame_is_for_and_its_set_up_are_told(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    assert [line.split("  ")[4:] for line in list_frames(studio, JOB, None)["said"]] == [["bench"]] * 4
    facts = [
        {"kind": "purpose", "frame": 2, "revision": 1, "purpose": "grey_card"},
        {"kind": "purpose", "frame": 3, "revision": 1, "purpose": "test"},
        {"kind": "set_up", "frame": 4, "revision": 2, "set_up": "window", "arrangement": 3},
    ]
    OpenJob(studio, JOB, "Tove Abel").say("purpose", facts)
    lines = [line.split("  ")[4:] for line in list_frames(studio, JOB, None)["said"]]
    assert lines == [["bench"], ["bench", "grey card"], ["bench", "test"], ["window, arrangement 3"]]
    assert "  grey card" in list_frames(studio, JOB, [2])["said"]
    told = list_frames(studio, JOB, [4])["said"]
    assert "  set-up window, arrangement 3" in told
    assert not any("the camera wrote" in line for line in told)
