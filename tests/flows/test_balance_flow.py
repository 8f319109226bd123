"""Balance: a set-up locked to its grey card or a frame, exposures matched, and what is due again after it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from glassine.flows.balance import list_balances, match_exposure, set_balance
from glassine.flows.cli import main
from glassine.flows.frame_list import list_frames
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.simulated_camera import CaptureData, take_frame
from glassine.tasks.imaging.tiff_picture import read_picture

Run = Callable[..., Document]
JOB = "2611-04"
PHOTOGRAPHER = "Imre Falk"
GREY_CARD = 5
WARM = np.array([1.15, 1.0, 0.8], np.float32)


@pytest.fixture
def with_card(at: Callable[[str], Studio], run: Run, tmp_path: Path) -> Studio:
    """The proofed job, and a fifth frame of the same set-up: a grey card in warm light, its reflectance 18 %."""
    studio = at("proofed")
    light = np.broadcast_to(0.12 * WARM, (120, 160, 3)).astype(np.float32)
    place = tmp_path / "more" / "DCIM" / "101SIMUL"
    place.mkdir(parents=True)
    taken = datetime(2026, 11, 24, 13, 10, tzinfo=UTC)
    take_frame(place / "SIMU0005.DNG", light, CaptureData(counter=5, taken=taken), seed=5)
    run("ingest", studio, sources=[str(tmp_path / "more")], set_up="bench")
    run("proof", studio)
    return studio


def middle(path: Path) -> FloatImage:
    picture: FloatImage = read_picture(path)[0]
    height, width = picture.shape[:2]
    patch: FloatImage = picture[height * 2 // 5 : height * 3 // 5, width * 2 // 5 : width * 3 // 5].mean(axis=(0, 1))
    return patch


def test_a_set_up_is_locked_to_its_grey_card_and_its_pictures_are_due_again(
    with_card: Studio, run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    before = {frame["frame"]: frame["proof"]["path"] for frame in manifest_of(with_card).frames}
    told = set_balance(with_card, JOB, "bench", card=GREY_CARD, expose=True, by=PHOTOGRAPHER)
    assert "white balance of the grey card in 0005" in told["said"][0]
    assert "5 frames get it." in "\n".join(told["said"])
    (balance,) = manifest_of(with_card).document["balances"]
    assert (balance["how"], balance["frame"], balance["revision"]) == ("grey card", GREY_CARD, 1)
    assert all(frame["proof"] is None for frame in manifest_of(with_card).frames)
    assert run("proof", with_card)["made"] == ["0001", "0002", "0003", "0004", "0005"]
    for frame in manifest_of(with_card).frames:
        assert frame["balance"] == {name: balance[name] for name in ("multipliers", "stops")}
        assert frame["proof"]["path"] != before[frame["frame"]]
        assert (with_card.job_folder(JOB) / before[frame["frame"]]).exists()
        assert (with_card.job_folder(JOB) / frame["proof"]["path"]).exists()
        assert frame["reading"]["method"]
    assert run("proof", with_card)["made"] == []
    assert any("rendered with white balance" in line for line in list_frames(with_card, JOB, [2])["said"])


def test_the_card_is_neutral_and_at_its_exposure_in_the_base_file(
    with_card: Studio, run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    def base_of(round_name: str) -> Path:
        run("selects_round.mark", with_card, round_name=round_name, listed="0005", by=PHOTOGRAPHER)
        run("selects_round.close", with_card, round_name=round_name, by=PHOTOGRAPHER)
        run("proof", with_card)
        run(
            "retouch.brief",
            with_card,
            frame=GREY_CARD,
            notes=["xywh=percent:10,10,10,10 | a mark"],
            grader=PHOTOGRAPHER,
        )
        brief = manifest_of(with_card).frame(GREY_CARD)["rounds"][0]["brief"]
        assert brief["balance"] == manifest_of(with_card).frame(GREY_CARD)["balance"]
        return Path(with_card.job_folder(JOB), brief["base"]["path"])

    set_balance(with_card, JOB, "bench", card=GREY_CARD, expose=True, by=PHOTOGRAPHER)
    patch = middle(base_of("edit"))
    # ISO 12232: a grey of 18 % lies half a stop under 18 % of saturation.
    assert patch == pytest.approx([0.18 / 2**0.5] * 3, rel=0.01)


def test_a_set_up_is_locked_to_the_white_balance_of_one_frame(
    with_card: Studio, manifest_of: Callable[..., Manifest]
) -> None:
    told = set_balance(with_card, JOB, "bench", like=2, by=PHOTOGRAPHER)
    assert "white balance of frame 0002" in told["said"][0]
    red, green, blue = manifest_of(with_card).frame(3)["balance"]["multipliers"]
    assert green == 1
    assert red > 1
    assert blue > 1
    again = set_balance(with_card, JOB, "bench", like=2, by=PHOTOGRAPHER)
    assert "It was so already." in again["said"]
    assert manifest_of(with_card).document["balances"][0]["revision"] == 1
    back = set_balance(with_card, JOB, "bench", as_shot=True, by=PHOTOGRAPHER)
    assert "5 frames get it." in "\n".join(back["said"])
    assert all(frame["balance"] is None and frame["proof"] for frame in manifest_of(with_card).frames)


def test_an_arrangement_may_have_its_own(with_card: Studio, run: Run, manifest_of: Callable[..., Manifest]) -> None:
    from glassine.flows.job_sheet import assign_set_up

    assign_set_up(with_card, JOB, "bench", [4], PHOTOGRAPHER, arrangement=2)
    set_balance(with_card, JOB, "bench", multipliers="2.05 1 1.48", by=PHOTOGRAPHER)
    set_balance(with_card, JOB, "bench", multipliers="1.5, 1, 2.5", stops=0.5, arrangement=2, by=PHOTOGRAPHER)
    found = {frame["frame"]: frame["balance"] for frame in manifest_of(with_card).frames}
    assert found[4] == {"multipliers": [1.5, 1, 2.5], "stops": 0.5}
    assert found[1] == {"multipliers": [2.05, 1, 1.48], "stops": 0}
    assert len(list_balances(with_card, JOB)["balances"]) == 2
    assert list_balances(with_card, JOB, "window")["balances"] == []


def test_exposures_are_matched_by_their_readings(
    with_card: Studio, run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    frames = {frame["frame"]: frame["reading"]["exposure_stops"] for frame in manifest_of(with_card).frames}
    told = match_exposure(with_card, JOB, [1, 3, 4], to=2, by=PHOTOGRAPHER)
    for number in (1, 3, 4):
        frame = manifest_of(with_card).frame(number)
        assert frame["balance"]["stops"] == pytest.approx(frames[2] - frames[number], abs=1e-4)
        assert told["stops"][frame["number"]] == frame["balance"]["stops"]
    run("proof", with_card)
    match_exposure(with_card, JOB, [1], stops=-0.5, by=PHOTOGRAPHER)
    assert manifest_of(with_card).frame(1)["balance"] == {"multipliers": None, "stops": -0.5}
    match_exposure(with_card, JOB, [1], as_shot=True, by=PHOTOGRAPHER)
    assert manifest_of(with_card).frame(1)["balance"] is None
    assert manifest_of(with_card).frame(1)["proof"] is not None, "the first proof is as good as ever"


def test_a_frame_that_was_lit_differently_is_left_and_told_of(
    with_card: Studio, run: Run, tmp_path: Path, manifest_of: Callable[..., Manifest]
) -> None:
    place = tmp_path / "dark" / "DCIM" / "102SIMUL"
    place.mkdir(parents=True)
    light = np.full((120, 160, 3), 0.01, np.float32)
    light[:, 60:] *= 1.5
    taken = datetime(2026, 11, 24, 13, 20, tzinfo=UTC)
    take_frame(place / "SIMU0006.DNG", light, CaptureData(counter=6, taken=taken), seed=6)
    run("ingest", with_card, sources=[str(tmp_path / "dark")], set_up="bench")
    run("proof", with_card)
    told = match_exposure(with_card, JOB, [3, 6], to=GREY_CARD, by=PHOTOGRAPHER)
    assert any("Frame 0006 is left" in line and "lit differently" in line for line in told["said"])
    assert manifest_of(with_card).frame(6)["balance"] is None


def test_a_match_counts_what_the_set_up_gives_to_each(with_card: Studio, manifest_of: Callable[..., Manifest]) -> None:
    from glassine.flows.job_sheet import assign_set_up

    assign_set_up(with_card, JOB, "bench", [3], PHOTOGRAPHER, arrangement=2)
    set_balance(with_card, JOB, "bench", stops=0.25, by=PHOTOGRAPHER)
    set_balance(with_card, JOB, "bench", stops=0.5, arrangement=2, by=PHOTOGRAPHER)
    match_exposure(with_card, JOB, [2, 3], to=2, by=PHOTOGRAPHER)
    frames = [manifest_of(with_card).frame(number) for number in (2, 3)]
    shown = [frame["reading"]["exposure_stops"] + frame["balance"]["stops"] for frame in frames]
    assert shown[0] == pytest.approx(shown[1], abs=1e-4)
    assert frames[0]["exposure_match"] is None, "what others are matched to is as it was"


def test_exposure_and_white_balance_are_said_one_without_the_other(
    with_card: Studio, manifest_of: Callable[..., Manifest]
) -> None:
    set_balance(with_card, JOB, "bench", card=GREY_CARD, expose=True, by=PHOTOGRAPHER)
    (card,) = manifest_of(with_card).document["balances"]
    set_balance(with_card, JOB, "bench", stops=0.3, by=PHOTOGRAPHER)
    (brighter,) = manifest_of(with_card).document["balances"]
    assert brighter == {**card, "revision": 2, "stops": 0.3, "at": brighter["at"]}
    set_balance(with_card, JOB, "bench", like=2, by=PHOTOGRAPHER)
    (locked,) = manifest_of(with_card).document["balances"]
    assert (locked["how"], locked["stops"]) == ("of a frame", 0.3)
    set_balance(with_card, JOB, "bench", as_shot=True, by=PHOTOGRAPHER)
    (back,) = manifest_of(with_card).document["balances"]
    assert (back["multipliers"], back["stops"], back["frame"]) == (None, 0, None)


@pytest.mark.parametrize("set_up_first", [True, False])
def test_stops_that_add_up_to_too_much_are_refused_before_they_are_said(
    with_card: Studio, manifest_of: Callable[..., Manifest], run: Run, set_up_first: bool
) -> None:
    def expose() -> Document:
        return set_balance(with_card, JOB, "bench", stops=4, by=PHOTOGRAPHER)

    def match() -> Document:
        return match_exposure(with_card, JOB, [2], stops=4, by=PHOTOGRAPHER)

    first, second = (expose, match) if set_up_first else (match, expose)
    first()
    before = manifest_of(with_card).head
    with pytest.raises(CallError, match=r"Frame 0002 would be moved by \+8 stops in all"):
        second()
    assert manifest_of(with_card).head == before
    assert run("proof", with_card)["status"] == 0


def test_a_frame_that_moves_into_a_balanced_set_up_is_told_of_and_stops_nothing(
    with_card: Studio, manifest_of: Callable[..., Manifest], run: Run
) -> None:
    from glassine.flows.job_sheet import assign_set_up

    set_balance(with_card, JOB, "bench", stops=4, by=PHOTOGRAPHER)
    assign_set_up(with_card, JOB, "window", [2], PHOTOGRAPHER)
    match_exposure(with_card, JOB, [2], stops=4, by=PHOTOGRAPHER)
    told = assign_set_up(with_card, JOB, "bench", [2], PHOTOGRAPHER)
    assert "Their balance is that of this set-up now (`glassine job balance`)." in told["said"]
    assert manifest_of(with_card).frame(2)["balance"]["stops"] == 5
    assert run("proof", with_card)["status"] == 0
    match_exposure(with_card, JOB, [2], as_shot=True, by=PHOTOGRAPHER)
    assert manifest_of(with_card).frame(2)["balance"]["stops"] == 4


def test_a_brief_that_nobody_has_follows_its_balance_and_later_rounds_keep_theirs(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    def brief_of(number: int, **words: Any) -> Document:
        run("retouch.brief", studio, frame=number, grader=PHOTOGRAPHER, **words)
        found: Document = manifest_of(studio).frame(number)["rounds"][-1]["brief"]
        return found

    studio = at("returned")
    note = ["xywh=percent:10,10,10,10 | a mark | from 0002"]
    first = brief_of(3, notes=note)
    match_exposure(studio, JOB, [3], stops=-0.5, by=PHOTOGRAPHER)
    run("proof", studio)
    again = brief_of(3, notes=note)
    matched = {"multipliers": None, "stops": -0.5}
    assert again["balance"] == matched
    assert again["base"]["sha256"] != first["base"]["sha256"]
    assert brief_of(3, notes=note) == again, "the same again is no news"
    match_exposure(studio, JOB, [1], stops=-0.5, by=PHOTOGRAPHER)
    run("proof", studio)
    second = brief_of(1, notes=note, renderings=["shadows=+1"])
    assert "balance" not in second, "it goes on from what came back, whose base was as shot"
    rendering = next(extra for extra in second["extras"] if extra["use"] == "rendering")
    folder = studio.job_folder(JOB)
    plain = middle(folder / manifest_of(studio).frame(1)["rounds"][0]["brief"]["base"]["path"])
    assert middle(folder / rendering["path"]) == pytest.approx(2 * plain, rel=0.02)


def test_a_final_of_the_original_follows_its_balance_and_one_of_a_return_does_not(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("signed")
    told = match_exposure(studio, JOB, [1, 3], stops=0.5, by=PHOTOGRAPHER)
    assert any("With a retoucher, or back: 0001" in line for line in told["said"])
    assert "The finals of 0003 are due again, and are to be signed off again." in told["said"]
    assert [final["stale"] for final in manifest_of(studio).frame(1)["finals"]] == [False, False]
    assert [final["stale"] for final in manifest_of(studio).frame(3)["finals"]] == [True, True]
    before = {final["sha256"] for final in manifest_of(studio).frame(3)["finals"]}
    run("grade", studio, unretouched=[3])
    current = [final for final in manifest_of(studio).frame(3)["finals"] if not final["stale"]]
    assert {final["final"] for final in current} == {"print", "colour"}
    assert all(final["balance"] == {"multipliers": None, "stops": 0.5} for final in current)
    assert not {final["sha256"] for final in current} & before
    assert not any(final["signed_off"] for final in current)


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ({}, "Say one way"),
        ({"card": GREY_CARD, "like": 2}, "Say one way"),
        ({"as_shot": True, "stops": 0.5}, "Say one way"),
        ({"like": 2, "region": "xywh=percent:1,1,2,2"}, "about a grey card"),
        ({"card": GREY_CARD, "expose": True, "stops": 1}, "Say the exposure once"),
        ({"multipliers": "2 1"}, "is not three multipliers"),
        ({"multipliers": "200 1 1"}, "three multipliers"),
        ({"stops": 9}, "moved by"),
        ({"card": 1}, "Frame 0001: The patch in .* is uneven"),
        ({"card": 99}, "has no frame 0099"),
        ({"stops": 1, "arrangement": 0}, "counts from 1"),
        ({"stops": 1, "arrangement": 7}, "No frame belongs to arrangement 7 of set-up bench"),
        ({"multipliers": "2 1 1.5", "camera": "nobody's"}, "multipliers mean something for one model"),
    ],
)
def test_what_is_no_balance_is_refused_and_nothing_is_said(
    with_card: Studio, manifest_of: Callable[..., Manifest], said: dict[str, Any], sentence: str
) -> None:
    before = manifest_of(with_card).head
    with pytest.raises(CallError, match=sentence):
        set_balance(with_card, JOB, "bench", **said, by=PHOTOGRAPHER)
    with pytest.raises(CallError, match="no set-up"):
        set_balance(with_card, JOB, "attic", stops=1, by=PHOTOGRAPHER)
    with pytest.raises(CallError, match="belongs to set-up bench, not to window"):
        set_balance(with_card, JOB, "window", card=GREY_CARD, by=PHOTOGRAPHER)
    with pytest.raises(CallError, match="No frame belongs to set-up window"):
        set_balance(with_card, JOB, "window", stops=1, by=PHOTOGRAPHER)
    assert manifest_of(with_card).head == before


def test_a_card_that_nobody_uses_is_told_of(with_card: Studio, capsys: pytest.CaptureFixture[str]) -> None:
    from glassine.flows.on_set import assign_purpose

    assert list_balances(with_card, JOB)["said"] == ["Every frame is as shot."]
    assign_purpose(with_card, JOB, "grey_card", [GREY_CARD], PHOTOGRAPHER)
    assert "glassine job balance 2611-04 bench --card 0005" in list_balances(with_card, JOB)["said"][0]
    words = ["--studio", str(with_card.folder)]
    assert main(["job", "balance", JOB, "bench", "--card", "0005", *words]) == 0
    assert main(["job", "match", JOB, "0001", "--to", "0002", *words]) == 0
    assert main(["job", "balance", JOB, *words]) == 0
    out = capsys.readouterr().out
    assert "white balance of the grey card in 0005" in out
    assert "Frame 0001:" in out
    assert main(["job", "balance", JOB, "--card", "0005", *words]) == 2
