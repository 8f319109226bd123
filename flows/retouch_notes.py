"""The notes of a retouch: as they are typed, listed, confirmed from a remark of the cull, or withdrawn."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, NamedTuple

from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.identifiers import note_id, print_frame
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, current_round, is_blocked, is_selected, live_notes
from glassine.schemas.validation import Document
from glassine.tasks.handoff.annotation import parse_region, write_region

Fact = dict[str, Any]
_DONOR = re.compile(r"from\s+([0-9]{1,9})(?:\s+(\S.*))?", re.IGNORECASE)


class SaidNote(NamedTuple):
    """A note as it was typed."""

    region: Document
    instruction: str
    donors: list[Document]


def confirm(
    studio: Studio,
    job: str,
    frame: int,
    note: str,
    region: str | None = None,
    instruction: str | None = None,
    donors: list[str] | None = None,
    by: str | None = None,
) -> Document:
    """Make a draft, which is a fixable remark of the cull, a note of the retouch, as it is or with other words."""
    open_job = OpenJob(studio, job, by)
    state = open_job.manifest.frame(frame)
    if any(known["draft"] == note for known in state["notes"]):
        return summary([f"Draft {note} was confirmed already."], open_job.finish(), job=job, note=note)
    draft = next((found for found in state["drafts"] if found["note"] == note), None)
    if draft is None:
        known = ", ".join(found["note"] for found in state["drafts"]) or "none"
        raise CallError("W002", f"Frame {state['number']} has no draft {note!r} (drafts: {known}): name one of them.")
    area = parse_region(region) if region else draft["region"]
    if area is None:
        raise CallError(
            "W001",
            f"The remark {draft['instruction']!r} has no region: say where it is, with --region xywh=percent:X,Y,W,H.",
        )
    said = SaidNote(area, instruction or draft["instruction"], [_parse_donor(donor) for donor in donors or []])
    add_notes(open_job, frame, [said], draft=note)
    said_lines = [f"Draft {note} of frame {state['number']} is a note now: {said.instruction}"]
    said_lines.append(f"Next: glassine retouch brief {job} {state['number']}")
    return summary(said_lines, open_job.finish(), job=job, frame=state["number"], note=note)


def withdraw(
    studio: Studio, job: str, frame: int, notes: list[str], reason: str, *, lift: bool = False, by: str | None = None
) -> Document:
    """Withdraw notes or drafts of notes, with a reason; with `lift` they stand again."""
    if not reason.strip():
        raise CallError("W001", "A withdrawal needs a reason: --reason 'it is part of the face'.")
    open_job = OpenJob(studio, job, by)

    def propose(manifest: Manifest) -> list[Fact]:
        state = manifest.frame(frame)
        known = {found["note"] for found in (*state["notes"], *state["drafts"])} | set(state["withdrawals"])
        facts = []
        for note in notes:
            if note not in known:
                words = ", ".join(sorted(known)) or "none"
                raise CallError(
                    "W002", f"Frame {state['number']} has no note or draft {note!r} (known: {words}): name one of them."
                )
            before = state["withdrawals"].get(note)
            if (before["withdrawn"] if before else False) == (not lift):
                continue
            revision = before["revision"] + 1 if before else 1
            fact = {"kind": "withdrawal", "frame": frame, "note": note, "revision": revision, "withdrawn": not lift}
            facts.append({**fact, "reason": reason})
        return facts

    open_job.commit("selects", propose)
    state = open_job.manifest.frame(frame)
    said = [f"{'Stands again' if lift else 'Withdrawn'}: {', '.join(notes)} of frame {state['number']} ({reason})."]
    retouch = current_round(state)
    if retouch and set(notes) & set(retouch["brief"]["notes"]) and retouch["hand_out"]:
        name = open_job.record.people.name_of(retouch["hand_out"]["retoucher"])
        said.append(f"Round {retouch['round']} is out with it: tell {name}. Its return is not asked for it any more.")
    return summary(said, open_job.finish(), job=job, frame=state["number"], notes=notes, withdrawn=not lift)


def check_donors(manifest: Manifest, frame: Frame, donors: list[int]) -> None:
    """Donors are other frames of the job, which may leave and can be rendered; else CallError W004."""
    for number in donors:
        donor = manifest.frame(number)
        if number == frame["frame"]:
            raise CallError("W004", f"Frame {frame['number']} cannot be a donor of itself: name another frame.")
        if is_blocked(donor):
            raise CallError(
                "W004",
                f"Frame {donor['number']} is blocked ({donor['block']['reason']}) and can be no donor: withdraw the note that names it, or name another frame.",
            )
        if donor["undecodable"]:
            raise CallError("W004", f"Frame {donor['number']} does not decode and can be no donor: name another frame.")


def list_notes(studio: Studio, job: str, frames: Sequence[int] | None) -> Document:
    """The notes and drafts of the selects, with their ids: what is open, in which round, withdrawn or not. Reads only."""
    record = JobRecord(studio.job_folder(job))
    manifest = record.manifest()
    chosen = [manifest.frame(number) for number in frames] if frames else manifest.frames
    rows, said = [], []
    for frame in chosen:
        live = [note["note"] for note in live_notes(frame)]
        for draft in frame["drafts"]:
            rows.append({**draft, "frame": frame["number"], "state": "draft"})
        for note in frame["notes"]:
            rounds = [retouch["round"] for retouch in frame["rounds"] if note["note"] in retouch["brief"]["notes"]]
            state = "withdrawn" if note["note"] not in live else f"round {rounds[-1]}" if rounds else "not briefed"
            rows.append({**note, "frame": frame["number"], "state": state})
    for row in rows:
        place = write_region(row["region"]) if row["region"] else "no region"
        donors = "".join(f", from {print_frame(donor['frame'])}" for donor in row.get("donors", []))
        who = record.people.name_of(row["person"])
        said.append(f"{row['frame']}  {row['note']}  {row['state']}  {place}  {row['instruction']}{donors}  ({who})")
    if any(row["state"] == "draft" for row in rows):
        said.append(f"Next: glassine retouch confirm {job} FRAME ID, or glassine retouch withdraw {job} FRAME ID")
    return summary(said or ["No note yet."], [], job=job, notes=rows)


def add_notes(job: OpenJob, number: int, notes: Sequence[SaidNote], draft: str | None = None) -> None:
    """State notes of a select; `draft` is the one that they confirm."""

    def propose(manifest: Manifest) -> list[Fact]:
        frame = manifest.frame(number)
        if is_blocked(frame):
            raise CallError(
                "W004",
                f"Frame {frame['number']} is blocked ({frame['block']['reason']}): it does not leave for a retouch. Leave it out, or lift the block.",
            )
        if not is_selected(frame):
            raise CallError(
                "W004", f"Frame {frame['number']} is no select of a closed round: mark it and close the round first."
            )
        return [_note_fact(manifest, frame, note, job.by, draft) for note in notes]

    job.commit("retouch", propose)


def parse_note(text: str) -> SaidNote:
    """A note as it is typed: `REGION | instruction`, and `| from FRAME REGION` for each donor."""
    marked, bar, rest = text.partition("|")
    parts = rest.split("|")
    donors: list[Document] = []
    while parts[1:] and _DONOR.fullmatch(parts[-1].strip()):
        donors.insert(0, _parse_donor(parts.pop().strip().partition(" ")[2]))
    instruction = " ".join("|".join(parts).split())
    if not bar or not instruction:
        raise CallError(
            "W001",
            f"The note {text!r} is not written as 'REGION | instruction', such as 'xywh=percent:40,20,10,8 | stray hair'.",
        )
    return SaidNote(parse_region(marked.strip()), instruction, donors)


def _parse_donor(text: str) -> Document:
    found = _DONOR.fullmatch(f"from {text.strip()}")
    if not found:
        raise CallError(
            "W001",
            f"The donor {text!r} is not written as FRAME or FRAME REGION, such as '0012 xywh=percent:40,20,10,8'.",
        )
    return {"frame": int(found[1]), "region": parse_region(found[2]) if found[2] else None}


def _note_fact(manifest: Manifest, frame: Frame, note: SaidNote, person: str, draft: str | None) -> Fact:
    check_donors(manifest, frame, [donor["frame"] for donor in note.donors])
    donors = [f"{donor['frame']} {write_region(donor['region']) if donor['region'] else ''}" for donor in note.donors]
    said = "\n".join([note.instruction, *donors])
    fact: Fact = {
        "kind": "note",
        "frame": frame["frame"],
        "note": note_id(frame["frame"], person, write_region(note.region), said),
        "person": person,
        "region": note.region,
        "instruction": note.instruction,
    }
    if note.donors:
        fact["donors"] = note.donors
    if draft:
        fact["draft"] = draft
    return fact
