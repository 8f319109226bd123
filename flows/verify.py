"""Verify: read every copy again, say which are missing or differ, and mend them from a good one when asked to."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import in_batches, run_batches
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.studio import read_studio
from glassine.schemas.errors import NOT_RIGHT, GlassineError
from glassine.schemas.job_record import check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody.fixity import KnownCopy, read_copy, repair_copy

Fact = dict[str, Any]
BATCH_BYTES = 512 * 2**20


@flow(name="verify")
def verify(studio: str, job: str, by: str | None = None, repair: bool = False) -> Document:  # noqa: FBT001
    """Read all copies of a job again, in one pass; a pass that was killed is gone on with.

    With `repair`, a copy that is missing or differs is made again from a whole one, and the bad file is kept aside.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    chain = check_chain(open_job.folder, (head for volume in open_job.volumes for head in volume.heads(job)))
    number = _open_pass(open_job)
    _read_copies(open_job, number)
    mended, failed = _repair_copies(open_job, number) if repair else ([], [])
    open_job.say("verify", [{"kind": "fixity_pass", "pass": number, "state": "closed"}])
    problems = open_job.finish()
    return _report(open_job, chain, mended, failed, problems)


def _open_pass(job: OpenJob) -> int:
    """The pass under way, else a new one."""

    def propose(manifest: Manifest) -> list[Fact]:
        return [{"kind": "fixity_pass", "pass": manifest.document["passes"]["closed"] + 1, "state": "opened"}]

    return int(job.commit("verify", propose).document["passes"]["opened"])


def _read_copies(job: OpenJob, number: int) -> None:
    by_id = {volume.volume: volume for volume in job.volumes}
    due = [
        KnownCopy(sha256, by_id[copy["volume"]], copy["path"], holder["size"])
        for sha256, holder in job.manifest.every_file()
        for copy in holder["copies"]
        if copy["volume"] in by_id and copy["pass"] < number
    ]
    with show_progress("reading copies", sum(copy.size for copy in due), bytes_=True) as on_bytes:

        def read_batch(batch: list[KnownCopy]) -> list[Fact]:
            return [read_copy(job.number, copy, number, on_bytes) for copy in batch]

        batches = in_batches(due, weigh=lambda copy: copy.size, heaviest=BATCH_BYTES)
        for facts in run_batches("read back", read_batch, batches):
            job.say("verify", facts)


def _repair_copies(job: OpenJob, number: int) -> tuple[list[str], list[str]]:
    """Mend every bad copy on a volume that is here; returns the paths mended and what could not be, as sentences."""
    by_id = {volume.volume: volume for volume in job.volumes}
    mended, failed = [], []
    for sha256, holder, bad in _bad_copies(job.manifest):
        if bad["volume"] not in by_id:
            continue
        known = [
            KnownCopy(sha256, by_id[c["volume"]], c["path"], holder["size"])
            for c in holder["copies"]
            if c["volume"] in by_id
        ]
        good = [copy for copy in known if copy.volume.volume != bad["volume"]]
        target = KnownCopy(sha256, by_id[bad["volume"]], bad["path"], holder["size"])
        try:
            job.say("repair", [repair_copy(job.number, target, good, number)])
            mended.append(f"{target.volume.name}: {target.path}")
        except GlassineError as error:
            failed.append(str(error))
    return mended, failed


def _bad_copies(manifest: Manifest) -> list[tuple[str, Document, Document]]:
    return [
        (sha256, holder, copy)
        for sha256, holder in manifest.every_file()
        for copy in holder["copies"]
        if copy["outcome"] != "whole"
    ]


def _report(job: OpenJob, chain: list[str], mended: list[str], failed: list[str], problems: list[str]) -> Document:
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
        for sha256, holder, copy in _bad_copies(manifest)
    ]
    copies = sum(len(holder["copies"]) for _, holder in manifest.every_file())
    said = [
        f"Job {job.number}: {copies} copies of {len(list(manifest.every_file()))} files; {copies - len(bad)} whole, {len(bad)} not."
    ]
    said += [f"{entry['outcome'].capitalize()}: {entry['path']} on {entry['volume']}." for entry in bad]
    said += [f"Mended from a whole copy: {place} (the bad file is kept under aside/)." for place in mended if place]
    if bad and not failed and not mended:
        said.append(f"Mend with `glassine verify {job.number} --repair`. Delete nothing until then.")
    status = NOT_RIGHT if bad or failed or chain else 0
    return summary(
        said,
        chain + failed + problems,
        status=status,
        job=job.number,
        copies=copies,
        bad=bad,
        mended=mended,
        chain_faults=chain,
    )
