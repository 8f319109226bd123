"""A small job, played once a session through every stage and kept after each, so that a test starts where it likes."""

from __future__ import annotations

import hashlib
import importlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from glassine.flows.prefect_environment import run_flow
from glassine.flows.studio import Studio, make_studio, read_studio
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
PHOTOGRAPHER, MANAGER, RETOUCHER = "Imre Falk", "Tove Abel", "Noa Lind"
CLIENT, SITTER = "Sorrel Lane Instruments", "Ada Quill"
NOTE = "xywh=percent:25,25,30,30 | take out the mark"
ROUND = "edit"
STAGES = ("opened", "ingested", "proofed", "closed", "handed out", "returned", "graded", "signed", "delivered")


def _sheet() -> Document:
    return {
        "format": 1,
        "job": JOB,
        "title": "Makers' portraits",
        "client": CLIENT,
        "photographer": PHOTOGRAPHER,
        "credit_line": "Imre Falk / Test Studio",
        "copyright_notice": "© 2026 Imre Falk. All rights reserved.",
        "description": "Portraits of instrument makers.",
        "keywords": ["portrait", "workshop"],
        "model_release": "limited",
        "licences": [{"client": CLIENT, "terms": "Yearbook, two years.", "from": "2020-01-01", "until": "2999-12-31"}],
        "set_ups": [{"name": "bench"}, {"name": "window"}],
        "preview_look": "hard-mono",
        "finals": [{"final": "print", "look": "lifted-mono"}, {"final": "colour", "look": "plain-colour"}],
        "deliverables": [
            {"client": CLIENT, "specification": "page", "finals": ["print"]},
            {"client": CLIENT, "specification": "screen"},
        ],
    }


def _specification(name: str, **changes: Any) -> Document:
    base: Document = {
        "format": 1,
        "name": name,
        "purpose": "Small, for tests.",
        "size": {"long_edge_px": 160},
        "colour_space": "sRGB",
        "file": {"type": "JPEG", "quality": 90},
        "name_template": "${job}_${frame}_${final}",
        "resolution_ppi": 96,
    }
    return {**base, **changes}


def _write(path: Path, document: Document) -> Path:
    path.write_text(json.dumps(document, ensure_ascii=False, indent=2), encoding="utf-8")
    return path


@pytest.fixture
def sheet() -> Document:
    """A job sheet: two set-ups, two finals, two deliverables of one client, a licence that covers today."""
    return _sheet()


@pytest.fixture
def write() -> Callable[[Path, Document], Path]:
    """Write a document as a person's editor would."""
    return _write


@pytest.fixture(scope="session")
def run() -> Callable[..., Document]:
    """Run a flow, named `module.flow`, on a studio's job; it runs on the session's engine."""

    def call(named: str, studio: Studio, **words: Any) -> Document:
        module, _, name = named.partition(".")
        flow = getattr(importlib.import_module(f"glassine.flows.{module}"), name or module)
        outcome: Document = run_flow(flow, **{"studio": str(studio.folder), "job": JOB, "by": MANAGER, **words})
        return outcome

    return call


@pytest.fixture(scope="session")
def manifest_of() -> Callable[..., Manifest]:
    """A job's state, folded anew."""

    def fold(studio: Studio, number: str = JOB) -> Manifest:
        return JobRecord(studio.job_folder(number)).manifest()

    return fold


@pytest.fixture(scope="session")
def contents() -> Callable[[Path], dict[str, str]]:
    """Everything under a folder: the path and SHA-256 of each file."""

    def look(folder: Path) -> dict[str, str]:
        return {
            path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }

    return look


@pytest.fixture(scope="session")
def retouched() -> Callable[[Path, Path], Path]:
    """A retoucher's return: the base with its marked region (of `NOTE`) lightened, everything else as it was."""
    from glassine.tasks.imaging.tiff_picture import read_picture, write_picture

    def make(base: Path, returned: Path, strength: float = 0.25) -> Path:
        picture, info = read_picture(base)
        height, width = picture.shape[:2]
        rows, columns = slice(height // 4, height * 11 // 20), slice(width // 4, width * 11 // 20)
        picture[rows, columns] = np.minimum(picture[rows, columns] + np.float32(strength), 1)
        returned.parent.mkdir(parents=True, exist_ok=True)
        write_picture(returned, picture, info.profile)
        return returned

    return make


@pytest.fixture(scope="session")
def shoot(
    flow_engine: None,
    card: Path,
    run: Callable[..., Document],
    retouched: Callable[[Path, Path], Path],
    tmp_path_factory: pytest.TempPathFactory,
) -> dict[str, Path]:
    """The stages of one small job, each a folder with its `studio` and `volumes`: frame 1 is retouched, 3 is not."""
    from glassine.flows.job_sheet import open_new_job

    root = tmp_path_factory.mktemp("shoot")
    now = root / "now"
    volumes = [("working", "../volumes/working"), ("backup", "../volumes/backup")]
    studio = make_studio(now / "studio", volumes, name="Test Studio")
    _write(studio.folder / "specifications" / "screen.json", _specification("screen"))
    page = {"colour_space": "Adobe RGB (1998)", "file": {"type": "TIFF", "bits": 8}, "resolution_ppi": 300}
    _write(studio.folder / "specifications" / "page.json", _specification("page", **page))
    kept = {}

    def keep(stage: str) -> None:
        kept[stage] = root / stage
        shutil.copytree(now, kept[stage], copy_function=shutil.copy2)

    open_new_job(studio, JOB, _write(now / "sheet.json", _sheet()), title=None, client=None, by=MANAGER)
    keep("opened")
    run("ingest", studio, sources=[str(card)], set_up="bench")
    keep("ingested")
    run("proof", studio)
    keep("proofed")
    run("selects_round.mark", studio, round_name=ROUND, listed="hero 0001, 0003; hold 0002; out 0004", by=PHOTOGRAPHER)
    run("selects_round.close", studio, round_name=ROUND, by=PHOTOGRAPHER)
    keep("closed")
    run("retouch.brief", studio, frame=1, notes=[NOTE], grader=PHOTOGRAPHER)
    run("retouch.hand_out", studio, frames=[1], retoucher=RETOUCHER, due="2999-12-01")
    keep("handed out")
    frame = JobRecord(studio.job_folder(JOB)).manifest().frame(1)
    returned = retouched(
        studio.job_folder(JOB) / frame["rounds"][0]["brief"]["base"]["path"], now / "returns" / "0001.tif"
    )
    run("retouch_return.take_back", studio, frame=1, file=str(returned))
    keep("returned")
    run("grade", studio, unretouched=[3])
    keep("graded")
    run("grade.sign_off", studio, frames=[1, 3], by=PHOTOGRAPHER)
    keep("signed")
    run("deliver", studio, client=CLIENT)
    keep("delivered")
    return kept


@pytest.fixture
def at(shoot: dict[str, Path], tmp_path: Path) -> Callable[[str], Studio]:
    """The studio as it was after a stage (`STAGES`), a copy of one's own. Its `place` of a delivery is the first playing's."""

    def copy(stage: str) -> Studio:
        shutil.copytree(shoot[stage], tmp_path / "job", copy_function=shutil.copy2)
        return read_studio(tmp_path / "job" / "studio")

    return copy


@pytest.fixture
def make_unreadable() -> Callable[[Path], None]:
    """Put a link to itself in a folder's place: it is there, and listing it is an OSError, as on a disk that fails."""

    def put(folder: Path) -> None:
        shutil.move(folder, folder.with_name(f"{folder.name} before"))
        try:
            folder.symlink_to(folder)
        except OSError:
            pytest.skip("no links here")

    return put


@pytest.fixture
def change_sheet() -> Callable[..., None]:
    """Change fields of a job's sheet as the studio's editor would."""

    def change(studio: Studio, **fields: Any) -> None:
        path = studio.job_folder(JOB) / "job.json"
        _write(path, {**json.loads(path.read_text("utf-8")), **fields})

    return change
