"""What a walk over a card finds: frames with their companions, strays, and what it passes over."""

from __future__ import annotations

import os
import re
import unicodedata
from pathlib import Path

import pytest

from glassine.schemas.errors import VolumeError
from glassine.tasks.custody import card_walk
from glassine.tasks.custody.card_walk import FoundGroup, WalkReport, is_litter, printable_name, walk_source

Groups = list[tuple[str | None, list[str], list[str]]]


def put(folder: Path, *names: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        (folder / name).write_bytes(name.encode(errors="surrogateescape"))
    return folder


def names_of(groups: list[FoundGroup]) -> Groups:
    return [
        (
            group.original.name if group.original else None,
            [file.name for file in group.companions],
            [file.name for file in group.strays],
        )
        for group in groups
    ]


def walk(source: Path) -> Groups:
    return names_of(list(walk_source(source, WalkReport())))


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (["A.DNG"], [("A.DNG", [], [])]),
        (["A.JPG", "A.NEF"], [("A.NEF", ["A.JPG"], [])]),
        (["A.JPG"], [("A.JPG", [], [])]),
        (["A.JPG", "A.TIF"], [("A.TIF", ["A.JPG"], [])]),
        (["A.CRW", "A.THM"], [("A.CRW", ["A.THM"], [])]),
        # a raw file's sound note (voice memo)
        (["A.CR2", "A.WAV"], [("A.CR2", ["A.WAV"], [])]),
        # both ways to name a sidecar: after the stem, and after the whole file
        (["A.DNG", "A.DNG.xmp", "A.xmp"], [("A.DNG", ["A.DNG.xmp", "A.xmp"], [])]),
        (["A.DNG", "a.dng.XMP"], [("A.DNG", ["a.dng.XMP"], [])]),
        # two raw files of one stem are two frames; the companions go with the first
        (["A.CR3", "A.DNG", "A.JPG"], [("A.CR3", ["A.JPG"], []), ("A.DNG", [], [])]),
        # a film is no frame of this shoot's kind, its thumbnail is not one either
        (["MVI_0001.AVI", "MVI_0001.THM"], [(None, [], ["MVI_0001.AVI", "MVI_0001.THM"])]),
        (["A.xmp"], [(None, [], ["A.xmp"])]),
        (["NOTES"], [(None, [], ["NOTES"])]),
        (["A.DNG", "A1.JPG"], [("A.DNG", [], []), ("A1.JPG", [], [])]),
        (["img.v2.DNG", "img.v2.xmp"], [("img.v2.DNG", ["img.v2.xmp"], [])]),
        ([".hidden"], [(None, [], [".hidden"])]),
        # a case-insensitive card may be copied by hand to a disk that keeps both
        (["IMG_1.JPG", "img_1.dng"], [("img_1.dng", ["IMG_1.JPG"], [])]),
    ],
)
def test_companions_are_paired_by_stem(tmp_path: Path, names: list[str], found: Groups) -> None:
    assert walk(put(tmp_path / "card", *names)) == found


def test_companions_are_paired_across_unicode_forms(tmp_path: Path) -> None:
    composed, apart = (unicodedata.normalize(form, "Säge") for form in ("NFC", "NFD"))
    assert composed != apart
    assert walk(put(tmp_path / "card", f"{composed}.DNG", f"{apart}.xmp")) == [
        (f"{composed}.DNG", [f"{apart}.xmp"], [])
    ]


def test_frames_of_one_name_in_two_folders_are_two(tmp_path: Path) -> None:
    # DCF (CIPA DC-009): numbers are unique only within a directory, and roll over from 9999 to 0001
    card = tmp_path / "CARD"
    put(card / "DCIM" / "100AAAAA", "DSC_0001.DNG", "DSC_9999.DNG")
    put(card / "DCIM" / "101AAAAA", "DSC_0001.DNG", "DSC_0001.JPG")
    groups = list(walk_source(card, WalkReport()))
    assert [group.original.source for group in groups if group.original] == [
        "CARD/DCIM/100AAAAA/DSC_0001.DNG",
        "CARD/DCIM/100AAAAA/DSC_9999.DNG",
        "CARD/DCIM/101AAAAA/DSC_0001.DNG",
    ]
    assert [group.original.folder for group in groups if group.original] == ["100AAAAA", "100AAAAA", "101AAAAA"]
    assert [len(group.companions) for group in groups] == [0, 0, 1]
    # every raw ending is of one length class that `ending` yields: lower case, no dot
    assert all(re.fullmatch(r"[a-z0-9]{3}", ending) for ending in card_walk.RAW_ENDINGS)


def test_litter_is_listed_and_never_a_frame(tmp_path: Path) -> None:
    card = put(tmp_path / "card", "A.DNG", "._A.DNG", ".DS_Store", "Thumbs.db", "desktop.ini", "glassine-volume.json")
    put(card / "System Volume Information", "B.DNG")
    put(card / ".Trashes" / "501", "C.DNG")
    report = WalkReport()
    groups = list(walk_source(card, report))
    assert names_of(groups) == [("A.DNG", [], [])]
    assert sorted(report.litter) == sorted(
        f"card/{name}"
        for name in (
            "._A.DNG",
            ".DS_Store",
            "Thumbs.db",
            "desktop.ini",
            "glassine-volume.json",
            "System Volume Information",
            ".Trashes",
        )
    )
    assert report.passed_over == []
    assert not is_litter("DSC_0001.DNG")


def test_links_and_devices_are_reported_and_not_followed(tmp_path: Path) -> None:
    outside = put(tmp_path / "outside", "SECRET.DNG")
    card = put(tmp_path / "card", "A.DNG")
    (card / "B.DNG").symlink_to(outside / "SECRET.DNG")
    (card / "more").symlink_to(outside)
    (card / "round").symlink_to(card)
    (card / "gone.DNG").symlink_to(tmp_path / "nowhere")
    os.mkfifo(card / "PIPE.DNG")
    report = WalkReport()
    assert names_of(list(walk_source(card, report))) == [("A.DNG", [], [])]
    assert report.passed_over == [f"card/{name}" for name in ("B.DNG", "PIPE.DNG", "gone.DNG", "more", "round")]


HOSTILE = {
    b"caf\xe9.DNG": r"caf\xe9.DNG",  # ISO 8859-1, no UTF-8
    b"a\nb.DNG": r"a\x0ab.DNG",
    b"\x1b[31mred.DNG": r"\x1b[31mred.DNG",
    "\u202egnd.DNG".encode(): r"\x202egnd.DNG",  # right-to-left override: shows another ending
    b"-execute.DNG": "-execute.DNG",
    b"%s $(x) ;.DNG": "%s $(x) ;.DNG",
}


@pytest.mark.parametrize("raw", list(HOSTILE))
def test_hostile_names_are_made_printable_and_still_read(tmp_path: Path, raw: bytes) -> None:
    card = put(tmp_path / "card", os.fsdecode(raw))
    (group,) = walk_source(card, WalkReport())
    assert group.original is not None
    assert group.original.name == HOSTILE[raw]
    assert group.original.path.read_bytes() == raw
    assert group.original.source == f"card/{HOSTILE[raw]}"
    (alone,) = walk_source(card / os.fsdecode(raw), WalkReport())
    assert alone.original == group.original


def test_the_source_itself_may_have_a_hostile_name(tmp_path: Path) -> None:
    card = put(tmp_path / os.fsdecode(b"caf\xe9\n"), "A.DNG")
    (group,) = walk_source(card, WalkReport())
    assert group.original is not None
    assert (group.original.folder, group.original.source) == (r"caf\xe9\x0a", r"caf\xe9\x0a/A.DNG")
    (alone,) = walk_source(card / "A.DNG", WalkReport())
    assert alone.original == group.original
    group.original.source.encode()


def test_names_stay_within_what_documents_hold(tmp_path: Path) -> None:
    # Linux: a name has at most 255 bytes, a path 4096; escaped, a byte becomes four letters.
    # schemas/record_entry.schema.json: a name has at most 255 letters, a source 2000.
    first, second = (os.fsdecode(b"\xff" * 100 + letter + b"\xff" * 150) for letter in (b"a", b"b"))
    card = put(tmp_path / "card", f"{first}.DNG", f"{second}.DNG")
    deep = card
    for _ in range(13):
        deep = deep / ("d" * 200)
        deep.mkdir()
    put(deep, "C.DNG")
    files = [group.original for group in walk_source(card, WalkReport()) if group.original]
    assert [file.ending for file in files] == ["dng"] * 3
    assert len({file.name for file in files}) == 3
    assert max(len(file.name) for file in files) <= 255
    assert max(len(file.folder) for file in files) <= 255
    assert 1900 < max(len(file.source) for file in files) <= 2000
    assert printable_name("d" * 255) == "d" * 255


def test_a_single_file_is_a_source(tmp_path: Path) -> None:
    folder = put(tmp_path / "100AAAAA", "A.DNG", "A.JPG")
    (group,) = walk_source(folder / "A.DNG", WalkReport())
    assert group.original is not None
    assert group.files == [group.original]
    assert (group.original.folder, group.original.source) == ("100AAAAA", "100AAAAA/A.DNG")
    assert group.original.size == len("A.DNG")


@pytest.mark.parametrize("there", ["nothing", "a pipe"])
def test_a_missing_source(tmp_path: Path, there: str) -> None:
    source = tmp_path / "card"
    if there == "a pipe":
        os.mkfifo(source)
    with pytest.raises(VolumeError) as missing:
        list(walk_source(source, WalkReport()))
    assert missing.value.code == "V004"
    assert str(source) in str(missing.value)


def test_a_folder_that_cannot_be_read_is_told_of_and_the_rest_is_walked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = put(tmp_path / "card", "A.DNG")
    put(card / "bad", "B.DNG")
    real = os.scandir

    def scan(folder: Path) -> os._ScandirIterator[str]:
        if Path(folder).name == "bad":  # permissions do not stop the super-user, who may run this test
            raise OSError(5, "Input/output error")
        return real(str(folder))

    monkeypatch.setattr(card_walk.os, "scandir", scan)  # type: ignore[attr-defined]
    report = WalkReport()
    groups = list(walk_source(card, report))
    assert [group.original.name for group in groups if group.original] == ["A.DNG"]
    (sentence,) = report.unreadable
    assert str(card / "bad") in sentence


def test_an_empty_card(tmp_path: Path) -> None:
    assert walk(put(tmp_path / "card")) == []
