"""Proof: a small picture of every frame in the job's preview look, its first reading, and the contact sheet."""

from __future__ import annotations

import operator
from functools import partial
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import in_batches, run_batches
from glassine.flows.decoding import attempt_facts, decode_one, is_given_up, open_pool
from glassine.flows.ingest import identify_frames
from glassine.flows.open_job import CONTACT_SHEET, OpenJob, adopted_document
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.status import lost_proofs
from glassine.flows.studio import read_studio
from glassine.schemas.balance import balance_key
from glassine.schemas.due import contact_sheet_inputs, is_read, unproofed, verdict_of
from glassine.schemas.errors import FrameError
from glassine.schemas.identifiers import print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging.balance import Balance
from glassine.tasks.imaging.contact_sheet import Entry, SetUpHead, make_contact_sheet
from glassine.tasks.imaging.proof import make_proof
from glassine.tasks.imaging.reading import METHOD

Fact = dict[str, Any]
_PREVIEW_ENDINGS = (".jpg", ".jpeg", ".thm")


@flow(name="proof")
def proof(studio: str, job: str, by: str | None = None) -> Document:
    """Make the proofs and readings that are missing, and the contact sheet when anything on it changed."""
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    problems = identify_frames(open_job)
    made, untried = make_proofs(open_job)
    sheet = make_sheet(open_job)
    problems += untried + open_job.finish()
    manifest = open_job.manifest
    look = open_job.manifest.sheet["preview_look"]
    shown = [frame["number"] for frame in _of(manifest, made) if frame["proof"]]
    said = [f"{len(shown)} proofs made in the look {look!r}, {sum(bool(f['proof']) for f in manifest.frames)} in all."]
    said += [
        f"Frame {f['number']}: {f['proof']['warning']}"
        for f in _of(manifest, made)
        if f["proof"] and f["proof"]["warning"]
    ]
    said += [f"Frame {f['number']} cannot be shown: {f['unshowable']}" for f in _of(manifest, made) if f["unshowable"]]
    findings = {f["number"]: findings_of(f) for f in _of(manifest, made) if findings_of(f)}
    said += [f"Frame {number}: {' '.join(found)}" for number, found in findings.items()]
    if sheet:
        said.append(f"Contact sheet: {open_job.path(CONTACT_SHEET + '.pdf')}")
    data: dict[str, Any] = {"job": job, "made": shown, "findings": findings}
    return summary(said, problems, contact_sheet=str(open_job.path(CONTACT_SHEET + ".jpg")), **data)


def make_proofs(job: OpenJob) -> tuple[list[int], list[str]]:
    """Make every proof and reading that is missing.

    Returns the numbers of the frames that were looked at, and what stood in the way of the others, a sentence each:
    that is no fact about a frame, and is tried again next time. A proof whose file was lost with the working disk is
    made again: the same bytes, which the record knows already. A frame that could not be looked at a moment ago, by
    `identify_frames`, waits for the next run.
    """
    frames = [frame for frame in unproofed(job.manifest, METHOD) + _lost(job) if frame["identified"]]
    problems: list[str] = []
    looked_at: list[int] = []
    if not frames:
        return looked_at, problems
    name = str(job.manifest.sheet.get("preview_look"))
    look = adopted_document(job.manifest, f"look/{name}")
    folder = f"proofs/{name}-{look['sha256'][:8]}"
    with open_pool(job.studio) as pool, show_progress("proofing", len(frames)) as on_frame:

        def proof_batch(batch: list[Frame]) -> list[Fact]:
            found = job.find_each(batch, problems)
            calls = (
                (proof_call(job, frame, path, look["content"], proof_name(folder, frame["number"], frame["balance"])),)
                for frame, path in found
            )
            facts: list[Fact] = []
            for (frame, _), outcome in zip(found, pool.run(operator.call, calls), strict=True):
                on_frame(1)
                facts += attempt_facts(job.studio, frame, outcome)
                if outcome.failure and not outcome.of_file:
                    unmade.append((frame["frame"], outcome.failure))
                    continue
                place, balance = proof_name(folder, frame["number"], frame["balance"]), frame["balance"]
                facts += proof_facts(frame, outcome, name, look["sha256"], place, balance=balance)
                looked_at.append(frame["frame"])
            return facts

        unmade: list[tuple[int, str]] = []
        for facts in run_batches("proof", proof_batch, in_batches(frames)):
            job.say("proof", facts)
    for number, failure in unmade:
        if is_given_up(job.studio, job.manifest.frame(number)):
            looked_at.append(number)
        else:
            problems.append(f"Frame {print_frame(number)} has no proof yet: {failure} The next run tries it again.")
    return looked_at, problems


def proof_name(folder: str, number: str, balance: Document | None) -> str:
    """Where a proof lies: each balance of a frame has a name of its own, so that none replaces another."""
    return f"{folder}/{'.'.join(filter(None, (number, balance_key(balance))))}.jpg"


def make_sheet(job: OpenJob) -> bool:
    """Make the contact sheet when anything on it changed, or it is gone; returns whether it was made."""
    manifest = job.manifest
    inputs, frames = contact_sheet_inputs(manifest)
    known = manifest.document["contact_sheet"]
    pdf, jpeg = job.path(f"{CONTACT_SHEET}.pdf"), job.path(f"{CONTACT_SHEET}.jpg")
    if not frames or (known and known["inputs"] == inputs and pdf.exists() and jpeg.exists()):
        return False
    entries = [_entry(job, frame) for frame in frames]
    title = f"{job.number}  {manifest.sheet.get('title', '')}"

    def make_batch(batch: list[Entry]) -> Fact:
        made = make_contact_sheet(batch, title, pdf, jpeg, note=job.studio.name)
        files = {
            kind: {"path": f"{CONTACT_SHEET}.{ending}", "sha256": made[f"{kind}_sha256"]}
            for kind, ending in (("pdf", "pdf"), ("jpeg", "jpg"))
        }
        return {"kind": "contact_sheet", "inputs": inputs, "frames": len(frames), **files}

    for fact in run_batches("contact sheet", make_batch, [entries]):

        def propose(state: Manifest, fact: Fact = fact) -> list[Fact]:
            before = state.document["contact_sheet"]
            if before and before["inputs"] == inputs:
                return []
            return [{**fact, "revision": before["revision"] + 1 if before else 1}]

        job.commit("proof", propose)
    return True


def _entry(job: OpenJob, frame: Frame) -> Entry:
    picture = proof_path(job, frame) if frame["proof"] else None
    crop = frame["crops"]["general"]
    return Entry(
        frame["number"],
        picture,
        caption_of(frame),
        verdict_of(frame),
        crop,
        why_empty=frame["unshowable"] or "no proof yet",
        set_up=_head_of(job.manifest, frame) if frame["set_up"] else None,
        notes=findings_of(frame),
        hero=bool(frame["selection"] and frame["selection"]["hero"]),
    )


def _head_of(manifest: Manifest, frame: Frame) -> SetUpHead:
    said: Document = next(
        (known for known in manifest.sheet.get("set_ups", []) if known["name"] == frame["set_up"]), {}
    )
    arrangement = f"arrangement {frame['arrangement']}" if frame["arrangement"] > 1 else ""
    return SetUpHead(frame["set_up"], said.get("purpose", ""), said.get("exposure", ""), arrangement)


def caption_of(frame: Frame) -> str:
    """The line under a picture on the contact sheet: file name, what it is for, a slight departure from its set-up."""
    words = [frame["name"]]
    if frame["purpose"] != "picture":
        words.append(frame["purpose"].replace("_", " "))
    against = _departure(frame)
    if against is not None and SLIGHT_STOPS <= abs(against) < DEPARTURE_STOPS:
        words.append(f"{against:+.1f} stops")
    return " · ".join(words)


def findings_of(frame: Frame) -> list[str]:
    """What a reading says of a frame, in words; with the exposure against its set-up where that departs."""
    if not frame["reading"]:
        return []
    found = list(frame["reading"]["findings"])
    against = _departure(frame)
    if against is not None and abs(against) >= DEPARTURE_STOPS:
        found.append(f"{abs(against):.1f} stops {'lighter' if against > 0 else 'darker'} than its set-up.")
    return found


def _departure(frame: Frame) -> float | None:
    """Stops that a frame departs from its set-up, with what it is matched by."""
    against = frame["reading"] and frame["reading"]["against_set_up_stops"]
    own = frame["exposure_match"]
    return None if against is None else round(against + (own["stops"] if own else 0.0), 2)


SLIGHT_STOPS = 0.25
"""From here on the contact sheet says how far a frame is from its set-up; less nobody sees (common practice)."""
DEPARTURE_STOPS = 0.5
"""A frame that departs from its set-up by this much is told of; half a stop is what one sees at once (common practice)."""


def _lost(job: OpenJob) -> list[Frame]:
    """Frames whose proof is in the record and not in the folder."""
    due = {frame["frame"] for frame in unproofed(job.manifest, METHOD)}
    return [frame for frame in lost_proofs(job.manifest, job.folder) if frame["frame"] not in due]


def proof_call(job: OpenJob, frame: Frame, source: Path, look: Document, out: str) -> Any:
    """The call that makes a frame's proof from a copy of it, for a disposable worker."""
    previews = tuple(
        job.find_whole(companion["sha256"])
        for companion in frame["companions"]
        if companion["name"].lower().endswith(_PREVIEW_ENDINGS)
    )
    return partial(
        make_proof,
        source,
        look,
        job.path(out),
        frame["number"],
        seed=seed_of(frame),
        preview_sources=previews,
        file_name=frame["name"],
        balance=Balance.of(frame["balance"]),
        take_reading=not is_read(frame, METHOD),
    )


def seed_of(frame: Frame) -> int:
    """The seed of a frame's grain: its own, so that it repeats and differs from its neighbours'."""
    return int(frame["sha256"][:8], 16)


def proof_facts(
    frame: Frame, outcome: Any, look: str, look_sha256: str, path: str, *, balance: Document | None = None
) -> list[Fact]:
    """What making a frame's proof, in a balance or as shot, showed: its reading and proof, or that nothing can be shown."""
    number = frame["frame"]
    if outcome.failure:
        return [
            {"kind": "undecodable", "frame": number, "reason": outcome.failure[:2000]},
            {"kind": "unshowable", "frame": number, "reason": outcome.failure[:2000]},
        ]
    made = outcome.value
    facts: list[Fact] = []
    if made["picture"] != "raw":
        facts.append({"kind": "undecodable", "frame": number, "reason": made["warning"] or "the raw does not decode"})
    if made["reading"]:
        facts.append({"kind": "reading", "frame": number, "method": METHOD, **made["reading"]})
    shown = {name: made[name] for name in ("picture", "width", "height", "sha256", "warning")}
    fact = {"kind": "proof", "frame": number, "look": look, "look_sha256": look_sha256, "path": path, **shown}
    facts.append(fact | ({"balance": balance} if balance else {}))
    return facts


def _of(manifest: Manifest, numbers: list[int]) -> list[Frame]:
    return [manifest.by_number[number] for number in numbers]


def proof_path(job: OpenJob, frame: Frame) -> Path:
    """The proof of a frame, made again when the working disk lost it."""
    path = job.path(frame["proof"]["path"])
    if not path.exists() or hash_file(path) != frame["proof"]["sha256"]:
        look = adopted_document(job.manifest, f"look/{frame['proof']['look']}")
        source = job.find_whole(frame["sha256"])
        outcome = decode_one(job.studio, proof_call(job, frame, source, look["content"], frame["proof"]["path"]))
        if outcome.failure:
            raise FrameError(
                "P001",
                f"The proof of frame {frame['number']} cannot be made again: {outcome.failure.rstrip('.')}. Try `glassine verify --repair`.",
            )
    return path
