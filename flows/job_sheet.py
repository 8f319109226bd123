"""Opening a job with its job sheet, listing jobs, set-ups and blocks: what a studio manager says of a job."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from glassine.flows.open_job import CONTACT_SHEET, OpenJob
from glassine.flows.outcome import pretty_json, summary
from glassine.flows.rebalanced import Standing
from glassine.flows.sheet_check import check_sheet
from glassine.flows.sidecars import bring_sidecars_in_line
from glassine.flows.studio import Studio
from glassine.schemas.due import deliveries_with
from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import NOT_RIGHT, CallError, RecordError
from glassine.schemas.identifiers import check_job_number, print_frame
from glassine.schemas.job_record import JobRecord, create_job
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import spell_name
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document, check_document, read_document

Fact = dict[str, Any]
SHEET = "job.json"


def open_new_job(
    studio: Studio, number: str, sheet: Path | None, *, title: str | None, client: str | None, by: str | None
) -> Document:
    """Open a job: its folder on the working volume, its job sheet adopted, its record begun.

    Without a sheet, one is made from the title, the client and the studio's defaults. A job that is open already
    gets the new sheet.
    """
    check_job_number(number)
    who = spell_name(studio.who(by))  # before anything is made
    document = read_document(sheet, "job_sheet") if sheet else _plain_sheet(number, title, client)
    if document["job"] != number:
        raise CallError(
            "W001",
            f"{sheet} is the job sheet of {document['job']}, not of {number}: correct the number in one of the two.",
        )
    document = _with_defaults(studio, document)
    label = str(sheet or SHEET)
    check_document(document, "job_sheet", label=label)
    check_sheet(studio, number, document, label=label)
    folder = studio.working_volume().job_folder(number)
    known = JobRecord(folder).exists() and bool(JobRecord(folder).manifest().document["files"])  # opened to its end
    if known and sheet is None:
        raise CallError(
            "W003", f"Job {number} is open already, in {folder}: change its {SHEET}, or give a new sheet with --sheet."
        )
    same_folded = [other for other in studio.job_numbers() if other.casefold() == number.casefold() and other != number]
    if same_folded:
        raise CallError(
            "W003", f"Job {same_folded[0]} differs from {number} only in case: give the job another number."
        )
    if not JobRecord(folder).exists():
        _check_unknown(studio, number)
        create_job(folder, number, by=who)
    replace_file(folder / SHEET, pretty_json(document))
    job = OpenJob(studio, number, by)
    kept = job.path(f"sheets/job-sheet-{job.manifest.document['documents']['job-sheet']['revision']}.json")
    if not kept.exists():
        replace_file(kept, pretty_json(document))
    job.say("adopt", [job.hold(kept, "job sheet")])
    problems = job.finish()
    said = [f"Job {number} is open in {folder}"]
    licensed = {licence["client"].casefold() for licence in document.get("licences", [])}
    unlicensed = {d["client"] for d in document.get("deliverables", []) if d["client"].casefold() not in licensed}
    said += [
        f"Mind that nothing can be delivered to {client}: the sheet has no licence for it."
        for client in sorted(unlicensed)
    ]
    said += [f"Next: glassine ingest {number} CARD"] if not job.manifest.frames else []
    return summary(said, problems, job=number, folder=str(folder))


def assign_set_up(
    studio: Studio, number: str, name: str, frames: Sequence[int], by: str | None, *, arrangement: int | None = None
) -> Document:
    """Say to which set-up frames belong, and to which arrangement of its lights: by default the first, or what a frame
    of that set-up has."""
    if arrangement is not None and arrangement < 1:
        raise CallError("W001", f"--arrangement counts from 1, not {arrangement}.")
    job = OpenJob(studio, number, by)
    known = [set_up["name"] for set_up in job.manifest.sheet.get("set_ups", [])]
    if name not in known:
        raise CallError(
            "W002",
            f"The job sheet has no set-up {name!r} (known: {', '.join(known) or 'none'}): write it into {SHEET}.",
        )

    def propose(manifest: Manifest) -> list[Fact]:
        facts = []
        for frame in map(manifest.frame, frames):
            wanted = arrangement or (frame["arrangement"] if frame["set_up"] == name else 1)
            if (frame["set_up"], frame["arrangement"]) != (name, wanted):
                revision = frame["set_up_revision"] + 1
                moved = {"arrangement": wanted} if wanted > 1 else {}
                facts.append({"kind": "set_up", "frame": frame["frame"], "revision": revision, "set_up": name, **moved})
        return facts

    before = Standing.of(job.manifest)
    job.commit("selects", propose)
    said = [f"Set-up {name!r}: {_numbers(frames)}"]
    if moved := before.say(job.manifest):
        said += ["Their balance is that of this set-up now (`glassine job balance`).", *moved]
    return summary(said, job.finish(), job=number, set_up=name)


def set_block(
    studio: Studio, number: str, frames: Sequence[int], reason: str, *, blocked: bool, by: str | None
) -> Document:
    """Block frames, with a reason, or lift the block; blocked frames stay in custody and leave in no delivery."""
    if not reason.strip():
        raise CallError("W001", "A block needs a reason: --reason 'the sitter refused'.")
    job = OpenJob(studio, number, by)

    def propose(manifest: Manifest) -> list[Fact]:
        facts = []
        for frame in (manifest.frame(frame) for frame in frames):
            before = frame["block"]
            if (before["blocked"] if before else False) != blocked:
                revision = before["revision"] + 1 if before else 1
                facts.append(
                    {
                        "kind": "block",
                        "frame": frame["frame"],
                        "revision": revision,
                        "blocked": blocked,
                        "reason": reason,
                    }
                )
        return facts

    job.commit("block", propose)
    if blocked:
        take_sheet_away(job)
    bring_sidecars_in_line(job, frames)
    if blocked:
        _take_bundles_away(job, frames)
    problems = job.finish()
    said = [f"{'Blocked' if blocked else 'Free again'}: {_numbers(frames)} ({reason})."]
    if job.manifest.document["contact_sheet"]:
        said.append(f"`glassine advance {number}` makes the contact sheet again.")
    for frame in (job.manifest.frame(frame) for frame in frames):
        if blocked:
            said += _where_it_is(job, frame)
    return summary(said, problems, job=number, blocked=blocked, frames=[print_frame(frame) for frame in frames])


def _take_bundles_away(job: OpenJob, numbers: Sequence[int]) -> None:
    """The pictures of a blocked frame that lie ready to be sent to a retoucher; the papers stay. A hand-out that is
    said again after the block is lifted writes them anew."""
    for frame in job.manifest.frames:
        for retouch in frame["rounds"]:
            for folder in job.path(retouch["brief"]["path"]).glob("hand-out-*"):
                endings = {f"_{print_frame(number)}_donor.tif" for number in numbers}
                for file in folder.iterdir():
                    is_own = frame["frame"] in numbers and file.name not in ("brief.json", "brief.pdf")
                    if is_own or any(file.name.endswith(ending) for ending in endings):
                        file.unlink()


def _where_it_is(job: OpenJob, frame: Frame) -> list[str]:
    """Who has a blocked frame, or a piece of it, already: clients and retouchers, a sentence each."""
    said = []
    for delivery in deliveries_with(job.manifest, frame["frame"]):
        files = ", ".join(file["name"] for file in delivery["files"] if frame["frame"] in file["frames"])
        when = delivery["handed_over"]["at"][:10]
        said.append(
            f"Frame {frame['number']} is in delivery {delivery['delivery']} to {delivery['client']} of {when} already ({files}): ask them to withdraw it."
        )
    for other in job.manifest.frames:
        for retouch in other["rounds"]:
            extras = [extra["frame"] for extra in retouch["brief"]["extras"] if extra["use"] == "donor"]
            if retouch["hand_out"] and (other["frame"] == frame["frame"] or frame["frame"] in extras):
                name = job.record.people.name_of(retouch["hand_out"]["retoucher"])
                piece = "" if other["frame"] == frame["frame"] else f" as a donor for {other['number']}"
                said.append(f"Frame {frame['number']} was handed out to {name}{piece}: ask for it back.")
    return list(dict.fromkeys(said))


def take_sheet_away(job: OpenJob) -> None:
    """A contact sheet may show a frame that is blocked now; it is made again, without it, by the next proof or advance."""
    for ending in (".pdf", ".jpg"):
        job.path(f"{CONTACT_SHEET}{ending}").unlink(missing_ok=True)


def list_jobs(studio: Studio) -> Document:
    """Every job of the studio, with its title, client and how many frames it has."""
    rows, problems = [], []
    for number in studio.job_numbers():
        try:
            manifest = JobRecord(studio.job_folder(number)).manifest()
        except RecordError as error:
            problems.append(f"Job {number}: {error}")
            continue
        sheet = manifest.sheet
        rows.append(
            {
                "job": number,
                "title": sheet.get("title", ""),
                "client": sheet.get("client", ""),
                "frames": len(manifest.frames),
            }
        )
    said = [f"{row['job']}  {row['title']}  for {row['client']}  {row['frames']} frames" for row in rows] or [
        "No job yet."
    ]
    lost = studio.lost_jobs()
    problems += [say_lost(number) for number in lost]
    return summary(said, problems, status=NOT_RIGHT if problems else 0, jobs=rows, lost=lost)


def say_lost(number: str) -> str:
    """The sentence for a job that only a backup knows."""
    return f"Job {number} is on a backup and not on the working volume: bring it back with `glassine job restore {number}`."


def _check_unknown(studio: Studio, number: str) -> None:
    """A number that a volume knows a record of is not begun again: its job folder was lost, and must be brought back."""
    for volume in (studio.working_volume(), *studio.backups()[0]):
        if volume.heads(number) or volume.store.exists(f"{number}/record/00000001.json"):
            where = f"{volume.store.label}/{number}"
            raise RecordError(
                "R004",
                f"Volume {volume.name} holds a job {number} already, at {where}: bring it back with `glassine job restore {number}` instead of opening it anew.",
            )


def _plain_sheet(number: str, title: str | None, client: str | None) -> Document:
    if not client:
        raise CallError(
            "W001", f"Opening job {number} needs --sheet FILE, or --client NAME (and --title) for a plain one."
        )
    return {"format": 1, "job": number, "title": title or number, "client": client}


def _with_defaults(studio: Studio, sheet: Document) -> Document:
    """The sheet with what the studio's settings say where it is silent."""
    filled = dict(sheet)
    if not filled.get("preview_look") and studio.default("preview_look"):
        filled["preview_look"] = studio.default("preview_look")
    if not filled.get("finals") and studio.default("final_look"):
        filled["finals"] = [{"final": "main", "look": studio.default("final_look")}]
    if not filled.get("deliverables") and studio.default("specification"):
        usual = studio.client(sheet["client"]).get("specification") or studio.default("specification")
        filled["deliverables"] = [{"client": sheet["client"], "specification": usual}]
    return json.loads(json.dumps(filled))  # type: ignore[no-any-return]


def _numbers(frames: Sequence[int]) -> str:
    return ", ".join(print_frame(frame) for frame in frames)
