"""A set-up's plan in words says what its lamps are in numbers."""

import numpy as np
import pytest

from glassine.tasks.imaging.simulated_plan import BENCH, SET_UPS, SetUp
from glassine.tasks.imaging.simulated_set import Light


@pytest.mark.parametrize("set_up", SET_UPS, ids=lambda set_up: set_up.name)
def test_words_follow_the_numbers(set_up: SetUp) -> None:
    said = set_up.for_job_sheet()
    assert len(said["lights"]) == len(set_up.lighting.lamps)
    for words, lamp in zip(said["lights"], set_up.lighting.lamps, strict=True):
        assert (words["height_m"], words["distance_m"]) == (lamp.height_m, lamp.distance_m)
        assert words["power"].startswith(f"{abs(lamp.stops):.1f} stops {'over' if lamp.stops >= 0 else 'under'}")
        assert ("background" in words["place"]) == lamp.on_backdrop
        if "camera" in words["place"]:
            assert ("left" in words["place"]) == (lamp.towards[0] < 0)
        assert ("behind" in words["place"]) == (lamp.towards[2] < 0)
    assert f"{set_up.lighting.backdrop_m:g} m behind" in said["background"]


def test_the_bench_in_words() -> None:
    said = BENCH.for_job_sheet()
    assert said["exposure"] == "1/160 s, f/8, ISO 100"
    assert said["lights"][0]["place"] == "camera left, 48°"
    assert said["lights"][0]["modifier"] == "beauty dish, 55 cm"


def test_a_lamp_s_direction_and_size() -> None:
    lamp = Light("a", -90, 1.35, 2.0, 0.4, 0.0, "dish", "test")
    assert lamp.towards == pytest.approx([-1, 0, 0], abs=1e-9)
    assert lamp.angular_radius == pytest.approx(0.1, abs=0.001)
    raised = Light("b", 0, 2.35, 2.0, 0.4, -1.0, "dish", "test")
    assert raised.towards == pytest.approx([0, 0.5, np.sqrt(0.75)])
    assert raised.place == "by the lens"
    assert raised.power == 0.5
    assert Light("c", 180, 2.35, 2.0, 0.4, -1.0, "dish", "test", fired=False).power == 0.0
