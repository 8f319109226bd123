"""What is sent to a retoucher: base file, other files, reference proof, the brief as a document and as a PDF."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from glassine.flows.decoding import make_picture
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import pretty_json
from glassine.flows.proof import proof_path
from glassine.flows.retouch_notes import check_donors
from glassine.schemas.balance import balance_key, balance_of_base
from glassine.schemas.durable_file import replace_file
from glassine.schemas.entry import canonical_bytes, digest_of
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import (
    Frame,
    base_of_next_round,
    current_round,
    is_blocked,
    live_notes,
    round_state,
)
from glassine.schemas.validation import Document, check_document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.original_name import safe_part
from glassine.tasks.handoff.brief import brief_document
from glassine.tasks.handoff.brief_pdf import write_brief_pdf
from glassine.tasks.imaging.balance import Balance
from glassine.tasks.imaging.base_file import make_base

Fact = dict[str, Any]


@dataclass(frozen=True)
class Asked:
    """What a brief asks of one retouch round.

    `renderings` are further base files of the frame, by name, each with its exposure in stops; `cause` says why the
    round follows the one before.
    """

    notes: list[Document]
    standing: list[str]
    level: Document | None
    grader: str | None
    renderings: dict[str, float]
    with_original: bool
    cause: Document | None

    @property
    def key(self) -> str:
        """Eight digits that change with anything that is asked."""
        notes = [[note["note"], note["donors"]] for note in self.notes]
        said = [notes, self.standing, self.level, self.grader, self.renderings, self.with_original, self.cause]
        return digest_of(canonical_bytes(said))[:8]

    @property
    def donors(self) -> list[int]:
        """The frames from which something is to be brought over."""
        return sorted({donor["frame"] for note in self.notes for donor in note["donors"]})


def write_brief(job: OpenJob, frame: Frame, asked: Asked) -> None:
    """Write the brief of a frame's next round with all its files, and state it.

    Raises
    ------
    CallError
        W004: there is no proof to refer to, a donor is blocked, or somebody else wrote this brief just now.
    """
    check_donors(job.manifest, frame, asked.donors)
    number = len(frame["rounds"]) + 1
    base_round, picture = base_of_next_round(frame, blocked_frames(job.manifest))
    balance = balance_of_base(frame, base_round)
    # Two people who brief one frame at once write into folders of their own, and the record names one.
    folder = f"retouch/{frame['number']}/round-{number}.{_version(asked, balance)}"
    stem = f"{folder}/{job.number}_{frame['number']}_r{number}"
    in_base = None if picture else balance  # what came back has the balance of its base already
    base = _render(job, frame, job.find_whole(picture or frame["sha256"]), f"{stem}_base.tif", balance=in_base)
    extras = [
        *_renderings(job, frame, asked, stem, balance),
        *_donors(job, frame, asked, folder, balance),
        *_original(frame, asked),
    ]
    _write_papers(job, frame, number, folder, base, extras, asked, retoucher=None, due=None)
    fact: Fact = {
        "kind": "brief",
        "frame": frame["frame"],
        "round": number,
        "path": folder,
        "sha256": hash_file(job.path(f"{folder}/brief.json")),
        "notes": [note["note"] for note in asked.notes],
        "grader": asked.grader,
        "standing": asked.standing,
        "base": base,
        "level": asked.level,
        "extras": extras,
        "cause": asked.cause,
        "base_round": base_round,
        **({"balance": balance} if balance else {}),
    }
    made = [base["path"], *(extra["path"] for extra in extras if extra["use"] != "original")]
    holdings = [job.hold(job.path(f"{folder}/{name}"), "brief") for name in ("brief.json", "brief.pdf")]
    holdings += [job.hold(job.path(path), "base file") for path in made]

    def propose(manifest: Manifest) -> list[Fact]:
        now = manifest.frame(frame["frame"])
        is_another = len(now["rounds"]) >= number and now["rounds"][number - 1]["brief"]["path"] != folder
        if is_another or (len(now["rounds"]) < number and _where(now) != _where(frame)):
            raise CallError(
                "W004",
                f"Somebody else briefed frame {frame['number']}, or handed it out, just now: `glassine job frames {job.number} {frame['number']}` shows it.",
            )
        return [fact, *holdings]

    job.commit("brief", propose)


def _version(asked: Asked, balance: Document | None) -> str:
    """Eight digits that change with what is asked and with the balance of the base."""
    return digest_of(f"{asked.key}{balance_key(balance)}".encode())[:8] if balance else asked.key


def _where(frame: Frame) -> tuple[int, str, int] | None:
    """Where the retouch of a frame is, so that a brief that somebody hands out meanwhile is noticed."""
    retouch = current_round(frame)
    return (retouch["round"], round_state(retouch), len(retouch["take_backs"])) if retouch else None


def blocked_frames(manifest: Manifest) -> set[int]:
    """The frames that may not be shown, nor stand under another picture."""
    return {frame["frame"] for frame in manifest.frames if is_blocked(frame)}


def write_hand_out(job: OpenJob, frame: Frame, retouch: Document) -> Path:
    """All that is sent to the retoucher, in a folder of its own, with name and due date; returns the folder."""
    told, given = retouch["brief"], retouch["hand_out"]
    folder = hand_out_folder(retouch)
    _write_papers(
        job, frame, retouch["round"], folder, told["base"], told["extras"], asked_in(frame, retouch),
        retoucher=given["retoucher"], due=given["due"],
    )  # fmt: skip
    for file in (told["base"], *told["extras"]):
        is_original = file.get("use") == "original"
        beside = job.path(f"{folder}/{safe_part(frame['name']) if is_original else Path(file['path']).name}")
        if not beside.exists():
            _put_beside(job.find_whole(file["sha256"]), beside)
    job.say("brief", [job.hold(job.path(f"{folder}/{name}"), "brief") for name in ("brief.json", "brief.pdf")])
    return job.path(folder)


def hand_out_folder(retouch: Document) -> str:
    """The folder that is sent to a retoucher: each hand-out has its own, so that no other person's papers lie in it."""
    return f"{retouch['brief']['path']}/hand-out-{retouch['hand_out']['revision']}"


def asked_in(frame: Frame, retouch: Document) -> Asked:
    """What a brief that was written asks."""
    told = retouch["brief"]
    renderings = {extra["name"]: extra["exposure_stops"] for extra in told["extras"] if extra["use"] == "rendering"}
    with_original = any(extra["use"] == "original" for extra in told["extras"])
    notes = [note for note in live_notes(frame) if note["note"] in told["notes"]]
    return Asked(notes, told["standing"], told["level"], told["grader"], renderings, with_original, told["cause"])


def as_annotated(note: Document, extras: list[Document]) -> Document:
    """A note of the manifest as briefs and checks take it, its donors with the files that hold them."""
    files = {extra["frame"]: extra["path"] for extra in extras if extra["use"] == "donor"}
    return {
        "id": note["note"],
        "region": note["region"],
        "instruction": note["instruction"],
        "by": note["person"],
        "made": note["at"],
        "donors": [{**donor, "path": files[donor["frame"]]} for donor in note["donors"]],
    }


def _render(
    job: OpenJob, frame: Frame, source: Path, out: str, *, balance: Document | None, stops: float = 0.0
) -> Document:
    """Make a base file in a disposable worker; the facts of the file, with its path."""
    return make_picture(
        job,
        "base file",
        partial(make_base, source, job.path(out), exposure_stops=stops, balance=Balance.of(balance)),
        out,
        what=f"The base file of frame {frame['number']} was not made",
        advice="Try `glassine verify --repair`, or leave the frame out.",
    )


def _renderings(job: OpenJob, frame: Frame, asked: Asked, stem: str, balance: Document | None) -> list[Document]:
    """Further base files of the original itself, for another area of the picture, in the balance of the base."""
    source = job.find_whole(frame["sha256"])
    extras = []
    for name, stops in asked.renderings.items():
        out = f"{stem}_rendering-{safe_part(name, 40)}.tif"
        made = _render(job, frame, source, out, balance=balance, stops=stops)
        extras.append({"use": "rendering", "name": name, "frame": frame["frame"], "exposure_stops": stops, **made})
    return extras


def _donors(job: OpenJob, frame: Frame, asked: Asked, folder: str, balance: Document | None) -> list[Document]:
    """The base files of donors: in their own balance, or where the base is in an older one, those of its light too."""
    extras = []
    for number in asked.donors:
        donor = job.manifest.frame(number)
        out = f"{folder}/{job.number}_{donor['number']}_donor.tif"
        shares_light = all(donor[field] == frame[field] for field in ("set_up", "arrangement", "camera"))
        in_donor = balance if shares_light and balance != frame["balance"] else donor["balance"]
        made = _render(job, donor, job.find_whole(donor["sha256"]), out, balance=in_donor)
        name = f"donor {donor['number']}"
        extras.append({"use": "donor", "name": name, "frame": number, "exposure_stops": 0.0, **made})
    return extras


def _original(frame: Frame, asked: Asked) -> list[Document]:
    if not asked.with_original:
        return []
    unknown = dict.fromkeys(("exposure_stops", "width", "height", "bits", "profile"))
    known = {name: frame[name] for name in ("frame", "path", "sha256", "size")}
    return [{"use": "original", "name": "original", **unknown, **known}]


def _put_beside(source: Path, target: Path) -> None:
    """A copy of its own, never a link: what somebody does to it must not reach the file in custody."""
    partial_copy = target.with_name(f".{target.name}.partial")
    shutil.copyfile(source, partial_copy)
    partial_copy.replace(target)


def _write_papers(
    job: OpenJob,
    frame: Frame,
    number: int,
    folder: str,
    base: Document,
    extras: list[Document],
    asked: Asked,
    *,
    retoucher: str | None,
    due: str | None,
) -> None:
    """The reference proof, the brief and its PDF, in a folder."""
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
        standing=asked.standing,
        notes=[as_annotated(note, extras) for note in asked.notes],
        retoucher=retoucher,
        due=due,
        grader=asked.grader,
        level=asked.level,
        extras=extras,
        cause=asked.cause,
        crop=frame["crops"]["general"],
    )
    check_document(document, "brief", label=f"{folder}/brief.json")
    replace_file(job.path(f"{folder}/brief.json"), pretty_json(document))
    people = {person for person in (retoucher, asked.grader, *(note["person"] for note in asked.notes)) if person}
    donors = {extra["path"]: job.manifest.frame(extra["frame"]) for extra in extras if extra["use"] == "donor"}
    write_brief_pdf(
        document,
        reference,
        job.path(f"{folder}/brief.pdf"),
        names={person: job.record.people.name_of(person) for person in people},
        donors={path: proof_path(job, donor) for path, donor in donors.items() if donor["proof"]},
    )
