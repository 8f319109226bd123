"""Tether: frames that land in a folder come into custody one by one, with proof and reading, and trouble is told at once."""

from __future__ import annotations

import operator
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import Any

from prefect import flow

from glassine.flows.arrival import Arrival, Intake, arrival_facts, known_names
from glassine.flows.batches import run_batches
from glassine.flows.decoding import attempt_facts
from glassine.flows.ingest import (
    GROUPS_AT_ONCE,
    check_apart,
    identified_fact,
)
from glassine.flows.landed_work import Proving, Work, throw_away
from glassine.flows.landing_group import ArrivedFiles, Gathered
from glassine.flows.landing_watch import LandingWatch, files_in
from glassine.flows.on_set import OnSet, OnSetHistory, move_light, next_set_up, on_set_now, say_on_set
from glassine.flows.open_job import OpenJob, adopted_document
from glassine.flows.outcome import summary
from glassine.flows.proof import proof_call, proof_facts, proof_name
from glassine.flows.set_checks import SetChecks
from glassine.flows.set_keys import INTERRUPT, read_keys
from glassine.flows.set_signals import stopped_by_signals
from glassine.flows.set_teller import Teller
from glassine.flows.studio import read_studio
from glassine.flows.warm_decoders import WarmDecoders
from glassine.schemas import file_system
from glassine.schemas.due import unproofed
from glassine.schemas.durable_file import temporary_name, unwritable
from glassine.schemas.errors import CallError, GlassineError, VolumeError
from glassine.schemas.identifiers import counted, print_frame
from glassine.schemas.manifest import Manifest
from glassine.schemas.set_trouble import Trouble, peers_of, picture_trouble
from glassine.schemas.stage import Frame
from glassine.schemas.validation import Document
from glassine.tasks.custody.card_walk import RAW_ENDINGS, printable_name
from glassine.tasks.custody.landing import LOOK_SECONDS, Landing
from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.delivery.identification import identify
from glassine.tasks.imaging.decoder_pool import Outcome
from glassine.tasks.imaging.landed_proof import prove_landed
from glassine.tasks.imaging.reading import METHOD

Fact = dict[str, Any]
KEYS = {"n": "next set-up", "m": "a light was moved", "t": "tests", "g": "grey cards", "p": "pictures", "q": "end"}
"""What may be pressed, each the first letter of what one thinks of."""
_PURPOSE_KEYS = {"t": "test", "g": "grey_card", "p": "picture"}
RETRY_SECONDS = 5.0
"""What a volume or a cable refused is tried again after so long."""
SETTLE_SECONDS = 3.0
"""At the end, what is landing just then is waited for so long."""


@flow(name="tether")
def tether(
    studio: str, job: str, folder: str, by: str | None = None, *, poll: bool = False, as_json: bool = False
) -> Document:
    """Take in what lands in a folder until the keyboard or a signal ends it; what lies there already comes first.

    Killed anywhere, the next run (or `ingest` of the same folder) takes in what was missed.
    """
    open_job = OpenJob(read_studio(Path(studio)), job, by)
    place = Path(folder)
    if not place.is_dir():
        raise VolumeError("V004", f"The folder {place} is not there: make it, or name the one that the camera fills.")
    check_apart(open_job, [place])
    session = TetherSession(open_job, place, Teller(as_json=as_json))
    session.run(poll=poll)
    problems = session.problems + open_job.finish()
    return _report(session, problems)


class TetherSession:
    """One session: the threads that watch and decode, and what this thread makes of what they find."""

    def __init__(self, job: OpenJob, folder: Path, teller: Teller) -> None:
        self.job = job
        self.folder = folder.resolve()  # as the system names it in its events
        self.teller = teller
        self.problems: list[str] = []
        self.taken: list[int] = []
        self.history = OnSetHistory(job.record, on_set_now(job.manifest))
        self.history.refresh()
        self._look_name = str(job.manifest.sheet.get("preview_look"))
        self._look = adopted_document(job.manifest, f"look/{self._look_name}")
        self._proofs = f"proofs/{self._look_name}-{self._look['sha256'][:8]}"
        self._files = ArrivedFiles(self.folder)
        self._wake, self._stop = threading.Event(), threading.Event()
        self._lock = threading.Lock()
        self._ready: deque[Landing] = deque()
        self._keys: deque[tuple[str, float]] = deque()
        self._proving: dict[Path, Proving] = {}
        self._promised = 0
        self._works: list[Work] = []
        self._later: deque[Callable[[], None]] = deque()
        self._retries: list[tuple[float, Path]] = []
        self._checks = SetChecks(job, teller)
        self._decoders: WarmDecoders
        self._camera_data: ThreadPoolExecutor
        self._exif: ExifTool
        self._watch: LandingWatch

    def run(self, *, poll: bool) -> None:
        """Until the session is ended; then what has landed by then is done with."""
        file_system.make_folder(self.job.path(self._proofs))
        self._said = self.history.at(time.time())
        with ExitStack() as stack:
            self._camera_data = stack.enter_context(ThreadPoolExecutor(1, "camera data"))
            self._exif = self._camera_data.submit(ExifTool().__enter__).result()
            stack.callback(lambda: self._camera_data.submit(self._exif.__exit__, None, None, None).result())
            self._decoders = stack.enter_context(WarmDecoders(self.job.studio, self._look["content"]))
            self._watch = LandingWatch(self.folder, self._on_seem, self._on_done, self._on_trouble, poll=poll)
            self._find_what_lies_there()
            stack.enter_context(stopped_by_signals(self.end))
            stack.enter_context(self._watch)
            has_keys = stack.enter_context(read_keys(self._on_key))
            self._say_begun(has_keys=has_keys)
            while not self._stop.is_set():
                self._safely(self._step)
                self._wait()
            self._watch.settle(SETTLE_SECONDS)
            while self._safely(self._step) and (self._works or self._ready or self._files.has_more):
                self._wait()
            self._say_unfinished()

    def end(self) -> None:
        """End the session, from any thread."""
        self._stop.set()
        self._wake.set()

    def _say_begun(self, *, has_keys: bool) -> None:
        on_set = self.history.at(time.time())
        self.teller.line(
            f"Watching {self.folder} for job {self.job.number}. On set: {on_set}.",
            watching=str(self.folder),
            on_set=asdict(on_set),
        )
        if has_keys:
            keys = " · ".join(f"{key} {what}" for key, what in KEYS.items())
            self.teller.line(f"Keys: {keys}", keys=KEYS)
        self._checks.check_room()
        absent = [Trouble("volume", str(error)) for error in self.job.absent]
        self.teller.standing({"volume"}, absent)

    # What the watch tells, in its own threads.

    def _on_seem(self, landing: Landing) -> None:
        """A raw that seems whole is decoded at once; should it be written to again, that is thrown away."""
        if _ending(landing.path) in RAW_ENDINGS:
            self._prove(landing.path, landing.version)

    def _on_done(self, landing: Landing) -> None:
        self._ready.append(landing)
        self._wake.set()

    def _on_trouble(self, sentence: str) -> None:
        self.teller.standing({"folder"}, [Trouble("folder", sentence)])

    def _on_key(self, key: str) -> None:
        if key == INTERRUPT and self._stop.is_set():
            signal.raise_signal(signal.SIGINT)
        elif key in (INTERRUPT, "q"):
            self.end()
        elif key in KEYS:
            self._keys.append((key, time.time()))
            self._wake.set()

    def _prove(self, path: Path, version: tuple[int, int]) -> None:
        """Begin the proof of a landed file, under the number that it will most likely have."""
        with self._lock:
            known = self._proving.get(path)
            if known and known.version == version:
                return
            self._promised += 1
            self._proving[path] = self._begin(path, self._promised, version, printable_name(path.name))
        if known:
            throw_away(known)

    def _begin(self, path: Path, number: int, version: tuple[int, int], name: str) -> Proving:
        out = self.job.path(f"{self._proofs}/{temporary_name()}")
        outcome = self._decoders.submit(prove_landed, path, self._look["content"], out, print_frame(number), name)
        outcome.add_done_callback(lambda _: self._wake.set())
        return Proving(version, number, out, outcome)

    # What this thread makes of it.

    def _safely(self, step: Callable[[], None]) -> bool:
        """Do a step; what a volume or the record refuses now is told of, and tried again later."""
        try:
            step()
        except GlassineError as error:
            if not error.retryable:
                raise
            self.teller.standing({"record"}, [Trouble("record", str(error))])
            if self._stop.wait(RETRY_SECONDS):
                self.problems.append(str(error))
            self._wake.set()
            return not self._stop.is_set()
        return True

    def _wait(self) -> None:
        """Until something happens, or something that was put off is due."""
        now = time.monotonic()
        due = [at for at, _ in self._retries] + self._checks.deadlines()
        due += [self._files.next_deadline()] if self._files.held else []
        due += [now + LOOK_SECONDS] if self._later else []
        seconds = max(0.0, min(due) - now) if due else None
        self._wake.wait(0.0 if self._files.has_more else seconds)
        self._wake.clear()

    def _step(self) -> None:
        self._press_keys()
        now = time.monotonic()
        for at, path in [retry for retry in self._retries if retry[0] <= now]:
            self._retries.remove((at, path))
            self._watch.look_again(path)
        while self._ready:
            self._files.add(self._ready.popleft(), now)
        groups = self._files.gather(now, hurry=self._stop.is_set())
        if groups:
            self._take_in(groups)
        if any(work.is_done for work in self._works):
            self._say_done()
        self._checks.tell_gaps()
        is_idle = not (self._works or self._ready or self._files.held or self._watch.pending())
        if self._later and is_idle and not self._stop.is_set():
            self._later.popleft()()

    def _press_keys(self) -> None:
        while self._keys:
            key, moment = self._keys.popleft()
            manifest = self.job.manifest
            before = on_set_now(manifest)
            try:
                wanted = self._wanted(key, manifest, before)
            except CallError as error:
                self.teller.line(f"  {error}", note=str(error))
                continue
            say_on_set(self.job, wanted)
            said = self.job.manifest.document["on_set"]
            self.history.note(moment, wanted, said["revision"])
            self._tell_on_set()

    @staticmethod
    def _wanted(key: str, manifest: Manifest, before: OnSet) -> OnSet:
        if key in _PURPOSE_KEYS:
            return replace(before, purpose=_PURPOSE_KEYS[key])
        return next_set_up(manifest, before) if key == "n" else move_light(manifest, before)

    def _tell_on_set(self) -> None:
        now = self.history.at(time.time())
        if now != self._said:
            self._said = now
            self.teller.line(f"On set: {now}.", on_set=asdict(now))

    def _take_in(self, groups: list[Gathered]) -> None:
        """Bring groups into custody, as one batch and one entry; then their proofs are awaited."""
        for gathered in groups:
            found = gathered.group.original
            if found and not gathered.in_custody:
                self._prove(found.path, (found.size, found.modified_ns))
        self.history.refresh()
        self._tell_on_set()
        problems: list[str] = []

        def copy_batch(batch: list[Gathered]) -> list[list[Arrival]]:
            custody = Intake(self.job, self.job.manifest, lambda _: None)
            with ThreadPoolExecutor(GROUPS_AT_ONCE, "group") as threads:
                copied = list(threads.map(lambda gathered: gathered.copy(custody), batch))
            problems.extend(problem for _, told in copied for problem in told)
            return [arrivals for arrivals, _ in copied]

        before = {frame["frame"] for frame in self.job.manifest.frames}
        strays = len(self.job.manifest.document["strays"])
        try:
            arrived = next(run_batches("copy", copy_batch, [groups]))
            manifest = self.job.commit(
                "ingest", partial(arrival_facts, groups=arrived, set_up=None, more=self._facts_of)
            )
        except GlassineError:
            self._files.put_back(groups)
            raise
        self.teller.standing({"record"}, [])
        self.teller.standing({"volume"}, [Trouble("volume", problem) for problem in dict.fromkeys(problems)])
        for gathered, arrivals in zip(groups, arrived, strict=True):
            self._settle_group(gathered, arrivals, manifest, before)
        for stray in manifest.document["strays"][strays:]:
            self.teller.line(f"{stray['name']} is kept, and is no frame.", stray=stray["name"])
        with self._lock:
            if not self._proving:
                self._promised = max(manifest.by_number, default=0)
        self._checks.check_copies(manifest)
        self._checks.check_room()

    def _facts_of(self, number: int, arrival: Arrival) -> list[Fact]:
        return self.history.at(self._files.landed_at(arrival.file.path)).facts_of(number)

    def _settle_group(self, gathered: Gathered, arrivals: list[Arrival], manifest: Manifest, before: set[int]) -> None:
        """What became of a group: a new frame, something that goes with one, or a file that has to be tried again."""
        self._files.settle(gathered, arrivals)
        came = {arrival.file.path for arrival in arrivals}
        retry_at = time.monotonic() + RETRY_SECONDS
        self._retries += [(retry_at, file.path) for file in gathered.group.files if file.path not in came]
        original = next((arrival for arrival in arrivals if arrival.role == "original"), None)
        frame = manifest.by_sha256.get(original.sha256) if original else None
        if original is None or frame is None:
            for file in gathered.group.files:
                self._drop_proof(file.path)
            return
        companions = [arrival.file.name for arrival in arrivals if arrival.role == "companion" and arrival.copies]
        if frame["frame"] in before:
            self._drop_proof(original.file.path)
            if companions:
                also = f"{frame['number']}  with {', '.join(companions)}"
                self.teller.line(also, frame=frame["number"], companions=companions)
            return
        self.taken.append(frame["frame"])
        landing = self._files.landing(original.file.path)
        self._begin_work(frame, original.file.path, landing.version, landing.written_at)
        if landing.doubtful:
            sentence = f"{original.file.name} rested without being whole and was taken in as it is, as {frame['number']}: take it again."
            self.teller.trouble(Trouble("cut short", sentence))
        if landing.again:
            sentence = f"{original.file.name} was written to again after it had been taken in; it came in once more, as {frame['number']}."
            self.teller.trouble(Trouble("changed", sentence))

    def _begin_work(self, frame: Frame, path: Path | None, version: tuple[int, int], written_at: float) -> None:
        with self._lock:
            proving = self._proving.pop(path, None) if path else None
        copy = self._own_copy(frame)
        is_from_custody = proving is None or (proving.version, proving.number) != (version, frame["frame"])
        if proving is None or is_from_custody:
            if proving:
                throw_away(proving)
            proving = self._begin(copy, frame["frame"], version, frame["name"])
        identity = self._camera_data.submit(lambda: identify(self._exif, [copy], [frame["name"]])[0])
        identity.add_done_callback(lambda _: self._wake.set())
        self._works.append(Work(frame["frame"], written_at, proving, identity, is_from_custody))

    def _own_copy(self, frame: Frame) -> Path:
        """A frame's copy on the working volume, read back a moment ago; else any whole one."""
        for copy in frame["copies"]:
            if copy["volume"] == self.job.working.volume and copy["outcome"] == "whole":
                return self.job.path(copy["path"])
        return self.job.find_whole(frame["sha256"])

    def _drop_proof(self, path: Path) -> None:
        with self._lock:
            proving = self._proving.pop(path, None)
        if proving:
            throw_away(proving)

    def _say_done(self) -> None:
        """Commit proofs and camera data that have come, as one entry, and tell of their frames."""
        done = [work for work in self._works if work.is_done]
        manifest, facts, told = self.job.manifest, list[Fact](), list[tuple[Work, float | None]]()
        for work in done:
            frame, outcome = manifest.frame(work.number), work.proving.outcome.result()
            is_other = not outcome.failure and outcome.value.get("source_sha256", frame["sha256"]) != frame["sha256"]
            if (outcome.failure or is_other) and not work.is_from_custody:
                self._prove_from_custody(work, frame)
                continue
            facts += self._facts_of_work(work, frame, outcome)
            told.append((work, None if outcome.failure else outcome.value["hidden_highlights"]))
        if not told:
            return
        manifest = self.job.say("proof", facts)
        now = time.time()
        self._works = [work for work in self._works if not any(work is one for one, _ in told)]
        for work, hidden in told:
            frame = manifest.frame(work.number)
            troubles = picture_trouble(frame, peers_of(frame, manifest.frames), hidden)
            self.teller.frame(frame, now - work.written_at, troubles)
        self._checks.find_gaps(manifest)

    def _facts_of_work(self, work: Work, frame: Frame, outcome: Outcome) -> Iterator[Fact]:
        yield identified_fact(frame, work.identity.result())
        yield from attempt_facts(self.job.studio, frame, outcome)
        path = proof_name(self._proofs, frame["number"], work.balance)
        if outcome.failure and not outcome.of_file:
            sentence = f"Frame {frame['number']} has no proof yet: {outcome.failure} `glassine proof {self.job.number}` tries again."
            self.teller.trouble(Trouble("proof", sentence))
            return
        if not outcome.failure and work.proving.out.exists():
            try:
                file_system.replace(work.proving.out, self.job.path(path))
                file_system.flush_folder(self.job.path(self._proofs))
            except OSError as error:
                raise unwritable(self.job.path(path), error) from error
        yield from proof_facts(frame, outcome, self._look_name, self._look["sha256"], path, balance=work.balance)

    def _prove_from_custody(self, work: Work, frame: Frame) -> None:
        """What could not be made of the landed file is made of the copy, with the companions that came meanwhile."""
        throw_away(work.proving)
        work.is_from_custody = True
        work.balance = frame["balance"]
        source = self.job.find_whole(frame["sha256"])
        call = proof_call(
            self.job, frame, source, self._look["content"], proof_name(self._proofs, frame["number"], work.balance)
        )
        work.proving.outcome = self._decoders.submit(operator.call, call)
        work.proving.outcome.add_done_callback(lambda _: self._wake.set())

    def _find_what_lies_there(self) -> None:
        """What is new by name and size comes in at once; what looks known is read when there is nothing else to do."""
        manifest = self.job.manifest
        self._promised = max(manifest.by_number, default=0)
        known = known_names(manifest)
        self._later.extend(partial(self._catch_up, frame["frame"]) for frame in unproofed(manifest, METHOD))
        for path in files_in(self.folder):
            with suppress(OSError):
                if (printable_name(path.name), path.stat().st_size) in known:
                    self._watch.pass_over(path)
                    self._later.append(partial(self._watch.look_again, path))

    def _catch_up(self, number: int) -> None:
        """A frame that an earlier session left without its proof."""
        frame = self.job.manifest.frame(number)
        if frame["proof"] is None and frame["unshowable"] is None and not any(w.number == number for w in self._works):
            with suppress(VolumeError):
                self._begin_work(frame, None, (frame["size"], 0), time.time())

    def _say_unfinished(self) -> None:
        for path in self._watch.pending():
            self.problems.append(f"{path} was still being written and was not taken in: run the same command again.")
        for path in dict.fromkeys([*(path for _, path in self._retries), *self._files.held]):
            self.problems.append(f"{path} was not taken in: run the same command again.")
        if self._works:
            self.problems.append(
                f"{counted(len(self._works), 'frame')} in custody without a proof: `glassine proof {self.job.number}`."
            )


def _ending(path: Path) -> str:
    return path.suffix.lower().removeprefix(".")


def _report(session: TetherSession, problems: list[str]) -> Document:
    job, manifest = session.job, session.job.manifest
    frames = [manifest.frame(number) for number in session.taken]
    proofed = sum(bool(frame["proof"]) for frame in frames)
    owed = job.owed()

    def is_past(trouble: Trouble) -> bool:
        return session.teller.past(trouble) or (not owed and trouble.kind in {"volume", "copies"})

    span = f" ({frames[0]['number']} to {frames[-1]['number']})" if frames else ""
    said = [f"{counted(len(frames), 'frame')} taken in{span}, {proofed} with a proof."]
    if session.teller.troubles:
        said.append(f"Trouble was told {len(session.teller.troubles)} times.")
        said += [f"  {trouble.sentence}{' (past)' if is_past(trouble) else ''}" for trouble in session.teller.troubles]
    if owed:
        said.append(f"{counted(owed, 'copy', 'copies')} still owed: do not format the camera's card.")
    return summary(
        said,
        problems,
        job=job.number,
        frames=[frame["number"] for frame in frames],
        trouble=[trouble._asdict() for trouble in session.teller.troubles],
        owed_copies=owed,
    )
