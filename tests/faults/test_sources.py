"""Sources that fail on the way: what can be read is taken in, the rest is told of and taken in later."""

from __future__ import annotations

import errno
import os
import shutil
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

import pytest

from glassine.flows import ingest as ingest_module
from glassine.flows.arrival import Intake
from glassine.flows.studio import Studio
from glassine.schemas.errors import VolumeError
from glassine.schemas.job_record import JobRecord
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document
from glassine.tasks.custody import source_file

JOB = "2611-04"
Ingest = Callable[..., Document]


class Between(Protocol):
    """Do something to a card after the walk has met a file and before that file is copied."""

    def __call__(self, name: str, act: Callable[[], object]) -> None: ...


@pytest.fixture
def before_copy_of(monkeypatch: pytest.MonkeyPatch) -> Between:
    def arrange(name: str, act: Callable[[], object]) -> None:
        real = Intake._copy_file

        def copy_file(batch: Intake, file: Any, *words: Any) -> Any:
            if file.name == name:
                act()
            return real(batch, file, *words)

        monkeypatch.setattr(Intake, "_copy_file", copy_file)

    return arrange


def folders_of(studio: Studio) -> list[Path]:
    return [studio.folder.parent / "volumes" / name / JOB for name in ("working", "backup")]


@pytest.mark.parametrize("how", ["vanishes", "is a folder now"])
def test_a_file_that_goes_away_on_the_way(
    opened: Studio,
    small_card: Path,
    ingest_now: Ingest,
    check_custody: Callable[..., Manifest],
    before_copy_of: Between,
    monkeypatch: pytest.MonkeyPatch,
    how: str,
) -> None:
    file = small_card / "DCIM/100SIMUL/SIMU0001.DNG"
    content = file.read_bytes()

    def act() -> None:
        file.unlink(missing_ok=True)
        if how == "is a folder now":
            file.mkdir()

    before_copy_of("SIMU0001.DNG", act)
    outcome = ingest_now(opened, small_card)
    monkeypatch.undo()
    assert outcome["status"] == 3
    (problem,) = outcome["problems"]
    assert str(file) in problem
    assert "cannot be read" in problem
    manifest = JobRecord(folders_of(opened)[0]).manifest()
    assert [frame["name"] for frame in manifest.frames] == ["SIMU0001.NEF"]
    assert not [path for folder in folders_of(opened) for path in folder.rglob("*.JPG")]
    assert "Do not format the card" in " ".join(outcome["said"])

    if file.is_dir():
        file.rmdir()
    file.write_bytes(content)
    again = ingest_now(opened, small_card)
    assert (again["status"], again["frames"], again["owed_copies"]) == (0, ["0002"], 0)
    assert [len(frame["companions"]) for frame in JobRecord(folders_of(opened)[0]).manifest().frames] == [0, 1]


def test_a_file_that_is_known_by_name_and_goes_away(
    opened: Studio, small_card: Path, ingest_now: Ingest, before_copy_of: Between
) -> None:
    assert ingest_now(opened, small_card)["status"] == 0
    file = small_card / "DCIM/101SIMUL/SIMU0001.NEF"
    before_copy_of("SIMU0001.NEF", file.unlink)
    outcome = ingest_now(opened, small_card)
    assert outcome["status"] == 3
    assert [str(file) in problem for problem in outcome["problems"]] == [True]
    assert len(JobRecord(folders_of(opened)[0]).manifest().frames) == 2


@pytest.mark.parametrize("error", [errno.EIO, errno.ENODEV])
def test_a_card_with_a_bad_sector(
    opened: Studio,
    small_card: Path,
    ingest_now: Ingest,
    check_custody: Callable[..., Manifest],
    monkeypatch: pytest.MonkeyPatch,
    error: int,
) -> None:
    """A read that fails after the first blocks of a file."""
    monkeypatch.setattr(source_file, "BLOCK_BYTES", 4096)
    bad = small_card / "DCIM/101SIMUL/SIMU0001.NEF"
    real = Path.open

    class BadSector:
        def __init__(self, stream: Any) -> None:
            self.stream = stream
            self.reads = 0

        def __enter__(self) -> BadSector:
            return self

        def __exit__(self, *_: object) -> None:
            self.stream.close()

        def fileno(self) -> int:
            return int(self.stream.fileno())

        def read(self, size: int) -> bytes:
            self.reads += 1
            if self.reads == 2:
                raise OSError(error, "Input/output error")
            return bytes(self.stream.read(size))

    def open_path(path: Path, *words: Any, **named: Any) -> Any:
        stream = real(path, *words, **named)
        return BadSector(stream) if path == bad else stream

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", open_path)
        outcome = ingest_now(opened, small_card)
    assert outcome["status"] == 3
    assert [f"{bad} cannot be read" in problem for problem in outcome["problems"]] == [True]
    assert outcome["frames"] == ["0001"]
    assert not [path for folder in folders_of(opened) for path in folder.rglob("*.NEF")]
    assert not [path for folder in folders_of(opened) for path in folder.rglob(".glassine-*")]
    assert ingest_now(opened, small_card)["frames"] == ["0002"]
    check_custody(folders_of(opened), small_card)


def test_a_file_cut_short_on_the_card_is_kept_as_it_is(
    opened: Studio, card: Path, ingest_now: Ingest, tmp_path: Path
) -> None:
    """The camera's battery died: half a picture is still the only one; it is kept, and said to be damaged."""
    cut = tmp_path / "cut" / "SIMU0001.DNG"
    cut.parent.mkdir()
    content = (card / "DCIM/100SIMUL/SIMU0001.DNG").read_bytes()
    cut.write_bytes(content[: len(content) // 2])
    outcome = ingest_now(opened, cut.parent)
    assert (outcome["status"], outcome["undecodable"]) == (0, ["0001"])
    assert any("does not decode" in sentence for sentence in outcome["said"])
    (kept,) = folders_of(opened)[1].rglob("*.DNG")
    assert kept.read_bytes() == content[: len(content) // 2]


def test_a_file_that_grew_since_the_walk_is_recorded_with_the_size_that_was_copied(
    opened: Studio, small_card: Path, ingest_now: Ingest, before_copy_of: Between
) -> None:
    """A camera that was still writing when the folder was listed."""
    file = small_card / "DCIM/101SIMUL/SIMU0001.NEF"

    def grow() -> None:
        with file.open("ab") as stream:
            stream.write(b"the rest")

    before_copy_of("SIMU0001.NEF", grow)
    assert ingest_now(opened, small_card)["status"] == 0
    frame = JobRecord(folders_of(opened)[0]).manifest().frame(2)
    assert frame["size"] == file.stat().st_size == 9_008


@pytest.mark.parametrize("how", ["grows", "is written over", "is cut short"])
def test_a_file_that_changes_while_it_is_read(
    opened: Studio,
    small_card: Path,
    ingest_now: Ingest,
    check_custody: Callable[..., Manifest],
    monkeypatch: pytest.MonkeyPatch,
    how: str,
) -> None:
    """It is refused whole, told of, and leaves nothing; the rest of the card is taken in, and the file the next time."""
    file = small_card / "DCIM/101SIMUL/SIMU0001.NEF"
    content = file.read_bytes()
    blocks = source_file.SourceFile.blocks

    def blocks_meanwhile(source: source_file.SourceFile) -> Iterator[bytes]:
        for number, block in enumerate(blocks(source)):
            if source.path == file and number == 0:
                new = {"grows": content + b"more", "is written over": content[::-1], "is cut short": content[:5000]}
                file.write_bytes(new[how])
            yield block

    monkeypatch.setattr(source_file, "BLOCK_BYTES", 4096)
    with monkeypatch.context() as patch:
        patch.setattr(source_file.SourceFile, "blocks", blocks_meanwhile)
        outcome = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["frames"]) == (3, ["0001"])
    (problem,) = outcome["problems"]
    assert str(file) in problem
    assert "was not taken in" in problem
    for folder in folders_of(opened):
        assert not [*folder.rglob("*.NEF"), *folder.rglob(".glassine-*")]
    file.write_bytes(content)
    assert ingest_now(opened, small_card)["frames"] == ["0002"]
    check_custody(folders_of(opened), small_card)


def test_names_that_differ_in_how_their_letters_are_composed(
    opened: Studio, tmp_path: Path, ingest_now: Ingest
) -> None:
    """NFC and NFD of one name (Unicode, annex 15): a card from macOS beside one from Linux. What lies in both folders is
    kept, under one spelling, and is known when the card comes again; a companion finds its frame in either."""
    composed, apart = (unicodedata.normalize(form, "Säge") for form in ("NFC", "NFD"))
    files = {f"{composed}/{apart}.DNG": b"one" * 50, f"{composed}/{composed}.JPG": b"two" * 50}
    other = {f"{apart}/{composed}.DNG": b"three" * 50}
    for number, names in enumerate((files, other)):
        for name, content in names.items():
            path = tmp_path / f"card-{number}" / "DCIM" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
    cards = (tmp_path / "card-0", tmp_path / "card-1")
    outcome = ingest_now(opened, *cards)
    assert (outcome["status"], outcome["frames"], outcome["owed_copies"]) == (0, ["0001", "0002"], 0)
    manifest = JobRecord(folders_of(opened)[0]).manifest()
    assert [len(frame["companions"]) for frame in manifest.frames] == [1, 0]
    for folder in folders_of(opened):
        kept = {path.read_bytes(): path for path in (folder / "originals").rglob("*") if path.is_file()}
        assert set(kept) == {*files.values(), *other.values()}
        assert {path.parent.name for path in kept.values()} == {composed}
    again = ingest_now(opened, *cards)
    assert (again["status"], again["frames"], again["seen_again"]) == (0, [], 3)


@pytest.mark.parametrize("comes_back", [True, False])
def test_a_card_pulled_out_on_the_way(
    opened: Studio,
    small_card: Path,
    tmp_path: Path,
    ingest_now: Ingest,
    check_custody: Callable[..., Manifest],
    comes_back: bool,
) -> None:
    """Whatever of it was not copied is told of; what was, is in custody."""
    (small_card / "DCIM" / "102SIMUL").mkdir()
    (small_card / "DCIM" / "102SIMUL" / "SIMU0002.NEF").write_bytes(b"never reached" * 100)
    with pytest.MonkeyPatch.context() as patch:
        real = Intake._copy_file

        def copy_file(batch: Intake, file: Any, *words: Any) -> Any:
            if file.name == "SIMU0001.NEF" and small_card.exists():
                shutil.move(small_card, tmp_path / "hand")
            return real(batch, file, *words)

        patch.setattr(ingest_module, "GROUPS_AT_ONCE", 1)  # so that it is known what was copied before
        patch.setattr(Intake, "_copy_file", copy_file)
        outcome = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["frames"]) == (3, ["0001"])
    assert outcome["problems"]
    assert all("cannot be read" in problem and str(small_card) in problem for problem in outcome["problems"])
    assert "Do not format the card" in " ".join(outcome["said"])
    folders = folders_of(opened)
    assert not [path for folder in folders for path in folder.rglob(".glassine-*")]
    check_custody(folders, tmp_path / "hand", whole=False)
    if comes_back:
        shutil.move(tmp_path / "hand", small_card)
        assert (ingest_now(opened, small_card)["status"], len(JobRecord(folders[0]).manifest().frames)) == (0, 3)
    else:
        with pytest.raises(VolumeError, match="is not there: connect the card") as gone:
            ingest_now(opened, small_card)
        assert gone.value.exit_status == 3


def test_a_source_that_is_gone_altogether(opened: Studio, small_card: Path, ingest_now: Ingest) -> None:
    shutil.rmtree(small_card)
    with pytest.raises(VolumeError) as gone:
        ingest_now(opened, small_card)
    assert (gone.value.code, gone.value.exit_status) == ("V004", 3)


def test_hostile_names_reach_the_record(opened: Studio, tmp_path: Path, ingest_now: Ingest) -> None:
    card = tmp_path / "above" / os.fsdecode(b"caf\xe9\n")
    card.mkdir(parents=True)
    names = [b"\xff" * 200 + b".DNG", b"a\nb.DNG", b"..DNG", b"CON.DNG", "漢".encode() * 80 + b".DNG"]
    for number, name in enumerate(names):
        (card / os.fsdecode(name)).write_bytes(bytes([number]) * 100)
    outcome = ingest_now(opened, card.parent)
    assert (outcome["status"], outcome["owed_copies"], len(outcome["frames"])) == (0, 0, 5)
    for folder in folders_of(opened):
        assert len([path for path in (folder / "originals").rglob("*") if path.is_file()]) == 5


def test_frames_of_one_name_after_the_counter_rolled_over(opened: Studio, tmp_path: Path, ingest_now: Ingest) -> None:
    # DCF (CIPA DC-009): 9999 is followed by 0001 in the next directory
    for number, name in enumerate(["100SIMUL/DSC_0001.DNG", "100SIMUL/DSC_9999.DNG", "101SIMUL/DSC_0001.DNG"]):
        path = tmp_path / "card" / "DCIM" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(bytes([number]) * 100)
    same = tmp_path / "card" / "DCIM" / "102SIMUL" / "DSC_0001.DNG"
    same.parent.mkdir()
    same.write_bytes(bytes([0]) * 100)  # and one that was copied by hand: the same frame, not another
    outcome = ingest_now(opened, tmp_path / "card")
    assert (outcome["status"], outcome["frames"], outcome["seen_again"]) == (0, ["0001", "0002", "0003"], 1)
    assert len(JobRecord(folders_of(opened)[0]).manifest().frame(1)["seen"]) == 2


def test_a_card_that_gives_other_bytes_the_second_time(opened: Studio, small_card: Path, ingest_now: Ingest) -> None:
    """A bit that flipped on the card, or in its reader: a frame of its own, both are kept, and it is told of."""
    assert ingest_now(opened, small_card)["status"] == 0
    file = small_card / "DCIM/101SIMUL/SIMU0001.NEF"
    content = bytearray(file.read_bytes())
    content[100] ^= 1
    file.write_bytes(content)
    outcome = ingest_now(opened, small_card)
    assert (outcome["status"], outcome["frames"]) == (0, ["0003"])
    assert any("Frame 0003 has the name" in sentence and "frame 0002" in sentence for sentence in outcome["said"])
    for folder in folders_of(opened):
        assert len(list(folder.rglob("SIMU0001.*.NEF"))) == 2
