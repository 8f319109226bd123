"""APEX and EV against ExifTool; common-practice values of the trade, where no source is published, said so."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from glassine.schemas.errors import CallError
from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.imaging.exposure_value import (
    GREY,
    angle_of_view_degrees,
    aperture_value,
    exposure_value,
    exposure_value_at_iso_100,
    grey_when_over,
    say_shutter,
    seen_at_m,
    speed_value,
    stops_below_saturation,
    sync_speed_warning,
    time_value,
)

# f-number, time, speed, EV, and LightValue as ExifTool 12.57 gave it (CHECKS 3.1).
TABLE = [
    (1, 1, 100, 0, 0),
    (8, 1 / 125, 100, 12.9658, 12.9657842847),
    (16, 1 / 125, 100, 14.9658, 14.9657842847),
    (5.6, 1 / 160, 200, 12.2928, 11.2927817492),
    (2.8, 1 / 60, 400, 8.8777, 6.8777442497),
    (11, 1 / 200, 64, 14.5627, 15.2065756168),
    (2, 1 / 1000, 3200, 11.9658, 6.9657842846),
]


@pytest.mark.parametrize(("f_number", "shutter_s", "iso", "value", "light_value"), TABLE)
def test_ev_is_that_of_the_table(
    f_number: float, shutter_s: float, iso: float, value: float, light_value: float
) -> None:
    assert exposure_value(f_number, shutter_s) == pytest.approx(value, abs=5e-5)
    assert exposure_value_at_iso_100(f_number, shutter_s, iso) == pytest.approx(light_value, abs=1e-9)


def test_ev_is_what_exiftool_reads_from_files(tmp_path: Path) -> None:
    paths = []
    with ExifTool() as program:
        for number, (f_number, shutter_s, iso, *_) in enumerate(TABLE):
            paths.append(tmp_path / f"{number}.jpg")
            Image.new("L", (8, 8)).save(paths[-1])
            tags = {"ExifIFD:FNumber": f_number, "ExifIFD:ExposureTime": shutter_s, "ExifIFD:ISO": iso}
            program.write(paths[-1], tags)
        tags_read = ["LightValue", "ExifIFD:FNumber", "ExifIFD:ExposureTime", "ExifIFD:ISO"]
        rows = program.read(paths, tags_read)
    assert len(rows) == len(TABLE)
    for row in rows:
        read = (float(row[f"ExifIFD:{tag}"]) for tag in ("FNumber", "ExposureTime", "ISO"))
        assert exposure_value_at_iso_100(*read) == pytest.approx(float(row["Composite:LightValue"]), abs=1e-6)


def test_a_strobe_portrait_as_common_practice_has_it() -> None:
    # No published source: worked by hand in the trade.
    assert exposure_value(8, 1 / 200) == pytest.approx(13.64, abs=0.005)
    assert exposure_value_at_iso_100(8, 1 / 200, 400) == pytest.approx(11.64, abs=0.005)


def test_values_of_apex() -> None:
    # Exif, annex "APEX units": f/1, 1 s and ISO 3.125 are zero; a stop doubles.
    assert [aperture_value(n) for n in (1, math.sqrt(2), 4, 32)] == pytest.approx([0, 1, 4, 10])
    assert [time_value(t) for t in (1, 0.5, 1 / 1024, 30)] == pytest.approx([0, 1, 10, -4.9069], abs=1e-4)
    assert [speed_value(s) for s in (3.125, 100, 400, 3200)] == pytest.approx([0, 5, 7, 10])


def test_nominal_numbers_are_within_a_tenth_of_a_stop_of_exact_thirds() -> None:
    # CHECKS 3.2: a ladder of nominal apertures and times may not be taken for exact steps.
    apertures = [
        1,
        1.1,
        1.25,
        1.4,
        1.6,
        1.8,
        2,
        2.2,
        2.5,
        2.8,
        3.2,
        3.5,
        4,
        4.5,
        5,
        5.6,
        6.3,
        7.1,
        8,
        9,
        10,
        11,
        13,
        14,
    ]
    off = [abs(aperture_value(number) - third / 3) for third, number in enumerate(apertures)]
    assert max(off) == pytest.approx(0.081, abs=0.001)
    assert abs(aperture_value(1.2) - 2 / 3) == pytest.approx(0.141, abs=0.001)
    times = [1, 1.3, 1.6, 2, 2.5, 3, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250]
    off = [abs(time_value(1 / number) - third / 3) for third, number in enumerate(times)]
    assert max(off) == pytest.approx(0.093, abs=0.002)
    speeds = [100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600]
    off = [abs(speed_value(number) - 5 - third / 3) for third, number in enumerate(speeds)]
    assert max(off) == pytest.approx(0.023, abs=0.001)


def test_grey_and_saturation_stand_as_iso_12232_relates_them() -> None:
    # CHECKS 3.4: from 18 % to where a sensor saturates, half a stop over a perfect white, are 2.974 stops.
    assert stops_below_saturation(0) == pytest.approx(2.974, abs=0.0005)
    assert grey_when_over(0) == GREY
    # Common practice: one stop over doubles the linear value, from L* 49.5 to 66.5 (CIE 15 gives the lightness).
    assert grey_when_over(1) == pytest.approx(0.36)
    lightness = [116 * grey_when_over(stops) ** (1 / 3) - 16 for stops in (0, 1)]
    assert lightness == pytest.approx([49.5, 66.5], abs=0.05)
    assert stops_below_saturation(1) == pytest.approx(1.974, abs=0.0005)
    assert stops_below_saturation(3) < 0


def test_angle_of_view() -> None:
    # Common practice: 65 mm on 36 x 24 mm.
    assert angle_of_view_degrees(36, 65) == pytest.approx(31.0, abs=0.05)
    assert angle_of_view_degrees(24, 65) == pytest.approx(20.9, abs=0.05)
    # A focal length of half the side sees a right angle.
    assert angle_of_view_degrees(36, 18) == pytest.approx(90)


@given(st.floats(1, 200), st.floats(5, 2000), st.floats(0.1, 100))
def test_what_is_seen_fills_the_angle_of_view(side_mm: float, focal_mm: float, distance_m: float) -> None:
    half = math.radians(angle_of_view_degrees(side_mm, focal_mm) / 2)
    assert seen_at_m(side_mm, focal_mm, distance_m) == pytest.approx(2 * distance_m * math.tan(half), rel=1e-9)


@given(st.floats(0.5, 64), st.floats(1e-4, 60), st.floats(25, 1e5))
def test_a_stop_is_a_stop_however_it_is_made(f_number: float, shutter_s: float, iso: float) -> None:
    value = exposure_value_at_iso_100(f_number, shutter_s, iso)
    assert exposure_value_at_iso_100(f_number * math.sqrt(2), shutter_s, iso) == pytest.approx(value + 1)
    assert exposure_value_at_iso_100(f_number, shutter_s / 2, iso) == pytest.approx(value + 1)
    assert exposure_value_at_iso_100(f_number, shutter_s, iso * 2) == pytest.approx(value - 1)


@pytest.mark.parametrize(
    ("shutter_s", "words"),
    [
        (1 / 160, "1/160 s"), (0.00625, "1/160 s"), (0.005, "1/200 s"), (0.0166, "1/60 s"), (0.5, "0.5 s"),
        (1 / 3, "1/3 s"), (0.3, "0.3 s"), (2.0, "2 s"), (30, "30 s"), (1.3, "1.3 s"), (1 / 8000, "1/8000 s"),
    ],
)  # fmt: skip
def test_times_are_said_as_on_a_dial(shutter_s: float, words: str) -> None:
    assert say_shutter(shutter_s) == words


def test_faster_than_the_sync_speed_is_warned_of() -> None:
    warning = sync_speed_warning(1 / 250, 1 / 200)
    assert warning == (
        "1/250 s is faster than the sync speed of 1/200 s: a strobe lights only part of the frame. "
        "Set 1/200 s or longer."
    )
    for time in (1 / 200, 1 / 160, 1.0, 2 ** (-23 / 3)):  # the last is the exact time that a dial calls 1/200 s
        assert sync_speed_warning(time, 1 / 200) == ""


@pytest.mark.parametrize("number", [0.0, -1.0, math.nan, math.inf])
def test_what_is_no_exposure_is_refused(number: float) -> None:
    calls: list[Callable[[], object]] = [
        lambda: aperture_value(number),
        lambda: time_value(number),
        lambda: speed_value(number),
        lambda: angle_of_view_degrees(number, 50),
        lambda: angle_of_view_degrees(36, number),
        lambda: seen_at_m(36, number, 1),
        lambda: sync_speed_warning(number, 0.005),
        lambda: say_shutter(number),
    ]
    for call in calls:
        with pytest.raises(CallError) as refused:
            call()
        assert refused.value.code == "W001"
        assert str(refused.value).endswith(f"is above 0, not {number:g}.")
