"""The proof of a file that has just landed, made while its copies are still being written."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from glassine.schemas.errors import VolumeError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging.proof import make_proof
from glassine.tasks.imaging.simulated_camera import BLACK_LEVEL, CaptureData, write_dng


def prove_landed(source: Path, look: Mapping[str, Any], out: Path, label: str, file_name: str) -> dict[str, Any]:
    """Make the proof of a landed file, and say of which bytes it is.

    Returns
    -------
    What `make_proof` gives, and "source_sha256": of the file, which was the same before and after. So the proof is
    known to be of what is in custody when the digests agree, and is none when they don't.

    Raises
    ------
    VolumeError
        V004: the file changed meanwhile.
    FrameError
        P001 where nothing can be shown.
    """
    before = _state(source)
    with ThreadPoolExecutor(1) as beside:  # a second core reads for the digest while this one decodes
        hashing = beside.submit(hash_file, source)
        made = make_proof(source, look, out, label, seed=lambda: int(hashing.result()[:8], 16), file_name=file_name)
        sha256 = hashing.result()
    if _state(source) != before:
        raise VolumeError("V004", f"{source} changed while it was decoded.")
    return {**made, "source_sha256": sha256}


def warm_up(look: Mapping[str, Any]) -> None:
    """Make a proof of a small grey ramp: the next does not wait until libraries, profiles and typefaces are loaded."""
    ramp = np.linspace(BLACK_LEVEL, 12_000, 256 * 384).reshape(256, 384).astype(np.uint16)
    with tempfile.TemporaryDirectory(prefix="glassine-") as folder:
        path = Path(folder) / "ramp.dng"
        write_dng(path, ramp, CaptureData(counter=1, taken=datetime(2000, 1, 1, tzinfo=UTC)))
        make_proof(path, look, Path(folder) / "ramp.jpg", "0000")


def _state(path: Path) -> tuple[int, int, int]:
    found = path.stat()
    return found.st_size, found.st_mtime_ns, found.st_ino
