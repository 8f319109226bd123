"""Proofs: a frame rendered small with a look, with its number on a strip under the picture."""

from __future__ import annotations

import hashlib
import importlib.util
import io
import re
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import rawpy
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import icc_profile, raw_rendering, reading
from glassine.tasks.imaging import look as looks
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bit_depth import FloatImage, from_integers, to_uint8
from glassine.tasks.imaging.photosites import NO_MOSAIC, Photosites, copy_mosaic, count_photosites
from glassine.tasks.imaging.reduction import reduce_picture

_QUALITY = 90
"""IJG scale; common practice for a picture that is looked at and not worked on."""
_SMALLEST_LONG_SIDE_PX = 640
"""A thumbnail is enlarged to this, so that the words under it have room."""
_STRIP_SHARE = 0.105
_NUMBER_SHARE = 0.075
_WORDS_SHARE = 0.027
"""Heights of the strip and its two sizes of type, as shares of the picture's width: at a width of 300 px the
number is set 22 px high. Own choice."""
PAPER, INK, QUIET_INK = 246, 22, 96
"""8-bit grey values of the strip and of the contact sheet."""
_SHOWN_WHITE = 0.8
"""Luminance of a picture, of its white, from which on one takes it for white: 231 of 255 at gamma 2.2 (own choice)."""
_COMMENT = re.compile(rb"proof: picture (\d+) x (\d+), from (raw|embedded preview|companion)")


def make_proof(
    source: Path,
    look: Mapping[str, Any],
    out: Path,
    label: str,
    *,
    long_side_px: int = 1600,
    seed: int | Callable[[], int] = 0,
    preview_sources: Sequence[Path] = (),
    file_name: str | None = None,
    balance: Balance = AS_SHOT,
    take_reading: bool = True,
) -> dict[str, Any]:
    """Render a frame's proof, and take its reading.

    Parameters
    ----------
    source : the original
    look : valid against `look.schema.json`
    out : the JPEG; put in place at once when it is whole, its folder is made
    label : the frame's number, set large under the picture
    long_side_px : of the picture, without the strip; smaller pictures stay as they are
    seed : of the look's grain; or what gives it, asked once the picture is decoded
    preview_sources : camera JPEGs of the same frame, best first, for when the original does not decode
    file_name : the name that the camera gave, printed in the strip; by default that of `source`
    balance : of the original, before the look
    take_reading : without it the picture alone is made, to the same bytes

    Returns
    -------
    {"picture": "raw" where the original itself was rendered (a JPEG or TIFF original too), else "embedded
    preview", else "companion", "width", "height", "sha256", all three of the JPEG with its strip, "reading":
    of `reading.take_reading` or None where none was wanted or the original does not decode, "hidden_highlights":
    `hidden_highlights`, None where no photosites were counted, "warning": a sentence or None}

    Raises
    ------
    FrameError
        P001 where nothing can be shown.
    DocumentError
        D002 where the look cannot be applied.

    Notes
    -----
    The JPEG bears "Grey gamma 2.2" where the look is monochrome and untoned, else "sRGB", and is the same
    bytes for the same input. A raw is decoded at half size where that is enough. `picture_size` tells the picture
    from the strip in a proof. The reading is always of the light as shot, whatever the balance, which has to be rendered
    for it; and of the half size: between whole rows and columns a full rendering is interpolated, which hides what is
    soft.
    """
    counting: list[Future[Photosites]] = []
    with ThreadPoolExecutor(1) as beside:  # a second core counts and measures meanwhile

        def count(raw: rawpy.RawPy) -> None:
            counting.append(beside.submit(count_photosites, copy_mosaic(raw)))

        look_at = count if take_reading else None
        picture, shown, measured, warning = _decode(source, preview_sources, long_side_px, balance, look_at)
        counted = counting[0].result() if counting else NO_MOSAIC
        taking: Future[dict[str, Any]] | None = None
        if take_reading and picture == "raw":
            if balance != AS_SHOT:
                measured = raw_rendering.render(source, half_size=True)
            taking = beside.submit(_read, measured, counted)
        linear = resize_long_side(shown, min(long_side_px, max(*shown.shape, _SMALLEST_LONG_SIDE_PX)))
        if shown.dtype == np.uint16:  # as `develop` gives it, before its stops
            linear *= np.float32(balance.gain)
        display = looks.apply(look, linear, seed=seed() if callable(seed) else seed)
        taken = taking.result() if taking else None
    space = "Grey gamma 2.2" if looks.is_monochrome(look) else "sRGB"
    rendered = Image.fromarray(to_uint8(icc_profile.encode(display, space)))
    words = [file_name or source.name]
    if warning is not None:
        words.append(f"shows the {picture}: the original does not decode")
    file = io.BytesIO()
    sheet = _with_strip(rendered, label, words)
    sheet.save(
        file,
        "JPEG",
        quality=_QUALITY,
        subsampling="4:4:4",
        icc_profile=icc_profile.profile_bytes(space),
        comment=f"proof: picture {rendered.width} x {rendered.height}, from {picture}".encode("ascii"),
    )
    replace_file(out, file.getvalue())
    return {
        "picture": picture,
        "width": sheet.width,
        "height": sheet.height,
        "sha256": hashlib.sha256(file.getvalue()).hexdigest(),
        "reading": taken,
        "hidden_highlights": hidden_highlights(counted.places, display) if picture == "raw" else None,
        "warning": warning,
    }


def _read(measured: NDArray[Any], counted: Photosites) -> dict[str, Any]:
    light = from_integers(measured) if measured.dtype == np.uint16 else measured
    return reading.take_reading(light, counted)


def hidden_highlights(places: NDArray[np.bool_] | None, display: FloatImage) -> float | None:
    """Share of a picture where the light was lost in the raw, and the look shows a tone below white all the same.

    Parameters
    ----------
    places : bool, of any size: where photosites are clipped (`photosites.Photosites`); None gives None
    display : float32, (H, W, 3), [0, 1], display-linear ROMM RGB: the same picture as the look shows it
    """
    if places is None:
        return None
    size = display.shape[1], display.shape[0]
    lost = np.asarray(Image.fromarray(places.astype(np.uint8) * 255).resize(size, Image.Resampling.BOX))
    return round(float(((lost >= 128) & (icc_profile.luminance(display) < _SHOWN_WHITE)).mean()), 6)


def picture_size(proof: Image.Image) -> tuple[int, int]:
    """Width and height of the picture in an opened proof, without its strip; else the size of the file."""
    found = _COMMENT.fullmatch(proof.info.get("comment", b""))
    if not found:
        return proof.size
    return min(int(found[1]), proof.width), min(int(found[2]), proof.height)


def picture_origin(proof: Image.Image) -> str:
    """What a proof shows: "raw", "embedded preview" or "companion"; "" for any other picture."""
    found = _COMMENT.fullmatch(proof.info.get("comment", b""))
    return found[3].decode("ascii") if found else ""


def resize_long_side(linear: NDArray[Any], long_side_px: int) -> FloatImage:
    """Resize a picture, in linear light, so that its long side is `long_side_px`.

    Smaller by a Hamming filter (`reduce_picture`): over the area of a new pixel, without negative lobes, so that no dark
    rim is drawn round a highlight. Larger by Pillow's bicubic filter.

    Parameters
    ----------
    linear : float32, or integers as `from_integers` takes them, (H, W, 3), linear light

    Returns
    -------
    float32, the same where nothing is to be resized.
    """
    height, width = linear.shape[:2]
    long_side = max(height, width)
    if long_side_px == long_side:
        return linear if linear.dtype == np.float32 else from_integers(linear)
    size = (max(1, round(width * long_side_px / long_side)), max(1, round(height * long_side_px / long_side)))
    if long_side_px < long_side:
        return reduce_picture(linear, *size)
    light = linear if linear.dtype == np.float32 else from_integers(linear)
    planes = [Image.fromarray(np.ascontiguousarray(light[..., channel])) for channel in range(3)]
    return np.stack([np.asarray(plane.resize(size, Image.Resampling.BICUBIC)) for plane in planes], axis=-1)


@cache
def typeface(size_px: int, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Bitstream Vera, which comes with reportlab: the same on every machine."""
    return ImageFont.truetype(str(font_file(bold=bold)), size_px, layout_engine=ImageFont.Layout.BASIC)


def font_file(*, bold: bool = False) -> Path:
    """Where reportlab has Bitstream Vera."""
    found = importlib.util.find_spec("reportlab")
    if found is None or found.origin is None:
        raise ModuleNotFoundError("reportlab")
    return Path(found.origin).parent / "fonts" / ("VeraBd.ttf" if bold else "Vera.ttf")


def shorten(text: str, font: ImageFont.FreeTypeFont, width_px: float, *, keep_end: bool = False) -> str:
    """Cut a text so that it fits; in the middle where its end tells, as in a camera's file names."""
    text = "".join(letter if letter.isprintable() else "�" for letter in text)
    if font.getlength(text) <= width_px:
        return text
    for kept in range(len(text) - 1, 0, -1):
        tail = kept // 2 if keep_end else 0
        shorter = f"{text[: kept - tail]}…{text[len(text) - tail :]}"
        if font.getlength(shorter) <= width_px:
            return shorter
    return "…"


def _decode(
    source: Path,
    preview_sources: Sequence[Path],
    long_side_px: int,
    balance: Balance,
    look_at: Callable[[rawpy.RawPy], object] | None,
) -> tuple[str, NDArray[Any], NDArray[Any], str | None]:
    """What is shown, its light, the light that is measured, and a warning; a raw's in integers, as `develop` gives it."""
    try:
        if raw_rendering.is_rendered(source):
            linear = raw_rendering.render(source, balance=balance)
            return "raw", linear, linear, None
        half = raw_rendering.develop(source, half_size=True, look_at=look_at, balance=balance)
        shown = half if max(half.shape) >= long_side_px else raw_rendering.develop(source, balance=balance)
        return "raw", shown, half, None
    except FrameError as error:
        reason = error
    preview = raw_rendering.embedded_preview(source, balance=balance)
    if preview is not None:
        return "embedded preview", preview, preview, f"{reason} Its proof shows the embedded preview."
    for companion in preview_sources:
        try:
            linear = raw_rendering.render(companion, balance=balance)
        except FrameError:
            continue
        return "companion", linear, linear, f"{reason} Its proof shows {companion.name}."
    raise FrameError("P001", f"{reason} No preview of it decodes either: look at the card again.") from reason


def _with_strip(picture: Image.Image, label: str, words: Sequence[str]) -> Image.Image:
    """Put a strip of paper under a picture: the label large, other words small at the right."""
    width = picture.width
    strip, margin = round(width * _STRIP_SHARE), round(width * 0.02)
    sheet = Image.new(picture.mode, (width, picture.height + strip), _grey(picture.mode, PAPER))
    sheet.paste(picture, (0, 0))
    draw = ImageDraw.Draw(sheet)
    middle = picture.height + strip / 2
    font = typeface(round(width * _NUMBER_SHARE), bold=True)
    draw.text((margin, middle), label, fill=_grey(picture.mode, INK), font=font, anchor="lm")
    room = width - 3 * margin - font.getlength(label)
    small = typeface(max(8, round(width * _WORDS_SHARE)))
    line = small.size * 1.3
    for index, text in enumerate(words):
        place = (width - margin, middle + (index - (len(words) - 1) / 2) * line)
        fill = _grey(picture.mode, INK if index else QUIET_INK)
        draw.text(place, shorten(text, small, room, keep_end=True), fill=fill, font=small, anchor="rm")
    return sheet


def _grey(mode: str, value: int) -> int | tuple[int, int, int]:
    return value if mode == "L" else (value, value, value)
