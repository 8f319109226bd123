"""Looks of the studio: listed, seen side by side on a frame, and made from one another or from a foreign grade."""

from __future__ import annotations

import hashlib
import json
import operator
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pathvalidate

from glassine.flows.decoding import decode_one, open_pool
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.proof import seed_of
from glassine.flows.studio import Studio
from glassine.schemas.durable_file import write_if_absent
from glassine.schemas.errors import WRONG_WORDS, CallError, DocumentError, FrameError, VolumeError
from glassine.schemas.identifiers import counted
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, is_blocked
from glassine.schemas.validation import Document, check_document, read_document
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.volume import Volume
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.cdl import read_cdl
from glassine.tasks.imaging.cube import pack_table, read_cube
from glassine.tasks.imaging.decoder_pool import Outcome
from glassine.tasks.imaging.look_sheet import (
    LONG_SIDE_PX,
    MOST_LOOKS,
    MOST_ROWS,
    Caption,
    Row,
    is_replaceable,
    make_look_sheet,
    render_looks,
)
from glassine.tasks.imaging.look_tuning import check_look
from glassine.tasks.imaging.look_words import say_step

Named = Path | tuple[str, int]
"""What a look is seen on: a picture file, or a job's number and a frame's."""
SHEETS = "proofs/looks"
"""Where a job's look sheets lie; a look's proofs lie in a folder that bears a digest, so none is called so."""
USUAL_SOURCE = "plain-colour"
"""What a foreign grade is put on where no look is named: it expects a picture that is rendered already."""
_LONGEST_NAME = 100
_LONGEST_FILE_NAME = 255
"""Bytes that a name in a folder may have on the usual file systems (common practice)."""
_LONGEST_SAID = 60
"""Letters of a wrong name that a sentence repeats."""


@dataclass(frozen=True)
class Subject:
    """A picture that looks are seen on.

    number, words : what a sheet says of it: the frame's number and its file name
    source : a whole copy of the original
    seed, balance : as its proofs have them
    folder : where sheets of it lie
    """

    number: str
    words: str
    source: Path
    seed: int
    balance: Balance
    folder: Path


def list_looks(studio: Studio) -> Document:
    """The studio's looks with their steps in words, and what is wrong with some. Reads only."""
    said, problems, found = [], [], []
    for path in sorted(_folder(studio).glob("*.json")):
        try:
            look = read_look(path)
        except DocumentError as error:
            problems.append(error.sentence)
            continue
        steps = [say_step(step) for step in look["steps"]]
        found.append({"name": look["name"], "purpose": look["purpose"], "steps": steps})
        said += [f"{look['name']}: {look['purpose']}", *(f"    {words}" for words in steps)]
    if not said and not problems:
        said.append(f"{_folder(studio)} holds no look.")
    return summary(said, problems, status=WRONG_WORDS if problems else 0, looks=found)


def show_looks(studio: Studio, named: Sequence[Named], looks: Sequence[str], out: Path | None) -> Document:
    """Render frames by several looks, and set them side by side on one sheet. A job's record is only read.

    Parameters
    ----------
    looks : names of the studio's looks, one to six; all of them without any
    out : a JPEG; by default in `SHEETS` of the frames' job, or in the current folder

    Raises
    ------
    CallError
        W001: too few or too many looks or frames. W003: `out` is another file. W004: a frame is blocked.
    FrameError
        P001: an original does not decode.
    """
    chosen = _chosen_looks(studio, looks)
    if not 1 <= len(named) <= MOST_ROWS:
        raise CallError("W001", f"A look sheet has 1 to {MOST_ROWS} frames, not {len(named)}: name fewer.")
    if out is not None:
        check_place(out)
    subjects = find_subjects(studio, named)
    place = out or _default_place(subjects, [look["name"] for look in chosen])
    check_place(place)
    rows = []
    calls = [
        (partial(render_looks, one.source, chosen, seed=one.seed, long_side_px=LONG_SIDE_PX, balance=one.balance),)
        for one in subjects
    ]
    with open_pool(studio) as pool, show_progress("rendering", len(calls)) as on_frame:
        for subject, outcome in zip(subjects, pool.run(operator.call, calls), strict=True):
            on_frame(1)
            rows.append(Row(subject.number, subject.words, value_of(subject, outcome)))
    made = make_look_sheet(rows, [Caption(look["name"], look["purpose"]) for look in chosen], place)
    said = [f"{counted(len(rows), 'frame')} in {counted(len(chosen), 'look')}: {place}"]
    return summary(said, [], sheet=str(place), looks=[look["name"] for look in chosen], **made)


def make_look(
    studio: Studio,
    name: str,
    *,
    purpose: str,
    source: str | None = None,
    cdl: Path | None = None,
    identifier: str | None = None,
    cube: Path | None = None,
    space: str = "sRGB",
) -> Document:
    """Write a new look into the studio: another one's steps, and after them, before grain, a foreign grade.

    Parameters
    ----------
    source : the look that it begins with; `USUAL_SOURCE` for a foreign grade without one
    cdl, identifier : a `.cc`, `.ccc` or `.cdl` file, and the id of one of its corrections
    cube : a `.cube` file
    space : in which the grade works: "sRGB", "Adobe RGB (1998)" or "ROMM RGB"

    Raises
    ------
    CallError
        W001: nothing, or too much, to make it from. W003: there is a look of that name.
    DocumentError
        The grade's file is wrong, or what came of it is no look.
    """
    if cdl and cube:
        raise CallError(
            "W001", "Give one grade: --cdl or --cube; a second look can be made from the first with --from."
        )
    if identifier and not cdl:
        raise CallError("W001", "--id names a correction of a file: give the file with --cdl.")
    if not (source or cdl or cube):
        raise CallError("W001", "Say what the look is made from: --from LOOK, --cdl FILE or --cube FILE.")
    path = look_path(studio, name)
    steps = list(_named_look(studio, source or USUAL_SOURCE)["steps"])
    grade: Document | None = None
    if cdl:
        grade = {"step": "cdl", "space": space, **read_cdl(cdl, identifier), "style": "clamp"}
    elif cube:
        grade = {"step": "cube", "space": space, "interpolation": "tetrahedral", "table": pack_table(read_cube(cube))}
    if grade:
        grained = bool(steps) and steps[-1]["step"] == "grain"
        steps.insert(len(steps) - grained, grade)
    look = check_look({"format": 1, "name": name, "purpose": purpose, "steps": steps}, label=f"look {name}")
    if path.exists() or not write_if_absent(path, look_bytes(look)):
        raise CallError("W003", f"There is a look {name} already, {path}: give the new one another name.")
    said = [f"Look {name} is in {path}.", *(f"    {say_step(step)}" for step in steps)]
    return summary(said, [], look=look, path=str(path))


def find_subjects(studio: Studio, named: Iterable[Named]) -> list[Subject]:
    """The pictures that were named.

    Raises
    ------
    CallError
        W002: an unknown job or frame. W004: a blocked frame.
    VolumeError
        V001: no whole copy of an original is here. V004: a file cannot be read.
    """
    manifests: dict[str, Manifest] = {}
    subjects = []
    for each in named:
        if isinstance(each, Path):
            subjects.append(_subject_of_file(each))
            continue
        number, frame_number = each
        folder = studio.job_folder(number)
        if number not in manifests:
            manifests[number] = JobRecord(folder).manifest()
        frame = manifests[number].frame(frame_number)
        if is_blocked(frame):
            raise CallError(
                "W004",
                f"Frame {frame['number']} is blocked ({frame['block']['reason']}): it is shown to nobody. "
                "Leave it out, or lift the block.",
            )
        source = _whole_copy(studio, manifests[number], frame)
        balance = Balance.of(frame["balance"])
        subjects.append(Subject(frame["number"], frame["name"], source, seed_of(frame), balance, folder / SHEETS))
    return subjects


def _whole_copy(studio: Studio, manifest: Manifest, frame: Frame) -> Path:
    """A frame's original, read as whole just now: on the working volume, else on a backup that is a folder."""
    paths = {copy["volume"]: copy["path"] for copy in frame["copies"] if copy["outcome"] == "whole"}
    for volume in _volumes(studio):
        if volume.is_folder and volume.volume in paths:
            path = volume.locate(manifest.job, paths[volume.volume])
            with suppress(OSError):
                if hash_file(path) == frame["sha256"]:
                    return path
    advice = f"run `glassine verify {manifest.job} --repair`."
    raise VolumeError("V001", f"No whole copy of frame {frame['number']} is on a volume that is here: {advice}")


def _volumes(studio: Studio) -> Iterator[Volume]:
    """The working volume, and only then, where they are asked for, the backups that are there."""
    yield studio.working_volume()
    yield from studio.backups()[0]


def _subject_of_file(path: Path) -> Subject:
    try:
        digest = hash_file(path)
    except OSError as error:
        raise VolumeError("V004", f"{path} cannot be read: {error.strerror or error}.") from error
    return Subject(path.stem, path.name, path, seed_of({"sha256": digest}), AS_SHOT, Path.cwd())


def decoded(studio: Studio, subject: Subject, call: Callable[[], Any]) -> Any:
    """What a call on a picture's original gives, in a disposable worker."""
    return value_of(subject, decode_one(studio, call))


def value_of(subject: Subject, outcome: Outcome) -> Any:
    """What a worker made of a picture, or FrameError P001, or VolumeError V003 where another try may do."""
    if outcome.failure:
        sentence = f"{subject.number} cannot be shown: {outcome.failure.rstrip('.')}."
        if outcome.of_file:
            raise FrameError("P001", f"{sentence} Take another frame.")
        raise VolumeError("V003", f"{sentence} Run the same command again.")
    return outcome.value


def check_place(path: Path) -> None:
    """Refuse a path that no look sheet may be written at: another file's, or one of another kind."""
    if path.suffix.lower() not in (".jpg", ".jpeg"):
        raise CallError("W001", f"{path} is no name for a look sheet, which is a JPEG: end it in .jpg.")
    if len(path.name.encode()) > _LONGEST_FILE_NAME:
        raise CallError("W001", f"A look sheet's name has at most {_LONGEST_FILE_NAME} bytes: name another with --out.")
    if not is_replaceable(path):
        raise CallError("W003", f"{path} is there already, and is no look sheet: name another file with --out.")


def look_path(studio: Studio, name: str) -> Path:
    """The file of a look of the studio; the name is checked, so that the file lies in its folder on every system."""
    look = {"format": 1, "name": name, "purpose": "-", "steps": [{"step": "exposure", "stops": 0}]}
    label = f"look {name if len(name) <= _LONGEST_SAID else name[:_LONGEST_SAID] + '…'}"
    check_document(look, "look", label=label)
    try:
        pathvalidate.validate_filename(f"{name}.json", platform="universal")
    except pathvalidate.ValidationError as error:
        wanted = "is kept by some systems for themselves: take another."
        raise DocumentError("D002", label, "name", wanted) from error
    return _folder(studio) / f"{name}.json"


def _named_look(studio: Studio, name: str) -> Document:
    """A look of the studio, by a name that is checked first."""
    look_path(studio, name)
    return studio.look(name)


def read_look(path: Path) -> Document:
    """A look's file, checked whole. Raises DocumentError."""
    look = check_look(read_document(path, "look"), label=str(path))
    if look["name"] != path.stem:
        raise DocumentError("D002", str(path), "name", f"must be that of its file, {path.stem}, not {look['name']}.")
    return look


def look_bytes(look: Document) -> bytes:
    """A look as people read and edit it: a line a step."""
    lines = [f"  {_json(name)}: {_json(value)}," for name, value in look.items() if name != "steps"]
    steps = ",\n".join(f"    {_json(step)}" for step in look["steps"])
    return ("\n".join(["{", *lines, '  "steps": [', steps, "  ]", "}"]) + "\n").encode()


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def _folder(studio: Studio) -> Path:
    return studio.folder / "looks"


def _chosen_looks(studio: Studio, names: Sequence[str]) -> list[Document]:
    known = sorted(path.stem for path in _folder(studio).glob("*.json"))
    wanted = list(dict.fromkeys(names)) or known
    if not 1 <= len(wanted) <= MOST_LOOKS:
        count = (
            f"{len(wanted)} {'was' if len(wanted) == 1 else 'were'} named" if names else f"the studio has {len(wanted)}"
        )
        raise CallError(
            "W001",
            f"A look sheet has one to six looks, and {count}: "
            f"name them with --look (there are {', '.join(known) or 'none'}).",
        )
    # A look that cannot be applied is said before anything is decoded.
    return [check_look(_named_look(studio, name), label=f"look {name}") for name in wanted]


def _default_place(subjects: Sequence[Subject], looks: Sequence[str]) -> Path:
    """A name that says what is on a sheet, or a digest of that where it is long."""
    numbers = [re.sub(r"[^\w.-]", "_", subject.number) for subject in subjects]
    name = "_".join(("-".join(numbers), *looks))
    if len(name) > _LONGEST_NAME:
        name = f"{numbers[0][:40]}_{hashlib.sha256(name.encode()).hexdigest()[:8]}"
    folders = {subject.folder for subject in subjects}
    return (folders.pop() if len(folders) == 1 else Path.cwd()) / f"looks_{name}.jpg"
