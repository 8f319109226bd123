"""Every setting of a studio stands in the commented studio.toml, and nothing else does."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.validation import load_schema, read_document

SETTINGS = (files("glassine.config") / "studio.toml").read_text("utf-8")
CONFIG = Path(str(files("glassine.config")))


def schema_settings(properties: dict[str, Any], table: str = "") -> Iterator[tuple[str, str]]:
    """Every setting that the schema knows: its table, and its name."""
    for name, schema in properties.items():
        inner = schema.get("items", schema)
        if inner.get("type") == "object":
            yield from schema_settings(inner["properties"], name)
        else:
            yield table, name


def written_settings() -> set[tuple[str, str]]:
    """Every setting in the file, commented out or not, under the table that stands above it."""
    found, table = set(), ""
    for line in SETTINGS.splitlines():
        if header := re.fullmatch(r"(?:# )?\[\[?(?:\w+\.)?(\w+)\]\]?", line):
            table = header[1]
        elif setting := re.match(r"(?:# )?(\w+) = ", line):
            found.add((table, setting[1]))
    return found


def test_settings_file_and_schema_name_the_same_settings() -> None:
    known = set(schema_settings(load_schema("studio")["properties"]))
    # `glassine studio new` writes the volumes itself, in the place of the word VOLUMES, with the ids that it made for them.
    made = {("volumes", "volume")}
    assert made <= known
    assert "\nVOLUMES\n" in SETTINGS
    assert written_settings() == known - made


def test_every_commented_setting_is_right_when_it_is_switched_on() -> None:
    from glassine.schemas.validation import parse_document

    lines = [re.sub(r"^# (?=\[|\w+ = )", "", line) for line in SETTINGS.splitlines()]
    text = "\n".join(lines).replace("STUDIO_NAME", '"x"').replace("VOLUMES", '[[volumes]]\nname = "a"\npath = "a"')
    assert parse_document(text.encode(), "studio", label="studio.toml", toml=True)["clients"][0]["name"] == "Client"


@pytest.mark.parametrize(
    ("path", "schema"),
    [(path, "look") for path in sorted(CONFIG.glob("looks/*.json"))]
    + [(path, "delivery_specification") for path in sorted(CONFIG.glob("specifications/*.json"))]
    + [(CONFIG / "job_sheet.example.json", "job_sheet")],
    ids=lambda value: value.stem if isinstance(value, Path) else "",
)
def test_documents_that_come_along_are_valid(path: Path, schema: str) -> None:
    document = read_document(path, schema)
    assert document.get("name", path.stem) == path.stem
