"""Documents: read, checked against their JSON Schema (2020-12), with the place of an error named.

The Rust validator says quickly whether a document is right (18 ms for a manifest of 10,000 frames, where `jsonschema`
takes 3 s); `jsonschema` then says what is wrong and where.
"""

from __future__ import annotations

import functools
import json
import tomllib
from pathlib import Path
from typing import Any

from glassine.schemas.errors import DocumentError

Document = dict[str, Any]
_FOLDER = Path(__file__).parent
_LARGEST_DOCUMENT_BYTES = 256 * 1024 * 1024


def read_document(path: Path, schema: str) -> Document:
    """Read a JSON or TOML file (by its ending) and check it against a schema.

    Raises
    ------
    DocumentError
        D001 it cannot be read, D002 it does not meet the schema, D003 its format is unknown; each names the file and the place.
    """
    try:
        if path.stat().st_size > _LARGEST_DOCUMENT_BYTES:
            raise DocumentError("D001", str(path), "", "is larger than 256 MB; that is no document of ours.")
        content = path.read_bytes()
    except OSError as error:
        raise DocumentError("D001", str(path), "", f"cannot be read ({error.strerror or error}).") from error
    return parse_document(content, schema, label=str(path), toml=path.suffix.lower() == ".toml")


def parse_document(content: bytes, schema: str, *, label: str, toml: bool = False) -> Document:
    """Parse the bytes of a document and check them; `label` names the document in an error."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DocumentError("D001", label, f"byte {error.start + 1}", "must be UTF-8 text.") from error
    try:
        document = (
            tomllib.loads(text) if toml else json.loads(text, object_pairs_hook=_unique, parse_constant=_no_number)
        )
    except tomllib.TOMLDecodeError as error:
        raise DocumentError("D001", label, "", f"is not TOML: {error}.") from error
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        raise DocumentError("D001", label, place, f"is not JSON: {error.msg}.") from error
    except (ValueError, RecursionError) as error:
        raise DocumentError("D001", label, "", f"is not JSON as it should be: {error}.") from error
    return check_document(document, schema, label=label)


def check_document(document: Any, schema: str, *, label: str) -> Document:
    """Return the document when it meets the schema, else raise with the place and what would be right."""
    if isinstance(document, dict) and isinstance(document.get("format"), int) and document["format"] > 1:
        raise DocumentError(
            "D003", label, "format", f"is {document['format']}; this version reads format 1. Use a newer glassine."
        )
    if is_valid_document(document, schema):
        return dict(document)
    import jsonschema

    validator = jsonschema.Draft202012Validator(load_schema(schema))
    errors = sorted(validator.iter_errors(document), key=lambda error: [str(part) for part in error.absolute_path])
    sentences = [(_place(_deepest(error)), _wanted(_deepest(error))) for error in errors]
    if not sentences:  # the two validators disagree: that is our defect, but nothing invalid may pass
        sentences = [("", f"does not meet {schema}.schema.json.")]
    place, wanted = sentences[0]
    raise DocumentError("D002", label, place, wanted, details=[f"{p}: {w}" if p else w for p, w in sentences])


def is_valid_document(document: Any, schema: str) -> bool:
    """Whether a document meets the schema of that name."""
    return bool(_validator(schema).is_valid(document))


@functools.cache
def load_schema(schema: str) -> Document:
    """The JSON Schema of that name, as a dict."""
    loaded: Document = json.loads((_FOLDER / f"{schema}.schema.json").read_bytes())
    return loaded


@functools.cache
def _validator(schema: str) -> Any:
    import jsonschema_rs

    return jsonschema_rs.Draft202012Validator(load_schema(schema))


def _unique(pairs: list[tuple[str, Any]]) -> Document:
    document = dict(pairs)
    if len(document) != len(pairs):
        twice = next(key for key, _ in pairs if sum(key == other for other, _ in pairs) > 1)
        raise ValueError(f"the name {twice!r} stands twice in one object")
    return document


def _no_number(word: str) -> Any:
    raise ValueError(f"{word} is no number of JSON")


def _deepest(error: Any) -> Any:
    """Of the alternatives that failed, the one that came nearest to fitting."""
    import jsonschema

    while error.context:
        error = jsonschema.exceptions.best_match(error.context) if not _by_choice(error) else _chosen(error)
    return error


def _by_choice(error: Any) -> bool:
    return error.validator == "oneOf" and isinstance(error.instance, dict) and "step" in error.instance


def _chosen(error: Any) -> Any:
    """In a list of alternatives told apart by `step`, the errors of the one that was meant."""
    import jsonschema

    meant = [child for child in error.context if not (list(child.path) == ["step"] and child.validator == "const")]
    groups = {child.schema_path[0] for child in error.context} - {
        child.schema_path[0] for child in error.context if list(child.path) == ["step"] and child.validator == "const"
    }
    inside = [child for child in meant if child.schema_path[0] in groups]
    return jsonschema.exceptions.best_match(inside or error.context)


def _place(error: Any) -> str:
    place = ""
    for part in error.absolute_path:
        place += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if place else str(part)
    return place


def _wanted(error: Any) -> str:
    found = json.dumps(error.instance, ensure_ascii=False, default=str)
    found = found if len(found) <= 60 else found[:57] + "…"
    schema = error.schema
    match error.validator:
        case "required":
            missing = [name for name in error.validator_value if name not in error.instance]
            return f"{', '.join(repr(name) for name in missing)} is missing."
        case "additionalProperties":
            known = list(schema.get("properties", {}))
            extra = [name for name in error.instance if name not in known]
            return f"{', '.join(map(repr, extra))} has no place here; known are {', '.join(known)}."
        case "enum":
            return f"must be one of {', '.join(map(str, error.validator_value))}, not {found}."
        case "const":
            return f"must be {json.dumps(error.validator_value)}, not {found}."
        case "type":
            wanted = error.validator_value
            return f"must be of type {wanted if isinstance(wanted, str) else ' or '.join(wanted)}, not {found}."
        case "pattern":
            return f"must be written so: {schema.get('description', error.validator_value)} It is {found}."
        case "minimum" | "exclusiveMinimum":
            return f"must be at least {error.validator_value}, not {found}."
        case "maximum" | "exclusiveMaximum":
            return f"must be at most {error.validator_value}, not {found}."
        case _:
            return f"{error.message[:300]}."
