"""A sculpted head is a head: closed at the crown and the chin, a nose before the cheeks, hair where it grows."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.tasks.imaging.simulated_face import head_table, lid_edges, on_face
from glassine.tasks.imaging.simulated_set import MARK, Sitter

PLAIN = Sitter()


@pytest.mark.parametrize("style", ["short", "cropped", "receding", "tied", "long"])
def test_a_head_is_closed_and_finite(style: str) -> None:
    head = head_table(replace(PLAIN, hair_style=style, beard=0.6), 0.4, 5, skin_mark=False)
    assert np.isfinite(head.radius).all()
    assert head.radius.min() > 0
    assert head.radius[0].max() < 0.01 > head.radius[-1].max()
    assert 0.4 < head.radius.max() < 0.65
    assert head.colour.min() >= 0
    assert head.colour.max() < 1
    assert head.skin.min() >= 0
    assert head.skin.max() <= 1


@given(st.floats(0, 1), st.floats(0, 1))
@settings(max_examples=5)
def test_the_nose_stands_before_the_cheeks_and_the_eyes_lie_deeper(nose: float, age: float) -> None:
    head = head_table(replace(PLAIN, nose=nose, age=age), 0.0, 5, skin_mark=False)
    tip, bridge, cheek, brow = (on_face(head, place)[2] for place in ((0, -0.16), (0, 0.03), (0.2, -0.16), (0.0, 0.1)))
    assert tip > brow > bridge - 0.03
    assert tip > cheek + 0.08


def test_hair_grows_over_the_forehead_and_a_beard_on_the_chin() -> None:
    shaven, bearded = (head_table(replace(PLAIN, beard=beard), 0.0, 5, skin_mark=False) for beard in (0.0, 0.8))
    row, middle = int(shaven.row(np.array(-0.43))), shaven.radius.shape[1] // 2
    assert shaven.skin[row, middle] == 1 > bearded.skin[row, middle]
    assert bearded.radius[row, middle] > shaven.radius[row, middle]
    crown = int(shaven.row(np.array(0.42)))
    assert shaven.hair[crown, middle] > 0.9


def test_a_mark_is_where_it_is_said_to_be() -> None:
    plain, marked = (head_table(PLAIN, 0.0, 5, skin_mark=mark) for mark in (False, True))
    lost = (plain.colour - marked.colour).sum(axis=2)
    row, column = np.unravel_index(int(lost.argmax()), lost.shape)
    x, y, z = on_face(marked, MARK)
    assert float(plain.row(np.array(y))) == pytest.approx(row, abs=6)
    assert float(plain.column(np.arctan2(x, z))) == pytest.approx(column, abs=6)


def test_lids_meet_at_the_corners_and_when_shut() -> None:
    across = np.linspace(-1, 1, 41)
    top, bottom = lid_edges(across, 1.0, 0.0)
    assert (top >= bottom).all()
    assert top[[0, -1]] == pytest.approx(bottom[[0, -1]], abs=1e-6)
    assert (top - bottom).max() > 0.03
    shut = lid_edges(across, 0.0, 0.0)
    assert shut[0] == pytest.approx(shut[1], abs=0.004)
