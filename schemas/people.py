"""People of a job: names stand in `people.json`, outside the chain, so that one can be erased without breaking it."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from glassine.schemas.durable_file import replace_file, write_if_absent
from glassine.schemas.errors import CallError, DocumentError, RecordError
from glassine.schemas.validation import Document, check_document, parse_document, read_document

_BRING_BACK = "bring it back from a backup volume, where it lies in the job's folder, then run the same command again."


def spell_name(name: str) -> str:
    """A person's name as it is written down: Unicode NFC, single spaces. Raises CallError W001 for what is no name."""
    spelled = " ".join(unicodedata.normalize("NFC", name).split())
    if not spelled or len(spelled) > 255 or not spelled.isprintable():
        raise CallError("W001", f"{name!r} is no person's name: give one line of 1 to 255 letters.")
    return spelled


class People:
    """Names and their ids in one job.

    An id is a keyed digest (HMAC-SHA-256, RFC 2104) of the name under a salt of the job: two machines that meet the
    same name at once give it the same id, and without the salt nobody can try names against the record.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._document: Document | None = None

    def person_of(self, name: str) -> str:
        """The id of a name, written down when it is new."""
        spelled = spell_name(name)
        person = _derive(self._read(), spelled)
        if person not in self._read()["people"]:
            self._write_down(person, spelled)
        return person

    def find(self, name: str) -> str | None:
        """The id of a name that is known, else None."""
        spelled = " ".join(unicodedata.normalize("NFC", name).split())
        if not self.path.exists():
            return None
        person = _derive(self._read(), spelled)
        return person if person in self._read()["people"] else None

    def name_of(self, person: str | None) -> str:
        """The name behind an id; the id itself when the name was erased."""
        if person is None:
            return "nobody"
        if not self.path.exists():
            return person
        known = self._read()["people"].get(person)
        return str(known["name"]) if known else person

    def _read(self) -> Document:
        if self._document is None:
            if not self.path.exists():
                if (self.path.parent / "record" / "00000001.json").exists():
                    raise RecordError(
                        "R007", f"{self.path} is gone, and with it the names behind the record's ids: {_BRING_BACK}"
                    )
                empty = {"format": 1, "salt": secrets.token_hex(16), "people": {}}
                write_if_absent(self.path, _bytes_of(empty))  # if another process was first, its salt holds
            self._document = read_document(self.path, "people")
        return self._document

    def _write_down(self, person: str, name: str) -> None:
        with _locked(self.path):
            document = read_document(self.path, "people")
            document["people"].setdefault(person, {"name": name})
            check_document(document, "people", label=str(self.path))
            replace_file(self.path, _bytes_of(document))
        self._document = document


def check_people(content: bytes, *, label: str) -> Document:
    """The document of people when it is whole: each id is that of its name. A flipped bit in a name or the salt shows.

    Raises DocumentError.
    """
    document = parse_document(content, "people", label=label)
    for person, known in document["people"].items():
        if _derive(document, known["name"]) != person:
            raise DocumentError("D002", label, f"people.{person}", "is not the id of that name: the file is damaged.")
    return document


def _derive(document: Document, name: str) -> str:
    key = bytes.fromhex(document["salt"])
    return f"p-{hmac.new(key, name.casefold().encode(), hashlib.sha256).hexdigest()[:10]}"


def _bytes_of(document: Document) -> bytes:
    return (json.dumps(document, indent=2, sort_keys=True, ensure_ascii=False) + "\n").encode()


def have_one_salt(one: bytes, other: bytes) -> bool:
    """Whether two `people.json` are of one job, so that a name has the same id in both."""
    salts = {parse_document(content, "people", label="people.json")["salt"] for content in (one, other)}
    return len(salts) == 1


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """One writer at a time; ids do not depend on it, only that no name is lost from the list."""
    with path.with_name(f".{path.name}.lock").open("a+b") as lock:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(lock.fileno(), msvcrt.LK_LOCK, 1)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX)
        try:
            yield
        finally:
            if sys.platform == "win32":
                os.lseek(lock.fileno(), 0, os.SEEK_SET)
                msvcrt.locking(lock.fileno(), msvcrt.LK_UNLCK, 1)
