"""Tables against published values and OpenColorIO, in a look's JSON, and hostile ones."""

from __future__ import annotations

import base64
import itertools
import json
import zlib
from pathlib import Path
from typing import Any, Literal

import numpy as np
import PyOpenColorIO
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import DocumentError, FrameError
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.cube import LARGEST_SIZE, SIZE_LIMIT, Cube, apply_cube, pack_table, read_cube, unpack_table

Interpolation = Literal["tetrahedral", "trilinear"]
TOLERANCE = 1e-6
UNIT = ((0.0, 0.0, 0.0), (1.0, 1.0, 1.0))


def product_mean_maximum(size: int) -> Cube:
    """A table of f = (r·g·b, mean, maximum)."""
    side = np.linspace(0, 1, size)
    blue, green, red = np.meshgrid(side, side, side, indexing="ij")
    table = np.stack([red * green * blue, (red + green + blue) / 3, np.maximum(red, np.maximum(green, blue))], -1)
    return Cube("", "3D", size, *UNIT, table.astype(np.float32))


def random_cube(size: int, seed: int, kind: Literal["1D", "3D"] = "3D") -> Cube:
    random = np.random.default_rng(seed)
    shape = (size, 3) if kind == "1D" else (size, size, size, 3)
    # As smooth as a grade: it departs from no change at all by a few entries.
    table = random.uniform(-0.1, 1.2, shape).astype(np.float32)
    low = random.uniform(-0.5, 0.2, 3)
    return Cube("", kind, size, (low[0], low[1], low[2]), (low[0] + 1, low[1] + 1.5, low[2] + 2), table)


def written(cube: Cube) -> bytes:
    lines = [f"LUT_{cube.kind}_SIZE {cube.size}"]
    lines += [f"DOMAIN_MIN {' '.join(map(repr, map(float, cube.domain_min)))}"]
    lines += [f"DOMAIN_MAX {' '.join(map(repr, map(float, cube.domain_max)))}"]
    lines += [" ".join(format(value, ".9g") for value in row) for row in cube.table.reshape(-1, 3).tolist()]
    return ("\n".join(lines) + "\n").encode()


def colour(*values: float) -> FloatImage:
    return np.array(values, np.float32).reshape(1, -1, 3)


def by_opencolorio(path: Path, colours: FloatImage, interpolation: Any) -> FloatImage:
    # It caches a file by its name: a new Config each time, and unique names.
    transform = PyOpenColorIO.FileTransform(str(path), interpolation=interpolation)
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(transform)
    theirs = np.ascontiguousarray(colours.copy())
    processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_NONE).applyRGB(theirs)
    return theirs


@pytest.mark.parametrize(
    ("into", "trilinear", "tetrahedral"),
    [
        ((0.5, 0.5, 0.5), (0.125, 0.5, 0.875), (0.5, 0.5, 0.5)),
        ((0.25, 0.5, 0.75), (0.09375, 0.5, 0.90625), (0.25, 0.5, 0.75)),
        ((0.1, 0.2, 0.9), (0.018, 0.4, 0.928), (0.1, 0.4, 0.9)),
        ((1.2, -0.1, 0.5), (0, 0.5, 1), (0, 0.5, 1)),
    ],
)
def test_a_cube_of_two_by_hand(
    into: tuple[float, ...], trilinear: tuple[float, ...], tetrahedral: tuple[float, ...]
) -> None:
    cube = product_mean_maximum(2)
    assert apply_cube(colour(*into), cube, "trilinear").ravel() == pytest.approx(trilinear, abs=TOLERANCE)
    assert apply_cube(colour(*into), cube).ravel() == pytest.approx(tetrahedral, abs=TOLERANCE)


def test_red_runs_fastest() -> None:
    rows = "\n".join(f"{red} {green} {blue}" for blue, green, red in itertools.product((0, 1), repeat=3))
    cube = read_cube(f"LUT_3D_SIZE 2\n{rows}\n".encode())
    assert cube.table[0, 0, 1].tolist() == [1, 0, 0]
    assert cube.table[1, 0, 0].tolist() == [0, 0, 1]
    colours = np.random.default_rng(1).random((3, 5, 3), np.float32)
    for interpolation in ("tetrahedral", "trilinear"):
        assert apply_cube(colours, cube, interpolation) == pytest.approx(colours, abs=TOLERANCE)


@pytest.mark.parametrize(("size", "kind"), [(2, "3D"), (5, "3D"), (33, "3D"), (2, "1D"), (17, "1D"), (1024, "1D")])
@pytest.mark.parametrize("interpolation", ["tetrahedral", "trilinear"])
def test_random_tables_are_those_of_opencolorio(
    tmp_path: Path, size: int, kind: Literal["1D", "3D"], interpolation: Interpolation
) -> None:
    path = tmp_path / f"table-{kind}-{size}-{interpolation}.cube"
    path.write_bytes(written(random_cube(size, size, kind)))
    colours = np.random.default_rng(7).uniform(-0.7, 2.2, (20, 100, 3)).astype(np.float32)
    how = PyOpenColorIO.INTERP_TETRAHEDRAL if interpolation == "tetrahedral" else PyOpenColorIO.INTERP_LINEAR
    theirs = by_opencolorio(path, colours, how if kind == "3D" else PyOpenColorIO.INTERP_LINEAR)
    ours = apply_cube(colours, read_cube(path), interpolation)
    # Neighbours in a random table differ by up to 1.3, and float32 places a colour between them within 2^-24 of the side.
    assert np.abs(ours - theirs).max() < max(TOLERANCE, 1.3 * size * 2**-23)


@pytest.mark.parametrize("size", [2, 5, 33])
def test_a_smooth_table_is_that_of_opencolorio(tmp_path: Path, size: int) -> None:
    path = tmp_path / f"smooth-{size}.cube"
    path.write_bytes(written(product_mean_maximum(size)))
    colours = np.random.default_rng(8).uniform(-0.1, 1.1, (4, 127, 3)).astype(np.float32)
    cube = read_cube(path)
    for interpolation, how in (("tetrahedral", "BEST"), ("trilinear", "DEFAULT")):
        theirs = by_opencolorio(path, colours, getattr(PyOpenColorIO, f"INTERP_{how}"))
        assert np.abs(apply_cube(colours, cube, interpolation) - theirs).max() < TOLERANCE  # type: ignore[arg-type]


def test_curves_over_a_domain_of_two(tmp_path: Path) -> None:
    path = tmp_path / "curve-over-two.cube"
    path.write_text("LUT_1D_SIZE 3\nDOMAIN_MIN 0 0 0\nDOMAIN_MAX 2 2 2\n0 0 0\n.8 .8 .8\n1 1 1\n")
    colours = np.repeat(np.array([0, 0.5, 1, 1.5, 3, -1], np.float32), 3).reshape(1, -1, 3)
    curved = apply_cube(colours, read_cube(path))
    assert curved[0, :, 1] == pytest.approx([0, 0.4, 0.8, 0.9, 1, 0], abs=TOLERANCE)
    assert curved == pytest.approx(by_opencolorio(path, colours, PyOpenColorIO.INTERP_LINEAR), abs=TOLERANCE)


def test_each_channel_has_its_own_curve() -> None:
    cube = read_cube(b"LUT_1D_SIZE 2\n0 0.25 0.5\n1 0.75 0.5\n")
    assert apply_cube(colour(0.5, 0.5, 0.9), cube).ravel() == pytest.approx([0.5, 0.5, 0.5], abs=TOLERANCE)
    assert apply_cube(colour(0.25, 0, 0.9), cube).ravel() == pytest.approx([0.25, 0.25, 0.5], abs=TOLERANCE)


@settings(max_examples=50, deadline=None)
@given(size=st.integers(2, 9), seed=st.integers(0, 2**32 - 1))
def test_tetrahedral_keeps_greys_neutral_between_neutral_entries(size: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    table = random.random((size, size, size, 3), np.float32)
    diagonal = np.arange(size)
    table[diagonal, diagonal, diagonal] = random.random((size, 1), np.float32)
    greys = np.repeat(random.uniform(-0.2, 1.2, (3, 40, 1)).astype(np.float32), 3, axis=2)
    looked_up = apply_cube(greys, Cube("", "3D", size, *UNIT, table), "tetrahedral")
    assert np.array_equal(looked_up[..., 0], looked_up[..., 1])
    assert np.array_equal(looked_up[..., 0], looked_up[..., 2])


@settings(max_examples=50, deadline=None)
@given(
    size=st.integers(2, 6), seed=st.integers(0, 2**32 - 1), interpolation=st.sampled_from(["tetrahedral", "trilinear"])
)
def test_what_comes_out_lies_within_the_table(size: int, seed: int, interpolation: Interpolation) -> None:
    cube = random_cube(size, seed)
    colours = np.random.default_rng(seed).uniform(-1, 3, (5, 7, 3)).astype(np.float32)
    before = colours.copy()
    looked_up = apply_cube(colours, cube, interpolation)
    assert (looked_up >= cube.table.min() - TOLERANCE).all()
    assert (looked_up <= cube.table.max() + TOLERANCE).all()
    assert np.array_equal(colours, before), "the picture given is not changed"


def test_bands_give_the_same_bytes_as_the_whole() -> None:
    cube = random_cube(9, 1)
    picture = np.random.default_rng(2).random((211, 301, 3), np.float32)
    whole = apply_cube(picture, cube)
    bands = [apply_cube(picture[top : top + 64], cube) for top in range(0, 211, 64)]
    assert np.array_equal(whole, np.concatenate(bands))
    assert np.array_equal(apply_cube(picture[:, ::2], cube), whole[:, ::2]), "a view that is not contiguous"


@pytest.mark.parametrize(
    ("image", "words"),
    [
        (np.zeros((2, 2, 1), np.float32), "float32"),
        (np.zeros((2, 2, 3)), "float64"),
        (np.full((1, 1, 3), np.inf, np.float32), "infinite"),
    ],
)
def test_what_is_no_picture_is_refused(image: FloatImage, words: str) -> None:
    with pytest.raises(FrameError, match=words):
        apply_cube(image, product_mean_maximum(2))


def test_an_interpolation_that_is_none_is_refused() -> None:
    with pytest.raises(FrameError, match="tetrahedral or trilinear, not “cubic”"):
        apply_cube(colour(0, 0, 0), product_mean_maximum(2), "cubic")  # type: ignore[arg-type]


def test_all_that_a_file_may_hold_is_read() -> None:
    text = (
        '\ufeff# a comment, é\n\n  TITLE "Evening light"\r\nDOMAIN_MIN -1 0 0.5\r\n#\nLUT_1D_SIZE 2\n'
        "DOMAIN_MAX 1 +2 1e1\n 0 .5 1.\n\n# between\n1e-1\t-0.5 2\n\n"
    )
    cube = read_cube(text.encode())
    assert (cube.title, cube.kind, cube.size) == ("Evening light", "1D", 2)
    assert (cube.domain_min, cube.domain_max) == ((-1, 0, 0.5), (1, 2, 10))
    assert cube.table.dtype == np.float32
    assert cube.table.tolist() == np.array([[0, 0.5, 1], [0.1, -0.5, 2]], np.float32).tolist()


ROWS = "0 0 0\n1 1 1\n"


@pytest.mark.parametrize(
    "text",
    [
        "LUT_1D_SIZE 2 # entries\n0 0 0 # black\n1 1 1#white\n",
        "# made elsewhere\rLUT_1D_SIZE 2\r0 0 0\r1 1 1\r",
        "LUT_1D_SIZE 2\r\n0 0 0\r1 1 1",
        "LUT_1D_SIZE 2\n" + ROWS + "\x1a",
        "LUT_1D_SIZE 2\r\n0 0 0\r\n1 1 1\r\n\x1a\x1a\r\n",
        "LUT_1D_SIZE 2\nLUT_1D_INPUT_RANGE 0 1\n" + ROWS,
        "LUT_1D_INPUT_RANGE 0.0 1.0\nDOMAIN_MIN 0 0 0\nDOMAIN_MAX 1 1 1\nLUT_1D_SIZE 2\n" + ROWS,
    ],
    ids=["comments", "CR", "CR and CRLF", "SUB", "SUBs", "range", "range and domain"],
)
def test_what_writers_do_differently_is_the_same_table(text: str) -> None:
    cube, plain = read_cube(text.encode()), read_cube(b"LUT_1D_SIZE 2\n" + ROWS.encode())
    assert (cube.kind, cube.size, cube.domain_min, cube.domain_max) == ("1D", 2, *UNIT)
    assert np.array_equal(cube.table, plain.table)


@pytest.mark.parametrize(
    ("line", "title"),
    [
        ('TITLE "Look # 3"', "Look # 3"),
        ('TITLE "Look # 3" # the "third"', "Look # 3"),
        ("TITLE Evening # late", "Evening"),
        ('TITLE "Evening', "Evening"),
        ("TITLE", ""),
    ],
)
def test_a_title_ends_where_a_comment_begins(line: str, title: str) -> None:
    assert read_cube(f"{line}\nLUT_1D_SIZE 2\n{ROWS}".encode()).title == title


@pytest.mark.parametrize("kind", ["1D", "3D"])
def test_a_range_is_the_domain_of_all_three_channels(kind: Literal["1D", "3D"]) -> None:
    rows = ROWS * (1 if kind == "1D" else 4)
    cube = read_cube(f"LUT_{kind}_SIZE 2\nLUT_{kind}_INPUT_RANGE -0.5 2e0\n{rows}".encode())
    assert (cube.domain_min, cube.domain_max) == ((-0.5,) * 3, (2.0,) * 3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no .cube table"),
        ("TITLE x\n", "holds no .cube table"),
        ("\x89PNG\r\n\x1a\n", "line 1: .*is no keyword"),
        ("SIZE 2\n" + ROWS, "line 1: SIZE is no keyword of a .cube table, which has TITLE, LUT_1D_SIZE"),
        ("A" * 500 + "\n", "line 1: A{37}… is no keyword"),
        (ROWS, "line 1: numbers stand before the table's size"),
        ("LUT_1D_SIZE 2\nLUT_3D_SIZE 2\n" + ROWS, "line 2: both LUT_1D_SIZE and LUT_3D_SIZE"),
        ("LUT_1D_SIZE 2\nLUT_1D_SIZE 2\n" + ROWS, "line 2: LUT_1D_SIZE stands twice"),
        ("TITLE a\nTITLE b\n", "line 2: TITLE stands twice"),
        ("LUT_1D_SIZE 2\n0 0 0\nDOMAIN_MIN 0 0 0\n1 1 1\n", "line 3: DOMAIN_MIN stands after the first row"),
        ("LUT_1D_SIZE 1\n0 0 0\n", "line 1: LUT_1D_SIZE must be a whole number from 2 to 65536, not 1"),
        ("LUT_1D_SIZE 65537\n", "line 1: .* to 65536, not 65537"),
        ("LUT_3D_SIZE 66\n", "line 1: .* from 2 to 65, not 66"),
        ("LUT_3D_SIZE 2.5\n", "line 1: .*not 2.5"),
        ("LUT_3D_SIZE 1e99\n", "line 1: .*not 1e99"),
        ("LUT_3D_SIZE\n", "line 1: .*not nothing"),
        ("LUT_3D_SIZE two\n", "line 1: .*not two"),
        ("LUT_1D_SIZE 2\n0 0 0\n", "line 2: the file ends after 1 of the 2 rows"),
        ("LUT_1D_SIZE 2\n" + ROWS + "2 2 2\n", "line 4: there are more rows of numbers than the 2"),
        ("LUT_1D_SIZE 2\n0 0\n1 1 1\n", "line 2: a row has three numbers, not 2"),
        ("LUT_1D_SIZE 2\n0 0 0 0\n1 1 1\n", "line 2: a row has three numbers, not 4"),
        ("LUT_1D_SIZE 2\n0 0 0\n1 nan 1\n", "line 3: nan is no number"),
        ("LUT_1D_SIZE 2\nnan 0 0\n1 1 1\n", "line 2: nan is no number"),
        ("LUT_1D_SIZE 2\n-inf 0 0\n1 1 1\n", "line 2: -inf is no number"),
        ("LUT_1D_SIZE 2\n0 0 0\n1 1e5 1\n", "line 3: 1e5 is beyond 65504, which no colour is"),
        ("LUT_1D_SIZE 2\n0 0 0\n1 1e999 1\n", "line 3: 1e999 is beyond 65504"),
        ("LUT_1D_SIZE 2\n0 0 0\n1 0x1 1\n", "line 3: 0x1 is no number"),
        ("LUT_1D_SIZE 2\n0 0 0\n1 1_0 1\n", "line 3: 1_0 is no number"),
        ("LUT_1D_SIZE 2\n0 0 0\n1 " + "9" * 500 + " 1\n", "line 3: 9{37}… is no number"),
        ("LUT_1D_SIZE 2\n" + "9" * 500 + " 0 0\n1 1 1\n", "line 2: 9{37}… is no number"),
        ("LUT_1D_SIZE 2\n" + "0 " * 501 + "\n", "line 2: it is longer than 1000 letters"),
        ("LUT_1D_SIZE 2\nDOMAIN_MIN 0 0 1\n" + ROWS, "DOMAIN_MAX must be larger than DOMAIN_MIN"),
        ("LUT_1D_SIZE 2\nDOMAIN_MIN 0 0\n" + ROWS, "line 2: DOMAIN_MIN has three numbers, not 2"),
        ("LUT_1D_SIZE 2\nDOMAIN_MIN 0 # 0 0\n" + ROWS, "line 2: DOMAIN_MIN has three numbers, not 1"),
        ("LUT_1D_SIZE 2\nLUT_1D_INPUT_RANGE 0 1 1\n" + ROWS, "line 2: LUT_1D_INPUT_RANGE has two numbers, not 3"),
        ("LUT_1D_SIZE 2\nLUT_1D_INPUT_RANGE 1 1\n" + ROWS, "LUT_1D_INPUT_RANGE must rise"),
        ("LUT_1D_SIZE 2\nLUT_3D_INPUT_RANGE 0 1\n" + ROWS, "LUT_3D_INPUT_RANGE is for a table of the other kind"),
        ("LUT_1D_SIZE 2\nLUT_1D_INPUT_RANGE 0 2\nDOMAIN_MAX 1 1 1\n" + ROWS,
         "LUT_1D_INPUT_RANGE and DOMAIN_MIN or DOMAIN_MAX contradict each other: leave one"),
        ("LUT_1D_SIZE 2\n0 0 0\n\x1a1 1 1\n", "line 3: .* is no keyword"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_refused_with_its_line(text: str, words: str) -> None:
    with pytest.raises(DocumentError, match=words) as refused:
        read_cube(text.encode(), label="evening.cube")
    assert refused.value.code == "D002"
    assert refused.value.sentence.startswith("evening.cube")
    assert len(refused.value.sentence) < 300


def test_a_file_that_is_not_there_or_too_large_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match="cannot be read") as refused:
        read_cube(tmp_path / "none.cube")
    assert refused.value.code == "D001"
    with (tmp_path / "large.cube").open("wb") as file:
        file.truncate(SIZE_LIMIT + 1)
    with pytest.raises(DocumentError, match="larger than 16 MB") as refused:
        read_cube(tmp_path / "large.cube")
    assert refused.value.code == "D001"


@settings(max_examples=100, deadline=None)
@given(content=st.binary(max_size=200))
def test_no_bytes_do_more_than_be_refused(content: bytes) -> None:
    with pytest.raises(DocumentError):
        read_cube(content)


def _sizes(kind: Literal["1D", "3D"]) -> st.SearchStrategy[int]:
    return st.integers(2, 40 if kind == "1D" else 5)


@st.composite
def cubes(draw: st.DrawFn) -> Cube:
    kind: Literal["1D", "3D"] = draw(st.sampled_from(["1D", "3D"]))
    size = draw(_sizes(kind))
    number = st.floats(-1000, 1000)
    low = draw(st.tuples(number, number, number))
    wide = draw(st.tuples(*[st.floats(0.01, 1000)] * 3))
    shape = (size, 3) if kind == "1D" else (size, size, size, 3)
    values = np.random.default_rng(draw(st.integers(0, 2**32 - 1))).uniform(-65504, 65504, shape)
    high = low[0] + wide[0], low[1] + wide[1], low[2] + wide[2]
    return Cube("", kind, size, low, high, values.astype(np.float32))


@settings(max_examples=60, deadline=None)
@given(cube=cubes())
def test_a_table_comes_back_from_a_looks_json_number_for_number(cube: Cube) -> None:
    packed = pack_table(cube)
    assert json.loads(json.dumps(packed)) == packed
    back = unpack_table(packed)
    assert (back.kind, back.size, back.domain_min, back.domain_max) == (
        cube.kind, cube.size, cube.domain_min, cube.domain_max,
    )  # fmt: skip
    assert back.table.dtype == np.float32
    assert np.array_equal(back.table, cube.table)
    assert pack_table(back) == packed


@settings(max_examples=30, deadline=None)
@given(cube=cubes())
def test_a_table_comes_back_from_its_file_number_for_number(cube: Cube) -> None:
    back = read_cube(written(cube))
    assert (back.kind, back.domain_min, back.domain_max) == (cube.kind, cube.domain_min, cube.domain_max)
    assert np.array_equal(back.table, cube.table)


def test_the_largest_tables_are_packed_and_unpacked() -> None:
    for kind, size in LARGEST_SIZE.items():
        shape = (size, 3) if kind == "1D" else (size, size, size, 3)
        table = np.random.default_rng(3).random(shape, np.float32)
        packed = pack_table(Cube("", kind, size, *UNIT, table))  # type: ignore[arg-type]
        assert np.array_equal(unpack_table(packed).table, table)


def _zlib(content: bytes) -> str:
    return base64.b64encode(zlib.compress(content)).decode()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": "2D"}, "at kind: must be 1D or 3D"),
        ({"kind": ["1D"]}, "at kind: must be 1D or 3D"),
        ({"size": 1}, "at size: must be a whole number from 2 to 65"),
        ({"size": 66}, "at size"),
        ({"size": 2.0}, "at size"),
        ({"size": True}, "at size"),
        ({"size": 3}, "must hold 81 numbers"),
        ({"kind": "1D"}, "must hold 6 numbers"),
        ({"domain_min": [0, 0]}, "at domain_min: must be three numbers"),
        ({"domain_min": [0, 0, "0"]}, "at domain_min"),
        ({"domain_min": [0, 0, float("nan")]}, "at domain_min"),
        ({"domain_max": [1, 1, 1e300]}, "at domain_max: must be three numbers"),
        ({"domain_max": [1, 1, 0]}, "at domain_max: must be larger"),
        ({"values": None}, "at values: must be text"),
        ({"values": "!"}, "is no base64 of zlib"),
        ({"values": "é"}, "is no base64 of zlib"),
        ({"values": base64.b64encode(b"no zlib").decode()}, "is no base64 of zlib"),
        ({"values": _zlib(bytes(95))}, "must hold 24 numbers"),
        ({"values": _zlib(bytes(97))}, "must hold 24 numbers"),
        ({"values": _zlib(bytes(2**28))}, "must hold 24 numbers"),
        ({"values": base64.b64encode(zlib.compress(bytes(96))[:-5]).decode()}, "must hold 24 numbers"),
        ({"values": base64.b64encode(zlib.compress(bytes(96)) + b"more").decode()}, "must hold 24 numbers"),
        ({"values": _zlib(np.full(24, np.nan, "<f4").tobytes())}, "a number beyond 65504, or none at all"),
        ({"values": _zlib(np.full(24, 1e30, "<f4").tobytes())}, "a number beyond 65504"),
    ],
)
def test_a_packed_table_that_is_none_is_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(DocumentError, match=words) as refused:
        unpack_table({**pack_table(product_mean_maximum(2)), **change}, label="look evening")
    assert refused.value.code == "D002"
    assert refused.value.sentence.startswith("look evening")
