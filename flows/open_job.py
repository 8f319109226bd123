"""A job that a flow works at: its record, the volumes that are there, and what every flow does when it ends."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from glassine.flows.outcome import pretty_json
from glassine.flows.progress import show_progress
from glassine.flows.sheet_check import check_sheet
from glassine.flows.studio import Studio
from glassine.schemas import file_system
from glassine.schemas.due import OwedCopy, owed_copies
from glassine.schemas.durable_file import flush_folders, replace_file, unwritable, write_if_absent
from glassine.schemas.entry import Head, digest_of, entry_name, parse_entry
from glassine.schemas.errors import DocumentError, FixityError, GlassineError, RecordError, VolumeError
from glassine.schemas.facts import EVENTS
from glassine.schemas.job_record import JobRecord, Propose, adopt, check_chain, check_not_forked, find_faults
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import check_people, have_one_salt
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document, read_document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.replication import PACKING_PREFIX, remove_old, replicate
from glassine.tasks.custody.source_file import Source, SourceFile, StoredSource
from glassine.tasks.custody.store import FolderStore, Store, hash_stored
from glassine.tasks.custody.volume import Volume

Fact = dict[str, Any]
CONTACT_SHEET = "proofs/contact-sheet"
"""Where a job's contact sheet lies, without its ending."""
BATCH_FRAMES = 30
"""Frames in one entry: about a second of work, so that little is done again after a kill."""


class OpenJob:
    """One job, opened for writing on somebody's behalf.

    Raises (when it is opened)
    ------
    VolumeError
        The working volume is not there.
    RecordError
        R004: the folder is older than a head kept on a volume; and all that reading the record raises.
    """

    def __init__(self, studio: Studio, number: str, by: str | None, *, mend: bool = False) -> None:
        self.studio = studio
        self.number = number
        self.folder = studio.job_folder(number)
        self.record = JobRecord(self.folder)
        self.working = studio.working_volume()
        self.backups, self.absent = studio.backups()
        self._settle()
        kept = {self.working.name: self.working.heads(number)}
        for volume in self.backups.copy():
            try:
                kept[volume.name] = volume.heads(number, kept[self.working.name])
            except OSError as error:  # a disk that fails is as good as absent, and holds up no other
                self.backups.remove(volume)
                self.absent.append(unreadable(volume, error))
        heads = [head for found in kept.values() for head in found]
        self.mended = self._mend_record(heads) if mend else []
        for name, found in kept.items():
            check_not_forked(self.record, found, where=f"volume {name}")
        if faults := check_chain(self.folder, heads):
            more = "Nothing was written; mend it with `glassine verify --repair`, or see `glassine audit`."
            raise RecordError("R001", f"{faults[0]} {more}", details=faults)
        self._bring_people_back(mend=mend)
        self.by = self.record.people.person_of(studio.who(by))
        self._adopt_settings()

    def _settle(self) -> None:
        """Have all last that a run which was killed left, before anything is said that builds on it."""
        for volume in filter(lambda volume: volume.is_folder, self.volumes):
            try:
                flush_folders(volume.job_folder(self.number))
            except OSError as error:
                failure = unwritable(f"{volume.store.label}/{self.number}/", error)
                if volume is self.working:
                    raise failure from error
                self.absent.append(failure)

    @property
    def volumes(self) -> list[Volume]:
        """The volumes that are there, the working volume first."""
        return [self.working, *self.backups]

    @property
    def manifest(self) -> Manifest:
        """The job's state now."""
        return self.record.manifest()

    def commit(self, event: str, propose: Propose) -> Manifest:
        """Commit facts under an event of `EVENTS`."""
        return self.record.commit(propose, by=self.by, event=EVENTS[event])

    def say(self, event: str, facts: Iterable[Fact]) -> Manifest:
        """Commit facts that do not depend on the state."""
        known = list(facts)
        return self.commit(event, lambda _: known)

    def path(self, relative: str) -> Path:
        """Where a path of a fact lies in the job folder."""
        return self.working.locate(self.number, relative)

    def relative(self, path: Path) -> str:
        """A path in the job folder as facts write it."""
        return path.relative_to(self.folder).as_posix()

    def find_whole(self, sha256: str) -> Path:
        """A copy of a file that is there and whole, read just now: on the working volume, else on a backup.

        Raises
        ------
        VolumeError
            V001: none is.
        """
        for volume, path in self._whole_copies(sha256):
            if volume.is_folder:
                return volume.locate(self.number, path)
        raise self._no_whole_copy(sha256)

    def _whole_source(self, sha256: str) -> Source:
        """A whole copy of a file, read just now, wherever it is. Raises VolumeError V001 when there is none."""
        for volume, path in self._whole_copies(sha256):
            return StoredSource(volume.store, f"{self.number}/{path}")
        raise self._no_whole_copy(sha256)

    def _whole_copies(self, sha256: str) -> Iterator[tuple[Volume, str]]:
        """The copies of a file that are here and read as whole just now, that on the working volume first."""
        holder = self.manifest.holder(sha256)
        by_id = {volume.volume: volume for volume in self.volumes}
        copies = holder["copies"] if holder else []
        for copy in sorted(copies, key=lambda copy: copy["volume"] != self.working.volume):
            if copy["volume"] in by_id and copy["outcome"] == "whole":
                volume = by_id[copy["volume"]]
                with contextlib.suppress(OSError):
                    if hash_stored(volume.store, f"{self.number}/{copy['path']}") == sha256:
                        yield volume, copy["path"]

    def _no_whole_copy(self, sha256: str) -> VolumeError:
        holder = self.manifest.holder(sha256)
        name = holder["path"] if holder else sha256[:16]
        return VolumeError(
            "V001",
            f"No whole copy of {name} is on a volume that is here: run `glassine verify {self.number} --repair`.",
        )

    def find_each(self, frames: list[Frame], problems: list[str]) -> list[tuple[Frame, Path]]:
        """Frames with a whole copy of their original each; those that have none are told of in `problems`."""
        found = []
        for frame in frames:
            try:
                found.append((frame, self.find_whole(frame["sha256"])))
            except VolumeError as error:
                problems.append(f"Frame {frame['number']}: {error}")
        return found

    def _mend_record(self, heads: list[Head]) -> list[str]:
        """Bring altered and missing entries back from a backup volume; what was altered is kept aside.

        Only an entry that the job's own chain calls at fault is touched, and only bytes whose digest a head or the
        entry after it names take its place: so nothing good gives way, whatever lies on the backup. Newest first,
        since each mended entry says what the one before it must be. Returns the entries mended.
        """
        mended = []
        for number in sorted({number for number, _ in find_faults(self.folder, heads)}, reverse=True):
            own = self.record.record_folder / entry_name(number)
            wanted = {head.sha256 for head in heads if head.entry == number} | self._named_by_successor(number)
            for volume in self.backups:
                content = stored_or_none(volume, f"{self.number}/record/{own.name}")
                if len(wanted) == 1 and content is not None and digest_of(content) in wanted:
                    if own.exists():
                        put_aside(own, self.folder)
                    write_if_absent(own, content)
                    mended.append(f"{self.working.name}: record/{own.name}")
                    break
        return mended

    def _named_by_successor(self, number: int) -> set[str]:
        """The digest that the entry after this one gives it, when that entry can be read."""
        path = self.record.record_folder / entry_name(number + 1)
        content = read_or_none(path)
        try:
            return {parse_entry(content, number + 1, label=str(path))["previous"]} if content is not None else set()
        except RecordError:
            return set()

    def hold(self, path: Path, role: str) -> Fact:
        """The fact that a file made or received later is under the copy rule like an original."""
        return {
            "kind": "holding",
            "sha256": hash_file(path),
            "size": path.stat().st_size,
            "path": self.relative(path),
            "role": role,
        }

    def finish(self) -> list[str]:
        """What every flow ends with: copies that are owed, the record and its head on every volume, the checkpoint.

        Returns what could not be done, a sentence each.
        """
        problems = [str(error) for error in self.absent]
        problems += self._pay_owed_copies()
        manifest = self.manifest
        # Another process may have committed the newest entry just now, and not have flushed its name.
        try:
            file_system.flush_folder(self.record.record_folder)
        except OSError as error:
            raise unwritable(self.record.record_folder, error) from error
        for volume in self.backups:
            try:
                volume.check_present()
                self._mirror(volume)
                volume.keep_head(self.number, manifest.head)
            except GlassineError as error:
                problems.append(str(error))
            except OSError as error:
                problems.append(str(unwritable(f"{volume.store.label}/{self.number}", error)))
        self.working.keep_head(self.number, manifest.head)
        for volume in self.volumes:
            with contextlib.suppress(OSError):
                volume.store.remove_leftovers(self.number)
        remove_old(self.folder.glob(f"deliveries/{PACKING_PREFIX}*"))
        self.record.checkpoint()
        return problems

    def _pay_owed_copies(self) -> list[str]:
        """Write every copy that a volume which is there lacks; returns what failed, a sentence each."""
        problems: list[str] = []
        batch: list[Fact] = []
        due = list(owed_copies(self.manifest, [volume.volume for volume in self.volumes]))
        with show_progress("copying what is owed", sum(owed.size for owed in due), bytes_=True) as on_bytes:
            for owed in due:
                try:
                    batch += self._pay(owed, problems, on_bytes)
                except GlassineError as error:
                    problems.append(str(error))
                if len(batch) >= BATCH_FRAMES:
                    self.say("replicate", batch)
                    batch = []
        self.say("replicate", batch)
        return problems

    def owed(self) -> int:
        """How many copies are still missing on the volumes of the studio, also on absent ones."""
        ids = [settings["volume"] for settings in self.studio.settings["volumes"] if settings.get("volume")]
        return sum(len(owed.missing) for owed in owed_copies(self.manifest, ids))

    def _pay(self, owed: OwedCopy, problems: list[str], on_bytes: Callable[[int], None]) -> list[Fact]:
        missing = [volume for volume in self.volumes if volume.volume in owed.missing]
        source: Source
        if owed.known:
            source = self._whole_source(owed.sha256)
        else:  # a holding that was made here: the file in the job folder is the first copy
            path = self.path(owed.path)
            if not path.is_file():
                raise FixityError(path, "SHA-256", owed.sha256, None)
            source = SourceFile(path)
        replica = replicate(source, self.number, missing, lambda _: owed.path, expected=owed.sha256, on_bytes=on_bytes)
        problems += [str(error) for error in replica.failures]
        return [copy.as_fact(owed.sha256) for copy in replica.copies]

    def _mirror(self, volume: Volume) -> None:
        """The names of people and the job sheet onto a backup volume, then the record, whose ids need the names."""
        store = volume.store
        for name in ("people.json", "job.json"):
            source, target = self.folder / name, f"{self.number}/{name}"
            there_now = stored_or_none(volume, target)
            if source.exists() and there_now != (content := source.read_bytes()):
                if name == "people.json" and there_now is not None and not _are_whole_people(there_now):
                    put_stored_aside(store, self.number, name)  # ours was whole when the job was opened
                elif name == "people.json" and there_now is not None and not have_one_salt(content, there_now):
                    raise VolumeError(
                        "V002",
                        f"{store.label}/{target} holds other people than {source}: compare both, nothing was overwritten.",
                    )
                store.replace(target, content)
        there = {listed.name for listed in store.list_files(f"{self.number}/record")}
        for path in sorted(self.record.record_folder.glob("*.json")):
            if path.name not in there and not store.put_if_absent(
                f"{self.number}/record/{path.name}", path.read_bytes()
            ):
                raise VolumeError(
                    "V002",
                    f"Volume {volume.name} holds another {path.name} of job {self.number}: compare both records.",
                )

    def _bring_people_back(self, *, mend: bool) -> None:
        """Without `people.json` the record's ids have no names; every backup volume has it."""
        own = self.record.people.path
        try:
            if own.exists():
                check_people(own.read_bytes(), label=str(own))
        except DocumentError as error:
            if not mend:
                raise RecordError(
                    "R007", f"{error} `glassine verify --repair` brings it back from a backup volume."
                ) from error
            put_aside(own, self.folder)
        for volume in self.backups:
            content = stored_or_none(volume, f"{self.number}/people.json")
            if not own.exists() and content is not None and _are_whole_people(content):
                write_if_absent(own, content)

    def _adopt_settings(self) -> None:
        """Bring the job sheet, its looks, its specifications and the volumes into the record where they changed."""
        if not (self.folder / "job.json").exists() and self.manifest.sheet:
            # It was lost; the one in force is in the record.
            replace_file(self.folder / "job.json", pretty_json(self.manifest.sheet))
        path = self.folder / "job.json"
        sheet = read_document(path, "job_sheet")
        check_sheet(self.studio, self.number, sheet, label=str(path))
        documents = {"job-sheet": sheet}
        looks = {sheet.get("preview_look"), *(final["look"] for final in sheet.get("finals", []))}
        for name in sorted(look for look in looks if look):
            documents[f"look/{name}"] = self.studio.look(name)
        for name in sorted({deliverable["specification"] for deliverable in sheet.get("deliverables", [])}):
            documents[f"specification/{name}"] = self.studio.specification(name)
        self.commit(
            "adopt",
            lambda manifest: [fact for name, content in documents.items() for fact in adopt(manifest, name, content)],
        )
        self.commit("adopt", self._volume_facts)

    def _volume_facts(self, manifest: Manifest) -> list[Fact]:
        facts = []
        for volume in self.volumes:
            said = {"name": volume.name, "medium": volume.medium, "site": volume.site}
            known = manifest.document["volumes"].get(volume.volume)
            if known is None or any(known[name] != value for name, value in said.items()):
                revision = known["revision"] + 1 if known else 1
                facts.append({"kind": "volume", "volume": volume.volume, "revision": revision, **said})
        return facts


def _are_whole_people(content: bytes) -> bool:
    """Whether these are the bytes of a `people.json` that no bit flipped in."""
    try:
        check_people(content, label="people.json")
    except DocumentError:
        return False
    return True


def unreadable(volume: Volume, error: OSError) -> VolumeError:
    """The sentence for a volume that is there and cannot be read."""
    return VolumeError(
        "V001",
        f"Volume {volume.name} at {volume.store.label} cannot be read ({error.strerror or error}) and was left out: check its disk and its "
        "cable, and run the same command again.",
    )


def put_aside(file: Path, job_folder: Path) -> None:
    """Keep a file of the record that is not what it should be under `aside/record`, out of the way."""
    put_stored_aside(FolderStore(job_folder), "", file.relative_to(job_folder).as_posix())


def put_stored_aside(store: Store, job: str, path: str) -> None:
    """The same on a volume: `path` is that in the job's folder, `job` the folder's name, or empty for the store itself."""
    folder = f"{job}/" if job else ""
    try:
        name = digest_of(store.read_bytes(folder + path))[:8]
    except OSError:
        name = f"unreadable-{secrets.token_hex(2)}"
    aside = f"{folder}aside/record/{path.rpartition('/')[2]}.{name}"
    if store.exists(aside):  # these very bytes were put aside before
        aside += f"-{secrets.token_hex(2)}"
    store.move(folder + path, aside)


def stored_or_none(volume: Volume, path: str) -> bytes | None:
    """A small file's bytes on a volume, or None where it is not there or cannot be read."""
    try:
        return volume.store.read_bytes(path)
    except OSError:
        return None


def read_or_none(file: Path) -> bytes | None:
    """A small file's bytes, or None where it is not there or cannot be read."""
    try:
        return file.read_bytes()
    except OSError:
        return None


def adopted_document(manifest: Manifest, name: str) -> Document:
    """A document in force, with its digest and content, that a flow cannot do without."""
    found = manifest.adopted(name)
    if found is None:
        raise GlassineError("D004", f"Job {manifest.job} names no {name}: write it into its job.json.")
    return found
