"""The proof of a landed file: the same as of any other, and it says of which bytes it is."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.errors import VolumeError
from glassine.schemas.validation import Document, read_document
from glassine.tasks.imaging import landed_proof
from glassine.tasks.imaging.proof import make_proof

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def look() -> Document:
    return read_document(ROOT / "config" / "looks" / "hard-mono.json", "look")


def test_it_is_the_proof_that_custody_would_make(card: Path, look: Document, tmp_path: Path) -> None:
    source = card / "DCIM" / "100SIMUL" / "SIMU0002.DNG"
    digest = hashlib.sha256(source.read_bytes()).hexdigest()
    made = landed_proof.prove_landed(source, look, tmp_path / "landed.jpg", "0002", source.name)
    again = make_proof(source, look, tmp_path / "custody.jpg", "0002", seed=int(digest[:8], 16))
    assert made.pop("source_sha256") == digest
    assert made == again
    assert (tmp_path / "landed.jpg").read_bytes() == (tmp_path / "custody.jpg").read_bytes()


def test_a_file_that_changes_meanwhile_is_refused(
    card: Path, look: Document, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = tmp_path / "moving.DNG"
    source.write_bytes((card / "DCIM" / "100SIMUL" / "SIMU0002.DNG").read_bytes())

    def make(*words: Any, **named: Any) -> Any:
        with source.open("ab") as file:
            file.write(b"more")
        return make_proof(*words, **named)

    monkeypatch.setattr("glassine.tasks.imaging.landed_proof.make_proof", make)
    with pytest.raises(VolumeError, match="changed while it was decoded"):
        landed_proof.prove_landed(source, look, tmp_path / "out.jpg", "0001", source.name)


def test_warming_up_leaves_nothing(look: Document, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    landed_proof.warm_up(look)
    assert list(tmp_path.iterdir()) == []
