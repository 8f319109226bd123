"""Watching a folder into which frames land: the system's events, and a look at what lies there now and then."""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

from watchfiles import Change, watch

from glassine.tasks.custody.card_walk import is_litter, printable_name
from glassine.tasks.custody.landing import LOOK_SECONDS, Landing, Landings, is_under_way

RESCAN_SECONDS = 15.0
"""The folder is listed so often besides: a system may lose events, and gives none for what another machine writes."""
_QUIET_MS = 20
"""Events are given on when none came for so long; each such wait wakes the processor once."""
_DEBOUNCE_MS = 100
_POLL_MS = 250


class LandingWatch:
    """Tells of the files that land in a folder and below it, from threads of its own. A context manager.

    Parameters
    ----------
    folder : resolved, as the system names it in its events
    on_seem : told of a file that seems whole by its structure and may still be written to, in a thread of the watch
    on_done : the same, of one that is whole and at rest
    on_trouble : told when the folder cannot be watched or read, in a sentence
    poll : look at the whole folder again and again, where the system gives no events (network drives)
    """

    def __init__(
        self,
        folder: Path,
        on_seem: Callable[[Landing], None],
        on_done: Callable[[Landing], None],
        on_trouble: Callable[[str], None],
        *,
        poll: bool = False,
    ) -> None:
        self.folder = folder
        self._on_seem, self._on_done, self._on_trouble = on_seem, on_done, on_trouble
        self._poll = poll
        self._landings = Landings()
        self._noticed: queue.SimpleQueue[tuple[Path, float] | None] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._watch, name="watch", daemon=True),
            threading.Thread(target=self._look, name="look", daemon=True),
        ]

    def __enter__(self) -> LandingWatch:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._noticed.put(None)
        for thread in self._threads:
            thread.join()

    def pass_over(self, path: Path) -> None:
        """A file as it is now is known: it lands only if it changes. Before the watch begins."""
        with suppress(OSError):
            found = path.stat()
            self._landings.landed[path] = (found.st_size, found.st_mtime_ns)

    def notice(self, path: Path) -> None:
        """Look at a file that lies there: it landed when it was last given its name or its bytes."""
        with suppress(OSError):
            self._noticed.put((path, path.stat().st_ctime))

    def look_again(self, path: Path) -> None:
        """A file that could not be taken in is to be looked at anew."""
        self._landings.forget(path)
        self.notice(path)

    def pending(self) -> list[Path]:
        """The files that are landing now."""
        return list(self._landings.pending)

    def settle(self, seconds: float) -> None:
        """Wait until nothing is landing, but no longer than that."""
        until = time.monotonic() + seconds
        while (self.pending() or not self._noticed.empty()) and time.monotonic() < until:
            time.sleep(LOOK_SECONDS)

    def _watch(self) -> None:
        try:
            for changes in watch(
                self.folder,
                watch_filter=None,
                debounce=_DEBOUNCE_MS,
                step=_QUIET_MS,
                stop_event=self._stop,
                raise_interrupt=False,
                force_polling=self._poll or None,
                poll_delay_ms=_POLL_MS,
                ignore_permission_denied=True,
            ):
                now = time.time()
                for change, path in changes:
                    if change is not Change.deleted and not _is_hidden(Path(path), self.folder):
                        self._noticed.put((Path(path), now))
        except Exception as error:  # whatever it is, the listing goes on
            self._on_trouble(
                f"{self.folder} gives no events ({error}): it is listed every {RESCAN_SECONDS:g} s instead."
            )

    def _look(self) -> None:
        rescan_at = time.monotonic()  # what landed between the first listing and the first event
        while not self._stop.is_set():
            wait = LOOK_SECONDS if self._landings.pending else max(0.0, rescan_at - time.monotonic())
            with suppress(queue.Empty):
                while True:
                    noticed = self._noticed.get(timeout=wait)
                    if noticed is None:
                        return
                    self._landings.notice(*noticed)
                    wait = 0.0
            if time.monotonic() >= rescan_at:
                self._rescan()
                rescan_at = time.monotonic() + RESCAN_SECONDS
            seem, done = self._landings.look(time.monotonic())
            for landing in seem:
                self._on_seem(landing)
            for landing in done:
                self._on_done(landing)

    def _rescan(self) -> None:
        if not self.folder.is_dir():
            self._on_trouble(f"{self.folder} went away: connect it again.")
        for path in files_in(self.folder):
            with suppress(OSError):
                found = path.stat()
                if self._landings.landed.get(path) != (found.st_size, found.st_mtime_ns):
                    self._landings.notice(path, found.st_ctime)


def files_in(folder: Path) -> Iterator[Path]:
    """Every file in a folder and below it that a program has finished, by name; links are not followed."""
    for place, folders, names in os.walk(folder):
        folders[:] = sorted(
            name for name in folders if not name.startswith(".") and not is_litter(printable_name(name))
        )
        for name in sorted(names):
            path = Path(place, name)
            if not is_under_way(name) and not is_litter(printable_name(name)) and not path.is_symlink():
                yield path


def _is_hidden(path: Path, folder: Path) -> bool:
    """Whether a file is litter, or lies in a folder that begins with a dot."""
    parts = path.relative_to(folder).parts
    return any(part.startswith(".") or is_litter(printable_name(part)) for part in parts)
