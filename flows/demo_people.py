"""The people of the demo, and what they want: its job sheet, its marks, its notes. Everybody here is invented."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from typing import Any, NamedTuple

from glassine.flows.demo_shoot import DONOR, HERO, HERO_NOTES, frames_by_sitter, job_sheet_set_ups, truth
from glassine.schemas.validation import Document
from glassine.tasks.handoff.annotation import write_region

JOB = "2611-04"
PHOTOGRAPHER, MANAGER = "Imre Falk", "Tove Abel"
CLIENT, MUSEUM = "Sorrel Lane Instruments", "Quern Street Museum of Strings"
EDITOR, BOARD = "Hanne Vell", "Osric Dunn"
"""At the client's: who lays out the yearbook, and who has the last word."""
SITTER, OTHER_SITTER = "Ada Quill", "Joss Wend"
RETOUCHER, SECOND_RETOUCHER = "Noa Lind", "Pell Marrow"

HERO_FRAME, DONOR_FRAME = HERO + 1, DONOR + 1
SECOND_FRAME = 23
"""The second select that is retouched."""
REFUSED_FRAME = frames_by_sitter()[OTHER_SITTER][0] + 1
"""Its sitter asks not to be shown, after the photographer chose it."""
SELECTS = [HERO_FRAME, 11, 15, SECOND_FRAME, 28]
CROPPED = 15
EDIT, CHOICE, SECOND_THOUGHTS = "photographer's edit", "client's choice", "second thoughts"

BROW = {"shape": "ellipse", "x": 44.0, "y": 26.5, "width": 16.0, "height": 5.5}
"""On the second select: a shine on the brow."""
NECK = {"shape": "ellipse", "x": 42.0, "y": 60.5, "width": 12.0, "height": 4.0}
"""On the hero frame, what the retoucher touches though nobody asked."""
UNDER_EYE = {"shape": "ellipse", "x": 41.0, "y": 39.5, "width": 11.0, "height": 3.0}
"""On the hero frame, what the client wants softer when all was done."""


class Mark(NamedTuple):
    """One mark of the cull as it is typed."""

    listed: str
    by: str
    remark: str | None = None
    region: str | None = None
    fixable: bool = False


def marks() -> dict[str, list[Mark]]:
    """The three rounds of the cull, mark by mark."""
    others = f"0011, 0015, {REFUSED_FRAME:04d}, {SECOND_FRAME:04d}, 0028; hold 0005-0006, hold 0027"
    hero = f"hero {HERO_FRAME:04d}"
    lint = write_region(truth(HERO)["lint"])
    return {
        EDIT: [
            Mark(others, PHOTOGRAPHER, "eyes and hands"),
            Mark(hero, PHOTOGRAPHER, HERO_NOTES["lint"], lint, fixable=True),
            Mark("out 0004, out 0021", PHOTOGRAPHER, "eyes shut"),
            Mark("out 0008", PHOTOGRAPHER, "the main light did not fire"),
            Mark("out 0010", PHOTOGRAPHER, "soft"),
        ],
        CHOICE: [
            Mark(f"{HERO_FRAME:04d}, 0011, {SECOND_FRAME:04d}, 0028", EDITOR),
            Mark("0015", EDITOR, "the instrument reads well"),
            Mark("out 0015", BOARD, "too dark for the page"),
        ],
        SECOND_THOUGHTS: [Mark("0015", BOARD, "agreed, with a tighter crop")],
    }


def hero_notes() -> list[str]:
    """The notes of the brief as they are typed; the lint is a remark of the cull, and is confirmed instead."""
    found = truth(HERO)
    words = [f"{write_region(found[name])} | {text}" for name, text in HERO_NOTES.items() if name != "lint"]
    return [f"{text} | from {DONOR_FRAME:04d}" if "donor" in text else text for text in words]


def job_sheet() -> Document:
    """The job sheet of the yearbook: three set-ups, three who receive, each under a licence of their own."""
    sheet: dict[str, Any] = json.loads((files("glassine.config") / "job_sheet.example.json").read_text("utf-8"))
    today = datetime.now(UTC).date()
    years = {"from": f"{today.year}-01-01", "until": f"{today.year + 2}-12-31"}
    due = (today + timedelta(days=20)).isoformat()
    sheet["set_ups"] = job_sheet_set_ups()
    sheet["licences"] = [
        *({**licence, **years} for licence in sheet["licences"]),
        {"client": MUSEUM, "terms": "Permanent collection and its catalogue, no advertising.", "from": years["from"]},
        {"client": SITTER, "terms": "Private use and own web page, with credit; no sale.", **years},
    ]
    sheet["deliverables"] = [
        {"client": CLIENT, "specification": "yearbook-print", "finals": ["print"], "due": due},
        {"client": CLIENT, "specification": "screen-2048", "finals": ["colour"], "due": due},
    ]
    sheet["due"] = due
    return sheet
