"""Facts: the kinds, their keys and their events are the same in the code, the schema and the written format."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.entry import EMPTY, compose_entry
from glassine.schemas.facts import ABSENT, EVENTS, KEY_FIELDS, fact_key, fact_kinds
from glassine.schemas.fold import _APPLY
from glassine.schemas.validation import load_schema

Fact = dict[str, Any]
FORMAT_MD = Path(__file__).parents[2] / "schemas" / "FORMAT.md"


def written_rows() -> dict[str, tuple[tuple[str, ...], str]]:
    """Kind, key fields and event of each row of the table in FORMAT.md, "Facts"."""
    section = FORMAT_MD.read_text("utf-8").split("\n## Facts\n")[1].split("\n## ")[0]
    cells = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in section.splitlines() if line[:3] == "| `"
    ]
    return {kind.strip("`"): (tuple(re.split(r",\s*", key)), event) for kind, _, key, event in cells}


def test_format_md_lists_exactly_the_kinds_and_keys() -> None:
    assert {kind: key for kind, (key, _) in written_rows().items()} == KEY_FIELDS


def test_every_kind_of_the_schema_has_a_key_and_is_folded() -> None:
    assert sorted(fact_kinds()) == sorted(KEY_FIELDS) == sorted(_APPLY)


def test_events_of_the_flows_stand_in_format_md() -> None:
    assert set(EVENTS.values()) <= {event for _, event in written_rows().values()}


def test_key_fields_are_required_and_no_time() -> None:
    definitions = load_schema("record_entry")["$defs"]
    for kind, fields in KEY_FIELDS.items():
        shape = definitions.get(f"{kind}_fact") or definitions[kind]
        assert shape["properties"]["kind"] == {"const": kind}
        assert set(fields) <= set(shape["required"]) | set(ABSENT), kind
        assert set(fields) <= set(shape["properties"]), kind
        assert "at" not in shape["properties"], kind


@pytest.mark.parametrize("kind", fact_kinds())
def test_every_kind_is_valid_alone_and_wrong_with_a_field_too_many(fact: Callable[..., Fact], kind: str) -> None:
    at, by = "2026-11-25T09:00:00Z", "p-0f3c2a91d7"
    assert compose_entry(EMPTY, [fact(kind)], at=at, by=by, event="e")["facts"] == [fact(kind)]
    with pytest.raises(Exception, match="'rumour' has no place here"):
        compose_entry(EMPTY, [fact(kind, rumour=1)], at=at, by=by, event="e")


def test_a_key_is_of_the_key_fields_and_nothing_else(fact: Callable[..., Fact]) -> None:
    assert fact_key(fact("mark")) == fact_key(fact("mark", verdict="out", remark="no"))
    assert fact_key(fact("mark")) != fact_key(fact("mark", revision=2))
    assert fact_key(fact("undecodable")) != fact_key(fact("unshowable"))
    assert fact_key(fact("review")) != fact_key(fact("review", revision=2))


def test_a_key_field_that_an_older_entry_lacks_has_the_value_it_stood_for(fact: Callable[..., Fact]) -> None:
    assert "crop" not in fact("sign_off")
    assert fact_key(fact("sign_off")) == fact_key(fact("sign_off", crop=0)) != fact_key(fact("sign_off", crop=1))
