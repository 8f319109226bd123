"""Whether a studio is fit: its volumes, their room, their clocks, its documents, its jobs, its memory."""

from __future__ import annotations

import itertools
import os
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import cast

from glassine.flows.finding import Finding, mind, ok, wrong, wrong_by
from glassine.flows.studio import Studio, is_on_server
from glassine.schemas.entry import entry_name, parse_entry
from glassine.schemas.errors import NOT_RIGHT, WRONG_WORDS, GlassineError
from glassine.schemas.identifiers import VOLUME_IDENTITY, parse_time
from glassine.schemas.job_record import JobRecord
from glassine.schemas.validation import Document, read_document
from glassine.tasks.custody.volume import Volume
from glassine.tasks.custody.volume_probe import COARSEST_CLOCK_S, Probe, probe_folder

FRAME_BYTES = 60_000_000
"""One raw file of a camera of 45 megapixels, losslessly packed (common practice)."""
SMALL_VOLUME_BYTES = 10_000_000_000
"""Less room than a card holds: 10 GB (our own choice)."""


@dataclass(frozen=True)
class Place:
    """A volume that is there, under its name in the settings, and what its file system was found to do: of a server's,
    nobody can tell."""

    name: str
    volume: Volume
    probe: Probe | None


@dataclass(frozen=True)
class Job:
    """What the checks need of a job: the size of all that is under the copy rule, and the time of its newest entry."""

    number: str
    size_bytes: int
    newest: datetime


def check_studio(studio: Studio, now: datetime) -> Iterator[Finding]:
    """Every check of one studio."""
    yield ok("studio", f"{studio.name} in {studio.folder}")
    jobs, job_findings = _look_at_jobs(studio)
    places: list[Place] = []
    for index, settings in enumerate(studio.settings["volumes"]):
        yield from _check_volume(studio, settings, places, jobs, is_working=index == 0)
    yield from _check_apart(places)
    if len(studio.settings["volumes"]) == 1:
        advice = "Add one on another disk: `glassine studio add-volume backup=/path`."
        yield mind("volumes", "there is only one, so every frame has one copy", advice)
    yield from job_findings
    yield from check_against_entries(jobs, now)
    yield from _check_documents(studio)
    yield check_memory(studio, memory_bytes())


def check_room(what: str, place: str, free: int, jobs: list[Job]) -> Finding:
    """Free space of a volume, in frames and against the largest job."""
    room = f"{place}, {free / 1e9:.1f} GB free, about {free // FRAME_BYTES} frames of 60 MB"
    advice = "Free some space before the next card."
    largest = max(jobs, key=lambda job: job.size_bytes, default=None)
    if free < SMALL_VOLUME_BYTES:
        return mind(what, f"{room}: less than 10 GB", advice)
    if largest and free < largest.size_bytes:
        size = f"{largest.size_bytes / 1e9:.1f} GB"
        return mind(what, f"{room}: less than the largest job, {largest.number}, takes ({size})", advice)
    return ok(what, room)


def check_against_entries(jobs: list[Job], now: datetime) -> Iterator[Finding]:
    """The system's clock against the newest entry of each job."""
    for job in jobs:
        if (job.newest - now).total_seconds() > COARSEST_CLOCK_S:
            yield wrong(
                "clock",
                f"it says {now:%Y-%m-%d %H:%M:%S}, and the newest entry of job {job.number} {job.newest:%Y-%m-%d %H:%M:%S} (UTC)",
                "Set the clock, or entries bear times before those that are there; "
                "if it is right, it was ahead when that entry was written, and you can only wait.",
            )


def check_memory(studio: Studio, memory: int | None) -> Finding:
    """What all decoding workers may take at once, against the memory of the machine (None where it cannot be told)."""
    each, _ = studio.decode_limits
    said = f"{studio.workers} workers may take {each / 2**30:.3g} GiB each"
    if memory is None:
        return ok("memory", said)
    has = f"the machine has {memory / 2**30:.3g} GiB"
    if studio.workers * each <= memory:
        return ok("memory", f"{said}; {has}")
    fitting = max(1, memory // each)
    if fitting == 1 and each > memory:
        advice = "Lower `decode_memory_mb` in studio.toml below what the machine has."
    else:
        advice = (
            f"Write `workers = {fitting}` into studio.toml, or lower `decode_memory_mb`, if the machine slows down."
        )
    return mind("memory", f"{said}; {has}", advice)


def memory_bytes() -> int | None:
    """The memory of the machine, or None where the system does not say (Windows)."""
    if sys.platform == "win32":
        return None
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError):
        return None


def _check_volume(
    studio: Studio, settings: Document, places: list[Place], jobs: list[Job], *, is_working: bool
) -> Iterator[Finding]:
    """One volume; where it is there, it is added to `places`."""
    name = settings["name"]
    what = f"volume {name}"
    if is_on_server(settings["path"]):
        yield from _check_server(studio, settings, places, jobs, is_working=is_working)
        return
    root = studio.volume_root(settings)
    try:
        if root.is_dir() and not any(root.iterdir()):
            yield wrong(what, f"{root} is there and empty: no disk is mounted there", "Connect and mount its disk.")
            return
        volume = studio.open(settings)
        probe = probe_folder(root)
    except GlassineError as error:
        yield wrong_by(what, error)
        return
    except OSError as error:
        yield wrong(what, f"{root} cannot be looked at ({error.strerror})", "See to its disk, cable and rights.")
        return
    with suppress(OSError):
        volume.store.remove_leftovers("")
    places.append(Place(name, volume, probe))
    yield from judge_probe(what, root, probe, is_working=is_working)
    if not probe.unwritable:
        yield check_room(what, str(root), probe.free_bytes, jobs)
    yield from _check_id(what, settings, volume)


def _check_server(
    studio: Studio, settings: Document, places: list[Place], jobs: list[Job], *, is_working: bool
) -> Iterator[Finding]:
    """A volume on a server: whether it answers, is the one it should be, takes a file, and has room."""
    from glassine.tasks.custody.sftp_store import SftpStore

    what = f"volume {settings['name']}"
    try:
        if is_working:
            studio.working_volume()  # says that it must be a folder
        volume = studio.open(settings)
    except GlassineError as error:
        yield wrong_by(what, error)
        return
    places.append(Place(settings["name"], volume, None))
    store = cast(SftpStore, volume.store)
    try:
        off = store.clock_off_s()
        free = store.free_bytes()
    except GlassineError as error:
        yield wrong_by(what, error)
        return
    except OSError as error:
        found = f"nothing can be written to {store.label} ({error.strerror or error})"
        yield wrong(what, found, "Free some space if it is full, else see to the rights of the folder there.")
        return
    yield from judge_clock(what, off)
    if free is None:
        yield ok(what, f"{store.label}, which does not say how much room is left")
    else:
        yield check_room(what, store.label, free, jobs)
    yield from _check_id(what, settings, volume)


def _check_id(what: str, settings: Document, volume: Volume) -> Iterator[Finding]:
    if "volume" not in settings:
        risk = "studio.toml does not name its id, so another disk there would not be noticed"
        yield mind(what, risk, f'Write under its path: volume = "{volume.volume}"')


def judge_probe(what: str, root: Path, probe: Probe, *, is_working: bool) -> Iterator[Finding]:
    """What a probe found that is not as it should be."""
    if probe.unwritable:
        found = f"nothing can be written to {root} ({probe.unwritable})"
        yield wrong(
            what, found, "Free some space if it is full, else mount it for writing or see to the rights of the folder."
        )
    if probe.no_replace and is_working:
        yield wrong(what, probe.no_replace, "Keep the working volume on a disk formatted by your own system.")
    elif probe.no_replace:
        risk = f"{root} can hold copies, but not the record: its file system has neither links nor a safe rename"
        yield mind(what, risk, "Format it with a file system of your own system when it can be spared.")
    yield from judge_clock(what, probe.clock_off_s)


def judge_clock(what: str, off_s: float) -> Iterator[Finding]:
    """A volume's clock, so many seconds ahead of this machine's, or behind it, below zero."""
    if abs(off_s) > COARSEST_CLOCK_S:
        way = "ahead of" if off_s > 0 else "behind"
        found = f"its clock is {abs(off_s):.0f} s {way} this machine's"
        yield mind(what, found, "Set both clocks from the network: dates of files there mislead.")


def _check_apart(places: list[Place]) -> Iterator[Finding]:
    """Whether any two volumes fail together."""
    for one, other in itertools.combinations(places, 2):
        both = f"{one.name} and {other.name}"
        if one.volume.volume == other.volume.volume:
            yield wrong(
                "volumes",
                f"{both} bear one identity, {one.volume.volume}: copies are counted twice",
                f"One is a clone: take it out of studio.toml, or delete {other.volume.store.label}/{VOLUME_IDENTITY} "
                "and its `volume` line, and add it anew with `glassine studio add-volume`.",
                NOT_RIGHT,
            )
        elif one.probe and other.probe and one.probe.device == other.probe.device:
            yield mind("volumes", f"{both} are on one disk, and go together", "Keep one of them on another disk.")
        elif one.volume.medium == other.volume.medium:
            found = f"{both} say that they are one medium ({one.volume.medium})"
            yield mind(
                "volumes", found, "Keep one of them on another, or correct `medium` in its glassine-volume.json."
            )


def _look_at_jobs(studio: Studio) -> tuple[list[Job], list[Finding]]:
    try:
        numbers = studio.job_numbers()
    except (GlassineError, OSError):
        return [], []  # the line of the working volume says why
    jobs, findings = [], []
    for number in numbers:
        try:
            jobs.append(_look_at_job(studio, number))
        except GlassineError as error:
            findings.append(wrong_by(f"job {number}", error))
        except OSError as error:
            findings.append(
                wrong(f"job {number}", f"{error.filename}: {error.strerror}", "See to its disk and rights.")
            )
        findings += _check_sheet(studio, number)
    return jobs, findings or [ok("jobs", f"{len(numbers)}, with records and job sheets that can be used")]


def _look_at_job(studio: Studio, number: str) -> Job:
    record = JobRecord(studio.job_folder(number))
    manifest = record.manifest()
    path = record.record_folder / entry_name(manifest.head.entry)
    newest = parse_entry(path.read_bytes(), manifest.head.entry, label=str(path))
    return Job(number, sum(int(file["size"]) for _, file in manifest.every_file()), parse_time(newest["at"]))


def _check_sheet(studio: Studio, number: str) -> Iterator[Finding]:
    """The job sheet as it lies in the job's folder, and every document that it names; one that is lost is in the record."""
    path = studio.working_volume().job_folder(number) / "job.json"
    if not path.exists():
        return
    try:
        sheet = read_document(path, "job_sheet")
    except GlassineError as error:
        yield wrong_by(f"job {number}", error)
        return
    looks = {sheet.get("preview_look"), *(final["look"] for final in sheet.get("finals", []))} - {None}
    specifications = {deliverable["specification"] for deliverable in sheet.get("deliverables", [])}
    yield from _check_named(studio, f"job {number}", looks, specifications)


def _check_documents(studio: Studio) -> Iterator[Finding]:
    """Looks, specifications and clients of the studio, and what its defaults name."""
    for folder, schema in (("looks", "look"), ("specifications", "delivery_specification")):
        paths = sorted((studio.folder / folder).glob("*.json"))
        faults = [fault for path in paths if (fault := _fault_of(path, schema, folder))]
        yield from faults or [ok(folder, f"{len(paths)}, all valid")]
    named = {studio.default("preview_look"), studio.default("final_look")} - {None}
    usual = {studio.default("specification")} - {None}
    yield from _check_named(studio, "studio.toml, [defaults]", named, usual)
    for client in studio.settings.get("clients", []):
        what = f"client {client['name']}"
        yield from _check_named(studio, what, set(), {client["specification"]} if "specification" in client else set())
        if "folder" in client and not studio.resolve(client["folder"]).is_dir():
            found = f"{studio.resolve(client['folder'])} is not there, so nothing can be handed over"
            yield mind(what, found, "Connect its disk or make the folder before you deliver.")


def _fault_of(path: Path, schema: str, what: str) -> Finding | None:
    try:
        read_document(path, schema)
    except GlassineError as error:
        return wrong_by(what, error)
    return None


def _check_named(studio: Studio, what: str, looks: set[str], specifications: set[str]) -> Iterator[Finding]:
    """Documents that are named must be there; one that is there and wrong has its own line already."""
    for kind, names in (("look", looks), ("specification", specifications)):
        there = {path.stem for path in (studio.folder / f"{kind}s").glob("*.json")}
        for name in sorted(names - there):
            known = ", ".join(sorted(there)) or "none"
            found = f"it names the {kind} {name!r}, which {studio.folder / f'{kind}s'} does not hold"
            yield wrong(what, found, f"Name one that is there ({known}), or write {name}.json.", WRONG_WORDS)
