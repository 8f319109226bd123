"""How long commands that only read take, as whole processes, on a job of 1,000 frames; against `python -c pass`."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

from glassine.flows.studio import make_studio
from glassine.schemas.job_record import adopt, create_job, write_head
from glassine.schemas.manifest import CHECKPOINT
from tests.benchmarks.harness import Plan, Row, alternate

Fact = dict[str, Any]
FRAMES, BATCH, WORK_BYTES = 1000, 30, 100 * 10**6
GOAL = 16.0
"""0.3 s, where `python -c pass` takes 0.019 s."""
JOB, CLIENT = "2611-04", "Sorrel Lane Instruments"
GLASSINE = [sys.executable, "-c", "from glassine.flows.cli import main; main()"]
PEER = [sys.executable, "-c", "pass"]


def run(plan: Plan) -> list[Row]:
    """Each command and the bare interpreter by turns."""
    with plan.work_folder(WORK_BYTES) as folder:
        studio = make_job(folder)
        calls = {"status": ["status"], "status of a job": ["status", JOB, "--json"]}
        calls["audit of a client"] = ["audit", "--client", CLIENT]
        rows = [compare(name, words, studio, plan.runs) for name, words in calls.items()]
        (folder / "w" / JOB / CHECKPOINT).unlink()  # the slowest case: everything is folded anew
        rows.append(compare("status, no checkpoint", ["status"], studio, plan.runs))
    return rows


def compare(name: str, words: list[str], studio: Path, runs: int) -> Row:
    """One command against the bare interpreter."""
    times = alternate(partial(seconds, [*GLASSINE, *words], studio), partial(seconds, PEER, studio), runs)
    return Row(name, GOAL, "python -c pass", *times, f"{FRAMES} frames, whole process", {"frames": FRAMES})


def seconds(call: list[str], studio: Path) -> float:
    """Whole-process time of one call, which must end well."""
    begin = time.perf_counter()
    done = subprocess.run(call, cwd=studio, capture_output=True, text=True, env={**os.environ, "NO_COLOR": "1"})
    elapsed = time.perf_counter() - begin
    if done.returncode:
        raise SystemExit(done.stdout + done.stderr)
    return elapsed


def make_job(root: Path) -> Path:
    """A studio with one job of 1,000 frames, as flows would have left it: checkpoint written, heads on both volumes."""
    made = make_studio(root / "studio", [("working", str(root / "w")), ("backup", str(root / "b"))])
    folder = made.working_volume().job_folder(JOB)
    record = create_job(folder, JOB, by="Imre Falk")
    person = record.people.person_of("Imre Falk")
    sheet = json.loads((Path(str(files("glassine.config"))) / "job_sheet.example.json").read_bytes())
    sheet["finals"] = sheet["finals"][:1]
    documents = {
        "job-sheet": sheet,
        "look/hard-mono": made.look("hard-mono"),
        "look/lifted-mono": made.look("lifted-mono"),
    }
    for name, content in documents.items():
        record.commit(lambda m, name=name, content=content: adopt(m, name, content), by=person, event="e")  # type: ignore[misc]
    adopted = record.manifest().document["documents"]
    looks = {name: adopted[f"look/{name}"]["sha256"] for name in ("hard-mono", "lifted-mono")}
    volumes = [made.working_volume(), *made.backups()[0]]
    ids = [volume.volume for volume in volumes]
    told = [
        [f for n in range(first, min(first + BATCH, FRAMES + 1)) for f in frame_facts(n, ids, looks["hard-mono"])]
        for first in range(1, FRAMES + 1, BATCH)
    ]
    for facts in (*told, *end_facts(person, "lifted-mono", looks["lifted-mono"])):
        record.commit(lambda _, facts=facts: facts, by=person, event="e")  # type: ignore[misc]
    record.checkpoint()
    for volume in volumes:
        write_head(volume.job_folder(JOB), JOB, record.manifest().head)
    return root / "studio"


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def frame_facts(number: int, volumes: list[str], look: str) -> list[Fact]:
    """A frame in custody on every volume, identified, read and proofed."""
    sha256, path = digest(f"frame {number}"), f"originals/100STUDI/IMG_{number:04d}.{digest(str(number))[:8]}.DNG"
    name = f"IMG_{number:04d}.DNG"
    source = f"/media/card/DCIM/100STUDI/{name}"
    exposure = {"f_number": 8, "shutter_s": 0.00625, "iso": 100, "focal_length_mm": 85}
    told = {"type": "DNG", "camera": "Simulated camera", "serial": "0001", "counter": number, "lens": "85 mm"}
    size = {"width": 8256, "height": 5504}
    proof = {
        "look": "hard-mono",
        "look_sha256": look,
        "path": f"proofs/{number:04d}.jpg",
        "sha256": digest(f"p{number}"),
    }
    return [
        {"kind": "frame", "frame": number, "sha256": sha256, "size": 48_000_000, "name": name}
        | {"folder": "100STUDI", "path": path, "source": source},
        *(
            {"kind": "copy", "sha256": sha256, "volume": volume, "path": path, "read_from": "medium"}
            for volume in volumes
        ),
        {"kind": "set_up", "frame": number, "revision": 1, "set_up": "bench"},
        {"kind": "identified", "frame": number, "captured": "2026:11:25 10:03:17", "orientation": 1}
        | {"exposure": exposure, **told, **size},
        {"kind": "reading", "frame": number, "method": 1, "exposure_stops": number % 7 / 10, "headroom_stops": 1.5}
        | {"clipped": {"red": 0.001, "green": 0, "blue": 0}, "sharpness": 0.4, "findings": ["Red is clipped."]},
        {"kind": "proof", "frame": number, "picture": "raw", "warning": None, "width": 1600, "height": 1067, **proof},
    ]


def end_facts(person: str, look: str, look_sha256: str) -> Iterator[list[Fact]]:
    """Every tenth frame is a select, retouched, signed off and delivered."""
    chosen = range(10, FRAMES + 1, 10)
    yield [{"kind": "selects_round", "round": "edit", "state": "opened", "person": person}]
    yield [
        {"kind": "mark", "round": "edit", "frame": n, "person": person, "revision": 1, "hero": False, "remark": None}
        | {"verdict": "select" if n in chosen else "out"}
        for n in range(1, FRAMES + 1)
    ]
    yield [{"kind": "selects_round", "round": "edit", "state": "closed", "person": person}]
    yield [{"kind": "hand_off", "round": "edit", "files": []}]
    picture = {"size": 90_000_000, "width": 8256, "height": 5504}
    for n in chosen:
        base = {"path": f"retouch/{n:04d}/base.tif", "sha256": digest(f"base {n}"), "bits": 16, "profile": "ROMM RGB"}
        back = {"sha256": digest(f"back {n}"), "size": 90_000_000, "name": "back.tif", "path": f"retouch/{n}/back.tif"}
        final = {"final": "print", "round": 1, "look": look, "look_sha256": look_sha256, "sha256": digest(f"final {n}")}
        yield [
            {"kind": "brief", "frame": n, "round": 1, "path": f"retouch/{n:04d}", "sha256": digest(f"brief {n}")}
            | {"notes": [], "grader": None, "standing": [], "base": {**base, **picture}},
            {"kind": "hand_out", "frame": n, "round": 1, "revision": 1, "retoucher": person, "due": "2026-12-01"},
            {"kind": "take_back", "frame": n, "round": 1, "accepted": True, "causes": [], "notes": []}
            | {"outside": {"changed_fraction": 0, "boxes": []}, **back},
            {"kind": "final", "frame": n, "path": f"finals/{n:04d}.tif", "bits": 16, "profile": "ROMM RGB"}
            | {"sources": [back["sha256"]], **final, **picture},
            {"kind": "sign_off", "frame": n, "final": "print", "final_sha256": final["sha256"], "person": person},
        ]
    delivered = [
        {"name": f"{n:04d}.tif", "sha256": digest(f"out {n}"), "size": 9, "frame": n, "final": "print"}
        | {"final_sha256": digest(f"final {n}"), "width": 2008, "height": 2835}
        for n in chosen
    ]
    yield [
        {"kind": "delivery", "delivery": 1, "client": CLIENT, "specification": "yearbook-print", "files": delivered}
        | {"specification_sha256": digest("s"), "licence": {"terms": "Yearbook."}, "folder": "deliveries/0001"}
        | {"bag_sha256": digest("bag")},
    ]
    receipt = {"path": "deliveries/0001.json", "sha256": digest("receipt")}
    yield [
        {
            "kind": "hand_over",
            "delivery": 1,
            "place": "/c",
            "person": person,
            "receipt": receipt,
            "receipt_pdf": receipt,
        }
    ]
