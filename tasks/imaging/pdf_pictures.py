"""Pictures of a PDF, written one at a time behind the pages that show them, so that only one is ever in memory.

reportlab keeps a document until it is saved, three times over while it is being saved. So the pages are written with a
pixel in the place of each picture, and the pictures follow as an incremental update, which replaces those pixels
(ISO 32000-1, 7.5.6): any reader takes the newest object of a number.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

_END_BYTES = 4096
"""How much of a file's end holds its trailer: that of reportlab has about 300 bytes."""
_TRAILER = re.compile(rb"trailer\s*<<(.*)>>\s*startxref\s+(\d+)\s+%%EOF\s*$", re.DOTALL)


def hold_place(canvas: Canvas, index: int, x: float, y: float, width: float, height: float) -> None:
    """Draw the place of a picture; places are numbered from 0 in the order in which they are drawn; in points."""
    # Equal pictures would become one object: the colour of the pixel tells them apart.
    pixel = Image.new("RGB", (1, 1), (index >> 16, index >> 8 & 255, index & 255))
    canvas.drawImage(ImageReader(pixel), x, y, width, height)


def append_pictures(
    path: Path, canvas: Canvas, renders: Sequence[Callable[[], Image.Image]], *, quality: int = 85
) -> None:
    """Put pictures in their places, in a file that reportlab has just saved.

    Parameters
    ----------
    path, canvas : the file, and what wrote it
    renders : one for each place: makes the picture, RGB or L, 8 bit, of any size
    quality : of the JPEG streams, IJG scale
    """
    if not renders:
        return
    objects = _picture_objects(canvas)
    with path.open("r+b") as file:
        file.seek(-min(_END_BYTES, file.seek(0, io.SEEK_END)), io.SEEK_END)
        found = _TRAILER.search(file.read())
        if not found:
            raise ValueError(f"{path.name} has no trailer as reportlab writes it.")
        offsets = {}
        for number, render in zip(objects, renders, strict=True):
            offsets[number] = file.tell()
            _write_picture(file, number, render(), quality)
        start = file.tell()
        file.write(b"xref\n")
        for run in _runs(sorted(offsets)):
            # An entry has 20 bytes, line end and all.
            file.write(b"%d %d\n" % (run[0], len(run)) + b"".join(b"%010d 00000 n \n" % offsets[one] for one in run))
        file.write(b"trailer\n<<%s/Prev %s\n>>\nstartxref\n%d\n%%%%EOF\n" % (found[1], found[2], start))


def _picture_objects(canvas: Canvas) -> list[int]:
    """Numbers of the pictures' objects in the order in which they were drawn, which is the order of the numbers."""
    known = canvas._doc.idToObjectNumberAndVersion
    return sorted(number for name, (number, _) in known.items() if name.startswith("FormXob."))


def _write_picture(file: Any, number: int, picture: Image.Image, quality: int) -> None:
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=quality)
    space = b"/DeviceGray" if picture.mode == "L" else b"/DeviceRGB"
    file.write(
        b"%d 0 obj\n<< /Type /XObject /Subtype /Image /Width %d /Height %d /BitsPerComponent 8 /ColorSpace %s "
        b"/Filter /DCTDecode /Length %d >>\nstream\n" % (number, *picture.size, space, stream.tell())
    )
    file.write(stream.getbuffer())
    file.write(b"\nendstream\nendobj\n")


def _runs(numbers: Sequence[int]) -> list[list[int]]:
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return runs
