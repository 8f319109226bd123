"""Wrap: the report before anyone goes home, and whether the studio may be struck.

It reads, and loads neither the flow engine nor picture libraries; only `--carries` says something new.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from glassine.flows.card_log import STATES
from glassine.flows.known_heads import read_known_heads
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio, is_on_server
from glassine.schemas.entry import Head
from glassine.schemas.errors import NOT_RIGHT, CallError, VolumeError
from glassine.schemas.identifiers import counted
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.strike import Place, say_numbers, say_range, strike_report
from glassine.schemas.validation import Document
from glassine.tasks.custody.volume import Volume

Fact = dict[str, Any]
AS_FAR = "as far as the record knows"


def wrap(studio: Studio, number: str, *, carries: Sequence[str] = (), by: str | None = None) -> Document:
    """Report what is outstanding at the end of a shoot. Exit status 1 when the studio may not be struck.

    Parameters
    ----------
    carries : VOLUME=NAME: who carries a volume of the studio off site; `VOLUME=` takes it back

    Returns
    -------
    What `strike_report` says, with the names of people. A damaged record is no evidence: then `may_be_struck` is false,
    and `reasons` holds what is wrong with it.

    Raises
    ------
    CallError
        W001, W002: `carries` is not written so, or names a volume that the studio does not have.
    """
    folder = studio.job_folder(number)
    backups, absent = studio.backups()
    working = studio.working_volume()
    record = JobRecord(folder)
    heads, failed = read_known_heads(working, backups, number)
    if faults := check_chain(folder, (head for found in heads.values() for head in found)):
        do = f"`glassine verify {number} --repair`"
        reasons = [{"what": fault.rstrip("."), "do": do} for fault in faults]
        said = list(_say_verdict({"may_be_struck": False, "reasons": reasons, "look_at": []}))
        return summary(said, [], status=NOT_RIGHT, job=number, may_be_struck=False, reasons=reasons, look_at=[])
    problems: list[str] = []
    if carries:
        here = [volume for volume in (working, *backups) if volume.volume in heads]
        chosen = _carriers(_places(studio, record.manifest(), here, {}), carries)
        away = {str(error) for error in (*absent, *failed)}  # told in the report, and no reason to fail
        problems = [problem for problem in _keep_carriers(studio, number, chosen, by) if problem not in away]
        record = JobRecord(folder)
        heads, failed = read_known_heads(working, backups, number)
    manifest = record.manifest()
    here = [volume for volume in (working, *backups) if volume.volume in heads]
    report = strike_report(manifest, _places(studio, manifest, here, heads))
    for said in (*report["cards"], *report["off_site"]):
        said["person"] = record.people.name_of(said["person"]) if said["person"] else None
    status = 0 if report["may_be_struck"] else NOT_RIGHT
    lines = [*_say_verdict(report), f"Job {number}:", *_say_report(manifest, report)]
    lines += [f"  {error}" for error in (*absent, *failed)]
    return summary(lines, problems, status=status, job=number, **report)


def _carriers(known_places: Sequence[Place], carries: Sequence[str]) -> list[tuple[str, str]]:
    """Ids of volumes, each with the name of who carries it, or nobody's."""
    places = {place.name.casefold(): place for place in known_places}
    chosen = []
    for volume, name in map(_pair, carries):
        place = places.get(volume.casefold())
        if place is None:
            known = ", ".join(found.name for found in places.values())
            raise CallError("W002", f"The studio has no volume {volume!r} (known: {known}): name one of them.")
        if place.volume is None:
            raise VolumeError(
                "V001", f"Volume {place.name} was never here, so nobody knows which disk it is: connect it once."
            )
        chosen.append((place.volume, name))
    return chosen


def _keep_carriers(studio: Studio, number: str, carriers: Sequence[tuple[str, str]], by: str | None) -> list[str]:
    """Say in the record who carries which volume; returns what could not be done meanwhile."""
    job = OpenJob(studio, number, by)
    people = [(volume, job.record.people.person_of(name) if name else None) for volume, name in carriers]

    def propose(manifest: Manifest) -> Iterator[Fact]:
        for volume, person in people:
            known = manifest.document["carriers"].get(volume)
            if (known["person"] if known else None) != person:
                revision = known["revision"] + 1 if known else 1
                yield {"kind": "carrier", "volume": volume, "revision": revision, "person": person}

    job.commit("carrier", propose)
    return job.finish()


def _pair(text: str) -> tuple[str, str]:
    volume, equals, name = (part.strip() for part in text.partition("="))
    if not volume or not equals:
        raise CallError("W001", f"{text!r} is not written as VOLUME=NAME, such as --carries 'offsite=Tove Abel'.")
    return volume, name


def _places(
    studio: Studio, manifest: Manifest, here: Sequence[Volume], heads: Mapping[str, Sequence[Head]]
) -> list[Place]:
    """The studio's volumes: those here as their identity files say, those away as the record last knew them."""
    by_name = {volume.name: volume for volume in here}
    by_id = {volume.volume: volume for volume in here}
    known = manifest.document["volumes"]
    places = []
    for settings in studio.settings["volumes"]:
        name, volume = settings["name"], settings.get("volume")
        found = by_id.get(volume) if volume else by_name.get(name)
        if found:
            newest = max((head.entry for head in heads.get(found.volume, [])), default=0) if heads else None
            said = found.medium, found.site
            places.append(Place(found.volume, name, *said, is_here=True, is_portable=found.is_folder, entry=newest))
            continue
        volume = volume or next((one for one, said in known.items() if said["name"] == name), None)
        last = known.get(volume, {"medium": None, "site": None})
        portable = not is_on_server(settings["path"])
        places.append(Place(volume, name, last["medium"], last["site"], is_here=False, is_portable=portable))
    return places


def _say_verdict(report: Document) -> Iterator[str]:
    count = len(report["reasons"])
    if report["may_be_struck"]:
        yield f"The studio may be struck, {AS_FAR}."
    else:
        yield f"Do not strike the studio yet, {AS_FAR}: {count} {'reason' if count == 1 else 'reasons'}."
    yield from (line for reason in report["reasons"] for line in _say_item(reason))
    if report["look_at"]:
        yield "Look at before you strike; it forbids nothing by itself:"
        yield from (line for one in report["look_at"] for line in _say_item(one))


def _say_item(item: Document) -> Iterator[str]:
    yield f"  - {item['what']}:"
    yield f"    {item['do']}"


def _say_report(manifest: Manifest, report: Document) -> Iterator[str]:
    for card in report["cards"]:
        to = f", {card['camera']}" if card["camera"] else ""
        who = f", {card['person']}" if card["person"] else ""
        yield f"  card {card['card']}: {STATES[card['state']]}{to}{who}"
    if not report["cards"]:
        yield "  cards: none was issued (`glassine cards issue`), so count them by hand"
    for body in report["bodies"]:
        yield from _say_body(body)
    if report["without_body"]:
        yield f"  {say_numbers(report['without_body'])}: no serial of a body, so their counters could not be looked at"
    if report["same_exposures"]:
        twice = say_numbers(number for number, _ in report["same_exposures"])
        yield f"  the same exposure is there more than once: {twice} (`glassine job frames {manifest.job}`)"
    for volume in report["off_site"]:
        who = f"{volume['person']} carries it" if volume["person"] else "nobody is said to carry it"
        carried = who if volume["is_portable"] else "on a server"
        yield f"  off site: volume {volume['volume']} (site {volume['site'] or 'unknown'}), {carried}"
    if not report["owed"]:
        yield "  no copy is owed to any volume"


def _say_body(body: Document) -> Iterator[str]:
    counters = ""
    if body["first"] is not None:
        counters = f", counters {say_range(body['first'], body['last'])}: see that it shows no later one"
    yield f"  body {body['serial']} ({body['camera'] or 'unknown camera'}): {counted(body['frames'], 'frame')}{counters}"
    if body["offset_s"] is not None:
        yield f"    its clock: {body['offset_s']:+g} s to be added ({body['how']})"
