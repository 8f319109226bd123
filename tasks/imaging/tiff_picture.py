"""TIFF pictures: read with their profile, and written so that the same light gives the same bytes."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from glassine.schemas.errors import FrameError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bit_depth import FloatImage, from_integers, to_uint16

_PROFILE_TAG = 34675  # InterColorProfile, ICC.1:2010 annex B
_PIXELS_PER_INCH = 300  # common practice; a delivery sets its own
_STRIP_ROWS = 64


@dataclass(frozen=True)
class PictureInfo:
    """What a picture file is: its size as shown, bits a sample, profile name ("" for none), channels."""

    width: int
    height: int
    bits: int
    profile: str
    channels: int


def read_picture(path: Path) -> tuple[FloatImage, PictureInfo]:
    """Read a TIFF of 8 or 16 bits, RGB or grey, into linear light.

    Orientation is applied; samples beyond colour (transparency) are left out. A picture without profile is
    taken for sRGB (common practice), a grey one for grey with sRGB's curve.

    Returns
    -------
    float32, (H, W, 3), linear ROMM RGB, D50; and the facts of the file.

    Raises
    ------
    FrameError
        P001 where it is no such TIFF, is cut short, or its profile cannot be used.
    """
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            if not isinstance(page, tifffile.TiffPage):  # pragma: no cover - the first page is always whole
                raise ValueError("no first page")
            check_whole(path, tiff)
            samples = page.asarray()
            kind, orientation = page.photometric, int(page.tags.valueof(274, default=1))
            axes, icc = page.axes, page.tags.valueof(_PROFILE_TAG)
    except FrameError:
        raise
    except Exception as error:  # a hostile file makes tifffile and its codecs raise nearly anything
        raise FrameError("P001", f"{path.name} cannot be read as TIFF: {_one_line(error)}") from error
    if samples.dtype not in (np.uint8, np.uint16):
        raise FrameError("P001", f"{path.name} has {samples.dtype} samples: 8 or 16 bits are wanted.")
    if axes == "SYX":
        samples = np.moveaxis(samples, 0, 2)
    elif axes not in ("YX", "YXS"):
        raise FrameError("P001", f"{path.name} is no single picture (axes {axes}).")
    if kind == tifffile.PHOTOMETRIC.MINISBLACK:
        samples = samples if samples.ndim == 2 else samples[:, :, 0]
    elif kind in (tifffile.PHOTOMETRIC.RGB, tifffile.PHOTOMETRIC.YCBCR) and samples.ndim == 3:
        samples = samples[:, :, :3]
    else:
        raise FrameError("P001", f"{path.name} is a TIFF of the kind {kind!s}: RGB or grey is wanted.")
    samples = orient(samples, orientation)
    info = PictureInfo(
        width=samples.shape[1],
        height=samples.shape[0],
        bits=8 * samples.dtype.itemsize,
        profile=icc_profile.profile_name(icc) if icc else "",
        channels=1 if samples.ndim == 2 else 3,
    )
    return to_light(samples, icc), info


def to_light(samples: NDArray[Any], icc: bytes | None) -> FloatImage:
    """Integer samples (H, W, 3) or (H, W), with their profile (sRGB without), to linear ROMM RGB (H, W, 3)."""
    linear = np.empty((*samples.shape[:2], 3), np.float32)
    for rows in _strips(samples.shape[0]):
        encoded = from_integers(np.ascontiguousarray(samples[rows]))
        if icc:
            linear[rows] = icc_profile.decode_with_profile(encoded, icc)
        else:
            three = encoded if encoded.ndim == 3 else np.repeat(encoded[:, :, np.newaxis], 3, axis=2)
            linear[rows] = icc_profile.decode(three, "sRGB")
    return linear


def orient(samples: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Turn a picture as its Orientation says (TIFF 6.0, tag 274); 1 and unknown ones leave it."""
    if orientation in (2, 5):
        samples = samples[:, ::-1]
    elif orientation in (4, 7):
        samples = samples[::-1]
    quarter_turns = {3: 2, 5: 1, 6: -1, 7: 1, 8: 1}.get(orientation, 0)
    return np.rot90(samples, quarter_turns)


def check_whole(path: Path, tiff: tifffile.TiffFile) -> None:
    """Refuse a TIFF, or a raw built like one, whose data reach beyond the end of the file.

    Decoders fill what is missing with black without a word.

    Raises
    ------
    FrameError
        P001.
    """
    size = path.stat().st_size
    for _, offset, count in segments(tiff):
        if offset + count > size:
            missing = offset + count - size
            raise FrameError("P001", f"{path.name} is cut short: at least {missing} bytes are missing.")


def segments(tiff: tifffile.TiffFile) -> Iterator[tuple[int, int, int]]:
    """Compression, offset and length of each strip and tile of every picture in a TIFF, nested ones too."""
    pages: list[Any] = list(tiff.pages)
    while pages:
        page = pages.pop()
        pages += page.pages or []
        for offset, count in zip(page.dataoffsets, page.databytecounts, strict=False):
            yield int(page.compression), offset, count


def write_picture(path: Path, linear_romm: FloatImage, space: str) -> dict[str, Any]:
    """Write light as a 16-bit TIFF with its profile; the same light gives the same bytes.

    It bears no date and no program's version. Deflate with horizontal differencing, in strips of 64 rows.

    Parameters
    ----------
    path : put in place at once when it is whole; its folder is made
    linear_romm : float32, (H, W, 3), display-linear ROMM RGB; clipped to the space
    space : a name of `icc_profile`

    Returns
    -------
    {"width", "height", "bits", "profile", "sha256", "size"}
    """
    icc_profile.check_colour(linear_romm)
    channels = () if space == "Grey gamma 2.2" else (3,)
    samples = np.empty((*linear_romm.shape[:2], *channels), np.uint16)
    for rows in _strips(samples.shape[0]):
        samples[rows] = to_uint16(icc_profile.encode(linear_romm[rows], space))
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        tifffile.imwrite(
            unfinished,
            samples,
            byteorder="<",
            bigtiff=samples.nbytes > 3_900_000_000,  # offsets of TIFF 6.0 end at 4 GiB
            photometric="rgb" if samples.ndim == 3 else "minisblack",
            rowsperstrip=_STRIP_ROWS,
            compression="zlib",
            compressionargs={"level": 6},
            predictor=True,
            iccprofile=icc_profile.profile_bytes(space),
            resolution=(_PIXELS_PER_INCH, _PIXELS_PER_INCH),
            resolutionunit="INCH",
            software=False,
            metadata=None,
            maxworkers=1,
        )
        digest = hash_file(unfinished)
        size = unfinished.stat().st_size
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)
    return {
        "width": samples.shape[1],
        "height": samples.shape[0],
        "bits": 16,
        "profile": space,
        "sha256": digest,
        "size": size,
    }


def _strips(height: int) -> Iterator[slice]:
    """Rows in strips: the steps of a conversion then stay in the processor's cache, and need next to no memory."""
    return (slice(top, top + _STRIP_ROWS) for top in range(0, height, _STRIP_ROWS))


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
