"""Real raw frames, and files that only look like them, through the ordinary commands, typed as a user types them.

The frames lie beside the repository (`../shared/real-frames`); where they do not, this is passed over.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from fractions import Fraction
from hashlib import sha256
from pathlib import Path
from typing import Any

import bagit
import numpy as np
import pytest
import rawpy
import tifffile
from PIL import Image

FRAMES = Path(__file__).resolve().parents[3] / "shared" / "real-frames"
JOB, PHOTOGRAPHER, RETOUCHER, CLIENT = "2611-09", "Imre Falk", "Noa Lind", "Sorrel Lane Instruments"
LOOKED_LIKE_FRAMES = ("BLACK.DNG", "CUT_0101.CRW", "EMPTY.NEF", "WORDS.CR2")
Glassine = Callable[..., Any]

pytestmark = pytest.mark.skipif(not FRAMES.is_dir(), reason="the real frames are not beside this repository")


@pytest.fixture(scope="module")
def glassine(tmp_path_factory: pytest.TempPathFactory) -> Glassine:
    """The command, started as a process of its own in the studio's folder; returns its JSON document."""
    root = tmp_path_factory.mktemp("real")
    program = Path(sys.executable).with_name("glassine.exe" if os.name == "nt" else "glassine")

    def run(*words: str, status: int = 0) -> Any:
        where = root / "studio" if (root / "studio").is_dir() else root
        done = subprocess.run([program, *words, "--json"], cwd=where, capture_output=True, text=True, timeout=600)
        assert done.returncode == status, f"{words}: {done.stdout}{done.stderr}"
        assert "Traceback" not in done.stderr
        return json.loads(done.stdout)

    return run


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The real frames, and beside them a cut one, an empty one, one of words, and one that is all black."""
    from glassine.tasks.imaging.simulated_camera import BLACK_LEVEL, CaptureData, write_dng

    folder = tmp_path_factory.mktemp("card") / "DCIM" / "100REALF"
    shutil.copytree(FRAMES, folder, copy_function=shutil.copyfile)
    folder.chmod(0o755)
    whole = (FRAMES / "CRW_0101.CRW").read_bytes()
    (folder / "CUT_0101.CRW").write_bytes(whole[: len(whole) * 2 // 5])
    (folder / "WORDS.CR2").write_bytes(b"These are words, whatever the ending says.\n")
    (folder / "EMPTY.NEF").write_bytes(b"")
    taken = datetime(2026, 11, 24, 13, 0, tzinfo=UTC)
    dark = np.full((200, 300), BLACK_LEVEL, np.uint16)
    write_dng(folder / "BLACK.DNG", dark, CaptureData(counter=9, taken=taken, exposure_seconds=Fraction(1, 160)))
    return folder


@pytest.fixture(scope="module")
def job(glassine: Glassine, source: Path) -> dict[str, Any]:
    """The whole job, from `studio new` to the receipt, each a process of its own; what each answered."""
    said: dict[str, Any] = {}
    said["studio"] = glassine("studio", "new", "studio", "--volume", "working=w", "--volume", "backup=b")
    studio = Path(said["studio"]["studio"])
    sheet = {
        "format": 1,
        "job": JOB,
        "title": "Real frames",
        "client": CLIENT,
        "photographer": PHOTOGRAPHER,
        "licences": [{"client": CLIENT, "terms": "Tests only."}],
        "deliverables": [{"client": CLIENT, "specification": "screen-2048"}],
    }
    (studio / "sheet.json").write_text(json.dumps(sheet), encoding="utf-8")
    glassine("job", "open", JOB, "--sheet", "sheet.json", "--by", PHOTOGRAPHER)
    said["ingest"] = glassine("ingest", JOB, str(source.parents[1]))
    said["proof"] = glassine("proof", JOB)
    glassine("selects", "mark", JOB, "hero CRW_0104, CRW_0112", "--round", "edit", "--by", PHOTOGRAPHER)
    said["close"] = glassine("selects", "close", JOB, "--round", "edit", "--by", PHOTOGRAPHER)
    note = "xywh=percent:40,40,10,10 | lighten this corner"
    said["brief"] = glassine("retouch", "brief", JOB, "CRW_0104", "--note", note, "--grader", PHOTOGRAPHER)
    said["out"] = glassine("retouch", "hand-out", JOB, "CRW_0104", "--to", RETOUCHER)
    (base,) = Path(said["brief"]["folder"]).glob("*_base.tif")
    returned = studio / "returned.tif"
    _retouch(base, returned)
    said["back"] = glassine("retouch", "take-back", JOB, "CRW_0104", str(returned))
    said["grade"] = glassine("grade", JOB, "--unretouched", "CRW_0112")
    glassine("retouch", "sign-off", JOB, "CRW_0104", "CRW_0112", "--by", PHOTOGRAPHER)
    said["deliver"] = glassine("deliver", JOB, "--to", CLIENT)
    return {**said, "folder": studio.parent / "w" / JOB, "backup": studio.parent / "b" / JOB, "base": base}


def test_frames_come_in_whole_and_in_pairs(job: dict[str, Any]) -> None:
    lines = [line.split(maxsplit=1) for line in (FRAMES / "SHA256SUMS").read_text("utf-8").splitlines()]
    published = {name: digest for digest, name in lines}
    frames = _frames(job)
    for name, frame in frames.items():
        assert len(frame["copies"]) == 2
        for root in (job["folder"], job["backup"]):
            assert sha256((root / frame["path"]).read_bytes()).hexdigest() == frame["sha256"]
        if name in published:
            assert frame["sha256"] == published[name]
    assert {name for name in frames if name in published} >= {"CRW_0101.CRW", "CRW_0104.CRW"}
    raws = [frame for name, frame in frames.items() if re.fullmatch(r"CRW_\d+\.CRW", name)]
    assert len(raws) == 4
    assert all([companion["name"][-4:] for companion in frame["companions"]] == [".THM"] for frame in raws)
    assert all(frame["camera"] and frame["captured"] for frame in raws)
    assert sorted(job["ingest"]["strays"]) == ["README.md", "SHA256SUMS"]


def test_what_only_looks_like_a_frame_is_kept_marked_and_reported(job: dict[str, Any]) -> None:
    frames = _frames(job)
    for name in LOOKED_LIKE_FRAMES:
        frame = frames[name]
        assert frame["undecodable"], name
        assert len(frame["copies"]) == 2
        told = " ".join(job["ingest"]["said"] + job["proof"]["said"])
        assert f"Frame {frame['number']}" in told
        assert frame["proof"] is None or frame["proof"]["picture"] != "raw", "a picture that is none is not believed"
        if frame["proof"]:
            assert frame["proof"]["warning"], "the proof says what it shows"
        else:
            assert frame["unshowable"]
            assert f"Frame {frame['number']} cannot be shown" in told
    assert not any(frames[name]["undecodable"] for name in frames if re.match(r"CRW_|IMG_", name))


def test_proofs_and_contact_sheet_show_the_pictures(job: dict[str, Any]) -> None:
    for name, frame in _frames(job).items():
        if name in LOOKED_LIKE_FRAMES:
            continue
        assert frame["proof"]["picture"] == "raw" or name.endswith(".JPG")
        with Image.open(job["folder"] / frame["proof"]["path"]) as picture:
            assert picture.info["icc_profile"]
            tones = np.asarray(picture.convert("L"), np.float64)
        assert tones.std() > 15, "a picture, not a blank"
        if name.endswith(".CRW"):
            assert frame["reading"]["exposure_stops"] is not None
    with Image.open(job["proof"]["contact_sheet"]) as sheet:
        assert min(sheet.size) > 500
    assert Path(job["proof"]["contact_sheet"]).with_suffix(".pdf").read_bytes().startswith(b"%PDF-")


def test_base_has_the_size_that_the_raw_library_says(job: dict[str, Any]) -> None:
    with rawpy.imread(str(FRAMES / "CRW_0104.CRW")) as raw:
        width, height = raw.sizes.width, raw.sizes.height
    base = tifffile.imread(job["base"])
    assert base.dtype == np.dtype("uint16")
    assert sorted(base.shape[:2]) == sorted((width, height))


def test_it_ends_in_a_bag_and_a_receipt_and_a_clean_audit(job: dict[str, Any], glassine: Glassine) -> None:
    assert job["back"]["take_back"]["accepted"]
    assert job["deliver"]["deliveries"] == [1]
    told = glassine("audit", "--client", CLIENT)
    (delivery,) = told["deliveries"]
    assert told["said"][-1] == "Chain: 1 of 1 records are whole."
    assert {file["sources"]["original"]: file["sources"]["round"] for file in delivery["files"]} == {
        "CRW_0104.CRW": 1,
        "CRW_0112.CRW": 0,
    }
    place = Path(delivery["place"])
    assert bagit.Bag(str(place)).validate()
    receipt = json.loads(place.with_name(f"{place.name}-receipt.json").read_text("utf-8"))
    entry = job["folder"] / "record" / f"{receipt['record']['entry']:08d}.json"
    assert sha256(entry.read_bytes()).hexdigest() == receipt["record"]["sha256"]
    for file in receipt["files"]:
        path = place / "data" / file["name"]
        assert sha256(path.read_bytes()).hexdigest() == file["sha256"]
        with Image.open(path) as picture:
            assert max(picture.size) == 2048
            assert picture.info["icc_profile"]
    whose = glassine("audit", "--file", str(place / "data" / receipt["files"][0]["name"]))
    assert whose["owners"][0]["client"] == CLIENT


def _frames(job: dict[str, Any]) -> dict[str, Any]:
    from glassine.schemas.job_record import JobRecord

    return {frame["name"]: frame for frame in JobRecord(job["folder"]).manifest().frames}


def _retouch(base: Path, returned: Path) -> None:
    """What a retoucher does, with another TIFF writer than ours: the marked region lightened, the profile kept."""
    with tifffile.TiffFile(base) as file:
        page = file.pages.first
        picture, profile = page.asarray(), page.tags[34675].value
    height, width = picture.shape[:2]
    rows, columns = slice(height * 2 // 5, height // 2), slice(width * 2 // 5, width // 2)
    picture[rows, columns] = np.minimum(picture[rows, columns].astype(np.uint32) + 9000, 65535).astype(np.uint16)
    tifffile.imwrite(returned, picture, photometric="rgb", iccprofile=profile)
