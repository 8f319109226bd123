"""Keys at the terminal on set: single letters, without Enter. Where there is no terminal there are none."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

INTERRUPT = "\x03"
"""What Ctrl-C sends where the terminal makes no signal of it."""
_WAIT_SECONDS = 0.2


@contextmanager
def read_keys(on_key: Callable[[str], None]) -> Iterator[bool]:
    """Tell of every key that is pressed, from a thread; yields whether there is a terminal to press them at.

    Ctrl-C comes as a key, too: as a signal it would end the programs that were started, before their work is done.
    """
    if sys.platform == "win32":
        with _read_console(on_key):
            yield sys.stdin.isatty()
        return
    descriptor = _own_terminal()
    if descriptor is None:
        yield False
        return
    import termios

    before = termios.tcgetattr(descriptor)
    plain = termios.tcgetattr(descriptor)
    plain[3] &= ~(termios.ICANON | termios.ECHO | termios.ISIG)  # POSIX.1-2017, general terminal interface, 11.2.5
    reader, writer = os.pipe()
    thread = threading.Thread(target=_read_terminal, args=(descriptor, reader, on_key), name="keys", daemon=True)
    termios.tcsetattr(descriptor, termios.TCSANOW, plain)
    try:
        thread.start()
        yield True
    finally:
        os.write(writer, b".")
        thread.join()
        termios.tcsetattr(descriptor, termios.TCSANOW, before)
        os.close(reader)
        os.close(writer)


def _own_terminal() -> int | None:
    """The terminal that this process may read from: not when it runs in the background."""
    try:
        descriptor = sys.stdin.fileno()
        if os.isatty(descriptor) and os.tcgetpgrp(descriptor) == os.getpgrp():
            return descriptor
    except (OSError, ValueError, AttributeError):  # closed, or replaced by something that is no file
        pass
    return None


def _read_terminal(descriptor: int, stop: int, on_key: Callable[[str], None]) -> None:
    import select

    while True:
        ready, _, _ = select.select([descriptor, stop], [], [])
        if stop in ready:
            return
        try:
            pressed = os.read(descriptor, 64)
        except OSError:
            return
        if not pressed:  # the terminal was closed
            return
        for key in pressed.decode("utf-8", "ignore"):
            on_key(key)


@contextmanager
def _read_console(on_key: Callable[[str], None]) -> Iterator[None]:
    stop = threading.Event()

    def read() -> None:
        if sys.platform == "win32":
            import msvcrt

            while not stop.wait(_WAIT_SECONDS):
                while msvcrt.kbhit():
                    on_key(msvcrt.getwch())

    thread = threading.Thread(target=read, name="keys", daemon=True)
    if sys.stdin.isatty():
        thread.start()
    try:
        yield
    finally:
        stop.set()
        if thread.is_alive():
            thread.join()
