"""Decoding under the studio's limits: the one place where flows get their disposable workers."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

from glassine.flows.studio import Studio
from glassine.tasks.imaging.decoder_pool import DecoderPool, Outcome


def open_pool(studio: Studio, workers: int | None = None) -> DecoderPool:
    """A pool of the studio's number of workers, or of fewer, with the studio's limits of memory and time."""
    memory, seconds = studio.decode_limits
    return DecoderPool(studio.workers if workers is None else min(workers, studio.workers), memory, seconds)


def decode_one(studio: Studio, call: Callable[[], Any]) -> Outcome:
    """What became of a single call (a `functools.partial` that can be pickled) in a worker of its own."""
    with open_pool(studio, 1) as pool:
        return next(iter(pool.run(operator.call, [(call,)])))
