"""schemas/FORMAT.md says what the code does."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from glassine.schemas.errors import EXIT_STATUS
from glassine.schemas.facts import EVENTS, KEY_FIELDS, fact_kinds
from glassine.schemas.validation import load_schema

FORMAT = (files("glassine.schemas") / "FORMAT.md").read_text("utf-8")


def section(title: str) -> str:
    return FORMAT.partition(f"\n## {title}\n")[2].partition("\n## ")[0]


def rows(title: str) -> list[list[str]]:
    """The table of a section, without its head."""
    lines = [line for line in section(title).splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def documented_statuses() -> dict[str, int]:
    found: dict[str, int] = {}
    for codes, meaning, exits in rows("Errors"):
        named = codes.split()
        by_code = re.split(r",\s*", exits)
        assert len(by_code) in (1, len(named)), f"{codes}: one exit status, or one for each code"
        assert len(named) == len(meaning.split(";")) or "(" in meaning, f"{codes}: a meaning for each code"
        for index, code in enumerate(named):
            assert code not in found, f"{code} stands twice"
            found[code] = int(by_code[index if len(by_code) > 1 else 0])
    return found


def test_every_error_code_is_documented_with_its_exit_status_and_no_other() -> None:
    assert documented_statuses() == EXIT_STATUS


def test_every_kind_of_fact_is_documented_with_its_key_and_no_other() -> None:
    documented = {}
    for kind, _, key, _ in rows("Facts"):
        documented[kind.strip("`")] = tuple(word.strip() for word in key.split(",") if word.strip())
    assert documented == dict(KEY_FIELDS)
    assert sorted(documented) == sorted(fact_kinds())


def test_every_documented_event_is_one_that_entries_bear() -> None:
    documented = {event for *_, event in rows("Facts")}
    assert documented <= set(EVENTS.values()) | {"validation"}, "`validation` stands in entries of another event"


def test_fields_of_an_entry_are_documented() -> None:
    documented = {name.strip("`") for name, *_ in rows("An entry")}
    assert documented == set(load_schema("record_entry")["required"])


@pytest.mark.parametrize(
    "name",
    ["record_entry", "manifest", "job_sheet", "studio", "look", "delivery_specification", "receipt", "brief"],
)
def test_schemas_are_valid_2020_12(name: str) -> None:
    import jsonschema

    schema = load_schema(name)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)
