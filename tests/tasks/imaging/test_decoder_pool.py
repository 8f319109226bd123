"""A call that kills, hangs or bloats its worker fails alone.

`eval` stands for a decoder: it does whatever its input says.
"""

import os
import platform
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from glassine.schemas.errors import CallError, DocumentError, FrameError
from glassine.tasks.imaging import decoder_pool
from glassine.tasks.imaging.decoder_pool import MEMORY, TIME, DecoderPool

FEW = 2 << 30


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_outcomes_come_in_order_and_only_the_bad_calls_fail() -> None:
    calls = [
        "1 + 1",
        "__import__('os')._exit(3)",
        "2 + 2",
        "1 / 0",
        "__import__('os').abort()",
        "3 + 3",
        "lambda: 0",  # cannot be pickled, so it cannot come back
        "__import__('os').nothing_of_that_name",
        "4 + 4",
    ]
    with DecoderPool(2, memory_bytes=FEW, seconds=30) as pool:
        outcomes = list(pool.run(eval, [(call,) for call in calls]))
    assert [outcome.arguments[0] for outcome in outcomes] == calls
    assert [outcome.value for outcome in outcomes] == [2, None, 4, None, None, 6, None, None, 8]
    failures = [outcome.failure or "" for outcome in outcomes]
    assert "without a word" in failures[1]
    assert failures[3] == "ZeroDivisionError: division by zero"
    assert "without a word" in failures[4]
    assert "pickle" in failures[6]
    assert failures[7].startswith("AttributeError")
    assert [bool(failure) for failure in failures] == [outcome.value is None for outcome in outcomes]


def test_a_call_that_hangs_is_stopped_alone() -> None:
    with DecoderPool(1, memory_bytes=FEW, seconds=1.0) as pool:
        began = time.monotonic()
        outcomes = list(pool.run(eval, [("1",), ("__import__('time').sleep(60)",), ("3",)]))
    assert [outcome.value for outcome in outcomes] == [1, None, 3]
    assert "longer than 1 s" in (outcomes[1].failure or "")
    assert time.monotonic() - began < 30


@pytest.mark.skipif(sys.platform != "linux", reason="no limit of the address space there")
def test_a_call_that_wants_too_much_memory_fails_alone() -> None:
    with DecoderPool(1, memory_bytes=1 << 30, seconds=30) as pool:
        outcomes = list(pool.run(eval, [("1",), ("len(bytes(3 << 30))",), ("3",)]))
    assert [outcome.value for outcome in outcomes] == [1, None, 3]
    assert "1 GiB of memory" in (outcomes[1].failure or "")


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only GNU libc fills memory when asked")
def test_a_worker_never_sees_what_an_earlier_call_left() -> None:
    fill = "__import__('numpy').full(100_000, 77, 'u1').sum() and None"
    look = "int(__import__('numpy').empty(100_000, 'u1').max())"
    with DecoderPool(1, memory_bytes=FEW) as pool:
        outcomes = list(pool.run(eval, [(fill,), (look,), (fill,), (look,)]))
    assert [outcome.value for outcome in outcomes] == [None, 0, None, 0]
    assert "MALLOC_PERTURB_" not in os.environ


def test_a_glassine_error_comes_back_as_its_sentence() -> None:
    raising = "(_ for _ in ()).throw(__import__('glassine.schemas.errors').schemas.errors.FrameError('P001', 'Cut.'))"
    with DecoderPool(1, memory_bytes=FEW) as pool:
        (outcome,) = pool.run(eval, [(raising,)])
    assert outcome.failure == "Cut."


def test_arguments_are_taken_only_a_little_ahead_and_workers_are_used_again() -> None:
    taken = 0

    def endless() -> Iterator[tuple[str]]:
        nonlocal taken
        while True:
            taken += 1
            yield ("__import__('os').getpid()",)

    with DecoderPool(1, memory_bytes=FEW) as pool:
        outcomes = pool.run(eval, endless())
        pids = {next(outcomes).value for _ in range(70)}
        assert taken <= 75
        assert len(pids) == 2  # replaced after 64 calls
        last = max(pids, key=lambda pid: alive(pid))
    assert not alive(last)


def test_leaving_early_leaves_no_process() -> None:
    with pytest.raises(KeyboardInterrupt), DecoderPool(2, memory_bytes=FEW) as pool:
        outcomes = pool.run(eval, [("__import__('os').getpid()",), ("__import__('time').sleep(60)",)])
        pid = next(outcomes).value
        workers = [worker.process.pid for worker in pool._workers]
        assert pid in workers
        raise KeyboardInterrupt
    assert workers
    assert not any(alive(worker) for worker in workers if worker is not None)


def _no_picture(path: Path) -> None:
    raise FrameError("P001", f"{path.name} is no picture.")


def _read(path: Path) -> bytes:
    return path.read_bytes()


def test_a_fault_of_the_file_is_told_from_one_that_may_pass(tmp_path: Path) -> None:
    with DecoderPool(1) as pool:
        (refused,) = pool.run(_no_picture, [(tmp_path / "a",)])
        (absent,) = pool.run(_read, [(tmp_path / "a",)])
    assert (refused.of_file, refused.failure) == (True, "a is no picture.")
    assert not absent.of_file
    assert "No such file" in str(absent.failure)


def _raise_error(error: Exception) -> None:
    raise error


@pytest.mark.parametrize(
    ("error", "of_file", "of_call"),
    [
        (FrameError("P001", "It does not decode."), True, False),
        (ValueError("A decoder's own."), True, False),
        (FrameError("P002", "An array that is no picture."), False, False),
        (DocumentError("D002", "look a", "steps[1]", "wanted is a curve whose points rise."), False, False),
        (CallError("W001", "No such stops."), False, True),
        (TypeError("A mistake of ours."), False, False),
        (AttributeError("A mistake of ours."), False, False),
        (NameError("A mistake of ours."), False, False),
        (UnboundLocalError("A mistake of ours."), False, False),
    ],
    ids=lambda value: type(value).__name__,
)
def test_only_what_a_file_does_to_its_decoder_is_a_fact_of_the_file(
    error: Exception, of_file: bool, of_call: bool
) -> None:
    with DecoderPool(1, memory_bytes=FEW) as pool:
        (outcome,) = pool.run(_raise_error, [(error,)])
    assert str(error) in str(outcome.failure)
    assert (outcome.of_file, outcome.of_call) == (of_file, of_call)


def _wrap_memory_error() -> None:
    try:
        raise MemoryError
    except MemoryError as error:
        raise FrameError("P001", "a.tif cannot be read as TIFF.") from error


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_what_ran_out_is_named_and_is_no_fault_of_the_file() -> None:
    """Linux ends a process by SIGKILL when the machine has no memory left; readers wrap what their codecs raise."""
    killed = "__import__('os').kill(__import__('os').getpid(), 9)"
    with DecoderPool(1, memory_bytes=FEW, seconds=1.0) as pool:
        outcomes = list(
            pool.run(eval, [(killed,), ("__import__('time').sleep(60)",), ("len(bytes(8 << 30))",), ("1",)])
        )
        (wrapped,) = pool.run(_wrap_memory_error, [()])
    assert [outcome.ran_out_of for outcome in (*outcomes, wrapped)] == [MEMORY, TIME, MEMORY, None, MEMORY]
    assert not any(outcome.of_file for outcome in (*outcomes, wrapped))
    assert "killed by the system" in str(outcomes[0].failure)
    assert "GiB of memory" in str(wrapped.failure)


def test_a_worker_that_never_begins_says_nothing_of_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoder_pool, "_START_SECONDS", 0.0)
    with DecoderPool(1, memory_bytes=FEW) as pool:
        (outcome,) = pool.run(eval, [("1",)])
    assert (outcome.of_file, outcome.ran_out_of) == (False, None)
    assert "No decoding process could begin" in str(outcome.failure)
