"""Bags against RFC 8493, with bagit-python as a second validator (not for everything: it accepts and writes other than 1.0)."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import bagit
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from glassine.schemas.errors import CallError, VolumeError
from glassine.tasks.delivery.bag import make_bag, validate_bag

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4 example, RFC 6234 TEST1
INFO = [
    ("Source-Organization", "A  studio\nof two lines"),
    ("External-Identifier", "2026-014"),
    ("Bagging-Date", "2026-11-25"),
]


@pytest.fixture
def sources(tmp_path: Path) -> dict[str, Path]:
    (tmp_path / "abc").write_bytes(b"abc")
    (tmp_path / "zeros").write_bytes(bytes(1000))
    return {"2026-014_0142.tif": tmp_path / "abc", "colour/ü é.tif": tmp_path / "zeros"}


@pytest.fixture
def bag(tmp_path: Path, sources: dict[str, Path]) -> Path:
    folder = tmp_path / "out" / "2026-014-1"
    make_bag(folder, sources, INFO)
    return folder


def test_a_bag_is_what_the_standard_says(bag: Path) -> None:
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert (bag / "bag-info.txt").read_text() == (
        "Source-Organization: A studio of two lines\nExternal-Identifier: 2026-014\nBagging-Date: 2026-11-25\n"
        "Payload-Oxum: 1003.2\n"  # CHECKS 1.4: abc and 1000 zero bytes
    )
    assert (bag / "manifest-sha256.txt").read_text().splitlines()[0] == f"{ABC}  data/2026-014_0142.tif"
    listed = {line.split()[1] for line in (bag / "tagmanifest-sha256.txt").read_text().splitlines()}
    assert listed == {"bag-info.txt", "bagit.txt", "manifest-sha256.txt"}
    assert [entry.name for entry in bag.parent.iterdir()] == [bag.name]


def test_two_other_programs_agree(bag: Path) -> None:
    bagit.Bag(str(bag)).validate(fast=False)
    assert validate_bag(bag) == []
    if shutil.which("sha256sum"):
        for manifest in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
            subprocess.run(["sha256sum", "--check", "--strict", "--quiet", manifest], cwd=bag, check=True)


def test_a_bag_of_another_program_is_understood(tmp_path: Path) -> None:
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "a b.txt").write_bytes(b"abc")
    bagit.make_bag(str(tmp_path / "theirs"), {"Contact-Name": "Nobody"}, checksums=["md5", "sha512"])
    assert validate_bag(tmp_path / "theirs") == []


def test_the_summary_and_the_bytes_are_the_same_again(tmp_path: Path, sources: dict[str, Path]) -> None:
    one = make_bag(tmp_path / "one", sources, INFO)
    two = make_bag(tmp_path / "two", dict(reversed(sources.items())), INFO)
    assert (one.octets, one.files[0]) == (1003, {"name": "2026-014_0142.tif", "sha256": ABC, "size": 3})
    assert one.files == two.files
    names = [path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*") if path.is_file()]
    assert all((tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes() for name in names)
    assert hashlib.sha256((tmp_path / "one" / "manifest-sha256.txt").read_bytes()).hexdigest() == one.manifest_sha256


@pytest.mark.parametrize(
    "name", ["../x", "/x", "a/../../x", "~x", "C:x", "a\\x", "100%.tif", "a\nb", "", "a//b", "./a"]
)
def test_a_name_that_programs_read_differently_is_refused(tmp_path: Path, sources: dict[str, Path], name: str) -> None:
    with pytest.raises(CallError) as refused:
        make_bag(tmp_path / "bag", {name: sources["2026-014_0142.tif"]}, [])
    assert refused.value.code == "W001"
    assert not (tmp_path / "bag").exists()


def test_names_that_are_one_on_some_system_are_refused(tmp_path: Path, sources: dict[str, Path]) -> None:
    source = sources["2026-014_0142.tif"]
    for pair in (("A.tif", "a.tif"), ("\u00e9.tif", "e\u0301.tif")):
        with pytest.raises(CallError, match="same name"):
            make_bag(tmp_path / "bag", dict.fromkeys(pair, source), [])


def test_a_bag_is_never_half_there(tmp_path: Path, sources: dict[str, Path], bag: Path) -> None:
    with pytest.raises(VolumeError) as failed:
        make_bag(tmp_path / "half" / "bag", {**sources, "z.tif": tmp_path / "absent"}, [])
    assert failed.value.code == "V003"
    assert list((tmp_path / "half").iterdir()) == []
    with pytest.raises(CallError) as again:
        make_bag(bag, sources, INFO)
    assert again.value.code == "W003"


def _line(name: str, old: str, new: str) -> Callable[[Path], None]:
    def spoil(bag: Path) -> None:
        text = (bag / name).read_text(encoding="utf-8")
        assert old in text
        (bag / name).write_text(text.replace(old, new, 1), encoding="utf-8")
        _retag(bag)

    return spoil


def _retag(bag: Path) -> None:
    """Make the tag manifest right again, so that only the fault meant is found."""
    lines = []
    for line in (bag / "tagmanifest-sha256.txt").read_text().splitlines():
        name = line.split()[1]
        lines.append(f"{hashlib.sha256((bag / name).read_bytes()).hexdigest()}  {name}\n")
    (bag / "tagmanifest-sha256.txt").write_text("".join(lines))


def _extra(bag: Path) -> None:
    (bag / "data" / "extra.tif").write_bytes(b"")
    _line("bag-info.txt", "1003.2", "1003.3")(bag)


def _link(bag: Path) -> None:
    (bag / "data" / "2026-014_0142.tif").unlink()
    (bag / "data" / "2026-014_0142.tif").symlink_to(bag.parent.parent / "abc")


def _escape(path: str) -> Callable[[Path], None]:
    def spoil(bag: Path) -> None:
        (bag.parent / "outside").write_bytes(b"abc")
        with (bag / "manifest-sha256.txt").open("a") as manifest:
            manifest.write(f"{ABC}  {path}\n")
        _retag(bag)

    return spoil


def _add_tag_line(text: str) -> Callable[[Path], None]:
    def spoil(bag: Path) -> None:
        with (bag / "tagmanifest-sha256.txt").open("a") as manifest:
            manifest.write(text)

    return spoil


BAD: dict[str, tuple[Callable[[Path], object], str]] = {
    "flipped": (lambda bag: (bag / "data/2026-014_0142.tif").write_bytes(b"abb"), "differs from its sha256"),
    "missing": (lambda bag: (bag / "data/2026-014_0142.tif").unlink(), "data/2026-014_0142.tif is missing"),
    "unlisted": (_extra, "does not list data/extra.tif"),
    "no declaration": (lambda bag: (bag / "bagit.txt").unlink(), "bagit.txt cannot be read"),
    "byte order mark": (
        lambda bag: (bag / "bagit.txt").write_bytes(b"\xef\xbb\xbf" + (bag / "bagit.txt").read_bytes()),
        "not exactly the two lines",
    ),
    "white space in the declaration": (
        _line("bagit.txt", "BagIt-Version: ", "BagIt-Version : "),
        "not exactly the two lines",
    ),
    "third line": (_line("bagit.txt", "UTF-8\n", "UTF-8\nMore: x\n"), "not exactly the two lines"),
    "unknown version": (_line("bagit.txt", "1.0", "9.0"), "names BagIt 9.0"),
    "unknown encoding": (_line("bagit.txt", "UTF-8", "UTF-88"), "nobody knows"),
    "no payload folder": (lambda bag: shutil.rmtree(bag / "data"), "data/ is missing"),
    "no manifest": (lambda bag: (bag / "manifest-sha256.txt").unlink(), "no payload manifest"),
    "unknown algorithm": (
        lambda bag: (bag / "manifest-sha256.txt").rename(bag / "manifest-crc32.txt"),
        "uses crc32",
    ),
    "digest too short": (_line("manifest-sha256.txt", ABC, ABC[:-1]), "is not a sha256 digest"),
    "listed twice": (_line("manifest-sha256.txt", ABC, f"{ABC}  data/2026-014_0142.tif\n{ABC}"), "listed twice"),
    "path above": (_escape("data/../../outside"), "leaves the bag"),
    "absolute path": (_escape("/etc/hosts"), "leaves the bag"),
    "home path": (_escape("~/outside"), "leaves the bag"),
    "drive path": (_escape("C:/outside"), "leaves the bag"),
    "payload outside data": (_escape("bagit.txt"), "not under data/"),
    "tag manifest lists payload": (_add_tag_line(f"{ABC}  data/2026-014_0142.tif\n"), "does not belong"),
    "tag manifest lists one": (_add_tag_line(f"{ABC}  tagmanifest-sha256.txt\n"), "does not belong"),
    "tag manifest leaves out the manifest": (
        lambda bag: (bag / "tagmanifest-sha256.txt").write_text(""),
        "tagmanifest-sha256.txt does not list manifest-sha256.txt",
    ),
    "tag altered": (
        lambda bag: (bag / "bag-info.txt").write_text("Contact-Name: Other\n"),
        "bag-info.txt differs from its sha256",
    ),
    "wrong sum": (_line("bag-info.txt", "1003.2", "1004.2"), "Payload-Oxum says 1004.2, the payload is 1003.2"),
    "sum twice": (_line("bag-info.txt", "Payload-Oxum", "Payload-Oxum: 1003.2\nPayload-Oxum"), "more than once"),
    "white space around a label": (_line("bag-info.txt", "Bagging-Date:", "Bagging-Date :"), "white space"),
    "no label": (_line("bag-info.txt", "Bagging-Date: ", ""), "is not 'Label: value'"),
    "link": (_link, "is a link"),
    "fetch of what is not listed": (
        lambda bag: (bag / "fetch.txt").write_text("https://example.org/a 3 data/a.tif\n"),
        "does not list data/a.tif",
    ),
    "fetch that leaves": (
        lambda bag: (bag / "fetch.txt").write_text("https://example.org/a 3 ../a.tif\n"),
        "fetch.txt, line 1",
    ),
}


@pytest.mark.parametrize("fault", BAD)
def test_a_bad_bag_is_found_out(bag: Path, fault: str) -> None:
    spoil, sentence = BAD[fault]
    spoil(bag)
    faults = validate_bag(bag)
    assert any(sentence in found for found in faults), faults


def test_percent_encoding_is_read(bag: Path) -> None:
    """RFC 8493 §2.1.3; bagit-python 1.9.0 refuses this bag."""
    (bag / "data" / "a%b").write_bytes(b"abc")
    _line("manifest-sha256.txt", ABC, f"{ABC.upper()} \t data/a%25b\n{ABC}")(bag)
    _line("bag-info.txt", "1003.2", "1006.3")(bag)
    assert validate_bag(bag) == []


def test_no_folder_at_all(tmp_path: Path) -> None:
    assert validate_bag(tmp_path / "nowhere") == [f"{tmp_path / 'nowhere'} is no folder"]


def _meaning(manifest: bytes) -> list[tuple[bytes, bytes]]:
    """Each line's digest, without regard to case, and all that follows it."""
    return [(line[:64].lower(), line[64:]) for line in manifest.split(b"\n")]


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.integers(0, 10**6), bit=st.integers(0, 7))
def test_any_flipped_bit_is_found(bag: Path, place: int, bit: int) -> None:
    files = sorted(path for path in bag.rglob("*") if path.is_file())
    path = files[place % len(files)]
    before = path.read_bytes()
    spoilt = bytearray(before)
    spoilt[place % len(spoilt)] ^= 1 << bit
    path.write_bytes(spoilt)
    try:
        # Upper and lower case hexadecimal digits mean the same (RFC 8493 §2.1.3); letters of a name do not, nor is
        # every white space a separator (only space and tab are).
        same = path.name == "tagmanifest-sha256.txt" and _meaning(bytes(spoilt)) == _meaning(before)
        assert bool(validate_bag(bag)) != same
    finally:
        path.write_bytes(before)
