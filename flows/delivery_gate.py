"""The gate that everything which leaves must pass: what a client is owed, and every reason why something may not go."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import NamedTuple

from glassine.flows.open_job import OpenJob, adopted_document
from glassine.schemas.due import (
    blocked_sources,
    current_final,
    delivered_pictures,
    picture_key,
    wanted_finals,
)
from glassine.schemas.entry import canonical_bytes, digest_of
from glassine.schemas.errors import CallError, DeliveryRefusedError
from glassine.schemas.job_record import adopt
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, crop_for, current_round, is_blocked, is_selected, newer_round, round_state
from glassine.schemas.validation import Document
from glassine.tasks.delivery.rights import may_leave


class Item(NamedTuple):
    """One picture that is to leave: which final of which frame, in which crop (None is the full frame)."""

    frame: int
    final: Document
    crop: Document | None


@dataclass(frozen=True)
class Order:
    """What is to leave: to whom, to which specification, under which licence, with which rights inside, which finals."""

    client: str
    specification: str
    specification_sha256: str
    content: Document
    licence: Document
    rights: Document
    items: list[Item]

    @property
    def key(self) -> str:
        """Eight digits that change with anything that would change the delivered files."""
        finals = [[item.frame, item.final["final"], item.final["sha256"], item.crop] for item in self.items]
        return digest_of(canonical_bytes([self.client, self.specification_sha256, self.licence, self.rights, finals]))[
            :8
        ]


def plan_orders(
    job: OpenJob, client: str, specification: str | None, frames: list[int] | None, today: date
) -> list[Order]:
    """What is to be sent now: what was not sent before, to this client and this version of the specification.

    Refused (L001, with every cause), nothing is recorded.
    """
    manifest = job.manifest
    name = name_of_client(job, client)
    licence = _licence(manifest, name)
    if licence:
        causes = may_leave(licence, on=today)
    else:
        causes = [f"the job sheet has no licence for {name}: write one under `licences` in job.json."]
    gathered: dict[str, list[Item]] = {}
    for spec_name, finals in _specifications(job, name, specification).items():
        gathered[spec_name], faults = _gather(manifest, spec_name, finals, frames)
        causes += [fault for fault in faults if fault not in causes]
    if causes or licence is None:
        more = f" (and {len(causes) - 1} more causes)" if causes[1:] else ""
        raise DeliveryRefusedError("L001", f"Nothing leaves for {name}: {causes[0]}{more}", details=causes)
    orders = [_order(job, name, spec_name, licence, items) for spec_name, items in gathered.items()]
    return [order for order in orders if order.items]


def check_still_true(manifest: Manifest, order: Order) -> None:
    """Another process may have blocked a frame, or brought a newer round, while a bag was packed or copied."""
    if _licence(manifest, order.client) != order.licence:
        sentence = f"The licence for {order.client} changed while the delivery was made: nothing was handed over"
        raise DeliveryRefusedError("L001", f"{sentence}. Run the same command again.")
    for item in order.items:
        frame = manifest.frame(item.frame)
        now = current_final(frame, item.final["final"])
        is_same = now is not None and now["sha256"] == item.final["sha256"] and now["signed_off"]
        if (
            not is_same
            or is_blocked(frame)
            or not is_selected(frame)
            or newer_round(frame, item.final)
            or blocked_sources(manifest, item.final)
            or crop_for(frame, order.specification) != item.crop
        ):
            sentence = f"Frame {frame['number']} changed while the delivery was made: nothing was handed over"
            raise DeliveryRefusedError("L001", f"{sentence}. Run the same command again.")


def left_out(manifest: Manifest) -> list[str]:
    """Numbers of the selects that leave in no delivery, since they are blocked."""
    return [frame["number"] for frame in manifest.frames if is_selected(frame) and is_blocked(frame)]


def name_of_client(job: OpenJob, client: str) -> str:
    """The client's name as the job sheet writes it; a name that nobody knows is refused."""
    sheet = job.manifest.sheet
    known = [
        sheet["client"],
        *(d["client"] for d in sheet.get("deliverables", [])),
        *(li["client"] for li in sheet.get("licences", [])),
    ]
    for name in known:
        if name.casefold() == client.casefold():
            return str(name)
    words = ", ".join(sorted(set(known)))
    raise CallError(
        "W002",
        f"The job sheet of {job.number} names no client {client!r} (known: {words}): name one of them, or write it into job.json.",
    )


def _order(job: OpenJob, client: str, spec_name: str, licence: Document, items: list[Item]) -> Order:
    document = f"specification/{spec_name}"
    job.commit("adopt", partial(adopt, name=document, content=job.studio.specification(spec_name)))
    adopted = adopted_document(job.manifest, document)
    sent = delivered_pictures(job.manifest, client, spec_name, adopted["sha256"])
    unsent = [item for item in items if picture_key(item.final["sha256"], item.crop) not in sent]
    rights = _rights(job, client, licence)
    return Order(client, spec_name, adopted["sha256"], adopted["content"], licence, rights, unsent)


def _specifications(job: OpenJob, client: str, named: str | None) -> dict[str, list[str]]:
    """Specification to the names of the finals, as the job sheet's deliverables say; else the client's usual one."""
    everything = [wanted["final"] for wanted in wanted_finals(job.manifest)]
    wanted: dict[str, list[str]] = {}
    for deliverable in job.manifest.sheet.get("deliverables", []):
        if deliverable["client"].casefold() == client.casefold() and named in (None, deliverable["specification"]):
            finals = wanted.setdefault(deliverable["specification"], [])
            finals += [name for name in deliverable.get("finals") or everything if name not in finals]
    if wanted:
        return wanted
    usual = named or job.studio.client(client).get("specification") or job.studio.default("specification")
    if not usual:
        raise CallError(
            "W001", f"No specification for {client}: give --specification NAME, or write a deliverable into job.json."
        )
    return {usual: everything}


def _licence(manifest: Manifest, client: str) -> Document | None:
    return next((li for li in manifest.sheet.get("licences", []) if li["client"].casefold() == client.casefold()), None)


def _gather(
    manifest: Manifest, specification: str, finals: list[str], frames: list[int] | None
) -> tuple[list[Item], list[str]]:
    """The finals to be sent, and every reason why one may not leave. Blocked selects leave only when they are named."""
    selects = [frame for frame in manifest.frames if is_selected(frame)]
    chosen = [manifest.frame(number) for number in frames] if frames else [f for f in selects if not is_blocked(f)]
    items: list[Item] = []
    causes = [] if chosen else ["no frame that may leave is a select of a closed round."]
    if not finals:
        causes.append("the job sheet names no finals: write `finals` into job.json.")
    for frame in chosen:
        if is_blocked(frame):
            causes.append(f"frame {frame['number']} is blocked: {frame['block']['reason']}")
            continue
        if not is_selected(frame):
            causes.append(f"frame {frame['number']} is no select of a closed round.")
            continue
        for name in (wanted["final"] for wanted in wanted_finals(manifest, frame) if wanted["final"] in finals):
            final = current_final(frame, name)
            cause = _why_not(manifest, frame, name, final)
            if cause or final is None:
                causes.append(cause)
            else:
                items.append(Item(frame["frame"], final, crop_for(frame, specification)))
    return items, causes


def _why_not(manifest: Manifest, frame: Frame, name: str, final: Document | None) -> str:
    if final is None:
        stale = any(old["final"] == name for old in frame["finals"])
        retouch = current_round(frame)
        if retouch and round_state(retouch) != "accepted":
            how = {"briefed": "to be handed out", "out": "out", "to review": "to be reviewed", "refused": "refused"}
            state = f"round {retouch['round']} is {how[round_state(retouch)]}: `glassine status {manifest.job}` says whom it waits for."
        elif stale or retouch:
            state = "run `glassine advance`."
        else:
            state = f"brief its retouch, or `glassine grade {manifest.job} --unretouched {frame['number']}`."
        return f"final {name!r} of frame {frame['number']} is {'stale' if stale else 'not rendered'}: {state}"
    if newer := newer_round(frame, final):
        return f"final {name!r} of frame {frame['number']} is of an older round than round {newer['round']}, which is under way: wait for it, or `glassine retouch call-off`."
    if blocked := blocked_sources(manifest, final):
        return f"final {name!r} of frame {frame['number']} holds a piece of {', '.join(blocked)}, which is blocked: have it retouched without."
    if not final["signed_off"]:
        return f"final {name!r} of frame {frame['number']} is not signed off."
    return ""


def _rights(job: OpenJob, client: str, licence: Document) -> Document:
    """What is written into each file about whose it is (rights.embedded_metadata)."""
    sheet = job.manifest.sheet
    return {
        "creator": sheet.get("photographer"),
        "credit_line": sheet.get("credit_line") or job.studio.default("credit_line"),
        "copyright_notice": sheet.get("copyright_notice") or job.studio.default("copyright_notice"),
        "usage_terms": licence.get("terms"),
        "web_statement": sheet.get("web_statement"),
        "job": job.number,
        "client": client,
        "title": sheet.get("title"),
        "description": sheet.get("description"),
        "keywords": sheet.get("keywords"),
        "instructions": sheet.get("instructions"),
        "model_release": sheet.get("model_release"),
    }
