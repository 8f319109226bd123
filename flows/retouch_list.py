"""The retouches of a job, or of the studio, as a list: who has what, until when, what came back. Reads only."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime

from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.due import late_frames
from glassine.schemas.errors import NOT_RIGHT, CallError, RecordError
from glassine.schemas.identifiers import counted
from glassine.schemas.job_record import JobRecord
from glassine.schemas.stage import Frame, current_round, round_state
from glassine.schemas.validation import Document


def list_retouches(studio: Studio, number: str | None, retoucher: str | None) -> Document:
    """Every retouch round of a job, or of all jobs; or those of one retoucher, who is named as it was done."""
    today = datetime.now(UTC).date()
    rows: list[Document] = []
    problems = []
    for one in [number] if number else studio.job_numbers():
        try:
            rows += _rows(studio, one, today)
        except RecordError as error:
            if number:
                raise
            problems.append(f"Job {one}: {error}")
    if retoucher is not None:
        known = sorted({row["retoucher"] for row in rows if row["retoucher"]})
        if retoucher.casefold() not in {name.casefold() for name in known} and not problems:
            raise CallError(
                "W002",
                f"Nothing was handed out to {retoucher!r} (known: {', '.join(known) or 'nobody'}): name one of them.",
            )
        rows = [row for row in rows if row["retoucher"] and row["retoucher"].casefold() == retoucher.casefold()]
    said = [_say(row) for row in rows] or ["No retouch yet."]
    hours = sum(row["hours"] for row in rows)
    late = sum(row["late"] for row in rows)
    if rows:
        out = sum(row["state"] == "out" for row in rows)
        said.append(f"{counted(len(rows), 'round')}: {out} out, {late} late, {hours:g} hours said.")
    status = NOT_RIGHT if problems else 0
    return summary(said, problems, status=status, job=number, retouches=rows, hours=hours, late=late)


def _rows(studio: Studio, number: str, today: date) -> Iterator[Document]:
    record = JobRecord(studio.job_folder(number))
    manifest = record.manifest()
    late = set(late_frames(manifest, today))
    for frame in manifest.frames:
        for retouch in frame["rounds"]:
            handed, told = retouch["hand_out"], retouch["brief"]
            is_current = retouch is current_round(frame)
            yield {
                "job": number,
                "frame": frame["number"],
                "round": retouch["round"],
                "retoucher": record.people.name_of(handed["retoucher"]) if handed else None,
                "due": handed["due"] if handed else None,
                "late": is_current and frame["number"] in late,
                "notes": len(told["notes"]),
                "level": told["level"]["name"] if told["level"] else None,
                "cause": told["cause"],
                "hours": sum(returned["hours"] or 0 for returned in retouch["take_backs"]),
                "state": _state(frame, retouch),
                "folder": str(record.folder / told["path"]),
            }


def _state(frame: Frame, retouch: Document) -> str:
    """Where a round is; a brief that a newer one took the place of before anybody was handed it is replaced."""
    if retouch["called_off"]:
        return "called off"
    state = round_state(retouch)
    return "replaced" if state == "briefed" and retouch is not current_round(frame) else state


def _say(row: Document) -> str:
    because = f"  because: {row['cause']['why']}" if row["cause"] else ""
    level = f"  {row['level']}" if row["level"] else ""
    hours = f"  {row['hours']:g} h" if row["hours"] else ""
    return (
        f"{row['job']}  {row['frame']}  round {row['round']}  {row['state']}{' (late)' if row['late'] else ''}  "
        f"{row['retoucher'] or 'nobody'}  due {row['due'] or '-'}  {counted(row['notes'], 'note')}{level}{hours}{because}  {row['folder']}"
    )
