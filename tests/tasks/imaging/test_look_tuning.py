"""Tuning by lines: what each changes, what is refused, and that no line leaves a look that is none."""

from __future__ import annotations

import copy
import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from glassine.schemas.errors import CallError, DocumentError
from glassine.tasks.imaging.bit_depth import to_uint16
from glassine.tasks.imaging.look import apply
from glassine.tasks.imaging.look_tuning import LINES, Tuning, change, check_look, insert_step

Look = dict[str, Any]
LOOKS = {
    path.stem: json.loads(path.read_text("utf-8"))
    for path in sorted((Path(__file__).parents[3] / "config" / "looks").glob("*.json"))
}
CURVE: Look = {"step": "tone_curve", "points": [[-8, -9], [-2, -2.1], [0, 0.2], [2.474, 2.4]]}
GRAIN: Look = {"step": "grain", "granularity": 17, "format_long_side_mm": 36, "clump_um": 6}
BOX = {"shape": "ellipse", "x": 5.0, "y": 5.0, "width": 90.0, "height": 90.0}


def look_of(*steps: Look) -> Look:
    return {"format": 1, "name": "test", "purpose": "A test.", "steps": copy.deepcopy(list(steps))}


def steps_after(line: str, *steps: Look) -> list[Look]:
    before = look_of(*steps)
    kept = copy.deepcopy(before)
    after = change(before, line)
    assert before == kept, "the look given is not changed"
    assert {**after, "steps": before["steps"]} == before, "a line about steps changes steps alone"
    return list(after["steps"])


@pytest.mark.parametrize(
    ("line", "step"),
    [
        ("exposure 0.5", {"step": "exposure", "stops": 0.5}),
        ("  exposure   -2 ", {"step": "exposure", "stops": -2}),
        ("filter orange", {"step": "monochrome", "filter": "orange"}),
        ("filter none", {"step": "monochrome", "filter": "none"}),
        ("weights 0.4 0.5 .1", {"step": "monochrome", "red": 0.4, "green": 0.5, "blue": 0.1}),
        ("weights 1 0 0 Adobe RGB (1998)",
         {"step": "monochrome", "red": 1, "green": 0, "blue": 0, "primaries": "Adobe RGB (1998)"}),
        ("black L* 9", {"step": "black_point", "lightness": 9}),
        ("black D 1.9", {"step": "black_point", "density": 1.9}),
        ("white L* 97", {"step": "white_point", "lightness": 97}),
        ("white d 0.05", {"step": "white_point", "density": 0.05}),
        ("tone 0 0 3", {"step": "toning", "points": [[0, 0, 3], [100, 0, 0]]}),
        ("tone 50 1 3", {"step": "toning", "points": [[0, 0, 0], [50, 1, 3], [100, 0, 0]]}),
        ("grain 17 36 6", GRAIN),
        ("burn 0.7 ellipse=percent:5,5,90,90 outside feather 25",
         {"step": "burn_in", "stops": 0.7, "region": BOX, "outside": True, "feather_percent": 25}),
        ("hold 0.5 ellipse=percent:5,5,90,90",
         {"step": "hold_back", "stops": 0.5, "region": BOX, "outside": False, "feather_percent": 20}),
        ("burn 1 polygon=percent:0,0 50,0 0,50 feather 5%",
         {"step": "burn_in", "stops": 1, "outside": False, "feather_percent": 5,
          "region": {"shape": "polygon", "points": [[0, 0], [50, 0], [0, 50]]}}),
    ],
)  # fmt: skip
def test_a_line_puts_a_step_in_before_the_grain_or_in_place_of_the_one_there(line: str, step: Look) -> None:
    kind = step["step"]
    added = steps_after(line, CURVE) if kind == "grain" else steps_after(line, CURVE, GRAIN)
    assert json.loads(json.dumps([known for known in added if known["step"] == kind])) == [step]
    assert added[-1]["step"] == "grain"
    if kind not in ("burn_in", "hold_back", "toning"):
        other = next(known for name, known in OTHERS.items() if name == kind)
        assert steps_after(line, CURVE, other) == [CURVE, step]


OTHERS: dict[str, Look] = {
    "exposure": {"step": "exposure", "stops": 3},
    "monochrome": {"step": "monochrome", "filter": "red"},
    "black_point": {"step": "black_point", "lightness": 3},
    "white_point": {"step": "white_point", "density": 0.1},
    "grain": {**GRAIN, "granularity": 3},
}


def test_new_steps_stand_in_the_trades_order() -> None:
    look = look_of(CURVE)
    for line in ("grain 17 36 6", "tone 0 0 3", "black L* 9", "filter red", "burn 1 xywh=percent:0,0,50,50", "exposure 1",
                 "white L* 97", "hold 1 xywh=percent:50,0,50,50"):  # fmt: skip
        look = change(look, line)
    assert [step["step"] for step in look["steps"]] == [
        "exposure", "burn_in", "hold_back", "monochrome", "tone_curve", "white_point", "black_point", "toning", "grain",
    ]  # fmt: skip


def test_black_and_white_stand_after_a_foreign_grade() -> None:
    cdl: Look = {"step": "cdl", "space": "sRGB", "slope": [1, 1, 1], "offset": [0, 0, 0], "power": [1, 1, 1],
           "saturation": 1, "style": "clamp"}  # fmt: skip
    assert [step["step"] for step in steps_after("black D 1.9", CURVE, cdl, GRAIN)] == [
        "tone_curve", "cdl", "black_point", "grain",
    ]  # fmt: skip
    steps = [copy.deepcopy(CURVE), copy.deepcopy(GRAIN)]
    insert_step(steps, cdl)
    assert [step["step"] for step in steps] == ["tone_curve", "cdl", "grain"]


def test_the_last_of_several_is_changed_and_regions_are_added() -> None:
    one, two = {"step": "exposure", "stops": 1}, {"step": "exposure", "stops": 2}
    assert steps_after("exposure 3", one, two) == [one, {"step": "exposure", "stops": 3}]
    look = change(change(look_of(CURVE), "burn 1 xywh=percent:0,0,50,50"), "burn 2 xywh=percent:0,0,20,20")
    assert [step.get("stops") for step in look["steps"]] == [1, 2, None]


def test_weights_keep_the_primaries_that_were_named() -> None:
    known = {"step": "monochrome", "red": 1, "green": 1, "blue": 1, "primaries": "sRGB"}
    assert steps_after("weights 1 0 0", known) == [{**known, "green": 0, "blue": 0}]
    assert steps_after("weights 1 0 0 ROMM RGB", known)[0]["primaries"] == "ROMM RGB"
    assert "primaries" not in steps_after("filter red", known)[0]


def test_points_of_the_curve_are_added_moved_and_dropped() -> None:
    assert steps_after("point -1 -1", CURVE)[0]["points"] == [[-8, -9], [-2, -2.1], [-1, -1], [0, 0.2], [2.474, 2.4]]
    assert steps_after("point -2 -2.6", CURVE)[0]["points"] == [[-8, -9], [-2, -2.6], [0, 0.2], [2.474, 2.4]]
    assert steps_after("drop -2", CURVE)[0]["points"] == [[-8, -9], [0, 0.2], [2.474, 2.4]]
    assert steps_after("point 0 0.5", OTHERS["exposure"])[1]["points"] == [[-8, -8], [0, 0.5], [2.474, 2.474]]


def test_contrast_multiplies_the_stops_below_grey_and_bends_those_above_towards_white() -> None:
    points = steps_after("contrast 1.1", CURVE)[0]["points"]
    # 2.474 · 1.1 t / (1 + 0.1 t) for t = 0.2 / 2.474 and t = 2.4 / 2.474
    assert points == [[-8, -9.9], [-2, -2.31], [0, 0.218], [2.474, 2.407]]
    assert steps_after("contrast 2", CURVE)[0]["points"][0] == [-8, -16]
    assert steps_after("contrast 1", CURVE) == [CURVE]


CURVES = st.tuples(
    st.lists(st.integers(-15, 24), min_size=1, max_size=12, unique=True), st.sampled_from([[], [2.474], [2.474, 2.48]])
).map(lambda drawn: [out / 10 if out > 0 else out / 2 for out in sorted(drawn[0])] + drawn[1])
"""Stops out: a tenth apart or more above grey, half a stop or more below it."""


@settings(max_examples=100, deadline=None)
@given(outs=CURVES.filter(lambda outs: len(outs) > 1), factor=st.integers(100, 10000).map(lambda number: number / 1000))
def test_contrast_keeps_white_and_the_order_and_its_inverse_takes_it_back(outs: list[float], factor: float) -> None:
    before = [[place / 2 - 6, out] for place, out in enumerate(outs)]
    look = change(look_of({"step": "tone_curve", "points": before}), f"contrast {factor}")
    after = [out for _, out in look["steps"][0]["points"]]
    assert after[len([out for out in outs if out < 2.474]) :] == [out for out in outs if out >= 2.474]
    held = [out for out in outs if out * factor <= -15.999]
    assert all(low < high for low, high in pairwise(after[max(0, len(held) - 1) :]))
    back = change(look, f"contrast {1 / factor:.9f}")["steps"][0]["points"]
    # Three digits are kept each time; the way back stretches what the first one left out.
    rounding = 0.0006 * (1 + max(factor, 1 / factor))
    assert [out for _, out in back][len(held) :] == pytest.approx(outs[len(held) :], abs=rounding)
    assert [into for into, _ in back] == [into for into, _ in before]


@pytest.mark.parametrize("factor", [1.1, 0.9, 1.5])
@pytest.mark.parametrize("name", LOOKS)
def test_contrast_burns_out_no_light_of_the_studios_looks_and_can_be_taken_back(name: str, factor: float) -> None:
    def rendered(look: Look) -> NDArray[np.uint16]:
        steps = [step for step in look["steps"] if step["step"] != "grain"]
        ramp = np.repeat(2.0 ** np.arange(-9, 0.5, 0.5), 3).astype(np.float32).reshape(1, -1, 3)
        return to_uint16(apply({**look, "steps": steps}, ramp, seed=1))[0, :, 1]

    changed = change(LOOKS[name], f"contrast {factor}")
    encoded = 255 * (rendered(changed)[-4:] / 65535) ** (1 / 2.2)
    assert np.all(np.diff(encoded) >= 2), "lights half a stop apart are two codes of eight bits apart or more"
    back = rendered(change(changed, f"contrast {1 / factor:.9f}")).astype(np.int64)
    # Stops out are held at -16, and have three digits; 10 of these codes are half a code of 8 bits in the black.
    assert back == pytest.approx(rendered(LOOKS[name]), rel=2e-3, abs=10)


def test_toning_points_are_moved_and_older_toning_becomes_points() -> None:
    older = {"step": "toning", "shadows": [1, 2], "lights": [3, 4]}
    assert steps_after("tone 50 0 0", older)[0]["points"] == [[0, 1, 2], [50, 0, 0], [100, 3, 4]]
    newer = {"step": "toning", "points": [[0, 1, 2], [100, 3, 4]]}
    assert steps_after("tone 0 5 6", newer)[0]["points"] == [[0, 5, 6], [100, 3, 4]]


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("colour", "monochrome"),
        ("black off", "black_point"),
        ("white off", "white_point"),
        ("tone off", "toning"),
        ("grain off", "grain"),
        ("burn off", "burn_in"),
        ("hold off", "hold_back"),
    ],
)
def test_a_step_is_taken_out_or_it_is_said_that_there_is_none(line: str, kind: str) -> None:
    look = look_of(CURVE)
    for put in ("filter red", "black L* 9", "white L* 97", "tone 0 0 3", "grain 17 36 6",
                "burn 1 xywh=percent:0,0,50,50", "hold 1 xywh=percent:0,0,50,50"):  # fmt: skip
        look = change(look, put)
    after = change(look, line)
    assert [step["step"] for step in after["steps"]] == [step["step"] for step in look["steps"] if step["step"] != kind]
    with pytest.raises(CallError, match="The look has no "):
        change(after, line)


def test_the_purpose_is_a_line_of_its_own() -> None:
    assert change(look_of(CURVE), "purpose  Warm light,  late. ")["purpose"] == "Warm light,  late."


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("", "“” begins no line of tuning: there are exposure, filter"),
        ("brighter 1", "“brighter” begins no line"),
        ("save", "“save” begins no line"),
        ("exposure", "Write: exposure STOPS"),
        ("exposure 1 2", "Write: exposure STOPS"),
        ("exposure 0,5", "“0,5” is no number: write it as 0.5"),
        ("exposure nan", "“nan” is no number"),
        ("exposure 1e999", "“1e999” is no number"),
        ("exposure " + "9" * 50, "“9{50}” is no number"),
        ("exposure 11", "“exposure 11” changes nothing: STOPS must be at most 10 .*, not 11"),
        ("filter", "Write: filter none"),
        ("filter blue", "changes nothing: the filter must be one of none, yellow, orange, red, green, not \"blue\""),
        ("weights 1 1", "Write: weights RED"),
        ("weights 0 0 0", "changes nothing: wanted is channel weights with a sum"),
        ("weights 1 4 1", "changes nothing: GREEN must be at most 3, not 4"),
        ("weights 1 1 1 CMYK", "changes nothing: SPACE must be one of ROMM RGB"),
        ("colour now", "Write: colour, and nothing after it"),
        ("point -2", "Write: point STOPS-IN STOPS-OUT"),
        ("point -3 2", "changes nothing: wanted is a curve whose points rise"),
        ("point 9 2", "changes nothing: STOPS-IN must be at most 8, not 9"),
        ("point 1 9", "changes nothing: STOPS-OUT must be at most 2.48, not 9"),
        ("drop -3", "no point at -3 stops: there are -8, -2, 0, 2.474"),
        ("drop x", "“x” is no number"),
        ("contrast 0", "multiplied by 0.1 to 10, not by 0"),
        ("black", "Write: black L\\* NUMBER, black D NUMBER, or black off"),
        ("black 9", "Write: black L\\*"),
        ("black L* 60", "changes nothing: L\\* must be at most 50"),
        ("black D 0.1", "changes nothing: D must be at least 0.73"),
        ("white L* 9", "L\\* must be at least 50"),
        ("tone 0 0", "Write: tone L\\*"),
        ("tone 101 0 0", "changes nothing: L\\* must be at most 100"),
        ("tone 0 70 0", "A\\* must be at most 60"),
        ("tone 0 0 90", "changes nothing: B\\* must be at most 60, not 90"),
        ("grain 17", "Write: grain GRANULARITY"),
        ("grain 17 36 99", "CLUMP-UM must be at most 40"),
        ("burn", "Write: burn STOPS REGION"),
        ("burn 1", "Write: burn STOPS REGION"),
        ("burn x xywh=percent:0,0,50,50", "“x” is no number"),
        ("burn 1 somewhere", "is no region; write xywh=percent"),
        ("burn 1 xywh=percent:0,0,50,50 feather", "region|number"),
        ("burn 1 xywh=percent:0,0,50,50 feather 1", "PERCENT must be at least 2"),
        ("burn 1 xywh=percent:0,0,0.05,50", "changes nothing: the region must be 0.1 percent wide and high or more"),
        ("burn 1 polygon=percent:" + " ".join(f"{n % 100},{n // 2}" for n in range(101)),
         "changes nothing: the polygon must have at most 100 corners, and has 101"),
        ("hold 9 xywh=percent:0,0,50,50", "STOPS must be at most 6"),
        ("purpose", "“purpose” changes nothing: the purpose must not be empty"),
        ("purpose " + "x" * 401, "the purpose must have at most 400"),
    ],
)  # fmt: skip
def test_a_wrong_line_is_one_sentence_and_changes_nothing(line: str, words: str) -> None:
    look = look_of(CURVE)
    before = copy.deepcopy(look)
    with pytest.raises(CallError, match=words) as refused:
        change(look, line)
    assert refused.value.code == "W001"
    assert "\n" not in refused.value.sentence
    assert "[" not in refused.value.sentence.replace("[outside] [feather PERCENT]", ""), "no place in a file"
    assert look == before


def test_the_last_step_stays() -> None:
    with pytest.raises(CallError, match=r"“colour” changes nothing: the look must not be empty\."):
        change(look_of(OTHERS["monochrome"]), "colour")


def test_a_curve_keeps_two_points_and_a_look_has_room_for_so_many_steps() -> None:
    straight = {"step": "tone_curve", "points": [[-8, -8], [2, 2]]}
    with pytest.raises(CallError, match="“drop 2” changes nothing: the curve must have at least 2 entries"):
        change(look_of(straight), "drop 2")
    with pytest.raises(CallError, match="changes nothing: the look must have at most 32 entries, and has 33"):
        change(look_of(*[OTHERS["exposure"]] * 32), "burn 1 xywh=percent:0,0,50,50")


def test_undo_takes_one_change_back_at_a_time() -> None:
    tuning = Tuning(look_of(CURVE))
    tuning.change("exposure 1")
    tuning.change("filter red")
    with pytest.raises(CallError):
        tuning.change("filter blue")
    assert tuning.lines == ["exposure 1", "filter red"]
    tuning.undo()
    assert tuning.look["steps"] == [{"step": "exposure", "stops": 1}, CURVE]
    tuning.undo()
    assert (tuning.look, tuning.lines) == (look_of(CURVE), [])
    with pytest.raises(CallError, match="nothing to undo"):
        tuning.undo()


def numbers(low: float, high: float) -> st.SearchStrategy[str]:
    return st.floats(low, high).map(lambda number: f"{number:.3f}")


def lines_of(word: str, *parts: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.tuples(*parts).map(lambda made: " ".join((word, *made)))


BOXES = st.tuples(*[st.integers(0, 49)] * 2, *[st.integers(1, 50)] * 2).map(
    lambda box: f"ellipse=percent:{','.join(map(str, box))}"
)
ENDS = st.sampled_from(["", " outside", " feather 10", " outside feather 40"])
REGIONS = st.tuples(BOXES, ENDS).map("".join)
ANY_LINE = st.one_of(
    lines_of("exposure", numbers(-12, 12)),
    lines_of("filter", st.sampled_from(["none", "yellow", "orange", "red", "green", "blue"])),
    lines_of("weights", *[numbers(-2.5, 3.5)] * 3),
    st.sampled_from(
        ["colour", "black off", "white off", "tone off", "grain off", "burn off", "hold off", "purpose X."]
    ),
    lines_of("point", numbers(-17, 9), numbers(-17, 3)),
    lines_of("drop", st.sampled_from(["-8", "-2", "0", "2.474"])),
    lines_of("contrast", numbers(0.05, 4)),
    lines_of("black", st.just("L*"), numbers(-1, 60)),
    lines_of("black", st.just("D"), numbers(0, 5)),
    lines_of("white", st.just("L*"), numbers(40, 101)),
    lines_of("white", st.just("D"), numbers(0, 1)),
    lines_of("tone", numbers(0, 100), numbers(-65, 65), numbers(-65, 65)),
    lines_of("grain", numbers(0, 65), numbers(5, 300), numbers(0, 45)),
    lines_of("burn", numbers(0, 7), REGIONS),
    lines_of("hold", numbers(0, 7), REGIONS),
    st.text(max_size=30),
)


@settings(max_examples=50, deadline=None)
@given(name=st.sampled_from(sorted(LOOKS)), lines=st.lists(ANY_LINE, max_size=12))
def test_no_lines_leave_a_look_that_is_none_and_undo_brings_each_state_back(name: str, lines: list[str]) -> None:
    tuning = Tuning(LOOKS[name])
    states = [copy.deepcopy(tuning.look)]
    for line in lines:
        before = copy.deepcopy(tuning.look)
        try:
            tuning.change(line)
        except CallError as error:
            assert error.code == "W001"
            assert tuning.look == before
            continue
        assert json.loads(json.dumps(tuning.look)) == tuning.look, "it is JSON as it stands"
        check_look(tuning.look, label="the look")
        states.append(copy.deepcopy(tuning.look))
    while len(states) > 1:
        assert tuning.look == states.pop()
        tuning.undo()
    assert tuning.look == states[0] == LOOKS[name]


def test_every_line_that_is_known_is_listed() -> None:
    with pytest.raises(CallError) as refused:
        change(look_of(CURVE), "?")
    known = refused.value.sentence.partition("there are ")[2].rstrip(".").split(", ")
    assert sorted(known) == sorted(line.split()[0] for line in LINES)


def test_a_look_is_checked_by_its_schema_and_by_what_the_schema_cannot_say() -> None:
    with pytest.raises(DocumentError, match="look x, at steps: must not be empty"):
        check_look(look_of(), label="look x")
    with pytest.raises(DocumentError, match="a curve whose points rise"):
        check_look(look_of({"step": "tone_curve", "points": [[0, 0], [0, 1]]}), label="look x")
    assert check_look(look_of(CURVE), label="look x") == look_of(CURVE)
