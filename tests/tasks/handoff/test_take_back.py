"""Returned retouches: what is refused and what is told, by construction."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from glassine.schemas.errors import FixityError, VolumeError
from glassine.tasks.handoff.take_back import check_return
from glassine.tasks.imaging.icc_profile import profile_bytes

WIDTH, HEIGHT = 200, 100
Samples = NDArray[np.uint16]

CHEEK = {"shape": "rectangle", "x": 10.0, "y": 20.0, "width": 20.0, "height": 30.0}
HAIR = {"shape": "ellipse", "x": 60.0, "y": 40.0, "width": 20.0, "height": 40.0}
NOTES = [
    {"id": "n-1", "region": CHEEK, "instruction": "Soften the mark on the cheek."},
    {"id": "n-2", "region": HAIR, "instruction": "Take out\nthe stray hair."},
]


def a_picture() -> Samples:
    """A gradient with noise, mid-tones, so that a change by 4,000 of 65,535 codes is seen everywhere."""
    noise = np.random.default_rng(7).integers(-800, 800, (HEIGHT, WIDTH, 3))
    slope = np.linspace(20_000, 40_000, WIDTH)[None, :, None]
    return (slope + noise).astype(np.uint16)


def write(path: Path, samples: NDArray[Any], profile: str | None = "ROMM RGB", **more: Any) -> Path:
    icc = profile_bytes(profile) if profile else None
    tifffile.imwrite(path, samples, photometric="rgb", iccprofile=icc, metadata=None, **more)
    return path


def retouched(*boxes: tuple[slice, slice]) -> Samples:
    samples = a_picture()
    for rows, columns in boxes or (CHEEK_PX, HAIR_PX):
        samples[rows, columns] += 4000
    return samples


CHEEK_PX = (slice(20, 50), slice(20, 60))  # all of the first region
HAIR_PX = (slice(58, 62), slice(138, 142))  # 16 pixels in the middle of the second


@pytest.fixture
def base(tmp_path: Path) -> Path:
    return write(tmp_path / "0142_base.tif", a_picture())


def check(base: Path, returned: Path, notes: list[dict[str, Any]] = NOTES, **more: Any) -> dict[str, Any]:
    facts = {
        "width": WIDTH,
        "height": HEIGHT,
        "bits": 16,
        "profile": "ROMM RGB",
        "sha256": hashlib.sha256(base.read_bytes()).hexdigest(),
    }
    return check_return(base, returned, notes, base_facts=facts | more.pop("facts", {}), **more)


def test_done_retouch_is_accepted(base: Path, tmp_path: Path) -> None:
    returned = write(tmp_path / "back.tif", retouched())
    report = check(base, returned, picture=tmp_path / "changes.jpg")
    data = returned.read_bytes()
    assert report["accepted"] is True
    assert report["causes"] == report["faults"] == report["remarks"] == []
    assert report["layered"] is False
    assert (report["width"], report["height"], report["bits"]) == (WIDTH, HEIGHT, 16)
    assert report["profile"] == "ROMM RGB"
    assert (report["sha256"], report["size"]) == (hashlib.sha256(data).hexdigest(), len(data))
    assert report["notes"][0] == {"id": "n-1", "changed": True, "changed_fraction": 1.0}
    assert report["notes"][1]["changed"] is True
    # 16 pixels of an ellipse of π·20·20 pixels
    assert report["notes"][1]["changed_fraction"] == pytest.approx(16 / (np.pi * 400), rel=0.02)
    assert report["outside"] == {"changed_fraction": 0.0, "boxes": []}
    with Image.open(tmp_path / "changes.jpg") as picture:
        assert picture.format == "JPEG"


def test_change_elsewhere_is_told_and_not_refused(base: Path, tmp_path: Path) -> None:
    elsewhere = (slice(80, 90), slice(0, 20))
    report = check(base, write(tmp_path / "back.tif", retouched(CHEEK_PX, HAIR_PX, elsewhere)))
    assert report["accepted"] is True
    outside_px = WIDTH * HEIGHT - 30 * 40 - round(np.pi * 400)
    assert report["outside"]["changed_fraction"] == pytest.approx(200 / outside_px, rel=0.02)
    assert report["outside"]["boxes"] == [[0.0, 80.0, 10.0, 10.0]]


def test_note_left_undone_is_named(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", retouched(CHEEK_PX)))
    assert report["accepted"] is False
    assert report["causes"] == ["Note 2 (“Take out the stray hair.”) was left undone: nothing changed in its region."]
    assert [note["changed"] for note in report["notes"]] == [True, False]
    assert report["faults"] == [{"kind": "note undone", "text": report["causes"][0], "note": "n-2"}]


def test_base_sent_back_is_nothing_done(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", a_picture(), compression="zlib"))
    assert report["causes"] == ["back.tif is the base file again, pixel for pixel: nothing was done."]
    assert report["faults"] == [{"kind": "nothing done", "text": report["causes"][0], "note": None}]
    assert report["accepted"] is False


def test_change_that_nobody_sees_is_nothing_done(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", a_picture() + np.uint16(3)), notes=[])
    assert report["causes"] == ["back.tif shows no change from the base file: nothing was done."]


def test_one_changed_pixel_is_something(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", retouched((slice(5, 6), slice(5, 6)))), notes=[])
    assert report["accepted"] is True


def test_other_size_is_refused_uncompared(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", retouched()[:, :-1]))
    assert report["accepted"] is report["compared"] is False
    assert report["notes"] == []
    assert "back.tif has 199 × 100 px, the base file 200 × 100 px" in report["causes"][0]


def test_lower_bit_depth_is_refused(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", (retouched() // 257).astype(np.uint8)))
    assert report["bits"] == 8
    assert report["accepted"] is False
    assert "8 bits a sample, the base file 16" in report["causes"][0]
    assert report["compared"] is True


def test_other_profile_is_refused(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", retouched(), "Adobe RGB (1998)"))
    assert report["accepted"] is False
    assert "has the colour profile Adobe RGB (1998), the base file ROMM RGB" in report["causes"][0]


def test_missing_profile_is_refused(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", retouched(), None))
    assert report["profile"] is None
    assert "has no colour profile: embed ROMM RGB" in report["causes"][0]


def test_every_cause_is_told_at_once(base: Path, tmp_path: Path) -> None:
    samples = (retouched()[:-1] // 257).astype(np.uint8)
    report = check(base, write(tmp_path / "back.tif", samples, None))
    assert [fault["kind"] for fault in report["faults"]] == ["technical"] * 3
    assert report["causes"] == [fault["text"] for fault in report["faults"]]


def test_another_frame_is_suspected(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", a_picture()[:, ::-1] // 2))
    (fault,) = report["faults"]
    assert "probably another frame" in fault["text"]
    assert (fault["kind"], fault["note"]) == ("another frame", None)
    assert report["accepted"] is False


def test_slight_change_of_the_whole_is_only_told(base: Path, tmp_path: Path) -> None:
    # A third of a stop on everything: the standing instructions may ask for it.
    lighter = (a_picture() * 2 ** (1 / 3 / 1.8)).astype(np.uint16)  # ROMM's gamma is 1.8 (ISO 22028-2)
    report = check(base, write(tmp_path / "back.tif", lighter))
    assert report["accepted"] is True
    assert report["outside"]["changed_fraction"] == 1.0


@pytest.mark.parametrize("stops", [-3, -2, 1])
def test_strong_grade_of_the_whole_is_only_told(base: Path, tmp_path: Path, stops: int) -> None:
    graded = np.clip(retouched() * 2 ** (stops / 1.8), 0, 65_535).astype(np.uint16)
    report = check(base, write(tmp_path / "back.tif", graded))
    assert report["causes"] == []
    assert report["accepted"] is True
    assert report["outside"]["changed_fraction"] == 1.0


@settings(deadline=None, max_examples=20)
@given(right=st.integers(-20, 20), down=st.integers(-20, 20))
def test_shifted_picture_is_refused_with_its_shift(
    tmp_path_factory: pytest.TempPathFactory, right: int, down: int
) -> None:
    folder = tmp_path_factory.mktemp("shift")
    base = write(folder / "base.tif", a_picture())
    moved = np.roll(retouched(), (down, right), axis=(0, 1))
    report = check(base, write(folder / "back.tif", moved))
    if (right, down) == (0, 0):
        assert report["accepted"] is True
        return
    across, along = ("left" if right < 0 else "right"), ("up" if down < 0 else "down")
    text = (
        f"back.tif is shifted by {abs(right)} px to the {across} and {abs(down)} px {along} against the base file: "
        "return it in register."
    )
    assert report["faults"] == [{"kind": "technical", "text": text, "note": None}]
    assert report["accepted"] is False


# Older rounds: in round 1 the cheek was done, in round 2 the hair; the present notes ask for something at the foot.
FOOT = {"shape": "rectangle", "x": 40.0, "y": 90.0, "width": 10.0, "height": 10.0}
FOOT_PX = (slice(92, 98), slice(82, 98))
PRESENT = [{"id": "n-3", "region": FOOT, "instruction": "Extend the floor."}]


def older_rounds(folder: Path) -> list[dict[str, Any]]:
    first = write(folder / "0142_base_1.tif", a_picture())
    second = write(folder / "0142_base_2.tif", retouched(CHEEK_PX))
    return [
        {"round": 2, "base": second, "notes": NOTES[1:]},
        {"round": 1, "base": first, "notes": NOTES[:1]},
    ]


def check_third(folder: Path, samples: Samples, notes: list[dict[str, Any]] = PRESENT) -> dict[str, Any]:
    older = older_rounds(folder)
    return check(
        write(folder / "0142_base_3.tif", retouched()), write(folder / "back.tif", samples), notes, older=older
    )


def test_return_from_the_present_base_lacks_nothing(tmp_path: Path) -> None:
    assert check_third(tmp_path, retouched(CHEEK_PX, HAIR_PX, FOOT_PX))["faults"] == []


def test_return_from_the_round_before_is_refused(tmp_path: Path) -> None:
    report = check_third(tmp_path, retouched(CHEEK_PX, FOOT_PX))
    text = (
        "back.tif was made from the base file of round 2: the work of round 2 is gone from it; "
        "work in the base file of this round."
    )
    assert report["faults"] == [{"kind": "older round", "text": text, "note": None}]
    assert report["accepted"] is False


def test_return_from_the_first_base_lacks_both_rounds(tmp_path: Path) -> None:
    report = check_third(tmp_path, retouched(FOOT_PX))
    assert "from the base file of round 1: the work of rounds 1 and 2 is gone" in report["causes"][0]
    assert [fault["kind"] for fault in report["faults"]] == ["older round"]


def test_older_base_itself_is_told_with_what_was_left_undone(tmp_path: Path) -> None:
    report = check_third(tmp_path, retouched(CHEEK_PX))
    assert [fault["kind"] for fault in report["faults"]] == ["older round", "note undone"]


def test_earlier_work_worked_over_again_is_no_older_round(tmp_path: Path) -> None:
    samples = retouched(CHEEK_PX, HAIR_PX, FOOT_PX)
    samples[CHEEK_PX] -= 2000  # half of it taken back
    samples[HAIR_PX] += 3000
    report = check_third(tmp_path, samples)
    assert report["faults"] == []
    assert report["outside"]["boxes"]


def test_a_part_put_back_is_no_older_round(tmp_path: Path) -> None:
    samples = retouched(CHEEK_PX, HAIR_PX, FOOT_PX)
    samples[20:40, 20:60] = a_picture()[20:40, 20:60]  # two thirds of the cheek
    assert check_third(tmp_path, samples)["faults"] == []


def test_earlier_work_that_is_asked_to_go_is_no_older_round(tmp_path: Path) -> None:
    notes = [*PRESENT, {"id": "n-4", "region": HAIR, "instruction": "The hair back, please."}]
    assert check_third(tmp_path, retouched(CHEEK_PX, FOOT_PX), notes)["faults"] == []


def test_a_rim_of_earlier_work_outside_a_note_says_nothing(tmp_path: Path) -> None:
    most = {"shape": "rectangle", "x": 10.0, "y": 20.0, "width": 17.0, "height": 30.0}
    notes = [*PRESENT, {"id": "n-4", "region": most, "instruction": "The mark back, please."}]
    assert check_third(tmp_path, retouched(HAIR_PX, FOOT_PX), notes)["faults"] == []


def test_one_note_of_a_round_put_back_is_only_told(tmp_path: Path) -> None:
    older = [{"round": 1, "base": write(tmp_path / "base_1.tif", a_picture()), "notes": NOTES}]
    base = write(tmp_path / "base_2.tif", retouched())
    report = check(base, write(tmp_path / "back.tif", retouched(CHEEK_PX, FOOT_PX)), PRESENT, older=older)
    assert report["faults"] == []
    assert report["outside"]["boxes"] == [[69.0, 58.0, 2.0, 4.0]]


def test_older_base_of_another_size_is_passed_over(tmp_path: Path) -> None:
    older = [{"round": 1, "base": write(tmp_path / "base_1.tif", a_picture()[:-2]), "notes": NOTES[1:]}]
    base = write(tmp_path / "base_2.tif", retouched())
    report = check(base, write(tmp_path / "back.tif", retouched(CHEEK_PX, FOOT_PX)), PRESENT, older=older)
    assert report["faults"] == []


def test_second_page_is_remarked(base: Path, tmp_path: Path) -> None:
    returned = tmp_path / "back.tif"
    with tifffile.TiffWriter(returned) as tiff:
        for samples in (retouched(), a_picture()):
            tiff.write(samples, photometric="rgb", iccprofile=profile_bytes("ROMM RGB"), metadata=None)
    report = check(base, returned)
    assert report["accepted"] is True
    assert report["remarks"] == ["back.tif has 2 pages; the first was looked at."]
    assert report["layered"] is True


def test_layers_are_remarked(base: Path, tmp_path: Path) -> None:
    layers = [(37724, 7, 64, bytes(64), True)]
    report = check(base, write(tmp_path / "back.tif", retouched(), extratags=layers))
    assert report["accepted"] is True
    assert "has layers" in report["remarks"][0]
    assert report["layered"] is True


def test_transparency_is_no_hindrance(base: Path, tmp_path: Path) -> None:
    alpha = np.full((HEIGHT, WIDTH, 1), 65_535, np.uint16)
    samples = np.concatenate([retouched(), alpha], axis=2)
    report = check(base, write(tmp_path / "back.tif", samples, extrasamples=["unassalpha"]))
    assert report["accepted"] is True
    (remark,) = report["remarks"]
    assert "has 1 channel beside colour (transparency, saved selections): kept in the file as it came" in remark


def test_float_samples_are_refused(base: Path, tmp_path: Path) -> None:
    report = check(base, write(tmp_path / "back.tif", retouched().astype(np.float32) / 65_535))
    assert report["accepted"] is False
    assert "8 or 16 bits" in report["causes"][0]


def test_no_tiff_is_refused(base: Path, tmp_path: Path) -> None:
    returned = tmp_path / "back.tif"
    Image.fromarray((retouched() // 257).astype(np.uint8)).save(returned, "JPEG")
    report = check(base, returned)
    assert report["causes"] == ["back.tif is no TIFF that can be read; return a flat TIFF."]
    assert report["width"] is report["profile"] is None


@settings(deadline=None, max_examples=25)
@given(cut=st.integers(0, 99), flip=st.integers(0, 10_000))
def test_damaged_file_is_told_never_raised(tmp_path_factory: pytest.TempPathFactory, cut: int, flip: int) -> None:
    folder = tmp_path_factory.mktemp("damaged")
    base = write(folder / "base.tif", a_picture())
    data = bytearray(write(folder / "back.tif", retouched(), compression="zlib").read_bytes())
    data[flip % 400] ^= 0xFF
    (folder / "back.tif").write_bytes(data[: len(data) * cut // 100])
    report = check(base, folder / "back.tif")
    assert report["accepted"] is False
    assert report["causes"]


def test_altered_base_stops_the_check(base: Path, tmp_path: Path) -> None:
    returned = write(tmp_path / "back.tif", retouched())
    with pytest.raises(FixityError):
        check(base, returned, facts={"sha256": "0" * 64})


def test_missing_return_is_of_the_world(base: Path, tmp_path: Path) -> None:
    with pytest.raises(VolumeError) as missing:
        check(base, tmp_path / "none.tif")
    assert missing.value.code == "V004"
