"""Keys on set: single letters at a terminal, and none where there is no terminal."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from glassine.flows.set_keys import read_keys

PROGRAM = """
import sys, time
from glassine.flows.set_keys import INTERRUPT, read_keys
pressed = []
with read_keys(pressed.append) as has_keys:
    print("ready", flush=True)
    until = time.monotonic() + 60
    while len(pressed) < 3 and time.monotonic() < until:
        time.sleep(0.01)
sys.exit((has_keys, pressed) != (True, ["n", "m", INTERRUPT]))
"""


def test_without_a_terminal_there_are_no_keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "input").write_text("q")
    with (tmp_path / "input").open() as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        with read_keys(lambda key: pytest.fail(f"{key!r} was read")) as has_keys:
            assert not has_keys


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal")
def test_at_a_terminal_each_key_comes_at_once_and_ctrl_c_is_one() -> None:
    import pty

    child, terminal = pty.fork()
    if child == 0:
        os.execv(sys.executable, [sys.executable, "-c", PROGRAM])
    seen = b""
    while b"ready" not in seen:
        seen += os.read(terminal, 1024)
    os.write(terminal, b"nm\x03")
    _, status = os.waitpid(child, 0)
    os.close(terminal)
    assert os.waitstatus_to_exitcode(status) == 0
