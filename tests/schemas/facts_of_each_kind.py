"""Facts of every kind, for the tests of the record."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from glassine.schemas.job_record import document_digest

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
    "balance": {
        "set_up": "bench",
        "arrangement": None,
        "camera": "Simulated Body",
        "revision": 1,
        "how": "grey card",
        "multipliers": [2.0625, 1, 1.5],
        "stops": 0.25,
        "frame": 1,
        "region": SQUARE["region"],
    },
    "exposure_match": {"frame": 1, "revision": 1, "how": "matched", "stops": -0.5, "to": 1},
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
