"""Names in custody: valid on every system, and never the same for two contents."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pathvalidate import is_valid_filename

from glassine.schemas.validation import load_schema
from glassine.tasks.custody.card_walk import FoundFile, printable_name
from glassine.tasks.custody.original_name import original_path, safe_part
from glassine.tasks.custody.replication import _longer

SHA = hashlib.sha256(b"a frame").hexdigest()
# Microsoft, "Naming Files, Paths, and Namespaces": device names, also with an ending, in any case; superscript digits too
RESERVED = {"CON", "PRN", "AUX", "NUL"} | {f"{port}{n}" for port in ("COM", "LPT") for n in "0123456789¹²³"}
FORBIDDEN = set('<>:"/\\|?*') | {chr(code) for code in range(32)}

# Names as a folder listing gives them: any bytes but NUL and slash, most of them text
texts = st.text(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=255)
raw_names = st.binary(min_size=1, max_size=255).filter(lambda raw: b"/" not in raw and b"\0" not in raw)
names = st.one_of(
    texts,
    raw_names.map(os.fsdecode),
    st.sampled_from([".", "..", "...", "CON", "con.dng", "aux.tar.NEF", "NUL .dng", "COM¹.CR2", "A.", "A ", ".A", "~"]),
    st.builds(lambda start, end: start + " " * 100 + end, st.sampled_from(sorted(RESERVED)), texts),
    st.builds(
        lambda letter, ending: letter * 80 + ending, st.sampled_from("漢😀é."), st.sampled_from([".DNG", ".", ""])
    ),
)


def found(name: str, folder: str = "100AAAAA") -> FoundFile:
    return FoundFile(Path("/card"), printable_name(name), printable_name(folder), "card/x", 1, 0)


def assert_part_is_borne_everywhere(part: str) -> None:
    assert part
    assert part == unicodedata.normalize("NFC", part)
    assert not FORBIDDEN & set(part)
    assert part not in {".", ".."}
    assert not part.endswith((" ", "."))
    assert not part.startswith(" ")
    assert part.split(".")[0].rstrip(" ").upper() not in RESERVED
    assert len(part.encode()) <= 255
    assert is_valid_filename(part, platform="universal")


@given(name=names, folder=names)
@example(name="..", folder="..")
@example(name="CON" + " " * 90 + "x.DNG", folder="CON" + " " * 90 + "x")
@example(name="漢" * 80 + ".漢漢漢漢", folder="😀" * 63)
def test_every_part_is_valid_on_all_systems(name: str, folder: str) -> None:
    path = original_path(found(name, folder), SHA)
    for candidate in (path, _longer(path, SHA)):
        parts = candidate.split("/")
        assert parts[0] == "originals"
        assert len(parts) == 3
        for part in parts:
            assert_part_is_borne_everywhere(part)
        assert len(candidate) <= 250  # Windows opens 260 without a prefix (MAX_PATH): 80 + 80 letters and the rest
    assert SHA[:8] in path
    assert SHA[:24] in _longer(path, SHA)


@given(name=names, folder=names)
def test_a_path_meets_the_schema(name: str, folder: str) -> None:
    rule = load_schema("record_entry")["$defs"]["path"]
    path = original_path(found(name, folder), SHA)
    assert re.search(rule["pattern"], path)
    assert rule["minLength"] <= len(path) <= rule["maxLength"]


@given(name=names, folder=names)
def test_it_is_a_pure_function_and_settles(name: str, folder: str) -> None:
    file = found(name, folder)
    assert original_path(file, SHA) == original_path(file, SHA)
    part = safe_part(printable_name(name))
    assert safe_part(part) == part


@given(name=names, change=st.sampled_from(["upper", "lower", "NFC", "NFD", "same"]), content=st.binary(max_size=8))
def test_names_that_differ_only_in_case_or_form_do_not_collide(name: str, change: str, content: bytes) -> None:
    other = {
        "upper": name.upper(),
        "lower": name.lower(),
        "NFC": unicodedata.normalize("NFC", name) if name.isprintable() else name,
        "NFD": unicodedata.normalize("NFD", name) if name.isprintable() else name,
        "same": name,
    }[change]
    sha256 = hashlib.sha256(b"another frame" + content).hexdigest()
    first, second = original_path(found(name), SHA), original_path(found(other), sha256)
    assert _same_on_any_system(first) != _same_on_any_system(second)
    assert _same_on_any_system(_longer(first, SHA)) != _same_on_any_system(_longer(second, sha256))


def _same_on_any_system(path: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


@pytest.mark.parametrize(
    ("name", "folder", "path"),
    [
        ("DSC_0001.DNG", "100AAAAA", f"originals/100AAAAA/DSC_0001.{SHA[:8]}.DNG"),
        ("DSC_0001.DNG.xmp", "100AAAAA", f"originals/100AAAAA/DSC_0001.DNG.{SHA[:8]}.xmp"),
        ("NOTES", "card", f"originals/card/NOTES.{SHA[:8]}"),
        (".hidden", "card", f"originals/card/.hidden.{SHA[:8]}"),
        ("A.DNG", "..", f"originals/_/A.{SHA[:8]}.DNG"),
        ("nul.dng", "aux", f"originals/aux_/nul_.{SHA[:8]}.dng"),
        ("Sa\u0308ge.DNG", "Sa\u0308ge", f"originals/Säge/Säge.{SHA[:8]}.DNG"),
        ("a:b?.DNG", "a*b", f"originals/a_b/a_b_.{SHA[:8]}.DNG"),
    ],
)
def test_examples(name: str, folder: str, path: str) -> None:
    assert original_path(found(name, folder), SHA) == path
