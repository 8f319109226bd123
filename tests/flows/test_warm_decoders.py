"""Decoders that are ready before there is anything to decode: they answer, are replaced, and leave no process behind."""

from __future__ import annotations

import multiprocessing
import operator
from pathlib import Path

import pytest

from glassine.flows import warm_decoders
from glassine.flows.studio import Studio
from glassine.schemas.validation import Document, read_document

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def look() -> Document:
    return read_document(ROOT / "config" / "looks" / "hard-mono.json", "look")


def test_calls_are_answered_also_after_a_worker_was_replaced(
    studio: Studio, look: Document, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(warm_decoders, "_CALLS", 2)
    with warm_decoders.WarmDecoders(studio, look) as decoders:
        waiting = [decoders.submit(operator.floordiv, number, 2) for number in range(12)]
        assert [outcome.result().value for outcome in waiting] == [number // 2 for number in range(12)]
        failed = decoders.submit(operator.floordiv, 1, 0).result()
        assert failed.of_file
        assert "ZeroDivisionError" in str(failed.failure)
    assert multiprocessing.active_children() == []


def test_ended_while_they_begin(studio: Studio, look: Document) -> None:
    with warm_decoders.WarmDecoders(studio, look) as decoders:
        left = [decoders.submit(operator.add, 1, 1) for _ in range(50)]
    assert all(outcome.cancelled() or outcome.done() for outcome in left)
    assert multiprocessing.active_children() == []
