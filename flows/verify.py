"""Verify: read copies again, say which are missing or differ, and mend them from a good one when asked to."""

from __future__ import annotations

import time
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import in_batches, run_batches
from glassine.flows.open_job import OpenJob, put_stored_aside, stored_or_none, unreadable
from glassine.flows.progress import show_progress
from glassine.flows.studio import read_studio
from glassine.flows.verify_report import Reading, Repair, differing_copies, report
from glassine.flows.verify_scope import EVERYTHING, Asked, is_same, new_scope, plan_pass
from glassine.schemas.due import bad_copies
from glassine.schemas.errors import GlassineError, VolumeError
from glassine.schemas.identifiers import parse_time, utc_now
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody.fixity import KnownCopy, read_copies, repair_copy
from glassine.tasks.custody.volume import Volume

Fact = dict[str, Any]
BATCH_BYTES = 512 * 2**20
RESUME_WITHIN = timedelta(days=1)
"""A pass that was stopped is gone on with so long; what it read before may have rotted since."""


@flow(name="verify")
def verify(
    studio: str,
    job: str,
    by: str | None = None,
    repair: bool = False,  # noqa: FBT001
    older_than: float | None = None,
    sample: str | None = None,
) -> Document:
    """Read copies of a job again, in one pass; a pass of the same scope that was stopped is gone on with.

    With `repair`, a copy that is missing or differs is made again from a whole one, and the bad file is kept aside.
    `older_than` (days) and `sample` ("200" or "10%") say which copies are read, as `Asked` has it.
    """
    asked = Asked(older_than, sample)
    open_job = OpenJob(read_studio(Path(studio)), job, by, mend=repair)
    number = _open_pass(open_job, asked)
    reading = _read_copies(open_job, number)
    differing = differing_copies(open_job.manifest)
    repaired = Repair(list(open_job.mended))
    mirror_faults = _check_mirrors(open_job, repaired, repair=repair)
    if repair:
        _repair_copies(open_job, number, repaired)
    open_job.say("verify", [{"kind": "fixity_pass", "pass": number, "state": "closed"}])
    return report(open_job, reading, differing, repaired, mirror_faults, open_job.finish())


def _open_pass(job: OpenJob, asked: Asked = EVERYTHING) -> int:
    """The pass under way when it reads what is asked for, else a new one; one that was left off a day ago says little
    of today's copies."""
    now = parse_time(utc_now())

    def propose(manifest: Manifest) -> list[Fact]:
        passes = manifest.document["passes"]
        if passes["opened"] > passes["closed"] and is_same(passes["scope"], asked):
            age = now - parse_time(passes["opened_at"])
            if timedelta(0) <= age < RESUME_WITHIN:  # below zero the clock was set back, and the age is not known
                return []
        opened = {"kind": "fixity_pass", "pass": passes["opened"] + 1, "state": "opened"}
        scope = new_scope(job, manifest, asked, now)
        return [{**opened, "scope": scope} if scope else opened]

    return int(job.commit("verify", propose).document["passes"]["opened"])


def _read_copies(job: OpenJob, number: int) -> Reading:
    """Read every copy that is due, several at once, and commit what came of them batch by batch."""
    known = [copy for _, _, copy in bad_copies(job.manifest)]
    reading = Reading(
        plan_pass(job),
        bad_before={_place(copy) for copy in known},
        bad_earlier={_place(copy) for copy in known if copy["pass"] >= number},
    )
    due = reading.plan.due
    begin = time.monotonic()
    with show_progress("reading copies", sum(copy.size for copy in due), bytes_=True) as on_bytes:

        def count(step: int) -> None:
            reading.bytes += step
            on_bytes(step)

        with closing(read_copies(job.number, due, number, count)) as results:

            def read_batch(batch: list[KnownCopy]) -> list[Fact]:
                facts = []
                for copy in batch:
                    result = next(results)
                    if isinstance(result, VolumeError):
                        reading.gone[copy.volume.volume] = str(result)
                    else:
                        facts.append(result)
                return facts

            for facts in run_batches(
                "read back", read_batch, in_batches(due, weigh=lambda copy: copy.size, heaviest=BATCH_BYTES)
            ):
                job.say("verify", facts)
                reading.take(facts)
    reading.seconds = time.monotonic() - begin
    reading.bad_now = sum(1 for _ in bad_copies(job.manifest))
    return reading


def _check_mirrors(job: OpenJob, repaired: Repair, *, repair: bool) -> list[str]:
    """`check_mirror` of every backup; one that cannot be read is absent from here on, and holds up no other."""
    faults = []
    for volume in job.backups.copy():
        try:
            faults += check_mirror(job, volume, repaired, repair=repair)
        except OSError as error:
            job.backups.remove(volume)
            job.absent.append(unreadable(volume, error))
    return faults


def check_mirror(job: OpenJob, volume: Volume, repaired: Repair, *, repair: bool) -> list[str]:
    """Compare the entries on a backup volume with the job's own, whose chain is whole; returns what differs.

    With `repair` a differing entry is put aside there instead, and `finish` writes it again. Raises OSError when the
    volume cannot be read or written.
    """
    faults = []
    there = {listed.name for listed in volume.store.list_files(f"{job.number}/record")}
    for path in sorted(job.record.record_folder.glob("*.json")):
        mirrored = f"record/{path.name}"
        if path.name not in there or stored_or_none(volume, f"{job.number}/{mirrored}") == path.read_bytes():
            continue
        if repair:
            put_stored_aside(volume.store, job.number, mirrored)
            repaired.mend(f"{volume.name}: record/{path.name}", is_kept=True)
        else:
            faults.append(
                f"Entry {int(path.stem)} of the record differs on volume {volume.name} ({volume.store.label}/{job.number}/{mirrored})."
            )
    return faults


def _repair_copies(job: OpenJob, number: int, repaired: Repair) -> None:
    """Mend every bad copy on a volume that is here, and keep in `repaired` what came of each."""
    here = {volume.volume: volume for volume in job.volumes}
    for sha256, holder, bad in bad_copies(job.manifest):
        if bad["volume"] not in here or sha256 in repaired.lost:  # every copy that is here was just looked at
            continue
        known = {
            _place(copy): KnownCopy(sha256, here[copy["volume"]], copy["path"], holder["size"])
            for copy in holder["copies"]
            if copy["volume"] in here
        }
        target = known.pop(_place(bad))
        try:
            fact = repair_copy(job.number, target, list(known.values()), number)
            job.say("repair", [fact])
            repaired.take(fact, f"{target.volume.name}: {target.path}")
        except GlassineError as error:
            repaired.refuse(error, sha256)


def _place(copy: Document) -> tuple[str, str]:
    return copy["volume"], copy["path"]
