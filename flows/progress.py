"""A progress bar with rate and time left, on stderr, and only when that is a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def show_progress(what: str, total: int | None, *, bytes_: bool = False) -> Iterator[Callable[[int], None]]:
    """Show how far some work is; yields the function that is told of each step (units, or bytes)."""
    if not sys.stderr.isatty():
        yield _say_nothing
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        DownloadColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
        TransferSpeedColumn,
    )

    amount = (DownloadColumn(), TransferSpeedColumn()) if bytes_ else (MofNCompleteColumn(), _RateColumn())
    columns = (TextColumn("{task.description}"), BarColumn(), *amount, TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        bar = progress.add_task(what, total=total)
        yield lambda step: progress.advance(bar, step)


def _say_nothing(step: int) -> None:
    pass


def _RateColumn() -> object:  # noqa: N802
    from rich.progress import ProgressColumn, Task
    from rich.text import Text

    class Rate(ProgressColumn):
        """Units a second."""

        def render(self, task: Task) -> Text:
            return Text(f"{task.speed:.1f}/s" if task.speed else "")

    return Rate()
