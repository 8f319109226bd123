"""Briefs to be read and printed: the marks on the picture, what is asked, and the files that go with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from glassine.schemas.durable_file import replace_file
from glassine.schemas.identifiers import print_frame
from glassine.tasks.handoff.annotation import Region, bounds, from_annotation
from glassine.tasks.handoff.brief_sheet import Detail, Picture, Sheet, open_picture
from glassine.tasks.imaging.crop import crop_outline

_CAUSES: Final = {
    "missed note": "because a note was missed",
    "client's change": "because the client changed their mind",
    "unasked change": "because something was changed that nobody asked for",
}
_USES: Final = {"rendering": "Rendering", "donor": "Donor", "original": "Original"}


def write_brief_pdf(
    document: Mapping[str, Any],
    picture: Path,
    out: Path,
    *,
    names: Mapping[str, str] | None = None,
    donors: Mapping[str, Path] | None = None,
) -> None:
    """Write the brief to be read and printed; the same document, pictures and names give the same bytes.

    Page 1 says why there is another round, and has the picture with the numbered marks and the crop; then each note
    with an enlarged detail and what is brought over, the instructions for the whole picture, the files, and what is
    to be returned, by whom and when.

    Parameters
    ----------
    document : as `brief.brief_document` gives it
    picture : JPEG of the whole picture; below it there may be a strip, as proofs have
    out : put in place at once when it is whole; its folder is made
    names : person id to name, for print; an id without a name is printed as it is
    donors : path of a donor's file, as in the notes, to a JPEG of that whole frame; a donor without one is told in
        words only

    Raises
    ------
    CallError
        W001: a note or a crop in the document that is none.
    FrameError
        P001: a picture is no JPEG that decodes. P002: its sides are not those of its file.
    VolumeError
        V003: the disk is full or cannot be written.
    """
    names = names or {}
    base, frame = document["base"], print_frame(document["frame"])
    notes = [from_annotation(annotation) for annotation in document["notes"]]
    shown = open_picture(picture, (base["width"], base["height"]))
    pictures = _donor_pictures(document, notes, donors or {})
    sheet = Sheet(f"Job {document['job']} · frame {frame} · round {document['round']}")
    who = document["retoucher"]
    sheet.head(
        f"Frame {frame}",
        f"Retouch brief · job {document['job']} · round {document['round']}",
        f"for {names.get(who, who)}" if who else "for a retoucher not yet named",
        f"due {document['due']}" if document["due"] else "no date yet",
    )
    if cause := document.get("cause"):
        told = bool(cause["text"].strip())
        other = "because:" if told else "for a reason that is not given"
        sheet.heading(f"Round {document['round']}, {_CAUSES.get(cause['why'], other)}")
        if told:
            sheet.paragraph(cause["text"])
        sheet.space()
    _draw_picture(sheet, document, shown, [note["region"] for note in notes])
    sheet.heading("Marks" if notes else "No marks: the whole picture is meant")
    for number, note in enumerate(notes, 1):
        details = [Detail(shown, note["region"], f"frame {frame}, here"), *_donor_details(note, pictures)]
        sheet.note(number, note["instruction"], details, list(_donor_words(note)))
    level = document.get("level")
    if level or document["standing"]:
        sheet.heading("For the whole picture")
    if level:
        sheet.paragraph(f"Level of retouch: {level['name']}. {level['instruction']}".rstrip())
    for instruction in document["standing"]:
        sheet.paragraph(instruction)
    sheet.heading("Files and people")
    for label, text in _facts(document, names):
        sheet.fact(label, text)
    replace_file(out, sheet.finish())


def _draw_picture(sheet: Sheet, document: Mapping[str, Any], picture: Picture, regions: Sequence[Region]) -> None:
    crop, base = document.get("crop"), document["base"]
    if not crop:
        sheet.draw_picture(picture, regions)
        return
    outline = crop_outline(crop, base["width"], base["height"])
    legend = "What is delivered lies inside the dashed line. Return the whole picture, uncropped."
    sheet.draw_picture(picture, regions, outline, legend)


def _donor_pictures(
    document: Mapping[str, Any], notes: Sequence[Mapping[str, Any]], donors: Mapping[str, Path]
) -> dict[str, Picture]:
    """The pictures of the donors that the notes name, each opened once."""
    sizes = {extra["path"]: (extra["width"], extra["height"]) for extra in document.get("extras", ())}
    wanted = [donor["path"] for note in notes for donor in note.get("donors", ()) if donor["path"] in donors]
    pictures = {}
    for path in dict.fromkeys(wanted):
        width, height = sizes.get(path, (None, None))
        pictures[path] = open_picture(donors[path], (width, height) if width and height else None)
    return pictures


def _donor_details(note: Mapping[str, Any], pictures: Mapping[str, Picture]) -> Iterator[Detail]:
    for donor in note.get("donors", ()):
        if donor["path"] in pictures:
            region = donor["region"] or note["region"]
            yield Detail(pictures[donor["path"]], region, f"from frame {print_frame(donor['frame'])}")


def _donor_words(note: Mapping[str, Any]) -> Iterator[str]:
    for donor in note.get("donors", ()):
        where = "from the same place"
        if donor["region"] is not None:
            left, top, right, bottom = bounds(donor["region"])
            where = f"from {left:.0f} to {right:.0f} % across and {top:.0f} to {bottom:.0f} % down"
        yield f"Bring over from frame {print_frame(donor['frame'])}, {where} ({Path(donor['path']).name})."


def _facts(document: Mapping[str, Any], names: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    base = document["base"]
    size = _size(base)
    retoucher, grader = document["retoucher"], document["grader"]
    yield "Base file", f"{Path(base['path']).name}: {size}, {base['size'] / 1e6:.1f} MB"
    yield "SHA-256", base["sha256"]
    for extra in document.get("extras", ()):
        facts = ", ".join(part for part in (_size(extra), f"{extra['size'] / 1e6:.1f} MB") if part)
        yield _USES[extra["use"]], f"{Path(extra['path']).name}, {_purpose(extra)}: {facts}"
        yield "SHA-256", extra["sha256"]
    yield "Return", f"one TIFF, flat, or with layers behind the flat picture: {size}, with its profile embedded"
    yield "Retouch", names.get(retoucher, retoucher) if retoucher else "nobody is named yet"
    yield "Due", document["due"] or "no date is set yet"
    if grader and grader == retoucher:
        yield "Grading", f"{names.get(grader, grader)}, with the retouch"
    else:
        who = names.get(grader, grader) if grader else "decided later"
        yield "Grading", f"{who}; leave tone and colour of the whole as they are"
    if cause := document.get("cause"):
        returned = cause["return"]
        if returned:
            yield "Round", f"about the returned file {returned}"


def _size(file: Mapping[str, Any]) -> str:
    """Size, depth and profile of a file, as far as they are known."""
    parts = []
    if file["width"] and file["height"]:
        parts.append(f"{file['width']} × {file['height']} px")
    if file["bits"]:
        parts.append(f"{file['bits']} bit")
    if file["profile"]:
        parts.append(file["profile"])
    return ", ".join(parts)


def _purpose(extra: Mapping[str, Any]) -> str:
    """What a file that goes with the base is for."""
    stops, name, frame = extra["exposure_stops"], extra["name"], print_frame(extra["frame"])
    if extra["use"] == "donor":
        return f"frame {frame}, to bring pieces over from"
    if extra["use"] == "original":
        return f"the original of frame {frame}, for a rendering of your own"
    if not stops:
        return f"“{name}”, a second rendering for another area"
    amount = f"{abs(stops):g} stop{'' if abs(stops) == 1 else 's'} {'brighter' if stops > 0 else 'darker'}"
    return f"“{name}”, a second rendering for another area, {amount}"
