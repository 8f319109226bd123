"""Generated documents for every command that reads one: taken, or refused in one sentence that names the file and the place.

What is valid comes from the schemas themselves (hypothesis-jsonschema, which knows draft 7: see `draft_7`); what is
not, from a valid document that is changed in one place, as a typing error, a wrong unit or a failing disk would.

| document | read by |
|---|---|
| studio.toml | every command; here `job list` |
| a job sheet | `job open --sheet` |
| job.json, looks, specifications, people.json | every command that opens a job; here `OpenJob` |
| glassine-volume.json | every command; here `job list` |
| entries of the record, manifest.json, heads | `status`, `audit`, and every command that opens a job |

Selects lists and sidecars have properties of their own in tests/tasks/handoff.
"""

from __future__ import annotations

import contextlib
import copy
import io
import json
import shutil
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from hypothesis_jsonschema import from_schema

from glassine.flows.cli import main
from glassine.flows.job_sheet import open_new_job
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import Studio, make_studio
from glassine.schemas.entry import canonical_bytes, entry_name
from glassine.schemas.errors import DocumentError, RecordError
from glassine.schemas.facts import fact_kinds
from glassine.schemas.job_record import JobRecord
from glassine.schemas.validation import Document, is_valid_document, load_schema, read_document
from glassine.tasks.imaging import look as looks

# Whether `random` moved while a document was drawn depends on the flow engine's threads.
pytestmark = pytest.mark.filterwarnings(
    "ignore:Do not use the `random` module:hypothesis.errors.HypothesisDeprecationWarning"
)
JOB = "2611-04"
CONFIG = Path(__file__).parents[2] / "config"
SOME = settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
Path_ = tuple[str | int, ...]


def draft_7(node: Any, *, names: bool = False) -> Any:
    """A schema of ours (draft 2020-12) as draft 7 writes it; `names` where the keys are a document's and not words of schemas."""
    if isinstance(node, list):
        return [draft_7(inner) for inner in node]
    if not isinstance(node, dict):
        return node
    if names:
        return {name: draft_7(inner) for name, inner in node.items()}
    said = {name: value for name, value in node.items() if name not in {"$schema", "$id", "title", "description"}}
    if "prefixItems" in said:
        said["additionalItems"], said["items"] = said.pop("items"), said.pop("prefixItems")
    if "$defs" in said:
        said["definitions"] = said.pop("$defs")
    if "$ref" in said:
        said["$ref"] = said["$ref"].replace("#/$defs/", "#/definitions/")
    return {name: draft_7(value, names=name in {"properties", "definitions"}) for name, value in said.items()}


def as_typed(value: Any) -> Any:
    """A document without letters that nobody types: controls, line ends within names."""
    if isinstance(value, str):
        return "".join(letter if letter.isprintable() else "x" for letter in value)
    if isinstance(value, list):
        return [as_typed(inner) for inner in value]
    return {name: as_typed(inner) for name, inner in value.items()} if isinstance(value, dict) else value


@cache
def valid(schema: str) -> st.SearchStrategy[Document]:
    """Documents that are valid by a schema."""
    return from_schema(draft_7(load_schema(schema))).map(as_typed)


@cache
def facts() -> st.SearchStrategy[list[Document]]:
    """Facts of any kind, each valid alone; about frame 1, if about a frame."""
    schema = load_schema("record_entry")
    definitions = draft_7(schema["$defs"], names=True)
    kinds = [from_schema({"$ref": f"#/definitions/{kind}", "definitions": definitions}) for kind in fact_kinds()]

    def about_frame_1(fact: Any) -> Document:
        return {**fact, "frame": 1} if "frame" in fact else fact

    return st.lists(st.one_of(kinds).map(about_frame_1), min_size=1, max_size=3)


def places(value: Any, path: Path_ = ()) -> Iterator[Path_]:
    """Every place in a document."""
    yield path
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for part, child in inner:
        yield from places(child, (*path, part))


WRONG: dict[str, Callable[[Any], Any]] = {
    "another type": lambda value: 7 if isinstance(value, str) else "7" if isinstance(value, int | float) else "none",
    "null": lambda _: None,
    "out of range": lambda value: 10**30 if isinstance(value, int | float) else "x" * 5000,
    "a deep nest": lambda _: json.loads("[" * 200 + "]" * 200),
    "an object": lambda _: {"": {}},
}


@st.composite
def changed(draw: st.DrawFn, document: Document) -> tuple[Document, Path_]:
    """A document that is wrong in one place, and that place: a value of the wrong kind, or a name with a typing error."""
    changed = copy.deepcopy(document)
    path = draw(st.sampled_from([path for path in places(document) if path]))
    holder: Any = changed
    for part in path[:-1]:
        holder = holder[part]
    if isinstance(path[-1], str) and draw(st.booleans()):
        holder[path[-1] + draw(st.sampled_from(["x", " ", "\n", "é"]))] = holder.pop(path[-1])
        return changed, path[:-1]
    holder[path[-1]] = WRONG[draw(st.sampled_from(sorted(WRONG)))](holder[path[-1]])
    return changed, path


def spelled(path: Path_) -> str:
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")


def as_toml(value: Any, *, inner: bool = False) -> str:
    """TOML 1.0 of a document; JSON's strings are among TOML's but for DEL."""
    if isinstance(value, dict):
        pairs = [f"{as_toml(name)} = {as_toml(child, inner=True)}" for name, child in value.items()]
        return "{" + ", ".join(pairs) + "}" if inner else "\n".join(pairs) + "\n"
    if isinstance(value, list):
        return "[" + ", ".join(as_toml(child, inner=True) for child in value) + "]"
    return '""' if value is None else json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def call(*words: str) -> tuple[int, str, str]:
    """Run a command in this process: its exit status, what it said, what it complained of."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(words)
    return status, out.getvalue(), err.getvalue()


def check_refusal(told: tuple[int, str, str], file: Path) -> str:
    """Assert that a call was refused for a document, in one sentence with its file; returns the sentence."""
    status, out, err = told
    first, _, rest = err.partition("\n")
    assert (status, out) == (2, ""), told
    assert first.startswith(f"glassine: {file}")
    assert first.endswith(("[D001]", "[D002]", "[D003]", "[D004]"))
    assert len(first) < len(str(file)) + 900
    assert all(line.startswith("  ") for line in rest.splitlines())  # every fault, where there are several
    assert first.isprintable()
    return first


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Studio:
    """A studio with an open job that has no frame yet; every test leaves it as it was."""
    root = tmp_path_factory.mktemp("documents")
    studio = make_studio(root / "studio", [("working", "../working"), ("backup", "../backup")], name="Test Studio")
    open_new_job(studio, JOB, None, title="Makers", client="Sorrel Lane Instruments", by="Imre Falk")
    return studio


@contextlib.contextmanager
def with_file(path: Path, content: str | bytes) -> Iterator[None]:
    """A file with other content for as long as the block lasts."""
    before = path.read_bytes() if path.exists() else None
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    try:
        yield
    finally:
        path.unlink() if before is None else path.write_bytes(before)


@given(document=valid("studio"))
@SOME
def test_any_valid_settings_are_read(world: Studio, document: Document) -> None:
    file = world.folder / "studio.toml"
    with with_file(file, as_toml(document)):
        assert read_document(file, "studio") == document
        status, _, err = call("job", "list", "--studio", str(world.folder))
    # Its volumes are nowhere, or where no volume may be.
    assert status in {2, 3}
    assert err.startswith("glassine: ")
    assert err.count("\n") == 1


@given(document=valid("job_sheet"))
@SOME
def test_any_valid_sheet_opens_its_job_or_is_refused_for_what_it_names(world: Studio, document: Document) -> None:
    file = world.folder.parent / "sheet.json"
    with with_file(file, json.dumps(document)):
        told = call("job", "open", document["job"], "--sheet", str(file), "--studio", str(world.folder))
    if told[0]:
        assert told[2].startswith("glassine: ")
        assert told[2].partition("\n")[0].endswith(("[D002]", "[D004]", "[W001]", "[W003]")), told
        assert not (world.working_volume().root / document["job"] / "record").exists() or document["job"] == JOB
    else:
        shutil.rmtree(world.working_volume().root / document["job"])
        shutil.rmtree(world.backups()[0][0].root / document["job"])


@given(document=valid("job_sheet"), look=valid("look"), specification=valid("delivery_specification"))
@SOME
def test_any_valid_sheet_look_and_specification_are_adopted_as_they_are(
    world: Studio, document: Document, look: Document, specification: Document
) -> None:
    """Once it is of this job, names what is there, and no final twice."""
    sheet = {**document, "job": JOB, "preview_look": "generated", "finals": [{"final": "main", "look": "generated"}]}
    sheet["deliverables"] = [{"client": sheet["client"], "specification": "generated"}]
    for licence in sheet.get("licences", []):
        licence.pop("from", None)
    file = world.folder.parent / "sheet.json"
    with (
        with_file(file, json.dumps(sheet)),
        with_file(world.folder / "looks" / "generated.json", json.dumps(look)),
        with_file(world.folder / "specifications" / "generated.json", json.dumps(specification)),
    ):
        status, _, err = call("job", "open", JOB, "--sheet", str(file), "--studio", str(world.folder))
        assert (status, err) == (0, "")
        manifest = JobRecord(world.job_folder(JOB)).manifest()
        assert manifest.sheet == sheet
        assert manifest.adopted("look/generated")["content"] == look  # type: ignore[index]
        for words in (["job", "sheet", JOB], ["status", JOB], ["job", "list"]):
            assert call(*words, "--studio", str(world.folder))[0] == 0


@given(look=valid("look"))
@SOME
def test_any_valid_look_renders_or_says_why_not(look: Document) -> None:
    light = np.linspace(0, 1.5, 6 * 8 * 3, dtype=np.float32).reshape(6, 8, 3)
    try:
        shown = looks.apply(look, light, seed=1)
    except DocumentError as error:
        assert (error.code, error.exit_status) == ("D002", 2)
    else:
        assert np.isfinite(shown).all()
        assert (shown.min(), shown.max()) >= (0, 0)
        assert shown.max() <= 1


SHEET: Document = json.loads((CONFIG / "job_sheet.example.json").read_bytes())
LOOK: Document = json.loads((CONFIG / "looks" / "hard-mono.json").read_bytes())
SPECIFICATION: Document = json.loads((CONFIG / "specifications" / "screen-2048.json").read_bytes())
SETTINGS: Document = {
    "format": 1,
    "name": "Test Studio",
    "volumes": [{"name": "working", "path": "../working"}, {"name": "backup", "path": "../backup"}],
    "person": "Imre Falk",
    "workers": 2,
    "decode_seconds": 120.5,
    "decode_memory_mb": 4096,
    "defaults": {"preview_look": "hard-mono", "final_look": "lifted-mono", "specification": "screen-2048"},
    "clients": [{"name": "Client", "folder": "../client"}],
    "retouch": {"change_threshold": 1.0},
    "prefect": {"use_own_server": False},
}


def check_place(sentence: str, file: Path, path: Path_) -> None:
    """The place that is named is the one that was changed, or one around or within it."""
    found = sentence.removeprefix(f"glassine: {file}").removeprefix(", at ").partition(": ")[0]
    assert spelled(path).startswith(found) or found.startswith(spelled(path)), (found, path)


@given(change=changed(SETTINGS))
@SOME
def test_settings_that_are_wrong_in_one_place(world: Studio, change: tuple[Document, Path_]) -> None:
    document, path = change
    assume(not is_valid_document(document, "studio"))
    file = world.folder / "studio.toml"
    with with_file(file, as_toml(document)):
        check_place(check_refusal(call("job", "list", "--studio", str(world.folder)), file), file, path)


@given(change=changed(SHEET))
@SOME
def test_a_sheet_that_is_wrong_in_one_place(world: Studio, change: tuple[Document, Path_]) -> None:
    document, path = change
    assume(not is_valid_document(document, "job_sheet"))
    file = world.folder.parent / "sheet.json"
    head = JobRecord(world.job_folder(JOB)).manifest().head
    with with_file(file, json.dumps(document)):
        told = call("job", "open", "2611-05", "--sheet", str(file), "--studio", str(world.folder))
        check_place(check_refusal(told, file), file, path)
    assert not (world.working_volume().root / "2611-05").exists()
    with with_file(world.job_folder(JOB) / "job.json", json.dumps(document)), pytest.raises(DocumentError) as refused:
        OpenJob(world, JOB, "Imre Falk")
    assert refused.value.document == str(world.job_folder(JOB) / "job.json")
    assert JobRecord(world.job_folder(JOB)).manifest().head == head


@pytest.mark.parametrize(("folder", "name"), [("looks", "hard-mono"), ("specifications", "screen-2048")])
@given(data=st.data())
@settings(SOME, max_examples=15)
def test_a_look_or_specification_that_is_wrong_in_one_place(
    world: Studio, folder: str, name: str, data: st.DataObject
) -> None:
    whole, schema = (LOOK, "look") if folder == "looks" else (SPECIFICATION, "delivery_specification")
    document, path = data.draw(changed(whole))
    assume(not is_valid_document(document, schema))
    file = world.folder / folder / f"{name}.json"
    open_new_job(world, JOB, sheet_naming_both(world), title=None, client=None, by="Imre Falk")
    with with_file(file, json.dumps(document)), pytest.raises(DocumentError) as refused:
        OpenJob(world, JOB, "Imre Falk")
    assert (refused.value.document, refused.value.exit_status) == (str(file), 2)
    check_place(f"glassine: {refused.value}", file, path)


def sheet_naming_both(world: Studio) -> Path:
    sheet = {"format": 1, "job": JOB, "title": "Makers", "client": "Client", "preview_look": "hard-mono"}
    file = world.folder.parent / "both.json"
    deliverables = [{"client": "Client", "specification": "screen-2048"}]
    file.write_text(json.dumps({**sheet, "deliverables": deliverables}), encoding="utf-8")
    return file


@given(change=st.sampled_from(["people.json", "glassine-volume.json"]), data=st.data())
@SOME
def test_what_glassine_wrote_and_somebody_changed(world: Studio, change: str, data: st.DataObject) -> None:
    working = world.working_volume()
    file = working.root / change if change == "glassine-volume.json" else working.job_folder(JOB) / change
    schema = "volume_identity" if change == "glassine-volume.json" else "people"
    document, _ = data.draw(changed(read_document(file, schema)))
    assume(not is_valid_document(document, schema))
    with with_file(file, json.dumps(document)):
        if change == "glassine-volume.json":
            check_refusal(call("job", "list", "--studio", str(world.folder)), file)
        else:
            with pytest.raises(RecordError, match="verify --repair"):
                OpenJob(world, JOB, "Imre Falk")
    assert call("job", "list", "--studio", str(world.folder))[0] == 0


BROKEN: dict[str, Callable[[bytes], bytes]] = {
    "cut short": lambda content: content[: len(content) // 2],
    "empty": lambda _: b"",
    "UTF-16": lambda content: content.decode().encode("utf-16"),
    "Latin-1": lambda content: content.replace(b"Makers", b"Mak\xe9rs"),
    "a name twice": lambda content: content.replace(b'"format"', b'"format": 1, "format"', 1),
    "not a number": lambda content: content.replace(b'"format": 1', b'"format": NaN', 1),
    "half a letter": lambda content: content.replace(b"Makers", b"\\ud800", 1),
    "something after it": lambda content: content + b"{}",
    "zeros, as after a crash": lambda content: b"\0" * len(content),
    "nested too deeply": lambda _: b"[" * 100_000,
    "a number without end": lambda content: content.replace(b'"format": 1', b'"format": ' + b"9" * 5000, 1),
}


@pytest.mark.parametrize("how", sorted(BROKEN))
def test_a_sheet_whose_text_is_broken(world: Studio, how: str) -> None:
    file = world.folder.parent / "sheet.json"
    whole = json.dumps({**SHEET, "job": JOB, "title": "Makers"}, ensure_ascii=False).encode()
    assert BROKEN[how](whole) != whole
    with with_file(file, BROKEN[how](whole)):
        sentence = check_refusal(call("job", "open", JOB, "--sheet", str(file), "--studio", str(world.folder)), file)
    assert sentence.endswith("[D001]")


def test_a_sheet_with_a_byte_order_mark_is_read(world: Studio) -> None:
    """RFC 8259, 8.1: a parser may pass over it; some editors write one."""
    file = world.folder.parent / "sheet.json"
    with with_file(file, b"\xef\xbb\xbf" + json.dumps({**SHEET, "job": JOB}).encode()):
        assert call("job", "open", JOB, "--sheet", str(file), "--studio", str(world.folder))[0] == 0


@given(told=facts())
@settings(SOME, max_examples=60)
def test_an_entry_of_any_valid_facts_is_folded_or_named(world: Studio, told: list[Document]) -> None:
    """What was never proposed by a flow may be in a record all the same: another version, or a forger with care."""
    record = JobRecord(world.job_folder(JOB))
    head = record.manifest().head
    by = record.people.person_of("Imre Falk")
    body = {"format": 1, "entry": head.entry + 1, "previous": head.sha256, "at": "2026-11-25T10:00:00.000000Z"}
    content = canonical_bytes({**body, "by": by, "event": "ingestion", "facts": told})
    with with_file(record.record_folder / entry_name(head.entry + 1), content):
        status, out, err = call("status", JOB, "--studio", str(world.folder))
        assert status in {0, 1}
        if status:
            assert f"Entry {head.entry + 1} " in err + out
    assert call("status", JOB, "--studio", str(world.folder))[0] == 0


@given(data=st.data())
@SOME
def test_an_entry_that_is_wrong_in_one_place_is_named(world: Studio, data: st.DataObject) -> None:
    folder = world.job_folder(JOB)
    last = JobRecord(folder).manifest().head.entry
    file = folder / "record" / entry_name(data.draw(st.integers(1, last)))
    document, _ = data.draw(changed(json.loads(file.read_bytes())))
    with with_file(file, canonical_bytes(document)):
        (folder / "manifest.json").unlink(missing_ok=True)
        status, out, err = call("audit", "--job", JOB, "--studio", str(world.folder))
        assert status == 1
        assert f"Entry {int(file.stem)} " in out + err
        with pytest.raises(RecordError, match=f"Entry {int(file.stem)} ") as refused:
            OpenJob(world, JOB, "Imre Falk")
        assert refused.value.exit_status == 1


@given(data=st.data(), whole_line=st.booleans())
@SOME
def test_a_checkpoint_or_a_head_that_is_wrong_is_passed_over(
    world: Studio, data: st.DataObject, whole_line: bool
) -> None:
    folder = world.job_folder(JOB)
    JobRecord(folder).checkpoint()
    words = ("status", JOB, "--studio", str(world.folder))
    before = call(*words)
    file = folder / "manifest.json" if whole_line else sorted((folder / "heads").iterdir())[0]
    content = file.read_bytes()
    at = data.draw(st.integers(0, len(content) - 1))
    other = data.draw(st.binary(max_size=20))
    with with_file(file, content[:at] + other + content[at + len(other) + 1 :]):
        told = call(*words)
    assert (told == before) or (not whole_line and told[0] == 1), told


def test_every_written_document_has_its_property() -> None:
    """So that a new kind of document gets one: these are the schemas, and the tests above, or elsewhere, that feed them."""
    here = {"studio", "job_sheet", "look", "delivery_specification", "people", "volume_identity", "record_entry"}
    here |= {"manifest", "head"}
    elsewhere = {"brief": "tests/tasks/handoff/test_brief.py", "receipt": "tests/tasks/delivery/test_receipt.py"}
    known = {path.name.removesuffix(".schema.json") for path in CONFIG.with_name("schemas").glob("*.schema.json")}
    assert known == here | set(elsewhere)
    assert all((CONFIG.parent / path).exists() for path in elsewhere.values())
