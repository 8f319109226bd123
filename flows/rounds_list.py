"""The rounds of the cull as a list: who said what of which frame, where people disagree, what changed. Reads only."""

from __future__ import annotations

from glassine.flows.frame_list import say_remark
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.identifiers import print_frame
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People
from glassine.schemas.stage import is_blocked
from glassine.schemas.validation import Document
from glassine.tasks.handoff.annotation import write_region


def list_rounds(studio: Studio, number: str, name: str | None) -> Document:
    """Every round of a job's cull, or one of them, mark by mark; then what the closed rounds come to."""
    record = JobRecord(studio.job_folder(number))
    manifest = record.manifest()
    rounds = manifest.document["selects_rounds"]
    if name is not None and manifest.selects_round(name) is None:
        known = ", ".join(repr(found["round"]) for found in rounds) or "none"
        raise CallError("W002", f"Job {number} has no round {name!r} (known: {known}).")
    rows = [_round(manifest, record.people, found) for found in rounds if name in (None, found["round"])]
    said = [line for row in rows for line in _say(row)]
    chosen = [frame for frame in manifest.frames if frame["selection"] and frame["selection"]["closed"]]
    by_verdict = {
        verdict: [
            frame["number"] for frame in chosen if frame["selection"]["verdict"] == verdict and not is_blocked(frame)
        ]
        for verdict in ("select", "hold", "out", "conflict")
    }
    said += [f"Now {verdict}: {', '.join(numbers)}" for verdict, numbers in by_verdict.items() if numbers]
    if not said:
        said = [f"No round yet: glassine selects mark {number} '0001, hero 0003' --round ROUND"]
    return summary(said, [], job=number, rounds=rows, now=by_verdict)


def _round(manifest: Manifest, people: People, found: Document) -> Document:
    marks = []
    for key, given in sorted(found["marks"].items(), key=lambda item: int(item[0])):
        frame = manifest.frame(int(key))
        if is_blocked(frame):
            continue
        verdicts = {mark["verdict"] for mark in given.values()}
        for person, mark in sorted(given.items()):
            marks.append(
                {
                    "frame": print_frame(int(key)),
                    "person": people.name_of(person),
                    **{name: mark[name] for name in ("verdict", "hero", "remarks", "at")},
                    "before": _before(manifest, found, key),
                    "conflict": len(verdicts) > 1,
                }
            )
    return {
        "round": found["round"],
        "opened": found["opened"],
        "closed": found["closed"],
        "closed_by": people.name_of(found["person"]) if found["closed"] else None,
        "marks": marks,
    }


def _before(manifest: Manifest, found: Document, key: str) -> str | None:
    """What the newest closed round before this one said of a frame, where it said one thing."""
    before = [
        earlier
        for earlier in manifest.document["selects_rounds"]
        if earlier["closed"]
        and key in earlier["marks"]
        and (not found["closed"] or earlier["closing"] < found["closing"])
    ]
    if not before:
        return None
    newest = max(before, key=lambda earlier: int(earlier["closing"]))
    verdicts = {mark["verdict"] for mark in newest["marks"][key].values()}
    return str(verdicts.pop()) if len(verdicts) == 1 else "conflict"


def _say(row: Document) -> list[str]:
    closed = f"closed by {row['closed_by']}, {row['closed'][:16]}" if row["closed"] else "open"
    said = [f"Round {row['round']!r}: {closed}"]
    for mark in row["marks"]:
        words = [mark["verdict"] + (" (hero)" if mark["hero"] else "")]
        if mark["before"] and mark["before"] != mark["verdict"]:
            words.append(f"was {mark['before']}")
        for said_of in mark["remarks"]:
            place = f" at {write_region(said_of['region'])}" if said_of["region"] else ""
            words.append(say_remark(said_of) + place)
        words += ["in conflict"] if mark["conflict"] else []
        said.append(f"  {mark['frame']}  {mark['person']}: {', '.join(words)}")
    return said
