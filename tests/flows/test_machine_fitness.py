"""The checks of the machine: on this one, which is fit, and on what others may say."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.config.bootstrap import OLDEST
from glassine.flows import machine_fitness
from glassine.flows.machine_fitness import (
    check_clock,
    check_libraries,
    check_machine,
    check_python,
    check_zone,
    leftover_servers,
    read_pins,
)
from glassine.tasks.custody.volume_probe import Probe
from glassine.tasks.delivery import exiftool
from glassine.tasks.imaging import profile_check

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
NAMES = ["Python", "libraries", "ExifTool", "raw decoder", "typefaces", "colour profiles", "temporary folder"]
SERVER = "/v/bin/python -m uvicorn --factory prefect.server.api.server:create_app --host 127.0.0.1"


def test_this_machine_is_looked_at_in_one_order_and_is_fit() -> None:
    found = list(check_machine(datetime.now(UTC)))
    assert [finding.what for finding in found][:9] == [*NAMES, "clock", "time zone"]
    assert [finding for finding in found if finding.level == "wrong"] == []
    by_name = {finding.what: finding.found for finding in found}
    assert by_name["raw decoder"].startswith("LibRaw 0.")
    assert "Bitstream Vera" in by_name["typefaces"]


@pytest.mark.parametrize("found", [(3, 10, 14), (2, 7, 18)])
def test_old_python_is_wrong(found: tuple[int, ...]) -> None:
    finding = check_python(found)
    assert (finding.level, finding.status) == ("wrong", 3)
    assert f"Python {OLDEST[0]}.{OLDEST[1]} or newer" in finding.do
    assert check_python(OLDEST).level == "ok"


def test_pins_are_those_of_this_machine() -> None:
    pins = read_pins((files("glassine.config") / "requirements.txt").read_text("utf-8"))
    assert {"numpy", "rawpy", "pyexiftool", "prefect"} <= pins.keys()
    assert pins["numpy"] == version("numpy")
    assert ("pywin32" in pins) == (sys.platform == "win32")
    listed = 'One_Two==1.0 \\\n    --hash=sha256:aa\n    # via x\nmac==2 ; sys_platform == "nowhere"\nb==3\n'
    assert read_pins(listed) == {"one-two": "1.0", "b": "3"}


versions = st.dictionaries(st.sampled_from("abcdefgh"), st.sampled_from(["1", "2"]))


@given(pins=versions, installed=versions)
def test_libraries_are_ok_only_where_each_pin_is_met(pins: dict[str, str], installed: dict[str, str]) -> None:
    finding = check_libraries(pins, installed)
    missing, other = pins.keys() - installed.keys(), {n for n in pins if installed.get(n, pins[n]) != pins[n]}
    assert finding.level == ("wrong" if missing else "mind" if other else "ok")
    assert ("requirements.txt" in finding.do) is (finding.level != "ok")


def test_many_libraries_are_not_all_named() -> None:
    pins = {f"lib{number}": "1" for number in range(9)}
    assert check_libraries(pins, {}).found == "not installed: lib0, lib1, lib2, lib3, lib4 and 4 more"
    assert "lib0 2 (1 is pinned)" in check_libraries(pins, dict.fromkeys(pins, "2")).found


def test_clock_before_this_was_written_is_wrong() -> None:
    assert check_clock(datetime(1970, 1, 1, tzinfo=UTC)).status == 3
    assert check_clock(NOW).level == "ok"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has a time zone of its own always")
@pytest.mark.parametrize(
    ("named", "level"),
    [
        ("Europe/Berlin", "ok"),
        (":Europe/Berlin", "ok"),
        ("UTC", "ok"),
        ("CET-1CEST,M3.5.0,M10.5.0/3", "ok"),
        ("<+03>-3", "ok"),
        ("Europe/Nowhere", "mind"),
        ("../../etc", "mind"),
        ("/nowhere/at/all", "mind"),
    ],
)
def test_zone_that_no_system_knows_is_told_of(named: str, level: str) -> None:
    assert check_zone(NOW, named).level == level


def test_servers_whose_command_is_gone_are_left_over() -> None:
    table = f"    1     0 /sbin/init\n  500     1 {SERVER}\n  600   599 {SERVER}\n  599   1 /v/bin/python /v/bin/glassine advance 1\n  700     1 sh\n\nx\n"
    assert leftover_servers(table) == [500]
    assert leftover_servers("") == []


def test_leftover_servers_are_named_with_what_ends_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine_fitness, "_process_table", lambda: f"500 1 {SERVER}\n501 1 {SERVER}")
    (finding,) = [finding for finding in check_machine(NOW) if finding.what == "flow engine"]
    assert finding.level == "mind"
    assert "`kill 500 501`" in finding.do


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no ps")
def test_processes_of_this_machine_are_read() -> None:
    table = machine_fitness._process_table()
    assert any("pytest" in line or "execnet" in line for line in table.splitlines()) or table == ""


def _fail(*words: Any, **named: Any) -> Iterator[str]:
    raise ImportError("libsomething.so: cannot open shared object file")


def test_missing_program_and_broken_library_are_found_and_the_rest_is_looked_at(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(exiftool.ExifTool.__init__, "__kwdefaults__", {"seconds": 9.0, "executable": "no-such-program"})
    monkeypatch.setattr(profile_check, "find_profile_faults", _fail)
    monkeypatch.setitem(sys.modules, "rawpy", None)  # as if it were not installed
    found = {finding.what: finding for finding in check_machine(NOW)}
    assert [found[name].status for name in NAMES] == [0, 0, 3, 3, 0, 3, 0]
    assert "The ExifTool program (12.15 or newer) is needed" in found["ExifTool"].found
    assert "rawpy" in found["raw decoder"].found
    assert "libsomething.so" in found["colour profiles"].found
    assert "pip install" in found["colour profiles"].do


def test_wrong_colour_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(profile_check, "find_profile_faults", lambda: ["one fault", "another"])
    (finding,) = [finding for finding in check_machine(NOW) if finding.what == "colour profiles"]
    assert (finding.level, finding.found) == ("wrong", "one fault; another")


def test_temporary_folder_that_is_almost_full_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine_fitness, "probe_folder", lambda folder: Probe(1, 200_000_000, "", "", 0.0))
    (finding,) = [finding for finding in check_machine(NOW) if finding.what == "temporary folder"]
    assert finding.level == "mind"
    assert "0.2 GB free" in finding.found


def test_temporary_folder_that_cannot_be_written_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> str:
        raise FileNotFoundError(2, "No usable temporary directory found")

    monkeypatch.setattr(tempfile, "gettempdir", refuse)
    (finding,) = [finding for finding in check_machine(NOW) if finding.what == "temporary folder"]
    assert (finding.level, finding.status) == ("wrong", 3)
    assert "TMPDIR" in finding.do
