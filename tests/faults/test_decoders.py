"""Decoders that crash, hang or eat memory: a fact about the file in the end, never a good frame lost, never an endless loop."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from glassine.flows import ingest as ingest_module
from glassine.flows.prefect_environment import run_flow
from glassine.flows.studio import Studio
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB = "2611-04"
Ingest = Callable[..., Document]
DECODER = '''
import os, time
from glassine.tasks.imaging.raw_rendering import check_decodable

def decode(path):
    """The real decoder, but for what a hostile file would have it do."""
    with open(os.path.join(os.path.dirname(__file__), "tried"), "a") as tried:
        tried.write(path.name.split(".")[0] + "\\n")
    if path.name.startswith("CRASHES"):
        os.abort()
    if path.name.startswith("HANGS"):
        time.sleep(3600)
    if path.name.startswith("EATS"):
        bytes(64 << 30)
    check_decodable(path)
'''
pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere memory is not limited")


@pytest.fixture
def pictures(tmp_path: Path) -> Path:
    """Four pictures of different bytes that decode, by name apart from `GOOD.PNG` hostile."""
    folder = tmp_path / "pictures"
    folder.mkdir()
    for level, name in enumerate(("CRASHES", "EATS", "GOOD", "HANGS")):
        Image.radial_gradient("L").point(lambda value, level=level: value // (level + 1)).save(folder / f"{name}.PNG")
    return folder


@pytest.fixture
def tried(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], list[str]]:
    """Put the hostile decoder in place, under limits of 3 s and 3 GiB; gives what it was called for since it was last asked."""
    folder = tmp_path / "decoder"
    folder.mkdir()
    (folder / "hostile_decoder.py").write_text(DECODER)
    monkeypatch.syspath_prepend(folder)
    monkeypatch.delitem(sys.modules, "hostile_decoder", raising=False)
    monkeypatch.setattr(ingest_module, "check_decodable", importlib.import_module("hostile_decoder").decode)
    monkeypatch.setattr(Studio, "decode_limits", (3 << 30, 3.0))

    def told() -> list[str]:
        log = folder / "tried"
        names = sorted(log.read_text().split()) if log.exists() else []
        log.unlink(missing_ok=True)
        return names

    return told


def manifest_of(studio: Studio) -> Manifest:
    return JobRecord(studio.job_folder(JOB)).manifest()


def proof_now(studio: Studio) -> Document:
    from glassine.flows.proof import proof

    outcome: Document = run_flow(proof, studio=str(studio.folder), job=JOB, by="Imre Falk")
    return outcome


def test_a_file_that_stops_its_decoder_is_given_up_at_the_second_run_and_tried_again_under_higher_limits(
    opened: Studio,
    pictures: Path,
    ingest_now: Ingest,
    tried: Callable[[], list[str]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    first = ingest_now(opened, pictures)
    assert (first["status"], first["frames"], first["undecodable"]) == (3, ["0001", "0002", "0003", "0004"], ["0001"])
    assert [problem.split(": ", 1) for problem in first["problems"]] == [
        [
            "Frame 0002 was not looked at",
            "Decoding needed more than the 3 GiB of memory it may have. The next run tries it again.",
        ],
        ["Frame 0004 was not looked at", "Decoding took longer than 3 s and was stopped. The next run tries it again."],
    ]
    assert tried() == ["CRASHES", "EATS", "GOOD", "HANGS"]

    second = ingest_now(opened, pictures)
    assert (second["status"], second["problems"], second["undecodable"]) == (0, [], ["0001", "0002", "0004"])
    assert tried() == ["EATS", "HANGS"]
    said = " ".join(second["said"])
    assert "Frame 0001 (CRASHES.PNG) is kept, but its picture does not decode: Decoding ended its process" in said
    assert "was stopped. If the file is sound, raise decode_seconds in studio.toml and run the same command." in said
    assert "of memory it may have. If the file is sound, raise decode_memory_mb in studio.toml" in said
    assert [frame["identified"] for frame in manifest_of(opened).frames] == [True] * 4
    assert [len(frame["copies"]) for frame in manifest_of(opened).frames] == [2] * 4

    head = manifest_of(opened).head
    assert ingest_now(opened, pictures)["status"] == 0
    assert (tried(), manifest_of(opened).head) == ([], head)  # no endless loop

    monkeypatch.setattr(Studio, "decode_limits", (3 << 30, 4.0))
    from glassine.tasks.imaging.raw_rendering import check_decodable

    monkeypatch.setattr(ingest_module, "check_decodable", check_decodable)
    assert proof_now(opened)["status"] == 0
    frames = manifest_of(opened).frames
    assert [bool(frame["proof"]) for frame in frames] == [True, True, True, True]
    assert [frame["undecodable"] is None for frame in frames] == [False, True, True, True]
    assert [frame["unshowable"] for frame in frames] == [None] * 4


def test_a_proof_that_is_stopped_is_given_up_too_and_has_its_place_on_the_sheet(
    opened: Studio, pictures: Path, ingest_now: Ingest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a limit that stops everything: then nothing is lost either, and raising it brings everything back."""
    for name in ("CRASHES", "EATS", "HANGS"):
        (pictures / f"{name}.PNG").unlink()
    assert ingest_now(opened, pictures)["status"] == 0
    with monkeypatch.context() as patched:
        patched.setattr(Studio, "decode_limits", (3 << 30, 0.001))
        first, second = proof_now(opened), proof_now(opened)
        assert (first["status"], second["status"], len(first["problems"]), second["problems"]) == (3, 0, 1, [])
        assert any("Frame 0001 cannot be shown: Decoding took longer than 0.001 s" in line for line in second["said"])
        assert (opened.job_folder(JOB) / "proofs" / "contact-sheet.pdf").exists()
        attempts = manifest_of(opened).frame(1)["decoding"]["attempts"]
        assert proof_now(opened)["status"] == 0
        assert manifest_of(opened).frame(1)["decoding"]["attempts"] == attempts == 2
        assert manifest_of(opened).frame(1)["stage"] == "undecodable"
    assert proof_now(opened)["made"] == ["0001"]
    assert manifest_of(opened).frame(1)["stage"] == "proofed"


def test_a_stop_between_good_tries_counts_no_longer(
    opened: Studio, pictures: Path, ingest_now: Ingest, tried: Callable[[], list[str]], tmp_path: Path
) -> None:
    """A busy machine once, twice, but not in a row: no frame is given up for it."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Studio, "decode_limits", (3 << 30, 0.001))
        good = tmp_path / "good"
        good.mkdir()
        (pictures / "GOOD.PNG").rename(good / "GOOD.PNG")
        assert ingest_now(opened, good)["status"] == 3
    assert ingest_now(opened, good)["status"] == 0
    decoding = manifest_of(opened).frame(1)["decoding"]
    assert (decoding["attempts"], decoding["stopped"], decoding["given_up"]) == (2, 0, False)
