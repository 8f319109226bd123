"""Where each frame is."""

from __future__ import annotations

from collections.abc import Callable

from glassine.flows.frame_list import list_frames
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
