"""A volume is known by its identity file, not by the path it lies at."""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path

import pytest

from glassine.schemas.entry import Head
from glassine.schemas.errors import DocumentError, VolumeError
from glassine.schemas.identifiers import VOLUME_IDENTITY
from glassine.schemas.validation import check_document
from glassine.tasks.custody import volume
from glassine.tasks.custody.volume import make_volume, open_volume


def test_identity_is_made_once(tmp_path: Path) -> None:
    made = make_volume(tmp_path / "deep" / "disk", "backup", site="bank")
    written = (made.root / VOLUME_IDENTITY).read_bytes()
    assert make_volume(made.root, "another name", site="home") == made
    assert (made.root / VOLUME_IDENTITY).read_bytes() == written
    check_document(json.loads(written), "volume_identity", label="identity")
    assert (made.name, made.site) == ("backup", "bank")
    assert open_volume(made.root, "backup", made.volume) == made


def test_two_volumes_have_two_identities_and_one_disk_is_one_medium(tmp_path: Path) -> None:
    first, second = make_volume(tmp_path / "a", "a"), make_volume(tmp_path / "b", "b")
    assert first.volume != second.volume
    assert first.medium == second.medium
    assert make_volume(tmp_path / "c", "c", medium="tape 3").medium == "tape 3"


def test_a_volume_may_be_moved(tmp_path: Path) -> None:
    made = make_volume(tmp_path / "a", "a")
    shutil.move(tmp_path / "a", tmp_path / "b")
    assert open_volume(tmp_path / "b", "a", made.volume).volume == made.volume


@pytest.mark.parametrize("there", ["nothing", "an empty folder"])
def test_an_absent_volume(tmp_path: Path, there: str) -> None:
    root = tmp_path / "disk"
    if there != "nothing":
        root.mkdir()
    with pytest.raises(VolumeError) as absent:
        open_volume(root, "backup", None)
    assert (absent.value.code, absent.value.exit_status, absent.value.retryable) == ("V001", 3, True)
    assert "backup" in str(absent.value)
    assert str(root) in str(absent.value)
    assert not list(tmp_path.rglob("*.json"))


def test_another_disk_at_the_same_path(tmp_path: Path) -> None:
    mine, other = make_volume(tmp_path / "a", "backup"), make_volume(tmp_path / "b", "elsewhere")
    shutil.rmtree(tmp_path / "a")
    shutil.move(tmp_path / "b", tmp_path / "a")
    with pytest.raises(VolumeError) as another:
        open_volume(tmp_path / "a", "backup", mine.volume)
    assert another.value.code == "V002"
    assert other.volume in str(another.value)
    assert mine.volume in str(another.value)
    assert open_volume(tmp_path / "a", "backup", None) == make_volume(tmp_path / "a", "backup")


@pytest.mark.parametrize("content", [b"", b"{", b'{"format": 1}', b"\xff\xfe"])
def test_a_damaged_identity_names_its_file(tmp_path: Path, content: bytes) -> None:
    made = make_volume(tmp_path / "a", "a")
    (made.root / VOLUME_IDENTITY).write_bytes(content)
    with pytest.raises(DocumentError) as damaged:
        open_volume(made.root, "a", made.volume)
    assert str(made.root / VOLUME_IDENTITY) in str(damaged.value)


def test_a_volume_where_a_file_lies(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"")
    with pytest.raises(VolumeError) as refused:
        make_volume(tmp_path / "a", "a")
    assert refused.value.code == "V003"


def test_places_and_heads(tmp_path: Path) -> None:
    made = make_volume(tmp_path / "a", "a")
    assert made.locate("2611-04", "originals/100/A.dng") == tmp_path / "a" / "2611-04" / "originals" / "100" / "A.dng"
    assert made.heads("2611-04") == []
    heads = [Head(1, "a" * 64), Head(2, "b" * 64)]
    for head in [*heads, heads[0]]:
        made.keep_head("2611-04", head)
    assert made.heads("2611-04") == heads


@pytest.mark.skipif(sys.platform != "linux", reason="sysfs")
def test_partitions_and_mapped_devices_are_on_the_disk_under_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As sysfs has them: 8:1 is the first partition of 8:0; 253:0 is mapped onto 8:1 alone; 253:1 onto two disks."""
    disk = tmp_path / "devices" / "sda"
    (disk / "sda1").mkdir(parents=True)
    (disk / "dev").write_text("8:0\n")
    (disk / "sda1" / "partition").write_text("1\n")
    (disk / "sda1" / "dev").write_text("8:1\n")
    for name, under in (("dm-0", ["sda1"]), ("dm-1", ["sda1", "sdb"])):
        slaves = tmp_path / "devices" / name / "slaves"
        slaves.mkdir(parents=True)
        for one in under:
            (slaves / one).symlink_to(disk / "sda1")
    block = tmp_path / "block"
    block.mkdir()
    for number, place in (("8:0", "sda"), ("8:1", "sda/sda1"), ("253:0", "dm-0"), ("253:1", "dm-1")):
        (block / number).symlink_to(tmp_path / "devices" / place)

    def under_tmp(path: str) -> Path:
        return block / path.removeprefix("/sys/dev/block/") if path.startswith("/sys/dev/block/") else Path(path)

    monkeypatch.setattr("glassine.tasks.custody.volume.Path", under_tmp)
    found = [volume._disk_of(os.makedev(*number)) for number in ((8, 0), (8, 1), (253, 0), (253, 1), (7, 7))]
    assert found == [os.makedev(8, 0)] * 3 + [os.makedev(253, 1), os.makedev(7, 7)]
