"""Facts of every kind, and a small job told in them, for the tests of the record."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.entry import canonical_bytes
from glassine.schemas.fold import apply_fact
from glassine.schemas.fold_base import Occasion
from glassine.schemas.identifiers import note_id
from glassine.schemas.job_record import JobRecord, create_job, document_digest
from glassine.schemas.manifest import Manifest
from glassine.schemas.people import People

Fact = dict[str, Any]
Batch = tuple[str, list[Fact]]

JOB = "2611-04"
WORKING, BACKUP = "v-00000000000000a1", "v-00000000000000b2"
PHOTOGRAPHER, RETOUCHER = "p-00000000a1", "p-00000000b2"
AT = "2026-11-25T09:00:00.000000Z"
CONFIG = Path(__file__).parents[2] / "config"


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def shipped(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((CONFIG / f"{name}.json").read_bytes())
    return loaded


HARD = document_digest(shipped("looks/hard-mono"))
LIFTED = document_digest(shipped("looks/lifted-mono"))
COLOUR = document_digest(shipped("looks/plain-colour"))
PRINT = document_digest(shipped("specifications/yearbook-print"))
CHEEK = {"shape": "ellipse", "x": 30.5, "y": 20, "width": 12, "height": 15.25}
NECK = {"shape": "polygon", "points": [[40, 60], [55.5, 60], [48, 75]]}
UPRIGHT = {
    "region": {"shape": "rectangle", "x": 10, "y": 5.5, "width": 60, "height": 80},
    "straighten_degrees": -1.5,
    "turn_degrees": 90,
}
SQUARE = {**UPRIGHT, "straighten_degrees": 0, "turn_degrees": 0}
SIZED = {"size": 230_400, "width": 240, "height": 160, "bits": 16, "profile": "ROMM RGB"}
UNKNOWN = dict.fromkeys(("width", "height", "bits", "profile"))
UNDONE = {"kind": "note undone", "text": "Note 1 was left undone.", "note": "n-0000000001"}
TECHNICAL = {"kind": "technical", "text": "It has 8 bits.", "note": None}

TEMPLATES: dict[str, Fact] = {
    "job": {"job": JOB},
    "adopted": {"document": "job-sheet", "revision": 1, "sha256": digest("sheet"), "content": {}},
    "volume": {"volume": WORKING, "revision": 1, "name": "working", "medium": "disk 1", "site": "studio"},
    "frame": {
        "frame": 1,
        "sha256": digest("frame 1"),
        "size": 24_000_000,
        "name": "Größe_0001.DNG",
        "folder": "100STUDI",
        "path": "originals/100STUDI/Größe_0001.0badc0de.DNG",
        "source": "/media/card/DCIM/100STUDI/Größe_0001.DNG",
    },
    "companion": {
        "frame": 1,
        "sha256": digest("companion 1"),
        "size": 4_000_000,
        "name": "Größe_0001.JPG",
        "path": "originals/100STUDI/Größe_0001.1badc0de.JPG",
        "source": "/media/card/DCIM/100STUDI/Größe_0001.JPG",
    },
    "stray": {
        "sha256": digest("stray"),
        "size": 12,
        "name": "read me.txt",
        "path": "originals/100STUDI/read me.2badc0de.txt",
        "source": "/media/card/read me.txt",
        "reason": "not a picture format that glassine knows",
    },
    "seen": {"sha256": digest("frame 1"), "source": "/media/second card/Größe_0001.DNG"},
    "copy": {
        "sha256": digest("frame 1"),
        "volume": WORKING,
        "path": "originals/100STUDI/Größe_0001.0badc0de.DNG",
        "read_from": "medium",
    },
    "fixity_pass": {"pass": 1, "state": "opened"},
    "read_back": {
        "sha256": digest("frame 1"),
        "volume": WORKING,
        "path": "originals/100STUDI/Größe_0001.0badc0de.DNG",
        "pass": 1,
        "outcome": "whole",
        "found": digest("frame 1"),
        "read_from": "medium",
    },
    "repair": {
        "sha256": digest("frame 1"),
        "volume": WORKING,
        "path": "originals/100STUDI/Größe_0001.0badc0de.DNG",
        "pass": 1,
        "from_volume": BACKUP,
        "aside": "aside/Größe_0001.0badc0de.DNG",
    },
    "identified": {
        "frame": 1,
        "type": "DNG",
        "camera": "Simulated camera",
        "serial": "0001",
        "counter": 4711,
        "captured": "2026:11:25 10:03:17",
        "lens": "85 mm",
        "width": 240,
        "height": 160,
        "orientation": 1,
        "exposure": {"f_number": 8, "shutter_s": 0.00625, "iso": 100, "focal_length_mm": 85},
    },
    "undecodable": {"frame": 1, "reason": "the file ends before its picture does"},
    "unshowable": {"frame": 1, "reason": "it holds no preview either"},
    "set_up": {"frame": 1, "revision": 1, "set_up": "bench"},
    "reading": {
        "frame": 1,
        "method": 1,
        "exposure_stops": 0.25,
        "clipped": {"red": 0.001, "green": 0, "blue": None},
        "headroom_stops": 1.5,
        "sharpness": 0.42,
        "findings": ["Red is clipped in 0.1 % of the picture."],
    },
    "proof": {
        "frame": 1,
        "look": "hard-mono",
        "look_sha256": HARD,
        "path": "proofs/0001.jpg",
        "sha256": digest("proof 1"),
        "picture": "raw",
        "warning": None,
        "width": 240,
        "height": 160,
    },
    "contact_sheet": {
        "revision": 1,
        "inputs": digest("inputs"),
        "frames": 1,
        "pdf": {"path": "proofs/contact.pdf", "sha256": digest("contact pdf")},
        "jpeg": {"path": "proofs/contact.jpg", "sha256": digest("contact jpeg")},
    },
    "selects_round": {"round": "edit", "state": "opened", "person": PHOTOGRAPHER},
    "mark": {
        "round": "edit",
        "frame": 1,
        "person": PHOTOGRAPHER,
        "revision": 1,
        "verdict": "select",
        "hero": False,
        "remark": None,
    },
    "hand_off": {"round": "edit", "files": [{"frame": 1, "path": "handoff/edit/1.xmp", "sha256": digest("xmp 1")}]},
    "note": {"frame": 1, "note": "n-0000000001", "person": PHOTOGRAPHER, "region": CHEEK, "instruction": "Soften."},
    "brief": {
        "frame": 1,
        "round": 1,
        "path": "retouch/0001/round-1",
        "sha256": digest("brief 1.1"),
        "notes": ["n-0000000001"],
        "grader": PHOTOGRAPHER,
        "standing": ["Keep pores and lines."],
        "base": {
            "path": "retouch/0001/round-1/base.tif",
            "sha256": digest("base 1.1"),
            "size": 230_400,
            "width": 240,
            "height": 160,
            "bits": 16,
            "profile": "ROMM RGB",
        },
    },
    "hand_out": {"frame": 1, "round": 1, "revision": 1, "retoucher": RETOUCHER, "due": "2026-12-01"},
    "take_back": {
        "frame": 1,
        "round": 1,
        "sha256": digest("return 1.1"),
        "size": 230_400,
        "name": "0001 retouched.tif",
        "path": "retouch/0001/round-1/return.3badc0de.tif",
        "accepted": True,
        "causes": [],
        "notes": [{"note": "n-0000000001", "changed": True, "changed_fraction": 0.75}],
        "outside": {"changed_fraction": 0.001, "boxes": [[1, 2, 3.5, 4]]},
    },
    "final": {
        "frame": 1,
        "final": "print",
        "round": 1,
        "look": "lifted-mono",
        "look_sha256": LIFTED,
        "sha256": digest("final 1 print"),
        "path": "finals/0001_print.tif",
        "size": 230_400,
        "width": 240,
        "height": 160,
        "bits": 16,
        "profile": "ROMM RGB",
        "sources": [digest("return 1.1")],
    },
    "sign_off": {"frame": 1, "final": "print", "final_sha256": digest("final 1 print"), "person": PHOTOGRAPHER},
    "delivery": {
        "delivery": 1,
        "client": "Sorrel Lane Instruments",
        "specification": "yearbook-print",
        "specification_sha256": PRINT,
        "licence": {"client": "Sorrel Lane Instruments", "terms": "Printed yearbook 2027."},
        "folder": "deliveries/0001",
        "bag_sha256": digest("bag 1"),
        "files": [
            {
                "name": "2611-04_0001_print.tif",
                "sha256": digest("delivered 1 print"),
                "size": 115_200,
                "frame": 1,
                "final": "print",
                "final_sha256": digest("final 1 print"),
                "width": 240,
                "height": 160,
            }
        ],
    },
    "hand_over": {
        "delivery": 1,
        "place": "/clients/sorrel",
        "person": PHOTOGRAPHER,
        "receipt": {"path": "deliveries/0001.receipt.json", "sha256": digest("receipt 1")},
        "receipt_pdf": {"path": "deliveries/0001.receipt.pdf", "sha256": digest("receipt pdf 1")},
    },
    "decode_attempt": {
        "frame": 1,
        "attempt": 1,
        "limit_seconds": 120,
        "limit_mb": 2048,
        "outcome": "stopped",
        "reason": "The decoder was not done after 120 s.",
    },
    "withdrawal": {"frame": 1, "note": "n-0000000001", "revision": 1, "withdrawn": True, "reason": "It is meant so."},
    "review": {
        "frame": 1,
        "round": 1,
        "sha256": digest("return 1.1"),
        "revision": 1,
        "accepted": True,
        "why": None,
        "text": "The collar is better so.",
    },
    "crop": {"frame": 1, "revision": 1, "specification": None, "crop": UPRIGHT},
    "call_off": {"frame": 1, "round": 1, "reason": "The client wants it as it is."},
    "card": {"card": "A7", "revision": 1, "state": "issued", "camera": "0001", "person": PHOTOGRAPHER},
    "clock": {"serial": "0001", "revision": 1, "offset_s": -62.5, "how": "measured", "frame": 1},
    "purpose": {"frame": 1, "revision": 1, "purpose": "grey_card"},
    "on_set": {"revision": 1, "set_up": "bench", "arrangement": 1, "purpose": "picture"},
    "carrier": {"volume": BACKUP, "revision": 1, "person": PHOTOGRAPHER},
    "block": {"frame": 1, "revision": 1, "blocked": True, "reason": "the sitter refused"},
    "holding": {"sha256": digest("receipt 1"), "size": 900, "path": "deliveries/0001.receipt.json", "role": "receipt"},
}
"""One fact of each kind, all about frame 1, that a test alters where it matters."""


def a_fact(kind: str, **fields: Any) -> Fact:
    made: Fact = json.loads(json.dumps({"kind": kind, **TEMPLATES[kind], **fields}))
    return made


def a_frame(number: int, **fields: Any) -> Fact:
    """Another new frame."""
    return a_fact("frame", frame=number, sha256=digest(f"frame {number}"), **fields)


def adopted(name: str, content: dict[str, Any], revision: int = 1) -> Fact:
    return a_fact("adopted", document=name, revision=revision, sha256=document_digest(content), content=content)


def adoptions() -> list[Fact]:
    """The job sheet that comes with glassine, with the looks and specifications it names."""
    found = [adopted("job-sheet", shipped("job_sheet.example"))]
    found += [
        adopted(f"look/{name}", shipped(f"looks/{name}")) for name in ("hard-mono", "lifted-mono", "plain-colour")
    ]
    found += [
        adopted(f"specification/{name}", shipped(f"specifications/{name}"))
        for name in ("yearbook-print", "screen-2048")
    ]
    return found


def the_batches(photographer: str, retoucher: str) -> list[Batch]:
    """Three frames from the card to the receipt, in facts of all kinds: event and facts of each entry after the first."""
    frames = [a_fact("frame"), a_frame(2, name="B.DNG"), a_frame(3, name="C.DNG", folder="")]
    copies = [
        a_fact("copy", sha256=fact["sha256"], path=fact["path"], volume=volume)
        for fact in frames
        for volume in (WORKING, BACKUP)
    ]
    rotten = {"sha256": digest("frame 2"), "volume": BACKUP}
    mine = {"person": photographer}
    return [
        ("policy assignment", adoptions()),
        ("policy assignment", [a_fact("volume"), a_fact("volume", volume=BACKUP, name="backup", medium="disk 2")]),
        ("ingestion", [*frames, a_fact("companion"), a_fact("stray"), *copies, a_fact("seen")]),
        (
            "metadata extraction",
            [
                a_fact("identified"),
                a_fact("identified", frame=2, camera=None, counter=None, lens=None),
                a_fact("undecodable", frame=3),
            ],
        ),
        (
            "creation",
            [
                a_fact("proof"),
                a_fact("reading"),
                a_fact("proof", frame=2, sha256=digest("proof 2"), picture="embedded preview", warning="A preview."),
                a_fact("reading", frame=2, exposure_stops=-0.5),
                a_fact("unshowable", frame=3),
            ],
        ),
        ("creation", [a_fact("contact_sheet", frames=2)]),
        (
            "appraisal",
            [a_fact("set_up"), a_fact("set_up", frame=2), a_fact("set_up", frame=2, revision=2, set_up=None)],
        ),
        (
            "fixity check",
            [
                a_fact("fixity_pass"),
                a_fact("read_back"),
                a_fact("read_back", **rotten, outcome="differs", found=digest("rotten")),
            ],
        ),
        ("recovery", [a_fact("repair", **rotten, from_volume=WORKING), a_fact("fixity_pass", state="closed")]),
        (
            "appraisal",
            [a_fact("selects_round", **mine), a_fact("mark", **mine, hero=True, remark="Keep “this” one – ßø.")],
        ),
        (
            "appraisal",
            [
                a_fact("mark", **mine, frame=2, verdict="hold"),
                a_fact("mark", **mine, frame=2, verdict="out", revision=2, region=NECK),
            ],
        ),
        ("appraisal", [a_fact("selects_round", **mine, state="closed")]),
        ("exporting", [a_fact("hand_off")]),
        ("information package creation", [a_fact("note", **mine), a_fact("brief", grader=photographer)]),
        ("transfer", [a_fact("hand_out", retoucher=retoucher)]),
        ("quality review", [a_fact("take_back", sha256=digest("bad"), accepted=False, causes=["It has 8 bits."])]),
        ("quality review", [a_fact("take_back")]),
        ("creation", [a_fact("final"), a_final("colour", "plain-colour", COLOUR)]),
        (
            "quality review",
            [
                a_fact("sign_off", **mine),
                a_fact("sign_off", **mine, final="colour", final_sha256=digest("final 1 colour")),
            ],
        ),
        ("information package creation", [a_fact("delivery")]),
        ("dissemination", [a_fact("hand_over", **mine), a_fact("holding")]),
        ("policy assignment", [a_fact("block", frame=2)]),
        ("policy assignment", [a_fact("block", frame=2, revision=2, blocked=False, reason="the release is signed")]),
    ]


def the_later_batches(photographer: str, retoucher: str) -> list[Batch]:
    """What goes on after `the_batches`, in the kinds and fields that fold version 2 brought."""
    mine = {"person": photographer}
    collar, lint = "Collar crooked.", "Lint on the sleeve – links."
    drafts = [note_id(2, photographer, "remark", collar), note_id(2, retoucher, "remark", lint)]
    client = {"round": "client", "frame": 2, "fixable": True}
    stopped = {"frame": 4, "reason": "The decoder was not done after 120 s."}
    second = {"frame": 2, "round": 2}
    flat = {"path": "retouch/0002/round-2/flat.tif", "sha256": digest("flat 2.2"), **SIZED}
    donor = {"path": "retouch/0002/round-1/donor-0004.tif", "sha256": digest("base 4"), **SIZED}
    extras = [
        {"use": "donor", "name": "0004", "frame": 4, "exposure_stops": None, **donor},
        {"use": "rendering", "name": "shadows", "frame": 2, "exposure_stops": 1.5, **donor},
        {"use": "original", "name": "B.DNG", "frame": 2, "exposure_stops": None, **donor, **UNKNOWN},
    ]
    final = {
        "frame": 2,
        "round": 2,
        "sha256": digest("final 2 print"),
        "sources": [flat["sha256"]],
        "frames": [2, 4, 5],
    }
    file = {**TEMPLATES["delivery"]["files"][0], "frame": 2, "frames": [2, 4, 5], "final_sha256": final["sha256"]}
    signed = {"frame": 2, "final_sha256": final["sha256"], **mine}
    return [
        ("ingestion", [a_frame(4, name="D.DNG"), a_frame(5, name="E.DNG")]),
        ("validation", [a_fact("decode_attempt", **stopped), a_fact("decode_attempt", **stopped, attempt=2)]),
        (
            "validation",
            [
                a_fact("decode_attempt", frame=4, attempt=3, limit_seconds=600.5, outcome="decoded", reason=None),
                a_fact("decode_attempt", frame=5, limit_mb=4096),
                a_fact("decode_attempt", frame=5, attempt=2, outcome="refused", reason="The file ends early."),
            ],
        ),
        (
            "appraisal",
            [
                a_fact("selects_round", **mine, round="client"),
                a_fact("mark", **mine, **client, remark=collar, region=NECK),
                a_fact("mark", **client, person=retoucher, remark=lint),
                a_fact("mark", **client, person=retoucher, remark="Dust by the shoe.", revision=2),
            ],
        ),
        ("appraisal", [a_fact("selects_round", **mine, round="client", state="closed")]),
        (
            "appraisal",
            [
                a_fact(
                    "note",
                    **mine,
                    frame=2,
                    region=NECK,
                    draft=drafts[0],
                    donors=[{"frame": 4, "region": CHEEK}, {"frame": 5, "region": None}],
                ),
                a_fact("note", **mine, frame=2, note="n-0000000002"),
                a_fact("withdrawal", frame=2, note=drafts[1]),
                a_fact("withdrawal", frame=2, note="n-0000000002"),
                a_fact("withdrawal", frame=2, note="n-0000000002", revision=2, withdrawn=False, reason="Do it."),
            ],
        ),
        (
            "information package creation",
            [
                a_fact(
                    "brief",
                    frame=2,
                    grader=None,
                    notes=["n-0000000001", "n-0000000002"],
                    level={"name": "portrait", "instruction": "Skin stays skin."},
                    extras=extras,
                    cause=None,
                    base_round=0,
                )
            ],
        ),
        ("transfer", [a_fact("hand_out", frame=2, retoucher=retoucher)]),
        (
            "quality review",
            [
                a_fact("take_back", frame=2, sha256=digest("8 bits"), accepted=False, faults=[TECHNICAL]),
                a_fact("take_back", frame=2, sha256=digest("return 2.1"), accepted=False, faults=[UNDONE]),
            ],
        ),
        (
            "information package creation",
            [
                a_fact(
                    "brief",
                    **second,
                    path="retouch/0002/round-2",
                    level=None,
                    cause={"why": "missed note", "text": UNDONE["text"], "return": digest("return 2.1")},
                )
            ],
        ),
        ("transfer", [a_fact("hand_out", **second, retoucher=retoucher, due=None)]),
        (
            "quality review",
            [
                a_fact(
                    "take_back",
                    **second,
                    sha256=digest("return 2.2"),
                    faults=[],
                    to_review=True,
                    flat=flat,
                    hours=2.5,
                    remarks=["It came with an extra channel, which was left out."],
                    used=[5],
                )
            ],
        ),
        ("quality review", [a_fact("review", **second, sha256=digest("return 2.2"))]),
        (
            "appraisal",
            [
                a_fact("crop", frame=2),
                a_fact("crop", frame=2, revision=2, specification="yearbook-print", crop=SQUARE),
                a_fact("crop", frame=2, revision=3, specification="screen-2048", crop=None),
            ],
        ),
        ("creation", [a_fact("final", **final)]),
        ("quality review", [a_fact("sign_off", **signed, crop=3)]),
        ("information package creation", [a_fact("delivery", delivery=2, files=[{**file, "crop": SQUARE}])]),
        ("dissemination", [a_fact("hand_over", **mine, delivery=2)]),
        (
            "quality review",
            [
                a_fact(
                    "review",
                    **second,
                    sha256=digest("return 2.2"),
                    revision=2,
                    accepted=False,
                    why="client's change",
                    text="Hair over the ear after all.",
                )
            ],
        ),
        (
            "information package creation",
            [
                a_fact(
                    "brief",
                    frame=2,
                    round=3,
                    path="retouch/0002/round-3",
                    cause={
                        "why": "client's change",
                        "text": "Hair over the ear after all.",
                        "return": digest("return 2.2"),
                    },
                    base_round=2,
                )
            ],
        ),
        ("transfer", [a_fact("hand_out", frame=2, round=3, retoucher=retoucher)]),
        ("transfer", [a_fact("call_off", frame=2, round=3, reason="The client wants it as it was – leave it.")]),
        ("quality review", [a_fact("review", **second, sha256=digest("return 2.2"), revision=3)]),
        (
            "appraisal",
            [
                a_fact("selects_round", **mine, round="spread"),
                a_fact("selects_round", **mine, round="cover"),
                a_fact("mark", **mine, round="spread", frame=4),
                a_fact("mark", **mine, round="cover", frame=4, verdict="out"),
                a_fact("selects_round", **mine, round="cover", state="closed"),
            ],
        ),
        ("appraisal", [a_fact("selects_round", **mine, round="spread", state="closed")]),
    ]


def the_shoot_batches(photographer: str, assistant: str) -> list[Batch]:
    """Another day of the shoot, in the kinds and fields that fold version 3 brought."""
    shot = [
        (6, 9998, "2026-11-26T10:03:16.25+01:00"),
        (7, 9999, "2026-11-26T10:03:17.75+01:00"),
        (8, 9999, "2026-11-26T10:03:17"),  # the same exposure, from the card
        (9, 3, "2026-11-26T10:03:20"),
    ]
    scope = {
        "older_than_days": 7.5,
        "before": "2026-11-19T21:00:00.000000Z",
        "sample": 3,
        "of": 11,
        "seed": "0f3c2a91d7b45e68",
    }
    return [
        (
            "metadata modification",
            [
                a_fact("on_set", purpose="test"),
                a_fact("on_set", revision=2, set_up=None),
                a_fact("on_set", revision=3, arrangement=2),
            ],
        ),
        (
            "transfer",
            [a_fact("card", person=assistant), a_fact("card", card="b_1-2", camera=None, person=photographer)],
        ),
        ("ingestion", [a_frame(number, name=f"F{counter:04d}.DNG") for number, counter, _ in shot]),
        (
            "metadata extraction",
            [
                a_fact("identified", frame=number, serial="0002 ß", counter=counter, captured=captured)
                for number, counter, captured in shot
            ],
        ),
        (
            "appraisal",
            [
                a_fact("set_up", frame=6),
                a_fact("set_up", frame=7, arrangement=2),
                a_fact("set_up", frame=6, revision=2, arrangement=3),
            ],
        ),
        (
            "metadata modification",
            [
                a_fact("purpose", frame=6),
                a_fact("purpose", frame=7, purpose="test"),
                a_fact("purpose", frame=7, revision=2, purpose="picture"),
            ],
        ),
        (
            "metadata modification",
            [
                a_fact("clock", frame=None, how="typed", offset_s=3600),
                a_fact("clock", serial="0002 ß", frame=6),
                a_fact("clock", revision=2, offset_s=0.125),
            ],
        ),
        (
            "transfer",
            [
                a_fact("card", revision=2, state="returned", person=assistant),
                a_fact("card", revision=3, state="taken_in", camera=None, person=None),
            ],
        ),
        ("transfer", [a_fact("card", revision=4, camera="0002 ß", person=assistant)]),
        (
            "fixity check",
            [
                a_fact("fixity_pass", **{"pass": 2}, scope=None),
                a_fact("fixity_pass", **{"pass": 2}, state="closed"),
                a_fact("fixity_pass", **{"pass": 3}, scope=scope),
                a_fact("fixity_pass", **{"pass": 3}, state="closed", scope=None),
            ],
        ),
        (
            "fixity check",
            [a_fact("fixity_pass", **{"pass": 4}, scope=dict.fromkeys(scope) | {"older_than_days": 0})],
        ),
        (
            "transfer",
            [a_fact("carrier", person=assistant), a_fact("carrier", volume=WORKING, person=None)],
        ),
        ("transfer", [a_fact("carrier", revision=2, person=photographer)]),
    ]


def a_final(name: str, look: str, look_sha256: str, **fields: Any) -> Fact:
    return a_fact(
        "final",
        **{
            "final": name,
            "look": look,
            "look_sha256": look_sha256,
            "sha256": digest(f"final 1 {name}"),
            "path": f"finals/0001_{name}.tif",
            **fields,
        },
    )


@pytest.fixture(scope="session")
def fact() -> Callable[..., Fact]:
    """A fact of a kind, about frame 1 unless told otherwise."""
    return a_fact


@pytest.fixture(scope="session")
def sheet_facts() -> list[Fact]:
    """The facts that adopt the job sheet and what it names."""
    return adoptions()


@pytest.fixture(scope="session")
def batches() -> list[Batch]:
    """A small job told in facts of all kinds."""
    told = the_batches, the_later_batches, the_shoot_batches
    return [batch for tell in told for batch in tell(PHOTOGRAPHER, RETOUCHER)]


@pytest.fixture(scope="session")
def fold() -> Callable[[Iterable[Fact]], Manifest]:
    """The manifest after some facts, with the job's own fact before them."""

    def fold_facts(facts: Iterable[Fact]) -> Manifest:
        manifest = Manifest()
        for each in (a_fact("job"), *facts):
            apply_fact(manifest, json.loads(json.dumps(each)), Occasion(AT, PHOTOGRAPHER))
        return manifest.compute()

    return fold_facts


@pytest.fixture(scope="session")
def make_job() -> Callable[[Path, list[Batch]], JobRecord]:
    """A job in a folder, with an entry for each batch."""

    def make(folder: Path, told: list[Batch]) -> JobRecord:
        record = create_job(folder, JOB, by="Imre Falk")
        for count, (event, facts) in enumerate(told):
            at = f"2026-11-25T10:{count // 60:02d}:{count % 60:02d}.000000Z"
            record.commit(lambda _, facts=facts: facts, by=PHOTOGRAPHER, event=event, at=at)  # type: ignore[misc]
        return record

    return make


def write_fixture(folder: Path) -> None:
    """Make `fixtures/record_format_1_fold_3` anew; README.md there says when (never, once it is committed)."""
    job = folder / "job"
    job.mkdir(parents=True)
    (job / "people.json").write_bytes(canonical_bytes({"format": 1, "salt": "0f" * 16, "people": {}}))
    people = People(job / "people.json")
    photographer, retoucher = people.person_of("Imre Falk"), people.person_of("Noa Lind")
    record = JobRecord(job)
    told: list[Batch] = [("accession", [a_fact("job")]), *the_batches(photographer, retoucher)]
    told += [*the_later_batches(photographer, retoucher), *the_shoot_batches(photographer, retoucher)]
    for count, (event, facts) in enumerate(told):
        at = f"2026-11-25T{9 + count // 6:02d}:{count % 6}0:00.{count:06d}Z"
        record.commit(lambda _, facts=facts: facts, by=photographer, event=event, at=at)  # type: ignore[misc]
        if count == len(told) // 2:
            record.checkpoint()
    head = record.manifest().head
    kept = {"format": 1, "job": JOB, "entry": head.entry, "sha256": head.sha256, "at": "2026-11-26T09:00:00Z"}
    (job / "heads").mkdir()
    (job / "heads" / f"{head.entry:08d}-{head.sha256[:8]}.json").write_bytes(canonical_bytes(kept))
    (job / "job.json").write_bytes(canonical_bytes(shipped("job_sheet.example")))
    (folder / "expected_manifest.json").write_bytes(
        (json.dumps(record.manifest().document, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()
    )
