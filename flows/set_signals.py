"""Ctrl-C on set: it ends the session, and reaches none of the programs that the session needs to end well."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def kept_from_children() -> Iterator[None]:
    """Programs that are started within get no SIGINT, to their end: a terminal sends it to all at once.

    A blocked signal stays blocked in a new program (POSIX.1-2017, exec). `stopped_by_signals` takes it again here.
    Windows has no such thing.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def stopped_by_signals(end: Callable[[], None]) -> Iterator[None]:
    """The first Ctrl-C, or a request to terminate, ends a session in good order; a second Ctrl-C breaks it off."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def on_signal(number: int, frame: FrameType | None) -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        end()

    before = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
