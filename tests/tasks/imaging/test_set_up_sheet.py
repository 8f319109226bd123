"""Set-up sheets, read back by pypdf: what stands where, to scale, and nothing over anything else."""

from __future__ import annotations

import copy
import hashlib
import io
import itertools
import json
import math
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from pypdf import PdfReader
from reportlab.pdfbase import pdfmetrics

from glassine.schemas.errors import FrameError, VolumeError
from glassine.tasks.imaging.icc_profile import profile_bytes
from glassine.tasks.imaging.set_up_drawing import SCALES
from glassine.tasks.imaging.set_up_plan import plan_set_up
from glassine.tasks.imaging.set_up_sheet import MOST_LIGHTS, make_set_up_sheet
from glassine.tasks.imaging.sheet_text import FALL, RISE, Box
from glassine.tasks.imaging.simulated_plan import SET_UPS

MM = 72 / 25.4
BENCH: dict[str, Any] = json.loads((files("glassine.config") / "job_sheet.example.json").read_text("utf-8"))["set_ups"][
    0
]
DEMO: list[dict[str, Any]] = [plan.for_job_sheet() for plan in SET_UPS]


def crowd(count: int, step_degrees: float = 7) -> dict[str, Any]:
    """Many lights of one side, with long words, some in one place."""
    lights = [
        {
            "name": f"light {number} with a long name",
            "modifier": "octagonal softbox, 120 cm, with two layers of cloth and a grid of 40°",
            "azimuth_degrees": -(number * step_degrees % 180),
            "height_m": 0.8 + number % 12 * 0.1,
            "distance_m": 1 + number % 9 * 0.2,
            "power": f"full less {number % 6} stops",
            "purpose": "shape of the face, and much else besides it " * 3,
        }
        for number in range(1, count + 1)
    ]
    return {"name": "a name that goes on " * 9, "purpose": "said at length " * 90, "lights": lights}


ALL = {
    "example": BENCH,
    **{one["name"]: one for one in DEMO},
    "bare": {"name": "bare"},
    "crowd": crowd(12),
    "heap": crowd(9, 0),
    "fewer than all": crowd(30, 11),
    "far": {**BENCH, "camera_m": 60, "background_m": 25},
    "one word": {"name": "w" * 255, "purpose": "p" * 2000, "lights": [{"name": "n" * 255, "modifier": "m" * 2000, "place": "q" * 2000}]},
    "hostile": {"name": "\u6f22) Tj ET\n(", "purpose": "\u0159\u200b", "lights": [{"name": "(\\", "place": "%"}]},
}  # fmt: skip


def picture(folder: Path, width: int = 800, height: int = 1200) -> Path:
    """A proof as `make_proof` leaves it: grey, with a white strip below, in a grey profile."""
    samples = np.full((height + 60, width), 255, np.uint8)
    samples[:height] = 128
    path = folder / "best.jpg"
    comment = f"proof: picture {width} x {height}, from raw".encode()
    Image.fromarray(samples).save(
        path, "JPEG", quality=95, comment=comment, icc_profile=profile_bytes("Grey gamma 2.2")
    )
    return path


def make(folder: Path, set_up: dict[str, Any], best: tuple[Path, str] | None = None) -> Path:
    out = folder / "sheets" / "set-up.pdf"
    told = make_set_up_sheet(out, job="2611-04", studio="Glasshouse Studio", set_up=set_up, best=best)
    assert told == {"sha256": hashlib.sha256(out.read_bytes()).hexdigest(), "pages": 1}
    return out


def drawn_words(out: Path) -> list[tuple[str, Box]]:
    """Each line of text on the page, and the box of its letters."""
    found = []

    def look(text: str, _: list[float], matrix: list[float], font: dict[str, Any] | None, size: float) -> None:
        words = text.removesuffix("\n")
        if words.strip() and font is not None:
            name = "Vera-Bold" if "Bold" in font["/BaseFont"] else "Vera"
            wide = pdfmetrics.stringWidth(words, name, size)
            x, y = matrix[4:]
            found.append((words, Box(x, y - FALL * size, x + wide, y + RISE * size)))

    PdfReader(out).pages[0].extract_text(visitor_text=look)
    return found


def read(out: Path) -> str:
    return " ".join(PdfReader(out).pages[0].extract_text().split())


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("with_best", [True, False])
def test_no_words_lie_over_others_or_beside_the_page(tmp_path: Path, name: str, with_best: bool) -> None:
    best = (picture(tmp_path), "frame 0102, " + "a caption " * 20) if with_best else None
    out = make(tmp_path, copy.deepcopy(ALL[name]), best)
    page = PdfReader(out)
    assert len(page.pages) == 1
    size = page.pages[0].mediabox
    # A4 is 210 × 297 mm (ISO 216); a point is 1/72 inch.
    assert (float(size.width), float(size.height)) == pytest.approx((595.28, 841.89), abs=0.01)
    found = drawn_words(out)
    assert len(found) >= 10
    paper = Box(10 * MM, 8 * MM, 200 * MM, 289 * MM)
    for words, box in found:
        assert paper.holds(box), words
    for (one, box), (other, second) in itertools.combinations(found, 2):
        assert not box.meets(second), (one, other)


def metres(most: float) -> st.SearchStrategy[float]:
    return st.floats(0.01, most, allow_nan=False).map(lambda value: round(value, 2))


WORDS = st.text("abcdefgh ,°m2é漢", min_size=1, max_size=60)
LIGHTS = st.lists(
    st.fixed_dictionaries(
        {"name": WORDS},
        optional={
            "modifier": st.sampled_from(["softbox, 20 m", "beauty dish, 55 cm", "white board, 100 × 200 cm", "grid, 20°"]) | WORDS,
            "place": WORDS, "power": st.sampled_from(["full", "full less 3 stops", "1 stop over the exposure"]) | WORDS,
            "purpose": WORDS, "height_m": metres(15), "distance_m": metres(30), "azimuth_degrees": st.integers(-180, 180),
            "aim": st.sampled_from(["sitter", "background", "the hair"]),
        },
    ),
    max_size=12,
)  # fmt: skip
SET_UPS_OF_ALL_KINDS = st.fixed_dictionaries(
    {"name": WORDS, "lights": LIGHTS},
    optional={
        "purpose": WORDS, "intent_stops": st.floats(-10, 10), "camera": WORDS, "lens": WORDS, "exposure": WORDS, "background": WORDS,
        "background_m": metres(30), "face_height_m": metres(5), "camera_m": metres(100), "camera_height_m": metres(15),
        "sensor_mm": st.just([36, 24]), "focal_mm": st.integers(1, 5000), "shutter_s": metres(60), "f_number": metres(64),
        "iso": st.integers(25, 102400), "sync_s": metres(1),
    },
)  # fmt: skip


@settings(
    deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(set_up=SET_UPS_OF_ALL_KINDS)
def test_any_set_up_is_one_page_of_words_that_keep_apart(tmp_path: Path, set_up: dict[str, Any]) -> None:
    out = make(tmp_path, set_up)
    assert len(PdfReader(out).pages) == 1
    found = drawn_words(out)
    paper = Box(10 * MM, 8 * MM, 200 * MM, 289 * MM)
    assert [words for words, box in found if not paper.holds(box)] == []
    for (one, box), (other, second) in itertools.combinations(found, 2):
        assert not box.meets(second), (one, other)


def test_all_that_is_needed_to_build_the_set_up_is_read(tmp_path: Path) -> None:
    text = read(make(tmp_path, BENCH, (picture(tmp_path), "frame 0102")))
    for words in (
        "bench", "job 2611-04", "Glasshouse Studio", "Sitter at the bench, hard main light, judged in monochrome.",
        "1 main", "beauty dish, 55 cm", "camera left, 45°", "2.10 m", "1.40 m", "full less 2 stops", "shape of the face",
        "1.80 m, 145° right, 2.30 m high", "−4.3 to main", "camera, 2.20 m, sees 16.1°", "grey paper, 2.5 m behind",
        "main to fill: 4.3 stops, 20:1", "about 0.63 m wide", "an estimate", "EV 13.32", "0.62 × 0.93 m at the sitter",
        "frame 0102", "distances by tape, face to front.", "scale 1:", "3 rim 2.30", "face 1.35", "lens 1.40",
    ):  # fmt: skip
        assert words in text, words


@pytest.mark.parametrize("name", [one["name"] for one in DEMO])
def test_the_demos_set_ups_have_every_light_on_plan_in_the_column_and_in_the_table(tmp_path: Path, name: str) -> None:
    words = [words for words, _ in drawn_words(make(tmp_path, ALL[name], (picture(tmp_path), "x")))]
    for number, light in enumerate(ALL[name]["lights"], start=1):
        assert f"{number} {light['name']}" in [" ".join(one.split()) for one in words]
        rows = [one for one in words if re.fullmatch(rf"{number} .+ {light['height_m']:.2f}", one)]
        assert len(rows) == 1
        assert rows[0].startswith(f"{number} {light['name'][:4]}".rstrip())
    assert "to the camera, distance not given" in words


def thick_lines(out: Path, width: float) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Single lines drawn with a pen of this width."""
    found, pen, start = [], [1.0], [(0.0, 0.0)]

    def look(operator: bytes, operands: list[Any], _: list[float], __: list[float]) -> None:
        if operator == b"w":
            pen[0] = float(operands[0])
        elif operator == b"m":
            start[0] = float(operands[0]), float(operands[1])
        elif operator == b"l" and math.isclose(pen[0], width):
            found.append((start[0], (float(operands[0]), float(operands[1]))))

    PdfReader(out).pages[0].extract_text(visitor_operand_before=look)
    return found


@pytest.mark.parametrize("set_up", [BENCH, DEMO[1], crowd(5)], ids=["example", "window", "crowd"])
def test_the_plan_is_to_scale(tmp_path: Path, set_up: dict[str, Any]) -> None:
    out = make(tmp_path, set_up)
    found = re.search(r"scale 1:(\d+)", read(out))
    assert found is not None
    assert int(found[1]) in SCALES
    metre = 1000 / int(found[1]) * MM
    plan = plan_set_up(set_up)
    lights = [light for light in plan.lights if light.floor and light.modifier.width_m]
    fronts = thick_lines(out, 1.8)
    assert len(fronts) == len(lights) >= 2
    middles = [((x0 + x1) / 2, (y0 + y1) / 2) for (x0, y0), (x1, y1) in fronts]
    for light, front in zip(lights, fronts, strict=True):
        assert light.modifier.width_m is not None
        assert math.dist(*front) == pytest.approx(light.modifier.width_m * metre, rel=1e-3)
    # Places: the way from each light to the next, y turned since the camera's side is at the foot.
    for (light, middle), (other, second) in itertools.combinations(zip(lights, middles, strict=True), 2):
        assert light.floor is not None
        assert other.floor is not None
        assert second[0] - middle[0] == pytest.approx((other.floor[0] - light.floor[0]) * metre, abs=0.02)
        assert second[1] - middle[1] == pytest.approx((light.floor[1] - other.floor[1]) * metre, abs=0.02)


def test_the_camera_sees_to_scale_and_lights_aim_where_they_should(tmp_path: Path) -> None:
    lights = [
        {"name": "main", "modifier": "softbox, 60 cm", "azimuth_degrees": 90, "distance_m": 2, "height_m": 1.35},
        {"name": "ground", "modifier": "softbox, 60 cm", "azimuth_degrees": 90, "distance_m": 1, "height_m": 1.35, "aim": "background"},
    ]  # fmt: skip
    numbers = {"face_height_m": 1.35, "camera_m": 3.0, "background_m": 2.0, "sensor_mm": [36, 24], "focal_mm": 50}
    out = make(tmp_path, {"name": "aims", "lights": lights, **numbers})
    found = re.search(r"scale 1:(\d+)", read(out))
    assert found is not None
    metre = 1000 / int(found[1]) * MM
    views = thick_lines(out, 0.5)
    assert len(views) == 2
    camera = views[0][0]
    assert views[1][0] == camera
    sitter = camera[0], camera[1] + 3 * metre
    # At the background, 5 m off, 36 mm at 50 mm see 3.6 m.
    for (_, end), side in zip(views, (-1.8, 1.8), strict=True):
        assert end == pytest.approx((camera[0] + side * metre, camera[1] + 5 * metre), abs=0.02)
    (main, ground) = (((x0 + x1) / 2, (y0 + y1) / 2) for (x0, y0), (x1, y1) in thick_lines(out, 1.8))
    assert main == pytest.approx((sitter[0] + 2 * metre, sitter[1]), abs=0.02)
    aims = [line for line in thick_lines(out, 0.6) if math.dist(*line) > 20]  # the barbs of arrows are shorter
    ends = [end for start, end in aims if math.dist(start, main) < 0.02]
    # The arrow ends 0.3 m before the sitter.
    assert ends == [pytest.approx((sitter[0] + 0.3 * metre, sitter[1]), abs=0.02)]
    ends = [end for start, end in aims if math.dist(start, ground) < 0.02]
    assert ends == [pytest.approx((sitter[0], sitter[1] + 2 * metre), abs=0.02)]


def test_a_front_is_square_to_its_aim_and_the_bar_is_as_long_as_it_says(tmp_path: Path) -> None:
    lights = [
        {"name": "a", "modifier": "softbox, 60 cm", "azimuth_degrees": -90, "distance_m": 2, "height_m": 1.35},
        {"name": "b", "modifier": "softbox, 60 cm", "azimuth_degrees": 0, "distance_m": 2, "height_m": 1.35},
    ]
    out = make(tmp_path, {"name": "square", "face_height_m": 1.35, "lights": lights})
    (left, front) = thick_lines(out, 1.8)
    assert left[0][0] == pytest.approx(left[1][0], abs=0.01)
    assert front[0][1] == pytest.approx(front[1][1], abs=0.01)
    words = re.search(r"([\d.]+) m, scale 1:(\d+)", read(out))
    assert words is not None
    bars = [math.dist(*line) for line in thick_lines(out, 0.8)]
    assert any(length == pytest.approx(float(words[1]) * 1000 / int(words[2]) * MM, abs=0.01) for length in bars)


def test_heights_stand_in_their_order_and_to_scale(tmp_path: Path) -> None:
    heights = [0.6, 1.1, 2.0, 2.9]
    lights = [{"name": f"at {height}", "height_m": height} for height in heights]
    out = make(tmp_path, {"name": "high", "face_height_m": 1.5, "camera_height_m": 0.2, "lights": lights})
    found = re.search(r"Heights, 1:(\d+)", read(out))
    assert found is not None
    metre = 1000 / int(found[1]) * MM
    rows = [
        (float(words[-4:]), box.foot)
        for words, box in drawn_words(out)
        if re.fullmatch(r"(\d at [\d.]+|face|lens) \d\.\d\d", words)
    ]
    assert sorted(height for height, _ in rows) == [0.2, 0.6, 1.1, 1.5, 2.0, 2.9]
    rows.sort()
    for (low, foot), (high, above) in itertools.pairwise(rows):
        assert above - foot == pytest.approx((high - low) * metre, abs=0.05)


def test_lights_without_a_place_are_in_the_table_and_told(tmp_path: Path) -> None:
    set_up = {**BENCH, "lights": [{"name": "main", "place": "by the door", "power": "bright"}]}
    out = make(tmp_path, set_up)
    text = read(out)
    assert "its place (“by the door”) is not known as a number: give azimuth_degrees. It is not drawn." in text
    assert thick_lines(out, 1.8) == []
    assert "not known" in text


def test_more_lights_than_the_table_holds_are_counted(tmp_path: Path) -> None:
    text = read(make(tmp_path, crowd(MOST_LIGHTS + 3, 11)))
    assert "3 more lights of this set-up: see the job sheet." in text
    assert f"{MOST_LIGHTS} light {MOST_LIGHTS}" in text


def test_the_best_frame_is_shown_without_its_strip(tmp_path: Path) -> None:
    out = make(tmp_path, BENCH, (picture(tmp_path), "frame 0102"))
    (image,) = PdfReader(out).pages[0].images
    with Image.open(io.BytesIO(image.data)) as shown:
        samples = np.asarray(shown.convert("L"))
    assert samples.shape[0] / samples.shape[1] == pytest.approx(1.5, abs=0.01)
    # Code 128 of gamma 2.2 is Y 0.2195, which sRGB has at code 128.8 (IEC 61966-2-1).
    assert samples.min() >= 127
    assert samples.max() <= 130


def test_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    best = (picture(tmp_path), "frame 0102")
    first = make(tmp_path, BENCH, best).read_bytes()
    assert make(tmp_path, copy.deepcopy(BENCH), best).read_bytes() == first
    assert [path.name for path in (tmp_path / "sheets").iterdir()] == ["set-up.pdf"]


@pytest.mark.parametrize("damage", ["empty", "no picture", "cut short", "missing"])
def test_a_picture_that_cannot_be_shown_is_refused_and_leaves_nothing(tmp_path: Path, damage: str) -> None:
    path = picture(tmp_path)
    content = {"empty": b"", "no picture": b"no picture", "cut short": path.read_bytes()[:600]}
    path.unlink()
    if damage != "missing":
        path.write_bytes(content[damage])
    with pytest.raises(FrameError) as refused:
        make(tmp_path, BENCH, (path, "x"))
    assert refused.value.code == "P001"
    assert not (tmp_path / "sheets").exists()


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "sheets").write_text("a file")
    with pytest.raises(VolumeError) as refused:
        make(tmp_path, BENCH)
    assert refused.value.code == "V003"
