"""Retouch: brief, hand-out and return, in order and out of order."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from glassine.flows.retouch_list import list_retouches
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, VolumeError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document, read_document

Run = Callable[..., Document]
JOB, PHOTOGRAPHER, RETOUCHER = "2611-04", "Imre Falk", "Noa Lind"
NOTE = "xywh=percent:25,25,30,30 | take out the mark"


def test_bundle_that_goes_out_is_whole(at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]) -> None:
    studio = at("handed out")
    retouch = manifest_of(studio).frame(1)["rounds"][0]
    briefed = studio.job_folder(JOB) / retouch["brief"]["path"]
    folder = briefed / "hand-out-1"
    sent = {"2611-04_0001_r1_base.tif", "2611-04_0001_reference.jpg", "brief.json", "brief.pdf"}
    assert {path.name for path in folder.iterdir()} == sent
    assert {path.name for path in briefed.iterdir()} == {*sent, "hand-out-1"}
    base = tifffile.imread(folder / "2611-04_0001_r1_base.tif")
    assert base.dtype == np.dtype("uint16")
    assert base.shape == (200, 300, 3)
    for path in (briefed / "brief.json", folder / "brief.json"):
        document = read_document(path, "brief")
        assert RETOUCHER not in path.read_text("utf-8"), "people stand in it by their id"
        assert len(document["notes"]) == 1
    assert retouch["hand_out"]["due"] == "2999-12-01"


def test_return_is_checked_and_kept(at: Callable[[str], Studio], manifest_of: Callable[..., Manifest]) -> None:
    studio = at("returned")
    (returned,) = manifest_of(studio).frame(1)["rounds"][0]["take_backs"]
    assert (returned["accepted"], returned["causes"]) == (True, [])
    assert returned["notes"][0]["changed"]
    assert returned["outside"]["boxes"] == []
    assert len(manifest_of(studio).holder(returned["sha256"])["copies"]) == 2  # type: ignore[index]


def test_return_in_8_bits_is_refused_kept_and_waited_for(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], tmp_path: Path
) -> None:
    studio = at("handed out")
    base = studio.job_folder(JOB) / manifest_of(studio).frame(1)["rounds"][0]["brief"]["base"]["path"]
    coarse = tmp_path / "coarse.tif"
    tifffile.imwrite(coarse, (tifffile.imread(base) >> 8).astype(np.uint8), photometric="rgb")
    outcome = run("retouch_return.take_back", studio, frame=1, file=str(coarse))
    assert (outcome["ok"], outcome["status"]) == (False, 1)
    assert any("8 bit" in cause or "8-bit" in cause for cause in outcome["take_back"]["causes"]), outcome
    frame = manifest_of(studio).frame(1)
    assert frame["stage"] == "handed out"
    assert (studio.job_folder(JOB) / frame["rounds"][0]["take_backs"][0]["path"]).read_bytes() == coarse.read_bytes()
    waits = run("advance", studio)["waits"]
    assert any(w["for"] == RETOUCHER and "what came last was refused" in w["what"] for w in waits)
    again = run("retouch_return.take_back", studio, frame=1, file=str(coarse))
    assert (again["status"], len(manifest_of(studio).frame(1)["rounds"][0]["take_backs"])) == (1, 1)


def test_file_that_is_no_picture_is_refused_in_words(at: Callable[[str], Studio], run: Run, tmp_path: Path) -> None:
    studio = at("handed out")
    words = tmp_path / "returned.tif"
    words.write_bytes(b"sorry, next week\n")
    outcome = run("retouch_return.take_back", studio, frame=1, file=str(words))
    assert outcome["status"] == 1
    assert outcome["take_back"]["causes"]


def test_unchanged_base_sent_back_leaves_the_note_undone(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("handed out")
    base = studio.job_folder(JOB) / manifest_of(studio).frame(1)["rounds"][0]["brief"]["base"]["path"]
    outcome = run("retouch_return.take_back", studio, frame=1, file=str(base))
    assert outcome["take_back"]["notes"][0]["changed"] is False
    assert any("'take out the mark': not changed" in line for line in outcome["said"])


def test_hand_out_to_another_moves_it(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("handed out")
    run("retouch.hand_out", studio, frames=[1], retoucher="Ada Quill", due="2020-01-01")
    retouch = manifest_of(studio).frame(1)["rounds"][0]
    assert (retouch["hand_out"]["revision"], retouch["hand_out"]["due"]) == (2, "2020-01-01")
    (row,) = list_retouches(studio, JOB, "ada quill")["retouches"]
    assert (row["frame"], row["state"], row["late"]) == ("0001", "out", True)
    with pytest.raises(CallError, match=r"to 'Noa Lind' \(known: Ada Quill\)"):
        list_retouches(studio, None, RETOUCHER)


@pytest.mark.parametrize(
    ("stage", "flow", "words", "code"),
    [
        ("proofed", "retouch.brief", {"frame": 1, "notes": [NOTE]}, "W004"),
        ("closed", "retouch.brief", {"frame": 1, "notes": []}, "W001"),
        ("closed", "retouch.brief", {"frame": 1, "notes": ["take out the mark"]}, "W001"),
        ("closed", "retouch.brief", {"frame": 1, "notes": ["xywh=percent:90,0,20,20 | x"]}, "W001"),
        ("closed", "retouch.brief", {"frame": 77, "notes": [NOTE]}, "W002"),
        ("closed", "retouch.hand_out", {"frames": [1], "retoucher": PHOTOGRAPHER}, "W004"),
        ("handed out", "retouch.hand_out", {"frames": [1], "retoucher": PHOTOGRAPHER, "due": "soon"}, "W001"),
        ("handed out", "retouch.brief", {"frame": 1, "notes": ["xywh=percent:1,1,5,5 | another"]}, "W004"),
        ("closed", "retouch_return.take_back", {"frame": 1, "file": __file__}, "W004"),
        ("handed out", "retouch_return.take_back", {"frame": 1, "file": "/nowhere/at/all.tif"}, "W002"),
    ],
)
def test_out_of_order_or_unclear_is_one_sentence_and_no_round(
    at: Callable[[str], Studio],
    run: Run,
    manifest_of: Callable[..., Manifest],
    stage: str,
    flow: str,
    words: dict[str, Any],
    code: str,
) -> None:
    studio = at(stage)
    before = manifest_of(studio).frame(1)["rounds"]
    with pytest.raises(CallError) as refused:
        run(flow, studio, **words)
    assert refused.value.code == code, refused.value
    assert refused.value.sentence.endswith((".", ":"))
    assert manifest_of(studio).frame(1)["rounds"] == before


def test_blocked_frame_is_not_handed_to_anybody(at: Callable[[str], Studio], run: Run) -> None:
    from glassine.flows.job_sheet import set_block

    studio = at("closed")
    set_block(studio, JOB, [1], "no release", blocked=True, by=None)
    with pytest.raises(CallError, match=r"Frame 0001 is blocked \(no release\)"):
        run("retouch.brief", studio, frame=1, notes=[NOTE])


def test_a_second_round_starts_from_what_came_back(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("returned")
    run("retouch.brief", studio, frame=1, notes=["xywh=percent:70,70,10,10 | soften this edge"])
    frame = manifest_of(studio).frame(1)
    first, second = frame["rounds"]
    folder = studio.job_folder(JOB)
    returned = tifffile.imread(folder / first["take_backs"][0]["path"])
    base = tifffile.imread(folder / second["brief"]["base"]["path"])
    original = tifffile.imread(folder / first["brief"]["base"]["path"])
    # Decoded to light and encoded again, a sample may round to its neighbour.
    assert np.abs(base.astype(int) - returned).max() <= 2
    assert np.abs(base.astype(int) - original).max() > 1000


def test_a_brief_that_was_not_handed_out_is_followed_by_a_better_one(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("closed")
    run("retouch.brief", studio, frame=1, notes=[NOTE])
    run("retouch.brief", studio, frame=1, notes=["xywh=percent:1,1,5,5 | another"])
    rounds = manifest_of(studio).frame(1)["rounds"]
    assert [len(retouch["brief"]["notes"]) for retouch in rounds] == [1, 2]
    run("retouch.brief", studio, frame=1, notes=["xywh=percent:1,1,5,5 | another"])
    assert len(manifest_of(studio).frame(1)["rounds"]) == 2


def test_what_stands_in_the_way_of_a_check_refuses_no_return(
    at: Callable[[str], Studio],
    run: Run,
    manifest_of: Callable[..., Manifest],
    retouched: Callable[[Path, Path], Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Too little time is no fault of the file: it is kept, and the same file is checked again."""
    studio = at("handed out")
    base = studio.job_folder(JOB) / manifest_of(studio).frame(1)["rounds"][0]["brief"]["base"]["path"]
    returned = retouched(base, tmp_path / "returned.tif")
    with monkeypatch.context() as patched:
        patched.setattr(Studio, "decode_limits", (4 * 2**30, 0.0))
        with pytest.raises(VolumeError) as stopped:
            run("retouch_return.take_back", studio, frame=1, file=str(returned))
    assert stopped.value.exit_status == 3
    assert manifest_of(studio).frame(1)["rounds"][0]["take_backs"] == []
    outcome = run("retouch_return.take_back", studio, frame=1, file=str(returned))
    assert outcome["take_back"]["accepted"], outcome


def test_a_standing_instruction_is_never_dropped(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("closed")
    run("retouch.brief", studio, frame=1, notes=[NOTE])
    run("retouch.brief", studio, frame=1, notes=[], standing=["keep the scar"])
    newest = manifest_of(studio).frame(1)["rounds"][-1]["brief"]
    assert ("keep the scar" in newest["standing"], len(newest["notes"])) == (True, 1)
    run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER)
    with pytest.raises(CallError) as refused:
        run("retouch.brief", studio, frame=1, notes=[], standing=["lighten the collar"])
    assert refused.value.code == "W004"
