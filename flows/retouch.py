"""Retouch: the brief of a round, and the hand-out to a named retoucher."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.retouch_bundle import Asked, asked_in, blocked_frames, write_brief, write_hand_out
from glassine.flows.retouch_notes import add_notes, check_donors, parse_note
from glassine.flows.studio import Studio, read_studio
from glassine.schemas.balance import balance_of_base
from glassine.schemas.errors import CallError, GlassineError
from glassine.schemas.identifiers import counted, utc_now
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import (
    Frame,
    base_of_next_round,
    current_round,
    is_blocked,
    notes_to_ask,
    refused_return,
    round_state,
)
from glassine.schemas.validation import Document
from glassine.tasks.custody.original_name import safe_part

Fact = dict[str, Any]
MAX_STOPS = 5.0
"""Farther than this a rendering shows nothing but clipping or noise (own choice)."""


@flow(name="retouch brief")
def brief(
    studio: str,
    job: str,
    frame: int,
    notes: list[str],
    standing: list[str] | None = None,
    grader: str | None = None,
    level: str | None = None,
    renderings: list[str] | None = None,
    why: str | None = None,
    text: str | None = None,
    by: str | None = None,
    *,
    with_original: bool = False,
) -> Document:
    """Write the brief of a frame's next retouch round: its notes, the base files, the reference proof, the PDF.

    Each note is `REGION | instruction`, with a region such as `xywh=percent:40,20,10,8`, and `| from 0012 REGION`
    after it for each donor frame. While a round is out the same call again changes nothing, and another one is refused.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    said = [parse_note(note) for note in notes]
    wanted = Asked(
        notes=[],
        standing=standing or [],
        level=_level(open_job.studio, level),
        grader=open_job.record.people.person_of(grader) if grader else None,
        renderings=_parse_renderings(renderings or []),
        with_original=with_original,
        cause={"why": why, "text": text or "", "return": None} if why else None,
    )
    add_notes(open_job, frame, said)
    _brief_if_new(open_job, frame, wanted)
    problems = open_job.finish()
    state = open_job.manifest.frame(frame)
    retouch = current_round(state)
    assert retouch is not None  # it was just written, or was there
    told = retouch["brief"]
    folder = open_job.path(told["path"])
    lines = [
        f"Brief of frame {state['number']}, round {retouch['round']}: {counted(len(told['notes']), 'note')}, in {folder}"
    ]
    if (told.get("balance") or {"stops": 0})["stops"] > 0:
        lines.append(
            f"Its base file is {told['balance']['stops']:+.2f} stops: what that lifts over white is clipped in it."
        )
    lines += _next_step(job, state, retouch)
    return summary(lines, problems, job=job, frame=state["number"], round=retouch["round"], folder=str(folder))


@flow(name="retouch hand-out")
def hand_out(
    studio: str, job: str, frames: list[int], retoucher: str, due: str | None = None, by: str | None = None
) -> Document:
    """Hand briefed frames out to a named retoucher, with a due date; said again with another name, it moves them."""
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    if due:
        _check_date(due)
    for number in frames:
        require_round_out(open_job.manifest, number)
    person = open_job.record.people.person_of(retoucher)
    moved: dict[int, str] = {}

    def propose(manifest: Manifest) -> list[Fact]:
        facts = []
        for number in frames:
            retouch = require_round_out(manifest, number)
            frame = manifest.frame(number)
            _check_brief_is_right(manifest, frame, retouch)
            before = retouch["hand_out"]
            if not before or (before["retoucher"], before["due"]) != (person, due):
                revision = before["revision"] + 1 if before else 1
                if before and before["retoucher"] != person:
                    moved[number] = open_job.record.people.name_of(before["retoucher"])
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
        folders.append(str(write_hand_out(open_job, state, require_round_out(open_job.manifest, number))))
    problems = open_job.finish()
    until = f", due {due}" if due else ""
    said = [f"Handed out to {retoucher}{until}: send the folder {folder}" for folder in folders]
    said += [f"Frame {number:04d} was with {name}: tell them." for number, name in moved.items()]
    if due and due < utc_now()[:10]:
        said.append(f"Mind that {due} is past.")
    return summary(said, problems, job=job, retoucher=retoucher, due=due, folders=folders)


def open_owed_rounds(job: OpenJob, owed: list[Frame], problems: list[str]) -> list[str]:
    """Brief the round that follows each refusal, with its cause and all that is still asked; returns what was done.

    A frame for which that cannot be done is told of in `problems`, and stops no other.
    """
    said = []
    for frame in owed:
        try:
            said += _open_owed_round(job, job.manifest.frame(frame["frame"]))
        except GlassineError as error:
            problems.append(f"The next round of frame {frame['number']} was not briefed: {error}")
    return said


def _open_owed_round(job: OpenJob, frame: Frame) -> list[str]:
    retouch = current_round(frame)
    refused = refused_return(retouch) if retouch and round_state(retouch) == "refused" else None
    if retouch is None or refused is None:
        return []
    notes = notes_to_ask(frame, base_of_next_round(frame, blocked_frames(job.manifest))[0])
    review = refused["review"]
    why, text = (review["why"], review["text"]) if review else ("missed note", " ".join(refused["causes"])[:2000])
    cause = {"why": why, "text": text, "return": refused["sha256"]}
    write_brief(job, frame, replace(asked_in(frame, retouch), notes=notes, cause=cause))
    opened = current_round(job.manifest.frame(frame["frame"]))
    assert opened is not None
    words = f"Round {opened['round']} of frame {frame['number']} is briefed, because: {why}. {text}".strip()
    return [words, *_next_step(job.number, frame, opened)]


@flow(name="retouch call-off")
def call_off(studio: str, job: str, frame: int, reason: str, by: str | None = None) -> Document:
    """Call off the round of a frame that is briefed or out: nothing of it is waited for any more."""
    if not reason.strip():
        raise CallError("W001", "A call-off needs a reason: --reason 'briefed by mistake'.")
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    off: list[Document] = []

    def propose(manifest: Manifest) -> list[Fact]:
        retouch = require_round_out(manifest, frame)
        off[:] = [retouch]
        return [{"kind": "call_off", "frame": frame, "round": retouch["round"], "reason": reason}]

    open_job.commit("retouch", propose)
    state = open_job.manifest.frame(frame)
    said = [f"Round {off[0]['round']} of frame {state['number']} is called off ({reason})."]
    if off[0]["hand_out"]:
        said.append(f"It was with {open_job.record.people.name_of(off[0]['hand_out']['retoucher'])}: tell them.")
    return summary(said, open_job.finish(), job=job, frame=state["number"], round=off[0]["round"])


def require_round_out(manifest: Manifest, number: int) -> Document:
    """The round of a frame that can be handed out, or has been and is not back; else CallError W004."""
    frame = manifest.frame(number)
    if is_blocked(frame):
        raise CallError(
            "W004",
            f"Frame {frame['number']} is blocked ({frame['block']['reason']}): it leaves for no retouch. Leave it out, or lift the block.",
        )
    retouch = current_round(frame)
    state = round_state(retouch) if retouch else ""
    if retouch and state in ("briefed", "out"):
        return retouch
    if retouch and state == "to review":
        raise CallError(
            "W004",
            f"Round {retouch['round']} of frame {frame['number']} is back and waits for a review: `glassine retouch review {manifest.job} {frame['number']} --accept`, or --reject.",
        )
    raise CallError(
        "W004",
        f"Frame {frame['number']} has no retouch round under way: `glassine retouch brief {manifest.job} {frame['number']}` first.",
    )


def _parse_renderings(texts: list[str]) -> dict[str, float]:
    found = [_parse_rendering(text) for text in texts]
    keys = [safe_part(name, 40).casefold() for name, _ in found]
    if len(set(keys)) < len(keys):
        raise CallError("W001", "Two renderings have one name: give each a name of its own, as in shadows=+1.5.")
    return dict(found)


def _parse_rendering(text: str) -> tuple[str, float]:
    name, equals, stops = text.partition("=")
    try:
        value = float(stops)
    except ValueError:
        value = MAX_STOPS + 1
    if not equals or not name.strip() or not abs(value) <= MAX_STOPS:
        raise CallError(
            "W001",
            f"The rendering {text!r} is not written as NAME=STOPS, such as shadows=+1.5, at most {MAX_STOPS:g} either way.",
        )
    return name.strip(), value


def _brief_if_new(job: OpenJob, number: int, wanted: Asked) -> None:
    """Write the next brief, unless the one under way asks all of it already."""
    frame = job.manifest.frame(number)
    retouch = current_round(frame)
    state = round_state(retouch) if retouch else ""
    if state == "to review":
        require_round_out(job.manifest, number)  # says what to do
    if state == "refused":
        _open_owed_round(job, frame)
        return _brief_if_new(job, number, wanted)
    carried = asked_in(frame, retouch) if retouch and state in ("briefed", "out") else None
    notes = notes_to_ask(frame, base_of_next_round(frame, blocked_frames(job.manifest))[0])
    asked = _merged(job, carried, replace(wanted, notes=notes))
    if carried and state == "out":
        if {note["note"] for note in notes} - set(retouch["brief"]["notes"] if retouch else ()) or _adds(
            carried, wanted
        ):
            raise CallError(
                "W004",
                f"A round of frame {frame['number']} is still out: what is new goes into the next round, after the return.",
            )
        return None
    told = retouch["brief"]["notes"] if retouch else []
    if carried and told == [note["note"] for note in notes] and not _adds(carried, wanted):
        base_round = retouch["brief"]["base_round"] if retouch else 0
        if retouch and retouch["brief"].get("balance") == balance_of_base(frame, base_round):
            return None
    if not notes and not (wanted.standing or asked.level or carried or (not frame["rounds"] and asked.standing)):
        raise CallError(
            "W001",
            f"A brief for frame {frame['number']} needs a note or a standing instruction: --note 'REGION | instruction'.",
        )
    return write_brief(job, frame, asked)


def _merged(job: OpenJob, carried: Asked | None, wanted: Asked) -> Asked:
    """What is asked now, with what an earlier brief of the same round asked, and the standing instructions of the sheet."""
    usual = job.manifest.sheet.get("standing_instructions", [])
    before = carried or Asked([], [], None, None, {}, False, None)
    return Asked(
        notes=wanted.notes,
        standing=list(dict.fromkeys([*before.standing, *usual, *wanted.standing])),
        level=wanted.level or before.level,
        grader=wanted.grader or before.grader,
        renderings={**before.renderings, **wanted.renderings},
        with_original=wanted.with_original or before.with_original,
        cause={**wanted.cause, "return": before.cause["return"]}
        if wanted.cause and before.cause
        else wanted.cause or before.cause,
    )


def _adds(carried: Asked, wanted: Asked) -> bool:
    """Whether something is wanted that a brief does not ask yet; notes apart."""
    return (
        not set(wanted.standing) <= set(carried.standing)
        or wanted.level not in (None, carried.level)
        or wanted.grader not in (None, carried.grader)
        or not wanted.renderings.items() <= carried.renderings.items()
        or (wanted.with_original and not carried.with_original)
        or bool(wanted.cause and (carried.cause or {}).get("text") != wanted.cause["text"])
    )


def _level(studio: Studio, name: str | None) -> Document | None:
    levels = studio.settings.get("retouch", {}).get("levels", [])
    found = next((level for level in levels if name and level["name"].casefold() == name.casefold()), None)
    if name and not found:
        known = ", ".join(level["name"] for level in levels) or "none"
        raise CallError(
            "W002",
            f"The studio has no level of retouch {name!r} (known: {known}): write it into studio.toml, [[retouch.levels]].",
        )
    return {key: found[key] for key in ("name", "instruction")} if found else None


def _next_step(job: str, frame: Frame, retouch: Document) -> list[str]:
    if retouch["hand_out"]:
        return []
    return [
        f"Next: glassine retouch hand-out {job} {frame['number']} --to NAME --due {(datetime.now(UTC) + timedelta(days=7)).date()}"
    ]


def _check_brief_is_right(manifest: Manifest, frame: Frame, retouch: Document) -> None:
    """What goes out asks every live note, and nothing of what is withdrawn or blocked since it was briefed."""
    again = f"`glassine retouch brief {manifest.job} {frame['number']}` first, or `glassine retouch call-off`."
    if not retouch["hand_out"]:
        asked = {note["note"] for note in notes_to_ask(frame, retouch["brief"]["base_round"])}
        if asked != set(retouch["brief"]["notes"]):
            raise CallError(
                "W004",
                f"The notes of frame {frame['number']} changed since round {retouch['round']} was briefed: {again}",
            )
    check_donors(manifest, frame, asked_in(frame, retouch).donors)


def _check_date(text: str) -> None:
    try:
        date.fromisoformat(text)
    except ValueError as error:
        raise CallError("W001", f"{text!r} is no date: write it as {utc_now()[:10]}.") from error
