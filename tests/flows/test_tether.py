"""Tether: what lands comes into custody with its proof, under what was on set, and trouble is told at once."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from glassine.flows import demo_shoot as shoot
from glassine.flows import job_sheet, on_set, tether
from glassine.flows.open_job import OpenJob
from glassine.flows.set_teller import Teller
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError, VolumeError
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody import landing

JOB, BY = "2611-04", "Imre Falk"
Session = Callable[..., tuple[list[Document], tether.TetherSession]]


def plain_batches(name: str, work: Callable[[list[Any]], Any], batches: Iterable[list[Any]]) -> Iterator[Any]:
    return (work(batch) for batch in batches)


def manifest_of(studio: Studio) -> Manifest:
    return JobRecord(studio.job_folder(JOB)).manifest()


def wait_for(condition: Callable[[], bool]) -> None:
    until = time.monotonic() + 120
    while not condition():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.02)


@pytest.fixture
def incoming(tmp_path: Path) -> Path:
    folder = tmp_path / "incoming"
    folder.mkdir()
    return folder


@pytest.fixture
def session(incoming: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Session:
    """Run a session, without the flow engine, while a thread does things; what it told, and the session."""
    monkeypatch.setattr(tether, "run_batches", plain_batches)

    def run(studio: Studio, act: Callable[[tether.TetherSession], None], *, poll: bool = False) -> Any:
        began = tether.TetherSession(OpenJob(studio, JOB, BY), incoming, Teller(as_json=True))
        failed: list[BaseException] = []

        def play() -> None:
            try:
                act(began)
            except BaseException as error:
                failed.append(error)
            finally:
                began.end()

        actor = threading.Thread(target=play)
        actor.start()
        try:
            began.run(poll=poll)
        finally:
            actor.join()
        assert not failed, failed
        began.problems += began.job.finish()
        told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        return told, began

    return run


def frames_told(told: list[Document]) -> list[Document]:
    return [line for line in told if "seconds" in line]


def taken(began: tether.TetherSession, count: int) -> Callable[[], bool]:
    """Whether so many frames are in custody and have their proofs."""
    return lambda: len(began.taken) >= count and not began._works


def check_frames(studio: Studio, sources: Iterable[Path]) -> Manifest:
    """Every source is a frame, once, whole on every volume, with its proof; nothing else lies there."""
    manifest = manifest_of(studio)
    wanted = {hashlib.sha256(path.read_bytes()).hexdigest() for path in sources}
    assert {frame["sha256"] for frame in manifest.frames} == wanted
    assert len(manifest.frames) == len(wanted)
    volumes = [studio.working_volume(), *studio.backups()[0]]
    for sha256, holder in manifest.every_file():
        assert {copy["volume"] for copy in holder["copies"]} == {volume.volume for volume in volumes}
        for volume in volumes:
            assert hashlib.sha256(volume.locate(JOB, holder["path"]).read_bytes()).hexdigest() == sha256
    for frame in manifest.frames:
        assert frame["identified"]
        if not frame["undecodable"]:
            proof = studio.job_folder(JOB) / frame["proof"]["path"]
            assert proof.name == f"{frame['number']}.jpg"
            assert hashlib.sha256(proof.read_bytes()).hexdigest() == frame["proof"]["sha256"]
            assert frame["reading"]
    assert check_chain(studio.job_folder(JOB)) == []
    assert [path for volume in volumes for path in volume.root.rglob(".glassine-*")] == []
    return manifest


def test_frames_come_in_with_their_companions_however_they_are_written(
    at: Callable[[str], Studio], session: Session, incoming: Path, card: Path
) -> None:
    studio = at("opened")
    folder = card / "DCIM" / "100SIMUL"
    shutil.copy(folder / "SIMU0001.DNG", incoming)  # lies there already

    def act(began: tether.TetherSession) -> None:
        wait_for(taken(began, 1))
        (incoming / "later").mkdir()
        whole = (folder / "SIMU0002.DNG").read_bytes()
        with (incoming / "later" / "SIMU0002.DNG").open("wb") as file:
            for at_byte in range(0, len(whole), len(whole) // 4):
                file.write(whole[at_byte : at_byte + len(whole) // 4])
                file.flush()
                time.sleep(0.15)
        shutil.copy(folder / "SIMU0003.DNG", incoming / "SIMU0003.DNG.part")
        wait_for(taken(began, 2))
        (incoming / "SIMU0003.DNG.part").rename(incoming / "SIMU0003.DNG")
        wait_for(taken(began, 3))
        shutil.copy(folder / "SIMU0001.JPG", incoming)
        shutil.copy(folder / "SIMU0001.xmp", incoming)
        shutil.copy(card / "NOTES.TXT", incoming)
        wait_for(lambda: len(began.job.manifest.document["strays"]) == 1)

    told, began = session(studio, act)
    assert began.problems == []
    manifest = check_frames(studio, [folder / f"SIMU000{number}.DNG" for number in (1, 2, 3)])
    assert [frame["name"] for frame in manifest.frames] == [f"SIMU000{number}.DNG" for number in (1, 2, 3)]
    assert sorted(file["name"] for file in manifest.frame(1)["companions"]) == ["SIMU0001.JPG", "SIMU0001.xmp"]
    assert [stray["name"] for stray in manifest.document["strays"]] == ["NOTES.TXT"]
    assert [line["frame"] for line in frames_told(told)] == ["0001", "0002", "0003"]
    assert all(line["trouble"] == [] for line in frames_told(told))
    assert manifest.frame(2)["source"] == "incoming/later/SIMU0002.DNG"

    told, began = session(studio, lambda again: wait_for(lambda: not again._later and not again._files.held))
    assert (frames_told(told), began.problems) == ([], [])
    assert manifest_of(studio).document["frames"] == manifest.document["frames"]


def test_what_landed_while_nobody_watched_comes_in_first_and_a_lost_proof_is_made(
    at: Callable[[str], Studio], session: Session, incoming: Path, card: Path, run: Callable[..., Document]
) -> None:
    studio = at("opened")
    folder = card / "DCIM" / "100SIMUL"
    shutil.copy(folder / "SIMU0001.DNG", incoming)
    run("ingest", studio, sources=[str(incoming)], set_up="bench")  # without a proof
    shutil.copy(folder / "SIMU0002.DNG", incoming)

    def act(began: tether.TetherSession) -> None:
        wait_for(taken(began, 1))
        wait_for(lambda: all(frame["proof"] for frame in JobRecord(began.job.folder).manifest().frames))
        wait_for(lambda: not began._later and not began._works and not began._files.held)

    told, _ = session(studio, act, poll=True)
    assert sorted(line["frame"] for line in frames_told(told)) == ["0001", "0002"]
    check_frames(studio, [folder / "SIMU0001.DNG", folder / "SIMU0002.DNG"])


def test_a_frame_belongs_to_what_was_on_set_when_it_landed(
    at: Callable[[str], Studio], session: Session, incoming: Path, card: Path
) -> None:
    studio = at("opened")
    folder = card / "DCIM" / "100SIMUL"

    def say(**words: Any) -> None:
        asked = {"set_up": None, "moved": False, "purpose": None, "by": BY, **words}
        assert on_set.on_set(studio, JOB, **asked)["ok"]

    def act(began: tether.TetherSession) -> None:
        say(set_up="bench", purpose="test")  # at another terminal
        shutil.copy(folder / "SIMU0001.DNG", incoming)
        wait_for(taken(began, 1))
        began._on_key("p")
        began._on_key("m")
        wait_for(lambda: not began._keys)
        shutil.copy(folder / "SIMU0002.DNG", incoming)
        wait_for(lambda: bool(began._watch.pending()))
        say(set_up="window")  # while it lands
        wait_for(taken(began, 2))
        began._on_key("n")  # there is none after it
        began._on_key("g")
        wait_for(lambda: not began._keys)
        shutil.copy(folder / "SIMU0003.DNG", incoming)
        wait_for(taken(began, 3))

    told, began = session(studio, act)
    frames = [
        (frame["set_up"], frame["arrangement"], frame["purpose"])
        for frame in check_frames(studio, folder.glob("*[1-3].DNG")).frames
    ]
    assert frames == [("bench", 1, "test"), ("bench", 2, "picture"), ("window", 1, "grey_card")]
    assert any("last set-up" in line.get("note", "") for line in told)
    assert told[-1].get("seconds") is not None
    assert began.problems == []


def test_corrected_later_as_new_facts(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    assert on_set.assign_purpose(studio, JOB, "grey_card", [1, 2], BY)["ok"]
    assert on_set.assign_purpose(studio, JOB, "picture", [2], BY)["ok"]
    assert job_sheet.assign_set_up(studio, JOB, "bench", [3], BY, arrangement=2)["ok"]
    assert job_sheet.assign_set_up(studio, JOB, "bench", [3, 4], BY)["ok"]  # says nothing new
    manifest = manifest_of(studio)
    assert [frame["purpose"] for frame in manifest.frames] == ["grey_card", "picture", "picture", "picture"]
    assert [frame["arrangement"] for frame in manifest.frames] == [1, 1, 2, 1]
    assert [frame["purpose_revision"] for frame in manifest.frames] == [1, 2, 0, 0]
    assert [frame["set_up_revision"] for frame in manifest.frames] == [1, 1, 2, 1]
    with pytest.raises(CallError, match="counts from 1"):
        job_sheet.assign_set_up(studio, JOB, "bench", [3], BY, arrangement=0)


def test_what_is_on_set_is_said_and_asked(at: Callable[[str], Studio]) -> None:
    studio = at("opened")
    asked: dict[str, Any] = {"set_up": None, "moved": False, "purpose": None, "by": BY}
    assert on_set.on_set(studio, JOB, **asked)["said"] == ["On set: no set-up, arrangement 1, pictures."]
    said = on_set.on_set(studio, JOB, **{**asked, "set_up": "window", "moved": True})
    assert (said["set_up"], said["arrangement"], said["purpose"]) == ("window", 2, "picture")
    before = manifest_of(studio).head
    on_set.on_set(studio, JOB, **{**asked, "set_up": "window"})
    assert manifest_of(studio).head == before
    with pytest.raises(CallError, match=r"no set-up 'roof' \(known: bench, window\)"):
        on_set.on_set(studio, JOB, **{**asked, "set_up": "roof"})


def test_trouble_of_the_invented_shoot_is_told_and_nothing_else(
    at: Callable[[str], Studio],
    session: Session,
    incoming: Path,
    tmp_path: Path,
    change_sheet: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The dud strobe, the soft frame, the file that is cut short, and exposures that never arrive."""
    studio = at("opened")
    monkeypatch.setattr(landing, "GIVE_UP_SECONDS", 1.0)
    change_sheet(studio, set_ups=shoot.job_sheet_set_ups())
    chosen = [*range(1, 11), 12, 14, 21, 22, 23, shoot.TRUNCATED]
    files = {index: tmp_path / "shoot" / shoot.place_on_card(index).name for index in chosen}
    for index, path in files.items():
        path.parent.mkdir(exist_ok=True)
        shoot.write_frame(index, path, 240, 360)

    def act(began: tether.TetherSession) -> None:
        landed = 0
        for frames in shoot.frames_by_set_up().values():
            began._on_key("n")
            wait_for(lambda: not began._keys)
            for index in frames:
                if index in files:
                    shutil.copy(files[index], incoming)
                    landed += 1
                    wait_for(taken(began, landed))
        wait_for(lambda: not began._checks.gaps)

    told, began = session(studio, act)
    found = {(line["name"], one["kind"]) for line in frames_told(told) for one in line["trouble"]}
    names = {index: path.name for index, path in files.items()}
    assert found == {
        (names[shoot.NOT_FIRED], "strobe"),
        (names[shoot.SOFT], "focus"),
        (names[shoot.TRUNCATED], "undecodable"),
    }
    others = [one for line in told if "seconds" not in line for one in line.get("trouble", [])]
    assert sorted(one["kind"] for one in others) == ["counter"] * 3 + ["cut short"]
    assert any("1 exposure (0001 of body GS-000117" in one["sentence"] for one in others)
    assert began.problems == []
    set_ups = [frame["set_up"] for frame in manifest_of(studio).frames]
    assert [set_ups.count(name) for name in shoot.frames_by_set_up()] == [10, 2, 4]


def test_a_backup_that_is_away_is_told_once_and_its_copies_are_owed(
    at: Callable[[str], Studio], session: Session, incoming: Path, card: Path
) -> None:
    studio = at("opened")
    (backup,) = studio.backups()[0]
    backup.root.rename(backup.root.with_name("drawer"))
    folder = card / "DCIM" / "100SIMUL"

    def act(began: tether.TetherSession) -> None:
        for number in (1, 2):
            shutil.copy(folder / f"SIMU000{number}.DNG", incoming)
            wait_for(taken(began, number))

    told, began = session(studio, act)
    kinds = [one["kind"] for line in told for one in line.get("trouble", [])]
    assert kinds == ["volume", "copies"]
    assert len(began.problems) == 1
    backup.root.with_name("drawer").rename(backup.root)
    assert OpenJob(studio, JOB, BY).finish() == []
    check_frames(studio, [folder / "SIMU0001.DNG", folder / "SIMU0002.DNG"])


def test_a_file_that_is_written_to_again_comes_in_once_more(
    at: Callable[[str], Studio], session: Session, incoming: Path, card: Path
) -> None:
    studio = at("opened")
    folder = card / "DCIM" / "100SIMUL"
    kept = [folder / "SIMU0001.DNG", folder / "SIMU0004.DNG"]

    def act(began: tether.TetherSession) -> None:
        for number, source in enumerate(kept, 1):
            shutil.copy(source, incoming / "SIMU0001.DNG")
            wait_for(taken(began, number))

    told, _ = session(studio, act)
    check_frames(studio, kept)
    assert [one["kind"] for line in told for one in line.get("trouble", [])] == ["changed"]


def test_a_folder_within_a_volume_or_not_there_is_refused(at: Callable[[str], Studio], tmp_path: Path) -> None:
    studio = at("opened")
    words: dict[str, Any] = {"studio": str(studio.folder), "job": JOB, "by": BY}
    with pytest.raises(VolumeError, match="make it, or name the one that the camera fills"):
        tether.tether.fn(**words, folder=str(tmp_path / "nowhere"))
    with pytest.raises(CallError, match="overlaps volume working"):
        tether.tether.fn(**words, folder=str(studio.working_volume().root))


@pytest.mark.skipif(sys.platform == "win32", reason="SIGINT to a process")
def test_the_whole_command_takes_in_a_burst_and_ends_cleanly_at_ctrl_c(
    at: Callable[[str], Studio], incoming: Path, card: Path, tmp_path: Path
) -> None:
    """Thirty frames at five a second; Ctrl-C goes to the command and to all that it started."""
    studio = at("opened")
    program = [str(Path(sys.executable).with_name("glassine")), "tether", JOB, str(incoming), "--json"]
    running = subprocess.Popen(
        [*program, "--studio", str(studio.folder), "--by", BY],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        assert running.stdout is not None
        first = json.loads(running.stdout.readline())
        assert first["watching"] == str(incoming)
        whole = (card / "DCIM" / "100SIMUL" / "SIMU0001.DNG").read_bytes()
        for number in range(30):
            other = bytearray(whole)
            other[-1 - number] ^= 1
            (incoming / f"SIMU{number + 1:04d}.DNG").write_bytes(other)
            time.sleep(0.2)
        told = [json.loads(running.stdout.readline()) for _ in range(30)]
        os.killpg(running.pid, signal.SIGINT)
        rest, complaints = running.communicate(timeout=120)
    finally:
        running.kill()
        running.wait()
    assert running.returncode == 0, complaints
    assert "Traceback" not in complaints
    assert {line["frame"] for line in told} == {f"{number + 1:04d}" for number in range(30)}
    last = json.loads(rest.splitlines()[-1])
    assert (last["ok"], len(last["frames"]), last["owed_copies"], last["problems"]) == (True, 30, 0, [])
    check_frames(studio, incoming.iterdir())
