"""TIFF pictures: read with their profile, and written so that the same light gives the same bytes."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, Final

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from glassine.schemas.errors import FrameError
from glassine.tasks.custody.digest import hash_file
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bands import BAND_ROWS, band_slices, in_order
from glassine.tasks.imaging.bit_depth import FloatImage, to_uint16

Samples = NDArray[Any]
"""uint8 or uint16, (H, W, 3) or (H, W)."""

_PROFILE_TAG: Final = 34675  # InterColorProfile, ICC.1:2010 annex B
_ORIENTATION_TAG: Final = 274  # TIFF 6.0
_PIXELS_PER_INCH: Final = 300  # common practice; a delivery sets its own
_MOST_BAND_ROWS: Final = 256
"""A file whose own strips or tiles ask for higher bands is decoded whole, as integers, before it is turned into light."""
PACKING_LIMIT: Final = 10_000
"""Deflate packs to a thousandth at most (RFC 1951); no photograph comes near to that, and a forged size does not bring
down the memory."""
_JPEG_COMPRESSIONS: Final = (6, 7)  # TIFF 6.0 and its technical note 2
_DEFLATE_LEVEL: Final = 1
"""libdeflate's quickest: a camera's noise packs no better at any other (measured: 71 % of the differences' size, 73 % at
level 6 in one and a half times the time; a drawn picture without noise 38 and 36 %)."""


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
    with open_bands(path) as (info, bands):
        linear = np.empty((info.height, info.width, 3), np.float32)
        for _ in in_order(partial(_put, linear, rows, band) for rows, band in bands):
            pass
    return linear, info


def _put(into: NDArray[Any], rows: slice, band: Callable[[], NDArray[Any]]) -> None:
    into[rows] = band()


@contextmanager
def open_bands(path: Path) -> Iterator[tuple[PictureInfo, Iterator[tuple[slice, Callable[[], FloatImage]]]]]:
    """Open a TIFF as `read_picture` takes it, to be turned into light band by band.

    Yields
    ------
    The facts of the file; and the rows of each band from top to bottom, with a call that gives its light and may run in
    any thread: float32, (rows, W, 3), linear ROMM RGB. The rows of each are a whole number of `BAND_ROWS`; the last has
    the rest. Raises as `read_picture` does, here or when a band is asked for or made.
    """
    with _open(path) as tiff:
        with _telling(path.name):
            page = tiff.pages.first
            if not isinstance(page, tifffile.TiffPage):  # pragma: no cover - the first page is always whole
                raise ValueError("no first page")
            check_whole(path, tiff)
            colours = _colours_of(page, path.name)
            icc: bytes | None = page.tags.valueof(_PROFILE_TAG)
            turned = int(page.tags.valueof(_ORIENTATION_TAG, default=1))
            profile = icc_profile.profile_name(icc) if icc else ""
        upright = (page.imagelength, page.imagewidth)
        height, width = reversed(upright) if turned in (5, 6, 7, 8) else upright
        yield (
            PictureInfo(width, height, 8 * page.dtype.itemsize, profile, colours),  # type: ignore[union-attr]
            (
                (rows, partial(_light_of, samples, icc, path.name))
                for rows, samples in _sample_bands(page, colours, turned, path.name)
            ),
        )


def _light_of(samples: Callable[[], Samples], icc: bytes | None, name: str) -> FloatImage:
    with _telling(name):
        taken = samples()
    return to_light(taken, icc)


def to_light(samples: Samples, icc: bytes | None) -> FloatImage:
    """Integer samples (H, W, 3) or (H, W), with their profile (sRGB without), to linear ROMM RGB (H, W, 3)."""
    linear = np.empty((*samples.shape[:2], 3), np.float32)
    for rows in band_slices(samples.shape[0]):
        linear[rows] = icc_profile.decode_samples(np.ascontiguousarray(samples[rows]), icc)
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


def segment_rows(page: tifffile.TiffPage, colours: int) -> Iterator[Callable[[], Samples]]:
    """The colour of a page from its upper edge to its lower: a row of its strips or tiles at a time.

    Parameters
    ----------
    page : 8 or 16 bits, in strips or tiles of any packing, its channels together or apart
    colours : 3 or 1; further channels are left out

    Yields
    ------
    Calls that may run in any thread, each giving (rows, W, 3), or (rows, W) for one colour: what they need of the file
    has been read. Each has as many rows as the page's strips or tiles, the last the rest; of a page that lies in the
    file as it is, often as one strip, `BAND_ROWS`.
    """
    return (_plain_rows if page.is_final else _packed_rows)(page, colours)


def write_picture(path: Path, linear_romm: FloatImage, space: str) -> dict[str, Any]:
    """Write light as a 16-bit TIFF: `write_bands` of a whole picture.

    Parameters
    ----------
    linear_romm : float32, (H, W, 3), display-linear ROMM RGB; clipped to the space
    """
    height, width = linear_romm.shape[:2]
    bands = (partial(linear_romm.__getitem__, rows) for rows in band_slices(height))
    return write_bands(path, width, height, bands, space)


def write_bands(
    path: Path,
    width: int,
    height: int,
    bands: Iterable[Callable[[], FloatImage]],
    space: str,
    *,
    threads: int | None = None,
) -> dict[str, Any]:
    """Write light, band by band, as a 16-bit TIFF with its profile; the same light gives the same bytes.

    It bears no date and no program's version. Deflate with horizontal differencing, in strips of 64 rows.

    Parameters
    ----------
    path : put in place at once when it is whole; its folder is made
    width, height : px
    bands : calls that give the picture from top to bottom, each a whole number of `BAND_ROWS`, the last the rest:
        float32, (rows, W, 3), display-linear ROMM RGB, clipped to the space; or, for a grey space, its luminance alone,
        (rows, W, 1)
    space : a name of `icc_profile`
    threads : as `in_order` has it; the bytes do not depend on it, nor on how the bands are cut

    Returns
    -------
    {"width", "height", "bits", "profile", "sha256", "size"}

    Raises
    ------
    FrameError
        P002 where light is NaN or infinite; and whatever a call raises. What was there before is still there.
    """
    shape = (height, width) if icc_profile.is_grey(space) else (height, width, 3)
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    packed = in_order((partial(_packed_strips, band, space) for band in bands), threads)
    try:
        tifffile.imwrite(
            unfinished,
            (strip for strips in packed for strip in strips),
            shape=shape,
            dtype=np.uint16,
            byteorder="<",
            bigtiff=2 * math.prod(shape) > 3_900_000_000,  # offsets of TIFF 6.0 end at 4 GiB
            photometric="rgb" if len(shape) == 3 else "minisblack",
            rowsperstrip=BAND_ROWS,
            compression="zlib",
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
    return {"width": width, "height": height, "bits": 16, "profile": space, "sha256": digest, "size": size}


def _packed_strips(band: Callable[[], FloatImage], space: str) -> list[bytes]:
    light = band()
    return [pack_strip(to_uint16(icc_profile.encode(light[rows], space))) for rows in band_slices(len(light))]


def pack_strip(samples: NDArray[np.uint16]) -> bytes:
    """A strip as TIFF 6.0 wants it, with the lower byte first: differences along the rows (predictor 2), then Deflate."""
    differences = np.asarray(imagecodecs.delta_encode(samples.astype("<u2", copy=False), axis=1))
    return bytes(imagecodecs.deflate_encode(differences.tobytes(), level=_DEFLATE_LEVEL))


@contextmanager
def _open(path: Path) -> Iterator[tifffile.TiffFile]:
    with _telling(path.name):
        tiff = tifffile.TiffFile(path)
    with tiff:
        yield tiff


@contextmanager
def _telling(name: str) -> Iterator[None]:
    """Anything that goes wrong in reading, as a FrameError: a hostile file makes tifffile and its codecs raise all sorts."""
    try:
        yield
    except FrameError:
        raise
    except Exception as error:
        raise FrameError("P001", f"{name} cannot be read as TIFF: {_one_line(error)}") from error


def _colours_of(page: tifffile.TiffPage, name: str) -> int:
    """How many channels of colour a page has, 3 or 1, if it is one that can be taken."""
    if page.dtype not in (np.uint8, np.uint16) or page.bitspersample not in (8, 16):
        raise FrameError("P001", f"{name} has {_kind_of_samples(page)} samples: 8 or 16 bits are wanted.")
    if page.axes not in ("YX", "YXS", "SYX"):
        raise FrameError("P001", f"{name} is no single picture (axes {page.axes}).")
    if not 0 < page.nbytes <= PACKING_LIMIT * sum(page.databytecounts):
        raise FrameError("P001", f"{name} says that it is larger than its data can be.")
    if page.photometric == tifffile.PHOTOMETRIC.MINISBLACK:
        return 1
    if page.photometric in (tifffile.PHOTOMETRIC.RGB, tifffile.PHOTOMETRIC.YCBCR) and page.samplesperpixel >= 3:
        return 3
    raise FrameError("P001", f"{name} is a TIFF of the kind {page.photometric!s}: RGB or grey is wanted.")


def _kind_of_samples(page: tifffile.TiffPage) -> str:
    bits = page.bitspersample
    return f"{bits}-bit" if page.dtype in (np.uint8, np.uint16) else str(page.dtype)


def _sample_bands(
    page: tifffile.TiffPage, colours: int, orientation: int, name: str
) -> Iterator[tuple[slice, Callable[[], Samples]]]:
    """A page, upright, in bands whose rows are a whole number of `BAND_ROWS`."""
    height = page.imagelength
    rows = BAND_ROWS if page.is_final else page.tilelength if page.is_tiled else min(page.rowsperstrip, height)
    band_rows = rows if rows >= height else math.lcm(rows, BAND_ROWS)
    with _telling(name):
        calls = segment_rows(page, colours)
        if orientation == 1 and band_rows <= _MOST_BAND_ROWS:
            for top in range(0, height, band_rows):
                parts = tuple(islice(calls, band_rows // rows))
                yield slice(top, min(top + band_rows, height)), partial(_joined, parts)
            return
        samples = np.empty((height, page.imagewidth, 3)[: 3 if colours == 3 else 2], page.dtype)
        places = (slice(top, min(top + rows, height)) for top in range(0, height, rows))
        for _ in in_order(partial(_put, samples, place, call) for place, call in zip(places, calls, strict=True)):
            pass
    upright = orient(samples, orientation)
    for band in band_slices(len(upright)):
        yield band, partial(upright.__getitem__, band)


def _joined(parts: tuple[Callable[[], Samples], ...]) -> Samples:
    return parts[0]() if len(parts) == 1 else np.concatenate([part() for part in parts])


def _plain_rows(page: tifffile.TiffPage, colours: int) -> Iterator[Callable[[], Samples]]:
    """Of a page that lies in the file as it is: only the rows that are wanted are read."""
    assert page.dtype is not None
    height, width = page.imagelength, page.imagewidth
    separate = page.planarconfig == tifffile.PLANARCONFIG.SEPARATE
    planes, channels = (colours, 1) if separate else (1, page.samplesperpixel)
    row_bytes = page.dtype.itemsize * width * channels
    stored = page.dtype.newbyteorder(page.parent.byteorder)
    file, start = page.parent.filehandle, page.dataoffsets[0]

    def colour_of(data: list[bytes], rows: int) -> Samples:
        parts = [np.frombuffer(plane, stored).reshape(rows, width, channels) for plane in data]
        taken = np.concatenate(parts, axis=2) if separate else parts[0][:, :, :colours]
        native: Samples = np.ascontiguousarray(taken, stored.newbyteorder("="))
        return native if colours == 3 else native[:, :, 0]

    for band in band_slices(height):
        data = []
        for plane in range(planes):
            file.seek(start + (plane * height + band.start) * row_bytes)
            data.append(file.read((band.stop - band.start) * row_bytes))
        yield partial(colour_of, data, band.stop - band.start)


def _packed_rows(page: tifffile.TiffPage, colours: int) -> Iterator[Callable[[], Samples]]:
    """Of any other page: one row of its strips or tiles at a time, read now and decoded when it is called for."""
    height, width = page.imagelength, page.imagewidth
    rows, columns = (page.tilelength, page.tilewidth) if page.is_tiled else (page.rowsperstrip, width)
    down, across = -(-height // rows), -(-width // columns)
    # Planes of channels beside colour are not even read (TIFF 6.0, PlanarConfiguration: all segments of one plane,
    # then those of the next).
    planes = colours if page.planarconfig == tifffile.PLANARCONFIG.SEPARATE else 1
    file, decode, depth = page.parent.filehandle, page.decode, page.dtype
    tables = (
        {"jpegtables": page.jpegtables, "jpegheader": page.jpegheader} if page.compression in _JPEG_COMPRESSIONS else {}
    )

    def colour_of(data: list[tuple[int, int, int, bytes]], band_rows: int) -> Samples:
        band = np.zeros((band_rows, width, colours), depth)
        for plane, column, index, packed in data:
            segment, _, _ = decode(packed, index, **tables)
            if segment is not None:  # an empty one is black, as tifffile reads it
                left = column * columns
                part = segment[0, :band_rows, : width - left, :colours]
                channels = slice(plane, plane + 1) if planes > 1 else slice(colours)
                band[: part.shape[0], left : left + part.shape[1], channels] = part
        return band if colours == 3 else band[:, :, 0]

    for row in range(down):
        data = []
        for plane in range(planes):
            for column in range(across):
                index = (plane * down + row) * across + column
                file.seek(page.dataoffsets[index])
                data.append((plane, column, index, file.read(page.databytecounts[index])))
        yield partial(colour_of, data, min(rows, height - row * rows))


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
