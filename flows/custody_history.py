"""The whole history of a frame's custody, from its arrival to today, and what does not fit. Reads only, and reads no picture."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from glassine.flows.known_heads import read_known_heads
from glassine.flows.open_job import unreadable
from glassine.flows.outcome import summary
from glassine.flows.studio import Studio
from glassine.schemas.entry import Head
from glassine.schemas.errors import NOT_RIGHT
from glassine.schemas.facts import Fact
from glassine.schemas.identifiers import counted
from glassine.schemas.job_record import JobRecord, find_faults
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People
from glassine.schemas.stage import Frame
from glassine.schemas.three_two_one import standing_of
from glassine.schemas.validation import Document
from glassine.tasks.custody.volume import Volume

_KEPT_IN = ("originals", "finals", "retouch", "deliveries", "sheets")
"""Folders of a job in which files of the record lie."""


@dataclass
class _Volumes:
    """What the record calls every volume that it knows, and which could not be looked at."""

    names: dict[str, str]
    away: list[str] = field(default_factory=list)

    def name(self, volume: str) -> str:
        return self.names.get(volume, volume)


def audit_custody(studio: Studio, number: str, frames: Sequence[int] | None = None) -> Document:
    """Prove where the frames of a job were since they arrived, check the chain, and show what does not fit.

    Nothing is read back: a copy counts by what the record says of it, and by whether a file of its size lies there
    now. `verify` reads.

    Returns
    -------
    `chain`: faults of the record, each a sentence, with `entries` and `head`; `volumes`, each with its newest head and
    how many entries it lacks; `frames`, each with its `history` (entry, at, by, event, what), `copies` and `missing`
    of 3-2-1; `unfit`: sentences on what does not fit. Exit status 1 when anything does not.
    """
    record = JobRecord(studio.job_folder(number))
    backups, absent = studio.backups()
    working = studio.working_volume()
    heads, failed = read_known_heads(working, backups, number)
    faults = find_faults(record.folder, (head for found in heads.values() for head in found))
    chain = [sentence for _, sentence in faults]
    mend = [f"Mend it with `glassine verify {number} --repair`, and ask again."] if chain else []
    if chain:  # what a damaged record says is no evidence
        said = [f"The record of job {number} is not whole, and proves nothing until it is:", *chain, *mend]
        return summary(said, chain, status=NOT_RIGHT, job=number, chain=chain, volumes=[], frames=[], unfit=chain)
    manifest = record.manifest()
    volumes = _Volumes({volume: known["name"] for volume, known in manifest.document["volumes"].items()})
    volumes.away = [str(error) for error in (*absent, *failed)]
    known: list[Document] = []
    lying: dict[str, dict[str, int]] = {}
    for volume in (one for one in (working, *backups) if one.volume in heads):
        try:
            told, files = _volume(record, manifest, volume, heads[volume.volume]), _files_lying(volume, number)
        except OSError as error:  # a disk that fails is as good as absent, and holds up no other
            if volume is working:
                raise
            volumes.away.append(str(unreadable(volume, error)))
        else:
            known.append(told)
            lying[volume.volume] = files
    unfit = [sentence for one in known for sentence in one.pop("unfit")]
    unfit += _copies_that_do_not_fit(manifest, volumes, lying)
    unfit += _files_that_no_fact_names(manifest, volumes, lying)
    chosen = [manifest.frame(frame) for frame in frames] if frames else manifest.frames
    histories = _histories(record, manifest, volumes, chosen)
    shown = [_frame(manifest, volumes, frame, histories[frame["frame"]]) for frame in chosen]
    said = [
        f"Job {number}: the chain of its {manifest.head.entry} entries is whole, from the first to {manifest.head.sha256[:16]}…",
        *(f"Volume {one['name']} vouches for entry {one['head']}{one['lacks_words']}." for one in known),
    ]
    said += [line for one in shown for line in _say_frame(one, whole=bool(frames))]
    said += [f"Does not fit: {sentence}" for sentence in unfit]
    said += [f"Not looked at: {error}" for error in volumes.away]
    if not unfit:
        said.append("Nothing was found that does not fit. Whether each copy can still be read, `glassine verify` says.")
    for one in known:
        del one["lacks_words"]
    status = NOT_RIGHT if unfit else 0
    head = manifest.head._asdict()
    return summary(said, [], status=status, job=number, chain=[], head=head, volumes=known, frames=shown, unfit=unfit)


def _volume(record: JobRecord, manifest: Manifest, volume: Volume, heads: Sequence[Head]) -> Document:
    """What one volume knows of the record: its newest head, the entries that it lacks, those that differ."""
    number = manifest.job
    newest = max(heads, default=None)
    unfit = []
    there = {listed.name for listed in volume.store.list_files(f"{number}/record")}
    own = sorted(record.record_folder.glob("*.json"))
    lacks = [path.name for path in own if path.name not in there]
    for path in own:
        if path.name in there:
            try:
                same = volume.store.read_bytes(f"{number}/record/{path.name}") == path.read_bytes()
            except OSError:
                same = False
            if not same:
                unfit.append(f"{volume.store.label}/{number}/record/{path.name} is not the entry that the chain has.")
    later = sorted(there - {path.name for path in own} - {name for name in there if not name.endswith(".json")})
    unfit += [f"{volume.store.label}/{number}/record/{name} is an entry that the record has not." for name in later]
    return {
        "volume": volume.volume,
        "name": volume.name,
        "head": newest.entry if newest else 0,
        "sha256": newest.sha256 if newest else None,
        "lacks": len(lacks),
        "lacks_words": f", and lacks {len(lacks)} of the entries" if lacks else "",
        "unfit": unfit,
    }


def _files_lying(volume: Volume, number: str) -> dict[str, int]:
    """Path and size of every file that lies in the job's folders on a volume, temporary ones apart."""
    found: dict[str, int] = {}
    folders = [name for name in _KEPT_IN if volume.store.exists(f"{number}/{name}")]
    while folders:
        folder = folders.pop()
        for listed in volume.store.list_files(f"{number}/{folder}"):
            if not listed.name.startswith("."):
                found[f"{folder}/{listed.name}"] = listed.size
        folders += [f"{folder}/{name}" for name in volume.store.list_folders(f"{number}/{folder}")]
    return found


def _copies_that_do_not_fit(manifest: Manifest, volumes: _Volumes, lying: dict[str, dict[str, int]]) -> Iterator[str]:
    for _, holder in manifest.every_file():
        for copy in holder["copies"]:
            name = f"{volumes.name(copy['volume'])}: {copy['path']}"
            if copy["outcome"] != "whole":
                yield f"{name} was found {'missing' if copy['outcome'] == 'missing' else 'altered'}, and is not mended."
            elif copy["volume"] in lying:
                size = lying[copy["volume"]].get(copy["path"])
                if size is None:
                    yield f"{name} should be whole, and is not there."
                elif size != holder["size"]:
                    yield f"{name} should have {holder['size']} bytes, and has {size}."


def _files_that_no_fact_names(manifest: Manifest, volumes: _Volumes, lying: dict[str, dict[str, int]]) -> Iterator[str]:
    """Among the originals only: elsewhere lie pictures that can be made again."""
    named = {(copy["volume"], copy["path"]) for _, holder in manifest.every_file() for copy in holder["copies"]}
    for volume, files in lying.items():
        for path in sorted(files):
            if path.startswith("originals/") and (volume, path) not in named:
                yield f"{volumes.name(volume)}: {path} is a file that no entry names: a copy from elsewhere, or of a run that was killed before it could say so (the next ingest of its card says it)."


def _histories(
    record: JobRecord, manifest: Manifest, volumes: _Volumes, frames: list[Frame]
) -> dict[int, list[Document]]:
    """Every fact that touches one of the frames' files, in the order of the entries."""
    owners: dict[str, list[int]] = {}
    for frame in frames:
        owners.setdefault(frame["sha256"], []).append(frame["frame"])
        for companion in frame["companions"]:
            owners.setdefault(companion["sha256"], []).append(frame["frame"])
        for final in frame["finals"]:
            owners.setdefault(final["sha256"], []).append(frame["frame"])
        for retouch in frame["rounds"]:
            for back in retouch["take_backs"]:
                owners.setdefault(back["sha256"], []).append(frame["frame"])
    wanted = {frame["frame"] for frame in frames}
    histories: dict[int, list[Document]] = {number: [] for number in wanted}
    deliveries: dict[int, set[int]] = {}
    for entry, head in record.entries():
        told: set[tuple[int, str]] = set()
        for fact in entry["facts"]:
            what = _WHAT.get(fact["kind"])
            if what is None:
                continue
            touched = _touched(fact, owners, deliveries) & wanted
            for number in sorted(touched):
                sentence = what(fact, volumes, record.people)
                if (number, sentence) not in told:
                    told.add((number, sentence))
                    line = {"entry": head.entry, "at": entry["at"], "by": record.people.name_of(entry["by"])}
                    histories[number].append({**line, "event": entry["event"], "what": sentence})
    return histories


def _touched(fact: Fact, owners: dict[str, list[int]], deliveries: dict[int, set[int]]) -> set[int]:
    """The frames that a fact is about, by their number or by the digest of one of their files."""
    touched: set[int] = set()
    if isinstance(fact.get("frame"), int):
        touched.add(fact["frame"])
    touched |= set(owners.get(str(fact.get("sha256")), []))
    if fact["kind"] == "delivery":
        touched |= {number for file in fact["files"] for number in [file["frame"], *file.get("frames", [])]}
        deliveries[fact["delivery"]] = touched
    if fact["kind"] == "hand_over":
        touched |= deliveries.get(fact["delivery"], set())
    return touched


def _say_read_back(fact: Fact, volumes: _Volumes, people: People) -> str:
    where = f"{fact['path']} on {volumes.name(fact['volume'])}"
    if fact["outcome"] == "whole":
        return f"read back whole from the {fact['read_from']}: {where} (pass {fact['pass']})"
    if fact["outcome"] == "missing":
        return f"NOT THERE: {where} (pass {fact['pass']})"
    found = f"read as {fact['found'][:16]}…" if fact["found"] else "could not be read"
    return f"NOT WHOLE: {where} {found} (pass {fact['pass']})"


def _say_repair(fact: Fact, volumes: _Volumes, people: People) -> str:
    if fact["from_volume"] == fact["volume"]:
        return f"found whole after all: {fact['path']} on {volumes.name(fact['volume'])}"
    source = f" from {volumes.name(fact['from_volume'])}" if fact["from_volume"] else ""
    aside = f"; what lay there is kept as {fact['aside']}" if fact["aside"] else ""
    return f"made again{source}: {fact['path']} on {volumes.name(fact['volume'])}{aside}"


_WHAT: dict[str, Callable[[Fact, _Volumes, People], str]] = {
    "frame": lambda fact, volumes, people: f"taken in as {fact['source']}, {fact['size']} bytes",
    "companion": lambda fact, volumes, people: f"with it came {fact['source']}",
    "seen": lambda fact, volumes, people: f"seen at {fact['source']}",
    "copy": lambda fact, volumes, people: (
        f"copied to {volumes.name(fact['volume'])}, read back whole from the {fact['read_from']}: {fact['path']}"
    ),
    "read_back": _say_read_back,
    "repair": _say_repair,
    "undecodable": lambda fact, volumes, people: f"its picture does not decode: {fact['reason']}",
    "hand_out": lambda fact, volumes, people: (
        f"round {fact['round']} handed out to {people.name_of(fact['retoucher'])}"
    ),
    "take_back": lambda fact, volumes, people: f"round {fact['round']} came back as {fact['name']}",
    "holding": lambda fact, volumes, people: f"kept besides ({fact['role']}): {fact['path']}",
    "delivery": lambda fact, volumes, people: f"packed in delivery {fact['delivery']} for {fact['client']}",
    "hand_over": lambda fact, volumes, people: f"delivery {fact['delivery']} handed over at {fact['place']}",
    "block": lambda fact, volumes, people: f"{'blocked' if fact['blocked'] else 'free again'}: {fact['reason']}",
}
"""Each kind of fact that belongs to custody, in words."""


def _frame(manifest: Manifest, volumes: _Volumes, frame: Frame, history: list[Document]) -> Document:
    standing = standing_of(frame["copies"], manifest.document["volumes"])
    return {
        "frame": frame["frame"],
        "number": frame["number"],
        "name": frame["name"],
        "sha256": frame["sha256"],
        "copies": [{**copy, "name": volumes.name(copy["volume"])} for copy in frame["copies"]],
        "missing": list(standing.missing),
        "history": history,
    }


def _say_frame(told: Document, *, whole: bool) -> Iterable[str]:
    kept = [copy for copy in told["copies"] if copy["outcome"] == "whole"]
    where = ", ".join(copy["name"] for copy in kept) or "no volume"
    oldest = min((copy["whole_at"] for copy in kept), default=None)
    since = f", the oldest read back at {oldest[:10]}" if oldest else ""
    yield f"{told['number']}  {told['name']}  {counted(len(kept), 'whole copy', 'whole copies')} on {where}{since}, {len(told['history'])} facts"
    if whole:
        yield f"    SHA-256 {told['sha256']}"
        for line in told["history"]:
            yield f"    entry {line['entry']}  {line['at'][:19]}Z  {line['by']}, {line['event']}: {line['what']}"
        yield from (f"    short of 3-2-1: {missing}" for missing in told["missing"])
