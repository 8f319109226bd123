"""Look sheets: frames rendered by several looks side by side, a row a frame, each picture with its look's name."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont, UnidentifiedImageError

from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import CallError
from glassine.tasks.imaging import icc_profile, raw_rendering
from glassine.tasks.imaging import look as looks
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bit_depth import FloatImage, to_uint8
from glassine.tasks.imaging.proof import INK, PAPER, QUIET_INK, resize_long_side, shorten, typeface

Picture = NDArray[np.uint8]
"""uint8, (H, W, 3), sRGB."""

LONG_SIDE_PX: Final = 1000
"""Of each picture on a sheet: six of them are looked at on one screen (own choice)."""
MOST_LOOKS, MOST_ROWS = 6, 12
"""On one sheet; so its JPEG has at most 6,300 by 14,000 px."""

_QUALITY = 90
_COMMENT = b"look sheet"
_MARGIN, _GAP = 48, 28
_HEADING, _SMALL, _NAME = 46, 26, 34
_CAPTION_LINES = 2
"""Sizes in px, own choice: at a third of its size a sheet of three looks can be read."""


@dataclass(frozen=True)
class Row:
    """A frame on a look sheet.

    number : set large over its pictures
    words : small type beside it: its file name
    pictures : one a look, in the looks' order
    """

    number: str
    words: str
    pictures: Sequence[Picture]


@dataclass(frozen=True)
class Caption:
    """What stands under each picture of one look: its name, and smaller what it is for."""

    name: str
    words: str


def develop(source: Path, long_side_px: int, *, balance: Balance = AS_SHOT) -> FloatImage:
    """Render an original's light once, for several looks: a raw at half size where that is enough.

    Returns
    -------
    float32, (H, W, 3), scene-linear ROMM RGB, D50; the long side is `long_side_px`, whatever it was.

    Raises
    ------
    FrameError
        P001 where it does not decode.
    """
    linear = raw_rendering.render(source, half_size=True, balance=balance)
    if max(linear.shape) < long_side_px:
        linear = raw_rendering.render(source, balance=balance)
    return resize_long_side(linear, long_side_px)


def show(look: Mapping[str, Any], linear: FloatImage, *, seed: int) -> Picture:
    """Render light by a look for a screen: uint8, (H, W, 3), sRGB.

    Parameters
    ----------
    linear : float32, (H, W, 3), scene-linear ROMM RGB, D50
    seed : of the grain
    """
    return to_uint8(icc_profile.encode(looks.apply(look, linear, seed=seed), "sRGB"))


def render_looks(
    source: Path, chosen: Sequence[Mapping[str, Any]], *, seed: int, long_side_px: int, balance: Balance = AS_SHOT
) -> list[Picture]:
    """An original by each of several looks: `develop`, then `show`."""
    linear = develop(source, long_side_px, balance=balance)
    return [show(look, linear, seed=seed) for look in chosen]


def make_look_sheet(rows: Sequence[Row], captions: Sequence[Caption], out: Path) -> dict[str, Any]:
    """Set pictures side by side, and write them as one JPEG, sRGB.

    Parameters
    ----------
    rows : 1 to `MOST_ROWS`
    captions : 1 to `MOST_LOOKS`; each row has a picture for each
    out : put in place at once when it is whole; its folder is made. What is there is replaced: ask `is_replaceable`

    Returns
    -------
    {"width", "height", "sha256"}; the same input gives the same bytes.

    Raises
    ------
    CallError
        W001 for too few or too many rows, looks or pictures.
    """
    if not 1 <= len(rows) <= MOST_ROWS or not 1 <= len(captions) <= MOST_LOOKS:
        raise CallError(
            "W001",
            f"A look sheet has 1 to {MOST_ROWS} frames and 1 to {MOST_LOOKS} looks, "
            f"not {len(rows)} and {len(captions)}: name fewer, or more.",
        )
    if any(len(row.pictures) != len(captions) for row in rows):
        raise CallError("W001", "Each row of a look sheet has a picture for each look.")
    file = io.BytesIO()
    sheet = _drawn(rows, captions)
    sheet.save(
        file, "JPEG", quality=_QUALITY, subsampling="4:4:4", icc_profile=icc_profile.profile_bytes("sRGB"),
        comment=_COMMENT,
    )  # fmt: skip
    replace_file(out, file.getvalue())
    return {"width": sheet.width, "height": sheet.height, "sha256": hashlib.sha256(file.getvalue()).hexdigest()}


def is_replaceable(path: Path) -> bool:
    """Whether a look sheet may be written at a path: nothing is there, or an earlier look sheet."""
    if not path.exists():
        return True
    try:
        with Image.open(path, formats=("JPEG",)) as known:
            return bool(known.info.get("comment") == _COMMENT)
    except (OSError, UnidentifiedImageError, ValueError, SyntaxError):
        return False


def _drawn(rows: Sequence[Row], captions: Sequence[Caption]) -> Image.Image:
    column = max(picture.shape[1] for row in rows for picture in row.pictures)
    lines = [_wrapped(caption.words, typeface(_SMALL), column) for caption in captions]
    under = round(_NAME * 1.6) + round(_SMALL * 1.35) * max(len(words) for words in lines)
    heights = [_HEADING + _GAP + max(picture.shape[0] for picture in row.pictures) + under for row in rows]
    width = 2 * _MARGIN + len(captions) * column + (len(captions) - 1) * _GAP
    sheet = Image.new("RGB", (width, 2 * _MARGIN + sum(heights) + (len(rows) - 1) * _MARGIN), (PAPER,) * 3)
    draw = ImageDraw.Draw(sheet)
    top = _MARGIN
    for row, height in zip(rows, heights, strict=True):
        _draw_heading(draw, row, top, width - 2 * _MARGIN)
        first = top + _HEADING + _GAP
        below = first + max(picture.shape[0] for picture in row.pictures)
        for index, (picture, caption) in enumerate(zip(row.pictures, captions, strict=True)):
            left = _MARGIN + index * (column + _GAP)
            sheet.paste(Image.fromarray(picture), (left, first))
            name = typeface(_NAME, bold=True)
            base = below + round(_NAME * 1.25)
            draw.text((left, base), shorten(caption.name, name, column), fill=(INK,) * 3, font=name, anchor="ls")
            for number, words in enumerate(lines[index], 1):
                place = (left, base + round(_SMALL * 1.35) * number)
                draw.text(place, words, fill=(QUIET_INK,) * 3, font=typeface(_SMALL), anchor="ls")
        top += height + _MARGIN
    return sheet


def _draw_heading(draw: ImageDraw.ImageDraw, row: Row, top: int, room: int) -> None:
    large, small = typeface(_HEADING, bold=True), typeface(_SMALL)
    base = top + round(_HEADING * 0.85)
    number = shorten(row.number, large, room * 0.6)  # a file's stem may be long
    draw.text((_MARGIN, base), number, fill=(INK,) * 3, font=large, anchor="ls")
    after = _MARGIN + round(large.getlength(number)) + _GAP
    words = shorten(row.words, small, room + _MARGIN - after, keep_end=True)
    draw.text((after, base), words, fill=(QUIET_INK,) * 3, font=small, anchor="ls")


def _wrapped(text: str, font: ImageFont.FreeTypeFont, room: int) -> list[str]:
    """A text on lines of that width, the last of `_CAPTION_LINES` shortened."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and (len(lines) == _CAPTION_LINES or font.getlength(longer) <= room):
            lines[-1] = longer
        else:
            lines.append(word)
    return [shorten(line, font, room) for line in lines]
