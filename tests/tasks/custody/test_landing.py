"""A landing file: whole when it rests and its own structure ends where it does."""

from __future__ import annotations

import io
import os
import struct
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import example, given
from hypothesis import strategies as st
from PIL import Image

from glassine.tasks.custody.landing import (
    GIVE_UP_SECONDS,
    REST_SECONDS,
    UNKNOWN_REST_SECONDS,
    Landing,
    Landings,
    is_under_way,
    is_whole,
)
from glassine.tasks.imaging.simulated_camera import CaptureData, write_dng

TAKEN = datetime(2026, 11, 24, 14, 3, 20, tzinfo=UTC)


def jpeg() -> bytes:
    file = io.BytesIO()
    Image.new("RGB", (40, 30), (90, 120, 150)).save(file, "JPEG")
    return file.getvalue()


def dng(folder: Path, preview: bytes | None = None) -> bytes:
    path = folder / "made.dng"
    write_dng(path, np.full((40, 60), 3000, np.uint16), CaptureData(counter=1, taken=TAKEN), preview_jpeg=preview)
    return path.read_bytes()


def tiff(folder: Path, **how: Any) -> bytes:
    path = folder / "made.tif"
    tifffile.imwrite(path, np.arange(64 * 64 * 3, dtype=np.uint16).reshape(64, 64, 3), photometric="rgb", **how)
    return path.read_bytes()


def boxes() -> bytes:
    return struct.pack(">I4s4sI", 16, b"ftyp", b"heic", 0) + struct.pack(">I4sQ", 1, b"mdat", 40) + b"\7" * 24


@pytest.fixture(scope="module")
def whole_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """One whole file of each kind whose structure tells its end."""
    folder = tmp_path_factory.mktemp("whole")
    png = io.BytesIO()
    Image.new("L", (40, 30), 90).save(png, "PNG")
    return {
        "raw.dng": dng(folder),
        "previewed.dng": dng(folder, jpeg()),
        "strips.tif": tiff(folder, rowsperstrip=8),
        "tiles.tif": tiff(folder, tile=(16, 16), byteorder=">"),
        "picture.jpg": jpeg(),
        "padded.jpg": jpeg() + b"\0" * 300,
        "picture.png": png.getvalue(),
        "boxes.heic": boxes(),
    }


KINDS = ("raw.dng", "previewed.dng", "strips.tif", "tiles.tif", "picture.jpg", "picture.png", "boxes.heic")


@pytest.mark.parametrize("kind", [*KINDS, "padded.jpg"])
def test_a_whole_file_is_whole(kind: str, whole_files: dict[str, bytes], tmp_path: Path) -> None:
    path = tmp_path / kind
    path.write_bytes(whole_files[kind])
    assert is_whole(path) is True


@example(kind="boxes.heic", share=0.3125)  # after its first box
@given(kind=st.sampled_from(KINDS), share=st.floats(0, 1, exclude_max=True))
def test_cut_anywhere_it_is_not(
    kind: str, share: float, whole_files: dict[str, bytes], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Nothing cut is taken for whole; what is left of a first few bytes may tell no end at all."""
    content = whole_files[kind]
    path = tmp_path_factory.mktemp("cut") / kind
    path.write_bytes(content[: int(len(content) * share)])
    assert is_whole(path) is not True


@given(content=st.binary(max_size=400), head=st.sampled_from([b"", b"II*\0", b"MM\0*", b"\xff\xd8", b"\0\0\0\x10ftyp"]))
def test_any_bytes_have_an_answer(content: bytes, head: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("any") / "any.dng"
    path.write_bytes(head + content)
    assert is_whole(path) in (True, False, None)


def test_a_directory_that_names_itself_ends(tmp_path: Path) -> None:
    path = tmp_path / "loop.tif"
    path.write_bytes(struct.pack("<2sHI", b"II", 42, 8) + struct.pack("<HHHIII", 1, 330, 4, 1, 8, 8))
    assert is_whole(path) is None


def test_other_kinds_tell_no_end(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("window first\n", encoding="utf-8")
    assert is_whole(tmp_path / "notes.txt") is None
    (tmp_path / "empty.dng").touch()
    assert is_whole(tmp_path / "empty.dng") is False
    assert is_whole(tmp_path / "gone.dng") is False


@pytest.mark.parametrize("name", [".IMG_0001.DNG", "IMG_0001.DNG.part", "IMG_0001.TMP", "IMG_0001.jpg.partial"])
def test_names_of_files_under_way(name: str) -> None:
    assert is_under_way(name)
    landings = Landings()
    landings.notice(Path("/incoming") / name, 0.0)
    assert landings.pending == {}


class Looked:
    """A folder that is looked at by a clock of its own."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.landings = Landings()
        self.now = 128.0

    def write(self, content: bytes, modified: int) -> None:
        self.path.write_bytes(content)
        os.utime(self.path, ns=(modified, modified))
        self.landings.notice(self.path, 7.0)

    def look(self, after: float = 0.0) -> tuple[list[Landing], list[Landing]]:
        self.now += after
        return self.landings.look(self.now)


def test_a_file_that_grows_is_whole_only_at_its_end_and_after_its_rest(tmp_path: Path) -> None:
    content = dng(tmp_path)
    looked = Looked(tmp_path / "grows.dng")
    for part in range(1, 4):
        looked.write(content[: len(content) * part // 4], part)
        assert looked.look(REST_SECONDS * 1.1) == ([], [])
    looked.write(content, 4)
    seem, done = looked.look(REST_SECONDS * 1.1)
    assert ([landing.path for landing in seem], done) == ([looked.path], [])
    assert looked.look(REST_SECONDS * 0.4) == ([], [])
    seem, (landed,) = looked.look(REST_SECONDS * 0.7)
    assert (seem, landed.path, landed.doubtful, landed.again) == ([], looked.path, False, False)
    assert (landed.landed_at, landed.written_at) == (7.0, 4e-9)
    assert looked.look(1) == ([], [])


def test_laid_out_at_full_length_and_filled_later_it_waits_for_its_rest(tmp_path: Path) -> None:
    content = dng(tmp_path)
    looked = Looked(tmp_path / "laid-out.dng")
    looked.write(content[: len(content) // 2] + bytes(len(content) - len(content) // 2), 1)
    assert len(looked.look()[0]) == 1  # it may be decoded by now, but is not taken in
    looked.write(content, 2)
    seem, done = looked.look(REST_SECONDS * 1.1)
    assert (len(seem), done) == (1, [])
    assert len(looked.look(REST_SECONDS * 1.1)[1]) == 1


def test_what_is_never_whole_is_given_up_and_what_tells_no_end_rests_longer(tmp_path: Path) -> None:
    looked = Looked(tmp_path / "short.dng")
    looked.write(dng(tmp_path)[:-100], 1)
    looked.look()
    assert looked.look(GIVE_UP_SECONDS - 0.1) == ([], [])
    assert [landing.doubtful for landing in looked.look(0.1)[1]] == [True]
    text = Looked(tmp_path / "notes.txt")
    text.write(b"window first\n", 1)
    text.look()
    assert text.look(UNKNOWN_REST_SECONDS - 0.1) == ([], [])
    assert [landing.doubtful for landing in text.look(0.1)[1]] == [False]


def test_written_to_again_it_lands_again_and_only_then(tmp_path: Path) -> None:
    content = dng(tmp_path)
    looked = Looked(tmp_path / "again.dng")
    looked.write(content, 1)
    looked.look()
    assert len(looked.look(REST_SECONDS * 1.1)[1]) == 1
    looked.landings.notice(looked.path, 8.0)  # somebody read it, or a listing found it
    assert (looked.look(1), looked.landings.pending) == (([], []), {})
    looked.write(content + b"\0", 2)
    looked.look()
    assert [landing.again for landing in looked.look(REST_SECONDS * 1.1)[1]] == [True]
    looked.landings.forget(looked.path)
    looked.landings.notice(looked.path, 9.0)
    looked.look()
    assert len(looked.look(REST_SECONDS * 1.1)[1]) == 1


def test_gone_again_or_a_link_it_never_lands(tmp_path: Path) -> None:
    looked = Looked(tmp_path / "gone.dng")
    looked.landings.notice(looked.path, 1.0)
    assert (looked.look(), looked.landings.pending) == (([], []), {})
    (tmp_path / "target.dng").write_bytes(dng(tmp_path))
    looked.path.symlink_to(tmp_path / "target.dng")
    looked.landings.notice(looked.path, 1.0)
    assert (looked.look(), looked.landings.pending) == (([], []), {})
