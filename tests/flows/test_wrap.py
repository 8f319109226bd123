"""The wrap: read from the record before anyone goes home, in a moment, with what must be done first."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from PIL import Image

from glassine.flows.card_log import issue_card
from glassine.flows.cli import main
from glassine.flows.clock import set_clock
from glassine.flows.frame_list import list_frames
from glassine.flows.studio import Studio
from glassine.flows.wrap import wrap
from glassine.schemas.errors import CallError, VolumeError
from glassine.schemas.identifiers import VOLUME_IDENTITY
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.delivery.exiftool import ExifTool
from glassine.tasks.imaging.simulated_camera import CaptureData, take_frame
from glassine.tasks.imaging.simulated_scene import render_scene
from glassine.tasks.imaging.simulated_set import Scene

Run = Callable[..., Document]
JOB, SERIAL = "2611-04", "GS-000117"
MANAGER, ASSISTANT = "Tove Abel", "Bo Ek"
TAKEN = datetime(2026, 11, 24, 14, 3, 20, tzinfo=timezone(timedelta(hours=1)))


def change_identity(studio: Studio, index: int, **fields: str) -> None:
    path = studio.volume_root(studio.settings["volumes"][index]) / VOLUME_IDENTITY
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), **fields}), encoding="utf-8")


def whats(report: Document, part: str = "reasons") -> list[str]:
    return [found["what"] for found in report[part]]


@pytest.fixture
def safe(at: Callable[[str], Studio]) -> Studio:
    """A studio with a card taken in, onto two media."""
    studio = at("ingested")
    change_identity(studio, 1, medium="disk 2 of the test")
    return studio


@pytest.fixture
def away(safe: Studio) -> Studio:
    """The same, with its backup volume taken away."""
    root = safe.volume_root(safe.settings["volumes"][1])
    root.rename(root.with_name("taken away"))
    return safe


def test_a_shoot_in_order_may_be_struck(safe: Studio) -> None:
    report = wrap(safe, JOB)
    assert (report["may_be_struck"], report["status"], report["problems"]) == (True, 0, [])
    assert report["said"][0] == "The studio may be struck, as far as the record knows."
    told = "\n".join(report["said"])
    assert f"body {SERIAL}" in told
    assert "counters 0001 to 0004: see that it shows no later one" in told
    assert "cards: none was issued" in told
    assert "No picture, but kept: NOTES.TXT" in told
    assert "no copy is owed to any volume" in told


def test_it_only_reads(safe: Studio, contents: Callable[[Path], dict[str, str]]) -> None:
    before = contents(safe.folder.parent)
    wrap(safe, JOB)
    assert contents(safe.folder.parent) == before


def test_a_backup_that_cannot_be_read_is_named_and_counts_as_absent(
    safe: Studio, make_unreadable: Callable[[Path], None]
) -> None:
    make_unreadable(safe.volume_root(safe.settings["volumes"][1]) / JOB / "heads")
    report = wrap(safe, JOB)
    assert any(line.startswith("  Volume backup at ") and "cannot be read" in line for line in report["said"])
    assert (report["problems"], report["bodies"][0]["frames"]) == ([], 4)
    carried = wrap(safe, JOB, carries=[f"backup={ASSISTANT}"], by=MANAGER)
    assert carried["problems"] == [], "told in the report, and no reason to fail"
    assert [(volume["volume"], volume["is_here"], volume["person"]) for volume in carried["off_site"]] == [
        ("backup", False, ASSISTANT)
    ]


def test_everything_that_is_amiss_is_said_with_what_to_do(at: Callable[[str], Studio]) -> None:
    studio = at("opened")
    issue_card(studio, JOB, "A7", camera="body A", person=ASSISTANT, by=MANAGER)
    report = wrap(studio, JOB)
    assert (report["may_be_struck"], report["status"]) == (False, 1)
    assert report["said"][0] == "Do not strike the studio yet, as far as the record knows: 2 reasons."
    assert whats(report) == ["Nothing has been taken in", "Card A7, issued to body A, has not come back"]
    assert "card A7: out, body A, Bo Ek" in "\n".join(report["said"])
    assert report["cards"][0]["person"] == ASSISTANT


def test_two_folders_of_one_disk_are_no_second_medium(at: Callable[[str], Studio]) -> None:
    report = wrap(at("ingested"), JOB)
    assert report["without_second_medium"] == {"frames": ["0001", "0002", "0003", "0004"], "strays": ["NOTES.TXT"]}
    assert whats(report) == ["0001-0004, NOTES.TXT: on no second medium"]


def test_a_volume_that_is_away_and_owed_nothing_is_no_reason(away: Studio) -> None:
    """Its medium is the one that the record knows, which is the disk that both lay on when the card was taken in."""
    report = wrap(away, JOB)
    assert "Volume backup is absent" in "\n".join(report["said"])
    assert report["owed"] == []


def test_the_volume_that_was_carried_off_already_is_no_failure(away: Studio) -> None:
    report = wrap(away, JOB, carries=[f"backup={ASSISTANT}"], by=MANAGER)
    assert report["problems"] == []
    assert report["off_site"][0]["person"] == ASSISTANT


def test_what_is_taken_in_meanwhile_is_owed_to_the_volume_that_is_away(away: Studio, run: Run, tmp_path: Path) -> None:
    (tmp_path / "next").mkdir()
    take_frame(tmp_path / "next" / "SIMU0007.DNG", render_scene(Scene(), 120, 80), CaptureData(7, TAKEN))
    run("ingest", away, sources=[str(tmp_path / "next")])
    report = wrap(away, JOB)
    (owed,) = report["owed"]
    assert (owed["volume"], owed["is_here"]) == ("backup", False)
    size = (tmp_path / "next" / "SIMU0007.DNG").stat().st_size
    assert owed["copies"] >= 1
    assert owed["bytes"] >= size
    assert "0005" in report["without_second_medium"]["frames"]
    assert "connect volume backup" in report["reasons"][-1]["do"]
    assert "counted what no frame has: 0005 to 0006 (between 0004 and 0005)" in "\n".join(report["said"])


def test_a_record_that_a_volume_here_lacks_forbids(safe: Studio) -> None:
    newest = sorted((safe.volume_root(safe.settings["volumes"][1]) / JOB / "heads").iterdir())[-1]
    newest.unlink()
    report = wrap(safe, JOB)
    (what,) = whats(report)
    assert what.startswith("Volume backup has the record up to entry")


def test_a_lost_copy_forbids(safe: Studio, run: Run) -> None:
    found = next((safe.volume_root(safe.settings["volumes"][1]) / JOB / "originals").rglob("*.DNG"))
    found.unlink()
    run("verify", safe)
    report = wrap(safe, JOB)
    assert not report["may_be_struck"]
    assert whats(report)[0] == "1 copy missing or different, on backup"


def test_a_damaged_record_is_no_evidence(safe: Studio) -> None:
    entry = safe.job_folder(JOB) / "record" / "00000003.json"
    entry.write_bytes(entry.read_bytes().replace(b"2026", b"2025", 1))
    report = wrap(safe, JOB)
    assert (report["may_be_struck"], report["status"]) == (False, 1)
    assert "Entry 3" in whats(report)[0]
    assert "verify 2611-04 --repair" in report["reasons"][0]["do"]


def test_who_carries_what_is_written_down(safe: Studio, manifest_of: Callable[..., Manifest]) -> None:
    assert "No volume is off site, and nobody is said to carry one" in whats(wrap(safe, JOB), "look_at")
    change_identity(safe, 1, site="home")
    assert "Nobody is said to carry volume backup off site" in whats(wrap(safe, JOB), "look_at")
    report = wrap(safe, JOB, carries=[f"Backup={ASSISTANT}"], by=MANAGER)
    assert "off site: volume backup (site home), Bo Ek carries it" in "\n".join(report["said"])
    assert not any("carry" in what for what in whats(report, "look_at"))
    head = manifest_of(safe).head
    assert wrap(safe, JOB, carries=[f"backup={ASSISTANT}"], by=MANAGER)["off_site"] == report["off_site"]
    assert manifest_of(safe).head == head
    assert wrap(safe, JOB, carries=["backup="], by=MANAGER)["off_site"][0]["person"] is None


@pytest.mark.parametrize(
    ("carries", "said"),
    [
        ("backup", "not written as VOLUME=NAME"),
        ("=Bo Ek", "not written as"),
        ("cellar=Bo Ek", "known: working, backup"),
    ],
)
def test_wrong_words_write_nothing(safe: Studio, manifest_of: Callable[..., Manifest], carries: str, said: str) -> None:
    head = manifest_of(safe).head
    with pytest.raises(CallError, match=said):
        wrap(safe, JOB, carries=["backup=Bo Ek", carries], by=MANAGER)
    assert manifest_of(safe).head == head


def test_a_volume_that_nobody_knows_cannot_be_carried(safe: Studio) -> None:
    more = [*safe.settings["volumes"], {"name": "new", "path": "../volumes/new"}]
    studio = Studio(safe.folder, {**safe.settings, "volumes": more})
    assert wrap(studio, JOB)["owed"][0]["volume"] == "new"
    with pytest.raises(VolumeError, match="was never here"):
        wrap(studio, JOB, carries=["new=Bo Ek"], by=MANAGER)


def test_a_file_over_the_cable_and_the_one_on_the_card_are_one_exposure(
    safe: Studio, run: Run, manifest_of: Callable[..., Manifest], tmp_path: Path
) -> None:
    """The same serial, counter and time, in files of other bytes: a second raw file, and a JPEG."""
    cable = tmp_path / "cable"
    cable.mkdir()
    light = render_scene(replace(Scene(), seed=0), 300, 200)
    take_frame(cable / "T0001.DNG", light, CaptureData(1, TAKEN), seed=99)
    jpeg = cable / "T0003.JPG"
    Image.new("RGB", (150, 100), (118, 118, 118)).save(jpeg, "JPEG")
    with ExifTool() as exif:
        tags = {"ExifIFD:DateTimeOriginal": "2026:11:24 14:03:54", "ExifIFD:SerialNumber": SERIAL}
        exif.write(jpeg, {**tags, "ExifIFD:ImageNumber": "3"})
    run("ingest", safe, sources=[str(cable)])
    manifest = manifest_of(safe)
    assert [frame["same_exposure"] for frame in manifest.frames] == [5, None, 6, None, 1, 3]
    report = wrap(safe, JOB)
    assert ["0001", "0005"] in report["same_exposures"]
    assert "the same exposure is there more than once: 0001, 0003, 0005, 0006" in "\n".join(report["said"])
    assert report["bodies"][0]["gaps"] == []
    lines = list_frames(safe, JOB, None)["said"]
    assert lines[4].endswith("same exposure as 0001")
    assert "  same exposure as 0003" in list_frames(safe, JOB, [6])["said"]


def test_two_bodies_want_their_clocks(safe: Studio, run: Run, tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    capture = CaptureData(812, TAKEN, serial_number="GS-000204")
    take_frame(tmp_path / "b" / "BSIM0812.DNG", render_scene(Scene(), 120, 80), capture)
    run("ingest", safe, sources=[str(tmp_path / "b")])
    clocks = [what for what in whats(wrap(safe, JOB), "look_at") if "clock" in what]
    assert clocks == [f"Nobody has said what the clock of body {serial} is off" for serial in (SERIAL, "GS-000204")]
    set_clock(safe, JOB, "204", add_s=37, by=MANAGER)
    set_clock(safe, JOB, "117", add_s=0, by=MANAGER)
    report = wrap(safe, JOB)
    assert not any("clock" in what for what in whats(report, "look_at"))
    assert "its clock: +37 s to be added (typed)" in "\n".join(report["said"])


def test_the_command_says_it_and_ends_with_its_status(safe: Studio, capsys: pytest.CaptureFixture[str]) -> None:
    common = ["--studio", str(safe.folder), "--by", MANAGER, "--json"]
    assert main(["cards", "issue", JOB, "A7", "--to", "body A", "--with", ASSISTANT, *common]) == 0
    assert main(["wrap", JOB, "--carries", f"backup={ASSISTANT}", *common]) == 1
    assert main(["cards", "return", JOB, "A7", "--from", ASSISTANT, *common]) == 0
    assert main(["cards", "return", JOB, "A7", "--unused", *common]) == 0
    assert main(["cards", "list", JOB, *common]) == 0
    capsys.readouterr()
    assert main(["wrap", JOB, *common]) == 0
    assert json.loads(capsys.readouterr().out)["may_be_struck"] is True


def test_it_loads_neither_the_flow_engine_nor_picture_libraries(safe: Studio) -> None:
    code = (
        "import sys; from glassine.flows.cli import main; status = main(sys.argv[1:]); "
        "print([name for name in ('prefect', 'numpy', 'PIL', 'rawpy', 'asyncssh') if name in sys.modules]); sys.exit(status)"
    )
    words = ["wrap", JOB, "--studio", str(safe.folder)]
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
