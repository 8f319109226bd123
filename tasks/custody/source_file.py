"""A file to be copied: read once, from its first byte to its last, and found to be the same file before and after."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from glassine.schemas.errors import VolumeError
from glassine.tasks.custody.digest import BLOCK_BYTES
from glassine.tasks.custody.store import Store, Traits, traits_of


class Source(Protocol):
    """What `replicate` reads."""

    @property
    def label(self) -> str:
        """Where it is, for a sentence."""

    def blocks(self) -> Iterator[bytes]:
        """All bytes, in order. Raises VolumeError V004 when they cannot be read, or are not those of one whole file."""

    def traits(self) -> Traits:
        """Its times and attributes, once its blocks were read."""


@dataclass
class SourceFile:
    """A file on a card or in a folder.

    Its size and its time of change are looked at before and after: a file that is still written, or was replaced while
    it was read, is refused whole.
    """

    path: Path
    _traits: Traits | None = None

    @property
    def label(self) -> str:
        """Its path."""
        return str(self.path)

    def blocks(self) -> Iterator[bytes]:
        """All bytes, in order."""
        size = 0
        try:
            with self.path.open("rb", buffering=0) as stream:
                before = os.fstat(stream.fileno())
                while block := stream.read(BLOCK_BYTES):
                    size += len(block)
                    yield block
                after = os.fstat(stream.fileno())
            if stat.S_ISREG(before.st_mode):
                self._traits = traits_of(self.path)
        except OSError as error:
            raise VolumeError(
                "V004",
                f"{self.path} cannot be read ({error.strerror or error}) and was not taken in: try another reader or cable, and run the same command again.",
            ) from error
        if not stat.S_ISREG(before.st_mode):
            self._traits = Traits((before.st_atime_ns, before.st_mtime_ns))
        elif size != before.st_size:
            raise VolumeError(
                "V004",
                f"{self.path} gave {size} of {before.st_size} bytes: it is still being written, or its medium is failing; "
                "it was not taken in. Wait, or try another reader or cable, and run the same command again.",
            )
        elif (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
            raise VolumeError(
                "V004",
                f"{self.path} changed while it was read: something writes to it still; it was not taken in. "
                "Wait until that is done, and run the same command again.",
            )

    def traits(self) -> Traits:
        """Its times and attributes, as they were when it had been read."""
        if self._traits is None:
            raise RuntimeError("traits() before all blocks were read")
        return self._traits


@dataclass(frozen=True)
class StoredSource:
    """A copy on a volume, to be copied to others; its digest is known, so nothing else is compared."""

    store: Store
    path: str

    @property
    def label(self) -> str:
        """Its place in the store."""
        return f"{self.store.label}/{self.path}"

    def blocks(self) -> Iterator[bytes]:
        """All bytes, in order."""
        try:
            yield from self.store.read_blocks(self.path)
        except OSError as error:
            raise VolumeError(
                "V004",
                f"{self.label} cannot be read ({error.strerror or error}): check its disk and its cable, and run the same command again.",
            ) from error

    def traits(self) -> Traits:
        """Its times and attributes."""
        try:
            return self.store.traits(self.path)
        except OSError as error:
            raise VolumeError("V004", f"{self.label} went away ({error.strerror or error}).") from error
