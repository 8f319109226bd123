"""Status: where everything stands, from the record alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.status import status
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document

Run = Callable[..., Document]
JOB = "2611-04"


SHEET = "1 contact sheet to make"
"""A mark, or a verdict, is drawn on it."""


@pytest.mark.parametrize(
    ("stage", "stages", "due"),
    [
        ("opened", {}, []),
        ("ingested", {"received": 4}, ["4 proofs to make"]),
        ("proofed", {"proofed": 4}, []),
        ("closed", {"out": 1, "held": 1, "selected": 2}, [SHEET]),
        ("handed out", {"out": 1, "held": 1, "selected": 1, "handed out": 1}, [SHEET]),
        ("returned", {"out": 1, "held": 1, "selected": 1, "returned": 1}, [SHEET, "2 finals to render"]),
        ("signed", {"out": 1, "held": 1, "signed off": 2}, [SHEET, "2 deliveries to send"]),
        ("delivered", {"out": 1, "held": 1, "delivered": 2}, [SHEET]),
    ],
)
def test_stages_and_what_is_due(
    at: Callable[[str], Studio], stage: str, stages: dict[str, int], due: list[str]
) -> None:
    found = status(at(stage), JOB)
    assert (found["stages"], found["due"]) == (stages, due)
    assert (found["owed_copies"], found["bad_copies"], found["late"]) == (0, 0, [])
    assert found["said"][0].startswith(f"{JOB}  Makers' portraits")


def test_it_only_reads(at: Callable[[str], Studio], contents: Callable[[Path], dict[str, str]]) -> None:
    studio = at("signed")
    (studio.job_folder(JOB) / "manifest.json").unlink()
    before = contents(studio.folder.parent)
    status(studio, None)
    assert contents(studio.folder.parent) == before


def test_bad_copies_owed_copies_and_lateness_are_said(
    at: Callable[[str], Studio], run: Run, manifest_of: Callable[..., object]
) -> None:
    studio = at("handed out")
    run("retouch.hand_out", studio, frames=[1], retoucher="Noa Lind", due="2020-01-01")
    (backup,) = studio.backups()[0]
    next((backup.job_folder(JOB) / "originals").rglob("SIMU0002.*.DNG")).unlink()
    run("verify", studio)
    found = status(studio, JOB)
    assert (found["bad_copies"], found["late"]) == (1, ["0001"])
    assert any("verify 2611-04 --repair" in line for line in found["said"])
    assert any("2020-01-01 (late)" in wait["what"] for wait in found["waits"])


def test_absent_volume_leaves_copies_owed(at: Callable[[str], Studio], run: Run, card: Path) -> None:
    studio = at("opened")
    (backup,) = studio.backups()[0]
    backup.root.rename(backup.root.with_name("unplugged"))
    run("ingest", studio, sources=[str(card)])
    found = status(studio, JOB)
    assert found["owed_copies"] == 8
    assert any("do not format the card" in line for line in found["said"])


def test_no_job_and_unknown_job(studio: Studio) -> None:
    assert status(studio, None)["said"] == ["No job yet: open one with `glassine job open NUMBER --client NAME`."]
    with pytest.raises(CallError, match="There is no job 2611-04") as unknown:
        status(studio, JOB)
    assert unknown.value.code == "W002"
