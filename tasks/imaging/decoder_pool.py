"""Disposable worker processes for decoding: a file that kills, hangs or bloats its worker costs only itself."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from types import TracebackType
from typing import Any, Self

from glassine.schemas.errors import CallError, FrameError, GlassineError

if sys.platform != "win32":
    import resource
    import signal

_CALLS_PER_WORKER = 64
"""After so many calls a worker is replaced: what a decoder leaks stays small, and starting costs about 1 s."""
_LOOK_AHEAD = 2
"""Calls taken from the arguments for each worker beyond the one whose outcome is next."""
_START_SECONDS = 60.0
"""To start a worker and import what it calls, on a slow and busy machine."""
_JOIN_SECONDS = 5.0
_PERTURB = "MALLOC_PERTURB_"
_environment = threading.Lock()
"""Held while the environment is another: several threads may start workers at once."""
TIME, MEMORY = "time", "memory"
_PROGRAMMING_ERRORS = (TypeError, NameError, AttributeError)
"""What a mistake of ours raises: as a fact about a file it would stay when the mistake is mended."""


@dataclass(frozen=True)
class Outcome:
    """What became of one call: its value, or the sentence why there is none.

    `of_file` tells a failure that is the file's own (it does not decode, or it kills its decoder), which is a fact,
    from one that may pass: too little time or memory, a disk that is full or gone, a mistake in a look or in a program.
    `ran_out_of` names the limit that stopped it: `TIME` or `MEMORY`, else None. `of_call`: what was asked for is wrong,
    and says nothing of the file.
    """

    arguments: tuple[Any, ...]
    value: Any = None
    failure: str | None = None
    of_file: bool = False
    ran_out_of: str | None = None
    of_call: bool = False


@dataclass
class _Call:
    arguments: tuple[Any, ...]
    outcome: Outcome | None = None


@dataclass
class _Worker:
    process: SpawnProcess
    connection: Connection
    started: bool = False
    calls: int = 0
    call: _Call | None = None
    deadline: float = 0.0


class DecoderPool:
    """Workers that decode foreign bytes under limits of memory and time.

    Parameters
    ----------
    workers : how many run at once
    memory_bytes : address space of each worker; where the system has no such limit (macOS, Windows) it is not held
    seconds : for one call; a worker that takes longer is killed

    Notes
    -----
    A context manager: leaving it, by an error or the keyboard too, ends every worker. Only one `run` at a time.
    Functions are named at the top of a module, and they and their arguments and values can be pickled.
    """

    def __init__(self, workers: int, memory_bytes: int = 4 << 30, seconds: float = 120.0) -> None:
        if workers < 1:
            raise ValueError("a pool needs at least one worker")
        self._count = workers
        self._memory_bytes = memory_bytes
        self._seconds = seconds
        self._context = multiprocessing.get_context("spawn")
        self._workers: list[_Worker] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End every worker."""
        for worker in self._workers:
            worker.process.kill()
        for worker in self._workers:
            self._reap(worker)
        self._workers.clear()

    def run(self, function: Callable[..., Any], arguments: Iterable[tuple[Any, ...]]) -> Iterator[Outcome]:
        """Call a function for each tuple of arguments; give the outcomes in their order, as they come.

        Arguments are taken only a little ahead of the outcomes, so that a long series needs no memory. A worker
        that dies, runs out of memory or out of time fails its own call and is replaced; an exception fails its
        call only, a `GlassineError` with its own sentence.

        Raises
        ------
        RuntimeError
            Where workers cannot be started at all.
        """
        waiting = iter(arguments)
        series: deque[_Call] = deque()
        try:
            while True:
                while len(series) < self._count * (1 + _LOOK_AHEAD):
                    try:
                        series.append(_Call(next(waiting)))
                    except StopIteration:
                        break
                if not series:
                    return
                self._hand_out(function, series)
                self._collect()
                while series and (outcome := series[0].outcome) is not None:
                    series.popleft()
                    yield outcome
        finally:
            # Whoever stops listening, stops the calls that are under way too.
            for worker in [worker for worker in self._workers if worker.call is not None]:
                self._replace(worker)

    def _hand_out(self, function: Callable[..., Any], series: deque[_Call]) -> None:
        busy = {id(worker.call) for worker in self._workers if worker.call is not None}
        pending = [call for call in series if call.outcome is None and id(call) not in busy]
        for call in pending:
            worker = self._idle_worker()
            if worker is None:
                return
            worker.call = call
            worker.deadline = time.monotonic() + (self._seconds if worker.started else _START_SECONDS)
            # One that dies this instant shows when its outcome is awaited.
            with contextlib.suppress(OSError):
                worker.connection.send((function, call.arguments))

    def _idle_worker(self) -> _Worker | None:
        """A worker without a call, started where there is room for one more; one that died idle is replaced."""
        for worker in [worker for worker in self._workers if worker.call is None]:
            if worker.process.is_alive():
                return worker
            self._replace(worker)
        return self._start() if len(self._workers) < self._count else None

    def _collect(self) -> None:
        """Wait until a worker says something, dies, or is out of time."""
        active = [worker for worker in self._workers if worker.call is not None]
        soonest = min(worker.deadline for worker in active)
        wait([worker.connection for worker in active], timeout=max(0.0, soonest - time.monotonic()))
        for worker in active:
            call = worker.call
            assert call is not None
            try:
                if not worker.connection.poll():
                    if time.monotonic() >= worker.deadline:
                        self._fail_late(worker, call)
                    continue
                message = worker.connection.recv()
            except (EOFError, OSError):
                if not worker.started:
                    raise RuntimeError("A worker process ended before it could begin.") from None
                self._fail_dead(worker, call)
                continue
            if message is None:
                worker.started = True
                worker.deadline = time.monotonic() + self._seconds
                continue
            call.outcome = Outcome(call.arguments, *message)
            worker.call = None
            worker.calls += 1
            if worker.calls >= _CALLS_PER_WORKER:
                self._replace(worker)

    def _fail_late(self, worker: _Worker, call: _Call) -> None:
        """A call is out of time; one whose worker never began says nothing of the file."""
        late, ran_out_of = f"Decoding took longer than {self._seconds:g} s and was stopped.", TIME
        never = f"No decoding process could begin within {_START_SECONDS:g} s: is the machine very busy?"
        outcome = (None, late, False, ran_out_of) if worker.started else (None, never, False)
        call.outcome = Outcome(call.arguments, *outcome)
        self._replace(worker)

    def _fail_dead(self, worker: _Worker, call: _Call) -> None:
        """A worker ended on its own: by the file's doing, unless the system killed it, as Linux does for want of memory."""
        worker.process.join(_JOIN_SECONDS)
        if sys.platform != "win32" and worker.process.exitcode == -signal.SIGKILL:
            killed = "Decoding was killed by the system, most likely for want of memory."
            call.outcome = Outcome(call.arguments, None, killed, ran_out_of=MEMORY)
        else:
            sentence = "Decoding ended its process without a word: the file is not safe to read."
            call.outcome = Outcome(call.arguments, None, sentence, of_file=True)
        self._replace(worker)

    def _start(self) -> _Worker:
        here, there = self._context.Pipe()
        process = self._context.Process(target=_serve, args=(there, self._memory_bytes), daemon=True)
        with _clean_memory():
            process.start()
        there.close()
        worker = _Worker(process, here)
        self._workers.append(worker)
        return worker

    def _replace(self, worker: _Worker) -> None:
        """End a worker; the next call that needs one starts another."""
        self._workers.remove(worker)
        worker.process.kill()
        self._reap(worker)

    @staticmethod
    def _reap(worker: _Worker) -> None:
        worker.process.join(_JOIN_SECONDS)
        worker.connection.close()
        if not worker.process.is_alive():
            worker.process.close()


@contextlib.contextmanager
def _clean_memory() -> Iterator[None]:
    """Let processes that start now get memory that is always zero.

    A decoder that gives up without a word leaves what was in its memory, which may be the frame before: seen with
    LibRaw 0.22. GNU libc reads this once, when a process starts (mallopt(3), M_PERTURB: new memory is filled with
    the complement of the value); other systems' libraries pass over it. Rendering took 3 % longer.
    """
    with _environment:
        before = os.environ.get(_PERTURB)
        os.environ[_PERTURB] = "255"
        try:
            yield
        finally:
            if before is None:
                del os.environ[_PERTURB]
            else:
                os.environ[_PERTURB] = before


def _serve(connection: Connection, memory_bytes: int) -> None:
    """A worker's life: limits first, then one call after another until nobody asks any more."""
    _limit(memory_bytes)
    started = False
    while True:
        value, failure, of_file, ran_out_of, of_call = None, None, False, None, False
        try:
            function, arguments = connection.recv()  # imports what it calls
        except (EOFError, OSError):
            return
        if not started:
            connection.send(None)
            started = True
        try:
            value = function(*arguments)
        except (GlassineError, MemoryError) as error:
            if _wanted_memory(error):
                wanted = f"Decoding needed more than the {memory_bytes / (1 << 30):.3g} GiB of memory it may have."
                failure, ran_out_of = wanted, MEMORY
            else:
                failure, of_file, of_call = str(error), _does_not_decode(error), isinstance(error, CallError)
        except OSError as error:
            failure = f"{error.filename or 'a file'}: {error.strerror or error}"
        except Exception as error:  # whatever else a decoder raises is a fact about the file
            failure, of_file = f"{type(error).__name__}: {error}", not isinstance(error, _PROGRAMMING_ERRORS)
        try:
            connection.send((value, failure, of_file, ran_out_of, of_call))
        except (BrokenPipeError, ConnectionError):
            return
        except Exception as error:  # a value that cannot be pickled
            connection.send((None, f"{type(error).__name__}: {error}"))
        del value, arguments


def _does_not_decode(error: BaseException) -> bool:
    """Whether it says that a file is wrong; P002 says that of an array, which a step before may have made."""
    return isinstance(error, FrameError) and error.code == "P001"


def _wanted_memory(error: BaseException | None) -> bool:
    """Whether an error comes of a lack of memory: readers of pictures wrap whatever their codecs raise."""
    while error is not None and not isinstance(error, MemoryError):
        error = error.__cause__
    return error is not None


def _limit(memory_bytes: int) -> None:
    # Decoders write their grumbles straight to the terminal; what counts comes back as an exception.
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 2)
    os.close(quiet)
    if sys.platform == "win32":
        return
    # The keyboard stops the pool, and the pool stops its workers.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(ValueError, OSError):  # macOS refuses
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        allowed = memory_bytes if hard == resource.RLIM_INFINITY else min(memory_bytes, hard)
        resource.setrlimit(resource.RLIMIT_AS, (allowed, hard))
    with contextlib.suppress(ValueError, OSError):
        # No core dump of somebody's picture.
        resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
