"""Verify: read every copy again, say which are missing or differ, and mend them from a good one when asked to."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import in_batches, run_batches
from glassine.flows.open_job import OpenJob, put_stored_aside, stored_or_none
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.studio import read_studio
from glassine.schemas.due import bad_copies
from glassine.schemas.errors import NOT_RIGHT, GlassineError, VolumeError
from glassine.schemas.identifiers import parse_time, utc_now
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody.fixity import KnownCopy, read_copy, repair_copy
from glassine.tasks.custody.volume import Volume

Fact = dict[str, Any]
BATCH_BYTES = 512 * 2**20
RESUME_WITHIN = timedelta(days=1)
"""A pass that was stopped is gone on with so long; what it read before may have rotted since."""


@flow(name="verify")
def verify(studio: str, job: str, by: str | None = None, repair: bool = False) -> Document:  # noqa: FBT001
    """Read all copies of a job again, in one pass; a pass that was killed is gone on with.

    With `repair`, a copy that is missing or differs is made again from a whole one, and the bad file is kept aside.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by, mend=repair)
    number = _open_pass(open_job)
    read, problems = _read_copies(open_job, number)
    mended = list(open_job.mended)
    mirror_faults = [
        fault for volume in open_job.backups for fault in check_mirror(open_job, volume, mended, repair=repair)
    ]
    failed = _repair_copies(open_job, number, mended) if repair else []
    open_job.say("verify", [{"kind": "fixity_pass", "pass": number, "state": "closed"}])
    problems += open_job.finish()
    return _report(open_job, read, mirror_faults, mended, failed, problems)


def _open_pass(job: OpenJob) -> int:
    """The pass under way, else a new one; one that was left off a day ago says little of today's copies."""
    now = parse_time(utc_now())

    def propose(manifest: Manifest) -> list[Fact]:
        passes = manifest.document["passes"]
        if passes["opened"] > passes["closed"]:
            age = now - parse_time(passes["opened_at"])
            if timedelta(0) <= age < RESUME_WITHIN:  # below zero the clock was set back, and the age is not known
                return []
        return [{"kind": "fixity_pass", "pass": passes["opened"] + 1, "state": "opened"}]

    return int(job.commit("verify", propose).document["passes"]["opened"])


def _read_copies(job: OpenJob, number: int) -> tuple[int, list[str]]:
    """Read every copy that is due; returns how many were read, and the volumes that went away, a sentence each."""
    due = [
        known
        for sha256, holder in job.manifest.every_file()
        for copy, known in _copies_here(job, sha256, holder)
        if copy["pass"] < number
    ]
    gone: dict[str, str] = {}
    read = 0
    with show_progress("reading copies", sum(copy.size for copy in due), bytes_=True) as on_bytes:

        def read_batch(batch: list[KnownCopy]) -> list[Fact]:
            facts = []
            for copy in batch:
                if copy.volume.volume not in gone:
                    try:
                        facts.append(read_copy(job.number, copy, number, on_bytes))
                    except VolumeError as error:
                        gone[copy.volume.volume] = str(error)
            return facts

        batches = in_batches(due, weigh=lambda copy: copy.size, heaviest=BATCH_BYTES)
        for facts in run_batches("read back", read_batch, batches):
            job.say("verify", facts)
            read += len(facts)
    return read, list(gone.values())


def _copies_here(job: OpenJob, sha256: str, holder: Document) -> list[tuple[Document, KnownCopy]]:
    """The copies of a file on the volumes that are here, as the manifest has them and as tasks take them."""
    by_id = {volume.volume: volume for volume in job.volumes}
    return [
        (copy, KnownCopy(sha256, by_id[copy["volume"]], copy["path"], holder["size"]))
        for copy in holder["copies"]
        if copy["volume"] in by_id
    ]


def check_mirror(job: OpenJob, volume: Volume, mended: list[str], *, repair: bool) -> list[str]:
    """Compare the entries on a backup volume with the job's own, whose chain is whole; returns what differs.

    With `repair` a differing entry is put aside there instead, and `finish` writes it again.
    """
    faults = []
    there = {listed.name for listed in volume.store.list_files(f"{job.number}/record")}
    for path in sorted(job.record.record_folder.glob("*.json")):
        mirrored = f"record/{path.name}"
        if path.name not in there or stored_or_none(volume, f"{job.number}/{mirrored}") == path.read_bytes():
            continue
        if repair:
            put_stored_aside(volume.store, job.number, mirrored)
            mended.append(f"{volume.name}: record/{path.name}")
        else:
            faults.append(
                f"Entry {int(path.stem)} of the record differs on volume {volume.name} ({volume.store.label}/{job.number}/{mirrored})."
            )
    return faults


def _repair_copies(job: OpenJob, number: int, mended: list[str]) -> list[str]:
    """Mend every bad copy on a volume that is here, adding its path to `mended`; returns what could not be, as sentences."""
    failed = []
    for sha256, holder, bad in bad_copies(job.manifest):
        here = _copies_here(job, sha256, holder)
        target = next((known for copy, known in here if copy is bad), None)
        if target is None:
            continue
        good = [known for copy, known in here if copy is not bad]
        try:
            job.say("repair", [repair_copy(job.number, target, good, number)])
            mended.append(f"{target.volume.name}: {target.path}")
        except GlassineError as error:
            failed.append(str(error))
    return failed


def _report(
    job: OpenJob, read: int, chain: list[str], mended: list[str], failed: list[str], problems: list[str]
) -> Document:
    manifest = job.manifest
    names = {volume: known["name"] for volume, known in manifest.document["volumes"].items()}
    bad = [
        {
            "volume": names[copy["volume"]],
            "path": copy["path"],
            "outcome": copy["outcome"],
            "sha256": sha256,
            "frame": holder.get("number"),
        }
        for sha256, holder, copy in bad_copies(manifest)
    ]
    copies = sum(len(holder["copies"]) for _, holder in manifest.every_file())
    said = [f"Job {job.number}: {read} of {copies} copies read now, {len(bad)} missing or different."]
    if read < copies:
        said.append(
            f"{copies - read} copies were not read: on volumes that are away, or read in this pass before it was stopped."
        )
    said += [f"{entry['outcome'].capitalize()}: {entry['path']} on {entry['volume']}." for entry in bad]
    said += [f"Mended from a whole copy: {place} (a bad file is kept under aside/)." for place in mended]
    if (bad or chain) and not failed and not mended:
        said.append(f"Mend with `glassine verify {job.number} --repair`. Delete nothing until then.")
    data: dict[str, Any] = {"job": job.number, "copies": copies, "read": read, "bad": bad, "mended": mended}
    status = NOT_RIGHT if bad or failed or chain else 0
    return summary(said, chain + failed + problems, status=status, chain_faults=chain, **data)
