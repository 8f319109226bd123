"""A studio with an open job and a small card of made-up bytes: custody looks at bytes, not at pictures."""

from __future__ import annotations

import hashlib
import json
import random
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.job_sheet import open_new_job
from glassine.flows.studio import Studio, make_studio
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
CARD = {
    "DCIM/100SIMUL/SIMU0001.DNG": 10_000,
    "DCIM/100SIMUL/SIMU0001.JPG": 3_000,
    "DCIM/101SIMUL/SIMU0001.NEF": 9_000,
    "NOTES.TXT": 50,
}


def digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def make_card(root: Path) -> Path:
    made = random.Random(2611)
    for name, size in CARD.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(made.randbytes(size))
    return root


@pytest.fixture
def small_card(tmp_path: Path) -> Path:
    """Two frames, one with a camera JPEG, and a text file."""
    return make_card(tmp_path / "card")


@pytest.fixture(scope="session")
def memory() -> Iterator[Path]:
    """A folder for hundreds of small studios, in memory where the system has such a place: there a flush takes no time."""
    shared = Path("/dev/shm")  # Linux, shm_overview(7)
    with tempfile.TemporaryDirectory(prefix="glassine-", dir=shared if shared.is_dir() else None) as folder:
        yield Path(folder)


@pytest.fixture(scope="session")
def empty_studio(memory: Path) -> Path:
    """A folder with a studio, two volumes and no job, for `small_world`."""
    make_studio(memory / "empty" / "studio", [("working", "../volumes/working"), ("backup", "../volumes/backup")])
    return memory / "empty"


@pytest.fixture
def opened(studio: Studio) -> Studio:
    """The studio with a job open, and no frame in it."""
    open_new_job(studio, JOB, None, title="Makers", client="Sorrel Lane Instruments", by="Imre Falk")
    return studio


@pytest.fixture(scope="session")
def make_world() -> Callable[[Path], Path]:
    """A folder with a card and a studio with an open job, which may be copied whole."""

    def make(folder: Path) -> Path:
        make_card(folder / "card")
        volumes = [("working", "../volumes/working"), ("backup", "../volumes/backup")]
        made = make_studio(folder / "studio", volumes)
        open_new_job(made, JOB, None, title="Makers", client="Sorrel Lane Instruments", by="Imre Falk")
        return folder

    return make


@pytest.fixture(scope="session")
def check_custody() -> Callable[..., Manifest]:
    """Assert what must hold of a job at any moment; with `whole`, that all of a card is on all volumes besides."""

    def check(job_folders: list[Path], card: Path, *, whole: bool = True) -> Manifest:
        on_card = {digest(path.read_bytes()) for path in card.rglob("*") if path.is_file()}
        for folder in job_folders:
            for path in originals_in(folder):
                content = digest(path.read_bytes())
                assert content in on_card, f"{path} holds half a file"
                assert content[:8] in path.name
        assert check_chain(job_folders[0]) == []
        manifest = JobRecord(job_folders[0]).manifest()
        held = {digest_: holder for digest_, holder in manifest.every_file() if digest_ in on_card}
        for sha256, holder in manifest.every_file():
            if not whole and sha256 not in on_card:
                continue
            for copy in holder["copies"]:
                found = next((each for each in job_folders if volume_at(each.parent) == copy["volume"]), None)
                if found and copy["outcome"] == "whole":
                    assert digest((found / copy["path"]).read_bytes()) == sha256
        if whole:
            assert set(held) == on_card
            assert {frame["name"] for frame in manifest.frames} == {"SIMU0001.DNG", "SIMU0001.NEF"}
            assert [frame["frame"] for frame in manifest.frames] == [1, 2]
            for folder in job_folders:  # nothing lies there twice, and nothing that no fact names
                there = {path.relative_to(folder).as_posix() for path in originals_in(folder)}
                paths = {
                    c["path"] for h in held.values() for c in h["copies"] if c["volume"] == volume_at(folder.parent)
                }
                assert there == paths
            for holder in held.values():
                assert len(holder["copies"]) == len(job_folders)
                assert {copy["outcome"] for copy in holder["copies"]} == {"whole"}
        return manifest

    return check


def originals_in(job_folder: Path) -> list[Path]:
    """The files that bear a name; a kill may leave others."""
    files = (path for path in (job_folder / "originals").rglob("*") if path.is_file())
    return [path for path in files if not path.name.startswith(".glassine-")]


def volume_at(root: Path) -> str:
    return str(json.loads((root / "glassine-volume.json").read_text("utf-8"))["volume"])


@pytest.fixture(scope="session")
def snapshot() -> Callable[..., dict[str, Any]]:
    """Every file under a folder with its digest and time of change, apart from what a kill may leave behind."""

    def look(folder: Path) -> dict[str, Any]:
        return {
            path.relative_to(folder).as_posix(): (digest(path.read_bytes()), path.stat().st_mtime_ns)
            for path in sorted(folder.rglob("*"))
            if path.is_file() and not path.is_symlink()
        }

    return look


@pytest.fixture
def ingest_now(flow_engine: None) -> Callable[..., Document]:
    """The whole flow `ingest` on the session's engine."""
    from glassine.flows.ingest import ingest
    from glassine.flows.prefect_environment import run_flow

    def run(studio: Studio, *sources: Path) -> Document:
        words = {"studio": str(studio.folder), "job": JOB, "by": "Imre Falk"}
        outcome: Document = run_flow(ingest, **words, sources=[str(source) for source in sources])
        return outcome

    return run


@pytest.fixture
def verify_now(flow_engine: None) -> Callable[..., Document]:
    """The whole flow `verify` on the session's engine."""
    from glassine.flows.prefect_environment import run_flow
    from glassine.flows.verify import verify

    def run(studio: Studio, *, repair: bool = False) -> Document:
        words = {"studio": str(studio.folder), "job": JOB, "by": "Imre Falk"}
        outcome: Document = run_flow(verify, **words, repair=repair)
        return outcome

    return run
