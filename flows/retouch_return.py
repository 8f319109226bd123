"""What comes back from a retoucher: taken into custody, checked against its base, and judged by a person."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import run_batches
from glassine.flows.decoding import decode_one, make_picture
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.retouch import open_owed_rounds, require_round_out
from glassine.flows.retouch_bundle import as_annotated
from glassine.flows.retouch_notes import add_notes, parse_note
from glassine.flows.studio import read_studio
from glassine.schemas.due import owed_rounds
from glassine.schemas.errors import NOT_RIGHT, CallError, VolumeError
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import (
    Frame,
    current_round,
    is_blocked,
    live_notes,
    only_notes_undone,
    outcome_of,
    rounds_under,
)
from glassine.schemas.validation import Document
from glassine.tasks.custody.card_walk import stem_of
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.original_name import safe_part
from glassine.tasks.custody.replication import replicate
from glassine.tasks.custody.source_file import SourceFile
from glassine.tasks.handoff.take_back import check_return
from glassine.tasks.imaging.flat import derive_flat

Fact = dict[str, Any]
REASONS = ("missed note", "client's change", "unasked change", "other")
"""Why a person rejects a return; the next round's brief says it."""
MAX_HOURS = 1000


@flow(name="retouch take-back")
def take_back(
    studio: str,
    job: str,
    frame: int,
    file: str,
    hours: float | None = None,
    used: list[int] | None = None,
    by: str | None = None,
) -> Document:
    """Take a returned file into custody and check it against its base and its notes; exit status 1 when refused.

    A note left undone opens the next round. A file that is not this round's work is refused, and the round stays out.
    What changed and nobody asked for is shown, and waits for a review.
    """
    if hours is not None and not 0 <= hours <= MAX_HOURS:
        raise CallError("W001", f"--hours is a number from 0 to {MAX_HOURS}, such as 1.5, not {hours}.")
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    state = open_job.manifest.frame(frame)
    source = Path(file)
    if not source.is_file():
        raise CallError("W002", f"{file} is no file: name the file that the retoucher returned.")
    sha256 = hash_file(source)
    newest = current_round(state)
    known = newest and any(returned["sha256"] == sha256 for returned in newest["take_backs"])
    if known and (hours is not None or used):
        raise CallError(
            "W004", f"{file} was taken back already: what it took and what was used is said with the first take-back."
        )
    if not known:
        retouch = require_round_out(open_job.manifest, frame)
        if not retouch["hand_out"]:
            raise CallError(
                "W004",
                f"Round {retouch['round']} of frame {state['number']} is not handed out: `glassine retouch hand-out {job} {state['number']} --to NAME` first.",
            )
        for number in used or []:
            if is_blocked(open_job.manifest.frame(number)):
                raise CallError(
                    "W004",
                    f"Frame {number:04d} is blocked, and a retouch that uses it may not be taken back: lift the block first.",
                )
        kept = _keep_return(open_job, retouch, source, sha256)
        _judge_return(open_job, state, retouch, kept, source.name, hours, used or [])
    owed = [found for found in owed_rounds(open_job.manifest) if found["frame"] == frame]
    problems: list[str] = []
    opened = open_owed_rounds(open_job, owed, problems)
    problems += open_job.finish()
    said, found = _report(open_job, open_job.manifest.frame(frame), sha256)
    status = NOT_RIGHT if outcome_of(found) in ("refused", "rejected") else 0
    return summary(
        said + opened, problems, status=status, job=job, frame=state["number"], round=found["round"], take_back=found
    )


@flow(name="retouch review")
def review(
    studio: str,
    job: str,
    frame: int,
    *,
    accepted: bool,
    why: str | None = None,
    text: str = "",
    notes: list[str] | None = None,
    by: str | None = None,
) -> Document:
    """Accept or reject the newest return of a frame, in somebody's name; a rejection opens the next round with its cause.

    `why` is one of `REASONS`. After a client's change the next round goes on from this return; else from its base.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    state = open_job.manifest.frame(frame)
    said_notes = [parse_note(note) for note in notes or []]
    if not accepted and why not in REASONS:
        raise CallError("W001", f"A rejection says why: one of {', '.join(map(repr, REASONS))}.")
    if not accepted and not (text.strip() or said_notes):
        raise CallError("W001", "A rejection says what is wanted: --text 'what is to be done', or --note.")
    if accepted and (why or said_notes):
        raise CallError("W001", "What is accepted has no cause and no new note: leave --note away, or reject.")
    _, returned = _to_judge(open_job.manifest, state, accepted=accepted)
    if said_notes:
        add_notes(open_job, frame, said_notes)

    def propose(manifest: Manifest) -> list[Fact]:
        retouch, returned = _to_judge(manifest, manifest.frame(frame), accepted=accepted)
        before = returned["review"]
        if before and before["accepted"] == accepted and (before["why"], before["text"]) == (why, text):
            return []
        revision = before["revision"] + 1 if before else 1
        fact = {"kind": "review", "frame": frame, "round": retouch["round"], "sha256": returned["sha256"]}
        return [{**fact, "revision": revision, "accepted": accepted, "why": why, "text": text}]

    open_job.commit("review", propose)
    owed = [found for found in owed_rounds(open_job.manifest) if found["frame"] == frame]
    said = [f"Return of frame {state['number']}, round {returned['round']}: {'accepted' if accepted else 'rejected'}."]
    problems: list[str] = []
    said += open_owed_rounds(open_job, owed, problems)
    if accepted:
        said.append(f"Next: glassine advance {job}")
    problems += open_job.finish()
    return summary(said, problems, job=job, frame=state["number"], round=returned["round"], accepted=accepted)


def _to_judge(manifest: Manifest, frame: Frame, *, accepted: bool) -> tuple[Document, Document]:
    """The newest return that came back, with its round, if a person may still judge it so."""
    counting = [retouch for retouch in frame["rounds"] if not retouch["called_off"]]
    back = [retouch for retouch in counting if retouch["take_backs"]]
    if not back:
        raise CallError(
            "W004", f"Nothing of frame {frame['number']} came back yet: `glassine retouch take-back` first."
        )
    retouch = back[-1]
    returned: Document = retouch["take_backs"][-1]
    later = [newer for newer in counting if newer["round"] > retouch["round"] and newer["hand_out"]]
    if later:
        raise CallError(
            "W004", f"Round {later[-1]['round']} of frame {frame['number']} is handed out already: judge its return."
        )
    if outcome_of(returned) == "refused":
        if not accepted:
            raise CallError(
                "W004",
                f"The return of frame {frame['number']} was refused by the check already: see `glassine retouch list`.",
            )
        if not only_notes_undone(returned):
            cause = returned["causes"][0] if returned["causes"] else "it is no work of this round"
            raise CallError("W004", f"What came back of frame {frame['number']} cannot be accepted: {cause}")
    return retouch, returned


def _keep_return(job: OpenJob, retouch: Document, source: Path, sha256: str) -> Path:
    """A return is kept as it came, before anything is made of it, accepted or not, under the copy rule."""
    if job.manifest.holder(sha256):
        return job.find_whole(sha256)
    ending = safe_part(source.suffix, 12) if source.suffix else ""
    wanted = f"{retouch['brief']['path']}/returns/{safe_part(stem_of(source.name))}.{sha256[:8]}{ending}"
    replica = replicate(SourceFile(source), job.number, [job.working], lambda _: wanted, expected=sha256)
    if replica.failures:
        raise replica.failures[0]
    copy = replica.copies[0]
    holding = {"kind": "holding", "sha256": sha256, "size": replica.size, "path": copy.path, "role": "return"}
    job.say("take-back", [holding, copy.as_fact(sha256)])
    return job.path(copy.path)


def _judge_return(
    job: OpenJob, frame: Frame, retouch: Document, kept: Path, name: str, hours: float | None, used: list[int]
) -> None:
    """Check a kept return, and state what came of it; another return that was accepted meanwhile goes first."""
    sha256 = hash_file(kept)
    checked = _known_return(frame, retouch, sha256) or _check(job, frame, retouch, kept)
    is_work_of_round = all(fault["kind"] == "note undone" for fault in checked["faults"])
    flat = _derive_flat(job, frame, kept) if checked["layered"] and is_work_of_round else None
    fact: Fact = {
        "kind": "take_back",
        "frame": frame["frame"],
        "round": retouch["round"],
        "sha256": sha256,
        "size": kept.stat().st_size,
        "name": safe_part(name),
        "path": _path_in_job(job, kept, sha256),
        "accepted": checked["accepted"],
        "causes": [cause[:2000] for cause in checked["causes"]],
        "notes": [
            {"note": note["id"], "changed": note["changed"], "changed_fraction": note["changed_fraction"]}
            for note in checked["notes"]
        ],
        "outside": {name: checked["outside"][name] for name in ("changed_fraction", "boxes")},
        "faults": [{**fault, "text": fault["text"][:2000]} for fault in checked["faults"]],
        "to_review": bool(checked["accepted"] and checked["outside"]["boxes"]),
        "flat": flat,
        "remarks": [remark[:2000] for remark in checked["remarks"]],
        "hours": hours,
        "used": sorted(set(used)),
    }
    held = [job.hold(job.path(flat["path"]), "flat")] if flat else []

    def propose(manifest: Manifest) -> list[Fact]:
        if require_round_out(manifest, frame["frame"])["round"] != retouch["round"]:
            raise CallError(
                "W004", f"Round {retouch['round']} of frame {frame['number']} is over: see `glassine retouch list`."
            )
        return [fact, *held]

    job.commit("take-back", propose)


def _path_in_job(job: OpenJob, kept: Path, sha256: str) -> str:
    holder = job.manifest.holder(sha256)
    return str(holder["path"]) if holder else job.relative(kept)


def _known_return(frame: Frame, retouch: Document, sha256: str) -> Document | None:
    """What to say of a file that was returned in an earlier round, byte for byte; None when it was not."""
    for earlier in frame["rounds"]:
        if earlier["round"] < retouch["round"] and any(back["sha256"] == sha256 for back in earlier["take_backs"]):
            text = f"This is the return of round {earlier['round']} again, byte for byte: ask for that of round {retouch['round']}."
            return _refused("older round", text)
    return None


def _refused(kind: str, text: str) -> Document:
    """The report of a check that could not compare the file."""
    return {
        "accepted": False,
        "causes": [text],
        "faults": [{"kind": kind, "text": text, "note": None}],
        "remarks": [],
        "notes": [],
        "outside": {"changed_fraction": 0.0, "boxes": []},
        "layered": False,
    }


def _check(job: OpenJob, frame: Frame, retouch: Document, source: Path) -> Document:
    """Compare a return with its base in a disposable worker: it is a foreign file."""
    told = retouch["brief"]
    base = job.find_whole(told["base"]["sha256"])
    live = {note["note"] for note in live_notes(frame)}
    asked = [note for note in frame["notes"] if note["note"] in told["notes"] and note["note"] in live]
    notes = [as_annotated(note, told["extras"]) for note in asked]
    check: Callable[[], Any] = partial(
        check_return,
        base,
        source,
        notes,
        base_facts=told["base"],
        threshold=job.studio.change_threshold,
        picture=job.path(_picture_of_changes(retouch, hash_file(source))),
        older=_older_rounds(job, frame, told["base_round"]),
    )

    def check_batch(batch: list[Callable[[], Any]]) -> Document:
        outcome = decode_one(job.studio, batch[0])
        if outcome.failure and not outcome.of_file:
            raise VolumeError(
                "V004",
                f"The return of frame {frame['number']} is kept, but was not checked: {outcome.failure.rstrip('.')}. Run the same command again.",
            )
        if outcome.failure:
            return _refused("technical", outcome.failure)
        return dict(outcome.value)

    return next(run_batches("check return", check_batch, [[check]]))


def _older_rounds(job: OpenJob, frame: Frame, base_round: int) -> list[Document]:
    """The rounds whose work the base file holds already, each with its own base file and notes."""
    older = []
    for retouch in rounds_under(frame, base_round):
        told = retouch["brief"]
        notes = [{"id": n["note"], "region": n["region"]} for n in frame["notes"] if n["note"] in told["notes"]]
        older.append({"round": retouch["round"], "base": job.find_whole(told["base"]["sha256"]), "notes": notes})
    return older


def _derive_flat(job: OpenJob, frame: Frame, kept: Path) -> Document:
    """The flat picture of a layered return, which everything later is made of; the layers stay as they came."""
    if not kept.is_relative_to(job.folder):
        raise VolumeError(
            "V001",
            f"The return of frame {frame['number']} is not on the working volume: run `glassine verify {job.number} --repair`.",
        )
    out = kept.with_name(f"{kept.stem}.flat.tif")
    return make_picture(
        job,
        "flat",
        partial(derive_flat, kept, out),
        job.relative(out),
        what=f"The return of frame {frame['number']} is kept, but no flat picture was made of it",
        advice="Ask the retoucher for a flat TIFF.",
    )


def _picture_of_changes(retouch: Document, sha256: str) -> str:
    return f"{retouch['brief']['path']}/changes-{sha256[:8]}.jpg"


def _report(job: OpenJob, frame: Frame, sha256: str) -> tuple[list[str], Document]:
    """What is said of the newest return with this digest, and the return itself."""
    retouch, returned = next(
        (retouch, back)
        for retouch in reversed(frame["rounds"])
        for back in retouch["take_backs"]
        if back["sha256"] == sha256
    )
    notes = {note["note"]: note for note in frame["notes"]}
    outcome = outcome_of(returned)
    words = "accepted by the check, and waits for a review" if outcome == "to review" else outcome
    said = [f"Return of frame {frame['number']}, round {retouch['round']}: {words}."]
    said += returned["causes"]
    for number, note in enumerate(returned["notes"], 1):
        done = f"changed ({note['changed_fraction']:.0%} of its region)" if note["changed"] else "not changed"
        said.append(f"Note {number}, {notes[note['note']]['instruction']!r}: {done}.")
    outside = returned["outside"]
    if outside["boxes"]:
        places = f"{len(outside['boxes'])} place{'s' if outside['boxes'][1:] else ''}"
        said.append(
            f"Changed outside the notes, and nobody asked for it: {outside['changed_fraction']:.2%} of the picture, in {places}."
        )
    said += returned["remarks"]
    picture = job.path(_picture_of_changes(retouch, sha256))
    if picture.exists():
        said.append(f"What changed (blue: in the notes; orange: outside them): {picture}")
    if returned["flat"]:
        said.append(f"It came with layers, which are kept; the flat picture: {job.path(returned['flat']['path'])}")
    if outcome == "to review":
        call = f"glassine retouch review {job.number} {frame['number']}"
        said.append(f"Next: look at it, then `{call} --accept`, or `{call} --reject 'unasked change' --text WHAT`.")
    if outcome == "refused" and not only_notes_undone(returned):
        said.append(f"Round {retouch['round']} stays out: take back the right file when it comes.")
    return said, returned
