"""One task run for a batch of units: a task run costs 2-4 ms, a batch of 30 units 0.1 ms a unit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from prefect import task
from prefect.cache_policies import NO_CACHE

from glassine.flows.open_job import BATCH_FRAMES
from glassine.schemas.errors import GlassineError

Unit = TypeVar("Unit")
Result = TypeVar("Result")
RETRIES = 2
RETRY_SECONDS = 0.5


def in_batches(
    units: Iterable[Unit],
    *,
    size: int = BATCH_FRAMES,
    weigh: Callable[[Unit], float] = lambda _: 0,
    heaviest: float = 1,
) -> Iterator[list[Unit]]:
    """Cut units into batches of at most `size`, and of at most about `heaviest` together."""
    batch: list[Unit] = []
    weight = 0.0
    for unit in units:
        batch.append(unit)
        weight += weigh(unit)
        if len(batch) >= size or weight >= heaviest:
            yield batch
            batch, weight = [], 0.0
    if batch:
        yield batch


def run_batches(name: str, work: Callable[[list[Unit]], Result], batches: Iterable[list[Unit]]) -> Iterator[Result]:
    """Run `work` on batches of units, each a task run of that name; yields what each batch returns, in order.

    A batch is retried when its error is one that may pass (`GlassineError.retryable`); work must be idempotent.
    """
    decorate: Any = task  # its overloads do not admit a function together with settings
    batch_task = decorate(
        work,
        name=name,
        task_run_name=name,
        retries=RETRIES,
        retry_delay_seconds=RETRY_SECONDS,
        retry_condition_fn=_may_pass,
        cache_policy=NO_CACHE,
        persist_result=False,
    )
    for batch in batches:
        yield batch_task(batch)


def _may_pass(task: Any, run: Any, state: Any) -> bool:
    """Whether a failed batch is tried again; Prefect fixes the parameters' names."""
    try:
        state.result()
    except GlassineError as error:
        return error.retryable
    except Exception:
        return False
    return False
