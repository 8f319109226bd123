"""Flats: the one plain picture of a layered file, derived without a change to any pixel."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import tifffile
from numpy.typing import NDArray

from glassine.schemas import file_system
from glassine.schemas.durable_file import temporary_file, unwritable
from glassine.schemas.errors import FrameError, VolumeError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bands import BAND_ROWS
from glassine.tasks.imaging.tiff_picture import PACKING_LIMIT, check_whole, pack_strip, segment_rows

_PROFILE_TAG: Final = 34675  # InterColorProfile, ICC.1:2010 annex B
_ORIENTATION_TAG: Final = 274  # TIFF 6.0
_LAYERS_TAG: Final = 37724  # ImageSourceData, where editors keep their layers beside the flat picture
_CLASSIC_LIMIT: Final = 2**32
"""Bytes that a TIFF 6.0 file can have; what is larger is a BigTIFF."""
_KINDS: Final = {tifffile.PHOTOMETRIC.RGB: 3, tifffile.PHOTOMETRIC.MINISBLACK: 1}
"""Kinds of picture that are taken, with their channels of colour."""

Samples = NDArray[np.uint16]


def is_layered(path: Path) -> bool:
    """Whether a TIFF holds more than one flat picture: several pages, layers, or a BigTIFF above 4 GiB.

    Raises
    ------
    FrameError
        P001 where it is no TIFF.
    VolumeError
        V004: it cannot be read.
    """
    with _open(path) as tiff:
        try:
            return has_layers(tiff)
        except Exception as error:  # a hostile file makes tifffile raise nearly anything
            raise _unreadable(path.name, error) from error


def has_layers(tiff: tifffile.TiffFile) -> bool:
    """The same of a TIFF that is open."""
    large = tiff.is_bigtiff and tiff.filehandle.size > _CLASSIC_LIMIT
    return large or len(tiff.pages) > 1 or _LAYERS_TAG in tiff.pages.first.tags


def derive_flat(returned: Path, out: Path) -> dict[str, Any]:
    """Write a file's first page, as which editors keep the flat picture, as a TIFF of one page and nothing else.

    Samples, profile, resolution and orientation are those of the file to the bit. Channels beside colour
    (transparency, saved selections) are left out: they are no picture. Layers are not looked at; where the page
    beside them is not the flat picture of these layers, nobody can tell.

    Parameters
    ----------
    returned : TIFF or BigTIFF; its first page RGB or grey, of 16 bits, in strips or tiles of any packing
    out : put in place at once when it is whole; its folder is made

    Returns
    -------
    {"width", "height": as shown, "bits": 16, "profile": its name or None, "sha256", "size"}. The same file gives
    the same bytes.

    Raises
    ------
    FrameError
        P001 where it is no such TIFF, or is cut short.
    VolumeError
        V003: the disk is full or cannot be written. V004: the file cannot be read.

    Notes
    -----
    It goes by bands of rows: a band is as high as the file's own strips or tiles. Memory grows with neither layers
    nor pages; one packed strip that is the whole picture takes as much as that.
    """
    with _open(returned) as tiff:
        page, traits = _look_at(returned, tiff)
        try:
            with temporary_file(out) as (temporary, stream):
                _write(stream, page, traits, returned.name)
                file_system.flush(stream)
                stream.close()
                digest, size = hash_file(temporary), temporary.stat().st_size
                file_system.replace(temporary, out)
            file_system.flush_folder(out.parent)
        except OSError as error:
            raise unwritable(out, error) from error
    width, height = page.imagewidth, page.imagelength
    if traits.orientation in (5, 6, 7, 8):
        width, height = height, width
    return {
        "width": width,
        "height": height,
        "bits": 16,
        "profile": traits.profile or None,
        "sha256": digest,
        "size": size,
    }


@dataclass(frozen=True)
class _Traits:
    """What is handed on of a page besides its samples."""

    icc: bytes | None
    profile: str
    orientation: int
    resolution: tuple[float, float]
    unit: int


def extra_channels(page: tifffile.TiffPage) -> int:
    """How many channels a page has beside those of its colour."""
    colours = _KINDS.get(page.photometric)  # type: ignore[call-overload]
    return 0 if colours is None else max(0, page.samplesperpixel - colours)


def _open(path: Path) -> tifffile.TiffFile:
    try:
        return tifffile.TiffFile(path)
    except OSError as error:
        raise VolumeError("V004", f"{path} cannot be read: {error.strerror or error}.") from error
    except Exception as error:  # a hostile file makes tifffile raise nearly anything
        raise _unreadable(path.name, error) from error


def _look_at(path: Path, tiff: tifffile.TiffFile) -> tuple[tifffile.TiffPage, _Traits]:
    """The first page, if it is one that can be taken, and what is handed on of it."""
    try:
        page = tiff.pages.first
        check_whole(path, tiff)
        colours = _KINDS.get(page.photometric)  # type: ignore[call-overload]
        if colours is None or page.samplesperpixel < colours or page.imagedepth != 1 or page.dtype != np.uint16:
            kind = f"{page.photometric!s} of {page.bitspersample} bits"
            raise FrameError("P001", f"The first page of {path.name} is {kind}: RGB or grey of 16 bits is wanted.")
        if not 0 < page.nbytes <= PACKING_LIMIT * sum(page.databytecounts):
            raise FrameError("P001", f"{path.name} says that it is larger than its data can be.")
        icc = page.tags.valueof(_PROFILE_TAG)
        resolution, unit = page.resolution, int(page.resolutionunit)
        if not all(0 < value < 1e6 for value in resolution) or unit not in (1, 2, 3):
            resolution, unit = (1.0, 1.0), 1  # TIFF 6.0: no unit, square pixels
        return page, _Traits(
            icc=icc,
            profile=icc_profile.profile_name(icc) if icc else "",
            orientation=int(page.tags.valueof(_ORIENTATION_TAG, default=1)),
            resolution=resolution,
            unit=unit,
        )
    except FrameError:
        raise
    except Exception as error:  # as above
        raise _unreadable(path.name, error) from error


def _unreadable(name: str, error: Exception) -> FrameError:
    reason = " ".join(str(error).split())[:200] or type(error).__name__
    return FrameError("P001", f"{name} cannot be read as TIFF: {reason}")


def _write(stream: IO[bytes], page: tifffile.TiffPage, traits: _Traits, name: str) -> None:
    colours = _KINDS[page.photometric]  # type: ignore[index]
    shape = (page.imagelength, page.imagewidth, *((3,) if colours == 3 else ()))
    large = 2 * math.prod(shape) > 3_900_000_000  # offsets of TIFF 6.0 end at 4 GiB
    orientation = [] if traits.orientation == 1 else [(_ORIENTATION_TAG, "H", 1, traits.orientation, True)]
    with tifffile.TiffWriter(stream, byteorder="<", bigtiff=large) as tiff:
        tiff.write(
            (pack_strip(strip) for strip in _strips(_bands(page, colours, name))),
            shape=shape,
            dtype=np.uint16,
            photometric="rgb" if colours == 3 else "minisblack",
            rowsperstrip=BAND_ROWS,
            compression="zlib",
            predictor=True,
            iccprofile=traits.icc,
            resolution=traits.resolution,
            resolutionunit=traits.unit,
            extratags=orientation,
            software=False,
            metadata=None,
            maxworkers=1,
        )


def _strips(bands: Iterator[Samples]) -> Iterator[Samples]:
    """Rows in bands of any height, as strips of 64 rows; the last may be lower."""
    waiting: list[Samples] = []
    for band in bands:
        waiting.append(band)
        if sum(len(part) for part in waiting) < BAND_ROWS:
            continue
        rows = np.concatenate(waiting) if len(waiting) > 1 else band
        whole = len(rows) // BAND_ROWS * BAND_ROWS
        for top in range(0, whole, BAND_ROWS):
            yield rows[top : top + BAND_ROWS]
        waiting = [rows[whole:].copy()] if whole < len(rows) else []
    if waiting:
        yield np.concatenate(waiting)


def _bands(page: tifffile.TiffPage, colours: int, name: str) -> Iterator[Samples]:
    """The page's colour from its upper edge to its lower, band by band: (rows, W, 3), of a grey picture (rows, W)."""
    try:
        for rows in segment_rows(page, colours):
            yield rows()
    except OSError as error:
        raise VolumeError("V004", f"{name} cannot be read: {error.strerror or error}.") from error
    except Exception as error:  # a hostile file makes tifffile and its codecs raise nearly anything
        raise _unreadable(name, error) from error
