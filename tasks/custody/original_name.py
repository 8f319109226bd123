"""Where a file that was taken in lies on every volume: a pure function of what was found."""

from __future__ import annotations

import unicodedata

from pathvalidate import sanitize_filename

from glassine.tasks.custody.card_walk import FoundFile

_LONGEST_PART = 80
"""So that the whole path stays within what Windows opens without a prefix (260 characters)."""


def original_path(file: FoundFile, sha256: str) -> str:
    """`originals/FOLDER/STEM.<8 hex of SHA-256>.EXT`, every part a name that all systems bear (Unicode NFC)."""
    ending = f".{safe_part(file.name.rpartition('.')[2], 12)}" if "." in file.name.strip(".") else ""
    return f"originals/{safe_part(file.folder)}/{safe_part(file.stem)}.{sha256[:8]}{ending}"


def safe_part(part: str, longest: int = _LONGEST_PART) -> str:
    """A part of a path that every system bears: Unicode NFC, no reserved name or character, not too long.

    At most `longest` letters, and twice as many bytes in UTF-8: file systems allow 255 bytes for a whole name.
    """
    text = unicodedata.normalize("NFC", part).strip(" ")[:longest]
    text = text.encode()[: 2 * longest].decode(errors="ignore").rstrip(" .")  # `..`, and ends that Windows drops
    text = text.replace(" .", "_.")  # Windows takes `NUL .dng` for the device too
    return str(sanitize_filename(text or "_", platform="universal", replacement_text="_"))
