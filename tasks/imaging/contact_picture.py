"""A frame's picture on a contact sheet: its proof without the strip, in sRGB, dimmed outside a crop."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

from PIL import Image, ImageCms, ImageDraw

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging.icc_profile import profile_bytes
from glassine.tasks.imaging.pencil_stroke import Point
from glassine.tasks.imaging.proof import picture_origin, picture_size

_OUTSIDE_LIGHT = 0.55
"""Share of 8-bit values that is left outside a crop; own choice, by looking: the frame can still be judged."""


class PictureHead(NamedTuple):
    """What a proof's file says before it is decoded: the picture's size in px, and what it shows instead of the raw."""

    size: tuple[int, int]
    origin: str


def look_at_proof(path: Path) -> PictureHead:
    """Read a proof's size without decoding it.

    Raises
    ------
    FrameError
        P001 where it is no JPEG.
    """
    with _opened(path) as proof:
        origin = picture_origin(proof)
        return PictureHead(picture_size(proof), origin if origin != "raw" else "")


def render_proof(path: Path, outline: Sequence[Point] | None, width_px: float, height_px: float) -> Image.Image:
    """The picture of a proof without its strip.

    Parameters
    ----------
    outline : corners of a crop in percent of the picture; what lies outside is dimmed
    width_px, height_px : the size wanted; a proof of fewer pixels is not enlarged

    Returns
    -------
    RGB, 8 bit, sRGB.

    Raises
    ------
    FrameError
        P001 where it cannot be read.
    """
    with _opened(path) as proof:
        full = picture_size(proof)
        scale = min(1.0, full[0] / width_px, full[1] / height_px)
        size = max(1, round(width_px * scale)), max(1, round(height_px * scale))
        try:
            picture = proof.resize(size, Image.Resampling.LANCZOS, box=(0, 0, *full))
            icc = proof.info.get("icc_profile")
            if icc:
                own = ImageCms.ImageCmsProfile(io.BytesIO(icc))
                converted = ImageCms.profileToProfile(picture, own, _srgb(), outputMode="RGB")
                picture = converted if converted is not None else picture
        except (OSError, ValueError, ImageCms.PyCMSError) as error:
            raise FrameError("P001", f"The proof {path.name} cannot be read: make the frame's proof again.") from error
    picture = picture.convert("RGB")
    return picture if outline is None else _dim_outside(picture, outline)


def _dim_outside(picture: Image.Image, outline: Sequence[Point]) -> Image.Image:
    corners = [(x * picture.width / 100, y * picture.height / 100) for x, y in outline]
    inside = Image.new("L", picture.size, 0)
    ImageDraw.Draw(inside).polygon(corners, fill=255)
    dimmed = picture.point(lambda value: round(value * _OUTSIDE_LIGHT))
    return Image.composite(picture, dimmed, inside)


def _opened(path: Path) -> Image.Image:
    try:
        return Image.open(path, formats=("JPEG",))
    except (OSError, ValueError, SyntaxError) as error:
        raise FrameError("P001", f"The proof {path.name} cannot be read: make the frame's proof again.") from error


@cache
def _srgb() -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(io.BytesIO(profile_bytes("sRGB")))
