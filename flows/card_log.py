"""The cards of a job: issued to a camera, returned, taken in; a card that is out is known to be out, in every job."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, RecordError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.strike import is_outstanding
from glassine.schemas.validation import Document

Fact = dict[str, Any]
STATES = {"issued": "out", "returned": "back, not taken in", "taken_in": "taken in"}
_CARD = re.compile(r"[A-Za-z0-9_-]{1,20}")


def issue_card(
    studio: Studio, number: str, card: str, *, camera: str, person: str | None = None, by: str | None = None
) -> Document:
    """Write down that a card goes into a camera, and who has it.

    Raises
    ------
    CallError
        W001: the name is none for a card. W004: another job has this card out.
    """
    check_card(card)
    camera = " ".join(camera.split())
    if not 0 < len(camera) <= 255 or not camera.isprintable():
        raise CallError("W001", "Say which camera the card goes into, by its label or serial: --to 'body A'.")
    job = OpenJob(studio, number, by)
    not_taken_in, unread = _check_nowhere_out(studio, number, card)
    before = _state(job.manifest, card)
    _commit(job, card, "issued", camera, job.record.people.person_of(person) if person else None)
    said = [f"Card {_spelled(job.manifest, card)} is out, in {camera}{f', with {person}' if person else ''}."]
    if before and before["state"] == "returned":
        said.append("Mind that it came back before, and was not taken in: see that nothing is on it.")
    said += [
        f"Mind that it came back in job {other}, and was not taken in there: see that nothing is on it."
        for other in not_taken_in
    ]
    said += [f"Whether another job has it out could not be seen everywhere: {fault}" for fault in unread]
    return summary(said, job.finish(), job=number, card=_row(job, _spelled(job.manifest, card)))


def return_card(
    studio: Studio, number: str, card: str, *, person: str | None = None, unused: bool = False, by: str | None = None
) -> Document:
    """Write down that a card came back, and from whom; by default from who had it.

    `unused` says that nothing is on it: then there is nothing to take in, and it is not outstanding any more.

    Raises
    ------
    CallError
        W001: the name is none for a card. W002: the job never issued it.
    """
    check_card(card)
    job = OpenJob(studio, number, by)
    before = _state(job.manifest, card)
    if before is None:
        known = ", ".join(sorted(job.manifest.document["cards"])) or "none"
        raise CallError("W002", f"Job {number} never issued a card {card} (known: {known}): name one of them.")
    name = _spelled(job.manifest, card)
    if before["state"] == "taken_in":
        said = [f"Card {name} was taken in already."]
    elif unused:
        _commit(job, card, "taken_in", before["camera"], _whose(job, person, before))
        said = [f"Card {name} came back unused: nothing is to be taken in."]
    else:
        _commit(job, card, "returned", before["camera"], _whose(job, person, before))
        said = [f"Card {name} is back. Next: glassine ingest {number} SOURCE --card {name}"]
    return summary(said, job.finish(), job=number, card=_row(job, name))


def list_cards(studio: Studio, number: str | None) -> Document:
    """Every card of a job, or of all: where it is, in which camera, with whom. Reads only."""
    rows: list[Document] = []
    for job in [number] if number else studio.job_numbers():
        record = JobRecord(studio.job_folder(job))
        cards = record.manifest().document["cards"]
        rows += [
            {"job": job, "card": name, **said, "person": _name(record, said)} for name, said in sorted(cards.items())
        ]
    said = [_say_card(row) if number else f"{row['job']}  {_say_card(row)}" for row in rows]
    return summary(said or ["No card was issued."], [], job=number, cards=rows)


def _say_card(row: Document) -> str:
    at = f"since {row['at'][:16].replace('T', ' ')} UTC"
    words = [row["card"], STATES[row["state"]], row["camera"], f"with {row['person']}" if row["person"] else None, at]
    return "  ".join(word for word in words if word)


def check_card(card: str) -> None:
    """Raise CallError W001 for what cannot be a card's name."""
    if not _CARD.fullmatch(card):
        raise CallError(
            "W001",
            f"{card!r} cannot be a card's name: use letters, digits, dash and underscore, at most 20, such as A7.",
        )


def log_taken_in(job: OpenJob, card: str | None, files: int, left: Sequence[str], *, new: int) -> list[str]:
    """Say that a card was taken in, if nothing was left on it; returns what there is to tell.

    Parameters
    ----------
    card : None does nothing
    files : how many files of it are in custody
    left : what could not be read or placed, or was passed over; anything leaves the card outstanding
    new : how many of the files came into custody only now
    """
    if card is None:
        return []
    before = _state(job.manifest, card)
    if left or not files:
        why = "not every file on it is in custody" if left else "no file is on it"
        unused = "" if left else f" If it was not used: `glassine cards return {job.number} {card} --unused`."
        return [f"Card {card} stays outstanding: {why}.{unused}"]
    if before is None or is_outstanding(before):
        camera, person = (before["camera"], before["person"]) if before else (None, None)
        _commit(job, card, "taken_in", camera, person)
    name = _spelled(job.manifest, card)
    if before is None:
        return [f"Card {name} is taken in. It was never issued in this job: see that its name is right."]
    said = [f"Card {name} is taken in."]
    if is_outstanding(before) and not new:
        said.append(f"Mind that every file on it was in custody before: see that it is card {name}.")
    return said


def _commit(job: OpenJob, card: str, state: str, camera: str | None, person: str | None) -> None:
    said = {"state": state, "camera": camera, "person": person}

    def propose(manifest: Manifest) -> list[Fact]:
        before = _state(manifest, card)
        if before and all(before[name] == value for name, value in said.items()):
            return []
        revision = before["revision"] + 1 if before else 1
        return [{"kind": "card", "card": _spelled(manifest, card), "revision": revision, **said}]

    job.commit("card", propose)


def _check_nowhere_out(studio: Studio, number: str, card: str) -> tuple[list[str], list[str]]:
    """Refuse a card that another job has out; returns the jobs in which it came back and was not taken in, and what is
    wrong with records that could not be read."""
    not_taken_in, unread = [], []
    for other in studio.job_numbers():
        if other == number:
            continue
        try:
            known = _state(JobRecord(studio.job_folder(other)).manifest(), card)
        except RecordError as error:
            unread.append(f"job {other}: {error}")
            continue
        if known and known["state"] == "issued":
            to = f", in {known['camera']}" if known["camera"] else ""
            raise CallError(
                "W004",
                f"Card {card} is out in job {other}{to}: take it back there with `glassine cards return {other} {card}`, or issue another card.",
            )
        if known and is_outstanding(known):
            not_taken_in.append(other)
    return not_taken_in, unread


def _state(manifest: Manifest, card: str) -> Document | None:
    found: Document | None = manifest.document["cards"].get(_spelled(manifest, card))
    return found


def _spelled(manifest: Manifest, card: str) -> str:
    """The card's name as the job has it: upper and lower case are one card."""
    return next((known for known in manifest.document["cards"] if known.lower() == card.lower()), card)


def _whose(job: OpenJob, person: str | None, before: Document) -> str | None:
    known: str | None = before["person"]
    return job.record.people.person_of(person) if person else known


def _row(job: OpenJob, name: str) -> Document:
    said = job.manifest.document["cards"][name]
    return {"card": name, **said, "person": _name(job.record, said)}


def _name(record: JobRecord, said: Document) -> str | None:
    return record.people.name_of(said["person"]) if said["person"] else None
