"""The manifest of a job: the fold of its record, in memory and as the checkpoint `manifest.json`."""

from __future__ import annotations

import hashlib
import json
import statistics
from pathlib import Path
from typing import Any

from glassine.schemas.balance import balance_of, proof_key
from glassine.schemas.durable_file import replace_file
from glassine.schemas.entry import EMPTY, FORMAT, Head
from glassine.schemas.errors import CallError
from glassine.schemas.exposure import same_exposures, taken_at
from glassine.schemas.identifiers import note_id, print_frame
from glassine.schemas.stage import Frame, is_selected, last_return, stage_of, was_back
from glassine.schemas.validation import Document, check_document, is_valid_document

FOLD_VERSION = 4
"""Counts changes of the manifest's shape; a checkpoint of another version is folded again."""
CHECKPOINT = "manifest.json"


class Manifest:
    """The state of every frame of a job, with indexes by digest and number.

    `document` is the JSON document of manifest.schema.json; computed fields (stages, selections, staleness, times
    by the true clock, same exposures) are right after `compute`.
    """

    def __init__(self, document: Document | None = None) -> None:
        self.document: Document = document or _empty()
        self.by_number: dict[int, Frame] = {frame["frame"]: frame for frame in self.frames}
        self.by_sha256: dict[str, Frame] = {frame["sha256"]: frame for frame in self.frames}

    @property
    def frames(self) -> list[Frame]:
        """All frames, by number."""
        frames: list[Frame] = self.document["frames"]
        return frames

    @property
    def head(self) -> Head:
        """The entry up to which this is the fold."""
        return Head(**self.document["head"])

    @property
    def job(self) -> str:
        """The job's number; empty before the first entry."""
        return str(self.document["job"])

    def frame(self, number: int) -> Frame:
        """A frame by its number, or CallError W002."""
        if number not in self.by_number:
            numbers = sorted(self.by_number)
            has = f"it has {print_frame(numbers[0])} to {print_frame(numbers[-1])}" if numbers else "it has none yet"
            raise CallError(
                "W002",
                f"Job {self.job} has no frame {print_frame(number)} ({has}): `glassine job frames {self.job}` lists them.",
            )
        return self.by_number[number]

    def adopted(self, document: str) -> Document | None:
        """The adopted document of that name (`job-sheet`, `look/NAME`, ...): its `content`, `sha256`, `revision`."""
        found: Document | None = self.document["documents"].get(document)
        return found

    @property
    def sheet(self) -> Document:
        """The adopted job sheet."""
        found = self.adopted("job-sheet")
        return found["content"] if found else {}

    def holder(self, sha256: str) -> Document | None:
        """Whatever holds the `copies` of a file: a frame, or one of `files`."""
        return self.by_sha256.get(sha256) or self.document["files"].get(sha256)

    def every_file(self) -> list[tuple[str, Document]]:
        """Digest and holder of everything under the copy rule: originals first, by number, then the rest."""
        return [(frame["sha256"], frame) for frame in self.frames] + sorted(self.document["files"].items())

    def selects_round(self, name: str) -> Document | None:
        """A round of the cull by its name."""
        return next((found for found in self.document["selects_rounds"] if found["round"] == name), None)

    def compute(self) -> Manifest:
        """Bring the computed fields up to date; returns self."""
        preview = self.adopted(f"look/{self.sheet.get('preview_look')}")
        same = same_exposures(self.frames)
        for frame in self.frames:
            frame["taken"] = self._taken(frame)
            frame["same_exposure"] = same.get(frame["frame"])
            frame["selection"] = self._selection(frame["frame"])
            frame["balance"] = balance_of(self.document["balances"], frame)
            frame["proof"] = frame["proofs"].get(proof_key(preview["sha256"], frame["balance"])) if preview else None
            frame["drafts"] = self._drafts(frame) if is_selected(frame) else []
            self._find_stale(frame)
            frame["stage"] = stage_of(frame)
        self._compare_within_set_ups()
        return self

    def _taken(self, frame: Frame) -> str | None:
        clock = self.document["clocks"].get(frame["serial"])
        return taken_at(frame["captured"], clock["offset_s"] if clock else 0)

    def _selection(self, number: int) -> Document | None:
        key = str(number)
        marked = [found for found in self.document["selects_rounds"] if key in found["marks"]]
        closed = [found for found in marked if found["closed"]]
        if not marked:
            return None
        newest = max(closed, key=lambda found: int(found["closing"])) if closed else marked[-1]
        marks = newest["marks"][key]
        verdicts = {mark["verdict"] for mark in marks.values()}
        return {
            "round": newest["round"],
            "closed": newest["closed"] is not None,
            "verdict": verdicts.pop() if len(verdicts) == 1 else "conflict",
            "hero": any(mark["hero"] for mark in marks.values()),
            "marks": marks,
        }

    def _drafts(self, frame: Frame) -> list[Document]:
        """Fixable remarks on a select, of whichever round, that nobody has confirmed as notes or withdrawn."""
        settled = {note["draft"] for note in frame["notes"]}
        settled |= {note for note, found in frame["withdrawals"].items() if found["withdrawn"]}
        drafts = []
        for found in self.document["selects_rounds"]:
            for person, mark in found["marks"].get(str(frame["frame"]), {}).items():
                for said in mark["remarks"]:
                    draft = {
                        "note": note_id(frame["frame"], person, "remark", said["remark"]),
                        "round": found["round"],
                        "person": person,
                        "region": said["region"],
                        "instruction": said["remark"],
                        "at": said["at"],
                    }
                    if said["fixable"] and draft["note"] not in settled:
                        settled.add(draft["note"])
                        drafts.append(draft)
        return drafts

    def _find_stale(self, frame: Frame) -> None:
        """A final is stale unless it is of the round that was accepted last, in the look that is now named for it.

        One of the original itself is, too, once any round came back, since it was to be retouched, and when the frame's
        balance is another now; what a retoucher returned has the balance of its base file.
        """
        returned = last_return(frame)
        newest_round = returned["round"] if returned else 0
        named = {final["final"]: final["look"] for final in self.sheet.get("finals", [])}
        current: dict[str, Document] = {}
        for final in frame["finals"]:
            look = self.adopted(f"look/{named.get(final['final'], final['look'])}")
            final["stale"] = (
                final["round"] != newest_round
                or (final["round"] == 0 and (was_back(frame) or final.get("balance") != frame["balance"]))
                or (look is not None and look["sha256"] != final["look_sha256"])
            )
            if not final["stale"]:
                if final["final"] in current:
                    current[final["final"]]["stale"] = True
                current[final["final"]] = final

    def _compare_within_set_ups(self) -> None:
        """Pictures of one arrangement of one set-up with each other; tests and grey cards with none."""
        measured: dict[tuple[str | None, int], list[Frame]] = {}
        for frame in self.frames:
            if frame["reading"] and frame["reading"]["exposure_stops"] is not None:
                frame["reading"]["against_set_up_stops"] = None
                if frame["purpose"] == "picture":
                    measured.setdefault((frame["set_up"], frame["arrangement"]), []).append(frame)
        for frames in measured.values():
            middle = statistics.median(frame["reading"]["exposure_stops"] for frame in frames)
            for frame in frames:
                frame["reading"]["against_set_up_stops"] = round(frame["reading"]["exposure_stops"] - middle, 2)


def write_checkpoint(folder: Path, manifest: Manifest) -> None:
    """Write `manifest.json`, valid by its schema; its first line holds the digest of everything after it."""
    check_document(manifest.document, "manifest", label=str(folder / CHECKPOINT))
    body = json.dumps(manifest.document, ensure_ascii=False, separators=(",", ":")).encode()[1:] + b"\n"
    replace_file(folder / CHECKPOINT, b'{"checksum":"' + hashlib.sha256(body).hexdigest().encode() + b'",\n' + body)


def read_checkpoint(folder: Path) -> Manifest | None:
    """The manifest as it was last written, or None when there is none, or it is altered or of another version."""
    try:
        content = (folder / CHECKPOINT).read_bytes()
        first, _, body = content.partition(b"\n")
        if first != b'{"checksum":"' + hashlib.sha256(body).hexdigest().encode() + b'",':
            return None
        document: Any = json.loads(content)  # only after the digest fits: no parser meets garbage
    except (OSError, ValueError):
        return None
    if (
        document.pop("checksum", None) is None
        or document.get("fold") != FOLD_VERSION
        or not is_valid_document(document, "manifest")
    ):
        return None
    return Manifest(document)


def _empty() -> Document:
    return {
        "format": FORMAT,
        "fold": FOLD_VERSION,
        "job": "",
        "head": {"entry": EMPTY.entry, "sha256": EMPTY.sha256},
        "opened": "",
        "documents": {},
        "volumes": {},
        "frames": [],
        "strays": [],
        "files": {},
        "passes": {"opened": 0, "opened_at": None, "closed": 0, "closed_at": None, "scope": None},
        "cards": {},
        "clocks": {},
        "balances": [],
        "on_set": None,
        "carriers": {},
        "selects_rounds": [],
        "contact_sheet": None,
        "deliveries": [],
    }
