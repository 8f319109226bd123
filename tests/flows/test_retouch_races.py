"""What two people at once, or second thoughts, must not do: let a wrong version leave, forget a note, stop a job."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from glassine.flows import grade
from glassine.flows.crop import set_crop
from glassine.flows.job_sheet import set_block
from glassine.flows.retouch_list import list_retouches
from glassine.flows.retouch_notes import confirm, withdraw
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, DeliveryRefusedError
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, current_round, round_state
from glassine.schemas.validation import Document
from glassine.tasks.imaging.tiff_picture import read_picture, write_picture

Run = Callable[..., Document]
JOB, PHOTOGRAPHER, RETOUCHER, CLIENT = "2611-04", "Imre Falk", "Noa Lind", "Sorrel Lane Instruments"
HAIR = "xywh=percent:70,60,10,10 | take out the stray hair"
MARK = "xywh=percent:25,25,30,30 | take out the mark"
CHANGE = {"accepted": False, "why": "client's change", "text": "softer"}


def bring_back(studio: Studio, run: Run, frame: Frame, percents: Sequence[int], out: Path) -> Document:
    """A return of the newest round, with one square of the base made lighter."""
    folder = studio.job_folder(JOB)
    picture, info = read_picture(folder / frame["rounds"][-1]["brief"]["base"]["path"])
    height, width = picture.shape[:2]
    x, y, w, h = percents
    area = slice(height * y // 100, height * (y + h) // 100), slice(width * x // 100, width * (x + w) // 100)
    picture[area] = np.minimum(picture[area] + np.float32(0.2), 1)
    write_picture(out, picture, info.profile)
    return run("retouch_return.take_back", studio, frame=1, file=str(out))


def deliveries(manifest: Manifest) -> int:
    return len(manifest.document["deliveries"])


def test_an_older_final_does_not_leave_while_a_newer_round_is_under_way(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("signed")
    run("retouch.brief", studio, frame=1, notes=[HAIR])
    run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER, due="2020-01-01")
    run("advance", studio)
    assert deliveries(manifest_of(studio)) == 0
    with pytest.raises(DeliveryRefusedError) as refused:
        run("deliver", studio, client=CLIENT)
    assert any("older round than round 2" in cause for cause in refused.value.details)
    (row,) = [row for row in list_retouches(studio, JOB, None)["retouches"] if row["round"] == 2]
    assert row["late"]
    assert manifest_of(studio).frame(1)["stage"] == "handed out"
    with pytest.raises(CallError, match="needs a reason"):
        run("retouch.call_off", studio, frame=1, reason=" ")
    said = run("retouch.call_off", studio, frame=1, reason="the client changed their mind back")["said"]
    assert any(f"It was with {RETOUCHER}" in line for line in said)
    run("advance", studio)
    assert deliveries(manifest_of(studio)) == 2
    run("retouch_return.review", studio, frame=1, **CHANGE)
    retouch = current_round(manifest_of(studio).frame(1))
    assert retouch is not None
    assert retouch["brief"]["cause"]["why"] == "client's change", "a round that was called off stands in no way"


def test_after_a_rejection_the_round_before_does_not_leave_by_itself(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], tmp_path: Path
) -> None:
    studio = at("signed")
    run("retouch.brief", studio, frame=1, notes=[HAIR])
    run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)
    bring_back(studio, run, manifest_of(studio).frame(1), (70, 60, 10, 10), tmp_path / "two.tif")
    run("retouch_return.review", studio, frame=1, **CHANGE)
    run("advance", studio)
    assert deliveries(manifest_of(studio)) == 0, "round 1 was signed off once, and is not what is wanted any more"


def test_a_final_is_of_the_round_it_names_whatever_comes_back_meanwhile(
    at: Callable[[str], Studio],
    run: Run,
    manifest_of: Callable[..., Manifest],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    studio = at("returned")
    render = grade._render_batch
    come: list[bool] = []

    def while_round_two_comes_back(*given: object, **named: object) -> object:
        if not come:
            come.append(True)
            run("retouch.brief", studio, frame=1, notes=[HAIR])
            run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)
            bring_back(studio, run, manifest_of(studio).frame(1), (70, 60, 10, 10), tmp_path / "two.tif")
        return render(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(grade, "_render_batch", while_round_two_comes_back)
    run("grade", studio)
    frame = manifest_of(studio).frame(1)
    first, second = (retouch["take_backs"][0]["sha256"] for retouch in frame["rounds"])
    for final in frame["finals"]:
        assert final["sources"][-1] == {1: first, 2: second}[final["round"]]
        assert final["stale"] is (final["round"] == 1)


def test_what_changed_while_it_was_looked_at_is_not_signed_off(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], monkeypatch: pytest.MonkeyPatch
) -> None:
    studio = at("graded")
    look = grade.final_path
    words = {"straighten_degrees": 0.0, "turn_degrees": 0, "specification": None, "full": False, "by": None}

    def while_it_is_cropped(*given: object) -> object:
        set_crop(studio, JOB, [1], "xywh=percent:10,10,50,50", **words)  # type: ignore[arg-type]
        return look(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(grade, "final_path", while_it_is_cropped)
    with pytest.raises(CallError, match="changed while it was signed off"):
        run("grade.sign_off", studio, frames=[1], by=PHOTOGRAPHER)
    assert not any(final["signed_off"] for final in manifest_of(studio).frame(1)["finals"])


def test_a_note_that_no_brief_asks_is_waited_for_and_not_handed_out_past(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("closed")
    words = {"round_name": "second look", "by": PHOTOGRAPHER}
    run(
        "selects_round.mark",
        studio,
        listed="0001",
        remark="collar",
        region="xywh=percent:1,1,9,9",
        fixable=True,
        **words,
    )
    run("selects_round.close", studio, **words)
    run("retouch.brief", studio, frame=1, notes=[MARK])
    (draft,) = manifest_of(studio).frame(1)["drafts"]
    confirm(studio, JOB, 1, draft["note"], by=PHOTOGRAPHER)
    waits = run("advance", studio)["waits"]
    assert any("to brief 1 note of 0001 that no round has asked" in wait["what"] for wait in waits)
    with pytest.raises(CallError, match="notes of frame 0001 changed since round 1 was briefed"):
        run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)
    run("retouch.brief", studio, frame=1, notes=[])
    run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)
    retouch = current_round(manifest_of(studio).frame(1))
    assert retouch is not None
    assert len(retouch["brief"]["notes"]) == 2


def test_what_is_withdrawn_is_not_sent(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("closed")
    run("retouch.brief", studio, frame=1, notes=[MARK, f"{HAIR} | from 0003"])
    set_block(studio, JOB, [3], "the sitter refused", blocked=True, by=None)
    with pytest.raises(CallError, match="0003 is blocked"):
        run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)
    hair = next(note["note"] for note in manifest_of(studio).frame(1)["notes"] if note["donors"])
    withdraw(studio, JOB, 1, [hair], "without that frame", by=None)
    with pytest.raises(CallError, match="notes of frame 0001 changed"):
        run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)
    run("retouch.brief", studio, frame=1, notes=[])
    folder = Path(run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)["folders"][0])
    assert hair not in (folder / "brief.json").read_text("utf-8")
    assert not list(folder.glob("*donor*"))


def test_a_second_rejection_has_its_own_cause(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("returned")
    run("retouch_return.review", studio, frame=1, accepted=False, why="unasked change", text="the wall")
    run("retouch_return.review", studio, frame=1, accepted=True)
    run("retouch_return.review", studio, frame=1, notes=[HAIR], **CHANGE)
    retouch = current_round(manifest_of(studio).frame(1))
    assert retouch is not None
    assert (retouch["brief"]["cause"]["why"], len(retouch["brief"]["notes"])) == ("client's change", 1)
    assert retouch["brief"]["base_round"] == 1


def test_one_frame_that_cannot_go_on_stops_no_other(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], tmp_path: Path
) -> None:
    studio = at("closed")
    run("retouch.brief", studio, frame=1, notes=[MARK, f"{HAIR} | from 0002"])
    run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)
    set_block(studio, JOB, [2], "the sitter refused", blocked=True, by=None)
    outcome = bring_back(studio, run, manifest_of(studio).frame(1), (25, 25, 30, 30), tmp_path / "one.tif")
    assert "refused" in outcome["said"][0]
    assert any("0002 is blocked" in problem for problem in outcome["problems"])
    run("grade", studio, unretouched=[3])
    outcome = run("advance", studio)
    assert any("0002 is blocked" in problem for problem in outcome["problems"])
    assert round_state(manifest_of(studio).frame(1)["rounds"][0]) == "refused"
    hair = next(note["note"] for note in manifest_of(studio).frame(1)["notes"] if note["donors"])
    withdraw(studio, JOB, 1, [hair], "without that frame", by=None)
    assert run("advance", studio)["problems"] == []
    assert len(manifest_of(studio).frame(1)["rounds"]) == 2


@pytest.mark.parametrize("renderings", [["base=+1.5"], ["a/b=1", "a:b=2"], ["shadows=1", "Shadows=2"]])
def test_renderings_never_take_the_place_of_another_file(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], renderings: list[str]
) -> None:
    studio = at("closed")
    if len(renderings) > 1:
        with pytest.raises(CallError, match="Two renderings have one name"):
            run("retouch.brief", studio, frame=1, notes=[MARK], renderings=renderings)
        return
    run("retouch.brief", studio, frame=1, notes=[MARK], renderings=renderings)
    told = manifest_of(studio).frame(1)["rounds"][0]["brief"]
    assert told["extras"][0]["path"] != told["base"]["path"]
    assert run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)["ok"]


@pytest.mark.parametrize("hours", [-3.0, float("nan"), 1e9])
def test_hours_that_cannot_be_are_one_sentence(at: Callable[[str], Studio], run: Run, hours: float) -> None:
    with pytest.raises(CallError, match="--hours is a number from 0 to 1000"):
        run("retouch_return.take_back", at("handed out"), frame=1, file=__file__, hours=hours)


def test_pictures_of_a_blocked_frame_are_not_left_ready_to_be_sent(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("handed out")
    told = manifest_of(studio).frame(1)["rounds"][0]["brief"]["path"]
    folder = studio.job_folder(JOB) / told / "hand-out-1"
    set_block(studio, JOB, [1], "the sitter refused", blocked=True, by=None)
    assert {path.name for path in folder.iterdir()} == {"brief.json", "brief.pdf"}
    set_block(studio, JOB, [1], "agreed after all", blocked=False, by=None)
    run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER, due="2999-12-01")
    assert (folder / "2611-04_0001_r1_base.tif").exists()
