"""Ratios of glassine against what else would be used: two ways of one piece of work, by turns, on one machine.

Whatever else the machine does falls on both, so a ratio says more than seconds do.
"""

from __future__ import annotations

import os
import platform
import shutil
import statistics
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from glassine.tasks.custody.medium import drop_cached_pages

CHECKOUT = Path(__file__).resolve().parent.parent.parent
MEMORY_FILE_SYSTEMS = {"tmpfs", "ramfs"}


class NotHereError(Exception):
    """The machine cannot run the benchmarks, in one sentence."""


@dataclass(frozen=True)
class Plan:
    """How large the runs are, and where: files on the card, bytes in each, alternated runs, the folder to work in."""

    files: int
    file_bytes: int
    runs: int
    folder: Path

    @property
    def card_bytes(self) -> int:
        """How much the card holds."""
        return self.files * self.file_bytes

    @contextmanager
    def work_folder(self, needed: int) -> Iterator[Path]:
        """A folder of its own, with room for `needed` bytes, that is gone afterwards. Raises NotHereError."""
        if shutil.disk_usage(self.folder).free < needed * 1.1:
            raise NotHereError(
                f"{self.folder} has less than {needed * 1.1 / 1e9:.1f} GB free: free some space, name another --folder, or try --small."
            )
        with TemporaryDirectory(prefix="glassine-benchmark-", dir=self.folder) as made:
            yield Path(made)


@dataclass
class Row:
    """One comparison: seconds of each alternated run, or why there are none."""

    name: str
    goal: float
    peer: str
    ours_s: list[float]
    peer_s: list[float]
    note: str
    measured: dict[str, Any]

    @property
    def ratios(self) -> list[float]:
        """Ours to the peer's, pair by pair: what slows the machine down for a while falls on both of a pair."""
        return [ours / peer for ours, peer in zip(self.ours_s, self.peer_s, strict=True)]

    @property
    def ratio(self) -> float | None:
        """The median of the pairs' ratios; None when nothing was compared."""
        return statistics.median(self.ratios) if self.ratios else None

    def document(self) -> dict[str, Any]:
        """The row as JSON has it."""
        ratio = self.ratio
        return {
            "name": self.name,
            "ratio": None if ratio is None else round(ratio, 3),
            "goal": self.goal,
            "ours_s": round(statistics.median(self.ours_s), 3) if self.ours_s else None,
            "peer_s": round(statistics.median(self.peer_s), 3) if self.peer_s else None,
            "peer": self.peer,
            "runs": len(self.ratios),
            "ratios": [round(each, 3) for each in self.ratios],
            "note": self.note,
            **self.measured,
        }


def absent(programs: tuple[str, ...]) -> str:
    """A sentence on those of the peer's programs that are not there; empty when all are."""
    missing = [program for program in programs if not shutil.which(program)]
    return f"not compared: {', '.join(missing)} not found on the PATH" if missing else ""


def alternate(ours: Callable[[], float], peer: Callable[[], float], runs: int) -> tuple[list[float], list[float]]:
    """Seconds of both, run by turns, each going first every other time; one pair before them is not counted."""
    times: tuple[list[float], list[float]] = ([], [])
    for run in range(runs + 1):
        sides = [(times[0], ours), (times[1], peer)]
        for kept, work in sides if run % 2 else reversed(sides):
            seconds = work()
            if run:
                kept.append(seconds)
    return times


def drop_caches(*folders: Path) -> bool:
    """Have every file below written out, and its pages forgotten; whether the system could be asked to.

    By posix_fadvise on each file: what other programs keep in memory is left to them.
    """
    if hasattr(os, "sync"):
        os.sync()
    found = [drop_cached_pages(path) for folder in folders for path in folder.rglob("*") if path.is_file()]
    return all(found)


def peak_memory_mb() -> float | None:
    """The most memory this process ever held; None where the system does not tell.

    Linux says it of the program (VmHWM, proc_pid_status(5)); its getrusage counts what the process held that started it.
    Elsewhere getrusage: kilobytes, on macOS bytes (their manuals).
    """
    try:
        lines = Path("/proc/self/status").read_text("utf-8").splitlines()
    except OSError:
        lines = []
    for line in lines:
        if line.startswith("VmHWM:"):
            return round(int(line.split()[1]) * 1024 / 1e6, 1)
    if sys.platform == "win32":
        return None
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6, 1)


def default_folder() -> Path:
    """$TMPDIR, else the folder that the checkout lies in; never a file system in memory, which has no medium."""
    named = os.environ.get("TMPDIR")
    if named and file_system(Path(named)) not in MEMORY_FILE_SYSTEMS:
        return Path(named)
    return CHECKOUT.parent


def file_system(folder: Path) -> str:
    """The kind of file system that a folder lies on, where /proc tells (proc_pid_mountinfo(5)), else `unknown`."""
    return _mount(folder)[0]


def describe_machine(folder: Path) -> dict[str, Any]:
    """What a figure depends on."""
    kind, device = _mount(folder)
    return {
        "cpu": _cpu_model(),
        "cores": os.cpu_count(),
        "memory_mb": _memory_bytes() // 2**20,
        "disk": _disk(device),
        "file_system": kind,
        "python": platform.python_version(),
        "platform": platform.platform(),
    }


def _mount(folder: Path) -> tuple[str, str]:
    """The file system's kind and its device's number, `major:minor`."""
    try:
        lines = Path("/proc/self/mountinfo").read_text("utf-8").splitlines()
    except OSError:
        return "unknown", ""
    here = folder.resolve()
    best, found = -1, ("unknown", "")
    for line in lines:
        fields, _, rest = line.partition(" - ")
        _, _, device, _, point, *_ = fields.split()
        at = Path(point.replace("\\040", " "))
        if (here == at or at in here.parents) and len(at.parts) >= best:
            best, found = len(at.parts), (rest.split()[0], device)
    return found


def _cpu_model() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text("utf-8").splitlines()
    except OSError:
        lines = []
    return next((line.partition(": ")[2] for line in lines if line.startswith("model name")), platform.processor())


def _memory_bytes() -> int:
    if sys.platform == "win32":
        return 0
    return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")


def _disk(device: str) -> str:
    folder = Path("/sys/dev/block") / (device or "unknown")
    try:
        turns = (folder / "queue" / "rotational").read_text("utf-8").strip()
    except OSError:
        return "unknown"
    return f"{folder.resolve().name}, rotational {turns}"  # by its driver: virtual disks say 1 whatever they are
