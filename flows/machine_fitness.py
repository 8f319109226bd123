"""Whether this machine is fit: Python, libraries, programs, typefaces, colour, temporary folder, clock."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from importlib.metadata import distributions, version
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from glassine.config.bootstrap import OLDEST
from glassine.flows.finding import Finding, mind, ok, wrong, wrong_by
from glassine.schemas.errors import GlassineError
from glassine.tasks.custody.volume_probe import probe_folder

PINS = "requirements.txt"
EARLIEST_YEAR = 2026
"""This was written in 2026: no clock that is right says an earlier year."""
SMALL_TEMPORARY_BYTES = 1_000_000_000
"""Programs that run beside us use the temporary folder too; below a gigabyte one should look (our own choice)."""
_SHOWN = 5
"""How many of many names a line shows."""
_ENGINE = "prefect.server.api.server:create_app"
"""What stands in the words of every process that is a server of the flow engine (Prefect 3.9)."""
_POSIX_ZONE = re.compile(r"([A-Za-z]{3,}|<[A-Za-z0-9+-]+>)[+-]?\d.*")
"""A time zone written as its offset: IEEE Std 1003.1, 8.3, TZ."""


def check_machine(now: datetime) -> Iterator[Finding]:
    """Every check that needs no studio."""
    yield check_python(sys.version_info[:3])
    yield check_libraries(read_pins((files("glassine.config") / PINS).read_text("utf-8")), _installed())
    yield _load("ExifTool", _exiftool)
    yield _load("raw decoder", _raw_decoder)
    yield _load("typefaces", _typefaces)
    yield _load("colour profiles", _colour_profiles)
    yield _temporary_folder()
    yield check_clock(now)
    yield check_zone(now, os.environ.get("TZ", ""))
    yield from _servers()


def check_python(found: Sequence[int]) -> Finding:
    """Python's version against the oldest that is supported."""
    spelt = _dotted(found)
    if tuple(found) < OLDEST:
        return wrong("Python", f"{spelt} is too old", f"Install Python {_dotted(OLDEST)} or newer, and glassine on it.")
    return ok("Python", f"{spelt} at {sys.executable}")


def read_pins(text: str) -> dict[str, str]:
    """The versions that a pinned list names for this machine, by library."""
    wanted = [Requirement(line.rstrip("\\ ")) for line in text.splitlines() if re.match(r"[A-Za-z0-9]", line)]
    here = [one for one in wanted if one.marker is None or one.marker.evaluate()]
    return {canonicalize_name(one.name): next(iter(one.specifier)).version for one in here}


def check_libraries(pins: dict[str, str], installed: dict[str, str]) -> Finding:
    """What is installed against what is pinned, both versions by library."""
    if missing := sorted(pins.keys() - installed.keys()):
        return wrong("libraries", f"not installed: {_some(missing)}", f"Install them: {_install_command()}")
    others = [f"{name} {installed[name]} ({pin} is pinned)" for name, pin in pins.items() if installed[name] != pin]
    if others:
        risk = "what these render may have other bytes than what was tested"
        return mind("libraries", f"{_some(others)}; {risk}", f"Install what is pinned: {_install_command()}")
    return ok("libraries", f"all {len(pins)} are as pinned")


def check_clock(now: datetime) -> Finding:
    """The system's clock against the year in which this was written."""
    if now.year < EARLIEST_YEAR:
        return wrong("clock", f"it says {now:%Y-%m-%d}", "Set the clock: entries of the record bear its time for ever.")
    return ok("clock", f"{now:%Y-%m-%d %H:%M:%S} UTC")


def check_zone(now: datetime, named: str) -> Finding:
    """Whether the system knows its time zone; `named` is what the variable TZ says, empty where it is not set."""
    here = now.astimezone()
    if _is_zone(named):
        return ok("time zone", f"{here.tzname()}, where it is {here:%H:%M} (UTC{here:%z})")
    found = f"TZ is {named!r}, which is no zone" if named else "the system has none set"
    return mind(
        "time zone", f"{found}: local times are taken for UTC", "Set it in the system's date and time settings."
    )


def leftover_servers(table: str) -> list[int]:
    """The flow engine's servers whose command is gone, from lines of process, parent and words (`ps`)."""
    rows = [line.split(None, 2) for line in table.splitlines()]
    words = {int(row[0]): row[2] for row in rows if len(row) == 3 and row[0].isdigit()}
    return [
        int(row[0])
        for row in rows
        if len(row) == 3 and _ENGINE in row[2] and not re.search("python|glassine|pytest", words.get(int(row[1]), ""))
    ]


def _load(what: str, check: Callable[[], Finding]) -> Finding:
    """One check that loads libraries: one that is missing or broken is what was found."""
    try:
        return check()
    except GlassineError as error:
        return wrong_by(what, error)
    except (ImportError, OSError) as error:
        return wrong(what, f"cannot be loaded ({error})", f"Install what is pinned: {_install_command()}")


def _exiftool() -> Finding:
    from glassine.tasks.delivery.exiftool import ExifTool

    with ExifTool(seconds=20) as program:
        return ok("ExifTool", f"{program.version()} at {shutil.which('exiftool')}")


def _raw_decoder() -> Finding:
    import rawpy

    return ok("raw decoder", f"LibRaw {_dotted(rawpy.libraw_version)}, rawpy {version('rawpy')}")


def _typefaces() -> Finding:
    from glassine.tasks.imaging.proof import font_file, typeface

    names = {typeface(12, bold=bold).getname()[0] for bold in (False, True)}
    return ok("typefaces", f"{', '.join(sorted(map(str, names)))} in {font_file().parent}")


def _colour_profiles() -> Finding:
    from glassine.tasks.imaging.icc_profile import SPACES
    from glassine.tasks.imaging.profile_check import find_profile_faults

    if faults := find_profile_faults():
        return wrong("colour profiles", "; ".join(faults), f"Install what is pinned: {_install_command()}")
    return ok("colour profiles", f"LittleCMS reads all {len(SPACES)} that are written here as they are meant")


def _temporary_folder() -> Finding:
    advice = "Free some space there, or name another folder in the variable TMPDIR (TEMP on Windows)."
    try:
        folder = Path(tempfile.gettempdir())  # it tries to write a file
        free = probe_folder(folder).free_bytes
    except OSError as error:
        return wrong("temporary folder", f"nothing can be written there ({error.strerror})", advice)
    if free < SMALL_TEMPORARY_BYTES:
        return mind("temporary folder", f"{folder} has {free / 1e9:.1f} GB free", advice)
    return ok("temporary folder", f"{folder}, {free / 1e9:.0f} GB free")


def _servers() -> Iterator[Finding]:
    if left := leftover_servers(_process_table()):
        numbers = " ".join(map(str, left))
        yield mind(
            "flow engine",
            f"servers that run on after their command was killed: {len(left)} (process {numbers})",
            f"`kill {numbers}` ends them, nothing depends on them; but leave one that you started yourself.",
        )


def _process_table() -> str:
    """Every process, its parent and its words; empty where there is no `ps` that can say it (Windows)."""
    if not shutil.which("ps"):
        return ""
    command = ["ps", "-axwwo", "pid=,ppid=,args="]
    return subprocess.run(command, capture_output=True, text=True, errors="replace", check=False).stdout


def _installed() -> dict[str, str]:
    """The version of every library that Python finds here; the first on the path is the one that is loaded."""
    found: dict[str, str] = {}
    for one in distributions():
        if name := one.metadata["Name"]:
            found.setdefault(canonicalize_name(name), one.version)
    return found


def _install_command() -> str:
    pins = str(files("glassine.config") / PINS)
    # Written so that shells take it on every system: quotes only where there is a space.
    return subprocess.list2cmdline([sys.executable, "-m", "pip", "install", "--require-hashes", "-r", pins])


def _is_zone(named: str) -> bool:
    if sys.platform == "win32":
        return True  # it always has one
    name = named.removeprefix(":")
    if not name:
        return Path("/etc/localtime").exists()
    if name.startswith("/"):
        return Path(name).is_file()
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return _POSIX_ZONE.fullmatch(name) is not None
    return True


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more


def _dotted(numbers: Sequence[int]) -> str:
    return ".".join(map(str, numbers))
