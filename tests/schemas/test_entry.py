"""An entry: its canonical bytes, its name, and what is refused."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.entry import (
    EMPTY,
    NO_ENTRY,
    Head,
    canonical_bytes,
    compose_entry,
    digest_of,
    entry_name,
    entry_number,
    parse_entry,
)
from glassine.schemas.errors import DocumentError, RecordError

Fact = dict[str, Any]
FORMAT_MD = Path(__file__).parents[2] / "schemas" / "FORMAT.md"
AT, BY = "2026-11-25T09:00:00.000000Z", "p-0f3c2a91d7"

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8")),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(st.characters(codec="utf-8")), inner, max_size=4)
    ),
    max_leaves=12,
)


def test_canonical_bytes_are_those_of_the_written_example() -> None:
    line = next(line for line in FORMAT_MD.read_text("utf-8").splitlines() if line.startswith('    {"at"'))
    entry = compose_entry(EMPTY, [{"kind": "job", "job": "2611-04"}], at=AT, by=BY, event="accession")
    assert canonical_bytes(entry) == line.strip().encode() + b"\n"


def test_keys_are_sorted_by_code_point_and_letters_stay_letters() -> None:
    assert (
        canonical_bytes({"é": "ß", "z": 1, "Z": [1.5, None, True]}) == '{"Z":[1.5,null,true],"z":1,"é":"ß"}\n'.encode()
    )


@given(json_values)
def test_canonical_bytes_read_back_as_the_same_and_are_the_same_again(value: Any) -> None:
    content = canonical_bytes(value)
    assert json.loads(content) == value
    assert canonical_bytes(json.loads(content)) == content
    assert content.count(b"\n") == 1


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_of_json_is_never_written(number: float) -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        canonical_bytes({"n": number})


def test_digest_is_sha_256() -> None:
    # FIPS 180-4, the one-block example "abc" (CHECKS.md 1.1).
    assert digest_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_entry_names_sort_as_their_numbers() -> None:
    numbers = [1, 9, 10, 99_999, 12_345_678]
    assert sorted(map(entry_name, reversed(numbers))) == [entry_name(number) for number in numbers]
    assert [entry_number(Path(entry_name(number))) for number in numbers] == numbers


@pytest.mark.parametrize(
    "name", ["0000001.json", "000000001.json", "00000001.txt", ".glassine-ab.part", "manifest.json"]
)
def test_other_files_are_no_entries(name: str) -> None:
    assert entry_number(Path(name)) is None


def test_an_entry_follows_its_head(fact: Callable[..., Fact]) -> None:
    head = Head(6, hashlib.sha256(b"entry 6").hexdigest())
    entry = compose_entry(head, [fact("block")], at=AT, by=BY, event="policy assignment")
    assert (entry["entry"], entry["previous"]) == (7, head.sha256)
    assert parse_entry(canonical_bytes(entry), 7, label="7") == entry


@pytest.mark.parametrize("kind", ["frame", "mark", "sign_off"])
def test_a_fact_that_lacks_a_field_is_not_written(fact: Callable[..., Fact], kind: str) -> None:
    broken = fact(kind)
    missing = broken.popitem()[0]
    with pytest.raises(DocumentError) as caught:
        compose_entry(EMPTY, [broken], at=AT, by=BY, event="x")
    assert caught.value.code == "D002"
    assert f"'{missing}' is missing" in caught.value.wanted
    assert "facts[1]" in caught.value.place


def test_an_entry_without_facts_is_not_written() -> None:
    with pytest.raises(DocumentError, match="facts"):
        compose_entry(EMPTY, [], at=AT, by=BY, event="x")


def _entry(**fields: Any) -> dict[str, Any]:
    facts = [{"kind": "job", "job": "2611-04"}]
    return {"format": 1, "entry": 1, "previous": NO_ENTRY, "at": AT, "by": BY, "event": "e", "facts": facts, **fields}


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (canonical_bytes(_entry(entry=2)), "R003"),
        (canonical_bytes(_entry(at="yesterday")), "R003"),
        (canonical_bytes(_entry(format=2)), "R003"),
        (canonical_bytes(_entry(facts=[{"kind": "rumour"}])), "R003"),
        (canonical_bytes(_entry())[:-20], "R003"),
        (b"", "R003"),
        (canonical_bytes(_entry()).replace(b'"entry":1', b'"entry":1,"entry":1'), "R003"),
        (canonical_bytes(_entry())[:-1], "R001"),
        (canonical_bytes(_entry()) + b"\n", "R001"),
        (b"\xef\xbb\xbf" + canonical_bytes(_entry()), "R001"),
        (json.dumps(_entry(), sort_keys=True).encode() + b"\n", "R001"),
    ],
)
def test_an_entry_that_is_not_as_it_was_written_is_named(content: bytes, code: str) -> None:
    with pytest.raises(RecordError, match=r"^Entry 1 of the record") as caught:
        parse_entry(content, 1, label="record/00000001.json")
    assert caught.value.code == code
