"""A look's steps in words: every step that the schema knows, and the numbers in it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis_jsonschema import from_schema

from glassine.schemas.validation import load_schema
from glassine.tasks.imaging.look_words import say_step

SCHEMA = load_schema("look")
KINDS = sorted({SCHEMA["$defs"][kind["$ref"].rpartition("/")[2]]["properties"]["step"]["const"]
                for kind in SCHEMA["properties"]["steps"]["items"]["oneOf"]})  # fmt: skip
BOX = {"shape": "ellipse", "x": 5, "y": 5.5, "width": 90, "height": 90}


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ({"step": "exposure", "stops": -0.5}, "exposure -0.5 stops"),
        ({"step": "monochrome", "filter": "none"}, "monochrome, no filter"),
        ({"step": "monochrome", "filter": "red"}, "monochrome, red filter"),
        ({"step": "monochrome", "red": 0.4, "green": 0.5, "blue": 0.1},
         "monochrome, weights red 0.4, green 0.5, blue 0.1 of linear ROMM RGB"),
        ({"step": "monochrome", "red": 1, "green": 0, "blue": 0, "primaries": "sRGB"},
         "monochrome, weights red 1, green 0, blue 0 of linear sRGB"),
        ({"step": "tone_curve", "points": [[-8, -9], [2.474, 2.4]]},
         "tone curve, stops about middle grey: -8 to -9, 2.474 to 2.4"),
        ({"step": "black_point", "lightness": 9}, "black at L* 9"),
        ({"step": "white_point", "density": 0.05}, "white at D 0.05"),
        ({"step": "toning", "shadows": [0, 3], "lights": [1, -2]},
         "toning: a* 0 b* 3 at L* 0, a* 1 b* -2 at L* 100"),
        ({"step": "toning", "points": [[0, 0, 3], [50, 1, 1]]}, "toning: a* 0 b* 3 at L* 0, a* 1 b* 1 at L* 50"),
        ({"step": "burn_in", "stops": 0.7, "region": BOX, "outside": True, "feather_percent": 20},
         "burnt in 0.7 stops outside ellipse=percent:5,5.5,90,90, feather 20 %"),
        ({"step": "hold_back", "stops": 1, "outside": False, "feather_percent": 5,
          "region": {"shape": "polygon", "points": [[0, 0], [50, 0], [0, 50]]}},
         "held back 1 stops a polygon of 3 corners, feather 5 %"),
        ({"step": "cdl", "space": "sRGB", "slope": [1.1, 1, 0.9], "offset": [0, 0, 0], "power": [1, 1, 1],
          "saturation": 0.8, "style": "no clamp"},
         "CDL in sRGB: slope 1.1 1 0.9, offset 0 0 0, power 1 1 1, saturation 0.8, no clamp"),
        ({"step": "cube", "space": "sRGB", "interpolation": "trilinear", "table": {"kind": "3D", "size": 33}},
         "3D table of 33 in sRGB, trilinear"),
        ({"step": "cube", "space": "sRGB", "interpolation": "trilinear", "table": {"kind": "1D", "size": 9}},
         "1D table of 9 in sRGB, linear"),
        ({"step": "grain", "granularity": 17, "format_long_side_mm": 36, "clump_um": 6},
         "grain 17, on film of 36 mm, clumps of 6 µm"),
    ],
)  # fmt: skip
def test_a_step_in_words(step: dict[str, Any], words: str) -> None:
    assert say_step(step) == words


@given(step=from_schema({**SCHEMA["properties"]["steps"]["items"], "$defs": SCHEMA["$defs"]}))
def test_every_step_of_the_schema_has_words_of_its_own(step: dict[str, Any]) -> None:
    words = say_step(step)
    assert words not in KINDS, "its bare name is what an unknown step would give"
    assert len(words.splitlines()) == 1
