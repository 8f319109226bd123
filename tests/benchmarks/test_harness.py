"""The benchmarks' own program: what it prints for a tiny card, and what it says to words that it does not know."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
ROW = {"name", "ratio", "goal", "ours_s", "peer_s", "peer", "runs", "ratios", "note"}
MACHINE = {"cpu", "cores", "memory_mb", "disk", "file_system", "python", "platform"}
TINY = ("--files", "2", "--megabytes", "1", "--runs", "1")


def call(*words: str, path: str | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.benchmarks", *words]
    env = os.environ if path is None else {**os.environ, "PATH": path}
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, env=env)


def test_a_tiny_run_has_every_field_and_leaves_nothing_behind(tmp_path: Path) -> None:
    done = call("ingest", *TINY, "--folder", str(tmp_path), "--json")
    assert (done.returncode, done.stderr) == (0, "")
    told = json.loads(done.stdout)
    assert set(told) == {"benchmarks", "machine", "date"}
    assert set(told["machine"]) == MACHINE
    (row,) = told["benchmarks"]
    assert set(row) > ROW
    assert (row["name"], row["goal"], row["files"], row["file_bytes"]) == ("ingest", 0.8, 2, 1_000_000)
    if row["ratio"] is None:
        assert "not found" in row["note"]
    else:
        assert (row["runs"], row["ratios"]) == (1, [row["ratio"]])
        assert row["ratio"] == pytest.approx(row["ours_s"] / row["peer_s"], abs=0.05, rel=0.05)
    assert list(tmp_path.iterdir()) == []


def test_without_the_peer_the_row_says_so(tmp_path: Path) -> None:
    """No program is found on the path; a table is printed, and the status stays 0."""
    done = call("verify", *TINY, "--folder", str(tmp_path), path=str(tmp_path))
    assert (done.returncode, done.stderr) == (0, "")
    assert "not compared: openssl not found on the PATH" in done.stdout


@pytest.mark.parametrize(
    ("name", "rows", "peers"),
    [
        ("proof", {"proof, uncompressed", "proof, lossless JPEG"}, ("dcraw_emu", "convert")),
        ("final", {"final", "grain", "final, two at once"}, ("vips",)),
    ],
)
def test_a_small_run_of_pictures(tmp_path: Path, name: str, rows: set[str], peers: tuple[str, ...]) -> None:
    """Whole where the peer is on the machine, else its row says so; the memory is measured in any case."""
    done = call(name, "--small", "--runs", "1", "--folder", str(tmp_path), "--json")
    assert (done.returncode, done.stderr) == (0, "")
    told = {row["name"]: row for row in json.loads(done.stdout)["benchmarks"]}
    assert set(told) == rows
    for row in told.values():
        if row["peer"].startswith("none"):
            assert 0 < row["peak_mb"] < row["goal_mb"]
        elif all(shutil.which(peer) for peer in peers):
            assert row["ratio"] > 0
            assert row["peer_commands"]
        else:
            assert (row["ratio"], "not found" in row["note"]) == (None, True)
    if name == "final" and told["final"]["ratio"]:
        assert told["final"]["largest_difference"] <= 2
        assert told["grain"]["deviation_ours"] == pytest.approx(told["grain"]["deviation_peer"], rel=0.05)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["nothing"], "There is no benchmark nothing: name one of final, ingest, proof, status, tether, verify.\n"),
        (
            ["ingest", "--runs", "0"],
            "Argument --runs: 0 is no whole number from 1 on: see `python -m tests.benchmarks --help`.\n",
        ),
    ],
)
def test_wrong_words_are_told_in_one_sentence(words: list[str], sentence: str) -> None:
    done = call(*words)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", sentence)


def test_a_folder_that_is_not_there_is_told_of(tmp_path: Path) -> None:
    done = call("ingest", "--folder", str(tmp_path / "nowhere"))
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"{tmp_path / 'nowhere'} is no folder: name one that is there after --folder.\n"


def test_a_folder_without_room_is_told_of(tmp_path: Path) -> None:
    done = call("ingest", "--files", "1000000", "--megabytes", "1000", "--folder", str(tmp_path))
    assert (done.returncode, done.stdout) == (3, "")
    assert f"{tmp_path} has less than 3300000.0 GB free" in done.stderr
    assert list(tmp_path.iterdir()) == []
