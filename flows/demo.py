"""The demo: an invented shoot for a yearbook, played act by act from two cards to an audit, with what goes wrong."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from glassine.flows.advance import advance
from glassine.flows.audit import audit
from glassine.flows.card_log import issue_card
from glassine.flows.clock import set_clock
from glassine.flows.crop import set_crop
from glassine.flows.deliver import deliver
from glassine.flows.demo_people import (
    BOARD,
    BROW,
    CHOICE,
    CLIENT,
    CROPPED,
    EDIT,
    EDITOR,
    HERO_FRAME,
    JOB,
    MANAGER,
    MUSEUM,
    NECK,
    OTHER_SITTER,
    PHOTOGRAPHER,
    REFUSED_FRAME,
    RETOUCHER,
    SECOND_FRAME,
    SECOND_RETOUCHER,
    SECOND_THOUGHTS,
    SELECTS,
    SITTER,
    UNDER_EYE,
    hero_notes,
    job_sheet,
    marks,
)
from glassine.flows.demo_shoot import HEIGHT, HERO, SERIAL, WIDTH, frames_by_set_up, make_cards, truth
from glassine.flows.grade import grade, sign_off
from glassine.flows.ingest import ingest
from glassine.flows.job_sheet import assign_set_up, open_new_job, set_block
from glassine.flows.open_job import CONTACT_SHEET, OpenJob
from glassine.flows.outcome import pretty_json, summary
from glassine.flows.prefect_environment import run_flow
from glassine.flows.proof import findings_of, proof
from glassine.flows.retouch import brief, hand_out
from glassine.flows.retouch_bundle import hand_out_folder
from glassine.flows.retouch_notes import confirm
from glassine.flows.retouch_return import review, take_back
from glassine.flows.selects_round import close, mark
from glassine.flows.studio import SETTINGS, Studio, make_studio, read_studio
from glassine.flows.verify import verify
from glassine.flows.wrap import wrap
from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import CallError, DeliveryRefusedError
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import Frame, outcome_of
from glassine.schemas.validation import Document
from glassine.tasks.handoff.annotation import write_region
from glassine.tasks.imaging.simulated_retouch import retouch

ACTS = "acts-played.json"
"""Which acts of a demo are over: it goes on where it stopped."""

CARDS = ("A1", "A2")
"""What is written on the two cards."""
SLOW_S = 37
"""By how many seconds the camera's clock was slow."""
PLACES = {CLIENT: "for-the-yearbook", MUSEUM: "for-the-museum", SITTER: "for-the-sitter"}
"""Who receives, and the folder in which they find it."""


def play(
    folder: Path, *, quiet: bool = False, pause: bool = False, size_px: tuple[int, int] = (WIDTH, HEIGHT)
) -> Document:
    """Play the whole job in `folder`; an earlier demo there is gone on with. `pause` stops between the acts.

    `size_px` is the width and height of a frame.

    Raises
    ------
    CallError
        W003: the folder holds something that is no demo of this version.
    """
    folder = folder.absolute()
    if folder.exists() and any(folder.iterdir()) and not (folder / ACTS).is_file():
        raise CallError(
            "W003", f"{folder} holds something that is no demo of this version: name a folder that is empty or new."
        )
    begun = time.monotonic()
    demo = _Demo(folder, quiet=quiet, pause=pause, size_px=size_px)
    demo.play()
    paths = demo.to_open()
    said = [f"Done in {time.monotonic() - begun:.0f} s. Worth opening:"]
    said += [f"  {what:<28} {path}" for what, path in paths.items()]
    said.append(f"And ask: glassine status {JOB} --studio {demo.studio.folder}")
    return summary(
        said,
        [],
        folder=str(folder),
        studio=str(demo.studio.folder),
        open={what: str(path) for what, path in paths.items()},
    )


class _Demo:
    """One playing of the demo."""

    def __init__(self, folder: Path, *, quiet: bool, pause: bool, size_px: tuple[int, int]) -> None:
        self.folder = folder
        self.size = dict(zip(("width", "height"), size_px, strict=True))
        self.quiet, self.pause = quiet, pause
        folder.mkdir(parents=True, exist_ok=True)
        if not (folder / ACTS).exists():
            replace_file(folder / ACTS, b"[]\n")
        self.studio = self._studio()
        self.common = {"studio": str(self.studio.folder), "job": JOB}

    def play(self) -> None:
        acts: list[Callable[[], None]] = [
            self.cards, self.custody, self.going_home, self.proofs, self.cull, self.refusal, self.brief_retouch,
            self.missed_note, self.one_thing_more, self.grade_and_deliver, self.second_thoughts, self.account,
        ]  # fmt: skip
        played = json.loads((self.folder / ACTS).read_text("utf-8"))
        for number, act in enumerate(acts, 1):
            title = (act.__doc__ or "").rstrip(".")
            if act.__name__ in played:
                self.say(f"{number}. {title}: played already")
                continue
            self.say(f"\n{number}. {title}")
            act()
            played.append(act.__name__)
            replace_file(self.folder / ACTS, json.dumps(played).encode() + b"\n")
            if self.pause and not self.quiet and number < len(acts):
                self.wait()

    def cards(self) -> None:
        """Thirty frames of six instrument makers, in three set-ups, on two cards; the counter rolls over."""
        for card in make_cards(self.folder, self.studio.workers, **self.size):
            count = sum(1 for _ in card.rglob("*.DNG"))
            self.say(f"  {count} raw files on {card}")

    def custody(self) -> None:
        """The job is opened, and both cards are issued and taken in: each file read once, two copies, each read back."""
        sheet = self.folder / "job-sheet.json"
        replace_file(sheet, pretty_json(job_sheet()))
        open_new_job(self.studio, JOB, sheet, title=None, client=None, by=MANAGER)
        for name, card in zip(CARDS, make_cards(self.folder, self.studio.workers, **self.size), strict=True):
            if name not in self.manifest().document["cards"]:
                self.tell(issue_card(self.studio, JOB, name, camera="body A", person=PHOTOGRAPHER, by=MANAGER))
            self.tell(self.run(ingest, sources=[str(card)], card=name, by=MANAGER))
        for name, indexes in frames_by_set_up().items():
            self.tell(assign_set_up(self.studio, JOB, name, [index + 1 for index in indexes], MANAGER))

    def going_home(self) -> None:
        """The camera's clock was slow; and before anyone goes home: what is outstanding, may the studio be struck?"""
        self.tell(set_clock(self.studio, JOB, SERIAL, add_s=SLOW_S, by=PHOTOGRAPHER))
        self.tell(wrap(self.studio, JOB, carries=[f"backup={MANAGER}"], by=MANAGER))

    def proofs(self) -> None:
        """Proofs in the monochrome preview look, with what was measured: it advises, and rejects nothing."""
        self.run(proof, by=MANAGER)
        for frame in self.manifest().frames:
            for finding in findings_of(frame):
                self.say(f"  {frame['number']}  {finding}")

    def cull(self) -> None:
        """Three rounds of the cull: the photographer, two people of the client who disagree, and how it is settled."""
        for round_name, given in marks().items():
            found = self.manifest().selects_round(round_name)
            if not (found and found["closed"]):
                for said in given:
                    words = {"listed": said.listed, "remark": said.remark, "region": said.region}
                    self.run(mark, round_name=round_name, fixable=said.fixable, by=said.by, **words)
            closer = {EDIT: PHOTOGRAPHER, CHOICE: EDITOR, SECOND_THOUGHTS: BOARD}[round_name]
            self.tell(self.run(close, round_name=round_name, rest="hold" if round_name == CHOICE else None, by=closer))

    def refusal(self) -> None:
        """A sitter asks not to be shown: the frame is blocked, and stays in custody."""
        reason = f"{OTHER_SITTER} asks not to be shown"
        self.tell(set_block(self.studio, JOB, [REFUSED_FRAME], reason, blocked=True, by=MANAGER))
        self.run(proof, by=MANAGER)
        self.say("  The contact sheet is made again, without it.")

    def brief_retouch(self) -> None:
        """Two retouchers are briefed: five notes and a donor for one, a shine on a brow for the other."""
        for draft in self.frame(HERO_FRAME)["drafts"]:
            self.tell(confirm(self.studio, JOB, HERO_FRAME, draft["note"], by=PHOTOGRAPHER))
        words = {"grader": PHOTOGRAPHER, "level": "portrait", "renderings": ["shadows=+1"], "by": PHOTOGRAPHER}
        self.tell(self.run(brief, frame=HERO_FRAME, notes=hero_notes(), **words))
        shine = f"{write_region(BROW)} | take the shine off the brow"
        self.tell(
            self.run(brief, frame=SECOND_FRAME, notes=[shine], grader=PHOTOGRAPHER, level="tidy", by=PHOTOGRAPHER)
        )
        self.hand_out(HERO_FRAME, RETOUCHER)
        self.hand_out(SECOND_FRAME, SECOND_RETOUCHER)

    def missed_note(self) -> None:
        """The first return forgets a note: it is refused, and the next round is briefed with its cause."""
        found = truth(HERO)
        wanted = {name: found[name] for name in ("stray_hair", "skin_mark", "catchlight", "stand_shadow")}
        self.bring_back(HERO_FRAME, "first-return", wanted, hours=2.0)
        self.bring_back(SECOND_FRAME, "brow", {"soften": BROW}, hours=0.5)
        self.hand_out(HERO_FRAME, RETOUCHER)

    def one_thing_more(self) -> None:
        """The second return is right, and touches one thing more: it is shown, and the photographer accepts it."""
        found = truth(HERO)
        wanted = {name: found[name] for name in ("stray_hair", "skin_mark", "catchlight", "stand_shadow", "lint")}
        self.bring_back(HERO_FRAME, "second-return", {**wanted, "soften": NECK}, hours=0.5)
        if outcome_of(self.frame(HERO_FRAME)["rounds"][1]["take_backs"][-1]) == "to review":
            self.tell(self.run(review, frame=HERO_FRAME, accepted=True, text="the neck may be so", by=PHOTOGRAPHER))

    def grade_and_deliver(self) -> None:
        """Two renderings of each select, looked at and signed off; one is cropped; the yearbook receives its pages."""
        region = "xywh=percent:8,10,84,84"
        words: dict[str, Any] = {"straighten_degrees": 1.5, "turn_degrees": 0, "specification": None, "full": False}
        self.tell(set_crop(self.studio, JOB, [CROPPED], region, **words, by=PHOTOGRAPHER))
        untouched = [number for number in SELECTS if not self.frame(number)["rounds"]]
        self.tell(self.run(grade, unretouched=[n for n in untouched if not self.frame(n)["finals"]], by=MANAGER))
        self.tell(self.run(sign_off, frames=SELECTS, by=PHOTOGRAPHER))
        self.clients_folders()
        self.tell(self.run(deliver, client=CLIENT, by=MANAGER))

    def second_thoughts(self) -> None:
        """The client thinks again: a newer round makes finals stale, and nothing stale leaves, until all is right."""
        if len(self.frame(HERO_FRAME)["rounds"]) == 2:
            note = f"{write_region(UNDER_EYE)} | softer under this eye, as {EDITOR} asks"
            text = "softer under the eye, for the opening page"
            self.tell(
                self.run(
                    review, frame=HERO_FRAME, accepted=False, why="client's change", text=text, notes=[note],
                    by=PHOTOGRAPHER,
                )
            )  # fmt: skip
            try:
                self.run(deliver, client=MUSEUM, specification="archive-master", by=MANAGER)
            except DeliveryRefusedError as refused:
                self.say(f"  Refused: {refused.details[0]}")
            self.hand_out(HERO_FRAME, RETOUCHER)
        self.bring_back(HERO_FRAME, "third-return", {"soften": UNDER_EYE}, hours=0.25)
        self.tell(self.run(grade, by=MANAGER))
        self.tell(self.run(sign_off, frames=[HERO_FRAME], by=PHOTOGRAPHER))
        self.clients_folders()
        self.tell(self.run(advance, by=MANAGER))
        self.tell(self.run(deliver, client=MUSEUM, specification="archive-master", frames=SELECTS, by=MANAGER))
        self.tell(self.run(deliver, client=SITTER, specification="screen-2048", frames=[HERO_FRAME], by=MANAGER))

    def account(self) -> None:
        """Every copy is read again, and the audit says what went to whom, made of what, under which licence."""
        self.tell(self.run(verify, by=MANAGER))
        for client in (CLIENT, MUSEUM, SITTER):
            self.tell(audit(self.studio, client=client))

    def to_open(self) -> dict[str, Path]:
        """What is worth opening, by what it is."""
        job = self.job()
        hero = self.frame(HERO_FRAME)
        first, second, *_ = hero["rounds"]
        unasked = second["take_backs"][-1]["sha256"][:8]
        delivery = self.manifest().document["deliveries"][0]
        final = next(final for final in reversed(hero["finals"]) if final["final"] == "print" and not final["stale"])
        return {
            "contact sheet": job.path(f"{CONTACT_SHEET}.jpg"),
            "proof of the hero frame": job.path(hero["proof"]["path"]),
            "brief with five notes": job.path(f"{hand_out_folder(first)}/brief.pdf"),
            "brief after the refusal": job.path(f"{hand_out_folder(second)}/brief.pdf"),
            "changed, and not asked for": job.path(f"{second['brief']['path']}/changes-{unasked}.jpg"),
            "final of the hero frame": job.path(final["path"]),
            "what the client received": Path(delivery["handed_over"]["place"]) / "data",
            "its receipt": job.path(delivery["handed_over"]["receipt_pdf"]["path"]),
            "the record": job.folder / "record",
        }

    def hand_out(self, number: int, retoucher: str) -> None:
        """Hand the newest round of a frame out, unless that was done."""
        if not self.frame(number)["rounds"][-1]["hand_out"]:
            self.tell(
                self.run(
                    hand_out,
                    frames=[number],
                    retoucher=retoucher,
                    due=(datetime.now(UTC) + timedelta(days=6)).date().isoformat(),
                    by=MANAGER,
                )
            )

    def bring_back(self, number: int, name: str, marked: dict[str, Any], *, hours: float) -> None:
        """What the retoucher returns for a frame: the base file of the newest round, with what is named done."""
        returned = self.folder / "from-the-retouchers" / f"{number:04d}-{name}.tif"
        returned.parent.mkdir(parents=True, exist_ok=True)
        told = self.frame(number)["rounds"][-1]["brief"]
        donors = [extra["path"] for extra in told["extras"] if extra["use"] == "donor"]
        if not returned.exists():
            job = self.job()
            retouch(job.path(told["base"]["path"]), returned, marked, job.path(donors[0]) if donors else None)
        elif any(
            back["name"] == returned.name for found in self.frame(number)["rounds"] for back in found["take_backs"]
        ):
            return
        self.tell(self.run(take_back, frame=number, file=str(returned), hours=hours, by=MANAGER))

    def clients_folders(self) -> None:
        """The folders in which clients find their deliveries, on disks that are theirs."""
        for place in PLACES.values():
            (self.folder / place).mkdir(exist_ok=True)

    def run(self, flow: Any, **parameters: Any) -> Document:
        outcome: Document = run_flow(flow, **self.common, **parameters)
        return outcome

    def job(self) -> OpenJob:
        return OpenJob(self.studio, JOB, MANAGER)

    def manifest(self) -> Manifest:
        return self.job().manifest

    def frame(self, number: int) -> Frame:
        return self.manifest().frame(number)

    def tell(self, outcome: Document) -> None:
        """What a command said, as it would have been printed."""
        for line in (*outcome["said"], *outcome["problems"]):
            if not line.startswith("Next: "):  # the next act does it
                self.say(f"  {line}")

    def say(self, text: str) -> None:
        if not self.quiet:
            print(text, file=sys.stderr, flush=True)  # noqa: T201

    def wait(self) -> None:
        """Until somebody presses Enter; with nobody there, not at all."""
        print("  (Enter for the next act)", end="", file=sys.stderr, flush=True)  # noqa: T201
        sys.stdin.readline()

    def _studio(self) -> Studio:
        folder = self.folder / "studio"
        if (folder / SETTINGS).exists():
            return read_studio(folder)
        volumes = [("working", "../volumes/working"), ("backup", "../volumes/backup")]
        clients = [f'\n[[clients]]\nname = "{name}"\nfolder = "../{place}"\n' for name, place in PLACES.items()]
        return make_studio(folder, volumes, name="Glasshouse Studio", extra="".join(clients))
