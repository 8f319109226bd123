"""Grade: finals, each a named rendering of one exact retouch round with a look; and their sign-off by a named person."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import in_batches, run_batches
from glassine.flows.decoding import open_pool
from glassine.flows.open_job import OpenJob, adopted_document
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.proof import seed_of
from glassine.flows.studio import read_studio
from glassine.schemas.balance import balance_key
from glassine.schemas.due import DueFinal, current_final, due_finals, unsigned_finals, waits, wanted_finals
from glassine.schemas.errors import CallError, FixityError, FrameError, GlassineError, VolumeError
from glassine.schemas.identifiers import counted
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import (
    Frame,
    accepted_return,
    frames_of_round,
    is_blocked,
    is_handed_out,
    is_selected,
    picture_sha256,
)
from glassine.schemas.validation import Document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging.balance import Balance
from glassine.tasks.imaging.decoder_pool import Outcome
from glassine.tasks.imaging.rendering import make_final

Fact = dict[str, Any]
BATCH_FINALS = 8
"""Finals in one entry: a full-size rendering takes about a second of one core."""
UNRETOUCHED = 0
"""The round of a final that is made from the original itself."""


@flow(name="grade")
def grade(studio: str, job: str, unretouched: list[int] | None = None, by: str | None = None) -> Document:
    """Render every final that is due: each name of the job sheet, for each frame whose retouch came back.

    `unretouched` names selects that leave as the camera took them: their finals are made from the original.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    due = due_finals(open_job.manifest)
    for number in unretouched or []:
        due += _from_the_original(open_job.manifest, number)
    made = make_finals(open_job, due)
    problems = open_job.finish()
    said = [f"{counted(len(made), 'final')} rendered." if made else "No final is due."]
    if not made:
        said += map(str, waits(open_job.manifest, open_job.record.people, datetime.now(UTC).date()))
    said += [f"{name}: {path}" for name, path in made]
    said += [
        f"To be signed off: {final['final']} of {frame['number']}"
        for frame, final in unsigned_finals(open_job.manifest)
    ]
    return summary(said, problems, job=job, finals=[{"final": name, "path": str(path)} for name, path in made])


@flow(name="sign off")
def sign_off(studio: str, job: str, frames: list[int], final: str | None = None, by: str | None = None) -> Document:
    """Let current finals leave, in somebody's name; the sign-off is bound to the digest of the rendered file."""
    open_job = OpenJob(read_studio(Path(studio)), job, by)

    looked_at = {}
    for number in frames:
        frame = open_job.manifest.frame(number)
        for found in _finals_to_sign(frame, final):
            final_path(open_job, frame, found)  # one signs what can be looked at
        looked_at[number] = _what_is_seen(frame, final)

    def propose(manifest: Manifest) -> list[Fact]:
        facts = []
        for number in frames:
            if _what_is_seen(manifest.frame(number), final) != looked_at[number]:
                raise CallError("W004", f"Frame {number:04d} changed while it was signed off: look at it again.")
            for found in _finals_to_sign(manifest.frame(number), final):
                facts.append(
                    {
                        "kind": "sign_off",
                        "frame": number,
                        "final": found["final"],
                        "final_sha256": found["sha256"],
                        "person": open_job.by,
                        "crop": manifest.frame(number)["crops"]["revision"],
                    }
                )
        return facts

    open_job.commit("sign-off", propose)
    problems = open_job.finish()
    name_of = open_job.record.people.name_of
    by_others = {
        frame["number"]
        for frame in map(open_job.manifest.frame, frames)
        for found in _finals_to_sign(frame, final)
        if found["signed_off"]["person"] != open_job.by
    }
    said = [f"Signed off before, by somebody else: {', '.join(sorted(by_others))}."] if by_others else []
    said += [
        f"Frame {frame['number']}: final {found['final']!r} of round {found['round']} may leave, says {name_of(found['signed_off']['person'])}."
        for frame in (open_job.manifest.frame(number) for number in frames)
        for found in _finals_to_sign(frame, final)
    ]
    return summary(said, problems, job=job, frames=frames)


def final_path(job: OpenJob, frame: Frame, final: Document) -> Path:
    """A whole copy of a rendered final: where it was rendered, on a backup, or rendered again to the same bytes.

    Raises
    ------
    FixityError
        Nobody has it, and what was rendered again is other bytes: other pins, or another architecture.
    """
    path = job.path(final["path"])
    if path.exists() and hash_file(path) == final["sha256"]:
        return path
    with suppress(VolumeError):
        return job.find_whole(final["sha256"])
    again = path.with_name(f".again-{path.name}")
    _render_batch(job, [DueFinal(frame["frame"], final["final"], final["look"], final["round"])], place=again)
    if (found := hash_file(again)) != final["sha256"]:
        again.unlink()
        raise FixityError(path, "SHA-256", final["sha256"], found)
    again.replace(path)
    return path


def make_finals(job: OpenJob, due: list[DueFinal], problems: list[str] | None = None) -> list[tuple[str, Path]]:
    """Render finals, each in a disposable worker; returns what they are called and where they lie.

    One that cannot be rendered is told of in `problems`, where that is given, and stops no other.
    """
    made: list[tuple[str, Path]] = []
    with show_progress("grading", len(due)) as on_final:

        def final_batch(batch: list[DueFinal]) -> list[Fact]:
            facts = _render_batch(job, batch, problems=problems)
            on_final(len(batch))
            return facts

        for facts in run_batches("grade", final_batch, in_batches(due, size=BATCH_FINALS)):
            held = [job.hold(job.path(fact["path"]), "final") for fact in facts]
            job.say("grade", [*facts, *held])
            made += [(f"{fact['frame']:04d} {fact['final']}", job.path(fact["path"])) for fact in facts]
    return made


def _render_batch(
    job: OpenJob, batch: list[DueFinal], *, place: Path | None = None, problems: list[str] | None = None
) -> list[Fact]:
    calls = []
    for wanted in batch:
        try:
            calls.append((wanted, _render_call(job, wanted, place)))
        except GlassineError as error:
            _tell(error, problems)
    facts = []
    with open_pool(job.studio, len(batch)) as pool:
        for (wanted, call), outcome in zip(calls, pool.run(_render, [call for _, call in calls]), strict=True):
            try:
                facts.append(_final_fact(job, wanted, job.relative(call[2]), _rendered(wanted, outcome)))
            except GlassineError as error:
                _tell(error, problems)
    return facts


def _tell(error: GlassineError, problems: list[str] | None) -> None:
    """Tell of a final that cannot be made, where one stops no other; else raise."""
    if problems is None:
        raise error
    problems.append(str(error))


def _rendered(wanted: DueFinal, outcome: Outcome) -> Document:
    if outcome.failure:
        what, reason = f"Final {wanted.final!r} of frame {wanted.frame:04d}", outcome.failure.rstrip(".")
        if not outcome.of_file:
            raise VolumeError("V003", f"{what} was not rendered: {reason}. Run the same command again.")
        advice = "Try `glassine verify --repair`, or leave the frame out."
        raise FrameError("P001", f"{what} cannot be rendered: {reason}. {advice}")
    return dict(outcome.value)


def _render(source: Path, look: Document, out: Path, seed: int, balance: Balance) -> Document:
    return make_final(source, look, out, seed=seed, balance=balance)


def _render_call(job: OpenJob, wanted: DueFinal, place: Path | None) -> tuple[Path, Document, Path, int, Balance]:
    frame = job.manifest.frame(wanted.frame)
    look = adopted_document(job.manifest, f"look/{wanted.look}")
    # What came back from a retoucher has the balance of its base file.
    balance = frame["balance"] if wanted.round == UNRETOUCHED else None
    version = ".".join(filter(None, (look["sha256"][:8], balance_key(balance))))
    name = f"{job.number}_{frame['number']}_{wanted.final}_r{wanted.round}.{version}.tif"
    return (
        _source_of(job, frame, wanted),
        look["content"],
        place or job.path(f"finals/{frame['number']}/{name}"),
        seed_of(frame),
        Balance.of(balance),
    )


def _source_of(job: OpenJob, frame: Frame, wanted: DueFinal) -> Path:
    if wanted.round == UNRETOUCHED:
        return job.find_whole(frame["sha256"])
    return job.find_whole(picture_sha256(_return_of(job, wanted)))


def _return_of(job: OpenJob, wanted: DueFinal) -> Document:
    """The accepted return of exactly the round that a final is of."""
    frame = job.manifest.frame(wanted.frame)
    returned = accepted_return(frame, wanted.round)
    if returned is None:
        raise CallError(
            "W004",
            f"Round {wanted.round} of frame {frame['number']} was rejected meanwhile: run the same command again.",
        )
    return returned


def _final_fact(job: OpenJob, wanted: DueFinal, path: str, made: Document) -> Fact:
    frame = job.manifest.frame(wanted.frame)
    frames = frames_of_round(frame, wanted.round)
    sources = [job.manifest.frame(number)["sha256"] for number in frames]
    if wanted.round != UNRETOUCHED:
        returned = _return_of(job, wanted)
        sources += dict.fromkeys((returned["sha256"], picture_sha256(returned)))
    return {
        "kind": "final",
        "frame": wanted.frame,
        "final": wanted.final,
        "round": wanted.round,
        "look": wanted.look,
        "look_sha256": adopted_document(job.manifest, f"look/{wanted.look}")["sha256"],
        "path": path,
        "sources": sources,
        "frames": frames,
        **({"balance": frame["balance"]} if frame["balance"] and wanted.round == UNRETOUCHED else {}),
        **{name: made[name] for name in ("sha256", "size", "width", "height", "bits", "profile")},
    }


def _from_the_original(manifest: Manifest, number: int) -> list[DueFinal]:
    frame = manifest.frame(number)
    if is_blocked(frame) or not is_selected(frame):
        raise CallError(
            "W004",
            f"Frame {frame['number']} is no select of a closed round, or is blocked: close its round, or leave it out of --unretouched.",
        )
    if is_handed_out(frame):
        raise CallError(
            "W004",
            f"Frame {frame['number']} has a retouch round, and its final is made of what comes back: leave it out of --unretouched.",
        )
    return [
        DueFinal(number, wanted["final"], wanted["look"], UNRETOUCHED)
        for wanted in wanted_finals(manifest, frame)
        if current_final(frame, wanted["final"]) is None
    ]


def _what_is_seen(frame: Frame, named: str | None) -> tuple[list[str], int]:
    """The digests of the finals to be signed off, and the revision of the crop."""
    return [final["sha256"] for final in _finals_to_sign(frame, named)], frame["crops"]["revision"]


def _finals_to_sign(frame: Frame, named: str | None) -> list[Document]:
    if is_blocked(frame):
        raise CallError(
            "W004",
            f"Frame {frame['number']} is blocked ({frame['block']['reason']}): it may not leave. Leave it out, or lift the block.",
        )
    current = [final for final in frame["finals"] if not final["stale"] and named in (None, final["final"])]
    if not current:
        what = f"current final {named!r}" if named else "current final"
        raise CallError("W004", f"Frame {frame['number']} has no {what}: run `glassine grade` first.")
    return current
