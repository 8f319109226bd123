"""Retouch: the brief, the hand-out to a named retoucher, and the return with its check."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import run_batches
from glassine.flows.decoding import decode_one
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import pretty_json, summary
from glassine.flows.proof import proof_path
from glassine.flows.studio import read_studio
from glassine.schemas.durable_file import replace_file
from glassine.schemas.entry import canonical_bytes, digest_of
from glassine.schemas.errors import NOT_RIGHT, CallError, FrameError, VolumeError
from glassine.schemas.identifiers import note_id, utc_now
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, is_blocked, is_selected, last_return
from glassine.schemas.validation import Document, check_document
from glassine.tasks.custody.card_walk import stem_of
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.original_name import safe_part
from glassine.tasks.custody.replication import replicate
from glassine.tasks.handoff.annotation import parse_region, write_region
from glassine.tasks.handoff.brief import brief_document, write_brief_pdf
from glassine.tasks.handoff.take_back import check_return
from glassine.tasks.imaging.base_file import make_base

Fact = dict[str, Any]


@flow(name="retouch brief")
def brief(
    studio: str,
    job: str,
    frame: int,
    notes: list[str],
    standing: list[str] | None = None,
    grader: str | None = None,
    by: str | None = None,
) -> Document:
    """Write the brief of a frame's next retouch round: its notes, the base file, the reference proof, the PDF.

    Each note is `REGION | instruction`, with a region such as `xywh=percent:40,20,10,8`. While a round is out the
    same call again changes nothing, and another one is refused.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    person = open_job.by
    open_job.commit(
        "retouch", partial(_propose_notes, number=frame, notes=[_parse_note(text) for text in notes], person=person)
    )
    state = open_job.manifest.frame(frame)
    asked = [*open_job.manifest.sheet.get("standing_instructions", []), *(standing or [])]
    wanted = _notes_for_next_round(state)
    retouch = _open_round(state)
    grader_id = open_job.record.people.person_of(grader) if grader else None
    is_new = retouch is not None and (
        not set(_ids(wanted)) <= set(retouch["brief"]["notes"])
        or not set(standing or []) <= set(retouch["brief"]["standing"])
        or grader_id not in (None, retouch["brief"]["grader"])
    )
    if retouch and retouch["hand_out"] and is_new:
        raise CallError(
            "W004",
            f"Round {retouch['round']} of frame {state['number']} is still out: what is new goes into the next round, after the return.",
        )
    if retouch and is_new:  # not handed out: the new brief holds what the old one asked, too
        asked = list(dict.fromkeys([*retouch["brief"]["standing"], *asked]))
        grader_id = grader_id or retouch["brief"]["grader"]
    if not retouch or is_new:
        if not wanted and not (standing or (not state["rounds"] and asked)):
            raise CallError(
                "W001",
                f"A brief for frame {state['number']} needs a note or a standing instruction: --note 'REGION | instruction'.",
            )
        _write_brief(open_job, state, wanted, asked, grader_id)
    problems = open_job.finish()
    state = open_job.manifest.frame(frame)
    said = state["rounds"][-1]
    folder = open_job.path(said["brief"]["path"])
    lines = [
        f"Brief of frame {state['number']}, round {said['round']}: {len(said['brief']['notes'])} notes, in {folder}"
    ]
    return summary(lines, problems, job=job, frame=state["number"], round=said["round"], folder=str(folder))


@flow(name="retouch hand-out")
def hand_out(
    studio: str, job: str, frames: list[int], retoucher: str, due: str | None = None, by: str | None = None
) -> Document:
    """Hand briefed frames out to a named retoucher, with a due date; said again with another name, it moves them."""
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    if due:
        _check_date(due)
    person = open_job.record.people.person_of(retoucher)
    for number in frames:
        _require_open_round(open_job.manifest, number)

    def propose(manifest: Manifest) -> list[Fact]:
        facts = []
        for number in frames:
            retouch = _require_open_round(manifest, number)
            before = retouch["hand_out"]
            if not before or (before["retoucher"], before["due"]) != (person, due):
                revision = before["revision"] + 1 if before else 1
                facts.append(
                    {
                        "kind": "hand_out",
                        "frame": number,
                        "round": retouch["round"],
                        "revision": revision,
                        "retoucher": person,
                        "due": due,
                    }
                )
        return facts

    open_job.commit("retouch", propose)
    folders = []
    for number in frames:
        state = open_job.manifest.frame(number)
        _write_hand_out(open_job, state)
        folders.append(str(open_job.path(hand_out_folder(state["rounds"][-1]))))
    problems = open_job.finish()
    until = f", due {due}" if due else ""
    said = [f"Handed out to {retoucher}{until}: send the folder {folder}" for folder in folders]
    if due and due < utc_now()[:10]:
        said.append(f"Mind that {due} is past.")
    return summary(said, problems, job=job, retoucher=retoucher, due=due, folders=folders)


@flow(name="retouch take-back")
def take_back(studio: str, job: str, frame: int, file: str, by: str | None = None) -> Document:
    """Take a returned file into custody and check it against its base and its notes; exit status 1 when refused."""
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    state = open_job.manifest.frame(frame)
    source = Path(file)
    if not source.is_file():
        raise CallError("W002", f"{file} is no file: name the file that the retoucher returned.")
    sha256 = hash_file(source)
    retouch = state["rounds"][-1] if state["rounds"] else None
    if retouch is None or not retouch["hand_out"]:
        raise CallError("W004", f"Frame {state['number']} is not handed out: brief it and hand it out first.")
    known = [returned for returned in retouch["take_backs"] if returned["sha256"] == sha256]
    if not known:
        _require_open_round(open_job.manifest, frame)
        path = _keep_return(open_job, retouch, source, sha256)
        _judge_return(open_job, state, retouch, path, source.name)
    problems = open_job.finish()
    returned = next(r for r in open_job.manifest.frame(frame)["rounds"][-1]["take_backs"] if r["sha256"] == sha256)
    return _report(open_job, state, retouch, returned, problems)


def render_base(job: OpenJob, frame: Frame, out: str) -> Document:
    """Make the base file of a frame's next round in a disposable worker; the facts of the file, with its path.

    The first round starts from the original, a later one from what was accepted last: its work is kept.
    """
    returned = last_return(frame)
    source = job.find_whole(returned["sha256"] if returned else frame["sha256"])

    def base_batch(batch: list[Path]) -> Document:
        outcome = decode_one(job.studio, partial(make_base, batch[0], job.path(out)))
        if outcome.failure and not outcome.of_file:
            raise VolumeError("V003", f"The base file of frame {frame['number']} was not made: {outcome.failure}")
        if outcome.failure:
            raise FrameError("P001", f"Frame {frame['number']} has no base file: {outcome.failure}")
        return dict(outcome.value)

    made = next(run_batches("base file", base_batch, [[source]]))
    return {"path": out, **{name: made[name] for name in ("sha256", "size", "width", "height", "bits", "profile")}}


def _parse_note(text: str) -> tuple[Document, str]:
    marked, bar, instruction = text.partition("|")
    if not bar or not instruction.strip():
        raise CallError(
            "W001",
            f"The note {text!r} is not written as 'REGION | instruction', such as 'xywh=percent:40,20,10,8 | stray hair'.",
        )
    return parse_region(marked.strip()), " ".join(instruction.split())


def _propose_notes(manifest: Manifest, number: int, notes: Sequence[tuple[Document, str]], person: str) -> list[Fact]:
    frame = manifest.frame(number)
    if is_blocked(frame):
        raise CallError(
            "W004", f"Frame {frame['number']} is blocked ({frame['block']['reason']}): it does not leave for a retouch."
        )
    if not is_selected(frame):
        raise CallError(
            "W004", f"Frame {frame['number']} is no select of a closed round: mark it and close the round first."
        )
    return [
        {
            "kind": "note",
            "frame": number,
            "note": note_id(number, person, write_region(region), instruction),
            "person": person,
            "region": region,
            "instruction": instruction,
        }
        for region, instruction in notes
    ]


def _notes_for_next_round(frame: Frame) -> list[Document]:
    # A brief that nobody has been handed is followed by a new one, which holds its notes too.
    briefed = {note for retouch in frame["rounds"] if retouch["hand_out"] for note in retouch["brief"]["notes"]}
    return [note for note in frame["notes"] if note["note"] not in briefed]


def _ids(notes: list[Document]) -> list[str]:
    return [note["note"] for note in notes]


def _open_round(frame: Frame) -> Document | None:
    """The round under way: briefed, and not come back accepted."""
    if not frame["rounds"] or any(returned["accepted"] for returned in frame["rounds"][-1]["take_backs"]):
        return None
    newest: Document = frame["rounds"][-1]
    return newest


def _require_open_round(manifest: Manifest, number: int) -> Document:
    frame = manifest.frame(number)
    if is_blocked(frame):
        raise CallError(
            "W004", f"Frame {frame['number']} is blocked ({frame['block']['reason']}): it leaves for no retouch."
        )
    retouch = _open_round(frame)
    if retouch is None:
        raise CallError("W004", f"Frame {frame['number']} has no retouch round under way: write its brief first.")
    return retouch


def _write_brief(job: OpenJob, frame: Frame, notes: list[Document], standing: list[str], grader: str | None) -> None:
    number = len(frame["rounds"]) + 1
    # Two people who brief one frame at once write into folders of their own, and the record names one.
    asked = digest_of(canonical_bytes([[note["note"] for note in notes], standing, grader]))[:8]
    folder = f"retouch/{frame['number']}/round-{number}.{asked}"
    base = render_base(job, frame, f"{folder}/{job.number}_{frame['number']}_r{number}_base.tif")
    _write_bundle(job, frame, number, folder, base, notes, standing, grader, name="brief", retoucher=None, due=None)
    fact: Fact = {
        "kind": "brief",
        "frame": frame["frame"],
        "round": number,
        "path": folder,
        "sha256": hash_file(job.path(f"{folder}/brief.json")),
        "notes": [note["note"] for note in notes],
        "grader": grader,
        "standing": standing,
        "base": base,
    }
    holdings = [job.hold(job.path(f"{folder}/{name}"), "brief") for name in ("brief.json", "brief.pdf")]
    holdings.append(job.hold(job.path(base["path"]), "base file"))

    def propose(manifest: Manifest) -> list[Fact]:
        rounds = manifest.frame(frame["frame"])["rounds"]
        if len(rounds) >= number and rounds[number - 1]["brief"]["path"] != folder:
            raise CallError(
                "W004",
                f"Somebody else wrote the brief of frame {frame['number']}, round {number}, just now: read that first.",
            )
        return [fact, *holdings]

    job.commit("brief", propose)


def _write_hand_out(job: OpenJob, frame: Frame) -> None:
    """All that is sent to the retoucher, in a folder of its own: base file, reference, the brief with name and due date."""
    retouch = frame["rounds"][-1]
    told = retouch["brief"]
    given = retouch["hand_out"]
    notes = [note for note in frame["notes"] if note["note"] in told["notes"]]
    folder = hand_out_folder(retouch)
    _write_bundle(
        job, frame, retouch["round"], folder, told["base"], notes, told["standing"], told["grader"],
        name="brief", retoucher=given["retoucher"], due=given["due"],
    )  # fmt: skip
    base = job.path(f"{folder}/{Path(told['base']['path']).name}")
    if not base.exists():
        _put_beside(job.find_whole(told["base"]["sha256"]), base)
    job.say("brief", [job.hold(job.path(f"{folder}/{name}"), "brief") for name in ("brief.json", "brief.pdf")])


def hand_out_folder(retouch: Document) -> str:
    """The folder that is sent to a retoucher: each hand-out has its own, so that no other person's papers lie in it."""
    return f"{retouch['brief']['path']}/hand-out-{retouch['hand_out']['revision']}"


def _put_beside(source: Path, target: Path) -> None:
    """The same file under a second name; a copy of its bytes where the file system has no links."""
    try:
        os.link(source, target)
    except OSError:
        replace_file(target, source.read_bytes())


def _write_bundle(
    job: OpenJob,
    frame: Frame,
    number: int,
    folder: str,
    base: Document,
    notes: list[Document],
    standing: list[str],
    grader: str | None,
    *,
    name: str,
    retoucher: str | None,
    due: str | None,
) -> None:
    if not frame["proof"]:
        raise CallError(
            "W004",
            f"Frame {frame['number']} has no proof in the look in force: run `glassine proof {job.number}` first.",
        )
    shown = proof_path(job, frame)
    reference = job.path(f"{folder}/{job.number}_{frame['number']}_reference{shown.suffix}")
    if not reference.exists():
        reference.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(shown, reference)
    document = brief_document(
        job=job.number,
        frame=frame["frame"],
        round_number=number,
        base=base,
        proof={"path": job.relative(reference), "sha256": hash_file(reference)},
        standing=standing,
        notes=[_as_annotated(note) for note in notes],
        retoucher=retoucher,
        due=due,
        grader=grader,
    )
    check_document(document, "brief", label=f"{folder}/{name}.json")
    replace_file(job.path(f"{folder}/{name}.json"), pretty_json(document))
    people = {
        person: job.record.people.name_of(person)
        for person in (retoucher, grader, *(n["person"] for n in notes))
        if person
    }
    write_brief_pdf(document, reference, job.path(f"{folder}/{name}.pdf"), names=people)


def _as_annotated(note: Document) -> Document:
    return {
        "id": note["note"],
        "region": note["region"],
        "instruction": note["instruction"],
        "by": note["person"],
        "made": note["at"],
    }


def _check(job: OpenJob, frame: Frame, retouch: Document, source: Path) -> Document:
    """Compare a return with its base in a disposable worker: it is a foreign file."""
    told = retouch["brief"]
    base = job.find_whole(told["base"]["sha256"])
    notes = [_as_annotated(note) for note in frame["notes"] if note["note"] in told["notes"]]
    picture = job.path(f"{told['path']}/changes-{hash_file(source)[:8]}.jpg")
    check: Callable[[], Any] = partial(
        check_return,
        base,
        source,
        notes,
        base_facts=told["base"],
        threshold=job.studio.change_threshold,
        picture=picture,
    )

    def check_batch(batch: list[Callable[[], Any]]) -> Document:
        outcome = decode_one(job.studio, batch[0])
        if outcome.failure and not outcome.of_file:
            raise VolumeError(
                "V004", f"The return of frame {frame['number']} is kept, but was not checked: {outcome.failure}"
            )
        if outcome.failure:
            nothing = {"changed_fraction": 0.0, "boxes": []}
            return {"accepted": False, "causes": [outcome.failure], "notes": [], "outside": nothing}
        return dict(outcome.value)

    return next(run_batches("check return", check_batch, [[check]]))


def _keep_return(job: OpenJob, retouch: Document, source: Path, sha256: str) -> Path:
    """A return is kept as it came, before anything is made of it, accepted or not, under the copy rule."""
    ending = safe_part(source.suffix, 12) if source.suffix else ""
    wanted = f"{retouch['brief']['path']}/returns/{safe_part(stem_of(source.name))}.{sha256[:8]}{ending}"
    replica = replicate(source, job.number, [job.working], lambda _: wanted, expected=sha256)
    if replica.failures:
        raise replica.failures[0]
    copy = replica.copies[0]
    job.say(
        "take-back",
        [
            {"kind": "holding", "sha256": sha256, "size": replica.size, "path": copy.path, "role": "return"},
            copy.as_fact(sha256),
        ],
    )
    return job.path(copy.path)


def _judge_return(job: OpenJob, frame: Frame, retouch: Document, kept: Path, name: str) -> None:
    """Check a kept return, and state what came of it; another return that was accepted meanwhile goes first."""
    checked = _check(job, frame, retouch, kept)
    fact: Fact = {
        "kind": "take_back",
        "frame": frame["frame"],
        "round": retouch["round"],
        "sha256": hash_file(kept),
        "size": kept.stat().st_size,
        "name": safe_part(name),
        "path": job.relative(kept),
        "accepted": checked["accepted"],
        "causes": [cause[:2000] for cause in checked["causes"]],
        "notes": [
            {"note": note["id"], "changed": note["changed"], "changed_fraction": note["changed_fraction"]}
            for note in checked["notes"]
        ],
        "outside": {name: checked["outside"][name] for name in ("changed_fraction", "boxes")},
    }

    def propose(manifest: Manifest) -> list[Fact]:
        if _require_open_round(manifest, frame["frame"])["round"] != retouch["round"]:
            raise CallError("W004", f"Round {retouch['round']} of frame {frame['number']} is over.")
        return [fact]

    job.commit("take-back", propose)


def _report(job: OpenJob, frame: Frame, retouch: Document, returned: Document, problems: list[str]) -> Document:
    notes = {note["note"]: note for note in frame["notes"]}
    verdict = "accepted" if returned["accepted"] else "refused"
    said = [f"Return of frame {frame['number']}, round {retouch['round']}: {verdict}."]
    said += returned["causes"]
    for number, note in enumerate(returned["notes"], 1):
        done = f"changed ({note['changed_fraction']:.0%} of its region)" if note["changed"] else "not changed"
        said.append(f"Note {number}, {notes[note['note']]['instruction']!r}: {done}.")
    outside = returned["outside"]
    if outside["boxes"]:
        said.append(
            f"Changed outside the notes, for the reviewer to judge: {outside['changed_fraction']:.2%} of the picture, in {len(outside['boxes'])} places."
        )
    picture = job.path(f"{retouch['brief']['path']}/changes-{returned['sha256'][:8]}.jpg")
    if picture.exists():
        said.append(f"What changed: {picture}")
    status = 0 if returned["accepted"] else NOT_RIGHT
    return summary(
        said, problems, status=status, job=job.number, frame=frame["number"], round=retouch["round"], take_back=returned
    )


def _check_date(text: str) -> None:
    try:
        date.fromisoformat(text)
    except ValueError as error:
        raise CallError("W001", f"{text!r} is no date: write it as {utc_now()[:10]}.") from error
