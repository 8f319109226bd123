"""Retouch rounds as they go in a studio: missed notes, unasked changes, a client who thinks again, donors, layers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from glassine.flows.job_sheet import set_block
from glassine.flows.retouch_list import list_retouches
from glassine.flows.retouch_notes import confirm, list_notes, withdraw
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, DeliveryRefusedError
from glassine.schemas.job_record import check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, current_round, round_state
from glassine.schemas.validation import Document, read_document
from glassine.tasks.imaging.tiff_picture import read_picture, write_picture

Run = Callable[..., Document]
Box = tuple[int, int, int, int]
JOB, PHOTOGRAPHER, MANAGER, RETOUCHER, CLIENT = (
    "2611-04",
    "Imre Falk",
    "Tove Abel",
    "Noa Lind",
    "Sorrel Lane Instruments",
)
MARK: Box = (25, 25, 30, 30)
HAIR: Box = (70, 60, 10, 10)
ELSEWHERE: Box = (2, 80, 8, 8)


def note(box: Box, words: str) -> str:
    return f"xywh=percent:{','.join(map(str, box))} | {words}"


def lighten(base: Path, returned: Path, boxes: Sequence[Box], strength: float = 0.25) -> Path:
    """A retoucher's return: these boxes (percent) of the base made lighter, nothing else."""
    picture, info = read_picture(base)
    height, width = picture.shape[:2]
    for x, y, w, h in boxes:
        area = (
            slice(height * y // 100, height * (y + h) // 100),
            slice(width * x // 100, width * (x + w) // 100),
        )
        picture[area] = np.minimum(picture[area] + np.float32(strength), 1)
    returned.parent.mkdir(parents=True, exist_ok=True)
    write_picture(returned, picture, info.profile)
    return returned


class Bench:
    """A job whose frame 1 is on the retoucher's bench."""

    def __init__(self, studio: Studio, run: Run, manifest_of: Callable[..., Manifest], folder: Path) -> None:
        self.studio, self.run, self.folder = studio, run, folder
        self._manifest_of = manifest_of

    @property
    def frame(self) -> Frame:
        return self._manifest_of(self.studio).frame(1)

    @property
    def manifest(self) -> Manifest:
        return self._manifest_of(self.studio)

    @property
    def now(self) -> Document:
        found = current_round(self.frame)
        assert found is not None
        return found

    def path(self, relative: str) -> Path:
        return self.studio.job_folder(JOB) / relative

    def hand_out(self, to: str = RETOUCHER) -> None:
        self.run("retouch.hand_out", self.studio, frames=[1], retoucher=to, due="2999-12-01")

    def bring_back(self, boxes: Sequence[Box], name: str, **words: Any) -> Document:
        file = lighten(self.path(self.now["brief"]["base"]["path"]), self.folder / name, boxes)
        return self.run("retouch_return.take_back", self.studio, frame=1, file=str(file), **words)

    def review(self, **words: Any) -> Document:
        return self.run("retouch_return.review", self.studio, frame=1, **words)


@pytest.fixture
def bench(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], tmp_path: Path
) -> Callable[..., Bench]:
    """A bench at a stage; at "closed" frame 1 is briefed with two notes and handed out."""

    def open_at(stage: str, **brief: Any) -> Bench:
        found = Bench(at(stage), run, manifest_of, tmp_path / "returns")
        if stage == "closed":
            notes = brief.pop("notes", [note(MARK, "take out the mark"), note(HAIR, "take out the stray hair")])
            run("retouch.brief", found.studio, frame=1, notes=notes, grader=PHOTOGRAPHER, **brief)
            found.hand_out()
        return found

    return open_at


def test_a_missed_note_opens_the_next_round_with_its_cause(bench: Callable[..., Bench]) -> None:
    job = bench("closed")
    outcome = job.bring_back([MARK], "first.tif", hours=1.5)
    assert (outcome["status"], outcome["take_back"]["accepted"]) == (1, False)
    assert [fault["kind"] for fault in outcome["take_back"]["faults"]] == ["note undone"]
    assert any("Round 2 of frame 0001 is briefed, because: missed note." in line for line in outcome["said"])
    first, second = job.frame["rounds"]
    assert (round_state(first), round_state(second)) == ("refused", "briefed")
    cause = second["brief"]["cause"]
    assert (cause["why"], cause["return"]) == ("missed note", first["take_backs"][0]["sha256"])
    assert "stray hair" in cause["text"]
    assert second["brief"]["notes"] == first["brief"]["notes"], "all of it is asked again"
    assert second["brief"]["base"]["sha256"] == first["brief"]["base"]["sha256"], "from the same base"
    assert read_document(job.path(f"{second['brief']['path']}/brief.json"), "brief")["cause"]["why"] == "missed note"
    before = len(job.frame["rounds"])
    job.run("advance", job.studio)
    assert len(job.frame["rounds"]) == before, "once is enough"
    job.hand_out()
    outcome = job.bring_back([MARK, HAIR], "second.tif", hours=0.5)
    assert (outcome["status"], round_state(job.now)) == (0, "accepted")
    rows = list_retouches(job.studio, JOB, RETOUCHER)
    assert [row["state"] for row in rows["retouches"]] == ["refused", "accepted"]
    assert rows["hours"] == 2.0
    assert check_chain(job.studio.job_folder(JOB)) == []


def test_a_killed_run_between_refusal_and_next_round_is_gone_on_with(
    bench: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = bench("closed")
    with monkeypatch.context() as patched:
        patched.setattr("glassine.flows.retouch_return.open_owed_rounds", lambda job, owed, problems: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            job.bring_back([MARK], "first.tif")
    assert (len(job.frame["rounds"]), round_state(job.now)) == (1, "refused")
    said = job.run("advance", job.studio)["said"]
    assert any("Round 2 of frame 0001 is briefed, because: missed note." in line for line in said)
    assert round_state(job.now) == "briefed"


def test_what_nobody_asked_for_waits_for_a_review(bench: Callable[..., Bench]) -> None:
    job = bench("closed")
    outcome = job.bring_back([MARK, HAIR, ELSEWHERE], "more.tif")
    assert (outcome["status"], outcome["take_back"]["to_review"]) == (0, True)
    assert round_state(job.now) == "to review"
    job.run("grade", job.studio)
    assert job.frame["finals"] == [], "nothing is made of it before somebody has looked"
    waits = job.run("advance", job.studio)["waits"]
    assert any(wait["for"] == "whoever reviews" and "0001" in wait["what"] for wait in waits)
    with pytest.raises(CallError, match="waits for a review"):
        job.run("retouch.brief", job.studio, frame=1, notes=[note((1, 1, 5, 5), "another")])
    job.review(accepted=True, by=PHOTOGRAPHER)
    assert round_state(job.now) == "accepted"
    job.run("grade", job.studio)
    assert {final["final"] for final in job.frame["finals"]} == {"print", "colour"}


def test_a_rejected_return_makes_its_finals_stale_and_starts_from_the_same_base(bench: Callable[..., Bench]) -> None:
    job = bench("signed")
    first = job.now
    assert all(final["signed_off"] for final in job.frame["finals"])
    said = job.review(accepted=False, why="unasked change", text="leave the wall as it was")["said"]
    assert any("Round 2 of frame 0001 is briefed, because: unasked change." in line for line in said)
    assert all(final["stale"] for final in job.frame["finals"])
    with pytest.raises(DeliveryRefusedError) as refused:
        job.run("deliver", job.studio, client=CLIENT)
    assert any("0001 is stale" in cause for cause in refused.value.details)
    second = job.now
    assert second["brief"]["base"]["sha256"] == first["brief"]["base"]["sha256"]
    assert second["brief"]["notes"] == first["brief"]["notes"]
    # Second thoughts: the round that nobody was handed is void, and the finals may leave again.
    job.review(accepted=True)
    assert round_state(job.now) == "accepted"
    assert not any(final["stale"] for final in job.frame["finals"])
    assert not any("0001" in wait["what"] for wait in job.run("advance", job.studio)["waits"])


def test_after_a_clients_change_the_work_is_kept_and_only_the_new_note_is_asked(bench: Callable[..., Bench]) -> None:
    job = bench("returned")
    first = job.now
    wish = note(HAIR, "softer here")
    job.review(accepted=False, why="client's change", text="the client wants it softer", notes=[wish])
    second = job.now
    assert len(second["brief"]["notes"]) == 1
    assert second["brief"]["notes"] != first["brief"]["notes"]
    kept = tifffile.imread(job.path(first["take_backs"][0]["path"]))
    base = tifffile.imread(job.path(second["brief"]["base"]["path"]))
    assert np.abs(base.astype(int) - kept).max() <= 2, "decoded and encoded again"
    job.hand_out()
    with pytest.raises(CallError, match="Round 2 of frame 0001 is handed out already"):
        job.review(accepted=True)
    assert job.bring_back([HAIR], "softer.tif")["status"] == 0
    job.run("grade", job.studio)
    assert {final["round"] for final in job.frame["finals"]} == {2}


@pytest.mark.parametrize(
    "words",
    [
        {"accepted": False},
        {"accepted": False, "why": "bad mood", "text": "x"},
        {"accepted": False, "why": "other"},
        {"accepted": True, "why": "other"},
        {"accepted": True, "notes": [note(HAIR, "x")]},
    ],
    ids=["no why", "unknown why", "no words", "accepted with a cause", "accepted with a note"],
)
def test_an_unclear_review_is_refused_and_changes_nothing(bench: Callable[..., Bench], words: Document) -> None:
    job = bench("returned")
    before = job.manifest.head
    with pytest.raises(CallError) as refused:
        job.review(**words)
    assert refused.value.code == "W001"
    assert job.manifest.head == before


def test_a_wrong_file_leaves_the_round_out_and_cannot_be_accepted(bench: Callable[..., Bench]) -> None:
    job = bench("closed")
    base = job.path(job.now["brief"]["base"]["path"])
    coarse = job.folder / "coarse.tif"
    coarse.parent.mkdir()
    tifffile.imwrite(coarse, (tifffile.imread(base) >> 8).astype(np.uint8), photometric="rgb")
    outcome = job.run("retouch_return.take_back", job.studio, frame=1, file=str(coarse))
    assert {fault["kind"] for fault in outcome["take_back"]["faults"]} == {"technical"}
    assert (len(job.frame["rounds"]), round_state(job.now)) == (1, "out")
    with pytest.raises(CallError, match="cannot be accepted"):
        job.review(accepted=True)
    assert job.bring_back([MARK, HAIR], "right.tif")["status"] == 0


def test_the_return_of_an_older_round_is_refused_by_name(bench: Callable[..., Bench]) -> None:
    job = bench("returned")
    older = job.path(job.now["take_backs"][0]["path"])
    first_base = job.path(job.now["brief"]["base"]["path"])
    job.run("retouch.brief", job.studio, frame=1, notes=[note(HAIR, "take out the stray hair")])
    job.hand_out()
    outcome = job.run("retouch_return.take_back", job.studio, frame=1, file=str(older))
    assert [fault["kind"] for fault in outcome["take_back"]["faults"]] == ["older round"]
    assert "round 1 again" in outcome["take_back"]["causes"][0]
    stale = lighten(first_base, job.folder / "stale.tif", [HAIR])
    outcome = job.run("retouch_return.take_back", job.studio, frame=1, file=str(stale))
    assert "older round" in [fault["kind"] for fault in outcome["take_back"]["faults"]], outcome["said"]
    assert round_state(job.now) == "out"
    assert job.bring_back([HAIR], "right.tif")["status"] == 0


def test_a_note_that_is_withdrawn_is_not_asked_of_the_return(bench: Callable[..., Bench]) -> None:
    job = bench("closed")
    hair = next(found["note"] for found in job.frame["notes"] if "hair" in found["instruction"])
    with pytest.raises(CallError, match="needs a reason"):
        withdraw(job.studio, JOB, 1, [hair], " ", by=PHOTOGRAPHER)
    with pytest.raises(CallError, match=r"has no note or draft 'n-0000000000' \(known: n-"):
        withdraw(job.studio, JOB, 1, ["n-0000000000"], "why not", by=PHOTOGRAPHER)
    said = withdraw(job.studio, JOB, 1, [hair], "it may stay", by=PHOTOGRAPHER)["said"]
    assert any(f"tell {RETOUCHER}" in line for line in said)
    assert [row["state"] for row in list_notes(job.studio, JOB, [1])["notes"]] == ["round 1", "withdrawn"]
    outcome = job.bring_back([MARK], "without.tif")
    assert outcome["status"] == 0, outcome["said"]


def test_a_donor_goes_along_is_a_source_and_when_blocked_holds_the_final_back(bench: Callable[..., Bench]) -> None:
    eye = f"{note(MARK, 'bring the light into the eye')} | from 0003 xywh=percent:30,30,10,10"
    job = bench("closed", notes=[eye])
    told = job.now["brief"]
    assert [(extra["use"], extra["frame"]) for extra in told["extras"]] == [("donor", 3)]
    sent = job.path(f"{told['path']}/hand-out-1")
    assert (sent / "2611-04_0003_donor.tif").read_bytes() == job.path(told["extras"][0]["path"]).read_bytes()
    body = read_document(sent / "brief.json", "brief")["notes"][0]["body"]
    assert [part["type"] for part in body] == ["TextualBody", "SpecificResource"]
    job.bring_back([MARK], "done.tif", used=[4])
    job.run("grade", job.studio, unretouched=[3])
    for final in job.frame["finals"]:
        assert final["frames"] == [1, 3, 4]
        originals = {job.manifest.frame(number)["sha256"] for number in (1, 3, 4)}
        assert originals < set(final["sources"])
    job.run("grade.sign_off", job.studio, frames=[1, 3], by=PHOTOGRAPHER)
    said = set_block(job.studio, JOB, [3], "the sitter refused", blocked=True, by=MANAGER)["said"]
    assert any("as a donor for 0001" in line for line in said)
    with pytest.raises(DeliveryRefusedError) as refused:
        job.run("deliver", job.studio, client=CLIENT)
    assert any("holds a piece of 0003" in cause for cause in refused.value.details)
    outcome = job.run("advance", job.studio)
    assert job.manifest.document["deliveries"] == []
    assert any("0003" in wait["what"] and "blocked" in wait["what"] for wait in outcome["waits"])
    with pytest.raises(CallError, match="Frame 0003 is blocked"):
        job.run("retouch.brief", job.studio, frame=1, notes=[note(HAIR, "as there") + " | from 0003"])
    set_block(job.studio, JOB, [3], "agreed after all", blocked=False, by=MANAGER)
    assert job.run("deliver", job.studio, client=CLIENT)["ok"]
    said = set_block(job.studio, JOB, [4], "no release", blocked=True, by=MANAGER)["said"]
    assert sum("ask them to withdraw it" in line for line in said) == 2, "a piece of it is in both deliveries"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (note(MARK, "x") + " | from 0001", "donor of itself"),
        (note(MARK, "x") + " | from 0077", "has no frame 0077"),
        (note(MARK, "x") + " | from 0003 xywh=percent:95,0,20,20", "outside the picture"),
    ],
    ids=["itself", "unknown", "outside the picture"],
)
def test_a_donor_that_cannot_be_is_named(bench: Callable[..., Bench], run: Run, text: str, said: str) -> None:
    job = bench("returned")
    before = job.frame["notes"]
    with pytest.raises(CallError, match=said):
        run("retouch.brief", job.studio, frame=1, notes=[text])
    assert job.frame["notes"] == before


def test_layers_are_kept_as_they_came_and_the_final_is_made_of_the_flat(bench: Callable[..., Bench]) -> None:
    job = bench("closed")
    flat = lighten(job.path(job.now["brief"]["base"]["path"]), job.folder / "flat.tif", [MARK, HAIR])
    with tifffile.TiffFile(flat) as tiff:
        picture, profile = tiff.asarray(), tiff.pages.first.tags[34675].value
    layered = job.folder / "layered.tif"
    with tifffile.TiffWriter(layered, bigtiff=True) as writer:
        for page in (picture, np.full_like(picture, 500), picture // 2):
            writer.write(page, photometric="rgb", iccprofile=profile)
    outcome = job.run("retouch_return.take_back", job.studio, frame=1, file=str(layered))
    assert outcome["status"] == 0, outcome["said"]
    (returned,) = job.now["take_backs"]
    assert job.path(returned["path"]).read_bytes() == layered.read_bytes()
    assert np.array_equal(tifffile.imread(job.path(returned["flat"]["path"])), picture)
    roles = {sha256: holder["role"] for sha256, holder in job.manifest.document["files"].items()}
    assert (roles[returned["sha256"]], roles[returned["flat"]["sha256"]]) == ("return", "flat")
    job.run("grade", job.studio)
    for final in job.frame["finals"]:
        assert final["sources"][-2:] == [returned["sha256"], returned["flat"]["sha256"]]


def test_other_files_go_along_as_copies_of_their_own(bench: Callable[..., Bench]) -> None:
    job = bench("closed", renderings=["shadows=+1.5"], with_original=True, level="Portrait")
    told = job.now["brief"]
    assert (told["level"]["name"], [extra["use"] for extra in told["extras"]]) == (
        "portrait",
        ["rendering", "original"],
    )
    sent = job.path(f"{told['path']}/hand-out-1")
    names = {path.name for path in sent.iterdir()}
    assert {"2611-04_0001_r1_base.tif", "2611-04_0001_r1_rendering-shadows.tif", job.frame["name"]} <= names
    original = job.path(job.frame["path"])
    assert (sent / job.frame["name"]).read_bytes() == original.read_bytes()
    assert (sent / job.frame["name"]).stat().st_ino != original.stat().st_ino, "never a link to what is in custody"
    usual, lighter = (
        tifffile.imread(sent / f"2611-04_0001_r1_{name}.tif").astype(float) for name in ("base", "rendering-shadows")
    )
    assert lighter.mean() > usual.mean()
    again = job.run("retouch.brief", job.studio, frame=1, notes=[], renderings=["shadows=+1.5"], with_original=True)
    assert again["round"] == 1
    with pytest.raises(CallError, match="still out"):
        job.run("retouch.brief", job.studio, frame=1, notes=[], renderings=["sky=-1"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"level": "cover of covers"}, r"no level of retouch 'cover of covers' \(known: "),
        ({"renderings": ["shadows"]}, "NAME=STOPS"),
        ({"renderings": ["shadows=lots"]}, "NAME=STOPS"),
        ({"renderings": ["shadows=9"]}, "at most 5 either way"),
        ({"renderings": ["shadows=nan"]}, "at most 5 either way"),
    ],
)
def test_an_unclear_wish_is_one_sentence_and_no_round(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest], words: Document, said: str
) -> None:
    studio = at("closed")
    with pytest.raises(CallError, match=said):
        run("retouch.brief", studio, frame=1, notes=[note(MARK, "x")], **words)
    assert manifest_of(studio).frame(1)["rounds"] == []


def test_a_fixable_remark_becomes_a_note_when_somebody_confirms_it(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("proofed")
    words = {"round_name": "edit", "by": PHOTOGRAPHER}
    with pytest.raises(CallError, match="says what is to be mended"):
        run("selects_round.mark", studio, listed="0001", fixable=True, **words)
    run("selects_round.mark", studio, listed="0001", remark="collar crooked", fixable=True, **words)
    region = "xywh=percent:40,20,10,8"
    run("selects_round.mark", studio, listed="0002", remark="hair", region=region, fixable=True, **words)
    run("selects_round.mark", studio, listed="out 0003", remark="eyes shut", fixable=True, **words)
    assert manifest_of(studio).frame(1)["drafts"] == [], "the round is open"
    run("selects_round.close", studio, **words)
    manifest = manifest_of(studio)
    (collar,), (hair,), gone = (manifest.frame(number)["drafts"] for number in (1, 2, 3))
    assert (collar["instruction"], collar["region"], hair["region"]["width"], gone) == ("collar crooked", None, 10, [])
    waits = run("advance", studio)["waits"]
    assert any("to confirm or withdraw 1 draft note of 0001" in wait["what"] for wait in waits)
    with pytest.raises(CallError, match="has no region"):
        confirm(studio, JOB, 1, collar["note"], by=MANAGER)
    with pytest.raises(CallError, match=r"no draft 'n-0000000000' \(drafts: n-"):
        confirm(studio, JOB, 1, "n-0000000000", by=MANAGER)
    confirm(studio, JOB, 1, collar["note"], region="xywh=percent:30,70,20,10", by=MANAGER)
    (made,) = manifest_of(studio).frame(1)["notes"]
    assert (made["instruction"], made["draft"]) == ("collar crooked", collar["note"])
    assert manifest_of(studio).frame(1)["drafts"] == []
    before = manifest_of(studio).head
    confirm(studio, JOB, 1, collar["note"], by=MANAGER)
    assert manifest_of(studio).head == before
    withdraw(studio, JOB, 2, [hair["note"]], "it suits him", by=MANAGER)
    assert manifest_of(studio).frame(2)["drafts"] == []
    withdraw(studio, JOB, 2, [hair["note"]], "it does not", lift=True, by=MANAGER)
    assert len(manifest_of(studio).frame(2)["drafts"]) == 1
    run("retouch.brief", studio, frame=1, notes=[])
    assert manifest_of(studio).frame(1)["rounds"][0]["brief"]["notes"] == [made["note"]]
