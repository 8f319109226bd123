"""Documents: an error names the file, the place, and what would be right; two validators agree."""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import jsonschema
import jsonschema_rs
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from glassine.schemas.entry import EMPTY, compose_entry
from glassine.schemas.errors import WRONG_WORDS, DocumentError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import check_document, is_valid_document, load_schema, parse_document, read_document

Fact = dict[str, Any]
Document = dict[str, Any]
CONFIG = Path(__file__).parents[2] / "config"
SCHEMAS = sorted(path.name.removesuffix(".schema.json") for path in CONFIG.with_name("schemas").glob("*.schema.json"))
SHEET: Document = json.loads((CONFIG / "job_sheet.example.json").read_bytes())
LOOK: Document = json.loads((CONFIG / "looks" / "hard-mono.json").read_bytes())
PRINT: Document = json.loads((CONFIG / "specifications" / "yearbook-print.json").read_bytes())
STEPS = "exposure, monochrome, tone_curve, black_point, white_point, toning, burn_in, hold_back, cdl, cube, grain"


@pytest.mark.parametrize(
    ("content", "place", "wanted"),
    [
        (b'{"format": 1,\n "job" 2}', "line 2, column 8", "is not JSON: Expecting ':' delimiter."),
        (b"", "line 1, column 1", "is not JSON: Expecting value."),
        (b'{"job": "a", "job": "b"}', "", "the name 'job' stands twice"),
        (b'{"licences": [{"terms": "a", "terms": "b"}]}', "", "the name 'terms' stands twice"),
        (b'{"format": NaN}', "", "NaN is no number of JSON"),
        (b'{"format": -Infinity}', "", "-Infinity is no number of JSON"),
        (b'{"job": "\xff"}', "byte 10", "must be UTF-8 text"),
        (b"[" * 100_000, "", "nested too deeply"),
        (b'{"format": ' + b"9" * 5000 + b"}", "", "digits"),
        (b'{"title": "\\ud800"}', "", "half of a surrogate pair"),
    ],
)
def test_what_is_no_json_is_refused_with_line_and_column(content: bytes, place: str, wanted: str) -> None:
    with pytest.raises(DocumentError) as caught:
        parse_document(content, "job_sheet", label="job.json")
    error = caught.value
    assert (error.code, error.document, error.place, error.exit_status) == ("D001", "job.json", place, WRONG_WORDS)
    assert wanted in error.wanted
    assert str(error).startswith(f"job.json, at {place}: " if place else "job.json: ")


def deliverables(*given: Document) -> Document:
    return {**SHEET, "deliverables": list(given)}


WRONG_SHEETS = [
    ({"format": 1, "job": "1", "title": "t"}, "", "'client' is missing"),
    (
        deliverables({"client": "A", "specification": "b"}, {"client": "A"}),
        "deliverables[2]",
        "'specification' is miss",
    ),
    ({**SHEET, "model_release": "yes"}, "model_release", 'one of none, not applicable, unlimited, limited, not "yes".'),
    ({**SHEET, "job": "26/11"}, "job", 'Letters, digits, dash and underscore, at most 40. It is "26/11".'),
    ({**SHEET, "job": "2611-04\n"}, "job", "does not match"),
    (
        {**SHEET, "titel": "t"},
        "",
        "'titel' has no place here (did you mean 'title'?); known are format, job, title, client,",
    ),
    ({**SHEET, "title": 7}, "title", "must be of type string, not 7."),
    ({**SHEET, "format": True}, "format", "must be 1, not true."),
    ({**SHEET, "due": "soon"}, "due", 'RFC 3339 full-date. It is "soon".'),
    ({**SHEET, "due": "2026-02-30"}, "due", 'must be a day that there is, such as 2026-12-01, not "2026-02-30".'),
    ({**SHEET, "keywords": ["a", ""]}, "keywords[2]", "must not be empty."),
    ({**SHEET, "title": "x" * 256}, "title", "must have at most 255 letters, and has 256."),
    ({**SHEET, "client": "a\nb"}, "client", 'must be on one line, not "a\\nb".'),
    ({**SHEET, "title": "a\0b"}, "title", "holds '\\x00', which is no letter"),
    ({**SHEET, "x" * 5000: 1}, "", f"{'x' * 57}…' has no place here; known are"),
    ([], "", "must be of type object, not []."),
]
WRONG_UNITS = [
    ("distance_m", 140, "must be at most 30 (in metres from the sitter), not 140."),
    ("height_m", 210, "must be at most 15 (in metres above the floor), not 210."),
    ("distance_m", "1.4 m", 'must be of type number (in metres from the sitter), not "1.4 m".'),
    ("power", 5, 'must be of type string (in words with its unit, such as "full less 2 stops"), not 5.'),
]


@pytest.mark.parametrize(("document", "place", "wanted"), WRONG_SHEETS)
def test_a_wrong_job_sheet_is_told_the_place_and_what_is_right(document: Any, place: str, wanted: str) -> None:
    with pytest.raises(DocumentError) as caught:
        parse_document(json.dumps(document).encode(), "job_sheet", label="job.json")
    assert (caught.value.code, caught.value.place) == ("D002", place)
    assert wanted in caught.value.wanted


@pytest.mark.parametrize(("field", "value", "wanted"), WRONG_UNITS)
def test_a_wrong_unit_is_told_by_the_right_one(field: str, value: Any, wanted: str) -> None:
    sheet = {**SHEET, "set_ups": [{"name": "bench", "lights": [{"name": "main", field: value}]}]}
    with pytest.raises(DocumentError) as caught:
        check_document(sheet, "job_sheet", label="job.json")
    assert (caught.value.place, caught.value.wanted) == (f"set_ups[1].lights[1].{field}", wanted)


@pytest.mark.parametrize(
    ("step", "place", "wanted"),
    [
        ({"step": "exposre", "stops": 1}, "steps[2]", f"'step' must be one of {STEPS}, not \"exposre\"."),
        ({"stops": 1}, "steps[2]", "'step' is missing"),
        ({"step": "exposure"}, "steps[2]", "'stops' is missing"),
        ({"step": "exposure", "stops": "1"}, "steps[2].stops", 'must be of type number (in stops), not "1".'),
        ({"step": "exposure", "stops": 11}, "steps[2].stops", "must be at most 10 (in stops), not 11."),
        (
            {"step": "exposure", "stops": 1, "stop": 1},
            "steps[2]",
            "'stop' has no place here (did you mean 'stops'?); known are step, stops.",
        ),
        ({"step": "tone_curve", "points": [[0, 0], [1, 9]]}, "steps[2].points[2][2]", "must be at most 2.48, not 9."),
        ("exposure", "steps[2]", "must be of type object"),
    ],
)
def test_a_wrong_step_of_a_look_is_told_by_what_was_meant(step: Any, place: str, wanted: str) -> None:
    with pytest.raises(DocumentError) as caught:
        check_document({**LOOK, "steps": [LOOK["steps"][0], step]}, "look", label="looks/mine.json")
    assert (caught.value.code, caught.value.place) == ("D002", place)
    assert wanted in caught.value.wanted


@pytest.mark.parametrize(
    ("fields", "place", "wanted"),
    [
        ({"file": {"type": "BMP", "bits": 8}}, "file", "'type' must be one of TIFF, JPEG, PNG, not \"BMP\"."),
        ({"file": {"type": "TIFF", "bits": 12}}, "file.bits", "must be one of 8, 16, not 12."),
        (
            {"file": {"type": "JPEG", "quality": 12}},
            "file.quality",
            "must be at least 50 (IJG scale of the tables of ITU-T T.81 Annex K), not 12.",
        ),
        ({"size": {"long_edge_px": 12}}, "size.long_edge_px", "must be at least 64 (in pixels), not 12."),
        ({"size": {"width_mm": 8, "height_mm": 10}}, "size.width_mm", "must be more than 10 (in millimetres), not 8."),
        ({"resolution_ppi": 3}, "resolution_ppi", "must be at least 30 (in pixels per inch), not 3."),
        ({"resolution_ppi": 30000}, "resolution_ppi", "must be at most 2400 (in pixels per inch), not 30000."),
        ({"size": {"width_mm": 170}}, "size", "'height_mm' is missing: add it."),
    ],
)
def test_a_wrong_choice_in_a_specification_is_told_by_what_was_meant(fields: Document, place: str, wanted: str) -> None:
    with pytest.raises(DocumentError) as caught:
        check_document({**PRINT, **fields}, "delivery_specification", label="x.json")
    assert (caught.value.place, caught.value.wanted) == (place, wanted)


def test_every_fault_is_told_at_once() -> None:
    with pytest.raises(DocumentError) as caught:
        check_document({**SHEET, "title": 1, "client": 2, "keywords": 3}, "job_sheet", label="job.json")
    assert [detail.split(":")[0] for detail in caught.value.details] == ["client", "keywords", "title"]


def test_a_toml_file_is_told_line_and_column_and_place(tmp_path: Path) -> None:
    path = tmp_path / "studio.toml"
    path.write_text("format = 1\nname = \n")
    with pytest.raises(DocumentError, match=r"is not TOML: Invalid value \(at line 2, column 8\)") as caught:
        read_document(path, "studio")
    assert (caught.value.code, caught.value.document) == ("D001", str(path))
    path.write_text(
        'format = 1\nname = "x"\n[[volumes]]\nname = "w"\npath = "/w"\n[[volumes]]\nname = "a/b"\npath = "/x"\n'
    )
    with pytest.raises(DocumentError) as caught:
        read_document(path, "studio")
    assert (caught.value.code, caught.value.place) == ("D002", "volumes[2].name")
    assert "Letters, digits, space, dash and underscore" in caught.value.wanted


@pytest.mark.parametrize(
    ("line", "code", "place", "wanted"),
    [
        ("person = 2026-11-25", "D002", "person", 'must be in quotes, such as "2026-11-25".'),
        ("person = 07:32:00", "D002", "person", 'must be in quotes, such as "07:32:00".'),
        ("decode_seconds = nan", "D002", "decode_seconds", "must be a number that ends, not nan."),
        ("decode_seconds = inf", "D002", "decode_seconds", "must be a number that ends, not inf."),
        ("decode_seconds = 120000", "D002", "decode_seconds", "must be at most 86400 (in seconds), not 120000."),
        ("decode_memory_mb = 4", "D002", "decode_memory_mb", "must be at least 256 (in megabytes), not 4."),
        ('person = "a\\u0000b"', "D002", "person", "holds '\\x00', which is no letter: take it out."),
        (f"workers = {'9' * 5000}", "D001", "", "is not TOML as it should be: a number has more than 4,300 digits."),
        (f"person = {'[' * 5000}{']' * 5000}", "D001", "", "is nested too deeply for a document of ours."),
        (f"person = {'[' * 300}{']' * 300}", "D002", "person", "must be of type string, not [[["),
    ],
    ids=lambda value: str(value)[:24],
)
def test_what_toml_can_write_and_a_setting_cannot_be(line: str, code: str, place: str, wanted: str) -> None:
    text = f'format = 1\nname = "x"\nvolumes = [{{ name = "w", path = "/w" }}]\n{line}\n'
    with pytest.raises(DocumentError) as caught:
        parse_document(text.encode(), "studio", label="studio.toml", toml=True)
    assert (caught.value.code, caught.value.place) == (code, place)
    assert wanted in caught.value.wanted


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(DocumentError, match="cannot be read") as caught:
            read_document(path, "look")
        assert (caught.value.code, caught.value.document) == ("D001", str(path))


@pytest.mark.parametrize("schema", SCHEMAS)
def test_a_newer_format_is_refused_before_anything_else(schema: str) -> None:
    with pytest.raises(DocumentError) as caught:
        check_document({"format": 2, "something": "new"}, schema, label="x.json")
    assert (caught.value.code, caught.value.place) == ("D003", "format")
    assert "Use a newer glassine" in caught.value.wanted


@pytest.mark.parametrize("schema", SCHEMAS)
def test_every_schema_is_itself_valid(schema: str) -> None:
    document = load_schema(schema)
    assert document["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(document)
    assert jsonschema_rs.meta.is_valid(document)


@pytest.mark.parametrize("schema", SCHEMAS)
def test_every_schema_says_which_format_and_closes_its_objects(schema: str) -> None:
    """A misspelled field must not pass: each object with fields of its own says that there are no others."""
    document = load_schema(schema)
    assert schema == "brief" or document["properties"]["format"] == {"const": 1}

    def walk(node: Any, place: str) -> None:
        if isinstance(node, dict):
            closed = node.get("additionalProperties") is not None or "allOf" in node or "if" in node
            if node.get("type") == "object" and "properties" in node and schema != "brief":
                assert closed, place
            for name, value in node.items():
                walk(value, f"{place}/{name}")
        elif isinstance(node, list):
            for index, value in enumerate(node):
                walk(value, f"{place}/{index}")

    walk(document, schema)


def test_shared_definitions_are_the_same_in_every_schema() -> None:
    entry = load_schema("record_entry")["$defs"]
    for schema in SCHEMAS:
        for name in {"sha256", "time", "date", "person", "volume", "job", "path", "region"} & set(
            load_schema(schema).get("$defs", {})
        ):
            assert load_schema(schema)["$defs"][name] == entry[name], f"{schema}: {name}"


def test_shipped_documents_are_valid() -> None:
    shipped = {"look": CONFIG / "looks", "delivery_specification": CONFIG / "specifications"}
    for schema, folder in shipped.items():
        paths = sorted(folder.glob("*.json"))
        assert paths
        for path in paths:
            assert read_document(path, schema)["name"] == path.stem
    assert read_document(CONFIG / "job_sheet.example.json", "job_sheet") == SHEET


def test_the_studio_template_is_valid_once_filled_in() -> None:
    text = (CONFIG / "studio.toml").read_text("utf-8")
    filled = text.replace("STUDIO_NAME", '"Glasshouse"').replace("VOLUMES\n", '[[volumes]]\nname = "w"\npath = "/w"\n')
    document = parse_document(filled.encode(), "studio", label="studio.toml", toml=True)
    assert document == tomllib.loads(filled)
    uncommented = "\n".join(
        line[2:] if line[:2] == "# " and ((" = " in line and line[2].islower()) or line[2] == "[") else line
        for line in filled.splitlines()
    )
    everything = parse_document(uncommented.encode(), "studio", label="studio.toml", toml=True)
    assert set(everything) >= {"person", "workers", "decode_seconds", "clients", "prefect"}, (
        "a commented setting is lost"
    )


def _places(node: Any, here: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a document."""
    below = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [here, *(place for name, child in below for place in _places(child, (*here, name)))]


def _change(document: Any, place: tuple[Any, ...], change: str, value: Any) -> Any:
    """The document with one thing in it replaced, taken out or added."""
    if not place:
        return value
    changed = copy.deepcopy(document)
    holder = changed
    for name in place[:-1]:
        holder = holder[name]
    if change == "replace":
        holder[place[-1]] = value
    elif change == "drop":
        del holder[place[-1]]
    elif isinstance(holder, dict):
        holder[f"{place[-1]}_"] = value
    else:
        holder.append(value)
    return changed


ODD_NUMBERS: list[Any] = [0, 1, 2, -1, 1.0, 0.5, 1e300, 10**30]
ODD_WORDS: list[Any] = [
    "",
    "a",
    "x" * 3000,
    "..",
    "a/../b",
    "a\\b",
    "a\x00",
    "ü/ß",
    "0" * 64,
    "TIFF",
    "select",
    "whole",
]
ODD_TIMES: list[Any] = ["2026-02-29", "2024-02-29", "2026-11-25T09:00:00Z", None, True, False, [], {}]
odd_values: st.SearchStrategy[Any] = (
    st.sampled_from([*ODD_NUMBERS, *ODD_WORDS, *ODD_TIMES])
    | st.integers(-3, 20)
    | st.floats(-5, 200)
    | st.text(st.characters(codec="utf-8"), max_size=6)
    | st.lists(st.integers(0, 3), max_size=3)
    | st.dictionaries(st.sampled_from(["a", "step", "kind", "format"]), st.integers(0, 2), max_size=2)
)


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_both_validators_agree_on_good_and_on_altered_documents(
    batches: list[tuple[str, list[Fact]]], fold: Callable[[Iterable[Fact]], Manifest], data: st.DataObject
) -> None:
    facts = [fact for _, told in batches for fact in told]
    goods: list[tuple[str, Document]] = [
        ("job_sheet", SHEET),
        ("look", LOOK),
        ("delivery_specification", PRINT),
        ("manifest", fold(facts).document),
    ]
    goods += [
        ("record_entry", compose_entry(EMPTY, told, at="2026-11-25T09:00:00Z", by="p-0123456789", event=event))
        for event, told in batches
    ]
    schema, document = data.draw(st.sampled_from(goods))
    assert is_valid_document(document, schema)
    for _ in range(data.draw(st.integers(0, 2))):
        place = data.draw(st.sampled_from(_places(document)))
        change = data.draw(st.sampled_from(["replace", "drop", "add"]))
        document = _change(document, place, change, data.draw(odd_values))
        assume(isinstance(document, dict))
    # The one difference there is: `$` of Python's patterns lets a line feed at the end pass; the quick one does not.
    assume('\\n"' not in json.dumps(document))
    slow = jsonschema.Draft202012Validator(load_schema(schema), format_checker=jsonschema.FormatChecker(["date"]))
    quick = is_valid_document(document, schema)
    assert quick == slow.is_valid(document)
    if quick:
        assert check_document(document, schema, label="x") == document
    else:
        with pytest.raises(DocumentError) as caught:
            check_document(document, schema, label="x")
        assert caught.value.code in {"D002", "D003"}
        assert caught.value.wanted
