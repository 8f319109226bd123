"""What lies on a card or in a folder: frames with their companions, and files that are no picture."""

from __future__ import annotations

import hashlib
import os
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from glassine.schemas.errors import VolumeError
from glassine.schemas.identifiers import VOLUME_IDENTITY

# Endings of raw files of cameras; from memory.
RAW_ENDINGS = frozenset(
    "3fr ari arw bay cr2 cr3 crw dcr dng erf fff gpr iiq k25 kdc mef mos mrw nef nrw orf pef ptx raf raw rw2 rwl sr2 srf srw x3f".split()  # noqa: SIM905
)
PICTURE_ENDINGS = ("tif", "tiff", "hif", "heic", "heif", "jpg", "jpeg", "png")
"""Endings of other pictures, the one that makes an original first: a JPEG beside a TIFF is its companion."""
_LITTER_NAMES = frozenset({".ds_store", "thumbs.db", "desktop.ini", ".metadata_never_index", ".volumeicon.icns"})
_LITTER_FOLDERS = frozenset(
    {
        ".spotlight-v100",
        ".trashes",
        ".fseventsd",
        ".temporaryitems",
        "system volume information",
        "$recycle.bin",
        "lost+found",
    }
)


@dataclass(frozen=True)
class FoundFile:
    """One file at a source: where it is, its names made printable, and its size in bytes."""

    path: Path
    name: str
    folder: str
    source: str
    size: int
    modified_ns: int

    @property
    def stem(self) -> str:
        """The name without its ending."""
        return stem_of(self.name)

    @property
    def ending(self) -> str:
        """The ending, lower case, without the dot."""
        return self.name.rpartition(".")[2].lower() if "." in self.name else ""


@dataclass(frozen=True)
class FoundGroup:
    """Files of one stem in one folder: an original with its companions, or files that are no picture."""

    original: FoundFile | None
    companions: list[FoundFile] = field(default_factory=list)
    strays: list[FoundFile] = field(default_factory=list)

    @property
    def files(self) -> list[FoundFile]:
        """All of them, the original first."""
        return ([self.original] if self.original else []) + self.companions + self.strays


@dataclass
class WalkReport:
    """What a walk passed over: host-made litter, and what is neither file nor folder."""

    litter: list[str] = field(default_factory=list)
    passed_over: list[str] = field(default_factory=list)
    unreadable: list[str] = field(default_factory=list)
    """Sentences on files and folders within a source that cannot be read; the rest of it is walked all the same."""


def walk_source(source: Path, report: WalkReport) -> Iterator[FoundGroup]:
    """Yield the groups of a card, a folder, or a single file, folder by folder, by name.

    Links are not followed (they could leave the card); they are reported.

    Raises
    ------
    VolumeError
        V004: the source is not there, or cannot be read at all.
    """
    source = source.absolute()
    if source.is_file():
        name, folder = printable_name(source.name), printable_name(source.parent.name)
        yield from pair_companions([_found(source, name, folder, f"{folder}/{name}")])
    elif source.is_dir():
        yield from _walk_folder(source, printable_name(source.name) or "card", report)
    else:
        raise VolumeError(
            "V004", f"The source {source} is not there: connect the card or check the path, then run it again."
        )


def pair_companions(files: list[FoundFile]) -> Iterator[FoundGroup]:
    """Group the files of one folder by stem, without regard to case or Unicode form."""
    groups: dict[str, list[FoundFile]] = {}
    whole_names = {_fold(file.name) for file in files}
    for file in files:
        # A sidecar may be named after the whole file, NAME.EXT.xmp, or after its stem, NAME.xmp.
        stem = file.stem if _fold(file.stem) not in whole_names else stem_of(file.stem)
        groups.setdefault(_fold(stem), []).append(file)
    for members in groups.values():
        originals = [file for file in members if file.ending in RAW_ENDINGS]
        if not originals:
            first = next((ending for ending in PICTURE_ENDINGS if ending in {file.ending for file in members}), None)
            # Two of one ending differ in case or Unicode form only: two pictures, neither the other's companion.
            originals = [file for file in members if file.ending == first]
        if not originals:
            yield FoundGroup(None, strays=members)
            continue
        companions = [file for file in members if file not in originals]
        yield FoundGroup(originals[0], companions)
        for further in originals[1:]:
            yield FoundGroup(further)


def stem_of(name: str) -> str:
    """A file's name without its ending."""
    return name.rpartition(".")[0] or name


def _walk_folder(folder: Path, label: str, report: WalkReport) -> Iterator[FoundGroup]:
    try:
        with os.scandir(folder) as listing:
            children = sorted(listing, key=lambda child: child.name)
    except OSError as error:
        raise VolumeError(
            "V004",
            f"The folder {folder} cannot be read ({error.strerror}), and nothing of it was taken in: try another reader or cable, and run the same command again.",
        ) from error
    files, folders = [], []
    for child in children:
        name = printable_name(child.name)
        if is_litter(name):
            report.litter.append(f"{label}/{name}")
        elif child.is_dir(follow_symlinks=False):
            folders.append((Path(child.path), f"{label}/{name}"))
        elif child.is_file(follow_symlinks=False):
            try:
                files.append(_found(Path(child.path), name, label.rpartition("/")[2], f"{label}/{name}"))
            except VolumeError as error:
                report.unreadable.append(str(error))
        else:
            report.passed_over.append(f"{label}/{name}")
    yield from pair_companions(files)
    for path, inner in folders:
        try:
            yield from _walk_folder(path, inner, report)
        except VolumeError as error:
            report.unreadable.append(str(error))


def is_litter(name: str) -> bool:
    """Whether the host's system, not a camera, put this file or folder there."""
    folded = name.casefold()
    return name.startswith("._") or folded in _LITTER_NAMES or folded in _LITTER_FOLDERS or folded == VOLUME_IDENTITY


def printable_name(name: str) -> str:
    """A file name as text that every document can hold: bytes that are no UTF-8 and control characters are escaped.

    Where escapes make it longer than a document's 255 letters, its middle is left out.
    """
    text = os.fsencode(name).decode("utf-8", "backslashreplace")
    text = "".join(letter if letter.isprintable() else f"\\x{ord(letter):02x}" for letter in text)
    return _shorten(text, 255)


def _found(path: Path, name: str, folder: str, source: str) -> FoundFile:
    try:
        status = path.stat()
    except OSError as error:
        raise VolumeError(
            "V004",
            f"The file {path} cannot be read ({error.strerror}): try another reader or cable, and run the same command again.",
        ) from error
    return FoundFile(path, name, folder, _shorten(source, 2000), status.st_size, status.st_mtime_ns)


def _shorten(text: str, longest: int) -> str:
    """A text whose middle gives way to a digest of the whole, so that two long ones stay two."""
    if len(text) <= longest:
        return text
    mark = f"~{hashlib.sha256(text.encode()).hexdigest()[:16]}~"
    half = (longest - len(mark)) // 2
    return text[:half] + mark + text[-half:]


def _fold(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()
