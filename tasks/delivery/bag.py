"""Bags: what leaves the studio, packed so that the client can check every byte (BagIt 1.0, RFC 8493)."""

from __future__ import annotations

import codecs
import hashlib
import os
import re
import shutil
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from glassine.schemas.errors import CallError, VolumeError

BLOCK_BYTES = 1 << 20
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
ALGORITHMS = ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")
"""Those whose manifests we check (the common digests of RFC 8493 §2.4, and older ones met in bags of other people)."""

_VERSIONS = ("0.97", "1.0")
_LABEL = re.compile(r"[^\s:]([^:\r\n]*[^\s:])?")
_MANIFEST = re.compile(r"(tag)?manifest-([A-Za-z0-9-]+)\.txt")
_LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+(.+)")
_PERCENT = re.compile(r"%(0[AaDd]|25)")


@dataclass(frozen=True)
class BagSummary:
    """What a bag holds: its folder, each payload file as {"name", "sha256", "size"}, and their sum."""

    folder: Path
    files: list[dict[str, Any]]
    octets: int
    manifest_sha256: str


def make_bag(folder: Path, payload: Mapping[str, Path], info: Sequence[tuple[str, str]]) -> BagSummary:
    """Pack files into a new bag, under a temporary name until it is whole.

    Parameters
    ----------
    folder : where the bag will be; its parent is created
    payload : path in the bag's `data/` (with "/") to the file that is copied there
    info : lines of bag-info.txt in order, as ("External-Identifier", "2026-014"); white space in a value becomes single
        spaces; dates come in here, so that the same call gives the same bytes. Payload-Oxum is added.

    Raises
    ------
    CallError
        W001: a name that leaves the bag, that needs percent encoding (programs differ on it, so we never use it), or
        that another name hides on some system; a label that is none. W003: the folder is there already.
    VolumeError
        V003: a file could not be read or written.
    """
    names = sorted(payload)
    _check_names(names)
    lines = [_info_line(label, value) for label, value in info]
    if folder.exists():
        raise CallError("W003", f"{folder} is there already, and a bag is never written over another: move it away.")
    partial = folder.with_name(f".{folder.name}.partial")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(partial, ignore_errors=True)
        files: list[dict[str, Any]] = []
        for name in names:
            target = partial.joinpath("data", *name.split("/"))
            target.parent.mkdir(parents=True, exist_ok=True)
            sha256, size = _copy_hashed(payload[name], target)
            files.append({"name": name, "sha256": sha256, "size": size})
        (partial / "data").mkdir(parents=True, exist_ok=True)
        octets = sum(file["size"] for file in files)
        lines.append(f"Payload-Oxum: {octets}.{len(files)}")
        manifest = "".join(f"{file['sha256']}  data/{file['name']}\n" for file in files)
        tags = {
            "bag-info.txt": "".join(f"{line}\n" for line in lines),
            "bagit.txt": DECLARATION,
            "manifest-sha256.txt": manifest,
        }
        digests = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in tags.items()}
        tags["tagmanifest-sha256.txt"] = "".join(f"{digests[name]}  {name}\n" for name in sorted(digests))
        for name, text in tags.items():
            _write_flushed(partial / name, text.encode())
        partial.rename(folder)
    except OSError as error:
        raise VolumeError(
            "V003", f"The bag {folder} could not be written: {error}. Mend that and run the same command again."
        ) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return BagSummary(folder, files, octets, digests["manifest-sha256.txt"])


def _check_names(names: Iterable[str]) -> None:
    seen: dict[str, str] = {}
    for name in names:
        fault = _path_fault(name)
        if fault is None and (re.search(r"[%\\]", name) or not name.isprintable()):
            fault = "holds a character that programs write differently"
        key = unicodedata.normalize("NFC", name).casefold()
        if fault is None and key in seen:
            fault = f"is the same name as {seen[key]!r} on some system"
        if fault:
            raise CallError("W001", f"{name!r} cannot be the name of a delivered file: it {fault}.")
        seen[key] = name


def _info_line(label: str, value: str) -> str:
    if not _LABEL.fullmatch(label) or not label.isprintable() or label.casefold() == "payload-oxum":
        raise CallError("W001", f"{label!r} cannot be a label of bag-info.txt (RFC 8493 §2.2.2).")
    return f"{label}: {' '.join(value.split())}"


def _copy_hashed(source: Path, target: Path) -> tuple[str, int]:
    digest = hashlib.sha256()
    size = 0
    with source.open("rb") as reader, target.open("xb") as writer:
        while block := reader.read(BLOCK_BYTES):
            digest.update(block)
            size += writer.write(block)
        writer.flush()
        os.fsync(writer.fileno())
    return digest.hexdigest(), size


def _write_flushed(path: Path, data: bytes) -> None:
    with path.open("xb") as writer:
        writer.write(data)
        writer.flush()
        os.fsync(writer.fileno())


def _lines(text: str | None) -> list[str]:
    """Lines that end in LF, CR or CRLF; str.splitlines knows more ends, which may stand in a file name."""
    lines = re.split(r"\r\n|\r|\n", text or "")
    return lines if lines[-1] else lines[:-1]


def _path_fault(name: str) -> str | None:
    """Why a path from a manifest must not be followed, or None (RFC 8493 §5.1)."""
    parts = name.split("/")
    if name.startswith(("/", "~", "\\")) or re.match(r"[A-Za-z]:", name) or ".." in re.split(r"[/\\]", name):
        return "leaves the bag"
    if not name or "" in parts or "." in parts:
        return "is no plain path"
    return None


@dataclass
class _Bag:
    """A bag while it is examined."""

    folder: Path
    version: str = "1.0"
    encoding: str = "utf-8"
    faults: list[str] = field(default_factory=list)
    wanted: dict[str, dict[str, str]] = field(default_factory=dict)
    """Path to algorithm to digest, over all manifests."""

    def text(self, name: str) -> str | None:
        """A tag file as text, or None with the fault noted."""
        try:
            return (self.folder / name).read_bytes().decode(self.encoding)
        except (OSError, UnicodeError) as error:
            self.faults.append(f"{name} cannot be read: {error}")
            return None


def validate_bag(folder: Path) -> list[str]:
    """Every fault of a bag: is it complete and valid (RFC 8493 §3)? Each file is read whole; nothing is fetched.

    Returns
    -------
    Sentences, none when the bag is valid. BagIt 0.97 and 1.0 are understood, with MD5, SHA-1 and the SHA-2 family.

    Notes
    -----
    Stricter than some programs: a link in a bag is a fault, since what it shows is not in the bag; so is white space
    around a label (§2.2.2).
    """
    bag = _Bag(folder)
    if not folder.is_dir():
        return [f"{folder} is no folder"]
    files = _list_files(bag)
    if not _read_declaration(bag):
        return bag.faults
    if not (folder / "data").is_dir():
        bag.faults.append("data/ is missing")
    present = {name for name in files if name.startswith("data/")}
    top = [name for name in files if "/" not in name]
    manifests = sorted(name for name in top if _MANIFEST.fullmatch(name))
    listed = {name: _read_manifest(bag, name) for name in manifests}
    payload = {name: paths for name, paths in listed.items() if not name.startswith("tag")}
    _check_coverage(bag, payload, present)
    for name, paths in listed.items():
        if name.startswith("tag") and bag.version == "1.0":
            bag.faults += [f"{name} does not list {other}" for other in payload if other not in paths]
    if "fetch.txt" in top:
        _check_fetch(bag, payload)
    if "bag-info.txt" in top:
        _check_info(bag, {name: files[name] for name in present})
    _check_digests(bag, files)
    return bag.faults


def _list_files(bag: _Bag) -> dict[str, int]:
    """Every regular file of a bag with its size in bytes."""
    files = {}
    for root, folders, names in os.walk(bag.folder, followlinks=False):
        for name in sorted(folders + names):
            path = Path(root, name)
            relative = path.relative_to(bag.folder).as_posix()
            if path.is_symlink():
                bag.faults.append(f"{relative} is a link: what it shows is not in the bag")
            elif path.is_file():
                files[relative] = path.stat().st_size
    return files


def _read_declaration(bag: _Bag) -> bool:
    text = bag.text("bagit.txt")
    if text is None:
        return False
    lines = _lines(text)
    version = re.fullmatch(r"BagIt-Version:[ \t](\d+\.\d+)", lines[0]) if len(lines) == 2 else None
    encoding = re.fullmatch(r"Tag-File-Character-Encoding:[ \t](\S+)", lines[1]) if len(lines) == 2 else None
    if not version or not encoding:
        bag.faults.append(
            "bagit.txt is not exactly the two lines 'BagIt-Version: M.N' and 'Tag-File-Character-Encoding: NAME' "
            "(RFC 8493 §2.1.1)"
        )
        return False
    bag.version, bag.encoding = version[1], encoding[1]
    if bag.version not in _VERSIONS:
        bag.faults.append(f"bagit.txt names BagIt {bag.version}; we know {' and '.join(_VERSIONS)}")
    try:
        "".encode(bag.encoding)
        codecs.lookup(bag.encoding)
    except LookupError:
        bag.faults.append(f"bagit.txt names the character encoding {bag.encoding}, which nobody knows")
        return False
    return True


def _read_manifest(bag: _Bag, name: str) -> set[str]:
    """The paths that a manifest lists; each digest is kept in `bag.wanted`."""
    found = _MANIFEST.fullmatch(name)
    algorithm = re.sub(r"[^a-z0-9]", "", found[2].lower()) if found else ""
    is_tag_manifest = name.startswith("tag")
    if algorithm not in ALGORITHMS:
        bag.faults.append(f"{name} uses {algorithm}, which we cannot check")
        return set()
    paths: set[str] = set()
    for number, line in enumerate(_lines(bag.text(name)), 1):
        entry = _LINE.fullmatch(line)
        if not entry or len(entry[1]) != hashlib.new(algorithm, usedforsecurity=False).digest_size * 2:
            bag.faults.append(f"{name}, line {number}: is not a {algorithm} digest, white space and a path")
            continue
        path = entry[2].removeprefix("*") if bag.version == "0.97" else entry[2]
        path = _PERCENT.sub(lambda code: chr(int(code[1], 16)), path.removeprefix("./"))
        fault = _path_fault(path)
        if fault is None and is_tag_manifest and (path.startswith(("data/", "tagmanifest-"))):
            fault = "does not belong into a tag manifest (RFC 8493 §2.2.1)"
        if fault is None and not is_tag_manifest and not path.startswith("data/"):
            fault = "is not under data/"
        digest = entry[1].lower()
        same = path in paths and bag.wanted[path][algorithm] == digest
        if fault is None and path in paths and not (same and bag.version == "0.97"):
            fault = "is listed twice (RFC 8493 §2.1.3)"
        if fault:
            bag.faults.append(f"{name}, line {number}: {path!r} {fault}")
            continue
        paths.add(path)
        bag.wanted.setdefault(path, {})[algorithm] = digest
    return paths


def _check_coverage(bag: _Bag, payload: Mapping[str, set[str]], present: set[str]) -> None:
    if not payload:
        bag.faults.append("there is no payload manifest (manifest-ALGORITHM.txt)")
    elif bag.version == "1.0":
        for name, paths in payload.items():
            bag.faults += [f"{name} does not list {path}" for path in sorted(present - paths)]
    else:
        anywhere = set().union(*payload.values())
        bag.faults += [f"no manifest lists {path}" for path in sorted(present - anywhere)]


def _check_fetch(bag: _Bag, payload: Mapping[str, set[str]]) -> None:
    for number, line in enumerate(_lines(bag.text("fetch.txt")), 1):
        entry = re.fullmatch(r"\S+[ \t]+(?:\d+|-)[ \t]+(.+)", line)
        if not entry or _path_fault(entry[1]) or not entry[1].startswith("data/"):
            bag.faults.append(f"fetch.txt, line {number}: is not an address, a length and a path under data/")
            continue
        path = _PERCENT.sub(lambda code: chr(int(code[1], 16)), entry[1])
        bag.faults += [
            f"{name} does not list {path}, which fetch.txt names" for name in payload if path not in payload[name]
        ]


def _check_info(bag: _Bag, present: Mapping[str, int]) -> None:
    oxums = []
    for number, line in enumerate(_lines(bag.text("bag-info.txt")), 1):
        if line[:1] in (" ", "\t") and number > 1:
            continue
        label, colon, value = line.partition(":")
        if not colon or not _LABEL.fullmatch(label) or (value and value[0] not in " \t"):
            bag.faults.append(
                f"bag-info.txt, line {number}: is not 'Label: value', or has white space around the label (§2.2.2)"
            )
        elif label.casefold() == "payload-oxum":
            oxums.append(value.strip())
    found = f"{sum(present.values())}.{len(present)}"
    bag.faults += [f"Payload-Oxum says {oxum}, the payload is {found}" for oxum in oxums if oxum != found]
    if len(oxums) > 1:
        bag.faults.append("Payload-Oxum is given more than once")


def _check_digests(bag: _Bag, files: Mapping[str, int]) -> None:
    for path in sorted(bag.wanted):
        if path not in files:
            bag.faults.append(f"{path} is missing")
            continue
        digests = {name: hashlib.new(name, usedforsecurity=False) for name in bag.wanted[path]}
        try:
            with bag.folder.joinpath(*PurePosixPath(path).parts).open("rb") as reader:
                while block := reader.read(BLOCK_BYTES):
                    for digest in digests.values():
                        digest.update(block)
        except OSError as error:
            bag.faults.append(f"{path} cannot be read: {error}")
            continue
        for name, digest in digests.items():
            if digest.hexdigest() != bag.wanted[path][name]:
                bag.faults.append(f"{path} differs from its {name} digest")
