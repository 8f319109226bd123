"""Selects: several people's marks in a named round of the cull, its closing, and the hand-off of what was chosen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast

from prefect import flow

from glassine.flows.batches import run_batches
from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import summary
from glassine.flows.sidecars import write_sidecar_of
from glassine.flows.studio import read_studio
from glassine.schemas.due import owed_hand_offs
from glassine.schemas.errors import CallError
from glassine.schemas.identifiers import counted
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, is_blocked, is_selected
from glassine.schemas.validation import Document
from glassine.tasks.custody.card_walk import stem_of
from glassine.tasks.handoff.annotation import parse_region
from glassine.tasks.handoff.selects_list import Choice, Verdict, parse_selects, read_ratings
from glassine.tasks.handoff.xmp_sidecar import read_rating, verdict_of

Fact = dict[str, Any]


@flow(name="selects mark")
def mark(
    studio: str,
    job: str,
    round_name: str,
    listed: str | None = None,
    ratings: str | None = None,
    by: str | None = None,
    remark: str | None = None,
    region: str | None = None,
    *,
    fixable: bool = False,
) -> Document:
    """Take one person's marks into a round: from a written list, or from `xmp:Rating` sidecars in a folder.

    `ratings` is a folder of sidecars, or "" for those that came with the frames. What is ambiguous or unknown is
    named, all of it, and then nothing is taken.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    stems = {frame["frame"]: stem_of(frame["name"]) for frame in open_job.manifest.frames}
    if listed is not None:
        choices = parse_selects(listed, stems)
    elif ratings:
        choices = read_ratings(_sidecars_in(ratings), stems)
    else:
        choices = _ratings_in_custody(open_job)
    if not choices:
        raise CallError(
            "W001",
            "There is no mark to take: the list is empty, or no sidecar bears a rating. Write one as in: 0142, hero 0177.",
        )
    area = parse_region(region) if region else None
    if fixable and not remark:
        raise CallError("W001", "A fixable mark says what is to be mended: --remark 'collar crooked'.")

    def propose(manifest: Manifest) -> list[Fact]:
        _check_open(manifest, round_name)
        opened = [{"kind": "selects_round", "round": round_name, "state": "opened", "person": open_job.by}]
        return opened + _mark_facts(manifest, round_name, open_job.by, choices, remark, area, fixable=fixable)

    before, is_new = open_job.manifest.head, open_job.manifest.selects_round(round_name) is None
    open_job.commit("selects", propose)
    changed = open_job.manifest.head != before
    problems = open_job.finish()
    counts = {verdict: sum(choice.verdict == verdict for choice in choices) for verdict in ("select", "hold", "out")}
    words = ", ".join(f"{count} {verdict}" for verdict, count in counts.items() if count)
    name = open_job.record.people.name_of(open_job.by)
    said = [f"Round {round_name!r}, {name}: {words}" + ("." if changed else "; nothing changed.")]
    others = [
        r["round"] for r in open_job.manifest.document["selects_rounds"] if not r["closed"] and r["round"] != round_name
    ]
    if is_new and others:
        said.append(f"It is a new round; open besides: {', '.join(map(repr, others))}.")
    said += conflicts_in(open_job.manifest, round_name, open_job)
    return summary(said, problems, job=job, round=round_name, counts=counts, changed=changed)


@flow(name="selects close")
def close(studio: str, job: str, round_name: str, rest: str | None = None, by: str | None = None) -> Document:
    """Close a round: its marks are frozen, and the sidecars of what it chose are written to `handoff/`.

    `rest` ("out" or "hold") is what the selects of earlier rounds become on which nobody said anything in this one;
    else they stay selects.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    known = open_job.manifest.selects_round(round_name)
    if not known or not known["marks"]:
        rounds = ", ".join(repr(found["round"]) for found in open_job.manifest.document["selects_rounds"]) or "none"
        raise CallError(
            "W002",
            f"Job {job} has no round {round_name!r} with marks in it (known: {rounds}): name one, or mark selects first.",
        )
    if rest not in (None, "out", "hold"):
        raise CallError("W001", f"--rest is out or hold, not {rest!r}.")

    def propose(manifest: Manifest) -> list[Fact]:
        found = manifest.selects_round(round_name) or known
        silent = [
            Choice(frame["frame"], cast(Verdict, rest))
            for frame in manifest.frames
            if rest and is_selected(frame) and str(frame["frame"]) not in found["marks"]
        ]
        remark = "not named in this round"
        marks = [] if found["closed"] else _mark_facts(manifest, round_name, open_job.by, silent, remark, None)
        return [*marks, {"kind": "selects_round", "round": round_name, "state": "closed", "person": open_job.by}]

    open_job.commit("selects", propose)
    written = hand_off(open_job)
    problems = open_job.finish()
    manifest = open_job.manifest
    chosen = _chosen_in(manifest, manifest.selects_round(round_name) or known)
    said = [
        f"Round {round_name!r} is closed: {counted(len(chosen), 'select')} ({', '.join(f['number'] for f in chosen) or 'none'})."
    ]
    said += conflicts_in(manifest, round_name, open_job)
    said += [f"Sidecars of the selects: {path}" for path in written]
    return summary(said, problems, job=job, round=round_name, selects=[f["number"] for f in chosen])


def hand_off(job: OpenJob) -> list[Path]:
    """Write the sidecars of every closed round that has none yet; returns the folders written."""
    folders = []
    for found in owed_hand_offs(job.manifest):
        frames = _chosen_in(job.manifest, found)
        folder = f"handoff/{_folder_name(found['round'], job.manifest)}"

        def write_batch(batch: list[Frame], found: Document = found, folder: str = folder) -> list[Fact]:
            return [write_sidecar_of(job, frame, found, folder) for frame in batch]

        files = [fact for facts in run_batches("hand off", write_batch, [frames] if frames else []) for fact in facts]
        facts: list[Fact] = [{"kind": "hand_off", "round": found["round"], "files": files}]
        job.say("hand-off", facts)
        folders += [job.path(folder)] if files else []
    return folders


def conflicts_in(manifest: Manifest, round_name: str, job: OpenJob) -> list[str]:
    """Frames on which people of one round disagree, a sentence each: shown, never merged by guess."""
    found = manifest.selects_round(round_name)
    said = []
    for number, marks in (found["marks"] if found else {}).items():
        if len({given["verdict"] for given in marks.values()}) > 1:
            words = ", ".join(
                f"{job.record.people.name_of(person)} says {given['verdict']}"
                for person, given in sorted(marks.items())
            )
            said.append(
                f"Conflict on frame {int(number):04d}: {words}. It counts as undecided until they agree in one round."
            )
    return said


def _mark_facts(
    manifest: Manifest,
    round_name: str,
    person: str,
    choices: Sequence[Choice],
    remark: str | None,
    region: Document | None,
    *,
    fixable: bool = False,
) -> list[Fact]:
    known = manifest.selects_round(round_name)
    facts = []
    for choice in choices:
        before = known["marks"].get(str(choice.frame), {}).get(person) if known else None
        said: Fact = {"verdict": choice.verdict, "hero": choice.hero, "remark": remark, "fixable": fixable}
        if region:
            said["region"] = region
        if before and {name: before.get(name) for name in (*said, "region")} == {"region": None, **said}:
            continue
        revision = before["revision"] + 1 if before else 1
        facts.append(
            {"kind": "mark", "round": round_name, "frame": choice.frame, "person": person, "revision": revision, **said}
        )
    return facts


def _check_open(manifest: Manifest, round_name: str) -> None:
    if not round_name.strip() or not round_name.isprintable():
        raise CallError("W001", "A round needs a name, such as --round 'first edit'.")
    known = manifest.selects_round(round_name)
    if known and known["closed"]:
        raise CallError(
            "W004",
            f"Round {round_name!r} is closed since {known['closed'][:16]}: a later change is a new round with its own name.",
        )


def _sidecars_in(folder: str) -> list[Path]:
    path = Path(folder)
    if not path.is_dir():
        raise CallError("W002", f"{folder} is no folder: name the one that holds the .xmp sidecars.")
    return sorted(path.rglob("*.[xX][mM][pP]"))


def _ratings_in_custody(job: OpenJob) -> list[Choice]:
    """The ratings in the sidecars that came with the frames; the newest sidecar of a frame counts."""
    choices = {}
    for frame in job.manifest.frames:
        for companion in frame["companions"]:
            if companion["name"].lower().endswith(".xmp"):
                verdict = verdict_of(read_rating(job.find_whole(companion["sha256"])))
                if verdict:
                    choices[frame["frame"]] = Choice(frame["frame"], verdict)
    return list(choices.values())


def _chosen_in(manifest: Manifest, found: Document) -> list[Frame]:
    chosen = []
    for number, marks in found["marks"].items():
        frame = manifest.by_number[int(number)]
        if {given["verdict"] for given in marks.values()} == {"select"} and not is_blocked(frame):
            chosen.append(frame)
    return sorted(chosen, key=lambda frame: int(frame["frame"]))


def _folder_name(round_name: str, manifest: Manifest) -> str:
    """`round-1`, `round-2`, ...: a round's own name may hold anything."""
    names = [found["round"] for found in manifest.document["selects_rounds"]]
    return f"round-{names.index(round_name) + 1}"
