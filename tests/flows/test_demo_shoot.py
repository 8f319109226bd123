"""The demo's shoot: thirty frames on two cards, with the trouble that was planted, and a retoucher's hand that closes it."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy

from glassine.flows import demo_shoot as shoot
from glassine.schemas.errors import FrameError
from glassine.schemas.validation import check_document
from glassine.tasks.custody.card_walk import FoundGroup, WalkReport, walk_source
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging.base_file import make_base
from glassine.tasks.imaging.bit_depth import FloatImage
from glassine.tasks.imaging.raw_rendering import check_decodable
from glassine.tasks.imaging.region import region_mask
from glassine.tasks.imaging.simulated_plan import SET_UPS
from glassine.tasks.imaging.simulated_retouch import retouch
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_truth import regions
from glassine.tasks.imaging.tiff_picture import read_picture

WIDTH, HEIGHT = 400, 600


@cache
def light(index: int) -> FloatImage:
    exposure = shoot.exposures()[index]
    return render_scene(exposure.scene, WIDTH, HEIGHT) * np.float32(2.0**exposure.exposure_stops)


def inside(index: int, name: str) -> FloatImage:
    """The pixels of a region of the hero frame, in another frame's light."""
    where = regions(shoot.exposures()[shoot.HERO].scene, WIDTH, HEIGHT)[name]
    return light(index)[region_mask(where, WIDTH, HEIGHT)]


def face(index: int) -> FloatImage:
    where = regions(shoot.exposures()[index].scene, WIDTH, HEIGHT)["face"]
    return light(index)[region_mask(where, WIDTH, HEIGHT)]


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Both cards, with small pictures."""
    return shoot.make_cards(tmp_path_factory.mktemp("cards"), 2, width=120, height=180)


def groups(card: Path) -> list[FoundGroup]:
    return list(walk_source(card, WalkReport()))


def test_walked_card_by_card_the_frames_come_in_the_order_they_were_taken(cards: tuple[Path, Path]) -> None:
    found = [group.original.name for card in cards for group in groups(card) if group.original]
    expected = [shoot.place_on_card(index).name for index in range(30)]
    copy = expected[shoot.DUPLICATED]
    assert found == [*expected[: shoot.SECOND_CARD_FROM], copy, *expected[shoot.SECOND_CARD_FROM :]]
    assert [group.strays[0].name for group in groups(cards[0]) if group.strays] == ["NOTES.TXT"]
    assert all(len(group.companions) == 1 for group in groups(cards[0]) if group.original)


def test_names_are_dcf_names_and_roll_over(cards: tuple[Path, Path]) -> None:
    """CIPA DC-009: a folder is three digits from 100 and five characters, a file four characters and 0001 to 9999."""
    places = [path.relative_to(card) for card in cards for path in sorted((card / "DCIM").rglob("*.DNG"))]
    assert len(places) == len(set(places)) == 30
    for place in places:
        assert re.fullmatch(r"DCIM/[1-9]\d\d[0-9A-Z_]{5}/[0-9A-Z_]{4}\d{4}\.DNG", place.as_posix())
    assert shoot.place_on_card(12).as_posix() == "DCIM/100DEMOG/DEMO9999.DNG"
    assert shoot.place_on_card(13).as_posix() == "DCIM/101DEMOG/DEMO0001.DNG"


def test_the_copy_is_the_same_bytes_and_no_two_others_are(cards: tuple[Path, Path]) -> None:
    original = cards[0] / shoot.place_on_card(shoot.DUPLICATED)
    assert (cards[1] / shoot.COPIES / original.name).read_bytes() == original.read_bytes()
    digests = {hash_file(path) for card in cards for path in (card / "DCIM").rglob("*.DNG")}
    assert len(digests) == 30


def test_every_file_decodes_but_the_one_cut_short(cards: tuple[Path, Path]) -> None:
    for index in range(30):
        path = cards[shoot.card_of(index)] / shoot.place_on_card(index)
        if index == shoot.TRUNCATED:
            with pytest.raises(FrameError):
                check_decodable(path)
        else:
            with rawpy.imread(str(path)) as raw:
                assert (raw.sizes.width, raw.sizes.height, raw.sizes.flip) == (180, 120, 6)


def test_made_again_nothing_changes(cards: tuple[Path, Path]) -> None:
    before = {path: (path.stat().st_mtime_ns, path.read_bytes()) for card in cards for path in card.rglob("*.DNG")}
    assert shoot.make_cards(cards[0].parent, 1, width=120, height=180) == cards
    assert {
        path: (path.stat().st_mtime_ns, path.read_bytes()) for card in cards for path in card.rglob("*.DNG")
    } == before


def test_a_frame_at_the_claimed_size(tmp_path: Path) -> None:
    shoot.write_frame(shoot.SOFT, tmp_path / "a.DNG")
    with rawpy.imread(str(tmp_path / "a.DNG")) as raw:
        assert (raw.sizes.height, raw.sizes.width) == (shoot.WIDTH, shoot.HEIGHT)
    assert 3.8e6 < shoot.WIDTH * shoot.HEIGHT < 3.9e6


def test_the_plan_fills_the_job_sheet() -> None:
    set_ups = shoot.job_sheet_set_ups()
    sheet = {"format": 1, "job": "2611-04", "title": "Makers", "client": "Sorrel Lane Instruments", "set_ups": set_ups}
    assert check_document(sheet, "job_sheet", label="sheet") == sheet
    for set_up in set_ups:
        for lamp in set_up["lights"]:
            assert all(lamp[word] for word in ("name", "modifier", "place", "power", "purpose"))
    by_set_up = shoot.frames_by_set_up()
    assert list(by_set_up) == [set_up["name"] for set_up in set_ups]
    assert sorted(index for part in by_set_up.values() for index in part) == list(range(30))
    assert sorted(index for part in shoot.frames_by_sitter().values() for index in part) == list(range(30))


@pytest.mark.parametrize("set_up", SET_UPS, ids=lambda set_up: set_up.name)
def test_the_main_light_comes_from_where_the_plan_says(set_up: Any) -> None:
    """Camera left in all three: of a face to the front the left cheek is the brighter one; the harder, the more so."""
    main = set_up.lighting.lamp("main")
    assert main.place.startswith("camera left")
    front = replace(
        shoot.exposures()[0].scene,
        turn_degrees=0,
        tilt_degrees=0,
        lighting=set_up.lighting.without("fill"),
        skin_mark=False,
    )
    found = regions(front, WIDTH, HEIGHT)["face"]
    picture = render_scene(front, WIDTH, HEIGHT)
    cheeks = []
    for start in (0.12, 0.62):
        part = {**found, "x": found["x"] + start * found["width"], "width": 0.26 * found["width"]}
        part |= {"y": found["y"] + 0.45 * found["height"], "height": 0.25 * found["height"]}
        cheeks.append(float(np.median(picture[region_mask(part, WIDTH, HEIGHT)])))
    assert cheeks[0] > 1.3 * cheeks[1]


def test_the_white_ground_is_white_and_the_others_are_not() -> None:
    grounds = {
        name: float(np.median(light(indexes[1])[:60, :60])) for name, indexes in shoot.frames_by_set_up().items()
    }
    assert 1.0 > grounds["white"] > 0.7 > 0.2 > max(grounds["bench"], grounds["window"])


def test_what_went_wrong_is_in_the_picture() -> None:
    usual = shoot.NOT_FIRED - 1
    assert face(shoot.NOT_FIRED).mean() < 0.5 * face(usual).mean()
    assert face(shoot.STOP_OVER).mean() > 1.7 * face(13).mean()
    detail = [float(np.abs(np.diff(light(index)[..., 1], axis=1)).mean()) for index in (shoot.SOFT, usual)]
    assert detail[0] < 0.5 * detail[1]
    eye = regions(shoot.exposures()[shoot.EYES_SHUT].scene, WIDTH, HEIGHT)["left_eye"]
    where = region_mask(eye, WIDTH, HEIGHT)
    # The light in the eye is white, where skin gives little blue.
    assert (light(shoot.DONOR) - light(shoot.EYES_SHUT))[where][..., 2].max() > 0.08


def test_the_hero_has_five_things_to_take_out_and_the_donor_the_light_in_its_eye() -> None:
    truth = shoot.truth(shoot.HERO)
    assert set(shoot.HERO_NOTES) <= set(truth)
    assert "catchlight" not in shoot.truth(shoot.DONOR)
    brought = inside(shoot.DONOR, "catchlight") - inside(shoot.HERO, "catchlight")
    assert brought[..., 2].max() > 0.1
    assert brought.min() > -0.01
    # In register: the rest of the head is the same light.
    away = region_mask(truth["left_eye"], WIDTH, HEIGHT)
    assert np.array_equal(light(shoot.HERO)[away], light(shoot.DONOR)[away])


def test_a_retouch_closes_all_five_and_leaves_the_rest(tmp_path: Path) -> None:
    for index in (shoot.HERO, shoot.DONOR):
        shoot.write_frame(index, tmp_path / f"{index}.DNG", 1000, 1500)
        make_base(tmp_path / f"{index}.DNG", tmp_path / f"{index}.tif")
    marks = {name: shoot.truth(shoot.HERO)[name] for name in shoot.HERO_NOTES}
    hero, donor, returned = tmp_path / f"{shoot.HERO}.tif", tmp_path / f"{shoot.DONOR}.tif", tmp_path / "returned.tif"
    retouch(hero, returned, marks, donor)
    before, after = read_picture(hero)[0], read_picture(returned)[0]
    masks = {name: region_mask(region, 1000, 1500) for name, region in marks.items()}
    everywhere = np.logical_or.reduce(list(masks.values()))
    assert np.array_equal(before[~everywhere], after[~everywhere])
    # Of each mark, what was darkest (or lightest) is not there any more.
    for name in ("stray_hair", "skin_mark"):
        assert np.percentile(after[masks[name]], 0.5) > 1.5 * np.percentile(before[masks[name]], 0.5)
    assert np.percentile(after[masks["lint"]], 99.8) < 0.8 * np.percentile(before[masks["lint"]], 99.8)
    brought = after[masks["catchlight"]] - before[masks["catchlight"]]
    assert brought[..., 2].max() > 0.25
    assert after[masks["stand_shadow"]].std() < 0.5 * before[masks["stand_shadow"]].std()


def test_a_note_left_out_stays_as_it_was(tmp_path: Path) -> None:
    shoot.write_frame(shoot.HERO, tmp_path / "a.DNG", 600, 900)
    make_base(tmp_path / "a.DNG", tmp_path / "a.tif")
    truth = shoot.truth(shoot.HERO)
    forehead = {"shape": "rectangle", "x": 52.0, "y": 28.0, "width": 6.0, "height": 3.0}
    retouch(tmp_path / "a.tif", tmp_path / "b.tif", {"skin_mark": truth["skin_mark"], "soften": forehead})
    before, after = read_picture(tmp_path / "a.tif")[0], read_picture(tmp_path / "b.tif")[0]
    lint = region_mask(truth["lint"], 600, 900)
    assert np.array_equal(before[lint], after[lint])
    for region in (truth["skin_mark"], forehead):
        assert not np.array_equal(before[region_mask(region, 600, 900)], after[region_mask(region, 600, 900)])
    with pytest.raises(ValueError, match="donor"):
        retouch(tmp_path / "a.tif", tmp_path / "c.tif", {"catchlight": truth["catchlight"]})
