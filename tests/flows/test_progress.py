"""The progress bar: on stderr, on a terminal only."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from glassine.flows.progress import show_progress

SCRIPT = """
import time
from glassine.flows.progress import show_progress
with show_progress("taking in", 4000, bytes_=True) as step:
    for _ in range(4):
        time.sleep(0.06)
        step(1000)
with show_progress("proofing", 4) as step:
    for _ in range(4):
        time.sleep(0.06)
        step(1)
print("done")
"""


def test_nothing_is_shown_where_there_is_no_terminal(capfd: pytest.CaptureFixture[str]) -> None:
    with show_progress("taking in", 10, bytes_=True) as step:
        step(10)
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_terminal_sees_what_rate_and_time_left_on_stderr_only() -> None:
    import pty

    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "120"}
    running = subprocess.Popen(
        [sys.executable, "-c", SCRIPT], stdout=subprocess.PIPE, stderr=theirs, env=environment, text=True
    )
    os.close(theirs)
    shown = b""
    while True:
        try:
            block = os.read(ours, 4096)
        except OSError:  # Linux says so when the other end has closed
            break
        if not block:
            break
        shown += block
    os.close(ours)
    said, _ = running.communicate(timeout=60)
    assert (said, running.returncode) == ("done\n", 0)
    text = shown.decode("utf-8", "replace")
    for part in ("taking in", "kB/s", "proofing", "/s", "0:00:0"):
        assert part in text, part
