"""The demo: a small invented shoot, played through every stage from the card to the receipt."""

from __future__ import annotations

import sys
import time
from importlib.resources import files
from pathlib import Path
from typing import Any

from glassine.flows.advance import advance
from glassine.flows.audit import audit
from glassine.flows.deliver import deliver
from glassine.flows.demo_shoot import HAIR_PX, MARK_PX, heal, make_card, truth
from glassine.flows.grade import grade, sign_off
from glassine.flows.ingest import ingest
from glassine.flows.job_sheet import open_new_job
from glassine.flows.open_job import CONTACT_SHEET, OpenJob
from glassine.flows.outcome import summary
from glassine.flows.prefect_environment import run_flow
from glassine.flows.proof import proof
from glassine.flows.retouch import brief, hand_out, hand_out_folder, take_back
from glassine.flows.selects_round import close, mark
from glassine.flows.studio import SETTINGS, Studio, make_studio, read_studio
from glassine.flows.verify import verify
from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document
from glassine.tasks.handoff.annotation import write_region

JOB = "2611-04"
PHOTOGRAPHER, MANAGER, RETOUCHER = "Imre Falk", "Tove Abel", "Noa Lind"
CLIENT = "Sorrel Lane Instruments"
ROUND = "photographer's edit"
HERO = 2
"""The frame that is retouched: eyes open, well exposed, with a stray hair and a mark on the skin."""
SELECTS = f"hero {HERO:04d}, 0007, 0009; hold 0003, hold 0010; out 0004-0005, out 0008"


def play(folder: Path, *, quiet: bool = False) -> Document:
    """Play the whole job in `folder`; an earlier demo there is gone on with.

    Raises
    ------
    CallError
        W003: the folder holds something that is no demo.
    """
    folder = folder.absolute()
    if folder.exists() and any(folder.iterdir()) and not (folder / "card" / "DCIM").is_dir():
        raise CallError(
            "W003", f"{folder} holds something that is no demo of glassine: name a folder that is empty or new."
        )
    begun = time.monotonic()
    demo = _Demo(folder, quiet=quiet)
    demo.play()
    paths = demo.to_open()
    said = [f"Done in {time.monotonic() - begun:.0f} s. Worth opening:"]
    said += [f"  {what:<22} {path}" for what, path in paths.items()]
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

    def __init__(self, folder: Path, *, quiet: bool) -> None:
        self.folder = folder
        self.quiet = quiet
        self.studio = self._studio()
        self.common = {"studio": str(self.studio.folder), "job": JOB}

    def play(self) -> None:
        self.say("The camera: twelve frames of three instrument makers, on a card")
        card = make_card(self.folder / "card", self.studio.workers)
        self.say("The job is opened with its sheet")
        sheet = self.folder / "job-sheet.json"
        replace_file(sheet, (files("glassine.config") / "job_sheet.example.json").read_bytes())
        open_new_job(self.studio, JOB, sheet, title=None, client=None, by=MANAGER)
        self.say("Ingest: each file read once, two copies, each read back")
        self.run(ingest, sources=[str(card)], by=MANAGER)
        self.say("Proof: readings, proofs, contact sheet")
        self.run(proof, by=MANAGER)
        self.say(f"Selects: {PHOTOGRAPHER} marks and closes the round")
        if not any(found["closed"] for found in self.job().manifest.document["selects_rounds"]):
            self.run(mark, round_name=ROUND, listed=SELECTS, remark="eyes and hands", by=PHOTOGRAPHER)
        self.run(close, round_name=ROUND, by=PHOTOGRAPHER)
        self.say(
            f"Retouch: frame {HERO:04d} goes to {RETOUCHER}, who forgets a note; the return is refused, then comes right"
        )
        self.retouch()
        self.say("Grade: a monochrome and a colour final of each select; the others leave unretouched")
        self.run(
            grade, unretouched=[frame for frame in (7, 9) if not self.job().manifest.frame(frame)["finals"]], by=MANAGER
        )
        self.run(sign_off, frames=[HERO, 7, 9], by=PHOTOGRAPHER)
        (self.folder / "for-the-client").mkdir(exist_ok=True)
        self.say(f"Deliver: to {CLIENT}, printed page and screen, with receipts")
        self.run(deliver, client=CLIENT, by=MANAGER)
        self.run(advance, by=MANAGER)
        self.say("Verify: every copy is read again; audit: what went to whom")
        self.run(verify, by=MANAGER)
        for line in audit(self.studio, client=CLIENT)["said"]:
            self.say(f"  {line}")

    def retouch(self) -> None:
        """Brief, hand-out, a return that leaves a note undone, and the one that is right."""
        marks = truth(HERO - 1)
        hair, skin = marks["stray_hair"], marks["skin_mark"]
        if not self.job().manifest.frame(HERO)["rounds"]:
            notes = [
                f"{write_region(hair)} | take out the stray hair",
                f"{write_region(skin)} | take out the mark on the cheek",
            ]
            self.run(brief, frame=HERO, notes=notes, grader=PHOTOGRAPHER, by=PHOTOGRAPHER)
        retouch = self.job().manifest.frame(HERO)["rounds"][-1]
        if any(returned["accepted"] for returned in retouch["take_backs"]):
            return
        self.run(hand_out, frames=[HERO], retoucher=RETOUCHER, due="2026-12-01", by=MANAGER)
        base = self.job().path(retouch["brief"]["base"]["path"])
        for name, healed in (("first", [(hair, HAIR_PX)]), ("second", [(hair, HAIR_PX), (skin, MARK_PX)])):
            returned = self.folder / "from-the-retoucher" / f"{name}-return.tif"
            returned.parent.mkdir(parents=True, exist_ok=True)
            if not returned.exists():
                heal(base, returned, healed)
            for line in self.run(take_back, frame=HERO, file=str(returned), by=MANAGER)["said"]:
                self.say(f"  {line}")

    def to_open(self) -> dict[str, Path]:
        """What is worth opening, by what it is."""
        job = self.job()
        hero = job.manifest.frame(HERO)
        delivery = job.manifest.document["deliveries"][-1]
        return {
            "contact sheet": job.path(f"{CONTACT_SHEET}.jpg"),
            "proof": job.path(hero["proof"]["path"]),
            "brief": job.path(f"{hand_out_folder(hero['rounds'][-1])}/brief.pdf"),
            "what was retouched": job.path(
                f"{hero['rounds'][-1]['brief']['path']}/changes-{hero['rounds'][-1]['take_backs'][-1]['sha256'][:8]}.jpg"
            ),
            "delivered files": Path(delivery["handed_over"]["place"]) / "data",
            "receipt": job.path(delivery["handed_over"]["receipt_pdf"]["path"]),
            "the record": job.folder / "record",
        }

    def run(self, flow: Any, **parameters: Any) -> Document:
        outcome: Document = run_flow(flow, **self.common, **parameters)
        return outcome

    def job(self) -> OpenJob:
        return OpenJob(self.studio, JOB, MANAGER)

    def say(self, text: str) -> None:
        if not self.quiet:
            print(text, file=sys.stderr, flush=True)  # noqa: T201

    def _studio(self) -> Studio:
        folder = self.folder / "studio"
        if (folder / SETTINGS).exists():
            return read_studio(folder)
        volumes = [("working", "../volumes/working"), ("backup", "../volumes/backup")]
        client = f'\n[[clients]]\nname = "{CLIENT}"\nfolder = "../for-the-client"\nspecification = "yearbook-print"\n'
        return make_studio(folder, volumes, name="Glasshouse Studio", extra=client)
