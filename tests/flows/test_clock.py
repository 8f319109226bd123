"""Clocks of the cameras: typed or measured, applied to the times and to no file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.cli import main
from glassine.flows.clock import find_body, list_clocks, set_clock
from glassine.flows.frame_list import list_frames
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame

JOB, SERIAL = "2611-04", "GS-000117"
MANAGER = "Tove Abel"


@pytest.fixture
def ingested(at: Callable[[str], Studio]) -> Studio:
    return at("ingested")


def test_a_typed_offset_moves_the_time_and_no_file(
    ingested: Studio, manifest_of: Callable[..., Manifest], contents: Callable[[Path], dict[str, str]]
) -> None:
    originals = ingested.job_folder(JOB) / "originals"
    before, frame = contents(originals), manifest_of(ingested).frame(2)
    assert (frame["captured"], frame["taken"]) == ("2026-11-24T14:03:37.000+01:00",) * 2
    told = set_clock(ingested, JOB, "117", add_s=37.5, by=MANAGER)
    assert told["said"][0].startswith(f"Body {SERIAL}, 4 frames: +37.5 s are added to its times (typed)")
    frame = manifest_of(ingested).frame(2)
    assert (frame["captured"], frame["taken"]) == ("2026-11-24T14:03:37.000+01:00", "2026-11-24T14:04:14.500+01:00")
    assert contents(originals) == before
    said = "\n".join(list_frames(ingested, JOB, [2])["said"])
    assert "taken 2026-11-24T14:04:14.500+01:00" in said
    assert "the camera wrote 2026-11-24T14:03:37.000+01:00" in said


@pytest.mark.parametrize(
    ("shows", "offset"),
    [
        ("2026-11-24 14:04:14", 37),
        ("2026-11-24T14:03:36.75", -0.25),
        ("2025-11-24 14:03:37", -365 * 86_400),
        ("14:04:14", 37),
        ("02:03:38", -43_199),
        ("02:03:36", 43_199),
    ],
)
def test_a_frame_that_shows_a_clock_measures_it(
    ingested: Studio, manifest_of: Callable[..., Manifest], shows: str, offset: float
) -> None:
    told = set_clock(ingested, JOB, SERIAL, frame=2, shows=shows, by=MANAGER)
    assert told["offset_s"] == offset
    known = manifest_of(ingested).document["clocks"][SERIAL]
    assert (known["offset_s"], known["how"], known["frame"], known["revision"]) == (offset, "measured", 2, 1)


def test_the_bodies_are_listed_with_their_clocks(ingested: Studio) -> None:
    assert "nobody has said" in list_clocks(ingested, JOB)["said"][0]
    set_clock(ingested, JOB, SERIAL, add_s=-37, by=MANAGER)
    found = list_clocks(ingested, JOB)
    assert "-37 s are added" in found["said"][0]
    assert [(body["serial"], body["frames"], body["offset_s"], body["how"]) for body in found["bodies"]] == [
        (SERIAL, 4, -37, "typed")
    ]


def test_saying_it_twice_changes_nothing_and_another_counts_on(
    ingested: Studio, manifest_of: Callable[..., Manifest]
) -> None:
    set_clock(ingested, JOB, SERIAL, add_s=1, by=MANAGER)
    head = manifest_of(ingested).head
    set_clock(ingested, JOB, SERIAL, add_s=1, by=MANAGER)
    assert manifest_of(ingested).head == head
    set_clock(ingested, JOB, SERIAL, add_s=2, by=MANAGER)
    assert manifest_of(ingested).document["clocks"][SERIAL]["revision"] == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({}, "Say either --add"),
        ({"add_s": 1, "frame": 2, "shows": "10:00:00"}, "Say either --add"),
        ({"frame": 2}, "Say either --add"),
        ({"add_s": 1, "shows": "10:00:00"}, "Say either --add"),
        ({"add_s": float("nan")}, "hundred years"),
        ({"add_s": 1e12}, "hundred years"),
        ({"frame": 2, "shows": "noon"}, "is no time as a clock shows it"),
        ({"frame": 2, "shows": "2026-02-30 10:00:00"}, "is no time as a clock shows it"),
        ({"frame": 2, "shows": "2026-11-24"}, "is no time as a clock shows it"),
        ({"frame": 2, "shows": "2026-11-24 10:00:00+01:00"}, "is no time as a clock shows it"),
        ({"frame": 99, "shows": "10:00:00"}, "no frame 0099"),
    ],
)
def test_wrong_words_are_refused(
    ingested: Studio, manifest_of: Callable[..., Manifest], words: dict[str, Any], said: str
) -> None:
    with pytest.raises(CallError, match=said):
        set_clock(ingested, JOB, SERIAL, **words, by=MANAGER)
    assert manifest_of(ingested).document["clocks"] == {}


def bodies(*serials: str) -> Manifest:
    manifest = Manifest()
    for number, serial in enumerate(serials, 1):
        frame: Frame = {"frame": number, "number": f"{number:04d}", "serial": serial, "camera": None}
        manifest.frames.append({**frame, "counter": None, "captured": None})
    return manifest


def test_a_body_is_found_by_what_tells_it_apart() -> None:
    manifest = bodies("GS-117", "GS-118", "GS-1")
    assert find_body(manifest, "GS-1") == "GS-1", "the whole serial goes before a part of another"
    assert find_body(manifest, "gs-118") == "GS-118"
    for named in ("GS-11", "", "X"):
        with pytest.raises(CallError, match=r"known: GS-1 \(1 frame\), GS-117"):
            find_body(manifest, named)


def test_the_command_takes_a_negative_number(ingested: Studio, manifest_of: Callable[..., Manifest]) -> None:
    common = ["--studio", str(ingested.folder), "--by", MANAGER]
    assert main(["clock", JOB, "117", "--add", "-37", *common]) == 0
    assert manifest_of(ingested).document["clocks"][SERIAL]["offset_s"] == -37
    assert main(["clock", JOB, "117", "--frame", "0002", "--shows", "14:03:38", *common]) == 0
    assert manifest_of(ingested).document["clocks"][SERIAL]["offset_s"] == 1
    assert main(["clock", JOB, *common]) == 0
    assert main(["clock", JOB, "--add", "3", *common]) == 2
