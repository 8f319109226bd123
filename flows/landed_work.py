"""What is under way for a frame that has just landed: its proof, perhaps before it is in custody, and its camera data."""

from __future__ import annotations

from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from glassine.schemas.validation import Document
from glassine.tasks.imaging.decoder_pool import Outcome


@dataclass
class Proving:
    """A proof under way, perhaps of a file that is not in custody yet."""

    version: tuple[int, int]
    number: int
    out: Path
    outcome: Future[Outcome]


@dataclass
class Work:
    """A frame in custody whose proof and camera data are under way; `written_at` is the last write to its file."""

    number: int
    written_at: float
    proving: Proving
    identity: Future[Document]
    is_from_custody: bool = False
    balance: Document | None = None
    """In which its proof is made; of a landed file as shot: what its set-up has is known when its camera is."""

    @property
    def is_done(self) -> bool:
        """Whether both have come."""
        return self.proving.outcome.done() and self.identity.done()


def throw_away(proving: Proving) -> None:
    """A proof that nobody wants; its file goes when it is there."""
    proving.outcome.cancel()

    def remove(_: Future[Outcome]) -> None:
        with suppress(OSError):
            proving.out.unlink(missing_ok=True)

    proving.outcome.add_done_callback(remove)
