"""Audit: what was delivered to whom, when, from what; whose a file is; whether the record is whole. Reads only."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from glassine.flows.frame_list import say_crop
from glassine.flows.known_heads import read_known_heads
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.balance import balance_of_base
from glassine.schemas.errors import NOT_RIGHT, CallError, VolumeError
from glassine.schemas.identifiers import print_frame
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import is_blocked
from glassine.schemas.validation import Document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.delivery.recognition import recognise


def audit(studio: Studio, *, client: str | None = None, file: Path | None = None, job: str | None = None) -> Document:
    """Answer from the records: the deliveries of a client, or whose a file is; always with the state of the chains.

    Exit status 1 when a record is not whole, or nobody knows the file.
    """
    numbers = [job] if job else studio.job_numbers()
    backups, absent = studio.backups()
    working = studio.working_volume()
    failed: list[str] = []
    faults, deliveries, owners = [], [], []
    sha256 = _digest(file) if file else ""
    for number in numbers:
        record = JobRecord(studio.job_folder(number))
        heads, unread = read_known_heads(working, backups, number)
        failed += [str(error) for error in unread if str(error) not in failed]
        chain = check_chain(record.folder, (head for known in heads.values() for head in known))
        faults += [f"Job {number}: {fault}" for fault in chain]
        if chain:
            continue  # what a damaged record says is no evidence
        manifest = record.manifest()
        found = list(_deliveries(record, manifest))
        if file:
            owners += [{**delivered, "as": "delivered"} for delivered in recognise(file, found)]
            owners += _owners(manifest, sha256)
        deliveries += [d for d in found if client is None or d["client"].casefold() == client.casefold()]
    if client is not None and not deliveries and not faults:
        known = _known_clients(studio, numbers)
        if client.casefold() not in {name.casefold() for name in known}:
            words = ", ".join(known) or "none"
            raise CallError(
                "W002", f"No job of this studio names a client {client!r} (known: {words}): name one of them."
            )
    said = _say_file(file, owners) if file else [line for delivery in deliveries for line in _say_delivery(delivery)]
    if faults:
        said.append("What the damaged records say is left out: mend them with `glassine verify --repair` first.")
    elif not file and not deliveries:
        said = [f"Nothing has been delivered{f' to {client}' if client else ''} yet."]
    said.append(f"Chain: {len(numbers) - len({f.split(':')[0] for f in faults})} of {len(numbers)} records are whole.")
    said += [f"Not compared with the heads on a volume that is away: {error}" for error in [*absent, *failed]]
    status = NOT_RIGHT if faults or (file and not owners) else 0
    data: Document = {"owners": owners, "sha256": sha256} if file else {"deliveries": deliveries}
    return summary(said, faults, status=status, **data)


def _digest(file: Path) -> str:
    try:
        return hash_file(file)
    except OSError as error:
        raise VolumeError(
            "V004", f"{file} cannot be read ({error.strerror}): name a file that you may read."
        ) from error


def _deliveries(record: JobRecord, manifest: Manifest) -> Iterator[Document]:
    for delivery in manifest.document["deliveries"]:
        handed = delivery["handed_over"]
        yield {
            "job": manifest.job,
            "delivery": delivery["delivery"],
            "client": delivery["client"],
            "specification": delivery["specification"],
            "licence": delivery["licence"],
            "packed_at": delivery["at"],
            "handed_over_at": handed["at"] if handed else None,
            "handed_over_by": record.people.name_of(handed["person"]) if handed else None,
            "place": handed["place"] if handed else None,
            "receipt_sha256": handed["receipt"]["sha256"] if handed else None,
            "files": [
                {**file, "sources": _sources(manifest, file), "blocked": _block_of(manifest, file["frames"])}
                for file in delivery["files"]
            ],
        }


def _block_of(manifest: Manifest, numbers: list[int]) -> str | None:
    """Why a picture of these frames may not be shown any more, or None."""
    blocked = [frame for frame in map(manifest.frame, numbers) if is_blocked(frame)]
    return f"{blocked[0]['number']}: {blocked[0]['block']['reason']}" if blocked else None


def _sources(manifest: Manifest, file: Document) -> Document:
    """From what a delivered file was made: the original, the retouch round, the look, and who signed it off."""
    frame = manifest.by_number[file["frame"]]
    final = next(
        f for f in reversed(frame["finals"]) if (f["final"], f["sha256"]) == (file["final"], file["final_sha256"])
    )
    return {
        "original": frame["name"],
        "original_sha256": frame["sha256"],
        "round": final["round"],
        "look": final["look"],
        "balance": balance_of_base(frame, final["round"]) if final["round"] else final.get("balance"),
        "sources": final["sources"],
    }


def _owners(manifest: Manifest, sha256: str) -> list[Document]:
    """What a digest is in one job, short of a delivered file."""
    found: list[Document] = []
    for frame in manifest.frames:
        named = [("original", frame["sha256"]), *(("companion", c["sha256"]) for c in frame["companions"])]
        named += [("proof", shown["sha256"]) for shown in frame["proofs"].values()]
        named += [(f"final {final['final']!r} of round {final['round']}", final["sha256"]) for final in frame["finals"]]
        for retouch in frame["rounds"]:
            named.append((f"base file of round {retouch['round']}", retouch["brief"]["base"]["sha256"]))
            named += [
                (extra["name"], extra["sha256"]) for extra in retouch["brief"]["extras"] if extra["use"] != "original"
            ]
            for back in retouch["take_backs"]:
                named.append((f"return of round {retouch['round']}", back["sha256"]))
                named += [(f"flat of round {retouch['round']}", back["flat"]["sha256"])] if back["flat"] else []
        found += [
            {"job": manifest.job, "frame": frame["frame"], "as": role} for role, digest in named if digest == sha256
        ]
    other = manifest.document["files"].get(sha256)
    if other and not found:
        found.append({"job": manifest.job, "frame": None, "as": other["role"]})
    return found


def _known_clients(studio: Studio, numbers: list[str]) -> list[str]:
    """Everybody whom a job sheet names as a client, or as somebody who receives."""
    names = set()
    for number in numbers:
        sheet = JobRecord(studio.job_folder(number)).manifest().sheet
        names |= {sheet.get("client", ""), *(d["client"] for d in sheet.get("deliverables", []))}
        names |= {licence["client"] for licence in sheet.get("licences", [])}
    return sorted(names - {""})


def _say_delivery(delivery: Document) -> list[str]:
    handed = (
        f"handed over {delivery['handed_over_at']} by {delivery['handed_over_by']}"
        if delivery["handed_over_at"]
        else "packed, not handed over"
    )
    said = [
        f"{delivery['job']} delivery {delivery['delivery']} to {delivery['client']}, {handed}",
        f"  licence: {_say_licence(delivery['licence'])}",
    ]
    for file in delivery["files"]:
        made = file["sources"]
        version = f"round {made['round']}" if made["round"] else "unretouched"
        said.append(
            f"  {file['name']}  frame {print_frame(file['frame'])} ({made['original']}), {file['final']}, {version}, look {made['look']}"
        )
        said.append(f"    SHA-256 {file['sha256']}")
        if file["crop"]:
            said.append(f"    cropped: {say_crop(file['crop'])}")
        if donors := [print_frame(number) for number in file["frames"] if number != file["frame"]]:
            said.append(f"    made of {print_frame(file['frame'])} with pieces of {', '.join(donors)}")
        if file["blocked"]:
            said.append(f"    BLOCKED since: {file['blocked']}")
    return said


def _say_licence(licence: Document) -> str:
    days = [f"{word} {licence[word]}" for word in ("from", "until") if licence.get(word)]
    return f"{licence.get('terms', 'none')}{f' ({chr(32).join(days)})' if days else ''}"


def _say_file(file: Path | None, owners: list[Document]) -> list[str]:
    if not owners:
        return [f"No job of this studio knows {file}: it is another version, or not from here."]
    said = []
    for owner in owners:
        if owner["as"] == "delivered":
            inside = owner["file"]
            when = owner["handed_over_at"] or "not handed over yet"
            said.append(
                f"{file} is {inside['name']} of delivery {owner['delivery']} of job {owner['job']} to {owner['client']} ({when}): "
                f"frame {print_frame(inside['frame'])}, {inside['final']}. Licence: {_say_licence(owner['licence'])}"
            )
            if inside["blocked"]:
                said.append(f"BLOCKED since ({inside['blocked']}): it may not be shown any more.")
        else:
            where = f"frame {print_frame(owner['frame'])}" if owner["frame"] else "no frame"
            said.append(f"{file} is in job {owner['job']}: {where}, {owner['as']}.")
    return said
