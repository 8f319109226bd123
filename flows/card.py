"""Card: may this card be formatted? Reads only, and loads neither the flow engine nor picture libraries."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from glassine.flows.known_heads import read_known_heads
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.studio import Studio
from glassine.schemas.errors import NOT_RIGHT, CallError, GlassineError
from glassine.schemas.identifiers import VOLUME_IDENTITY, counted, parse_time
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.three_two_one import CopyRule, Standing, is_fresh, standing_of
from glassine.schemas.validation import Document
from glassine.tasks.custody.card_walk import FoundFile, WalkReport, walk_source
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.custody.volume import Volume

CHANGES_NOTHING = (
    "glassine deletes and formats nothing. The rule is the studio's own ([card] in studio.toml), and formatting is a "
    "person's to do."
)


@dataclass(frozen=True)
class _Kept:
    """What one job has of a file: its frame, when it belongs to one, and its copies as recorded."""

    job: str
    frame: int | None
    copies: list[Document]


@dataclass
class _Evidence:
    """What the whole records of the studio say of the files on a card, and of the volumes."""

    jobs: int = 0
    kept: dict[str, list[_Kept]] = field(default_factory=dict)
    volumes: dict[str, Document] = field(default_factory=dict)
    here: set[str] = field(default_factory=set)
    damaged: list[str] = field(default_factory=list)


def ask_card(studio: Studio, source: Path, *, now: datetime | None = None) -> Document:
    """Whether every file at a source, also one that no rule knows, has the copies that the studio's rule asks for.

    Each file is read and matched by content against all whole records of the studio. A copy on a volume that is away
    counts by the day on which it was last read back. Exit status 1 when the answer is no.

    Parameters
    ----------
    now : an aware time from which the age of a read-back counts; the present by default

    Returns
    -------
    `may_be_formatted`; `files`, each with `path`, `sha256`, `size`, `job` (the first that has it), `jobs`, `frame`,
    `copies` and `media` that count, `missing`; `litter`, `passed_over`, `unreadable`, `damaged_records`. A card with
    nothing on it is no reason to format: `may_be_formatted` is false, with exit status 1.

    Raises
    ------
    CallError
        W001: the source is a volume of copies, holds one or lies on one.
    VolumeError
        V004: the source is not there, or cannot be read at all. V001, V002: the working volume is not there.
    """
    now = now or datetime.now(UTC)
    rule, days = _rule(studio)
    source = source.expanduser().absolute()
    here = [studio.working_volume(), *studio.backups()[0]]
    walk, found = _walk(source)
    _check_apart(source, here, walk)
    digests = _hash_each(found)
    evidence = _gather(studio, here, {sha256 for sha256, _ in digests if sha256})
    files = [
        _judge(studio, source, file, sha256, failure, evidence, rule, days, now)
        for file, (sha256, failure) in zip(found, digests, strict=True)
    ]
    problems = [*walk.unreadable, *(failure for _, failure in digests if failure)]
    problems += [
        f"{place} is a link or a device, and was not read: see what it is, and save it by hand if it matters."
        for place in walk.passed_over
    ]
    again, found_again = _walk(source)
    if (found_again, again) != (found, walk):
        problems.append(f"{source} changed while it was read: let nothing write to it, and ask again.")
    may = bool(files) and not problems and not any(file["missing"] for file in files)
    nothing = not files and not problems
    said = (
        [f"There is nothing on it: {source} holds no file. Is the card in its reader and mounted?"]
        if nothing
        else _say(source, files, problems, rule, days, evidence, may=may)
    )
    if walk.litter:
        said.append(f"Left by a computer's system, not by a camera, and not asked about: {', '.join(walk.litter)}.")
    said += [f"No evidence: {fault}" for fault in evidence.damaged]
    if may:
        said += _same_disk(source, here)
    bad = sum(copy["outcome"] != "whole" for kept in evidence.kept.values() for one in kept for copy in one.copies)
    if bad:
        jobs = ", ".join(sorted({one.job for kept in evidence.kept.values() for one in kept}))
        said.append(
            f"Mind: {counted(bad, 'copy', 'copies')} of its files missing or different, which do not count. Mend with "
            f"`glassine verify --repair` (job {jobs}) while the card still has them."
        )
    data: dict[str, Any] = {
        "may_be_formatted": may,
        "files": files,
        "litter": walk.litter,
        "passed_over": walk.passed_over,
        "unreadable": walk.unreadable,
        "damaged_records": evidence.damaged,
    }
    return summary([*said, CHANGES_NOTHING], problems, status=0 if may else NOT_RIGHT, **data)


def _rule(studio: Studio) -> tuple[CopyRule, float]:
    """The studio's rule, and within how many days each copy must have been read back."""
    settings = studio.settings.get("card", {})
    rule = CopyRule(copies=settings.get("copies", 2), media=settings.get("media", 2), sites=1)
    return rule, float(settings.get("read_back_days", 7))


def _say_rule(rule: CopyRule, days: float) -> str:
    copies = "1 whole copy" if rule.copies == 1 else f"{rule.copies} whole copies"
    media = "1 medium" if rule.media == 1 else f"{rule.media} media"
    return f"{copies} on {media}, each read back within {_say_days(days)}"


def _say_days(days: float) -> str:
    return f"{days:g} day" if days == 1 else f"{days:g} days"


def _walk(source: Path) -> tuple[WalkReport, list[FoundFile]]:
    report = WalkReport()
    return report, [file for group in walk_source(source, report) for file in group.files]


def _check_apart(source: Path, volumes: list[Volume], walk: WalkReport) -> None:
    """Never answer for a place that holds the copies themselves."""
    place = source.resolve()
    roots = [volume.root.resolve() for volume in volumes if volume.is_folder]
    if (
        any(place == root or root in place.parents or place in root.parents for root in roots)
        or any((folder / VOLUME_IDENTITY).exists() for folder in (place, *place.parents))
        or any(litter.rpartition("/")[2].casefold() == VOLUME_IDENTITY for litter in walk.litter)
    ):
        raise CallError(
            "W001",
            f"{source} overlaps a volume that holds copies: name a card or a folder that is apart from every volume.",
        )


def _hash_each(found: list[FoundFile]) -> list[tuple[str | None, str]]:
    """The digest of each file, or None and why it has none."""
    digests: list[tuple[str | None, str]] = []
    with show_progress("reading the card", sum(file.size for file in found), bytes_=True) as on_bytes:
        for file in found:
            try:
                digests.append((hash_file(file.path, on_bytes=on_bytes), ""))
            except OSError as error:
                sentence = f"{file.source} cannot be read ({error.strerror or error}): try another reader or cable, and ask again."
                digests.append((None, sentence))
    return digests


def _gather(studio: Studio, here: list[Volume], digests: set[str]) -> _Evidence:
    """What every whole record says of these digests. Of a volume that is here, its identity file says what it is."""
    evidence = _Evidence(here={volume.volume for volume in here})
    for number in studio.job_numbers():
        try:
            known, _ = read_known_heads(here[0], here[1:], number)
            folder = studio.job_folder(number)
            faults = check_chain(folder, (head for heads in known.values() for head in heads))
            if not faults:
                _take_from(JobRecord(folder).manifest(), number, digests, evidence)
        except (GlassineError, OSError) as error:
            faults = [str(error)]
        if faults:
            evidence.damaged.append(
                f"the record of job {number} is damaged, so copies that it alone tells of do not count. {' '.join(faults)} "
                f"Mend it with `glassine verify {number} --repair`, and ask again."
            )
    for volume in here:
        evidence.volumes[volume.volume] = {"name": volume.name, "medium": volume.medium, "site": volume.site}
    return evidence


def _take_from(manifest: Manifest, number: str, digests: set[str], evidence: _Evidence) -> None:
    evidence.jobs += 1
    frames = {companion["sha256"]: frame["frame"] for frame in manifest.frames for companion in frame["companions"]}
    frames |= {frame["sha256"]: frame["frame"] for frame in manifest.frames}
    evidence.volumes |= manifest.document["volumes"]
    for sha256, holder in manifest.every_file():
        if sha256 in digests:
            kept = _Kept(number, frames.get(sha256), holder["copies"])
            evidence.kept.setdefault(sha256, []).append(kept)


def _judge(
    studio: Studio,
    source: Path,
    file: FoundFile,
    sha256: str | None,
    failure: str,
    evidence: _Evidence,
    rule: CopyRule,
    days: float,
    now: datetime,
) -> Document:
    """One file of the card: who has it, what counts of its copies, and what is missing."""
    kept = evidence.kept.get(sha256, []) if sha256 else []
    copies = [copy for one in kept for copy in one.copies]
    standing = standing_of(copies, evidence.volumes, rule=rule, within_days=days, now=now)
    if failure:
        missing = ["it cannot be read, so nobody knows what it is"]
    elif not kept:
        missing = [f"no job of this studio has it: run `glassine ingest NUMBER {_quoted(source)}` for its job"]
    elif standing.holds:
        missing = []
    else:
        asked = _ask_of_copies(kept, evidence, days, now)
        asked += _ask_of_volumes(studio, source, kept, standing, evidence, rule)
        missing = [*standing.missing, *dict.fromkeys(asked)]
    return {
        "path": file.source,
        "sha256": sha256,
        "size": file.size,
        "job": kept[0].job if kept else None,
        "jobs": [one.job for one in kept],
        "frame": kept[0].frame if kept else None,
        "copies": standing.copies,
        "media": list(standing.media),
        "missing": missing,
    }


def _ask_of_copies(kept: list[_Kept], evidence: _Evidence, days: float, now: datetime) -> list[str]:
    """What to do about copies that are known and do not count."""
    asked = []
    for one in kept:
        for copy in one.copies:
            volume = copy["volume"]
            name = evidence.volumes.get(volume, {}).get("name", volume)
            first = "" if volume in evidence.here else f"connect volume {name}, and "
            if copy["outcome"] != "whole":
                bad = "is missing" if copy["outcome"] == "missing" else "differs"
                asked.append(f"its copy on volume {name} {bad}: {first}run `glassine verify {one.job} --repair`")
            elif not is_fresh(copy, days, now):
                age = (now - parse_time(copy["whole_at"])).days
                when = f"{age} days ago" if age >= 0 else f"at {copy['whole_at']}, after this machine's clock"
                asked.append(
                    f"its copy on volume {name} was last read back {when}: {first}run `glassine verify {one.job}`"
                )
    return asked


def _ask_of_volumes(
    studio: Studio,
    source: Path,
    kept: list[_Kept],
    standing: Standing,
    evidence: _Evidence,
    rule: CopyRule,
) -> Iterator[str]:
    """What to do about volumes of the studio that have no copy, and about volumes that the studio does not have."""
    again = f"run `glassine ingest {kept[0].job} {_quoted(source)}`"
    holding = {copy["volume"] for one in kept for copy in one.copies}
    ids = [settings["volume"] for settings in studio.settings["volumes"] if settings.get("volume")]
    names = {settings.get("volume"): settings["name"] for settings in studio.settings["volumes"]}
    for volume in ids:
        if volume not in holding:
            first = "" if volume in evidence.here else "connect it, and "
            yield f"volume {names[volume]} has no copy: {first}{again}"
    media = {evidence.volumes[volume]["medium"] for volume in {*ids, *holding} if volume in evidence.volumes}
    described = all(volume in evidence.volumes for volume in ids)
    if described and len(media) < rule.media:
        yield (
            f"add a volume on another medium (`glassine studio add-volume NAME=PATH`; {VOLUME_IDENTITY} on a volume says "
            f"which medium it is), and {again}"
        )
    elif described and len({*ids, *holding}) < rule.copies and standing.copies < rule.copies:
        yield f"add a volume (`glassine studio add-volume NAME=PATH`), and {again}"


def _say(
    source: Path,
    files: list[Document],
    problems: list[str],
    rule: CopyRule,
    days: float,
    evidence: _Evidence,
    *,
    may: bool,
) -> list[str]:
    size = sum(file["size"] for file in files)
    read = f"{counted(len(files), 'file')}, {size / 1e6:.1f} MB, looked for by content in {counted(evidence.jobs, 'whole record')}."
    if may:
        return [f"Yes: {source} may be formatted. Each file on it has {_say_rule(rule, days)}.", read]
    lacking = [file for file in files if file["missing"]]
    verb = "lacks" if len(lacking) == 1 else "lack"
    why = [f"{counted(len(lacking), 'file')} of {len(files)} {verb} something"] if lacking else []
    why += [f"{counted(len(problems), 'thing')} could not be read as it should"] if problems else []
    asked = f"The rule: {_say_rule(rule, days)}."
    return [f"No: do not format {source}: {', and '.join(why)}. {asked}", read, *_say_lacking(lacking)]


def _say_lacking(files: Iterable[Document]) -> Iterator[str]:
    """Each file under what it lacks; files that lack the same stand together."""
    together: dict[tuple[str, ...], list[str]] = {}
    for file in files:
        together.setdefault(tuple(file["missing"]), []).append(file["path"])
    for missing, paths in together.items():
        yield "Missing:"
        yield from (f"  - {one}" for one in missing)
        yield "of:"
        yield from (f"    {path}" for path in paths)


def _same_disk(source: Path, volumes: list[Volume]) -> list[str]:
    """A warning for a folder on the disk of a volume: whoever formats that disk formats the copies."""
    device = source.stat().st_dev
    names = [volume.name for volume in volumes if volume.is_folder and volume.root.stat().st_dev == device]
    if not names:
        return []
    return [
        f"Mind that it lies on the same disk as volume {', '.join(names)}: to format that disk would destroy copies."
    ]


def _quoted(source: Path) -> str:
    return shlex.quote(str(source))
