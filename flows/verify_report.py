"""What `verify` says of a pass: what was read, how fast, what is bad and near what, what was mended, what is lost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from math import ceil
from typing import Any

from glassine.flows.open_job import OpenJob
from glassine.flows.outcome import merge, summary
from glassine.flows.verify_scope import Plan
from glassine.schemas.corruption import BadCopy, Cluster, find_clusters
from glassine.schemas.due import bad_copies
from glassine.schemas.errors import NOT_RIGHT, GlassineError
from glassine.schemas.identifiers import counted, print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody.sampling import Place, surely_found, worst_chance

CERTAINTY = 0.95
"""How sure a sample is of what it says it would have found (the usual level of confidence)."""
ONE_IN = 100
"""The share of bad copies for which the chance of missing them all is said: one in a hundred (our own choice)."""
SOURCE = "Bairavasundaram et al., FAST 2008"


@dataclass
class Reading:
    """What a pass has read: its plan, the bytes and seconds that it took, and what came of the copies.

    `bad_before`: the copies known to be bad when it began. `gone`: the volumes that went away meanwhile, a sentence
    each. `bad`: the copies it found missing or different, with the fact's `found`. `bad_earlier`: those it had found so
    before it was stopped. `bad_now`: how many are known to be so once it had read, before any is mended. `recovered`:
    copies that were bad before, and are whole.
    """

    plan: Plan
    bad_before: set[Place]
    bad_earlier: set[Place] = field(default_factory=set)
    bad_now: int = 0
    read: int = 0
    bytes: int = 0
    seconds: float = 0.0
    gone: dict[str, str] = field(default_factory=dict)
    bad: dict[Place, Document] = field(default_factory=dict)
    recovered: list[Place] = field(default_factory=list)

    def take(self, facts: Iterable[Document]) -> None:
        """Count the facts of a batch."""
        for fact in facts:
            self.read += 1
            place = (fact["volume"], fact["path"])
            if fact["outcome"] != "whole":
                self.bad[place] = fact
            elif place in self.bad_before:
                self.recovered.append(place)

    def is_unreadable(self, place: Place) -> bool:
        """Whether a copy that differs was found now, and its bytes could not be read at all."""
        fact = self.bad.get(place)
        return fact is not None and fact["outcome"] == "differs" and fact["found"] is None


@dataclass
class Repair:
    """What came of mending: the places mended, those of them whose bad file is kept under aside/, those found whole
    after all, files of which nothing whole is left (a sentence for each digest), and what else failed."""

    mended: list[str] = field(default_factory=list)
    kept: set[str] = field(default_factory=set)
    recovered: list[Place] = field(default_factory=list)
    lost: dict[str, str] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)

    def take(self, fact: Document, place: str) -> None:
        """A copy is whole again: made anew, or it was whole itself."""
        if fact["from_volume"] == fact["volume"]:
            self.recovered.append((fact["volume"], fact["path"]))
        else:
            self.mend(place, is_kept=fact["aside"] is not None)

    def mend(self, place: str, *, is_kept: bool) -> None:
        """A place was mended; `is_kept`: what lay there is under aside/ (where nothing lay, nothing is)."""
        self.mended.append(place)
        if is_kept:
            self.kept.add(place)

    def refuse(self, error: GlassineError, sha256: str) -> None:
        """A copy could not be mended."""
        if error.code == "C003":
            self.lost.setdefault(sha256, str(error))
        else:
            self.failed.append(str(error))


def differing_copies(manifest: Manifest) -> list[BadCopy]:
    """Every copy whose bytes were last found to differ, or could not be read; of a missing one the disk says nothing."""
    frames = {companion["sha256"]: frame["frame"] for frame in manifest.frames for companion in frame["companions"]}
    volumes = manifest.document["volumes"]
    return [
        BadCopy(
            copy["volume"], volumes[copy["volume"]]["medium"], copy["path"], holder.get("frame", frames.get(sha256))
        )
        for sha256, holder, copy in bad_copies(manifest)
        if copy["outcome"] == "differs"
    ]


def report(
    job: OpenJob, reading: Reading, differing: list[BadCopy], repaired: Repair, chain: list[str], problems: list[str]
) -> Document:
    """The outcome of a pass over one job, with exit status 1 while anything is bad.

    `differing`: what differed before anything was mended. `chain`: what is wrong with the record on a backup.
    """
    manifest = job.manifest
    names = {volume: known["name"] for volume, known in manifest.document["volumes"].items()}
    bad = [_describe(names, reading, *found) for found in bad_copies(manifest)]
    clusters = find_clusters(differing)
    lost = _lost(job, names, repaired)
    sample = _sample(reading, names)
    recovered = [f"{names[volume]}: {path}" for volume, path in (*reading.recovered, *repaired.recovered)]
    copies = sum(len(holder["copies"]) for _, holder in manifest.every_file())

    said = [f"Job {job.number}: {reading.read} of {copies} copies read now, {reading.bad_now} missing or different."]
    if reading.read:
        said.append(f"{counted(reading.read, 'copy', 'copies')}, {_amount(reading)}.")
    said += _not_read(reading.plan)
    if sample:
        said += _sample_sentences(job.number, sample, found=bool(reading.bad or reading.bad_earlier))
    said += [f"{_word(entry)}: {entry['path']} on {entry['volume']}." for entry in bad]
    said += [_warning(job.number, cluster, len(differing), names) for cluster in clusters]
    said += [f"Whole again after all: {place} (it was missing or different before)." for place in recovered]
    said += [
        f"Mended from a whole copy: {place}{' (the bad file is kept under aside/)' if place in repaired.kept else ''}."
        for place in repaired.mended
    ]
    if len(bad) != reading.bad_now:
        said.append(f"Left after mending: {len(bad)} missing or different.")
    mendable = chain or any(entry["sha256"] not in lost for entry in bad)
    if mendable and not repaired.failed and not repaired.mended:
        said.append(f"Mend with `glassine verify {job.number} --repair`. Delete nothing until then.")
    plan = reading.plan
    data: dict[str, Any] = {
        "job": job.number,
        "copies": copies,
        "read": reading.read,
        "bytes": reading.bytes,
        "seconds": round(reading.seconds, 3),
        "not_read": {"away": plan.away, "earlier": plan.earlier, "not_asked": plan.left},
        "scope": manifest.document["passes"]["scope"],
        "sample": sample,
        "found": reading.bad_now,
        "bad": bad,
        "lost": sorted(lost),
        "clusters": [_describe_cluster(cluster, names) for cluster in clusters],
        "recovered": recovered,
        "mended": repaired.mended,
    }
    status = NOT_RIGHT if bad or repaired.failed or chain else 0
    found = [*lost.values(), *chain, *repaired.failed, *reading.gone.values(), *problems]
    return summary(said, found, status=status, chain_faults=chain, **data)


def merge_jobs(found: list[Document]) -> Document:
    """The outcomes of all jobs as one; of several, with a line that counts them together."""
    merged = merge(found)
    if len(found) > 1:
        read, size = (sum(one.get(name, 0) for one in found) for name in ("read", "bytes"))
        wrong = sum(one["status"] == NOT_RIGHT for one in found)
        merged["said"].append(
            f"{len(found)} jobs: {read} copies read now, {size / 1e9:.1f} GB; not right: {wrong or 'none'}."
        )
    return merged


def _describe(names: dict[str, str], reading: Reading, sha256: str, holder: Document, copy: Document) -> dict[str, Any]:
    return {
        "volume": names[copy["volume"]],
        "path": copy["path"],
        "outcome": copy["outcome"],
        "unreadable": reading.is_unreadable((copy["volume"], copy["path"])),
        "sha256": sha256,
        "frame": holder.get("number"),
    }


def _word(entry: dict[str, Any]) -> str:
    return "Cannot be read" if entry["unreadable"] else str(entry["outcome"]).capitalize()


def _amount(reading: Reading) -> str:
    """Bytes, time and rate, as "4.5 GB in 1 min 8 s at 66 MB/s"."""
    minutes, seconds = divmod(reading.seconds, 60)
    took = f"{minutes:.0f} min {seconds:.0f} s" if minutes else f"{seconds:.1f} s"
    size = f"{reading.bytes / 1e9:.1f} GB" if reading.bytes >= 1e9 else f"{reading.bytes / 1e6:.1f} MB"
    return f"{size} in {took} at {reading.bytes / 1e6 / max(reading.seconds, 1e-3):.0f} MB/s"


def _not_read(plan: Plan) -> list[str]:
    """Which copies were not read now, and why, in one sentence; none when all were."""
    reasons = [
        (plan.away, "on volumes that are away"),
        (plan.earlier, "read in this pass before it was stopped"),
        (plan.left, "not asked for"),
    ]
    told = ", ".join(f"{count} {reason}" for count, reason in reasons if count)
    return [f"Not read now: {told}."] if told else []


def _lost(job: OpenJob, names: dict[str, str], repaired: Repair) -> dict[str, str]:
    """For each file of which nothing whole is left, a sentence that says so; nothing of it was touched."""
    lost: dict[str, str] = {}
    here = {volume.volume for volume in job.volumes}
    for sha256, holder in job.manifest.every_file():
        whole = [copy["volume"] for copy in holder["copies"] if copy["outcome"] == "whole"]
        if sha256 in repaired.lost:
            away = ", ".join(sorted(names[volume] for volume in whole if volume not in here))
            more = f" By the record a whole one is on {away}." if away else ""
            lost[sha256] = repaired.lost[sha256] + more
        elif holder["copies"] and not whole:
            lost[sha256] = (
                f"No whole copy of {holder['path']} is left: every one that the record knows is missing or differs. "
                "Delete nothing, connect every volume that ever held it, and look for the card it came from."
            )
    return lost


def _sample(reading: Reading, names: dict[str, str]) -> dict[str, Any] | None:
    """What a sample says of the copies that it was drawn from; None without one, and of volumes that went away."""
    strata = {volume: stratum for volume, stratum in reading.plan.strata.items() if volume not in reading.gone}
    if not strata:
        return None
    of, read = (sum(stratum[index] for stratum in strata.values()) for index in (0, 1))
    if_bad = ceil(of / ONE_IN)
    return {
        "of": of,
        "read": read,
        "if_bad": if_bad,
        "chance_missed": worst_chance(list(strata.values()), if_bad),
        "certainty": CERTAINTY,
        "surely_found": surely_found(list(strata.values()), CERTAINTY),
        "volumes": [{"volume": names[volume], **stratum._asdict()} for volume, stratum in strata.items()],
    }


def _sample_sentences(job: str, sample: dict[str, Any], *, found: bool) -> list[str]:
    if found:
        return [f"A sample that finds a bad copy asks for all of them to be read: `glassine verify {job}`."]
    if sample["read"] == sample["of"]:
        return []
    shares = ", ".join(f"{one['read']} of {one['of']} on {one['volume']}" for one in sample["volumes"])
    chance = f"{sample['chance_missed'] * 100:.1f} %" if sample["chance_missed"] >= 0.0005 else "less than 0.1 %"
    told = (
        f"Read {sample['read']} of {sample['of']} copies, chosen at random ({shares}): "
        f"if {sample['if_bad']} of them were bad, wherever they lie, the chance of having missed "
        f"{'it' if sample['if_bad'] == 1 else 'them all'} would be {chance}; "
        f"of {sample['surely_found']} or more, at least one would have been found with {CERTAINTY * 100:.0f} % certainty."
    )
    return [told, f"Bad copies come together on one disk ({SOURCE}), so each volume has its share of the sample."]


def _warning(job: str, cluster: Cluster, total: int, names: dict[str, str]) -> str:
    """The warning about a disk with several bad copies."""
    volumes = sorted({copy.volume for copy in cluster.copies}, key=lambda volume: names[volume])
    count = len(cluster.copies)
    share = f"{count} of the {total}" if count < total else "Both" if total == 2 else f"All {total}"
    held = Counter((copy.volume, copy.path.rpartition("/")[0]) for copy in cluster.copies)
    places = [
        f"{held[folder]} of them in {folder[1]}" if held[folder] < count else f"in {folder[1]}"
        for folder in cluster.folders
    ]
    places += [f"frames {print_frame(first)} to {print_frame(last)} in a row" for first, last in cluster.runs]
    where = f", {', '.join(places)}" if places else ""
    return (
        f"{share} bad copies lie on {' and '.join(names[volume] for volume in volumes)} ({cluster.medium}){where}: "
        f"bad copies come together ({SOURCE}). Take that disk out of use, read all of it (`glassine verify {job}`), "
        "and make its copies again on another."
    )


def _describe_cluster(cluster: Cluster, names: dict[str, str]) -> dict[str, Any]:
    return {
        "medium": cluster.medium,
        "copies": [{"volume": names[copy.volume], "path": copy.path, "frame": copy.frame} for copy in cluster.copies],
        "folders": [{"volume": names[volume], "folder": folder} for volume, folder in cluster.folders],
        "frames_in_a_row": [list(run) for run in cluster.runs],
    }
