"""Volumes to copy to, in the test's own folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.tasks.custody.volume import Volume, make_volume


@pytest.fixture
def volumes(tmp_path: Path) -> list[Volume]:
    """A working volume and two backups."""
    return [make_volume(tmp_path / name, name) for name in ("working", "backup", "vault")]


@pytest.fixture(scope="session")
def names_under() -> Callable[[Path], list[str]]:
    """The path of everything under a folder that is no folder, hidden and temporary files too."""

    def look(folder: Path) -> list[str]:
        return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir())

    return look
