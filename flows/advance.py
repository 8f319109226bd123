"""Advance: everything that is due and needs no person, in one run; then whom the job waits for."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from prefect import flow

from glassine.flows.deliver import finish_hand_overs, send_due
from glassine.flows.grade import make_finals
from glassine.flows.ingest import identify_frames
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.proof import make_proofs, make_sheet
from glassine.flows.retouch import open_owed_rounds
from glassine.flows.selects_round import hand_off
from glassine.flows.studio import read_studio
from glassine.schemas.due import due_deliveries, due_finals, owed_rounds, waits
from glassine.schemas.errors import DeliveryRefusedError, GlassineError
from glassine.schemas.identifiers import counted
from glassine.schemas.validation import Document


@flow(name="advance")
def advance(studio: str, job: str, by: str | None = None) -> Document:
    """Bring a job as far as no person is needed, and say whom it waits for."""
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    said: list[str] = []
    problems = identify_frames(open_job)
    proofs, untried = make_proofs(open_job)
    made = sum(bool(open_job.manifest.frame(number)["proof"]) for number in proofs)
    if made:
        said.append(f"{counted(made, 'proof')} made.")
    said += [f"Sidecars of the selects: {folder}" for folder in hand_off(open_job)]
    if make_sheet(open_job):
        said.append("Contact sheet made.")
    said += open_owed_rounds(open_job, owed_rounds(open_job.manifest), problems)
    said += [f"Final {name}: {path}" for name, path in make_finals(open_job, due_finals(open_job.manifest), problems)]
    refused: list[str] = []
    for due in due_deliveries(open_job.manifest):
        try:
            said += [f"Delivery {number} handed over to {due.client}." for number in send_due(open_job, due)]
        except DeliveryRefusedError as error:
            refused += error.details
        except GlassineError as error:  # one client's disk that is away stops no other
            problems.append(str(error))
    problems += finish_hand_overs(open_job)
    problems += untried + open_job.finish()
    waiting = waits(open_job.manifest, open_job.record.people, datetime.now(UTC).date())
    said += [f"Not delivered: {cause}" for cause in refused]
    said += map(str, waiting)
    if not waiting and not refused:
        said.append("Nothing is due, and nobody is waited for.")
    found = [{"for": wait.person, "what": wait.what, "command": wait.command} for wait in waiting]
    return summary(said, problems, job=job, waits=found, refused=refused)
