"""Deliver: signed-off finals to a client's specification, packed, validated, handed over, with a receipt.

The order of things, so that a kill or a block at any point tells no lie: the bag is packed and named, then the entry
`delivery`; the bag is copied to the client's folder under a hidden name and read back, then the entry `hand_over`, which
is refused when a final may no longer leave; only then does the bag get its name there, and the receipt is put beside it.
"""

from __future__ import annotations

import secrets
import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.batches import in_batches, run_batches
from glassine.flows.delivery_gate import Item, Order, check_still_true, left_out, plan_orders
from glassine.flows.grade import final_path
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.studio import read_studio
from glassine.schemas import file_system
from glassine.schemas.due import DueDelivery
from glassine.schemas.durable_file import replace_file, unwritable
from glassine.schemas.entry import digest_of
from glassine.schemas.errors import CallError, GlassineError, VolumeError
from glassine.schemas.identifiers import counted, print_frame, utc_now
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, is_blocked
from glassine.schemas.validation import Document, check_document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.medium import drop_cached_pages
from glassine.tasks.custody.original_name import safe_part
from glassine.tasks.custody.replication import PACKING_PREFIX, remove_old
from glassine.tasks.delivery.bag import make_bag, validate_bag
from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.delivery.receipt import receipt_bytes, receipt_document, write_receipt_pdf
from glassine.tasks.delivery.rendition import file_name, make_rendition, same_name_key
from glassine.tasks.delivery.rights import embedded_metadata

Fact = dict[str, Any]
PAYLOAD_MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"


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

    Refused, with every cause, while one is unsigned or stale, a named one is blocked, or the licence does not cover
    today. What was delivered already, to this client and version of the specification, is not delivered again.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    problems = finish_hand_overs(open_job)
    orders = plan_orders(open_job, client, specification, frames, datetime.now(UTC).date())
    try:
        sent = [send(open_job, order) for order in orders]
        problems += finish_hand_overs(open_job)
    finally:
        problems += open_job.finish()
    said = [line for number in sent for line in _describe(open_job, number)]
    blocked = left_out(open_job.manifest)
    if not sent:
        said = [
            f"Everything that may leave for {client} has been delivered: `glassine audit --client {client!r}` lists it."
        ]
    if blocked and not frames:
        said.append(f"Left out, since they are blocked: {', '.join(blocked)}.")
    return summary(said, problems, job=job, client=client, deliveries=sent, left_out=blocked)


def send_due(job: OpenJob, due: DueDelivery) -> list[int]:
    """Send what the job sheet says is due; returns the numbers of the deliveries."""
    orders = plan_orders(job, due.client, due.specification, None, datetime.now(UTC).date())
    return [send(job, order) for order in orders]


def send(job: OpenJob, order: Order) -> int:
    """Pack one order and hand it over, from wherever an earlier run stopped; returns the delivery's number.

    The bag gets its name at the client in `finish_hand_overs`.
    """
    number = _packed_number(job, job.manifest, order)
    if number is None:
        number = _pack(job, order)
    _hand_over(job, number, order)
    return number


def finish_hand_overs(job: OpenJob) -> list[str]:
    """What runs that were killed left in the clients' folders.

    A bag whose entry `hand_over` is there gets its name, and its receipt beside it, unless a frame in it is blocked
    since; one without that entry is removed, at once when it holds a blocked frame. Returns problems, a sentence each.
    """
    problems = []
    for delivery in job.manifest.document["deliveries"]:
        try:
            problems += _finish_hand_over(job, delivery)
        except (GlassineError, OSError) as error:
            problems.append(f"Delivery {delivery['delivery']}: {error}")
    return problems


def _finish_hand_over(job: OpenJob, delivery: Document) -> list[str]:
    handed = delivery["handed_over"]
    place = Path(handed["place"]) if handed else _place(job, delivery)
    named = {number for file in delivery["files"] for number in file["frames"]}
    blocked = [number for number in sorted(named) if is_blocked(job.manifest.frame(number))]
    partials = _partials(place)
    if blocked and partials and not place.exists():
        for partial in partials:
            shutil.rmtree(partial)
        if handed:
            numbers = ", ".join(print_frame(number) for number in blocked)
            sentence = f"Delivery {delivery['delivery']} is on record as handed over, but never appeared at {place}"
            return [f"{sentence}, and {numbers} is blocked since: its bag was taken back. Deliver the others anew."]
        return []
    for partial in partials if handed else []:
        if not place.exists() and _is_the_bag(partial, delivery):
            partial.rename(place)
    remove_old(_partials(place))
    for part in ("receipt", "receipt_pdf") if handed else ():
        source = job.path(handed[part]["path"])
        target = place.with_name(f"{place.name}-receipt{source.suffix}")
        if source.exists() and place.is_dir() and not target.exists():
            replace_file(target, source.read_bytes())
    return []


def _pack(job: OpenJob, order: Order) -> int:
    """Render and pack an order in a folder of its own, then commit it, unless another process was first."""
    deliveries = job.path("deliveries")
    deliveries.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=PACKING_PREFIX, dir=deliveries) as temporary:
        packing = Path(temporary) / "bag"
        files = _render_files(job, order, packing)
        faults = validate_bag(packing)
        if faults:
            raise GlassineError(
                "L002",
                f"The bag that was packed is not valid, and nothing was handed over: {faults[0]} Run the same command again.",
                details=faults,
            )
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
        "bag_sha256": hash_file(bag / TAG_MANIFEST),
        "files": files,
    }

    def propose(manifest: Manifest) -> list[Fact]:
        check_still_true(manifest, order)
        if _packed_number(job, manifest, order) is not None:
            return []
        return [{**fact, "delivery": len(manifest.document["deliveries"]) + 1}]

    packed = _packed_number(job, job.commit("deliver", propose), order)
    if packed is None:
        raise VolumeError("V003", f"The bag {bag} went away while it was packed: run the same command again.")
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
            for name, (number, final, crop) in batch:
                frame = job.manifest.frame(number)
                out = folder / name
                rendition = make_rendition(final_path(job, frame, final), order.content, out, crop=crop)
                exif.write(out, embedded_metadata(order.rights, _described(frame), rendition))
                facts = {"frame": number, "final": final["final"], "final_sha256": final["sha256"]}
                facts |= {"crop": crop, "frames": final["frames"]}
                made.append((name, out, {**facts, "width": rendition["width"], "height": rendition["height"]}))
                on_file(1)
            return made

        for made in run_batches("render", render_batch, in_batches(zip(names, order.items, strict=True), size=8)):
            rendered += made
    return rendered


def _file_names(job: OpenJob, order: Order) -> list[str]:
    names, seen = [], set()
    for sequence, (number, final, _) in enumerate(order.items, 1):
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


def _hand_over(job: OpenJob, number: int, order: Order) -> None:
    """Copy the bag to the client's folder under a hidden name, read it back, and state the hand-over with its receipt."""
    delivery = job.manifest.document["deliveries"][number - 1]
    place = _client_folder(job, delivery["client"]) / _name_at_client(job, number)
    if place.exists():
        sentence = f"{place} is there already, and is no delivery that the record knows"
        raise CallError("W003", f"{sentence}: move it away, then run the same command again.")
    remove_old(_partials(place))
    partial = place.with_name(f".{place.name}.{secrets.token_hex(4)}.partial")
    try:
        shutil.copytree(job.path(delivery["folder"]), partial, copy_function=_copy_flushed)
        if not _is_the_bag(partial, delivery):
            sentence = f"The copy of delivery {number} at {place.parent} read back otherwise than it was packed"
            raise GlassineError("L002", f"{sentence}: check that disk, then run the same command again.")
        is_ours = _state_hand_over(job, number, order, place)
    except (OSError, shutil.Error) as error:
        shutil.rmtree(partial, ignore_errors=True)
        raise unwritable(place, error if isinstance(error, OSError) else OSError(str(error))) from error
    except GlassineError:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    if not is_ours:  # another process handed it over meanwhile
        shutil.rmtree(partial, ignore_errors=True)


def _partials(place: Path) -> list[Path]:
    """Bags on their way to a place, under hidden names; also those that a killed run left."""
    return sorted(place.parent.glob(f".{place.name}.*.partial")) if place.parent.is_dir() else []


def _state_hand_over(job: OpenJob, number: int, order: Order, place: Path) -> bool:
    """State the hand-over; whether it was this process that did."""
    delivery = job.manifest.document["deliveries"][number - 1]
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
    named = {"place": str(place), "person": job.by, "receipt": files[0], "receipt_pdf": files[1]}
    facts = [
        {"kind": "hand_over", "delivery": number, **named},
        job.hold(receipt, "receipt"),
        job.hold(receipt_pdf, "receipt"),
    ]

    def propose(manifest: Manifest) -> list[Fact]:
        check_still_true(manifest, order)
        return [] if manifest.document["deliveries"][number - 1]["handed_over"] else facts

    stated = job.commit("hand-over", propose).document["deliveries"][number - 1]["handed_over"]
    return bool(stated["receipt"] == files[0])


def _is_the_bag(folder: Path, delivery: Document) -> bool:
    """Whether a folder is a delivery's bag, whole; read from its medium where the system can."""
    for path in folder.rglob("*"):
        if path.is_file():
            drop_cached_pages(path)
    tags = folder / TAG_MANIFEST
    return not validate_bag(folder) and tags.is_file() and hash_file(tags) == delivery["bag_sha256"]


def _copy_flushed(source: str, target: str) -> None:
    with Path(source).open("rb") as reader, Path(target).open("xb") as writer:
        shutil.copyfileobj(reader, writer, 4 * 2**20)
        file_system.flush(writer)


def _describe(job: OpenJob, number: int) -> list[str]:
    delivery = job.manifest.document["deliveries"][number - 1]
    handed = delivery["handed_over"]
    finals = {final["sha256"]: final for frame in job.manifest.frames for final in frame["finals"]}
    larger = [file["name"] for file in delivery["files"] if file["width"] > finals[file["final_sha256"]]["width"]]
    what = f"{counted(len(delivery['files']), 'file')} to the specification {delivery['specification']!r}"
    return [
        f"Delivery {number} to {delivery['client']}: {what}, in a valid bag at {handed['place']}",
        f"Receipt: {job.path(handed['receipt_pdf']['path'])}",
        *([f"Enlarged to meet the size of the specification: {', '.join(larger)}."] if larger else []),
    ]


def _packed_number(job: OpenJob, manifest: Manifest, order: Order) -> int | None:
    """The number of a delivery that was packed for this very order, whose bag is whole, and that was not handed over."""
    for delivery in manifest.document["deliveries"]:
        bag = job.path(delivery["folder"])
        waits = not delivery["handed_over"] and delivery["folder"].endswith(order.key)
        if waits and bag.is_dir() and _is_the_bag(bag, delivery):
            return int(delivery["delivery"])
    return None


def _described(frame: Frame) -> Document:
    return {"number": frame["frame"], "captured": frame["taken"]}


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
    """Where a client's deliveries are handed over; a folder that the settings name must be there, or its disk is away."""
    place = _client_place(job, client)
    if not job.studio.client(client).get("folder"):
        place.mkdir(parents=True, exist_ok=True)
    if not place.is_dir():
        sentence = f"The folder of {client}, {place}, is not there"
        raise VolumeError("V001", f"{sentence}: connect its disk or make the folder, then run the same command again.")
    return place


def _client_place(job: OpenJob, client: str) -> Path:
    return job.studio.resolve(job.studio.client(client).get("folder") or f"clients/{safe_part(client)}")


def _name_at_client(job: OpenJob, number: int) -> str:
    return f"{job.number}-{number:04d}"


def _place(job: OpenJob, delivery: Document) -> Path:
    return _client_place(job, delivery["client"]) / _name_at_client(job, delivery["delivery"])
