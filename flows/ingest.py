"""Ingest: a card or a folder into custody, each file read once, each copy read back; then what the camera wrote is read."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.arrival import Arrival, Intake, arrival_facts
from glassine.flows.batches import in_batches, run_batches
from glassine.flows.card_log import check_card, log_taken_in
from glassine.flows.decoding import attempt_facts, is_given_up, is_worth_another_try, open_pool
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.progress import show_progress
from glassine.flows.studio import read_studio
from glassine.schemas.due import bad_copies, unidentified
from glassine.schemas.errors import NOT_RIGHT, CallError
from glassine.schemas.identifiers import print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document
from glassine.tasks.custody.card_walk import FoundGroup, WalkReport, walk_source
from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.delivery.identification import identify
from glassine.tasks.imaging.decoder_pool import Outcome
from glassine.tasks.imaging.raw_rendering import check_decodable

Fact = dict[str, Any]
_LookedAt = tuple[Frame, Document, Outcome | None]
"""A frame, what the camera wrote into it, and what became of decoding it; None where that is not tried any more."""
BATCH_BYTES = 256 * 2**20
"""A batch is committed after about this much: a second or two of copying to disks."""
GROUPS_AT_ONCE = 3
"""While one file is written out and read back, the next are read; each has up to `BLOCKS_AHEAD` blocks a volume in memory."""


@dataclass
class Tally:
    """What an ingest met."""

    files: int = 0
    seen_again: int = 0
    digests: set[str] = field(default_factory=set)
    problems: list[str] = field(default_factory=list)
    walk: WalkReport = field(default_factory=WalkReport)

    def add(self, arrivals: list[Arrival], problems: list[str]) -> None:
        """Count in what came of one group of files."""
        self.files += len(arrivals)
        self.digests |= {arrival.sha256 for arrival in arrivals}
        self.seen_again += sum(not arrival.copies for arrival in arrivals)
        self.problems += problems


@flow(name="ingest")
def ingest(
    studio: str,
    job: str,
    sources: list[str],
    by: str | None = None,
    set_up: str | None = None,
    card: str | None = None,
) -> Document:
    """Take in what lies at the sources and is not in custody yet.

    Run twice, the second changes nothing; killed anywhere, it goes on where it stopped. `card` names the card that the
    only source is: it counts as taken in once every file on it is in custody.
    """
    _check_card(card, sources)
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    chosen = _chosen_set_up(open_job.manifest, set_up)
    before = open_job.manifest
    had_frames, had_strays = len(before.frames), len(before.document["strays"])
    tally = Tally()
    places = [Path(source) for source in sources]
    check_apart(open_job, places)
    take_in(open_job, places, chosen, tally)
    problems = tally.problems + tally.walk.unreadable
    left, new = problems + tally.walk.passed_over, tally.files - tally.seen_again
    told = log_taken_in(open_job, card, tally.files, left, new=new)
    problems += identify_frames(open_job)
    problems += open_job.finish()
    report = _report(open_job, tally, had_frames, had_strays, problems)
    report["said"] += told
    return report


def take_in(job: OpenJob, sources: list[Path], set_up: str | None, tally: Tally) -> None:
    """Copy every new file of the sources to every volume that is there, batch by batch."""
    total = sum(file.size for source in sources for group in walk_source(source, WalkReport()) for file in group.files)

    with show_progress("taking in", total, bytes_=True) as on_bytes:

        def copy_batch(groups: list[FoundGroup]) -> list[list[Arrival]]:
            batch = Intake(job, job.manifest, on_bytes)
            with ThreadPoolExecutor(GROUPS_AT_ONCE, "group") as threads:
                copied = list(threads.map(batch.copy_group, groups))
            for arrivals, problems in copied:
                tally.add(arrivals, problems)
            return [arrivals for arrivals, _ in copied]

        groups = (group for source in sources for group in walk_source(source, tally.walk))
        weighed = in_batches(groups, weigh=lambda group: sum(file.size for file in group.files), heaviest=BATCH_BYTES)
        for arrived in run_batches("copy", copy_batch, weighed):
            job.commit("ingest", partial(arrival_facts, groups=arrived, set_up=set_up))


def identify_frames(job: OpenJob) -> list[str]:
    """Read what the camera wrote into each frame that nobody has looked at, and whether its picture decodes.

    A frame that was given up for want of time or memory is looked at again once a limit is raised. Returns what could
    not be found out now and is tried again next time, a sentence each.
    """
    frames = unidentified(job.manifest)
    frames += [
        frame for frame in job.manifest.frames if frame["identified"] and is_worth_another_try(job.studio, frame)
    ]
    problems: list[str] = []
    if not frames:
        return problems
    with (
        ExifTool() as exif,
        open_pool(job.studio) as pool,
        show_progress("reading camera data", len(frames)) as on_frame,
    ):

        def identify_batch(batch: list[Frame]) -> list[_LookedAt]:
            found_at = job.find_each(batch, problems)
            seen = identify(exif, [path for _, path in found_at], [frame["name"] for frame, _ in found_at])
            tried = [(frame["frame"], path) for frame, path in found_at if not is_given_up(job.studio, frame)]
            outcomes = {}
            calls = pool.run(check_decodable, ((path,) for _, path in tried))
            for (number, _), outcome in zip(tried, calls, strict=True):
                on_frame(1)
                outcomes[number] = outcome
            return [(frame, was, outcomes.get(frame["frame"])) for (frame, _), was in zip(found_at, seen, strict=True)]

        for looked_at in run_batches("identify", identify_batch, in_batches(frames)):
            tries = ((frame, outcome) for frame, _, outcome in looked_at if outcome)
            job.say("identify", [fact for tried in tries for fact in attempt_facts(job.studio, *tried)])
            job.say("identify", _identified_facts(job, looked_at, problems))
    return problems


def _identified_facts(job: OpenJob, looked_at: list[_LookedAt], problems: list[str]) -> Iterator[Fact]:
    """What was found out; a frame that could not be looked at, but may be the next time, is told of in `problems`."""
    manifest = job.manifest
    for before, found, outcome in looked_at:
        frame = manifest.frame(before["frame"])
        if outcome is None or not outcome.failure:
            yield identified_fact(frame, found)
        elif outcome.of_file:
            yield identified_fact(frame, found)
            yield {"kind": "undecodable", "frame": frame["frame"], "reason": outcome.failure[:2000]}
        elif is_given_up(job.studio, frame):
            yield identified_fact(frame, found)
        else:
            problems.append(
                f"Frame {frame['number']} was not looked at: {outcome.failure} The next run tries it again."
            )


def identified_fact(frame: Frame, found: Document) -> Fact:
    """What the camera wrote into a frame, as `identify` found it."""
    fields = ("camera", "serial", "counter", "captured", "lens", "width", "height", "orientation")
    exposure = {name: found["exposure"][name] for name in ("f_number", "shutter_s", "iso", "focal_length_mm")}
    told = {name: found[name] for name in fields}
    return {"kind": "identified", "frame": frame["frame"], "type": found["format"], **told, "exposure": exposure}


def check_apart(job: OpenJob, sources: list[Path]) -> None:
    """A source must not be a job's own copies: they would be taken in again, as new files of new names."""
    for source in sources:
        here = source.resolve()
        for volume in filter(lambda volume: volume.is_folder, job.volumes):
            root = volume.root.resolve()
            if here == root or root in here.parents or here in root.parents:
                raise CallError(
                    "W001",
                    f"{source} overlaps volume {volume.name} at {volume.root}: name a card or a folder that is apart from every volume.",
                )


def _check_card(card: str | None, sources: list[str]) -> None:
    if card is not None:
        check_card(card)
        if len(sources) != 1:
            raise CallError("W001", f"--card {card} names one card: take its source in by itself.")


def _chosen_set_up(manifest: Manifest, named: str | None) -> str | None:
    """The set-up that new frames belong to: the one named, else the job sheet's only one."""
    known = [set_up["name"] for set_up in manifest.sheet.get("set_ups", [])]
    if named is None:
        return known[0] if len(known) == 1 else None
    if named not in known:
        raise CallError(
            "W002",
            f"The job sheet has no set-up {named!r} (known: {', '.join(known) or 'none'}): write it into job.json.",
        )
    return named


def _report(job: OpenJob, tally: Tally, had_frames: int, had_strays: int, problems: list[str]) -> Document:
    manifest = job.manifest
    new = manifest.frames[had_frames:]
    strays = manifest.document["strays"][had_strays:]
    damaged = [frame for frame in manifest.frames if frame["undecodable"] and frame["sha256"] in tally.digests]
    if not tally.files and not problems:
        places = "There is no file at the source"
        return summary(
            [], [f"{places}: is the card in its reader and mounted? Nothing was taken in."], job=job.number, frames=[]
        )
    said = [f"{tally.files} files looked at, {len(new)} new frames{_span(new)}, {tally.seen_again} known already."]
    said += [
        f"Frame {f['number']} ({f['name']}) is kept, but its picture does not decode: {f['undecodable']}"
        for f in damaged
    ]
    said += [
        f"Frame {frame['number']} has the name, the folder, the size and the time of frame {older['number']}, but other bytes: "
        "the card changed or is failing. Both are kept; look at both before the card is used again."
        for older, frame in _read_twice(manifest.frames[:had_frames], new)
    ]
    said += [f"{stray['name']} is kept, but is no frame: {stray['reason']}." for stray in strays]
    if tally.walk.passed_over:
        said.append(f"Passed over, since they are links or devices: {', '.join(tally.walk.passed_over)}.")
    owed, bad = job.owed(), len(bad_copies(manifest))
    if bad:
        said.append(
            f"{bad} copies of this job are missing or differ: mend them with `glassine verify {job.number} --repair`."
        )
    if problems or owed or bad:
        why = f"copies are still owed ({owed})" if owed else "not everything is as it should be"
        said.append(f"Do not format the card yet: {why}.")
    else:
        said.append(
            f"Every file of the card has a copy on each of {len(job.volumes)} volumes ({', '.join(v.name for v in job.volumes)}), "
            "read back whole when it was written. Whether that is enough to format the card is your studio's rule to say."
        )
        if len({volume.medium for volume in job.volumes}) == 1:
            said.append(
                f"Mind that all of it lies on one medium ({job.working.medium}): if that fails, everything is lost."
            )
    data: dict[str, Any] = {
        "job": job.number,
        "frames": [frame["number"] for frame in new],
        "strays": [stray["name"] for stray in strays],
        "undecodable": [frame["number"] for frame in damaged],
        "seen_again": tally.seen_again,
        "litter": tally.walk.litter,
        "passed_over": tally.walk.passed_over,
        "owed_copies": owed,
        "bad_copies": bad,
    }
    return summary(said, problems, status=NOT_RIGHT if bad else 0, **data)


def _read_twice(older: list[Frame], new: list[Frame]) -> list[tuple[Frame, Frame]]:
    """Frames that are another one in all that a camera says of a file, and differ in their bytes."""

    def told(frame: Frame) -> tuple[Any, ...]:
        return tuple(frame[name] for name in ("name", "folder", "size", "serial", "captured"))

    known = {told(frame): frame for frame in older}
    return [(known[told(frame)], frame) for frame in new if told(frame) in known]


def _span(frames: list[Frame]) -> str:
    if not frames:
        return ""
    return f" ({print_frame(frames[0]['frame'])}" + (
        f" to {print_frame(frames[-1]['frame'])})" if len(frames) > 1 else ")"
    )
