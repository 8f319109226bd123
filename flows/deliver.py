"""Deliver: signed-off finals to a client's specification, packed, validated, handed over, with a receipt."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import in_batches, run_batches
from glassine.flows.grade import final_path
from glassine.flows.open_job import OpenJob, adopted_document
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.studio import read_studio
from glassine.schemas.due import DueDelivery, current_final, delivered_digests, wanted_finals
from glassine.schemas.durable_file import replace_file
from glassine.schemas.entry import canonical_bytes, digest_of
from glassine.schemas.errors import CallError, DeliveryRefusedError, GlassineError
from glassine.schemas.identifiers import utc_now
from glassine.schemas.job_record import adopt
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, is_blocked, is_selected
from glassine.schemas.validation import Document, check_document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.original_name import safe_part
from glassine.tasks.delivery.bag import make_bag, validate_bag
from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.delivery.receipt import receipt_bytes, receipt_document, write_receipt_pdf
from glassine.tasks.delivery.rendition import file_name, make_rendition, same_name_key
from glassine.tasks.delivery.rights import embedded_metadata, may_leave

Fact = dict[str, Any]
Item = tuple[int, Document]
PAYLOAD_MANIFEST = "manifest-sha256.txt"


@dataclass(frozen=True)
class Order:
    """What is to leave: to whom, to which specification, under which licence, which finals."""

    client: str
    specification: str
    specification_sha256: str
    content: Document
    licence: Document
    items: list[Item]

    @property
    def key(self) -> str:
        """Eight digits that change with anything that would change the delivery."""
        finals = [[number, final["final"], final["sha256"]] for number, final in self.items]
        return digest_of(canonical_bytes([self.client, self.specification_sha256, self.licence, finals]))[:8]


@flow(name="deliver")
def deliver(
    studio: str,
    job: str,
    client: str,
    specification: str | None = None,
    frames: list[int] | None = None,
    by: str | None = None,
) -> Document:
    """Deliver a client's finals: all selects of the job, or the frames named.

    Refused, with every cause, while one is unsigned, stale or blocked, or the licence does not cover today.
    What was delivered already, to this client and specification, is not delivered again.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    orders = plan_orders(open_job, client, specification, frames, datetime.now(UTC).date())
    _put_missing_receipts(open_job, client)
    sent = [send(open_job, order) for order in orders]
    problems = open_job.finish()
    said = [line for number in sent for line in _describe(open_job, number)]
    if not sent:
        said = [
            f"Everything that is signed off for {client} has been delivered: `glassine audit --client {client!r}` lists it."
        ]
    return summary(said, problems, job=job, client=client, deliveries=sent)


def plan_orders(
    job: OpenJob, client: str, specification: str | None, frames: list[int] | None, today: date
) -> list[Order]:
    """What is to be sent now; the gate that everything which leaves must pass (L001). Refused, nothing is recorded."""
    manifest = job.manifest
    name = _name_of_client(job, client)
    licence = _licence(manifest, name)
    causes = (
        may_leave(licence, on=today)
        if licence
        else [f"the job sheet has no licence for {name}: write one under `licences` in job.json."]
    )
    gathered: dict[str, list[Item]] = {}
    for spec_name, finals in _specifications(job, name, specification).items():
        gathered[spec_name], faults = _gather(manifest, finals, frames)
        causes += [fault for fault in faults if fault not in causes]
    if causes or licence is None:
        more = f" (and {len(causes) - 1} more causes)" if causes[1:] else ""
        raise DeliveryRefusedError("L001", f"Nothing leaves for {name}: {causes[0]}{more}", details=causes)
    orders = [_order(job, name, spec_name, licence, items) for spec_name, items in gathered.items()]
    return [order for order in orders if _is_owed(job.manifest, order)]


def _order(job: OpenJob, client: str, spec_name: str, licence: Document, items: list[Item]) -> Order:
    document = f"specification/{spec_name}"
    job.commit("adopt", partial(adopt, name=document, content=job.studio.specification(spec_name)))
    adopted = adopted_document(job.manifest, document)
    return Order(client, spec_name, adopted["sha256"], adopted["content"], licence, items)


def _is_owed(manifest: Manifest, order: Order) -> bool:
    """Whether something of an order was never sent, or a run that was killed left it packed."""
    sent = delivered_digests(manifest, order.client, order.specification)
    return any(final["sha256"] not in sent for _, final in order.items) or _packed_number(manifest, order) is not None


def order_of(job: OpenJob, due: DueDelivery) -> list[Order]:
    """The orders for what the job sheet says is due."""
    return plan_orders(job, due.client, due.specification, None, datetime.now(UTC).date())


def send(job: OpenJob, order: Order) -> int:
    """Pack, hand over and receipt one order, from wherever an earlier run stopped; returns the delivery's number."""
    number = _packed_number(job.manifest, order)
    if number is None:
        number = _pack(job, order)
    if not job.manifest.document["deliveries"][number - 1]["handed_over"]:
        _check_still_true(job.manifest, order)
        _hand_over(job, number)
    _put_receipt(job, number)
    return number


def _pack(job: OpenJob, order: Order) -> int:
    """Render and pack an order in a folder of its own, then commit it, unless another process was first."""
    deliveries = job.path("deliveries")
    deliveries.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".packing-", dir=deliveries) as temporary:
        packing = Path(temporary) / "bag"
        files = _render_files(job, order, packing)
        faults = validate_bag(packing)
        if faults:
            raise GlassineError("L002", f"The bag that was packed is not valid: {faults[0]}", details=faults)
        number = len(job.manifest.document["deliveries"]) + 1
        folder = f"deliveries/{number:04d}-{safe_part(order.client, 40)}-{order.key}"
        bag = _put_bag(packing, job.path(folder))
    fact: Fact = {
        "kind": "delivery",
        "client": order.client,
        "specification": order.specification,
        "specification_sha256": order.specification_sha256,
        "licence": order.licence,
        "folder": folder,
        "bag_sha256": hash_file(bag / "tagmanifest-sha256.txt"),
        "files": files,
    }

    def propose(manifest: Manifest) -> list[Fact]:
        _check_still_true(manifest, order)
        if _packed_number(manifest, order) is not None:
            return []
        return [{**fact, "delivery": len(manifest.document["deliveries"]) + 1}]

    packed = _packed_number(job.commit("deliver", propose), order)
    assert packed is not None  # committed just now, by this process or another
    return packed


def _put_bag(packing: Path, bag: Path) -> Path:
    """Give a packed bag its name. One that is there, and that no fact names yet, is the same or a leftover."""
    if bag.exists():
        if not validate_bag(bag) and hash_file(bag / PAYLOAD_MANIFEST) == hash_file(packing / PAYLOAD_MANIFEST):
            return bag
        shutil.rmtree(bag)
    packing.rename(bag)
    return bag


def _render_files(job: OpenJob, order: Order, bag: Path) -> list[Document]:
    """Render, describe and pack every file of an order."""
    with tempfile.TemporaryDirectory(prefix="rendering-", dir=bag.parent) as temporary:
        rendered = _render_all(job, order, Path(temporary))
        payload = {name: path for name, path, _ in rendered}
        packed = {file["name"]: file for file in make_bag(bag, payload, _bag_info(job, order)).files}
    return [
        {**facts, "name": name, **{key: packed[name][key] for key in ("sha256", "size")}} for name, _, facts in rendered
    ]


def _render_all(job: OpenJob, order: Order, folder: Path) -> list[tuple[str, Path, Document]]:
    names = _file_names(job, order)
    rendered: list[tuple[str, Path, Document]] = []
    with ExifTool() as exif, show_progress("rendering", len(order.items)) as on_file:

        def render_batch(batch: list[tuple[str, Item]]) -> list[tuple[str, Path, Document]]:
            made = []
            for name, (number, final) in batch:
                frame = job.manifest.frame(number)
                out = folder / name
                rendition = make_rendition(final_path(job, frame, final), order.content, out)
                exif.write(out, embedded_metadata(_rights(job, order), _described(frame), rendition))
                facts = {"frame": number, "final": final["final"], "final_sha256": final["sha256"]}
                made.append((name, out, {**facts, "width": rendition["width"], "height": rendition["height"]}))
                on_file(1)
            return made

        for made in run_batches("render", render_batch, in_batches(zip(names, order.items, strict=True), size=8)):
            rendered += made
    return rendered


def _file_names(job: OpenJob, order: Order) -> list[str]:
    names, seen = [], set()
    for sequence, (number, final) in enumerate(order.items, 1):
        frame = job.manifest.frame(number)
        values = {
            "job": job.number,
            "frame": frame["number"],
            "final": final["final"],
            "stem": safe_part(Path(frame["name"]).stem),
            "sequence": f"{sequence:03d}",
        }
        name = file_name(order.content["name_template"], values, order.content["file"]["type"])
        if same_name_key(name) in seen:
            raise CallError(
                "W001",
                f"The name template {order.content['name_template']!r} names two files {name!r}: add ${{frame}} and ${{final}} to it.",
            )
        seen.add(same_name_key(name))
        names.append(name)
    return names


def _hand_over(job: OpenJob, number: int) -> None:
    """Copy the bag to the client's folder, validate it there, and write the receipt with the record's head."""
    delivery = job.manifest.document["deliveries"][number - 1]
    bag = job.path(delivery["folder"])
    place = _client_folder(job, delivery["client"]) / f"{job.number}-{number:04d}"
    if not place.exists():
        partial = place.with_name(f".{place.name}.partial")
        shutil.rmtree(partial, ignore_errors=True)
        shutil.copytree(bag, partial)
        partial.rename(place)
    faults = validate_bag(place)
    if faults or hash_file(place / "tagmanifest-sha256.txt") != delivery["bag_sha256"]:
        raise GlassineError(
            "L002",
            f"The delivery at {place} is not what was packed: somebody changed it. Move it away, then run the same command again.",
            details=faults,
        )
    head = job.manifest.head
    document = receipt_document(
        job=job.number,
        client=delivery["client"],
        delivery=number,
        specifications=[delivery["specification"]],
        licence=delivery["licence"],
        files=delivery["files"],
        record={"entry": head.entry, "sha256": head.sha256},
        handed_over_at=utc_now(),
        handed_over_by=job.record.people.name_of(job.by),
        place=str(place),
    )
    check_document(document, "receipt", label=f"receipt {number}")
    content = receipt_bytes(document)
    # The name holds the digest: of two processes that hand over at once, each writes its own, and the record names one.
    stem = f"deliveries/receipt-{number:04d}.{digest_of(content)[:8]}"
    receipt, receipt_pdf = job.path(f"{stem}.json"), job.path(f"{stem}.pdf")
    replace_file(receipt, content)
    write_receipt_pdf(document, receipt_pdf)
    files = [{"path": job.relative(path), "sha256": hash_file(path)} for path in (receipt, receipt_pdf)]
    fact: Fact = {
        "kind": "hand_over",
        "delivery": number,
        "place": str(place),
        "person": job.by,
        "receipt": files[0],
        "receipt_pdf": files[1],
    }
    job.say("hand-over", [fact, job.hold(receipt, "receipt"), job.hold(receipt_pdf, "receipt")])


def _put_missing_receipts(job: OpenJob, client: str) -> None:
    """What a run that was killed right after its last entry left undone."""
    for delivery in job.manifest.document["deliveries"]:
        if delivery["handed_over"] and delivery["client"].casefold() == client.casefold():
            _put_receipt(job, delivery["delivery"])


def _put_receipt(job: OpenJob, number: int) -> None:
    """The receipt beside the bag in the client's folder, where it stays out of the studio's reach."""
    handed = job.manifest.document["deliveries"][number - 1]["handed_over"]
    place = Path(handed["place"])
    for part in ("receipt", "receipt_pdf"):
        source = job.path(handed[part]["path"])
        target = place.with_name(f"{place.name}-receipt{source.suffix}")
        if source.exists() and place.is_dir() and not target.exists():
            replace_file(target, source.read_bytes())


def _describe(job: OpenJob, number: int) -> list[str]:
    delivery = job.manifest.document["deliveries"][number - 1]
    handed = delivery["handed_over"]
    what = f"{len(delivery['files'])} files to the specification {delivery['specification']!r}"
    return [
        f"Delivery {number} to {delivery['client']}: {what}, in a valid bag at {handed['place']}",
        f"Receipt: {job.path(handed['receipt_pdf']['path'])}",
    ]


def _packed_number(manifest: Manifest, order: Order) -> int | None:
    """The number of a delivery that was packed for this very order, and not handed over yet."""
    for delivery in manifest.document["deliveries"]:
        if not delivery["handed_over"] and delivery["folder"].endswith(order.key):
            return int(delivery["delivery"])
    return None


def _name_of_client(job: OpenJob, client: str) -> str:
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
    raise CallError(
        "W002", f"The job sheet of {job.number} names no client {client!r} (known: {', '.join(sorted(set(known)))})."
    )


def _specifications(job: OpenJob, client: str, named: str | None) -> dict[str, list[str]]:
    """Specification to the names of the finals, as the job sheet's deliverables say; else the client's usual one."""
    everything = [wanted["final"] for wanted in wanted_finals(job.manifest)]
    wanted = {
        d["specification"]: d.get("finals") or everything
        for d in job.manifest.sheet.get("deliverables", [])
        if d["client"] == client and named in (None, d["specification"])
    }
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


def _gather(manifest: Manifest, finals: list[str], frames: list[int] | None) -> tuple[list[Item], list[str]]:
    """The finals to be sent, and every reason why one may not leave."""
    chosen = [manifest.frame(number) for number in frames] if frames else [f for f in manifest.frames if is_selected(f)]
    items: list[Item] = []
    causes = [] if chosen else ["no frame is a select of a closed round."]
    for frame in chosen:
        if is_blocked(frame):
            if frames:
                causes.append(f"frame {frame['number']} is blocked: {frame['block']['reason']}")
            continue
        for name in finals:
            final = current_final(frame, name)
            cause = _why_not(frame, name, final)
            if cause or final is None:
                causes.append(cause)
            else:
                items.append((frame["frame"], final))
    if not finals:
        causes.append("the job sheet names no finals: write `finals` into job.json.")
    return items, causes


def _why_not(frame: Frame, name: str, final: Document | None) -> str:
    if final is None:
        stale = any(old["final"] == name for old in frame["finals"])
        return f"final {name!r} of frame {frame['number']} is {'stale' if stale else 'not rendered'}: run `glassine advance`."
    if not final["signed_off"]:
        return f"final {name!r} of frame {frame['number']} is not signed off."
    return ""


def _check_still_true(manifest: Manifest, order: Order) -> None:
    """Another process may have blocked a frame, or brought a newer round, while this bag was being packed."""
    for number, final in order.items:
        frame = manifest.frame(number)
        now = current_final(frame, final["final"])
        if is_blocked(frame) or now is None or now["sha256"] != final["sha256"] or not now["signed_off"]:
            raise DeliveryRefusedError(
                "L001",
                f"Frame {frame['number']} changed while the bag was packed: nothing was handed over. Run the same command again.",
            )


def _rights(job: OpenJob, order: Order) -> Document:
    sheet = job.manifest.sheet
    return {
        "creator": sheet.get("photographer"),
        "credit_line": sheet.get("credit_line") or job.studio.default("credit_line"),
        "copyright_notice": sheet.get("copyright_notice") or job.studio.default("copyright_notice"),
        "usage_terms": order.licence.get("terms"),
        "web_statement": sheet.get("web_statement"),
        "job": job.number,
        "client": order.client,
        "title": sheet.get("title"),
        "description": sheet.get("description"),
        "keywords": sheet.get("keywords"),
        "instructions": sheet.get("instructions"),
        "model_release": sheet.get("model_release"),
    }


def _described(frame: Frame) -> Document:
    return {"number": frame["frame"], "captured": frame["captured"]}


def _bag_info(job: OpenJob, order: Order) -> list[tuple[str, str]]:
    today = datetime.now(UTC).date().isoformat()
    return [
        ("Source-Organization", job.studio.name),
        ("External-Identifier", f"{job.number}/{order.key}"),
        ("External-Description", f"{job.manifest.sheet['title']}: {order.specification}"),
        ("Bagging-Date", today),
        ("Internal-Sender-Identifier", job.number),
    ]


def _client_folder(job: OpenJob, client: str) -> Path:
    settings = job.studio.client(client)
    place = job.studio.resolve(settings.get("folder") or f"clients/{safe_part(client)}")
    place.mkdir(parents=True, exist_ok=True)
    return place
