"""Files of hostile content or name, from the card to the contact sheet: kept, told of, and nothing else harmed."""

from __future__ import annotations

import json
import os
import struct
import sys
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from glassine.flows.prefect_environment import run_flow
from glassine.flows.studio import Studio
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.validation import Document

JOB = "2611-04"
Ingest = Callable[..., Document]


def proof_now(studio: Studio) -> Document:
    from glassine.flows.proof import proof

    outcome: Document = run_flow(proof, studio=str(studio.folder), job=JOB, by="Imre Falk")
    return outcome


def png_bomb(width: int, height: int) -> bytes:
    """A few bytes that claim to be a picture of that size (PNG, ISO/IEC 15948, 11.2.2)."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    packed = zlib.compress(b"\0" * 1_000_000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def tiff_bomb(path: Path, side: int, promised: int) -> None:
    """A TIFF whose one strip unpacks to a small part of what its tags promise."""
    noise = np.random.default_rng(1).integers(0, 256, (side, side), np.uint8)
    tifffile.imwrite(path, noise, compression="zlib", rowsperstrip=side)
    with tifffile.TiffFile(path, mode="r+") as tiff:
        page = tiff.pages.first
        for name in ("ImageWidth", "ImageLength", "RowsPerStrip"):
            page.tags[name].overwrite(promised)


def test_bombs_and_files_that_are_not_what_they_are_called(opened: Studio, tmp_path: Path, ingest_now: Ingest) -> None:
    card = tmp_path / "hostile"
    card.mkdir()
    (card / "bomb.png").write_bytes(png_bomb(60_000, 60_000))
    tiff_bomb(card / "terabyte.tif", 64, 1_000_000)
    tiff_bomb(card / "five-gigabytes.tif", 700, 69_000)  # as much as deflate could have packed into it
    (card / "empty.dng").touch()
    (card / "page.jpg").write_bytes(b"%!PS-Adobe-3.0 EPSF-3.0\n/x 0 def {(/etc/passwd) (r) file pop} loop\n")
    (card / "program.jpg").write_bytes(b"\x7fELF\x02\x01\x01" + b"\0" * 200)
    (card / "script.png").write_bytes(b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>")
    Image.radial_gradient("L").save(card / "whole.png")
    ingest = ingest_now(opened, card)
    assert (ingest["status"], len(ingest["frames"]), ingest["owed_copies"]) == (3, 8, 0)
    (problem,) = ingest["problems"]
    assert "Decoding needed more than the 4 GiB of memory it may have. The next run tries it again." in problem
    assert ingest_now(opened, card)["status"] == 0
    manifest = JobRecord(opened.job_folder(JOB)).manifest()
    reasons = {frame["name"]: frame["undecodable"] for frame in manifest.frames}
    assert reasons.pop("whole.png") is None
    assert all(reasons.values())
    assert "it claims to be larger than 179 megapixels" in reasons["bomb.png"]
    assert "larger than its data can be" in reasons["terabyte.tif"]
    for name in ("page.jpg", "program.jpg", "script.png"):
        assert "by its content it is neither a JPEG nor a PNG" in reasons[name]
    proof = proof_now(opened)
    assert (proof["status"], proof["problems"]) == (0, [])
    told = {
        frame["name"]
        for frame in manifest.frames
        if f"Frame {frame['number']} cannot be shown" in " ".join(proof["said"])
    }
    assert told == set(reasons) - {"five-gigabytes.tif"}  # given up, and told of, by the ingest before
    head = JobRecord(opened.job_folder(JOB)).manifest().head
    assert proof_now(opened)["status"] == 0
    assert JobRecord(opened.job_folder(JOB)).manifest().head == head  # nothing is tried again


NAMES = [
    b"..\\..\\up.png",
    b"a\nb.png",
    b"c\x1b[31mred\x07.png",
    b"%s%n%d%(x)s{0}.png",
    b"x" * 250 + b".png",
    "漢".encode() * 83 + b".png",
    b"SIMU0001.PNG",
    b"simu0001.png",
    "é.png".encode(),
    "e\u0301.png".encode(),
    b"-rf.png",
    b"=cmd()|A1.png",
    b"$(reboot).png",
    b"\xff\xfe.png",
    b"CON.png",
    b" .png",
]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems refuse such names themselves")
def test_hostile_names_go_from_the_card_to_the_contact_sheet(
    opened: Studio, tmp_path: Path, ingest_now: Ingest
) -> None:
    above = tmp_path / "card" / "n" / ("y" * 150)  # with the file's own, names of over 300 letters
    above.mkdir(parents=True)
    gradient = np.asarray(Image.radial_gradient("L").resize((64, 64)))
    for number, name in enumerate(NAMES):
        Image.fromarray(gradient // 20 * 20 + number % 20).save(above / "part.png")
        (above / "part.png").rename(above / os.fsdecode(name))
    outcome = ingest_now(opened, tmp_path / "card")
    assert (outcome["status"], len(outcome["frames"]), outcome["owed_copies"]) == (0, len(NAMES), 0)
    assert all(line.isprintable() for line in outcome["said"])
    assert proof_now(opened)["status"] == 0
    folders = [opened.folder.parent / "volumes" / name / JOB for name in ("working", "backup")]
    for folder in folders:
        files = [path for path in (folder / "originals").rglob("*") if path.is_file()]
        assert len(files) == len({path.name.casefold() for path in files}) == len(NAMES)
        assert {path.parent.parent for path in files} == {folder / "originals"}
    manifest = JobRecord(folders[0]).manifest()
    assert all(frame["name"].isprintable() and frame["proof"] for frame in manifest.frames)
    assert check_chain(folders[0]) == []
    assert json.dumps(outcome).isascii()
    assert not (tmp_path / "up.png").exists()
