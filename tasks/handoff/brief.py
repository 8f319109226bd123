"""What a retoucher is asked, as a document; `brief_pdf` has it to be read and printed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from glassine.tasks.handoff.annotation import to_annotation


def brief_document(
    *,
    job: str,
    frame: int,
    round_number: int,
    base: Mapping[str, Any],
    proof: Mapping[str, Any] | None,
    standing: Sequence[str],
    notes: Sequence[Mapping[str, Any]],
    retoucher: str | None,
    due: str | None,
    grader: str | None,
    level: Mapping[str, Any] | None = None,
    extras: Sequence[Mapping[str, Any]] = (),
    cause: Mapping[str, Any] | None = None,
    crop: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the brief of one retouch round, as schemas/brief.schema.json has it.

    Parameters
    ----------
    job, frame, round_number : which picture of which job, which time it goes out (from 1)
    base : {"path", "sha256", "size", "width", "height", "bits", "profile"} of the base file
    proof : {"path", "sha256"} of the reference proof
    standing : instructions for the whole picture
    notes : dicts as `annotation.to_annotation` takes them, in the order of their numbers
    retoucher, grader : person ids; None while nobody is named
    due : RFC 3339 date
    level : {"name", "instruction"} of the level of retouch, as the studio defines it
    extras : other files in the bundle: {"use": "rendering", "donor" or "original", "name", "frame", "exposure_stops",
        "path", "sha256", "size", "width", "height", "bits", "profile"}, None for what is not known of a file
    cause : why there is another round: {"why": "missed note", "client's change", "unasked change" or "other",
        "text", "return": SHA-256 of the returned file that it is about, or None}
    crop : what is delivered of the picture, as `crop.check_crop` takes it

    Returns
    -------
    dict
        What was not given of the last four is left out.

    Raises
    ------
    CallError
        W001: a note that is none.
    """
    document: dict[str, Any] = {
        "format": 1,
        "job": job,
        "frame": frame,
        "round": round_number,
        "base": dict(base),
        "proof": None if proof is None else dict(proof),
        "standing": list(standing),
        "notes": [to_annotation(note, base["path"]) for note in notes],
        "retoucher": retoucher,
        "due": due,
        "grader": grader,
    }
    if extras:
        document["extras"] = [dict(extra) for extra in extras]
    for name, value in (("level", level), ("cause", cause), ("crop", crop)):
        if value is not None:
            document[name] = dict(value)
    return document
