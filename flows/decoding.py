"""Decoding under the studio's limits: the one place where flows get their disposable workers."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

from glassine.flows.batches import run_batches
from glassine.flows.open_job import OpenJob
from glassine.flows.studio import Studio
from glassine.schemas.errors import FrameError, VolumeError
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document
from glassine.tasks.imaging.decoder_pool import MEMORY, TIME, DecoderPool, Outcome

Fact = dict[str, Any]
_SETTINGS = {TIME: "decode_seconds", MEMORY: "decode_memory_mb"}
"""The setting of studio.toml for what a decoder ran out of."""


def open_pool(studio: Studio, workers: int | None = None) -> DecoderPool:
    """A pool of the studio's number of workers, or of fewer, with the studio's limits of memory and time."""
    memory, seconds = studio.decode_limits
    return DecoderPool(studio.workers if workers is None else min(workers, studio.workers), memory, seconds)


def decode_one(studio: Studio, call: Callable[[], Any]) -> Outcome:
    """What became of a single call (a `functools.partial` that can be pickled) in a worker of its own."""
    with open_pool(studio, 1) as pool:
        return next(iter(pool.run(operator.call, [(call,)])))


def make_picture(
    job: OpenJob, task: str, make: Callable[[], Document], out: str, *, what: str, advice: str
) -> Document:
    """Make a picture file at the path `out` of a job in a disposable worker, as one task run; its facts, with the path.

    `what` is told of it when it fails ("The base file of frame 0142 was not made"), `advice` when the source is to
    blame.

    Raises
    ------
    VolumeError
        V003: too little time, memory or room; the same command may do it.
    FrameError
        P001: the source does not decode.
    """

    def batch(calls: list[Callable[[], Document]]) -> Document:
        outcome = decode_one(job.studio, calls[0])
        if outcome.failure:
            sentence = f"{what}: {outcome.failure.rstrip('.')}."
            if outcome.of_file:
                raise FrameError("P001", f"{sentence} {advice}")
            raise VolumeError("V003", f"{sentence} Run the same command again.")
        return dict(outcome.value)

    made = next(run_batches(task, batch, [[make]]))
    return {"path": out, **{name: made[name] for name in ("sha256", "size", "width", "height", "bits", "profile")}}


def attempt_facts(studio: Studio, frame: Frame, outcome: Outcome) -> list[Fact]:
    """What is to be recorded of a try to decode a frame: that it was stopped, or how it ended after an earlier one was.

    A decoder that is stopped says little of its file, once; the fold gives up on one that is stopped again in a later
    run, until the limits are raised. So no good frame is lost to a busy machine, and none hangs every run for ever.
    """
    memory, seconds = studio.decode_limits
    before = frame["decoding"] or {"attempts": 0, "stopped": 0}
    reason: str | None
    if outcome.ran_out_of:
        advice = f"If the file is sound, raise {_SETTINGS[outcome.ran_out_of]} in studio.toml and run the same command."
        ended, reason = "stopped", f"{outcome.failure} {advice}"
    elif before["stopped"] and (outcome.of_file or not outcome.failure):
        ended, reason = ("refused", outcome.failure) if outcome.failure else ("decoded", None)
    else:
        return []
    fact = {"kind": "decode_attempt", "frame": frame["frame"], "attempt": before["attempts"] + 1}
    limits = {"limit_seconds": seconds, "limit_mb": memory >> 20}
    return [{**fact, **limits, "outcome": ended, "reason": reason and reason[:2000]}]


def is_worth_another_try(studio: Studio, frame: Frame) -> bool:
    """Whether a limit that made the fold give up on a frame has been raised since."""
    memory, seconds = studio.decode_limits
    tried = frame["decoding"]
    return bool(tried and tried["given_up"] and (seconds > tried["limit_seconds"] or memory >> 20 > tried["limit_mb"]))


def is_given_up(studio: Studio, frame: Frame) -> bool:
    """Whether decoding a frame was given up under limits as high as the studio's are now."""
    return bool(frame["decoding"] and frame["decoding"]["given_up"]) and not is_worth_another_try(studio, frame)
