"""Whole flows with a backup on a server: taken in, read again, mended, owed while it is away, and paid when it is back."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.flows.job_sheet import open_new_job
from glassine.flows.prefect_environment import run_flow
from glassine.flows.studio import Studio, add_volume, make_studio, read_studio
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.validation import Document
from glassine.tasks.custody.replication import replicate
from glassine.tasks.custody.source_file import SourceFile

JOB = "2611-04"
FILES = ("A0001.DNG", "A0001.JPG", "A0002.DNG", "NOTES.TXT")
Run = Callable[..., Document]


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """A card of made-up bytes: custody looks at bytes, not at pictures."""
    folder = tmp_path / "card" / "DCIM" / "100SIMUL"
    folder.mkdir(parents=True)
    made = random.Random(2611)
    for name in FILES:
        (folder / name).write_bytes(made.randbytes(300_000))
    return tmp_path / "card"


@pytest.fixture
def vault(tmp_path: Path) -> Path:
    """The folder on the server."""
    return tmp_path / "vault"


@pytest.fixture
def on_server(own_sshd: Any, tmp_path: Path, vault: Path) -> Studio:
    """A studio with a folder to work in and a backup on a server, and an open job."""
    studio = make_studio(tmp_path / "studio", [("working", str(tmp_path / "working"))])
    words = {"host_key": own_sshd.host_key, "key_file": str(own_sshd.key_file)}
    add_volume(studio, "vault", own_sshd.address(vault), **words)
    studio = read_studio(studio.folder)
    open_new_job(studio, JOB, None, title="Makers", client="Sorrel Lane Instruments", by="Imre Falk")
    return studio


@pytest.fixture
def run(flow_engine: None) -> Run:
    """Run a flow of the job on the session's engine."""
    from glassine.flows.ingest import ingest
    from glassine.flows.verify import verify

    flows: dict[str, Callable[..., Any]] = {"ingest": ingest, "verify": verify}

    def call(name: str, studio: Studio, **words: Any) -> Document:
        outcome: Document = run_flow(flows[name], studio=str(studio.folder), job=JOB, by="Imre Falk", **words)
        return outcome

    return call


def originals(folder: Path) -> dict[str, str]:
    """The path and digest of everything under a job's originals, temporary files too."""
    root = folder / JOB / "originals"
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file()
    }


def check_whole(studio: Studio, card: Path, *folders: Path) -> None:
    """Every file of the card lies on every volume, whole, and nothing else does; the record is whole and is there too."""
    on_card = sorted(hashlib.sha256(path.read_bytes()).hexdigest() for path in card.rglob("*") if path.is_file())
    for folder in folders:
        assert sorted(originals(folder).values()) == on_card
    assert check_chain(studio.job_folder(JOB)) == []
    manifest = JobRecord(studio.job_folder(JOB)).manifest()
    held = dict(manifest.every_file())
    for sha256 in on_card:
        assert [copy["outcome"] for copy in held[sha256]["copies"]] == ["whole"] * len(folders)
    entries = {path.name: path.read_bytes() for path in (studio.job_folder(JOB) / "record").iterdir()}
    for folder in folders:
        assert {path.name: path.read_bytes() for path in (folder / JOB / "record").iterdir()} == entries


def test_a_card_comes_in_and_rot_on_the_server_is_mended(
    on_server: Studio, card: Path, vault: Path, tmp_path: Path, run: Run
) -> None:
    done = run("ingest", on_server, sources=[str(card)])
    assert (done["status"], done["owed_copies"], done["frames"]) == (0, 0, ["0001", "0002"])
    check_whole(on_server, card, tmp_path / "working", vault)
    times = {path.name.partition(".")[0]: int(path.stat().st_mtime) for path in card.rglob("*.DNG")}
    for path in (vault / JOB / "originals").rglob("*.DNG"):
        assert int(path.stat().st_mtime) == times[path.name.partition(".")[0]]
    assert run("verify", on_server, repair=False)["status"] == 0

    victim = sorted((vault / JOB / "originals").rglob("*.DNG"))[0]
    rotten = bytearray(victim.read_bytes())
    rotten[100_000] ^= 1
    victim.write_bytes(rotten)
    found = run("verify", on_server, repair=False)
    assert found["status"] == 1
    assert any(victim.name in problem for problem in found["problems"] + found["said"])
    assert run("verify", on_server, repair=True)["status"] in (0, 1)
    check_whole(on_server, card, tmp_path / "working", vault)
    (aside,) = (path for path in (vault / JOB / "aside").rglob("*") if path.is_file())
    assert aside.read_bytes() == rotten
    assert run("verify", on_server, repair=False)["status"] == 0


def test_a_bad_working_copy_is_mended_from_the_server(
    on_server: Studio, card: Path, vault: Path, tmp_path: Path, run: Run
) -> None:
    run("ingest", on_server, sources=[str(card)])
    victim = sorted((tmp_path / "working" / JOB / "originals").rglob("*.DNG"))[0]
    victim.unlink()
    run("verify", on_server, repair=True)
    check_whole(on_server, card, tmp_path / "working", vault)


def test_what_is_owed_to_a_server_is_paid_when_it_is_back(
    on_server: Studio, own_sshd: Any, card: Path, vault: Path, tmp_path: Path, run: Run
) -> None:
    own_sshd.stop()
    away = run("ingest", on_server, sources=[str(card)])
    assert (away["status"], away["frames"]) == (3, ["0001", "0002"])
    assert away["owed_copies"] >= len(FILES)
    assert [("vault" in problem, "is absent" in problem) for problem in away["problems"]] == [(True, True)]
    assert any("Do not format the card" in sentence for sentence in away["said"])
    assert originals(vault) == {}
    own_sshd.start()
    assert run("verify", on_server, repair=False)["status"] == 0
    check_whole(on_server, card, tmp_path / "working", vault)


def test_a_server_that_goes_away_between_two_files(
    on_server: Studio,
    own_sshd: Any,
    card: Path,
    vault: Path,
    tmp_path: Path,
    run: Run,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def copy(source: SourceFile, *words: Any, **more: Any) -> Any:
        if source.path.name == "A0002.DNG":
            own_sshd.stop()
        return replicate(source, *words, **more)

    with monkeypatch.context() as patch:
        patch.setattr("glassine.flows.arrival.replicate", copy)
        outcome = run("ingest", on_server, sources=[str(card)])
    assert (outcome["status"], outcome["frames"]) == (3, ["0001", "0002"])
    assert outcome["owed_copies"] > 0
    assert all("vault" in problem for problem in outcome["problems"])
    own_sshd.start()
    assert run("ingest", on_server, sources=[str(card)])["status"] == 0
    check_whole(on_server, card, tmp_path / "working", vault)


def test_a_line_that_is_cut_in_the_middle_of_a_copy(
    own_sshd: Any,
    line_to: Callable[..., Any],
    card: Path,
    vault: Path,
    tmp_path: Path,
    run: Run,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    line = line_to(own_sshd)
    studio = make_studio(tmp_path / "studio", [("working", str(tmp_path / "working"))])
    address = own_sshd.address(vault).replace(f":{own_sshd.port}/", f":{line.port}/")
    add_volume(studio, "vault", address, host_key=own_sshd.host_key, key_file=str(own_sshd.key_file))
    studio = read_studio(studio.folder)
    open_new_job(studio, JOB, None, title="Makers", client="Sorrel Lane Instruments", by="Imre Falk")

    def copy(source: SourceFile, *words: Any, **more: Any) -> Any:
        if source.path.name == "A0001.JPG":
            line.cut_after(150_000)  # half of it
        return replicate(source, *words, **more)

    with monkeypatch.context() as patch:
        patch.setattr("glassine.flows.arrival.replicate", copy)
        outcome = run("ingest", studio, sources=[str(card)])
    assert (outcome["status"], outcome["frames"]) == (3, ["0001", "0002"])
    assert outcome["owed_copies"] > 0
    assert any("the connection was lost" in problem for problem in outcome["problems"])
    on_card = {hashlib.sha256(path.read_bytes()).hexdigest() for path in card.rglob("*") if path.is_file()}
    named = {path: digest for path, digest in originals(vault).items() if not Path(path).name.startswith(".glassine-")}
    assert set(named.values()) < on_card, "nothing half under a frame's name"
    line.mend()
    assert run("ingest", studio, sources=[str(card)])["status"] == 0
    check_whole(studio, card, tmp_path / "working", vault)
