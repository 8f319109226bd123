"""The retouches of a job, as a list: who has what, until when, what came back. Reads only."""

from __future__ import annotations

from datetime import UTC, datetime

from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.due import late_frames
from glassine.schemas.job_record import JobRecord
from glassine.schemas.validation import Document


def list_retouches(studio: Studio, number: str, retoucher: str | None) -> Document:
    """Every retouch round of a job, or those of one retoucher."""
    record = JobRecord(studio.job_folder(number))
    manifest = record.manifest()
    late = set(late_frames(manifest, datetime.now(UTC).date()))
    rows = []
    for frame in manifest.frames:
        for retouch in frame["rounds"]:
            handed = retouch["hand_out"]
            name = record.people.name_of(handed["retoucher"]) if handed else None
            if retoucher is None or (name and name.casefold() == retoucher.casefold()):
                returns = retouch["take_backs"]
                state = (
                    ("accepted" if any(r["accepted"] for r in returns) else "refused")
                    if returns
                    else "out"
                    if handed
                    else "briefed"
                )
                rows.append(
                    {
                        "frame": frame["number"],
                        "round": retouch["round"],
                        "retoucher": name,
                        "due": handed["due"] if handed else None,
                        "late": frame["number"] in late and retouch is frame["rounds"][-1],
                        "notes": len(retouch["brief"]["notes"]),
                        "state": state,
                        "folder": str(record.folder / retouch["brief"]["path"]),
                    }
                )
    said = [
        f"{row['frame']}  round {row['round']}  {row['state']}{' (late)' if row['late'] else ''}  {row['retoucher'] or 'nobody'}"
        f"  due {row['due'] or '-'}  {row['notes']} notes  {row['folder']}"
        for row in rows
    ]
    return summary(said or ["No retouch yet."], [], job=number, retouches=rows)
