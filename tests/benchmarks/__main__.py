"""python -m tests.benchmarks [NAME...] [--json] [--small] [--folder FOLDER] [--files N] [--megabytes N] [--runs N]

Without a name, all of them. A ratio over its goal is said, and is no failure: figures depend on the machine.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

from glassine.schemas.errors import WORLD_IN_THE_WAY, WRONG_WORDS
from glassine.schemas.identifiers import utc_now
from tests.benchmarks import final, ingest, proof, status, tether, verify
from tests.benchmarks.harness import MEMORY_FILE_SYSTEMS, NotHereError, Plan, Row, default_folder, describe_machine

BENCHMARKS: dict[str, Callable[[Plan], list[Row]]] = {
    "ingest": ingest.run,
    "verify": verify.run,
    "tether": tether.run,
    "status": status.run,
    "proof": proof.run,
    "final": final.run,
}


class Words(argparse.ArgumentParser):
    """A parser that says in one sentence what is wrong."""

    def error(self, message: str) -> NoReturn:
        """End the program."""
        self.exit(WRONG_WORDS, f"{message[:1].upper()}{message[1:]}: see `python -m tests.benchmarks --help`.\n")


def main(words: list[str]) -> int:
    """Run what is named; returns the exit status."""
    parser = Words(prog="python -m tests.benchmarks", description="Ratios of glassine to what else would be used.")
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one of {', '.join(BENCHMARKS)}; none: all")
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.add_argument("--small", action="store_true", help="20 files, for a quick look")
    parser.add_argument("--folder", type=Path, help="where to work (default: $TMPDIR, else beside the checkout)")
    parser.add_argument("--files", type=_count, help="files on the card (default: 100)")
    parser.add_argument("--megabytes", type=_count, default=20, help="MB in each (default: 20)")
    parser.add_argument("--runs", type=_count, default=5, help="alternated runs (default: 5)")
    asked = parser.parse_args(words)
    unknown = [name for name in asked.names if name not in BENCHMARKS]
    if unknown:
        parser.exit(
            WRONG_WORDS, f"There is no benchmark {', '.join(unknown)}: name one of {', '.join(sorted(BENCHMARKS))}.\n"
        )
    folder = (asked.folder or default_folder()).resolve()
    if not folder.is_dir():
        parser.exit(WRONG_WORDS, f"{folder} is no folder: name one that is there after --folder.\n")
    plan = Plan(asked.files or (20 if asked.small else 100), asked.megabytes * 10**6, asked.runs, folder)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))  # so that the work folder is removed
    try:
        rows = [row for name in asked.names or BENCHMARKS for row in BENCHMARKS[name](plan)]
    except NotHereError as error:
        parser.exit(WORLD_IN_THE_WAY, f"{error}\n")
    told = {
        "benchmarks": [row.document() for row in rows],
        "machine": describe_machine(folder),
        "date": utc_now(),
    }
    sys.stdout.write(json.dumps(told, indent=1) + "\n" if asked.json else table(told))
    return 0


def table(told: dict[str, Any]) -> str:
    """The same for people."""
    machine = told["machine"]
    lines = [
        f"{machine['cpu']}, {machine['cores']} cores, {machine['memory_mb']} MB, {machine['disk']}, {machine['file_system']}",
        f"{machine['platform']}; Python {machine['python']}; {told['date']}",
        f"{'':28} ratio   goal  ours s  peer s  runs",
    ]
    if machine["file_system"] in MEMORY_FILE_SYSTEMS:
        lines.append("This folder lies in memory: the figures say nothing of a disk.")
    for row in told["benchmarks"]:
        figures = [
            _figure(row[key], places) for key, places in (("ratio", 2), ("goal", 2), ("ours_s", 3), ("peer_s", 3))
        ]
        over = row["ratio"] is not None and row["ratio"] > row["goal"]
        lines.append(
            f"{row['name']:28} {figures[0]:>5}  {figures[1]:>5}  {figures[2]:>6}  {figures[3]:>6}  {row['runs']:>4}"
            + ("  over its goal" if over else "")
        )
        lines.append(f"    peer: {row['peer']}")
        if row["note"]:
            lines.append(f"    {row['note']}")
    return "\n".join(lines) + "\n"


def _figure(value: float | None, places: int) -> str:
    return "-" if value is None else f"{value:.{places}f}"


def _count(word: str) -> int:
    if not word.isdecimal() or int(word) < 1:
        raise argparse.ArgumentTypeError(f"{word} is no whole number from 1 on")
    return int(word)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
