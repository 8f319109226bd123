"""Renditions: a final as a client's specification wants it: size, colour space, file format, resolution, name."""

from __future__ import annotations

import io
import math
import string
import unicodedata
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pathvalidate
import tifffile
from PIL import Image

from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import CallError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bands import BAND_ROWS, band_slices, in_order
from glassine.tasks.imaging.bit_depth import FloatImage, to_uint8, to_uint16
from glassine.tasks.imaging.crop import Crop, apply_crop
from glassine.tasks.imaging.rendering import read_picture
from glassine.tasks.imaging.tiff_picture import pack_strip

ENDINGS = {"TIFF": ".tif", "JPEG": ".jpg", "PNG": ".png"}
MM_PER_INCH = 25.4
MAX_NAME_BYTES = 200
"""Of a delivered file; file systems take 255, and copying programs like to add to it."""


def file_name(template: str, values: Mapping[str, Any], file_type: str | None = None) -> str:
    """Name of a delivered file, valid on every system.

    Parameters
    ----------
    template : `string.Template`, as in "${job}_${frame}_${final}"
    values : what may stand in it
    file_type : "TIFF", "JPEG" or "PNG" adds its ending

    Raises
    ------
    CallError
        W001: the template names something unknown, or the result is no name on some system, or is too long.

    Examples
    --------
    >>> file_name("${job}_${frame}", {"job": "2026-014", "frame": "0142"}, "JPEG")
    '2026-014_0142.jpg'
    """
    try:
        name = string.Template(template).substitute(values)
    except KeyError as error:
        known = ", ".join(sorted(values))
        raise CallError("W001", f"The name template {template!r} asks for {error}; there are: {known}.") from error
    except ValueError as error:
        raise CallError("W001", f"The name template {template!r} cannot be read: {error}.") from error
    name = unicodedata.normalize("NFC", name) + (ENDINGS[file_type] if file_type else "")
    try:
        pathvalidate.validate_filename(name, platform="universal", max_len=MAX_NAME_BYTES, fs_encoding="utf-8")
    except pathvalidate.ValidationError as error:
        raise CallError(
            "W001",
            f"{name!r}, made from the template {template!r}, is no file name on every system ({error.description}): change `name_template` in the specification.",
        ) from error
    # '%' must be percent-encoded in a bag, and programs differ on that (RFC 8493 §2.1.3); a leading dot hides a file.
    if "%" in name or not name.isprintable() or name.startswith((".", "-", "~", " ")):
        raise CallError(
            "W001",
            f"{name!r}, made from the template {template!r}, holds a character that programs read differently: change `name_template` in the specification.",
        )
    return name


def same_name_key(name: str) -> str:
    """Equal for two names that are one file on some system (letter case, composed accents)."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def print_pixels(length_mm: float, resolution_ppi: float) -> int:
    """Pixels of a printed length, rounded up so that a print never falls short.

    Examples
    --------
    >>> print_pixels(210, 300), print_pixels(254, 300)
    (2481, 3000)
    """
    return math.ceil(round(length_mm / MM_PER_INCH * resolution_ppi, 6))


def target_size(width: int, height: int, specification: Mapping[str, Any]) -> tuple[int, int]:
    """Width and height, in pixels, that a specification makes of a picture.

    A long edge is never enlarged. A print size is a box that the picture is fitted into whole; the box is turned so
    that its long side is the picture's (common practice).
    """
    size = specification["size"]
    if "full" in size:
        return width, height
    if "long_edge_px" in size:
        scale = min(1.0, size["long_edge_px"] / max(width, height))
        return max(1, math.floor(width * scale + 0.5)), max(1, math.floor(height * scale + 0.5))
    ppi = specification["resolution_ppi"]
    short, long = sorted((print_pixels(size["width_mm"], ppi), print_pixels(size["height_mm"], ppi)))
    box_width, box_height = (long, short) if width > height else (short, long)
    scale = min(box_width / width, box_height / height)
    return (
        min(box_width, math.ceil(round(width * scale, 6))),
        min(box_height, math.ceil(round(height * scale, 6))),
    )


def resize_linear(picture: FloatImage, width: int, height: int) -> FloatImage:
    """Resize in linear light with a Lanczos filter of three lobes, widened when the picture shrinks.

    Parameters
    ----------
    picture : float32, (H, W, 3), linear
    width, height : pixels

    Returns
    -------
    float32, (height, width, 3), linear, [0, 1]: the filter's overshoot is clipped.
    """
    if picture.shape[:2] == (height, width):
        return picture
    resized = np.empty((height, width, 3), np.float32)
    for channel in range(3):
        plane = Image.fromarray(np.ascontiguousarray(picture[:, :, channel]))
        resized[:, :, channel] = np.asarray(plane.resize((width, height), Image.Resampling.LANCZOS))
    return np.clip(resized, 0.0, 1.0, out=resized)


def make_rendition(
    final: Path, specification: Mapping[str, Any], out: Path, *, crop: Crop | None = None
) -> dict[str, Any]:
    """Render a final to a delivery specification. Metadata are written into it afterwards.

    Parameters
    ----------
    final : TIFF with its profile, as `rendering.make_final` wrote it
    specification : valid against delivery_specification.schema.json
    out : the file to write; it is put in place whole, its folder is created
    crop : as in `crop.py`; applied to the whole final before it is resized, so that sizes are those of the cropped
        picture

    Returns
    -------
    "width", "height" : pixels
    "bits" : a channel; "colour_space" : name of the embedded profile; "type" : "TIFF", "JPEG" or "PNG"
    "enlarged" : whether a print size made more pixels than the final, cropped, has
    "sha256", "size" : of the file before metadata, bytes

    The same final, specification and crop give the same bytes on the same pins and architecture.

    Raises
    ------
    FrameError
        P001: the final does not decode.
    CallError
        W001: the crop is none, or sticks out of the final.

    Notes
    -----
    JPEG: 4:4:4, tables of ITU-T T.81 Annex K at the specified IJG quality. TIFF: 8 bits are uncompressed, which every
    printer's program reads; 16 bits are deflated without loss.
    """
    linear, _ = read_picture(final)
    if crop is not None:
        linear = apply_crop(linear, crop)
    cropped_height, cropped_width = linear.shape[:2]
    width, height = target_size(cropped_width, cropped_height, specification)
    space = specification["colour_space"]
    encoded = icc_profile.encode(resize_linear(linear, width, height), space)
    del linear
    file, ppi = specification["file"], specification["resolution_ppi"]
    bits = file.get("bits", 8)
    samples = to_uint16(encoded) if bits == 16 else to_uint8(encoded)
    data = _encode_file(samples, file, icc_profile.profile_bytes(space), ppi)
    replace_file(out, data)
    return {
        "width": width,
        "height": height,
        "bits": bits,
        "colour_space": space,
        "type": file["type"],
        "enlarged": width > cropped_width or height > cropped_height,
        "sha256": hash_file(out),
        "size": len(data),
    }


def _encode_file(samples: np.ndarray[Any, Any], file: Mapping[str, Any], profile: bytes, ppi: float) -> bytes:
    buffer = io.BytesIO()
    if file["type"] == "TIFF":
        deflated = samples.dtype == np.uint16
        strips = in_order(partial(pack_strip, samples[rows]) for rows in band_slices(samples.shape[0]))
        tifffile.imwrite(
            buffer,
            strips if deflated else samples,
            shape=samples.shape,
            dtype=samples.dtype,
            byteorder="<",
            photometric="minisblack" if samples.ndim == 2 else "rgb",
            rowsperstrip=BAND_ROWS,
            compression="zlib" if deflated else None,
            predictor=deflated,
            iccprofile=profile,
            resolution=(ppi, ppi),
            resolutionunit="INCH",
            software=False,
            metadata=None,
            maxworkers=1,
        )
        return buffer.getvalue()
    picture = Image.fromarray(samples)
    if file["type"] == "JPEG":
        # No optimize=True: Pillow then guesses how much room the whole file needs, and fails on a very grainy picture.
        picture.save(
            buffer,
            "JPEG",
            quality=file["quality"],
            subsampling="4:4:4",
            icc_profile=profile,
            dpi=(ppi, ppi),
        )
    else:
        picture.save(buffer, "PNG", icc_profile=profile, dpi=(ppi, ppi))
    return buffer.getvalue()
