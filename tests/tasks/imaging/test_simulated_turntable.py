"""Lines of sight meet a turned solid where geometry says."""

import numpy as np
import pytest

from glassine.tasks.imaging.simulated_surface import Canvas
from glassine.tasks.imaging.simulated_turntable import Turntable, paint_turntable, table_axes, trace


def ball(radius: float) -> Turntable:
    angle, height = table_axes(1.05 * radius, -1.05 * radius, 600, 800)
    across = np.sqrt(np.maximum(radius**2 - height**2, 1e-8)) + 0 * angle
    one = np.ones_like(across, np.float32)
    parts = (across.astype(np.float32), np.repeat(one[..., np.newaxis], 3, axis=2), one, one, 0 * one)
    return Turntable(1.05 * radius, -1.05 * radius, *parts)


@pytest.mark.parametrize("turn", [0.0, 0.4, -0.7])
def test_a_ball_is_a_ball_however_it_is_turned(turn: float) -> None:
    canvas = Canvas(200, 200)
    pose = np.array([[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]])
    origin = np.array([0.1, -0.05, 0.2])
    solid = ball(0.6)
    painted = paint_turntable(
        canvas, solid, trace(canvas, solid, pose, origin, 0.7, 0.7), texture=0.1, hair_texture=0.1
    )
    assert painted.any()
    away = np.hypot(canvas.x - 0.1, canvas.y + 0.05)
    expected = 0.2 + np.sqrt(np.maximum(0.36 - away**2, 0))
    inside = away < 0.55
    assert np.abs(canvas.z - expected)[inside].max() < 0.004
    assert (canvas.z[away > 0.63] < -1).all()


def test_beside_the_solid_nothing_is_met() -> None:
    canvas = Canvas(50, 50, look_at=(9.0, 9.0))
    met = trace(canvas, ball(0.5), np.eye(3), np.zeros(3), 0.6, 0.6)
    assert met.pixels.size == 0
