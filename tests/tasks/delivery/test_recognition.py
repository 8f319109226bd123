"""Whose is this file."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from glassine.schemas.errors import VolumeError
from glassine.tasks.delivery.recognition import recognise

# RFC 6234 §8.5, TEST1 and TEST3; FIPS 180-4 for the empty message.
VECTORS = {
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
}


def test_a_file_is_found_in_every_delivery_it_was_part_of(tmp_path: Path) -> None:
    (tmp_path / "found.jpg").write_bytes(b"abc")
    other = {"name": "other.jpg", "sha256": VECTORS[b""]}
    deliveries = [
        {"client": "one", "delivery": 1, "files": [other, {"name": "a.jpg", "sha256": VECTORS[b"abc"]}]},
        {"client": "two", "delivery": 1, "files": [other]},
        {"client": "two", "delivery": 2, "files": [{"name": "b.jpg", "sha256": VECTORS[b"abc"]}]},
    ]
    assert recognise(tmp_path / "found.jpg", iter(deliveries)) == [
        {"client": "one", "delivery": 1, "file": {"name": "a.jpg", "sha256": VECTORS[b"abc"]}},
        {"client": "two", "delivery": 2, "file": {"name": "b.jpg", "sha256": VECTORS[b"abc"]}},
    ]
    (tmp_path / "found.jpg").write_bytes(b"abb")
    assert recognise(tmp_path / "found.jpg", deliveries) == []


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(VolumeError) as failed:
        recognise(tmp_path / "absent", [])
    assert failed.value.code == "V004"


def test_it_answers_without_a_picture_library() -> None:
    """An audit must answer in 0.3 s."""
    code = "import sys, glassine.tasks.delivery.recognition; sys.exit('numpy' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)
