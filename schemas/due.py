"""What is owed now: a function of the manifest, of what the studio wants, and of the clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

from glassine.schemas.entry import canonical_bytes, digest_of
from glassine.schemas.identifiers import counted, print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People
from glassine.schemas.stage import (
    Frame,
    crop_for,
    current_round,
    is_blocked,
    is_handed_out,
    is_selected,
    last_return,
    newer_round,
    notes_to_ask,
    outcome_of,
    round_state,
    was_back,
)
from glassine.schemas.validation import Document


class OwedCopy(NamedTuple):
    """A file that lacks a copy on some volumes, and the copies that are known."""

    sha256: str
    size: int
    path: str
    role: str
    missing: list[str]
    known: list[Document]


class DueFinal(NamedTuple):
    """A named rendering that can be made now."""

    frame: int
    final: str
    look: str
    round: int


class DueDelivery(NamedTuple):
    """Signed-off finals that a client's specification still waits for."""

    client: str
    specification: str
    items: list[tuple[int, Document]]


@dataclass(frozen=True)
class Wait:
    """A decision that only a person can take: who, what, and the command for it."""

    person: str
    what: str
    command: str

    def __str__(self) -> str:
        return f"Waits for {self.person} {self.what}: {self.command}"


def owed_copies(manifest: Manifest, volumes: Sequence[str]) -> Iterator[OwedCopy]:
    """Files with no copy on one of these volumes."""
    for sha256, holder in manifest.every_file():
        held = {copy["volume"] for copy in holder["copies"]}
        missing = [volume for volume in volumes if volume not in held]
        if missing:
            yield OwedCopy(
                sha256, holder["size"], holder["path"], holder.get("role", "original"), missing, holder["copies"]
            )


def bad_copies(manifest: Manifest) -> list[tuple[str, Document, Document]]:
    """Digest, holder and copy of every copy that was last found missing or different."""
    return [
        (sha256, holder, copy)
        for sha256, holder in manifest.every_file()
        for copy in holder["copies"]
        if copy["outcome"] != "whole"
    ]


def unidentified(manifest: Manifest) -> list[Frame]:
    """Frames whose camera data nobody has read yet."""
    return [frame for frame in manifest.frames if not frame["identified"]]


def unproofed(manifest: Manifest, method: int) -> list[Frame]:
    """Frames without a proof in the preview look in force, or without a reading by this method."""
    return [
        frame
        for frame in manifest.frames
        if not is_blocked(frame)
        and frame["unshowable"] is None
        and (frame["proof"] is None or not is_read(frame, method))
    ]


SHEET_LAYOUT = 2
"""Counts changes of how a contact sheet is laid out: one of an older layout is made again."""


def contact_sheet_inputs(manifest: Manifest) -> tuple[str, list[Frame]]:
    """The frames of the contact sheet, and the digest of everything that goes into it."""
    frames = [frame for frame in manifest.frames if (frame["proof"] or frame["unshowable"]) and not is_blocked(frame)]
    set_ups = {set_up["name"]: set_up for set_up in manifest.sheet.get("set_ups", [])}
    shown = [
        [
            frame["frame"],
            frame["proof"]["sha256"] if frame["proof"] else frame["unshowable"],
            verdict_of(frame),
            frame["selection"] and frame["selection"]["hero"],
            frame["crops"]["general"],
            [frame["set_up"], frame["arrangement"], frame["purpose"]],
            [set_ups.get(frame["set_up"], {}).get(words) for words in ("purpose", "exposure")],
            frame["reading"] and [frame["reading"]["findings"], frame["reading"]["against_set_up_stops"]],
            frame["exposure_match"] and frame["exposure_match"]["stops"],
        ]
        for frame in frames
    ]
    return digest_of(canonical_bytes([SHEET_LAYOUT, shown])), frames


def verdict_of(frame: Frame) -> str:
    """The verdict to show for a frame; empty when there is none."""
    return str(frame["selection"]["verdict"]) if frame["selection"] else ""


def owed_hand_offs(manifest: Manifest) -> list[Document]:
    """Closed rounds of the cull whose sidecars are not written."""
    return [found for found in manifest.document["selects_rounds"] if found["closed"] and found["hand_off"] is None]


def owed_rounds(manifest: Manifest) -> list[Frame]:
    """Frames whose retouch was refused, and whose next round nobody has briefed."""
    return [
        frame
        for frame in manifest.frames
        if not is_blocked(frame)
        and is_selected(frame)
        and (retouch := current_round(frame))
        and round_state(retouch) == "refused"
    ]


def wanted_finals(manifest: Manifest, frame: Frame | None = None) -> list[Document]:
    """The named renderings of the job sheet: all of them, or those that a frame gets."""
    return [
        wanted
        for wanted in manifest.sheet.get("finals", [])
        if frame is None or frame["frame"] in wanted.get("frames", [frame["frame"]])
    ]


def due_finals(manifest: Manifest) -> list[DueFinal]:
    """Renderings that can be made now: the retouch has come back, and no current final of that name is there."""
    due = []
    for frame in manifest.frames:
        if is_blocked(frame) or not is_selected(frame):
            continue
        number = _round_to_grade(frame)
        if number is None:
            continue
        for wanted in wanted_finals(manifest, frame):
            if current_final(frame, wanted["final"]) is None:
                due.append(DueFinal(frame["frame"], wanted["final"], wanted["look"], number))
    return due


def _round_to_grade(frame: Frame) -> int | None:
    """The round that finals are made of now: the newest that came back, unless another is out; 0, the original
    itself, where finals of it exist and no retouch was asked for; else None."""
    returned = last_return(frame)
    if returned:
        return None if _is_out_again(frame, returned) else int(returned["round"])
    return 0 if frame["finals"] and not is_handed_out(frame) and not was_back(frame) else None


def current_final(frame: Frame, name: str) -> Document | None:
    """The final of that name that is not stale."""
    return next((final for final in reversed(frame["finals"]) if final["final"] == name and not final["stale"]), None)


def unsigned_finals(manifest: Manifest) -> list[tuple[Frame, Document]]:
    """Current finals that the job sheet still names and nobody has signed off, of selects that may leave."""
    return [
        (frame, final)
        for frame in manifest.frames
        if is_selected(frame) and not is_blocked(frame)
        for final in frame["finals"]
        if not final["stale"]
        and not final["signed_off"]
        and final["final"] in [wanted["final"] for wanted in wanted_finals(manifest, frame)]
        and newer_round(frame, final) is None
        and not blocked_sources(manifest, final)
    ]


def blocked_sources(manifest: Manifest, final: Document) -> list[str]:
    """Numbers of the blocked frames that a final holds a piece of: then it may not leave either."""
    return [print_frame(number) for number in final["frames"] if is_blocked(manifest.frame(number))]


def picture_key(final_sha256: str, crop: Document | None) -> str:
    """What makes a delivered picture the same as another: the final and its crop."""
    return final_sha256 + (digest_of(canonical_bytes(crop)) if crop else "")


def delivered_pictures(manifest: Manifest, client: str, specification: str, sha256: str | None = None) -> set[str]:
    """Keys of the pictures that this client has received to this specification, or to this very version of it."""
    return {
        picture_key(file["final_sha256"], file["crop"])
        for delivery in manifest.document["deliveries"]
        if delivery["handed_over"]
        and delivery["client"].casefold() == client.casefold()
        and delivery["specification"] == specification
        and sha256 in (None, delivery["specification_sha256"])
        for file in delivery["files"]
    }


def due_deliveries(manifest: Manifest) -> list[DueDelivery]:
    """Deliverables of the job sheet for which every select is signed off, and not all of it has been delivered."""
    selects = [frame for frame in manifest.frames if is_selected(frame) and not is_blocked(frame)]
    due = []
    for deliverable in manifest.sheet.get("deliverables", []):
        finals = [
            (frame, current_final(frame, name))
            for frame in selects
            for name in deliverable_finals(manifest, deliverable, frame)
        ]
        ready = [
            (frame, final)
            for frame, final in finals
            if final
            and final["signed_off"]
            and newer_round(frame, final) is None
            and not blocked_sources(manifest, final)
        ]
        sent = delivered_pictures(manifest, deliverable["client"], deliverable["specification"])
        keys = {picture_key(final["sha256"], crop_for(frame, deliverable["specification"])) for frame, final in ready}
        if finals and len(ready) == len(finals) and keys - sent:
            items = [(frame["frame"], final) for frame, final in ready]
            due.append(DueDelivery(deliverable["client"], deliverable["specification"], items))
    return due


def deliverable_finals(manifest: Manifest, deliverable: Document, frame: Frame) -> list[str]:
    """The names of the finals of a frame that a deliverable of the job sheet asks for."""
    wanted = [wanted["final"] for wanted in wanted_finals(manifest, frame)]
    return [name for name in wanted if name in (deliverable.get("finals") or wanted)]


def late_deliverables(manifest: Manifest, today: date) -> list[str]:
    """What should have been delivered before today, a phrase each."""
    late = []
    selects = [frame for frame in manifest.frames if is_selected(frame) and not is_blocked(frame)]
    for deliverable in manifest.sheet.get("deliverables", []):
        until = deliverable.get("due") or manifest.sheet.get("due")
        if not until or date.fromisoformat(until) >= today:
            continue
        sent = delivered_pictures(manifest, deliverable["client"], deliverable["specification"])
        for frame in selects:
            finals = [current_final(frame, name) for name in deliverable_finals(manifest, deliverable, frame)]
            crop = crop_for(frame, deliverable["specification"])
            if any(final is None or picture_key(final["sha256"], crop) not in sent for final in finals):
                late.append(f"{deliverable['specification']} for {deliverable['client']}, due {until}")
                break
    return late


def deliveries_with(manifest: Manifest, number: int) -> list[Document]:
    """The deliveries that were handed over and hold a picture of this frame, or a piece of it."""
    return [
        delivery
        for delivery in manifest.document["deliveries"]
        if delivery["handed_over"] and any(number in file["frames"] for file in delivery["files"])
    ]


def waits(manifest: Manifest, people: People, today: date) -> list[Wait]:
    """The decisions that the job waits for, in the order of the work."""
    job = manifest.job
    found: list[Wait] = []
    shown = [
        frame for frame in manifest.frames if frame["proof"] and frame["purpose"] == "picture" and not is_blocked(frame)
    ]
    open_rounds = [r for r in manifest.document["selects_rounds"] if not r["closed"]]
    for name in (open_round["round"] for open_round in open_rounds):
        found.append(
            Wait(
                "the photographer",
                f"to close round {name!r} of the cull",
                f"glassine selects close {job} --round {name!r}",
            )
        )
    if not open_rounds and shown and not any(r["closed"] for r in manifest.document["selects_rounds"]):
        found.append(
            Wait(
                "the photographer", "to choose selects", f"glassine selects mark {job} '0001, 0003-0005' --round ROUND"
            )
        )
    disputed = [frame["number"] for frame in manifest.frames if _is_disputed(frame)]
    if disputed:
        what = f"to settle the verdict on {', '.join(disputed)}, on which the marks disagree"
        command = f"glassine selects mark {job} '{disputed[0]}' --round ROUND"
        found.append(Wait("the photographer", what, command))
    selects = [frame for frame in manifest.frames if is_selected(frame) and not is_blocked(frame)]
    for frame in selects:
        if frame["drafts"]:
            what = f"to confirm or withdraw {counted(len(frame['drafts']), 'draft note')} of {frame['number']}"
            found.append(Wait("the photographer", what, f"glassine retouch notes {job} {frame['number']}"))
    unbriefed = [frame for frame in selects if not frame["rounds"] and not frame["finals"]]
    if unbriefed:
        numbers = ", ".join(frame["number"] for frame in unbriefed)
        found.append(
            Wait(
                "the photographer",
                f"to brief the retouch of {numbers}",
                f"glassine retouch brief {job} {unbriefed[0]['number']}",
            )
        )
    for frame in selects:
        found += _retouch_waits(job, frame, people, today)
        found += _note_waits(job, frame)
    found += _calls_back(job, manifest, people)
    for frame in selects:
        for final in frame["finals"]:
            if not final["stale"] and (blocked := blocked_sources(manifest, final)):
                what = f"to have {frame['number']} retouched without {', '.join(blocked)}: its final {final['final']!r} holds a piece of what is blocked now"
                command = (
                    f"glassine retouch review {job} {frame['number']} --reject other --text 'without {blocked[0]}'"
                )
                found.append(Wait("the photographer", what, command))
    for frame, final in unsigned_finals(manifest):
        what = f"to sign off final {final['final']!r} of {frame['number']}"
        found.append(Wait("whoever signs off", what, f"glassine retouch sign-off {job} {frame['number']}"))
    return found


def _retouch_waits(job: str, frame: Frame, people: People, today: date) -> list[Wait]:
    retouch = current_round(frame)
    if retouch is None:
        return []
    number = frame["number"]
    state = round_state(retouch)
    handed = retouch["hand_out"]
    if state == "briefed" and any(
        final["round"] == 0 and not final["stale"] and newer_round(frame, final) is None for final in frame["finals"]
    ):
        return []  # it leaves unretouched after all
    if state == "briefed":
        command = f"glassine retouch hand-out {job} {number} --to NAME --due {(today + timedelta(days=7)).isoformat()}"
        return [Wait("the studio manager", f"to hand out {number}, round {retouch['round']}", command)]
    if state == "to review":
        returned = next(back for back in retouch["take_backs"][::-1] if outcome_of(back) == "to review")
        share = returned["outside"]["changed_fraction"]
        what = f"to judge the return of {number}, round {retouch['round']}: {share:.2%} changed outside the notes"
        return [Wait("whoever reviews", what, f"glassine retouch review {job} {number} --accept")]
    if state == "refused":
        command = f"glassine advance {job}"
        return [Wait("the studio manager", f"to open the next round of {number}, which was refused", command)]
    if state == "accepted":
        return []
    due = handed["due"]
    late = " (late)" if due and date.fromisoformat(due) < today else ""
    until = f", due {due}{late}" if due else ""
    refused = " (what came last was refused)" if retouch["take_backs"] else ""
    what = f"to return {number}, round {retouch['round']}{until}{refused}"
    return [Wait(people.name_of(handed["retoucher"]), what, f"glassine retouch take-back {job} {number} FILE")]


def _note_waits(job: str, frame: Frame) -> list[Wait]:
    """Live notes that stand in no brief: of a frame whose retouch has begun, nobody else would think of them."""
    retouch = current_round(frame)
    if retouch is None or round_state(retouch) == "refused":
        return []  # not begun; or the round that is due asks them
    number = retouch["round"] if round_state(retouch) != "briefed" else retouch["brief"]["base_round"]
    told = set(retouch["brief"]["notes"])
    count = sum(note["note"] not in told for note in notes_to_ask(frame, number))
    what = f"to brief {counted(count, 'note')} of {frame['number']} that no round has asked"
    return [Wait("the photographer", what, f"glassine retouch brief {job} {frame['number']}")] if count else []


def _calls_back(job: str, manifest: Manifest, people: People) -> list[Wait]:
    """Frames that are out at a retoucher, and are no selects any more."""
    found = []
    for frame in manifest.frames:
        retouch = current_round(frame)
        if retouch and round_state(retouch) == "out" and not is_selected(frame):
            name = people.name_of(retouch["hand_out"]["retoucher"])
            command = f"glassine retouch call-off {job} {frame['number']} --reason 'no select any more'"
            found.append(Wait("the studio manager", f"to call {frame['number']} back from {name}", command))
    return found


def late_frames(manifest: Manifest, today: date) -> list[str]:
    """Numbers of the frames whose retouch should have come back before today."""
    return [
        print_frame(frame["frame"])
        for frame in manifest.frames
        if (retouch := current_round(frame))
        and round_state(retouch) == "out"
        and (due := retouch["hand_out"]["due"])
        and date.fromisoformat(due) < today
    ]


def _is_disputed(frame: Frame) -> bool:
    """Whether people disagree on a frame in a closed round; a newer round settles it."""
    selection = frame["selection"]
    return bool(selection and selection["closed"] and selection["verdict"] == "conflict" and not is_blocked(frame))


def is_read(frame: Frame, method: int) -> bool:
    """Whether there is a reading of a frame by this method, or can be none."""
    return frame["undecodable"] is not None or bool(frame["reading"] and frame["reading"]["method"] >= method)


def _is_out_again(frame: Frame, returned: Document) -> bool:
    """Whether a newer round is under way, so that a final of the older one would be stale at once."""
    newest = current_round(frame)
    return bool(newest and newest["round"] > returned["round"])
