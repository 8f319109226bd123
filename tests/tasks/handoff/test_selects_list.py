"""Written lists of selects."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import CallError
from glassine.tasks.handoff.selects_list import Choice, Verdict, parse_selects, read_ratings
from glassine.tasks.handoff.xmp_sidecar import write_sidecar

# The camera's counter stands 40 above the frame's number, so that a mix-up shows.
FRAMES = {number: f"IMG_{number + 40:04d}" for number in range(140, 181)}


def faults_of(text: str, frames: dict[int, str] | None = None) -> list[str]:
    with pytest.raises(CallError) as refused:
        parse_selects(text, FRAMES if frames is None else frames)
    assert refused.value.code == "W002"
    assert refused.value.details
    assert refused.value.details[0] in refused.value.sentence
    return refused.value.details


def test_list_of_the_issue() -> None:
    assert parse_selects("0142, 0151-0153, hero 0177", FRAMES) == [
        Choice(142, "select"),
        Choice(151, "select"),
        Choice(152, "select"),
        Choice(153, "select"),
        Choice(177, "select", hero=True),
    ]


@pytest.mark.parametrize(
    "text",
    [
        "142,143,144",
        "0142;0143\n0144",
        "\ufeff0142 and 0143 AND 0144\r\n",
        "142–144",
        "0142 - 0144",
        "select 0142, select 0143, 00144",
        "142 143 144",
        "IMG_0182, img_0183.CR2, Select IMG_0184.dng",
        "142-143, 0143, 144,,",
    ],
)
def test_ways_of_writing_the_same(text: str) -> None:
    assert parse_selects(text, FRAMES) == [Choice(number, "select") for number in (142, 143, 144)]


def test_word_applies_to_its_item_alone() -> None:
    assert parse_selects("out 0142, select 0143, hold 0144-0145, select 0146, hero select 0147", FRAMES) == [
        Choice(142, "out"),
        Choice(143, "select"),
        Choice(144, "hold"),
        Choice(145, "hold"),
        Choice(146, "select"),
        Choice(147, "select", hero=True),
    ]


def test_hero_within_a_range_is_no_contradiction() -> None:
    choices = parse_selects("0150-0152, hero 0151", FRAMES)
    assert choices == [Choice(150, "select"), Choice(151, "select", hero=True), Choice(152, "select")]


def test_every_fault_is_named_and_nothing_taken() -> None:
    details = faults_of("0142, 0999, hero 0138, 0160-0155, out 0143, select 0143, IMG_9999, 0178-0182")
    assert details == [
        "'0999' is no frame of this job".replace("'", ""),
        "0138 is no frame of this job",
        "the range 0160-0155 runs backwards: write 0155-0160",
        "'IMG_9999' is no frame of this job",
        "the range 0178-0182 has numbers that are no frame of this job: 0181, 0182",
        "frame 0143 is said to be out and select: say one",
    ]


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("out 0142 0143", "'out 0142 0143' is unclear"),  # does out mean the second too?
        ("hold 0142, 0143", "'0143' right after 'hold 0142' is unclear"),
        ("0142 hero 0143", "'0142 hero 0143' is unclear"),
        ("0142 hero", "'0142 hero' is unclear"),
        ("hero", "says no frame"),
        ("hero out 0142", "contradicts itself"),
        ("hold select 0142", "contradicts itself"),
        ("out: 0142", "'out:' is no frame"),
        ("0142?", "'0142?' is no frame"),
        ("-0142", "'-0142' is no frame"),
        ("142.5", "'142.5' is no frame"),
        ("0142-", "'0142-' is no frame"),
        ("0142-0144-0146", "'0142-0144-0146' is no frame"),
        ("IMG_0182-IMG_0184", "is no frame"),
        ("١٤٢", "is no frame"),
        ("0142\x00", "is no frame"),
        ("best ones 0142", "'best' is no frame"),
    ],
)
def test_unclear_item_is_named(text: str, named: str) -> None:
    assert any(named in detail for detail in faults_of(text))


def test_part_of_a_stem_is_only_a_hint() -> None:
    (detail,) = faults_of("_0185")
    assert detail == "'_0185' is no frame of this job; IMG_0185 is frame 0145: write the number"


def test_camera_counter_is_not_taken_for_a_number() -> None:
    # 0200 is on a file of the camera, but no frame has the number 200.
    (detail,) = faults_of("0200")
    assert detail == "0200 is no frame of this job; IMG_0200 is frame 0160: write the number"
    # 0180 is a frame's number and a counter: digits always mean the number.
    assert parse_selects("0180", FRAMES) == [Choice(180, "select")]


def test_stem_of_two_frames_is_ambiguous() -> None:
    # The counter rolled over from folder 100 to folder 101.
    (detail,) = faults_of("IMG_0001", {1: "IMG_0001", 2: "IMG_0002", 3: "img_0001"})
    assert detail == "'IMG_0001' is the camera's name of frames 0001, 0003: write the frame's number"


def test_stem_of_digits_is_ambiguous_with_a_number() -> None:
    frames = {7: "0142", 142: "0007"}
    (detail,) = faults_of("0142", frames)
    assert detail.startswith("0142 is the number of one frame and the camera's name of frame 0007")
    assert parse_selects("00142, 0142.dng", frames) == [Choice(142, "select"), Choice(7, "select")]


def test_stem_that_reads_as_a_range_is_ambiguous() -> None:
    (detail,) = faults_of("100-101", {9: "100-101", 100: "a", 101: "b"})
    assert "is a range and the camera's name of frame 0009" in detail


def test_stem_with_blanks_is_taken_whole() -> None:
    assert parse_selects("hero neck joint 2", {3: "Neck joint 2"}) == [Choice(3, "select", hero=True)]


def test_huge_range_costs_nothing() -> None:
    (detail,) = faults_of("1-999999999")
    assert detail.endswith("0001, 0002, 0003, 0004, 0005 and 999999953 more")


@pytest.mark.parametrize("text", ["", " ,;\n and "])
def test_empty_list_is_refused(text: str) -> None:
    with pytest.raises(CallError) as refused:
        parse_selects(text, FRAMES)
    assert refused.value.code == "W001"


verdicts: st.SearchStrategy[Verdict] = st.sampled_from(["select", "out", "hold"])


@settings(deadline=None, max_examples=60)
@given(
    st.dictionaries(st.sampled_from(sorted(FRAMES)), st.tuples(verdicts, st.booleans(), st.booleans())),
    st.sampled_from([", ", ";", "\n", " and ", ",\r\n"]),
)
def test_written_choices_come_back(wanted: dict[int, tuple[Verdict, bool, bool]], separator: str) -> None:
    choices = [Choice(n, verdict, hero and verdict == "select") for n, (verdict, hero, _) in wanted.items()]
    items = []
    for choice in choices:
        name = FRAMES[choice.frame] if wanted[choice.frame][2] else f"{choice.frame:04d}"
        items.append(("hero " if choice.hero else f"{choice.verdict} ") + name)
    if not items:
        return
    assert parse_selects(separator.join(items), FRAMES) == choices


@settings(deadline=None, max_examples=80)
@given(st.text(max_size=60))
def test_any_text_is_taken_or_refused(text: str) -> None:
    try:
        choices = parse_selects(text, FRAMES)
    except CallError as error:
        assert error.code in ("W001", "W002")
    else:
        assert {choice.frame for choice in choices} <= set(FRAMES)


def test_ratings_become_choices(tmp_path: Path) -> None:
    for stem, rating in {"IMG_0182": 3, "IMG_0183": -1, "IMG_0184": 0, "img_0185.CR2": 1}.items():
        write_sidecar(tmp_path / f"{stem}.xmp", rating=rating)
    sidecars = sorted(tmp_path.glob("*.xmp"))
    assert read_ratings(sidecars, FRAMES) == [
        Choice(142, "select"),
        Choice(143, "out"),
        Choice(145, "select"),
    ]
    assert read_ratings(sidecars, FRAMES, threshold=4) == [Choice(143, "out")]


def test_ratings_name_every_fault(tmp_path: Path) -> None:
    write_sidecar(tmp_path / "IMG_0182.xmp", rating=3)
    write_sidecar(tmp_path / "IMG_9999.xmp", rating=3)
    (tmp_path / "IMG_0183.xmp").write_text("no xml")
    with pytest.raises(CallError) as refused:
        read_ratings(sorted(tmp_path.glob("*.xmp")), FRAMES)
    assert refused.value.code == "W002"
    assert len(refused.value.details) == 2
    assert "IMG_0183.xmp is no XMP sidecar" in refused.value.details[0]
    assert "'IMG_9999' is no frame" in refused.value.details[1]
