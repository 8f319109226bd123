"""Documents: read, checked against their JSON Schema (2020-12), with the place of an error named.

The Rust validator says quickly whether a document is right (18 ms for a manifest of 10,000 frames, where `jsonschema`
takes 3 s); `jsonschema` then says what is wrong and where.
"""

from __future__ import annotations

import difflib
import functools
import json
import re
import tomllib
from collections.abc import Iterable, Iterator
from datetime import date, time
from math import isfinite
from pathlib import Path
from typing import Any

from glassine.schemas.errors import DocumentError

Document = dict[str, Any]
_FOLDER = Path(__file__).parent
_LARGEST_DOCUMENT_BYTES = 256 * 1024 * 1024
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")
"""Control characters, and what Python makes of bytes on a command line that are no UTF-8 (PEP 383)."""
_ON_ONE_LINE = frozenset({"name", "title", "client", "photographer", "person", "folder", "path", "credit_line"})
_WRITTEN_BY_HAND = frozenset({"studio", "job_sheet", "look", "delivery_specification"})
"""Documents that people type; what glassine writes may quote a camera or a person letter by letter."""


def read_document(path: Path, schema: str) -> Document:
    """Read a JSON or TOML file (by its ending) and check it against a schema.

    Raises
    ------
    DocumentError
        D001 it cannot be read, D002 it does not meet the schema, D003 its format is unknown; each names the file and the place.
    """
    try:
        if path.stat().st_size > _LARGEST_DOCUMENT_BYTES:
            raise DocumentError(
                "D001", str(path), "", "is larger than 256 MB, and so no document of ours: name another file."
            )
        content = path.read_bytes()
    except OSError as error:
        raise DocumentError(
            "D001", str(path), "", f"cannot be read ({error.strerror or error}): check its name and its rights."
        ) from error
    return parse_document(content, schema, label=str(path), toml=path.suffix.lower() == ".toml")


def parse_document(content: bytes, schema: str, *, label: str, toml: bool = False) -> Document:
    """Parse the bytes of a document and check them; `label` names the document in an error."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DocumentError("D001", label, f"byte {error.start + 1}", "must be UTF-8 text: save it as that.") from error
    language = "TOML" if toml else "JSON"
    try:
        document = (
            tomllib.loads(text) if toml else json.loads(text, object_pairs_hook=_unique, parse_constant=_no_number)
        )
    except tomllib.TOMLDecodeError as error:
        raise DocumentError("D001", label, "", f"is not TOML: {error}. Correct it there.") from error
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        raise DocumentError("D001", label, place, f"is not JSON: {error.msg}. Correct it there.") from error
    except RecursionError as error:
        raise DocumentError("D001", label, "", "is nested too deeply for a document of ours.") from error
    except ValueError as error:
        # Python reads numbers of up to 4,300 digits (sys.int_info), and says so in words for programmers.
        reason = "a number has more than 4,300 digits" if "digits" in str(error) else str(error)
        raise DocumentError("D001", label, "", f"is not {language} as it should be: {reason}.") from error
    if "\\u" in text and not _is_text(document):
        raise DocumentError("D001", label, "", "holds half of a surrogate pair (RFC 7493, 2.1), which is no letter.")
    return check_document(document, schema, label=label)


def check_document(document: Any, schema: str, *, label: str) -> Document:
    """Return the document when it meets the schema, else raise with the place and what would be right."""
    if isinstance(document, dict) and isinstance(document.get("format"), int) and document["format"] > 1:
        raise DocumentError(
            "D003",
            label,
            "format",
            f"is {_show(document['format'])}; this version reads format 1. Use a newer glassine.",
        )
    for path, value in _leaves(document) if schema in _WRITTEN_BY_HAND else ():
        if wanted := _unfit(value, path):
            raise DocumentError("D002", label, _spell(path), wanted)
    if is_valid_document(document, schema):
        return dict(document)
    import jsonschema

    formats = jsonschema.FormatChecker(["date"])
    validator = jsonschema.Draft202012Validator(load_schema(schema), format_checker=formats)
    errors = sorted(validator.iter_errors(document), key=lambda error: [str(part) for part in error.absolute_path])
    sentences = [(_place(_deepest(error)), _wanted(_deepest(error))) for error in errors]
    if not sentences:  # only the quick one objects: to a line feed at the end, which `$` of Python's patterns lets pass
        sentences = [
            (_spell(error.instance_path), f"{error.message}.") for error in _validator(schema).iter_errors(document)
        ]
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

    return jsonschema_rs.Draft202012Validator(load_schema(schema), validate_formats=True)


def _unique(pairs: list[tuple[str, Any]]) -> Document:
    document = dict(pairs)
    if len(document) != len(pairs):
        twice = next(key for key, _ in pairs if sum(key == other for other, _ in pairs) > 1)
        raise ValueError(f"the name {twice!r} stands twice in one object")
    return document


def _is_text(document: Any) -> bool:
    try:
        json.dumps(document, ensure_ascii=False, default=str).encode()
    except UnicodeEncodeError:
        return False
    return True


def _leaves(document: Any) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    """Every value of a document that is neither an object nor an array, with its place."""
    waiting: list[tuple[tuple[str | int, ...], Any]] = [((), document)]
    while waiting:
        path, value = waiting.pop()
        if isinstance(value, dict):
            waiting += [((*path, name), inner) for name, inner in value.items()]
        elif isinstance(value, list):
            waiting += [((*path, index), inner) for index, inner in enumerate(value)]
        else:
            yield path, value


def _unfit(value: Any, path: tuple[str | int, ...]) -> str:
    """What is wrong with a value that its language can write and no schema knows of; empty where nothing is."""
    if isinstance(value, date | time):  # TOML has them; our documents write days as text, as JSON must
        return f'must be in quotes, such as "{value}".'
    if isinstance(value, float) and not isfinite(value):
        return f"must be a number that ends, not {value}."
    if not isinstance(value, str):
        return ""
    if control := _CONTROL.search(value):
        return f"holds {control[0]!r}, which is no letter: take it out."
    if path and path[-1] in _ON_ONE_LINE and len(value.splitlines()) > 1:
        return f"must be on one line, not {_show(value)}."
    return ""


def _no_number(word: str) -> Any:
    raise ValueError(f"{word} is no number of JSON")


def _deepest(error: Any) -> Any:
    """Of the alternatives that failed, the error in the one that was meant."""
    import jsonschema

    while error.context and not _told_apart(error):
        if not isinstance(error.instance, dict):
            error = jsonschema.exceptions.best_match(error.context)
            continue
        nearest = min(_branches(error), key=_distance)
        error = jsonschema.exceptions.best_match(nearest)
    return error


def _branches(error: Any) -> list[list[Any]]:
    """The errors of each alternative."""
    branches: dict[Any, list[Any]] = {}
    for child in error.context:
        branches.setdefault(child.relative_schema_path[0], []).append(child)
    return list(branches.values())


def _told_apart(error: Any) -> str:
    """The field that tells the alternatives apart (`step`, `type`) when its value is none of theirs."""
    fields = [{child.relative_path[0] for child in branch if _is_choice(child)} for branch in _branches(error)]
    return str(next(iter(set.intersection(*fields)), "")) if isinstance(error.instance, dict) else ""


def _is_choice(error: Any) -> bool:
    return error.validator in {"const", "enum"} and len(error.relative_path) == 1


def _distance(branch: list[Any]) -> tuple[bool, int]:
    """How far an alternative is from what was written: another kind first, then the names missing or too many."""
    return any(_is_choice(child) and child.validator == "const" for child in branch), sum(
        len(set(child.instance) - set(child.schema["properties"])) if child.validator == "additionalProperties" else 1
        for child in branch
    )


def _place(error: Any) -> str:
    return _spell(error.absolute_path)


def _spell(path: Iterable[str | int]) -> str:
    """The place of an error as a person counts: from one."""
    place = ""
    for part in path:
        place += f"[{part + 1}]" if isinstance(part, int) else f".{_cut(part)}" if place else _cut(part)
    return place


def _choices(branch: list[Any], field: str) -> list[Any]:
    """What the field that tells alternatives apart may be in one of them."""
    found = next(child for child in branch if _is_choice(child) and child.relative_path[0] == field)
    return list(found.validator_value) if found.validator == "enum" else [found.validator_value]


def _wanted(error: Any) -> str:
    found = _show(error.instance)
    schema, wanted = error.schema, error.validator_value
    meaning = _meaning(schema) if wanted not in ("object", "array") else ""
    match error.validator:
        case "required":
            missing = [name for name in wanted if name not in error.instance]
            return f"{', '.join(repr(name) for name in missing)} is missing: add it."
        case "additionalProperties":
            known = list(schema.get("properties", {}))
            extra = [name for name in error.instance if name not in known]
            meant = [near for name in extra for near in difflib.get_close_matches(name, known, n=1)]
            hint = f" (did you mean {', '.join(map(repr, meant))}?)" if meant else ""
            return f"{', '.join(repr(_cut(name)) for name in extra[:8])} has no place here{hint}; known are {', '.join(known)}."
        case "enum":
            return f"must be one of {', '.join(map(str, wanted))}, not {found}."
        case "oneOf" if field := _told_apart(error):
            choices = [str(choice) for branch in _branches(error) for choice in _choices(branch, field)]
            return f"{field!r} must be one of {', '.join(dict.fromkeys(choices))}, not {_show(error.instance[field])}."
        case "format":
            return f"must be a day that there is, such as 2026-12-01, not {found}."
        case "const":
            return f"must be {json.dumps(wanted)}, not {found}."
        case "type":
            return (
                f"must be of type {wanted if isinstance(wanted, str) else ' or '.join(wanted)}{meaning}, not {found}."
            )
        case "pattern":
            return f"must be written so: {schema.get('description', wanted)} It is {found}."
        case "minimum" | "exclusiveMinimum":
            return (
                f"must be {'at least' if error.validator == 'minimum' else 'more than'} {wanted}{meaning}, not {found}."
            )
        case "maximum" | "exclusiveMaximum":
            return (
                f"must be {'at most' if error.validator == 'maximum' else 'less than'} {wanted}{meaning}, not {found}."
            )
        case "minLength" | "minItems" | "minProperties" if wanted == 1:
            return "must not be empty."
        case "minLength" | "minItems" | "minProperties":
            return f"must have at least {wanted} {_PARTS[error.validator[3:]]}, and has {len(error.instance)}."
        case "maxLength" | "maxItems" | "maxProperties":
            return f"must have at most {wanted} {_PARTS[error.validator[3:]]}, and has {len(error.instance)}."
        case _:
            return f"{_cut(error.message, 300)}."


def _meaning(schema: Document) -> str:
    """What a field's description says of it, above all its unit."""
    said = str(schema.get("description", "")).rstrip(".")
    return f" ({said[0].lower() if said[1].islower() else said[0]}{said[1:]})" if said else ""


_PARTS = {"Length": "letters", "Items": "entries", "Properties": "names"}


def _show(value: Any) -> str:
    """A value as a document writes it, cut to a sentence's measure."""
    return _cut(json.dumps(value, ensure_ascii=False, default=str))


def _cut(text: str, longest: int = 60) -> str:
    return text if len(text) <= longest else text[: longest - 3] + "…"
