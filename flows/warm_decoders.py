"""Decoders that are ready before there is anything to decode: starting one costs a second, which a landed frame has not."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from glassine.flows.decoding import open_pool
from glassine.flows.studio import Studio
from glassine.schemas.validation import Document
from glassine.tasks.imaging.decoder_pool import DecoderPool, Outcome
from glassine.tasks.imaging.landed_proof import warm_up

_CALLS = 60
"""After so many calls a decoder is replaced while nobody waits for it, before its pool does so within a call."""


class WarmDecoders:
    """Disposable workers, each with a thread of its own that waits for it. A context manager.

    Parameters
    ----------
    look : what the workers make a first small picture in
    """

    def __init__(self, studio: Studio, look: Document) -> None:
        self._studio = studio
        self._look = look
        self._own = threading.local()
        self._pools: list[DecoderPool] = []
        self._threads = ThreadPoolExecutor(studio.workers, "decoder", initializer=self._begin)

    def __enter__(self) -> WarmDecoders:
        for _ in range(self._studio.workers):  # each starts a thread, as none is idle yet
            self._threads.submit(self._warm)
        return self

    def __exit__(self, *_: object) -> None:
        self._threads.shutdown(cancel_futures=True)  # what is under way comes to its end: a pool is for one thread
        for pool in self._pools:
            pool.close()

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Outcome]:
        """Call a function in the first worker that is free; in the order of the calls."""
        return self._threads.submit(self._call, function, arguments)

    def _begin(self) -> None:
        self._own.calls = 0
        self._own.pool = open_pool(self._studio, 1)
        self._pools.append(self._own.pool)

    def _warm(self) -> None:
        list(self._own.pool.run(warm_up, [(self._look,)]))

    def _call(self, function: Callable[..., Any], arguments: tuple[Any, ...]) -> Outcome:
        outcome: Outcome
        (outcome,) = self._own.pool.run(function, [arguments])
        self._own.calls += 1
        if self._own.calls % _CALLS == 0:
            self._own.pool.close()
            self._threads.submit(self._warm)
        return outcome
