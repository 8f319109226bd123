"""Looks of the studio: listed, side by side, made; and what none of it may touch."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from glassine.flows.job_sheet import set_block
from glassine.flows.look import list_looks, look_bytes, look_path, make_look, show_looks
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, DocumentError, FrameError, GlassineError, VolumeError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.validation import Document
from glassine.tasks.imaging.cube import read_cube, unpack_table

JOB = "2611-04"
SHIPPED = ["hard-mono", "lifted-mono", "plain-colour", "soft-mono"]
CUBE = b"LUT_1D_SIZE 2\n0 0 0\n0.8 0.9 1\n"
CORRECTION = (
    "<ColorCorrection id='%s'><SOPNode><Slope>1.1 1 0.9</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode>"
    "</ColorCorrection>"
)


def see(studio: Studio, *named: Any, looks: list[str] | None = None, out: Path | None = None) -> Document:
    return show_looks(studio, named, ["hard-mono", "plain-colour"] if looks is None else looks, out)


@pytest.fixture
def original(card: Path) -> Path:
    return next(card.rglob("SIMU0001.DNG"))


def test_the_shipped_looks_are_listed_in_words(studio: Studio) -> None:
    listed = list_looks(studio)
    assert (listed["status"], [look["name"] for look in listed["looks"]]) == (0, SHIPPED)
    assert any(line.startswith("hard-mono: Preview on set") for line in listed["said"])
    assert all(look["steps"] for look in listed["looks"])


def test_wrong_looks_are_named_with_their_reason_and_the_others_are_listed(studio: Studio) -> None:
    folder = studio.folder / "looks"
    falls = {"step": "tone_curve", "points": [[0, 1], [1, 0]]}
    (folder / "a-falls.json").write_text(
        json.dumps({"format": 1, "name": "a-falls", "purpose": "X.", "steps": [falls]})
    )
    (folder / "b-none.json").write_text("{")
    (folder / "c-other.json").write_bytes((folder / "hard-mono.json").read_bytes())
    listed = list_looks(studio)
    assert (listed["status"], listed["ok"]) == (2, False)
    assert [look["name"] for look in listed["looks"]] == SHIPPED
    falls_sentence, none_sentence, other_sentence = listed["problems"]
    assert "a curve whose points rise" in falls_sentence
    assert "b-none.json" in none_sentence
    assert "c-other.json, at name: must be that of its file, c-other, not hard-mono" in other_sentence


def test_a_studio_without_looks_says_so(studio: Studio) -> None:
    for path in (studio.folder / "looks").iterdir():
        path.unlink()
    assert list_looks(studio)["said"] == [f"{studio.folder / 'looks'} holds no look."]


def test_frames_of_a_job_stand_side_by_side_and_nothing_of_the_job_changes(
    at: Callable[[str], Studio], contents: Callable[[Path], dict[str, str]]
) -> None:
    studio = at("proofed")
    folder = studio.job_folder(JOB)
    before = contents(folder)
    shown = see(studio, (JOB, 1), (JOB, 3))
    assert shown["status"] == 0
    sheet = Path(shown["sheet"])
    assert sheet == folder / "proofs" / "looks" / "looks_0001-0003_hard-mono_plain-colour.jpg"
    assert shown["sha256"] == hashlib.sha256(sheet.read_bytes()).hexdigest()
    with Image.open(sheet) as picture:
        assert picture.size == (shown["width"], shown["height"])
        assert picture.width > 2000
        assert picture.height > 666 + 1000, "a lying row and an upright one"
        grey, colour = np.asarray(picture)[200:700, 60:1000], np.asarray(picture)[200:700, 1100:2000]
    assert np.ptp(grey.astype(int), axis=2).max() <= 2
    assert np.ptp(colour.astype(int), axis=2).max() > 20
    after = contents(folder)
    assert {path: after[path] for path in before} == before, "no proof, and nothing else, is overwritten"
    assert set(after) - set(before) == {sheet.relative_to(folder).as_posix()}
    again = see(studio, (JOB, 1), (JOB, 3))
    assert again["sha256"] == shown["sha256"], "said again: the same bytes"


def test_a_file_is_shown_too_and_its_sheet_lies_in_the_current_folder(
    studio: Studio, original: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    shown = see(studio, original)
    assert Path(shown["sheet"]) == tmp_path / "here" / "looks_SIMU0001_hard-mono_plain-colour.jpg"
    assert len(see(studio, original, looks=[])["looks"]) == 4
    named = see(studio, original, out=tmp_path / "new" / "named.jpeg")
    assert (tmp_path / "new" / "named.jpeg").read_bytes() == Path(shown["sheet"]).read_bytes()
    assert named["sheet"] == str(tmp_path / "new" / "named.jpeg")


def test_a_balance_is_seen(at: Callable[[str], Studio]) -> None:
    from glassine.flows.balance import match_exposure

    studio = at("proofed")
    before = see(studio, (JOB, 1))["sha256"]
    match_exposure(studio, JOB, [1], stops=1.0)
    assert see(studio, (JOB, 1))["sha256"] != before


def test_a_copy_on_a_backup_does_where_the_first_is_not_whole(at: Callable[[str], Studio]) -> None:
    studio = at("proofed")
    frame = JobRecord(studio.job_folder(JOB)).manifest().frame(1)
    before = see(studio, (JOB, 1))["sha256"]
    root = studio.folder.parent / "volumes"
    copies = [root / volume / JOB / frame["copies"][0]["path"] for volume in ("working", "backup")]
    copies[0].chmod(0o600)
    copies[0].write_bytes(b"rotten")
    assert see(studio, (JOB, 1))["sha256"] == before
    copies[1].unlink()
    with pytest.raises(
        VolumeError, match=r"No whole copy of frame 0001 .* `glassine verify 2611-04 --repair`"
    ) as refused:
        see(studio, (JOB, 1))
    assert refused.value.code == "V001"


def test_a_blocked_frame_is_shown_to_nobody(at: Callable[[str], Studio]) -> None:
    studio = at("proofed")
    set_block(studio, JOB, [2], blocked=True, reason="no release", by=None)
    with pytest.raises(CallError, match="Frame 0002 is blocked \\(no release\\): it is shown to nobody") as refused:
        see(studio, (JOB, 1), (JOB, 2))
    assert refused.value.code == "W004"
    assert not (studio.job_folder(JOB) / "proofs" / "looks").exists()


def test_nothing_but_an_earlier_sheet_is_written_over(studio: Studio, original: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept.jpg"
    Image.new("RGB", (30, 20)).save(kept)
    before = kept.read_bytes()
    with pytest.raises(CallError, match="is there already, and is no look sheet") as refused:
        see(studio, original, out=kept)
    assert (refused.value.code, kept.read_bytes()) == ("W003", before)
    with pytest.raises(CallError, match=r"end it in \.jpg"):
        see(studio, original, out=original)
    see(studio, original, out=tmp_path / "sheet.jpg")
    see(studio, original, looks=["hard-mono", "soft-mono"], out=tmp_path / "sheet.jpg")


@pytest.mark.parametrize(
    ("looks", "words"),
    [
        (
            [f"look-{n}" for n in range(7)],
            "one to six looks, and 7 were named: name them with --look \\(there are hard-mono, lifted-mono",
        ),
    ],
)
def test_too_many_looks_are_refused(studio: Studio, original: Path, looks: list[str], words: str) -> None:
    with pytest.raises(CallError, match=words) as refused:
        see(studio, original, looks=looks)
    assert refused.value.code == "W001"


def test_one_look_is_shown_alone(studio: Studio, original: Path, tmp_path: Path) -> None:
    shown = see(studio, original, looks=["hard-mono", "hard-mono"], out=tmp_path / "one.jpg")
    assert shown["looks"] == ["hard-mono"]
    assert shown["said"] == [f"1 frame in 1 look: {tmp_path / 'one.jpg'}"]
    both = see(studio, original, out=tmp_path / "two.jpg")
    assert shown["height"] == both["height"] or shown["width"] < both["width"]
    for path in (studio.folder / "looks").glob("*.json"):
        if path.stem != "soft-mono":
            path.unlink()
    assert see(studio, original, looks=[], out=tmp_path / "only.jpg")["looks"] == ["soft-mono"]


def test_a_studio_without_looks_shows_none(studio: Studio, original: Path) -> None:
    for path in (studio.folder / "looks").iterdir():
        path.unlink()
    with pytest.raises(CallError, match=r"one to six looks, and the studio has 0: .*there are none") as refused:
        see(studio, original, looks=[])
    assert refused.value.code == "W001"


def test_more_looks_than_stand_on_a_sheet_must_be_named(studio: Studio, original: Path) -> None:
    for number in range(3):
        make_look(studio, f"more-{number}", purpose="X.", source="hard-mono")
    with pytest.raises(CallError, match="the studio has 7: name them"):
        see(studio, original, looks=[])


def test_a_wrong_look_or_file_is_said_before_anything_is_decoded(
    studio: Studio, original: Path, tmp_path: Path
) -> None:
    cases: list[tuple[Any, list[str], str]] = [
        (original, ["hard-mono", "nope"], "D004"),
        (tmp_path / "none.dng", ["hard-mono", "soft-mono"], "V004"),
    ]
    for named, looks, code in cases:
        with pytest.raises(GlassineError) as refused:
            see(studio, named, looks=looks)
        assert refused.value.code == code
    with pytest.raises(CallError, match="1 to 12 frames, not 13"):
        see(studio, *[original] * 13)


def test_a_picture_that_does_not_decode_is_one_sentence(
    studio: Studio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "broken.dng").write_bytes(b"II*\0" + bytes(64))
    with pytest.raises(FrameError, match=r"^broken cannot be shown: .* Take another frame\.$") as refused:
        see(studio, tmp_path / "broken.dng")
    assert refused.value.code == "P001"
    assert not list(tmp_path.glob("looks_*"))


def test_a_look_is_made_from_another(studio: Studio) -> None:
    made = make_look(studio, "quiet", purpose="For quiet days.", source="soft-mono")
    path = studio.folder / "looks" / "quiet.json"
    assert made["path"] == str(path)
    assert studio.look("quiet") == {**studio.look("soft-mono"), "name": "quiet", "purpose": "For quiet days."}
    assert path.read_bytes().decode().count('\n    {"step"') == len(made["look"]["steps"]), "a line a step"


def test_a_table_is_put_before_the_grain_and_is_a_part_of_the_look(studio: Studio, tmp_path: Path) -> None:
    (tmp_path / "evening.cube").write_bytes(CUBE)
    make_look(studio, "evening", purpose="Late.", cube=tmp_path / "evening.cube", source="lifted-mono")
    (tmp_path / "evening.cube").unlink()
    steps = studio.look("evening")["steps"]
    assert [step["step"] for step in steps[-2:]] == ["cube", "grain"]
    assert steps[-1] == studio.look("lifted-mono")["steps"][-1]
    assert (steps[-2]["space"], steps[-2]["interpolation"]) == ("sRGB", "tetrahedral")
    assert np.array_equal(unpack_table(steps[-2]["table"]).table, read_cube(CUBE).table)


def test_a_correction_is_put_on_plain_colour(studio: Studio, tmp_path: Path) -> None:
    path = tmp_path / "two.ccc"
    path.write_text(f"<C>{CORRECTION % 'a'}{CORRECTION % 'b'}</C>")
    with pytest.raises(DocumentError, match="holds 2 corrections \\(a, b\\)"):
        make_look(studio, "graded", purpose="X.", cdl=path)
    make_look(studio, "graded", purpose="X.", cdl=path, identifier="b", space="ROMM RGB")
    *before, step = studio.look("graded")["steps"]
    assert before == studio.look("plain-colour")["steps"]
    assert step == {
        "step": "cdl", "space": "ROMM RGB", "slope": [1.1, 1.0, 0.9], "offset": [0.0, 0.0, 0.0],
        "power": [1.0, 1.0, 1.0], "saturation": 1.0, "style": "clamp",
    }  # fmt: skip


def test_a_look_that_is_there_is_never_replaced(studio: Studio) -> None:
    path = look_path(studio, "hard-mono")
    before = path.read_bytes()
    for source in ("soft-mono", "hard-mono"):
        with pytest.raises(CallError, match="There is a look hard-mono already") as refused:
            make_look(studio, "hard-mono", purpose="X.", source=source)
        assert refused.value.code == "W003"
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("name", "words", "code", "said"),
    [
        ("a", {}, "W001", "made from: --from LOOK, --cdl FILE or --cube FILE"),
        ("a", {"cdl": Path("x"), "cube": Path("y")}, "W001", "Give one grade"),
        ("a", {"source": "hard-mono", "identifier": "x"}, "W001", "give the file with --cdl"),
        ("a", {"source": "nope"}, "D004", "no nope.json"),
        ("a", {"cube": Path("none.cube")}, "D001", "cannot be read"),
        ("A", {"source": "hard-mono"}, "D002", "look A, at name: must be written so: Lower case"),
        ("../a", {"source": "hard-mono"}, "D002", "at name"),
        ("con", {"source": "hard-mono"}, "D002", "look con, at name: is kept by some systems for themselves"),
        ("lpt9", {"source": "hard-mono"}, "D002", "look lpt9, at name: is kept by some systems"),
        ("x" * 5000, {"source": "hard-mono"}, "D002", "at name: must be written so: Lower case"),
        ("a", {"source": "x" * 5000}, "D002", "at name: must be written so: Lower case"),
        ("a", {"source": "hard-mono", "purpose": ""}, "D002", "at purpose: must not be empty"),
        ("a", {"source": "hard-mono", "purpose": "x" * 401}, "D002", "at purpose: must have at most 400"),
    ],
)
def test_what_no_look_can_be_made_of_is_refused(
    studio: Studio, contents: Callable[[Path], dict[str, str]], name: str, words: dict[str, Any], code: str, said: str
) -> None:
    before = contents(studio.folder)
    with pytest.raises(GlassineError, match=said) as refused:
        make_look(studio, name, **{"purpose": "X.", **words})
    assert refused.value.code == code
    assert contents(studio.folder) == before


def test_a_look_is_written_as_it_is_read(studio: Studio) -> None:
    for name in SHIPPED:
        look = studio.look(name)
        assert json.loads(look_bytes(look)) == look
        assert look_bytes(look).endswith(b"}\n")
