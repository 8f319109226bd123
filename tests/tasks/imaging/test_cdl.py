"""ASC CDL against the published vectors and OpenColorIO, and its files, hostile ones included."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import PyOpenColorIO
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import DocumentError, FrameError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.cdl import SIZE_LIMIT, apply_cdl, read_cdl

TOLERANCE = 1e-6
Grade = dict[str, Any]

SET_1: Grade = {
    "slope": [1.35, 1.1, 0.071],
    "offset": [0.05, -0.23, 0.11],
    "power": [0.93, 0.81, 1.27],
    "saturation": 1.23,
}
SET_2: Grade = {"slope": [1.15, 1.1, 0.9], "offset": [0.05, 0.02, 0.07], "power": [1.2, 0.95, 1.13], "saturation": 0.87}
# OpenColorIO's tests/cpu/ops/cdl/CDLOp_tests.cpp: in, with clamps, without
PUBLISHED = [
    (SET_1, (0.3278, 0.01, 1), (0.609399, 0, 0.113130), (0.645424, -0.260548, 0.149154)),
    (SET_1, (0.25, 0.5, 0.75), (0.422056, 0.401466, 0.035820), (0.422056, 0.401466, 0.035820)),
    (SET_1, (-0.2, 0.5, 1.4), (0, 0.421096, 0.101225), (-0.327485, 0.431854, 0.111983)),
    (SET_1, (1.25, 1.5, 1.75), (1, 1, 0), (1.753162, 1.331130, -0.108181)),
    (SET_2, (0.65, 0.55, 0.20), (0.745644, 0.639197, 0.264149), None),
    (SET_2, (0.41, 0.81, 0.39), (0.499594, 0.897554, 0.428591), None),
    (SET_2, (0.25, 0.5, 0.75), (0.305035, 0.578779, 0.692558), None),
]


def pixel(*values: float) -> FloatImage:
    return np.array(values, np.float32).reshape(1, 1, -1)


def same(number: float) -> list[float]:
    return [number] * 3


@pytest.mark.parametrize(("grade", "given_colour", "clamped", "free"), PUBLISHED)
def test_the_published_vectors(
    grade: Grade, given_colour: tuple[float, ...], clamped: tuple[float, ...], free: tuple[float, ...] | None
) -> None:
    assert apply_cdl(pixel(*given_colour), **grade, clamp=True).ravel() == pytest.approx(clamped, abs=TOLERANCE)
    if free is not None:
        assert apply_cdl(pixel(*given_colour), **grade, clamp=False).ravel() == pytest.approx(free, abs=TOLERANCE)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize(
    ("slope", "offset", "power", "into", "out"),
    [
        # OpenColorIO 2.6.0 and an own computation in float64 agree on each
        (1.2, -0.05, 1.1, 0.18, 0.138714),
        (1.2, -0.05, 1.1, 0.5, 0.518083),
        (1.2, -0.05, 1.1, 0.25, 0.217638),
        (1.2, -0.05, 1.1, 0.1, 0.053655),
        (0.94, 0.06, 1.0, 0.0, 0.06),
        (0.94, 0.06, 1.0, 0.18, 0.2292),
        (0.94, 0.06, 1.0, 1.0, 1.0),
    ],
)
def test_simple_rows_on_one_channel_and_on_three(
    channels: int, slope: float, offset: float, power: float, into: float, out: float
) -> None:
    graded = apply_cdl(pixel(*[into] * channels), same(slope), same(offset), same(power), 1.0, clamp=True)
    assert graded.shape == (1, 1, channels)
    assert graded.ravel() == pytest.approx([out] * channels, abs=TOLERANCE)


def test_without_saturation_each_channel_is_the_luma() -> None:
    graded = apply_cdl(pixel(0.5, 0.25, 0.1), same(1.0), same(0.02), same(1.0), 0.0, clamp=True)
    assert graded.ravel() == pytest.approx(same(0.31232), abs=TOLERANCE)


def test_one_channel_becomes_three_where_the_grade_parts_them() -> None:
    graded = apply_cdl(pixel(0.5), [1.1, 1.0, 0.9], same(0.0), same(1.0), 1.0, clamp=True)
    assert graded.ravel() == pytest.approx((0.55, 0.5, 0.45), abs=TOLERANCE)


@settings(max_examples=60, deadline=None)
@given(
    slope=st.lists(st.floats(0, 4), min_size=3, max_size=3),
    offset=st.lists(st.floats(-1, 1), min_size=3, max_size=3),
    power=st.lists(st.floats(0.2, 4), min_size=3, max_size=3),
    saturation=st.floats(0, 3),
    clamp=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_random_grades_are_those_of_opencolorio(
    slope: list[float], offset: list[float], power: list[float], saturation: float, clamp: bool, seed: int
) -> None:
    colours = np.random.default_rng(seed).uniform(-0.25, 1.5, (4, 8, 3)).astype(np.float32)
    transform = PyOpenColorIO.CDLTransform()
    transform.setSlope(slope)
    transform.setOffset(offset)
    transform.setPower(power)
    transform.setSat(saturation)
    transform.setStyle(PyOpenColorIO.CDL_ASC if clamp else PyOpenColorIO.CDL_NO_CLAMP)  # its default is without clamps
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(transform)
    # At its default optimisation it raises to a power quickly, 8.5e-6 off.
    cpu = processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_NONE)
    theirs = colours.copy()
    cpu.applyRGB(theirs)
    ours = apply_cdl(colours, slope, offset, power, saturation, clamp=clamp)
    # Without clamps a channel of 7 to its fourth power, spread threefold: in units of float32's last places.
    largest = max(1.0, float(np.abs(theirs).max()))
    assert np.abs(ours - theirs).max() <= TOLERANCE * largest


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), saturation=st.floats(0, 4))
def test_a_clamped_grade_stays_between_black_and_white(seed: int, saturation: float) -> None:
    random = np.random.default_rng(seed)
    colours = random.uniform(-3, 3, (4, 4, 3)).astype(np.float32)
    before = colours.copy()
    graded = apply_cdl(
        colours, random.uniform(0, 100, 3).tolist(), random.uniform(-100, 100, 3).tolist(),
        random.uniform(1e-3, 100, 3).tolist(), saturation, clamp=True,
    )  # fmt: skip
    assert graded.dtype == np.float32
    assert graded.min() >= 0
    assert graded.max() <= 1
    assert np.array_equal(colours, before), "the picture given is not changed"


def test_the_largest_grade_without_clamps_stays_finite() -> None:
    graded = apply_cdl(pixel(-9, 9, 9), same(100.0), same(100.0), same(100.0), 100.0, clamp=False)
    assert np.isfinite(graded).all()


@pytest.mark.parametrize(
    ("image", "change", "words"),
    [
        (np.zeros((2, 2, 2), np.float32), {}, "float32"),
        (np.zeros((2, 2, 3)), {}, "float64"),
        (np.full((1, 1, 3), np.nan, np.float32), {}, "NaN"),
        (np.zeros((1, 1, 3), np.float32), {"slope": [1.0, -0.1, 1.0]}, "slope must be from 0"),
        (np.zeros((1, 1, 3), np.float32), {"power": [1.0, 0.0, 1.0]}, "power must be above 0"),
        (np.zeros((1, 1, 3), np.float32), {"offset": [0.0, float("inf"), 0.0]}, "offset must be from -100"),
        (np.zeros((1, 1, 3), np.float32), {"saturation": float("nan")}, "saturation must be from 0"),
        (np.zeros((1, 1, 3), np.float32), {"slope": [1.0, 1.0]}, "three are wanted"),
    ],
)
def test_what_is_no_picture_or_no_grade_is_refused(image: FloatImage, change: Grade, words: str) -> None:
    with pytest.raises(FrameError, match=words) as refused:
        apply_cdl(image, **{**SET_1, **change}, clamp=True)
    assert refused.value.code == "P002"


SOP = "<SOPNode><Slope>1.1 1 0.9</Slope><Offset>0.01 -0.02 3e-2</Offset><Power>1 .95 1.</Power></SOPNode>"
SAT = "<SatNode><Saturation> 0.85 </Saturation></SatNode>"
OLD_SAT = SAT.replace("SatNode", "SATNode")
RIGHT: Grade = {"slope": [1.1, 1.0, 0.9], "offset": [0.01, -0.02, 0.03], "power": [1.0, 0.95, 1.0], "saturation": 0.85}


def written(folder: Path, text: str, name: str = "grade.ccc") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "text",
    [
        f'<?xml version="1.0" encoding="UTF-8"?>\n<ColorCorrection id="a">{SOP}{SAT}</ColorCorrection>',
        f'\n <?xml version="1.0"?><ColorCorrection xmlns="urn:ASC:CDL:v1.2">{SOP}{SAT}</ColorCorrection>',
        f'<c:ColorCorrection xmlns:c="urn:ASC:CDL:v1.01">{SOP}{SAT}</c:ColorCorrection>'.replace("<S", "<c:S")
        .replace("</S", "</c:S").replace("<O", "<c:O").replace("</O", "</c:O")
        .replace("<P", "<c:P").replace("</P", "</c:P"),
        f'<ColorCorrectionCollection xmlns="urn:ASC:CDL:v1.2"><ColorCorrection>{SAT}{SOP}</ColorCorrection></ColorCorrectionCollection>',
        f"<ColorDecisionList><ColorDecision><MediaRef ref='a'/><ColorCorrection id='1'>{SOP}{OLD_SAT}</ColorCorrection></ColorDecision></ColorDecisionList>",
    ],
    ids=["plain", "namespace", "prefix and 1.01", "collection", "list"],
)  # fmt: skip
def test_a_single_correction_is_read_from_every_kind_of_file(tmp_path: Path, text: str) -> None:
    assert read_cdl(written(tmp_path, text)) == RIGHT


def test_what_opencolorio_writes_is_read(tmp_path: Path) -> None:
    transform = PyOpenColorIO.CDLTransform()
    transform.setSlope([1.25, 1.0, 0.75])
    transform.setPower([1.5, 1.0, 0.5])
    transform.setSat(0.5)
    transform.setID("one")
    group = PyOpenColorIO.GroupTransform([transform])
    for kind in ("ColorCorrection", "ColorCorrectionCollection", "ColorDecisionList"):
        path = written(tmp_path, group.write(kind, PyOpenColorIO.Config.CreateRaw()), kind)
        read = read_cdl(path, "one")
        assert read == {"slope": [1.25, 1, 0.75], "offset": [0, 0, 0], "power": [1.5, 1, 0.5], "saturation": 0.5}


def test_either_node_may_be_missing(tmp_path: Path) -> None:
    assert read_cdl(written(tmp_path, f"<ColorCorrection>{SOP}</ColorCorrection>")) == {**RIGHT, "saturation": 1.0}
    only = read_cdl(written(tmp_path, f"<ColorCorrection>{SAT}</ColorCorrection>"))
    assert only == {"slope": same(1.0), "offset": same(0.0), "power": same(1.0), "saturation": 0.85}


def test_one_of_several_corrections_is_named_by_its_id(tmp_path: Path) -> None:
    text = (
        f"<ColorCorrectionCollection><ColorCorrection id='day'>{SOP}</ColorCorrection>"
        f"<ColorCorrection id='night'>{SAT}</ColorCorrection></ColorCorrectionCollection>"
    )
    path = written(tmp_path, text)
    assert read_cdl(path, "night")["saturation"] == 0.85
    with pytest.raises(DocumentError, match="holds 2 corrections \\(day, night\\): name one by its id") as refused:
        read_cdl(path)
    assert refused.value.code == "D002"
    with pytest.raises(DocumentError, match="no correction with the id dusk \\(there are: day, night\\)") as refused:
        read_cdl(path, "dusk")
    assert refused.value.code == "D004"


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("", "D001", "not plain XML"),
        ("slope 1 1 1", "D001", "not plain XML"),
        ("<ColorCorrection>", "D001", "not plain XML"),
        ("<?xml version='1.0' encoding='klingon'?><a/>", "D001", "not plain XML"),
        ("<!DOCTYPE a [<!ENTITY b 'c'>]><ColorCorrection>&b;</ColorCorrection>", "D001", "not plain XML"),
        ("<!DOCTYPE a SYSTEM 'file:///etc/passwd'><ColorCorrection/>", "D001", "not plain XML"),
        ("<a/>", "D001", "holds no ColorCorrection"),
        (f"<ColorCorrection xmlns='urn:of:another'>{SOP}</ColorCorrection>", "D001", "holds no ColorCorrection"),
        ("<ColorCorrection/>", "D002", "neither a SOPNode nor a SatNode"),
        (f"<ColorCorrection>{SOP}{SOP}</ColorCorrection>", "D002", "2 elements SOPNode"),
        (f"<ColorCorrection>{SAT}{SAT}</ColorCorrection>", "D002", "2 elements SatNode"),
        (f"<ColorCorrection id='x'>{SOP.replace('1.1 1 0.9', '1.1 0.9')}</ColorCorrection>", "D002",
         "at correction x: its Slope must be three numbers, not 1.1 0.9"),
        (f"<ColorCorrection>{SOP.replace('1.1 1 0.9', '')}</ColorCorrection>", "D002", "not nothing"),
        (f"<ColorCorrection>{SOP.replace('1.1 1 0.9', '1 1 1 1')}</ColorCorrection>", "D002", "three numbers"),
        (f"<ColorCorrection>{SOP.replace('1.1 1 0.9', '1,1 1 1')}</ColorCorrection>", "D002", "three numbers"),
        (f"<ColorCorrection>{SOP.replace('1.1 1 0.9', 'nan 1 1')}</ColorCorrection>", "D002", "three numbers"),
        (f"<ColorCorrection>{SOP.replace('1.1 1 0.9', '1e999 1 1')}</ColorCorrection>", "D002", "three numbers"),
        (f"<ColorCorrection>{SOP.replace('1.1 1 0.9', '1_0 1 1')}</ColorCorrection>", "D002", "three numbers"),
        (f"<ColorCorrection>{SOP.replace('1.1 1 0.9', '-1 1 1')}</ColorCorrection>", "D002", "slope must be from 0"),
        (f"<ColorCorrection>{SOP.replace('1.1 1 0.9', '1e9 1 1')}</ColorCorrection>", "D002", "slope must be from 0"),
        (f"<ColorCorrection>{SOP.replace('1 .95 1.', '1 0 1')}</ColorCorrection>", "D002", "power must be above 0"),
        ("<ColorCorrection><SatNode><Saturation>-1</Saturation></SatNode></ColorCorrection>", "D002", "saturation must"),
        ("<ColorCorrection><SatNode/></ColorCorrection>", "D002", "has no Saturation"),
        (f"<C><ColorCorrection id='a'>{SOP}</ColorCorrection><ColorCorrection id='a'>{SOP}</ColorCorrection></C>",
         "D002", "holds 2 corrections \\(a, a\\)"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_refused_with_one_sentence(tmp_path: Path, text: str, code: str, words: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(DocumentError, match=words) as refused:
        read_cdl(path)
    assert refused.value.code == code
    assert str(path) in refused.value.sentence


def test_an_id_that_stands_twice_is_refused(tmp_path: Path) -> None:
    one = f"<ColorCorrection id='a'>{SOP}</ColorCorrection>"
    with pytest.raises(DocumentError, match="2 corrections with the id a"):
        read_cdl(written(tmp_path, f"<C>{one}{one}</C>"), "a")


def test_a_file_that_is_not_there_or_too_large_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match="cannot be read") as refused:
        read_cdl(tmp_path / "none.cc")
    assert refused.value.code == "D001"
    path = tmp_path / "large.cc"
    path.write_bytes(b" " * (SIZE_LIMIT + 1))
    with pytest.raises(DocumentError, match="larger than 4 MB"):
        read_cdl(path)


@settings(max_examples=60, deadline=None)
@given(content=st.binary(max_size=200))
def test_no_bytes_do_more_than_be_refused(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "noise.cc"
    path.write_bytes(content)
    with pytest.raises(DocumentError):
        read_cdl(path)


def test_deep_nesting_is_no_trouble(tmp_path: Path) -> None:
    depth = 100_000
    path = written(tmp_path, "<a>" * depth + f"<ColorCorrection>{SOP}{SAT}</ColorCorrection>" + "</a>" * depth)
    assert read_cdl(path) == RIGHT
