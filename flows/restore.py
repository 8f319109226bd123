"""Restore: bring a job back whose working volume was lost, record and all, from the other volumes."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import count
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import in_batches, run_batches
from glassine.flows.open_job import OpenJob, stored_or_none
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.studio import Studio, read_studio
from glassine.schemas.durable_file import write_if_absent
from glassine.schemas.entry import EMPTY, NO_ENTRY, Head, digest_of, entry_name, parse_entry
from glassine.schemas.errors import NOT_RIGHT, CallError, GlassineError, RecordError, VolumeError
from glassine.schemas.identifiers import check_job_number, counted
from glassine.schemas.job_record import check_chain, parse_head, read_heads
from glassine.schemas.validation import Document
from glassine.tasks.custody.fixity import KnownCopy, repair_copy
from glassine.tasks.custody.volume import Volume, make_volume

Fact = dict[str, Any]
ONLY_LOST = {**dict.fromkeys(("older_than_days", "before", "sample", "of", "seed")), "lost": True}
"""The scope of a restore's pass, so that nobody takes it for one that read every copy."""
FILES_AT_ONCE = 3
"""As many as ingest copies at once."""


@flow(name="restore")
def restore(studio: str, job: str, by: str | None = None, new_disk: bool = False) -> Document:  # noqa: FBT001
    """Bring a job back to the working volume: its record, then every file that the record knows.

    Killed anywhere, it goes on where it stopped; on a job that is whole it changes nothing. With `new_disk` the
    folder of the working volume takes the lost one's place and bears its id.
    """
    found, number = read_studio(Path(studio)), check_job_number(job)
    folder = found.volume_root(found.settings["volumes"][0]) / number
    is_lost = _is_lost(found, new_disk=new_disk)
    backups, absent = found.backups()
    holders = [volume for volume in backups if volume.store.list_files(f"{number}/record")]
    if not holders:
        away = " ".join(str(error) for error in absent)
        raise CallError(
            "W002",
            f"No volume that is here holds a record of job {number} (looked at: {_names(backups)}). {away}".rstrip(),
        )
    heads = [*read_heads(folder / "heads"), *(head for volume in holders for head in volume.heads(number))]
    chain = _find_chain(number, folder, holders, heads)
    if is_lost:
        _take_its_place(found, folder.parent, chain)
    # The heads first: with them a record that ends early is refused, also when no other volume is here.
    _bring_heads_back(number, folder, holders)
    entries = _bring_record_back(folder, chain)
    if faults := check_chain(folder, heads):
        raise RecordError(
            "R001",
            f"{faults[0]} Connect every volume that holds a copy of this job, and run the same command again.",
            details=faults,
        )
    restored = OpenJob(found, number, by)
    lost, back, failed = _bring_files_back(restored)
    problems = restored.finish()
    return _report(restored, holders, entries, lost, back, failed, problems)


def _is_lost(studio: Studio, *, new_disk: bool) -> bool:
    """Whether the working volume is not there, and another disk may take its place."""
    root = studio.volume_root(studio.settings["volumes"][0])
    try:
        studio.working_volume()
    except VolumeError as error:
        if error.code != "V001":
            raise
        if not new_disk:
            raise VolumeError(
                "V001",
                f"{error} If that disk is lost, put an empty folder of another disk at {root} (or change its path in "
                "studio.toml), and run the same command again with --new-disk: that folder then takes its place.",
            ) from error
        return True
    return False


def _take_its_place(studio: Studio, root: Path, chain: dict[int, bytes]) -> None:
    """Give a new folder the lost volume's id, at the site where the record last knew it."""
    settings = studio.settings["volumes"][0]
    facts = (
        fact for entry in sorted(chain) for fact in parse_entry(chain[entry], entry, label=entry_name(entry))["facts"]
    )
    sites = [fact["site"] for fact in facts if fact["kind"] == "volume" and fact["volume"] == settings.get("volume")]
    make_volume(root, settings["name"], volume=settings.get("volume"), site=sites[-1] if sites else "studio")


def _bring_record_back(folder: Path, chain: dict[int, bytes]) -> int:
    """Write every entry that the working volume lacks, oldest first; returns how many came back."""
    return sum(
        not (path := folder / "record" / entry_name(entry)).exists() and write_if_absent(path, chain[entry])
        for entry in sorted(chain)
    )


def _find_chain(number: str, folder: Path, holders: list[Volume], heads: list[Head]) -> dict[int, bytes]:
    """Every entry of the one chain that the heads name, from here or from a volume.

    Found whole before anything is written: neither a damaged entry comes, nor one of another history.
    """
    own = {path.name: path.read_bytes() for path in (folder / "record").glob("*.json")}

    def lying(entry: int) -> Iterator[bytes]:
        """What lies under an entry's number, here and on each volume."""
        name = entry_name(entry)
        for content in (own.get(name), *(stored_or_none(volume, f"{number}/record/{name}") for volume in holders)):
            if content is not None:
                yield content

    held = sorted((head for head in heads if head.sha256 in map(digest_of, lying(head.entry))), reverse=True)
    newest = held[0] if held else EMPTY
    chain: dict[int, bytes] = {}
    wanted = newest.sha256
    for entry in range(newest.entry, 0, -1):
        found = next((content for content in lying(entry) if digest_of(content) == wanted), None)
        if found is None:
            raise RecordError(
                "R002",
                f"Entry {entry} of the record of job {number} is whole on no volume that is here: nothing was written. "
                "Connect every volume that holds a copy of this job, and run the same command again.",
            )
        chain[entry] = found
        wanted = parse_entry(found, entry, label=f"record/{entry_name(entry)}")["previous"]
    for entry in count(newest.entry + 1):  # written, and its head not kept: a run was killed between
        before = digest_of(chain[entry - 1]) if chain else NO_ENTRY
        found = next((content for content in lying(entry) if _follows(content, entry, before)), None)
        if found is None:
            break
        chain[entry] = found
    others = [f"entry {head.entry}" for head in held if digest_of(chain[head.entry]) != head.sha256]
    others += [name for name, content in own.items() if content != chain.get(int(name.partition(".")[0]))]
    if others:
        raise RecordError(
            "R004",
            f"{others[0]} of job {number} on {folder} or on {_names(holders)} is not of the chain that the newest head names: nothing was "
            f"written. Compare the records, with `glassine audit --job {number}`, before going on.",
        )
    return chain


def _follows(content: bytes, entry: int, before: str) -> bool:
    try:
        return bool(parse_entry(content, entry, label=entry_name(entry))["previous"] == before)
    except RecordError:
        return False


def _bring_heads_back(number: str, folder: Path, holders: list[Volume]) -> None:
    """The heads of every volume; and the names and the job sheet, from the newest volume."""
    heads = {volume.name: volume.heads(number) for volume in holders}
    for volume in holders:
        for listed in volume.store.list_files(f"{number}/heads"):
            content = stored_or_none(volume, f"{number}/heads/{listed.name}")
            if content is not None and parse_head(listed.name, content):
                _write_unless_there(folder / "heads" / listed.name, content)
    newest = sorted(holders, key=lambda volume: max(heads[volume.name], default=Head(0, "")), reverse=True)
    for name in ("people.json", "job.json"):
        for volume in newest:
            content = stored_or_none(volume, f"{number}/{name}")
            if content is not None:
                _write_unless_there(folder / name, content)


def _write_unless_there(path: Path, content: bytes) -> None:
    if not path.exists():
        write_if_absent(path, content)


def _bring_files_back(job: OpenJob) -> tuple[int, int, list[str]]:
    """Make every copy again that the working volume has lost; returns how many were lost, came back, and why others did not."""
    lost = list(_lost_copies(job))
    if not lost:
        return 0, 0, []
    passes = job.manifest.document["passes"]
    number = passes["opened"] + 1
    opened: Fact = {"kind": "fixity_pass", "pass": number, "state": "opened", "scope": ONLY_LOST}
    nothing = {"pass": number, "outcome": "missing", "found": None, "read_from": None}
    missing = [
        {"kind": "read_back", "sha256": copy.sha256, "volume": copy.volume.volume, "path": copy.path, **nothing}
        for copy, _ in lost
    ]
    job.say("verify", [opened, *missing])
    failed: list[str] = []
    came = 0
    with show_progress("bringing back", sum(copy.size for copy, _ in lost), bytes_=True) as on_bytes:

        def bring_back(one: tuple[KnownCopy, list[KnownCopy]]) -> Fact | str:
            copy, others = one
            try:
                return repair_copy(job.number, copy, others, number)
            except GlassineError as error:
                return str(error)
            finally:
                on_bytes(copy.size)

        def bring_batch(batch: list[tuple[KnownCopy, list[KnownCopy]]]) -> list[Fact | str]:
            with ThreadPoolExecutor(FILES_AT_ONCE, "file") as threads:
                return list(threads.map(bring_back, batch))

        for made in run_batches("restore", bring_batch, in_batches(lost)):
            facts = [fact for fact in made if not isinstance(fact, str)]
            failed += [sentence for sentence in made if isinstance(sentence, str)]
            job.say("restore", facts)
            came += len(facts)
    job.say("verify", [{"kind": "fixity_pass", "pass": number, "state": "closed"}])
    return len(lost), came, failed


def _lost_copies(job: OpenJob) -> Iterator[tuple[KnownCopy, list[KnownCopy]]]:
    """Every copy that should lie on the working volume and does not, with the others of the same file that are here."""
    by_id = {volume.volume: volume for volume in job.volumes}
    for sha256, holder in job.manifest.every_file():
        here = [
            KnownCopy(sha256, by_id[copy["volume"]], copy["path"], holder["size"])
            for copy in holder["copies"]
            if copy["volume"] in by_id
        ]
        for copy in here:
            if copy.volume is job.working and not job.path(copy.path).exists():
                yield copy, [other for other in here if other is not copy]


def _report(
    job: OpenJob, holders: list[Volume], entries: int, lost: int, back: int, failed: list[str], problems: list[str]
) -> Document:
    if not entries and not lost:
        said = [
            f"Job {job.number} is on volume {job.working.name}, record and all: nothing had to be brought back.",
            f"Whether every copy of it is whole: `glassine verify {job.number}`.",
        ]
    else:
        said = [
            f"Job {job.number} is back on volume {job.working.name}, from {_names(holders)}.",
            f"Its record ends with entry {job.manifest.head.entry}; {entries} of its entries came back.",
            f"{back} of {counted(lost, 'file')} that were lost came back, each read back whole.",
            f"Proofs, the contact sheet and the like can be made again: `glassine advance {job.number}`.",
        ]
    if failed:
        said.append(f"{counted(len(failed), 'file')} could not be brought back: see each below. Delete nothing.")
    data: dict[str, Any] = {"job": job.number, "entries": entries, "lost": lost, "restored": back, "failed": failed}
    return summary(said, failed + problems, status=NOT_RIGHT if failed else 0, **data)


def _names(volumes: list[Volume]) -> str:
    return ", ".join(volume.name for volume in volumes) or "none"
