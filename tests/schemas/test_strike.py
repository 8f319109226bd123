"""What speaks against striking the studio: each reason by itself, and yes exactly where there is none."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.manifest import Manifest
from glassine.schemas.strike import GAPS_SAID, Place, bodies_of, say_numbers, strike_report

Fact = dict[str, Any]
Fold = Callable[[list[Fact]], Manifest]
WORKING, BACKUP, OFF_SITE = "v-00000000000000a1", "v-00000000000000b2", "v-00000000000000c3"
PERSON = "p-00000000a1"
PLACES = (
    Place(WORKING, "working", "disk 1", "studio", is_here=True),
    Place(BACKUP, "backup", "disk 2", "studio", is_here=True),
    Place(OFF_SITE, "offsite", "disk 3", "home", is_here=False),
)


def frame_facts(number: int, *, volumes: Sequence[str] = (WORKING, BACKUP), **identified: Any) -> list[Fact]:
    sha256 = f"{number:064x}"
    path = f"originals/{number}.DNG"
    names = {"name": f"{number}.DNG", "folder": "100SIMUL", "path": path, "source": f"/card/{number}.DNG"}
    seen: Fact = dict.fromkeys(("camera", "serial", "counter", "captured", "lens", "width", "height", "orientation"))
    exposure = dict.fromkeys(("f_number", "shutter_s", "iso", "focal_length_mm"))
    said = {
        "serial": "GS-1",
        "camera": "Simulated",
        "counter": number,
        "captured": f"2026-11-25T10:{number % 60:02d}:00",
        **identified,
    }
    return [
        {"kind": "frame", "frame": number, "sha256": sha256, "size": 1000, **names},
        *({"kind": "copy", "sha256": sha256, "volume": v, "path": path, "read_from": "medium"} for v in volumes),
        {"kind": "identified", "frame": number, "type": "DNG", **seen, "exposure": exposure, **said},
        {"kind": "set_up", "frame": number, "revision": 1, "set_up": "bench"},
    ]


def card_fact(card: str, state: str, revision: int = 1) -> Fact:
    return {"kind": "card", "card": card, "revision": revision, "state": state, "camera": "body A", "person": PERSON}


def volume_facts() -> list[Fact]:
    return [
        {"kind": "volume", "volume": p.volume, "revision": 1, "name": p.name, "medium": p.medium, "site": p.site}
        for p in PLACES
    ]


@pytest.fixture
def job(fold: Fold) -> Callable[..., Manifest]:
    """A manifest of these facts, after the job and its volumes."""

    def with_volumes(*facts: Fact) -> Manifest:
        return fold([*volume_facts(), *facts])

    return with_volumes


def whats(report: dict[str, Any], part: str = "reasons") -> list[str]:
    return [found["what"] for found in report[part]]


def test_a_shoot_in_order_may_be_struck(job: Callable[..., Manifest]) -> None:
    carrier = {"kind": "carrier", "volume": OFF_SITE, "revision": 1, "person": PERSON}
    report = strike_report(job(*frame_facts(1), *frame_facts(2), card_fact("A7", "taken_in"), carrier), PLACES)
    assert (report["may_be_struck"], report["reasons"]) == (True, [])
    assert report["owed"] == [{"volume": "offsite", "is_here": False, "copies": 2, "bytes": 2000}]
    assert report["off_site"] == [
        {"volume": "offsite", "site": "home", "is_here": False, "is_portable": True, "person": PERSON}
    ]
    assert [what.partition(" (")[0] for what in whats(report, "look_at")] == [
        "2 copies",
        "2 files short of three copies, two media, one off site",
    ]


@pytest.mark.parametrize(("state", "said"), [("issued", "has not come back"), ("returned", "was not taken in")])
def test_a_card_that_is_not_taken_in_forbids(job: Callable[..., Manifest], state: str, said: str) -> None:
    report = strike_report(job(*frame_facts(1), card_fact("A7", state)), PLACES)
    (what,) = whats(report)
    assert what.startswith("Card A7")
    assert said in what
    assert "--card A7" in report["reasons"][0]["do"]


def test_nothing_taken_in_forbids(job: Callable[..., Manifest]) -> None:
    assert whats(strike_report(job(), PLACES)) == ["Nothing has been taken in"]


def test_a_copy_owed_to_a_volume_that_is_here_forbids(job: Callable[..., Manifest]) -> None:
    here = [place._replace(is_here=True) for place in PLACES]
    report = strike_report(job(*frame_facts(1)), here)
    assert whats(report) == ["1 copy (0.0 MB) is owed to volume offsite, which is here"]


def test_a_volume_that_never_saw_the_job_is_owed_everything(job: Callable[..., Manifest]) -> None:
    never = Place(None, "new", None, None, is_here=False)
    report = strike_report(job(*frame_facts(1), *frame_facts(2)), [*PLACES[:2], never])
    assert report["owed"] == [{"volume": "new", "is_here": False, "copies": 2, "bytes": 2000}]
    assert report["may_be_struck"]


def test_two_volumes_of_one_medium_are_no_second_medium(job: Callable[..., Manifest]) -> None:
    one = [PLACES[0], PLACES[1]._replace(medium="disk 1")]
    report = strike_report(job(*frame_facts(1), *frame_facts(2)), one)
    assert report["without_second_medium"] == {"frames": ["0001", "0002"], "strays": []}
    assert "studio add-volume" in report["reasons"][0]["do"]


def test_a_companion_and_a_stray_need_a_second_medium_too(job: Callable[..., Manifest]) -> None:
    files = {"size": 10, "source": "/card/x"}
    companion = {"sha256": "c" * 64, "name": "1.WAV", "path": "originals/1.WAV", **files}
    stray = {"sha256": "d" * 64, "name": "film.MOV", "path": "originals/film.MOV", "reason": "no picture", **files}
    copies = [
        {"kind": "copy", "sha256": file["sha256"], "volume": WORKING, "path": file["path"], "read_from": "medium"}
        for file in (companion, stray)
    ]
    facts = [{"kind": "companion", "frame": 1, **companion}, {"kind": "stray", **stray}, *copies]
    report = strike_report(job(*frame_facts(1), *facts), PLACES)
    assert report["without_second_medium"] == {"frames": ["0001"], "strays": ["film.MOV"]}


def test_a_picture_that_does_not_decode_forbids_until_nobody_needs_it(job: Callable[..., Manifest]) -> None:
    spoilt = {"kind": "undecodable", "frame": 2, "reason": "the file ends early"}
    facts = [*frame_facts(1), *frame_facts(2), spoilt]
    assert whats(strike_report(job(*facts), PLACES)) == ["The picture of 0002 does not decode"]
    blocked = {"kind": "block", "frame": 2, "revision": 1, "blocked": True, "reason": "taken again"}
    test = {"kind": "purpose", "frame": 2, "revision": 1, "purpose": "test"}
    for settled in (blocked, test):
        report = strike_report(job(*facts, settled), PLACES)
        assert report["may_be_struck"]
        assert "The picture of 0002 does not decode" in whats(report, "look_at")


def test_the_second_file_of_an_exposure_stands_for_the_spoilt_one(job: Callable[..., Manifest]) -> None:
    facts = [*frame_facts(1), *frame_facts(2, counter=1, captured="2026-11-25T10:01:00")]
    spoilt = {"kind": "undecodable", "frame": 2, "reason": "the file ends early"}
    report = strike_report(job(*facts, spoilt), PLACES)
    assert report["same_exposures"] == [["0001", "0002"], ["0002", "0001"]]
    assert report["may_be_struck"]


def test_frames_that_nobody_looked_at_forbid(job: Callable[..., Manifest]) -> None:
    facts = [fact for fact in frame_facts(1) if fact["kind"] != "identified"]
    assert whats(strike_report(job(*facts), PLACES)) == ["Nobody has looked yet whether 0001 can be decoded"]


def test_a_bad_copy_forbids_and_is_named(job: Callable[..., Manifest]) -> None:
    place = {"sha256": f"{1:064x}", "volume": BACKUP, "path": "originals/1.DNG", "pass": 1}
    read = {"kind": "read_back", **place, "outcome": "differs", "found": "e" * 64, "read_from": "medium"}
    report = strike_report(job(*frame_facts(1), {"kind": "fixity_pass", "pass": 1, "state": "opened"}, read), PLACES)
    assert report["bad_copies"] == [{"file": "originals/1.DNG", "volume": "backup", "outcome": "differs"}]
    assert whats(report) == ["1 copy missing or different, on backup", "0001: on no second medium"]


def test_gaps_and_clocks_are_looked_at_and_forbid_nothing(job: Callable[..., Manifest]) -> None:
    facts = [*frame_facts(1), *frame_facts(4), *frame_facts(5, serial="GS-2")]
    clock = {"kind": "clock", "serial": "GS-2", "revision": 1, "offset_s": 37, "how": "typed", "frame": None}
    report = strike_report(job(*facts, clock), PLACES)
    assert report["may_be_struck"]
    looks = whats(report, "look_at")
    assert looks[0] == "Body GS-1 counted what no frame has: 0002 to 0003 (between 0001 and 0004)"
    assert looks[1] == "Nobody has said what the clock of body GS-1 is off"
    first, second = report["bodies"]
    assert (first["first"], first["last"], first["offset_s"], second["offset_s"]) == (1, 4, None, 37)


def test_many_gaps_are_not_all_said(job: Callable[..., Manifest]) -> None:
    facts = [fact for number in range(1, 41, 2) for fact in frame_facts(number)]
    report = strike_report(job(*facts), PLACES)
    assert len(report["bodies"][0]["gaps"]) == 19
    (what,) = [what for what in whats(report, "look_at") if "counted" in what]
    assert what.count("between") == GAPS_SAID
    assert what.endswith("and 11 more gaps")


def test_a_serial_of_a_stranger_is_quoted_in_a_command(job: Callable[..., Manifest]) -> None:
    report = strike_report(job(*frame_facts(1), *frame_facts(2, serial="x; rm -r ~")), PLACES)
    assert any("'x; rm -r ~' --frame" in found["do"] for found in report["look_at"])


def test_one_body_needs_no_clock(job: Callable[..., Manifest]) -> None:
    report = strike_report(job(*frame_facts(1)), PLACES)
    assert not any("clock" in what for what in whats(report, "look_at"))


def test_bodies_over_the_roll_over_begin_with_the_first_exposure(job: Callable[..., Manifest]) -> None:
    facts = [*frame_facts(1, counter=9998), *frame_facts(2, counter=9999), *frame_facts(3, counter=1)]
    (body,) = bodies_of(job(*facts))
    assert (body["first"], body["last"], body["gaps"]) == (9998, 1, [])


def test_no_volume_off_site_is_said(job: Callable[..., Manifest]) -> None:
    report = strike_report(job(*frame_facts(1)), PLACES[:2])
    assert report["off_site"] == []
    assert "No volume is off site, and nobody is said to carry one" in whats(report, "look_at")
    server = [*PLACES[:2], Place(OFF_SITE, "cellar", "server", "home", is_here=False, is_portable=False)]
    report = strike_report(job(*frame_facts(1)), server)
    assert not any("carry" in what for what in whats(report, "look_at"))


def test_a_volume_with_an_older_record_forbids(job: Callable[..., Manifest]) -> None:
    manifest = job(*frame_facts(1))
    manifest.document["head"]["entry"] = 7
    behind = [PLACES[0], PLACES[1]._replace(entry=5), PLACES[2]._replace(entry=0)]
    assert whats(strike_report(manifest, behind)) == ["Volume backup has the record up to entry 5 of 7"]
    assert strike_report(manifest, [PLACES[0], PLACES[1]._replace(entry=7)])["may_be_struck"]


def test_a_carried_volume_of_the_same_site_is_to_get_a_site_of_its_own(job: Callable[..., Manifest]) -> None:
    carrier = {"kind": "carrier", "volume": BACKUP, "revision": 1, "person": PERSON}
    report = strike_report(job(*frame_facts(1), carrier), PLACES[:2])
    assert [found["volume"] for found in report["off_site"]] == ["backup"]
    assert "Volume backup is carried off, and is said to be at site studio" in whats(report, "look_at")[-1]


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ([], ""),
        (["0001"], "0001"),
        (["0001", "0002"], "0001, 0002"),
        (["0001", "0002", "0003", "0009"], "0001-0003, 0009"),
    ],
)
def test_runs_of_numbers_are_said_as_ranges(numbers: list[str], said: str) -> None:
    assert say_numbers(numbers) == said


STATES = st.sampled_from(["issued", "returned", "taken_in"])
FRAMES = st.lists(
    st.fixed_dictionaries(
        {
            "volumes": st.sets(st.sampled_from([WORKING, BACKUP, OFF_SITE]), min_size=1),
            "bad": st.sets(st.sampled_from([WORKING, BACKUP, OFF_SITE])),
            "spoilt": st.booleans(),
            "identified": st.booleans(),
        }
    ),
    max_size=3,
)


@given(cards=st.lists(st.lists(STATES, min_size=1, max_size=4), max_size=3), frames=FRAMES)
def test_it_may_be_struck_exactly_if_nothing_is_amiss(
    fold: Fold, cards: list[list[str]], frames: list[dict[str, Any]]
) -> None:
    facts: list[Fact] = volume_facts()
    for number, states in enumerate(cards):
        facts += [card_fact(f"A{number}", state, revision) for revision, state in enumerate(states, 1)]
    right = bool(frames) and all(states[-1] == "taken_in" for states in cards)
    facts.append({"kind": "fixity_pass", "pass": 1, "state": "opened"})
    for number, frame in enumerate(frames, 1):
        made = frame_facts(number, volumes=sorted(frame["volumes"]))
        facts += [fact for fact in made if fact["kind"] != "identified" or frame["identified"]]
        bad = frame["bad"] & frame["volumes"]
        place = {"sha256": f"{number:064x}", "path": f"originals/{number}.DNG", "pass": 1}
        lost = {"outcome": "missing", "found": None, "read_from": "medium"}
        facts += [{"kind": "read_back", **place, "volume": volume, **lost} for volume in sorted(bad)]
        if frame["spoilt"]:
            facts.append({"kind": "undecodable", "frame": number, "reason": "the file ends early"})
        # The media of the three volumes are three; working and backup are here, so each must have its copy.
        right &= not bad and not frame["spoilt"] and frame["identified"] and {WORKING, BACKUP} <= frame["volumes"]
    report = strike_report(fold(facts), PLACES)
    assert report["may_be_struck"] is right
    assert report["may_be_struck"] is not bool(report["reasons"])
