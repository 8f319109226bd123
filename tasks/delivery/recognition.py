"""Whose is this file: a file found anywhere, looked up among all that was delivered."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from glassine.schemas.errors import VolumeError
from glassine.tasks.custody.digest import hash_file


def recognise(path: Path, deliveries: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Find the deliveries that a file was part of, byte for byte.

    Parameters
    ----------
    path : of any file
    deliveries : each with "files", a list of {"name", "sha256", ...}; a receipt is one

    Returns
    -------
    For each delivered file with the same SHA-256, in order: the delivery without its "files", and that file as "file".
    A file that was changed afterwards, were it by one bit, is not found.

    Raises
    ------
    VolumeError
        V004: the file cannot be read.
    """
    try:
        sha256 = hash_file(path)
    except OSError as error:
        raise VolumeError(
            "V004", f"{path} cannot be read ({error.strerror}): name a file that you may read."
        ) from error
    found = []
    for delivery in deliveries:
        rest = {key: value for key, value in delivery.items() if key != "files"}
        found += [{**rest, "file": dict(file)} for file in delivery["files"] if file["sha256"] == sha256]
    return found
