"""The record of a job: an append-only chain of entries, written only by `commit`."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from glassine.schemas.durable_file import check_no_replace, flush_folders, write_if_absent
from glassine.schemas.entry import (
    EMPTY,
    NO_ENTRY,
    Head,
    canonical_bytes,
    compose_entry,
    digest_of,
    entry_name,
    entry_number,
    parse_entry,
)
from glassine.schemas.errors import DocumentError, RecordError, VolumeError
from glassine.schemas.facts import Fact
from glassine.schemas.fold import apply_entry, apply_fact
from glassine.schemas.fold_base import ContradictionError, Occasion
from glassine.schemas.identifiers import utc_now
from glassine.schemas.manifest import CHECKPOINT, Manifest, read_checkpoint, write_checkpoint
from glassine.schemas.people import People
from glassine.schemas.validation import Document, check_document, parse_document

Propose = Callable[[Manifest], Iterable[Fact]]


class JobRecord:
    """A job's folder with its record.

    Reading: `manifest()`. Writing: `commit`, and nothing else. Many processes may hold the same record.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.people = People(folder / "people.json")
        self._manifest: Manifest | None = None
        self.checkpointed = -1
        """The entry up to which `manifest.json` is known to be the fold; -1 before it was looked at."""

    @property
    def record_folder(self) -> Path:
        """Where the entries lie."""
        return self.folder / "record"

    def exists(self) -> bool:
        """Whether a first entry is there."""
        return (self.record_folder / entry_name(1)).exists()

    def manifest(self) -> Manifest:
        """The fold of all entries that are there now.

        Starts from the checkpoint when that is whole and its head is in the chain, else from entry 1.

        Raises
        ------
        RecordError
            R001, R002, R003, R006: the record is damaged; the entry is named.
        """
        manifest = self._manifest or self._load_checkpoint()
        self._manifest = None  # if the walk below raises, what is in memory is half folded
        for entry, head in self._walk_from(manifest.head):
            _apply(manifest, entry, head)
        self._manifest = manifest.compute()
        return manifest

    def commit(self, propose: Propose, *, by: str, event: str, at: str | None = None) -> Manifest:
        """Append what `propose` says is true, unless it is known; the only way to write.

        `propose(manifest)` is called with the state of the newest entry, and again on the new state whenever
        another writer was first, so it must have no effect of its own. Facts that are known are left out; when
        none is left no entry is written.

        Raises
        ------
        ContradictionError
            A proposed fact cannot be true on the newest state; nothing was written.
        VolumeError
            V003: the disk is full or cannot be written; nothing was written.
        """
        while True:
            manifest = self.manifest()
            occasion = Occasion(at or utc_now(), by)
            proposed = list(propose(manifest))
            self._manifest = None  # from here on the state in memory runs ahead of the disk
            facts = [fact for fact in proposed if apply_fact(manifest, fact, occasion)]
            if not facts:
                self._manifest = manifest
                return manifest
            entry = compose_entry(manifest.head, facts, at=occasion.at, by=by, event=event)
            content = canonical_bytes(entry)
            if write_if_absent(
                self.record_folder / entry_name(entry["entry"]), content, make_folder=entry["entry"] == 1
            ):
                manifest.document["head"] = Head(entry["entry"], digest_of(content))._asdict()
                self._manifest = manifest.compute()
                return manifest

    def checkpoint(self) -> None:
        """Write `manifest.json` when it is not that of the newest entry (1,000 frames: 9 ms)."""
        manifest = self.manifest()
        if self.checkpointed != manifest.head.entry or not (self.folder / CHECKPOINT).exists():
            write_checkpoint(self.folder, manifest)
            self.checkpointed = manifest.head.entry

    def entries(self) -> Iterator[tuple[Document, Head]]:
        """Every entry from the first, with the head that it makes; the chain is checked on the way."""
        return self._walk_from(EMPTY)

    def _load_checkpoint(self) -> Manifest:
        manifest = read_checkpoint(self.folder)
        self.checkpointed = 0
        if manifest is None:
            return Manifest()
        head = manifest.head
        try:
            content = (self.record_folder / entry_name(head.entry)).read_bytes()
        except OSError:
            return Manifest()
        if digest_of(content) != head.sha256:
            return Manifest()
        self.checkpointed = head.entry
        return manifest

    def _walk_from(self, head: Head) -> Iterator[tuple[Document, Head]]:
        while True:
            number = head.entry + 1
            path = self.record_folder / entry_name(number)
            try:
                content = path.read_bytes()
            except FileNotFoundError:
                if head.entry and not (self.record_folder / entry_name(head.entry)).exists():
                    sentence = f"The record in {self.record_folder} went away while it was worked at: connect its disk"
                    raise VolumeError("V001", f"{sentence}, and run the same command again.") from None
                if head.entry == 0 or self._later_entry(number) is not None:
                    if path.exists():  # others wrote it, and the later one, since
                        continue
                    self._raise_missing(number)
                return
            entry = parse_entry(content, number, label=str(path))
            if entry["previous"] != head.sha256:
                self._raise_altered(number)
            head = Head(number, digest_of(content))
            yield entry, head

    def _later_entry(self, number: int) -> int | None:
        later = (entry_number(path) for path in self.record_folder.glob("*.json"))
        return next((other for other in later if other is not None and other > number), None)

    def _raise_missing(self, number: int) -> None:
        if number > 1 or self._later_entry(number) is not None:
            raise RecordError(
                "R002",
                f"Entry {number} of the record in {self.record_folder} is missing: bring it back from a backup volume.",
            )

    def _raise_altered(self, number: int) -> None:
        faults = check_chain(self.folder)
        raise RecordError(
            "R001", faults[0] if faults else f"Entry {number} does not follow entry {number - 1}.", details=faults
        )


def _apply(manifest: Manifest, entry: Document, head: Head) -> None:
    try:
        apply_entry(manifest, entry, head)
    except ContradictionError as error:
        raise RecordError(
            "R006",
            f"Entry {head.entry} of the record of job {manifest.job} contradicts those before it: {error}. Nothing is written to it; compare it with the record on a backup volume.",
        ) from error


def create_job(folder: Path, number: str, *, by: str) -> JobRecord:
    """The first entry of a new job. The folder is refused when two writers could overwrite each other there (R005)."""
    record = JobRecord(folder)
    check_no_replace(record.record_folder)
    flush_folders(folder)
    person = record.people.person_of(by)
    record.commit(lambda _: [{"kind": "job", "job": number}], by=person, event="accession")
    return record


def check_chain(folder: Path, known_heads: Iterable[Head] = ()) -> list[str]:
    """Every fault of a record, each a sentence that names the entry (`find_faults`)."""
    return [sentence for _, sentence in find_faults(folder, known_heads)]


def find_faults(folder: Path, known_heads: Iterable[Head] = ()) -> list[tuple[int, str]]:
    """Every fault of a record, as the entry's number and a sentence; read backwards from the heads that are known.

    An altered entry is told apart from its neighbours: an entry is altered when its digest is not what a head or,
    where no head knows it, its successor says, whatever it says of the one before it. When a head vouches for an
    entry, a successor that names another digest is the one that does not belong there.
    """
    names: dict[int, set[str]] = {}
    for head in (*read_heads(folder / "heads"), *known_heads):
        names.setdefault(head.entry, set()).add(head.sha256)
    record = folder / "record"
    present = {number: path for path in record.glob("*.json") if (number := entry_number(path)) is not None}
    last = max([*present, *names], default=0)
    faults: list[tuple[int, str]] = []
    expected: str | None = None
    for number in range(last, 0, -1):
        vouched, successor_says, expected = names.get(number, set()), expected, None
        if number not in present:
            faults.append((number, f"Entry {number} of the record is missing ({record / entry_name(number)})."))
            continue
        content = present[number].read_bytes()
        digest = digest_of(content)
        vouched = {named for named in vouched if not _is_rotten(named, digest)}
        if len(vouched) > 1:
            sentence = f"Entry {number} of the record has another digest in one head than in another: two histories."
            faults.append((number, sentence))
        if vouched and digest in vouched and successor_says not in {digest, None}:
            sentence = f"it does not follow entry {number}, which a head vouches for."
            faults.append(
                (number + 1, f"Entry {number + 1} of the record is altered ({present[number + 1]}): {sentence}")
            )
        elif digest not in (vouched or {successor_says or digest}):
            sentence = "its digest is not what the chain says."
            faults.append((number, f"Entry {number} of the record is altered ({present[number]}): {sentence}"))
            continue
        try:
            entry = parse_entry(content, number, label=str(present[number]))
        except RecordError as error:
            faults.append((number, str(error)))
            continue
        expected = entry["previous"]
        if number == 1 and expected != NO_ENTRY:
            sentence = f"Entry 1 of the record is altered ({present[number]}): it names an entry before it."
            faults.append((number, sentence))
    return faults[::-1]


def head_name(head: Head) -> str:
    """The file name of a head kept on a volume."""
    return f"{head.entry:08d}-{head.sha256[:8]}.json"


def write_head(folder: Path, job: str, head: Head) -> None:
    """Keep a head in `folder/heads`, if absent."""
    path = folder / "heads" / head_name(head)
    if head.entry and not path.exists():
        write_if_absent(path, head_bytes(job, head))


def head_bytes(job: str, head: Head) -> bytes:
    """The document that keeps a head on a volume (head.schema.json), dated now."""
    document = {"format": 1, "job": job, "entry": head.entry, "sha256": head.sha256, "at": utc_now()}
    return canonical_bytes(check_document(document, "head", label=head_name(head)))


def read_heads(heads: Path) -> list[Head]:
    """Every head kept in a `heads` folder; one that cannot be read, or is not what its name says, is passed over."""
    found = []
    for path in sorted(heads.glob("*.json")) if heads.is_dir() else []:
        with suppress(OSError):
            found.append(parse_head(path.name, path.read_bytes()))
    return [head for head in found if head]


def parse_head(name: str, content: bytes) -> Head | None:
    """The head that a file of this name keeps; None when it is damaged or not what its name says."""
    try:
        document = parse_document(content, "head", label=name)
    except DocumentError:
        return None
    head = Head(document["entry"], document["sha256"])
    return head if name == head_name(head) else None


def check_not_forked(record: JobRecord, heads: Iterable[Head], *, where: str) -> None:
    """Stop before a job folder that was restored from an old backup forks its history (R004)."""
    newest = max(heads, default=None)
    if newest is None:
        return
    path = record.record_folder / entry_name(newest.entry)
    found = digest_of(path.read_bytes()) if path.exists() else None
    if found is None:
        raise RecordError(
            "R004",
            f"The record in {record.folder} ends before entry {newest.entry}, which {where} knows: the folder is older than that volume. "
            f"Bring the missing entries back with `glassine job restore`, then run the same command again.",
        )
    if found != newest.sha256 and not _is_rotten(newest.sha256, found):
        raise RecordError(
            "R004",
            f"Entry {newest.entry} of the record in {record.folder} is another one than {where} knows: two histories of this job exist. "
            "Nothing was written; compare both `record` folders before going on.",
        )


def _is_rotten(named: str, digest: str) -> bool:
    """Whether a head's digest is that of the entry but for one digit: a bit of the head flipped.

    Nobody can make another entry whose SHA-256 agrees in the other 63 digits (252 bits).
    """
    return sum(one != other for one, other in zip(named, digest, strict=True)) == 1


def document_digest(document: Document) -> str:
    """The digest under which a document is adopted: of its canonical bytes."""
    return digest_of(canonical_bytes(document))


def adopt(manifest: Manifest, name: str, content: Document) -> list[Fact]:
    """The fact that adopts a document, when it is another one than before."""
    digest = document_digest(content)
    known = manifest.adopted(name)
    if known and known["sha256"] == digest:
        return []
    revision = known["revision"] + 1 if known else 1
    return [
        {
            "kind": "adopted",
            "document": name,
            "revision": revision,
            "sha256": digest,
            "content": json.loads(json.dumps(content)),
        }
    ]
