"""Card: yes only when every file has what the studio's rule asks for; it reads, and changes nothing."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from glassine.flows import card as module
from glassine.flows.card import CHANGES_NOTHING, ask_card
from glassine.flows.studio import Studio, read_studio
from glassine.schemas.errors import CallError, VolumeError
from glassine.schemas.identifiers import VOLUME_IDENTITY
from glassine.schemas.validation import Document
from glassine.tasks.custody.digest import hash_file

Run = Callable[..., Document]
JOB = "2611-04"


def set_medium(root: Path, medium: str) -> None:
    path = root / VOLUME_IDENTITY
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), "medium": medium}), encoding="utf-8")


def backup_root(studio: Studio) -> Path:
    return studio.volume_root(studio.settings["volumes"][1])


def change_settings(studio: Studio, before: str, after: str) -> Studio:
    path = studio.folder / "studio.toml"
    text = path.read_text("utf-8")
    assert before in text
    path.write_text(text.replace(before, after), encoding="utf-8")
    return read_studio(studio.folder)


def lacking(outcome: Document) -> list[str]:
    return sorted(Path(file["path"]).name for file in outcome["files"] if file["missing"])


@pytest.fixture
def safe(at: Callable[[str], Studio]) -> Studio:
    """A studio with a card taken in, onto two media."""
    studio = at("ingested")
    set_medium(backup_root(studio), "disk 2 of the test")
    return studio


@pytest.fixture
def own_card(card: Path, tmp_path: Path) -> Path:
    """The card that was taken in, as a copy that a test may change."""
    shutil.copytree(card, tmp_path / "own", copy_function=shutil.copy2)
    return tmp_path / "own"


def test_two_media_are_enough_and_everything_is_said(safe: Studio, card: Path) -> None:
    outcome = ask_card(safe, card)
    assert (outcome["ok"], outcome["status"], outcome["may_be_formatted"]) == (True, 0, True)
    assert outcome["said"][0].startswith(f"Yes: {card} may be formatted.")
    assert outcome["said"][-1] == CHANGES_NOTHING
    files = {Path(file["path"]).name: file for file in outcome["files"]}
    assert files.keys() == {path.name for path in card.rglob("*") if path.is_file()}
    for name, file in files.items():
        (path,) = card.rglob(name)
        assert (file["sha256"], file["size"]) == (hash_file(path), path.stat().st_size)
        assert (file["job"], file["copies"], len(file["media"]), file["missing"]) == (JOB, 2, 2, [])
    assert (files["SIMU0003.DNG"]["frame"], files["SIMU0001.JPG"]["frame"], files["NOTES.TXT"]["frame"]) == (3, 1, None)


def test_it_only_reads(safe: Studio, own_card: Path, contents: Callable[[Path], dict[str, str]]) -> None:
    places = (safe.folder.parent, own_card)
    before = [contents(place) for place in places]
    ask_card(safe, own_card)
    assert [contents(place) for place in places] == before


def test_two_folders_of_one_disk_are_one_medium(at: Callable[[str], Studio], card: Path) -> None:
    outcome = ask_card(at("ingested"), card)
    assert (outcome["status"], outcome["may_be_formatted"]) == (1, False)
    assert len(lacking(outcome)) == len(outcome["files"]) == 8
    for file in outcome["files"]:
        assert (file["copies"], len(file["media"])) == (2, 1)
        assert file["missing"][0].startswith("1 more medium (it has 1 of 2")
        assert "studio add-volume" in file["missing"][1]
    assert outcome["said"][0].startswith(f"No: do not format {card}: 8 files of 8 lack something.")
    assert outcome["said"][-1] == CHANGES_NOTHING


def test_the_rule_is_the_studios(at: Callable[[str], Studio], card: Path) -> None:
    studio = change_settings(at("ingested"), "media = 2", "media = 1")
    assert ask_card(studio, card)["may_be_formatted"]
    studio = change_settings(studio, "copies = 2", "copies = 3")
    outcome = ask_card(studio, card)
    assert not outcome["may_be_formatted"]
    assert outcome["files"][0]["missing"][0] == "1 more copy (it has 2 of 3)"
    assert "add a volume" in outcome["files"][0]["missing"][1]


def test_a_studio_without_the_table_has_the_default(at: Callable[[str], Studio], card: Path) -> None:
    studio = at("ingested")
    settings = {key: value for key, value in studio.settings.items() if key != "card"}
    assert not ask_card(Studio(studio.folder, settings), card)["may_be_formatted"]
    set_medium(backup_root(studio), "disk 2 of the test")
    assert ask_card(Studio(studio.folder, settings), card)["may_be_formatted"]


def test_one_changed_byte_is_another_file(safe: Studio, own_card: Path) -> None:
    path = next(own_card.rglob("SIMU0002.DNG"))
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    outcome = ask_card(safe, own_card)
    assert (outcome["status"], outcome["may_be_formatted"], lacking(outcome)) == (1, False, ["SIMU0002.DNG"])
    (file,) = (file for file in outcome["files"] if file["missing"])
    assert (file["job"], file["frame"], file["copies"]) == (None, None, 0)
    assert "glassine ingest" in file["missing"][0]
    assert any("SIMU0002.DNG" in line for line in outcome["said"])


def test_a_new_file_that_no_rule_knows(safe: Studio, own_card: Path) -> None:
    (own_card / "SETTINGS.BIN").write_bytes(b"camera settings")
    assert lacking(ask_card(safe, own_card)) == ["SETTINGS.BIN"]


def test_litter_is_listed_and_never_blocks(safe: Studio, own_card: Path) -> None:
    (own_card / "DCIM" / "._SIMU0001.DNG").write_bytes(b"of the host")
    (own_card / "Thumbs.db").write_bytes(b"of the host")
    outcome = ask_card(safe, own_card)
    assert outcome["may_be_formatted"]
    assert sorted(outcome["litter"]) == ["own/DCIM/._SIMU0001.DNG", "own/Thumbs.db"]
    assert any("Thumbs.db" in line for line in outcome["said"])


def test_a_link_is_not_read_and_blocks(safe: Studio, own_card: Path) -> None:
    (own_card / "elsewhere").symlink_to(own_card / "NOTES.TXT")
    outcome = ask_card(safe, own_card)
    assert (outcome["status"], outcome["may_be_formatted"]) == (1, False)
    assert outcome["passed_over"] == ["own/elsewhere"]


@pytest.mark.parametrize("harm", ["missing", "differs"])
def test_a_copy_that_verify_found_bad(
    safe: Studio, card: Path, run: Run, manifest_of: Callable[..., object], harm: str
) -> None:
    (path,) = (backup_root(safe) / JOB / "originals").rglob("SIMU0002.*.DNG")
    if harm == "missing":
        path.unlink()
    else:
        path.write_bytes(b"other bytes")
    assert run("verify", safe)["status"] == 1
    outcome = ask_card(safe, card)
    assert (outcome["status"], lacking(outcome)) == (1, ["SIMU0002.DNG"])
    (file,) = (file for file in outcome["files"] if file["missing"])
    assert any("backup" in said and f"verify {JOB} --repair" in said for said in file["missing"])
    assert run("verify", safe, repair=True)["ok"]
    assert ask_card(safe, card)["may_be_formatted"]


def test_read_back_too_long_ago(safe: Studio, card: Path) -> None:
    now = datetime.now(UTC)
    assert ask_card(safe, card, now=now + timedelta(days=6))["may_be_formatted"]
    outcome = ask_card(safe, card, now=now + timedelta(days=8))
    assert (outcome["status"], outcome["may_be_formatted"], len(lacking(outcome))) == (1, False, 8)
    said = outcome["files"][0]["missing"]
    assert f"its copy on volume backup was last read back 8 days ago: run `glassine verify {JOB}`" in said
    longer = change_settings(safe, "read_back_days = 7", "read_back_days = 30")
    assert ask_card(longer, card, now=now + timedelta(days=8))["may_be_formatted"]


def test_a_clock_that_jumped_back_makes_nothing_fresh(safe: Studio, card: Path) -> None:
    outcome = ask_card(safe, card, now=datetime.now(UTC) - timedelta(days=2))
    assert not outcome["may_be_formatted"]
    assert any("after this machine's clock" in said for said in outcome["files"][0]["missing"])


def test_an_absent_volume_counts_by_its_recorded_read_back(safe: Studio, card: Path, run: Run) -> None:
    assert run("verify", safe)["ok"]  # brings what the identity file says into the record
    root = backup_root(safe)
    root.rename(root.with_name("unplugged"))
    assert ask_card(safe, card)["may_be_formatted"]
    outcome = ask_card(safe, card, now=datetime.now(UTC) + timedelta(days=8))
    assert any(
        said.endswith(f"connect volume backup, and run `glassine verify {JOB}`")
        for said in outcome["files"][0]["missing"]
    )


def test_copies_that_are_owed_to_an_absent_volume(at: Callable[[str], Studio], card: Path, run: Run) -> None:
    studio = at("opened")
    root = backup_root(studio)
    root.rename(root.with_name("unplugged"))
    run("ingest", studio, sources=[str(card)])
    outcome = ask_card(studio, card)
    assert outcome["status"] == 1
    file = outcome["files"][0]
    assert (file["copies"], file["missing"][0]) == (1, "1 more copy (it has 1 of 2)")
    assert any(
        said.startswith("volume backup has no copy: connect it, and run `glassine ingest") for said in file["missing"]
    )


def test_an_unreadable_file(safe: Studio, card: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(path: Path, **words: Callable[[int], None]) -> str:
        if path.name == "SIMU0004.DNG":  # the tests may run as root, whom no mode of a file stops
            raise OSError(5, "Input/output error", str(path))
        return hash_file(path, **words)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "hash_file", fail)
    outcome = ask_card(safe, card)
    assert (outcome["status"], outcome["may_be_formatted"], lacking(outcome)) == (1, False, ["SIMU0004.DNG"])
    assert next(file for file in outcome["files"] if file["missing"])["sha256"] is None
    assert len(outcome["problems"]) == 1
    assert "SIMU0004.DNG cannot be read (Input/output error)" in outcome["problems"][0]


def test_a_folder_that_cannot_be_listed(safe: Studio, card: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scandir = os.scandir

    def fail(place: Path) -> object:
        if Path(place).name == "100SIMUL":
            raise OSError(5, "Input/output error", str(place))
        return scandir(place)

    monkeypatch.setattr(os, "scandir", fail)
    outcome = ask_card(safe, card)
    assert (outcome["status"], outcome["may_be_formatted"]) == (1, False)
    assert [Path(file["path"]).name for file in outcome["files"]] == ["NOTES.TXT"]
    assert "100SIMUL cannot be read" in outcome["unreadable"][0]


def test_a_card_that_changes_while_it_is_read(safe: Studio, own_card: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def add(path: Path, **words: Callable[[int], None]) -> str:
        (own_card / "DCIM" / "LATE.DNG").write_bytes(b"just taken")
        return hash_file(path, **words)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "hash_file", add)
    outcome = ask_card(safe, own_card)
    assert (outcome["status"], outcome["may_be_formatted"]) == (1, False)
    assert "changed while it was read" in outcome["problems"][0]


def test_a_damaged_record_is_no_evidence(safe: Studio, card: Path) -> None:
    entry = safe.job_folder(JOB) / "record" / "00000003.json"
    content = bytearray(entry.read_bytes())
    content[20] ^= 1
    entry.write_bytes(content)
    outcome = ask_card(safe, card)
    assert (outcome["status"], outcome["may_be_formatted"], len(lacking(outcome))) == (1, False, 8)
    assert all(file["copies"] == 0 for file in outcome["files"])
    (fault,) = outcome["damaged_records"]
    assert "Entry 3 " in fault
    assert any(line.startswith(f"No evidence: the record of job {JOB} is damaged") for line in outcome["said"])


def test_a_file_of_two_jobs(safe: Studio, card: Path, run: Run) -> None:
    from glassine.flows.job_sheet import open_new_job

    open_new_job(safe, "2611-05", None, title="Second", client="Sorrel Lane Instruments", by="Tove Abel")
    run("ingest", safe, job="2611-05", sources=[str(card / "NOTES.TXT")])
    files = {Path(file["path"]).name: file for file in ask_card(safe, card)["files"]}
    assert (files["NOTES.TXT"]["jobs"], files["NOTES.TXT"]["copies"]) == ([JOB, "2611-05"], 4)
    assert len(files["NOTES.TXT"]["media"]) == 2
    assert files["SIMU0001.DNG"]["jobs"] == [JOB]


def test_a_damaged_record_of_another_job_takes_nothing_away(safe: Studio, card: Path, run: Run) -> None:
    from glassine.flows.job_sheet import open_new_job

    open_new_job(safe, "2611-05", None, title="Second", client="Sorrel Lane Instruments", by="Tove Abel")
    run("ingest", safe, job="2611-05", sources=[str(card)])
    (safe.job_folder(JOB) / "record" / "00000002.json").unlink()
    outcome = ask_card(safe, card)
    assert (outcome["status"], outcome["may_be_formatted"]) == (0, True)
    assert {(file["job"], file["copies"]) for file in outcome["files"]} == {("2611-05", 2)}
    assert any(line.startswith(f"No evidence: the record of job {JOB} is damaged") for line in outcome["said"])


@pytest.mark.parametrize("litter", [False, True])
def test_an_empty_card(safe: Studio, tmp_path: Path, litter: bool) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    if litter:
        (empty / ".DS_Store").write_bytes(b"of the host")
    outcome = ask_card(safe, empty)
    assert (outcome["status"], outcome["may_be_formatted"], outcome["files"]) == (1, False, [])
    assert outcome["said"][0].startswith("There is nothing on it")
    assert outcome["said"][-1] == CHANGES_NOTHING


def test_a_place_that_holds_the_copies_is_refused(safe: Studio, tmp_path: Path) -> None:
    root = backup_root(safe)
    other = tmp_path / "other"
    (other / "disk").mkdir(parents=True)
    shutil.copyfile(root / VOLUME_IDENTITY, other / "disk" / VOLUME_IDENTITY)
    (other / "disk" / "inner").mkdir()
    for place in (root, root.parent, root / JOB, other, other / "disk", other / "disk" / "inner"):
        with pytest.raises(CallError, match="overlaps a volume") as refused:
            ask_card(safe, place)
        assert refused.value.code == "W001"


def test_a_card_that_is_not_there(safe: Studio, tmp_path: Path) -> None:
    with pytest.raises(VolumeError, match="is not there") as absent:
        ask_card(safe, tmp_path / "nowhere")
    assert absent.value.exit_status == 3


def test_neither_the_flow_engine_nor_numpy_is_loaded(safe: Studio, card: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from glassine.flows.card import ask_card; "
        "from glassine.flows.studio import read_studio; "
        f"print(ask_card(read_studio(Path({str(safe.folder)!r})), Path({str(card)!r}))['may_be_formatted'], "
        "[name for name in ('prefect', 'numpy', 'rawpy', 'PIL', 'rich', 'jsonschema') if name in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "True []"
