"""Originals to scene-linear light: raw by LibRaw; JPEG, PNG and TIFF by their profile."""

from __future__ import annotations

import contextlib
import io
import mmap
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import rawpy
import tifffile
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import tiff_picture
from glassine.tasks.imaging.bit_depth import FloatImage, from_integers

_TIFF = {".tif", ".tiff"}
_PILLOW = {".jpg", ".jpeg", ".thm", ".png"}
_ORIENTATION_TAG = 274
_LIBRAW_FLIP_TO_ORIENTATION = {0: 1, 3: 3, 5: 8, 6: 6}
"""LibRaw's `flip` (its documentation, libraw_image_sizes_t) to TIFF's Orientation."""

_JPEG_COMPRESSIONS = (6, 7)  # TIFF 6.0 and its technical note 2; lossless JPEG in DNG is 7 too

_BLACK_STOPS = -11
_BLOCK_PX = 4
_NOISE_CONTRAST = 0.05
_NOISE_CORRELATION = 0.2
_PREVIEW_CANDIDATES = 64
_PREVIEW_HEADER = 1 << 20


def render(
    path: Path, *, half_size: bool = False, look_at: Callable[[rawpy.RawPy], object] | None = None
) -> FloatImage:
    """Render an original to scene-linear light.

    A raw has its as-shot white balance and its orientation applied; 1.0 is the saturation of the channel
    with the least gain, and what is above is clipped there. Nothing is brightened by content. A JPEG, PNG
    or TIFF is decoded by its profile, by sRGB when it has none.

    Parameters
    ----------
    half_size : one pixel for each 2 × 2 photosites, without interpolation; only for a raw
    look_at : called with an unpacked raw before anything is done to it, and with no other picture

    Returns
    -------
    float32, (H, W, 3), [0, 1], linear ROMM RGB, D50.

    Raises
    ------
    FrameError
        P001 where it does not decode, is cut short, or where what came out is not to be believed
        (see `check_believable`).
    """
    suffix = path.suffix.lower()
    if suffix in _TIFF:
        return tiff_picture.read_picture(path)[0]
    if suffix in _PILLOW:
        with path.open("rb") as file:
            return _render_with_pillow(file, path.name)
    with _unpacked(path) as raw:
        if look_at:
            look_at(raw)
        try:
            samples = raw.postprocess(
                half_size=half_size,
                use_camera_wb=True,
                output_color=rawpy.ColorSpace.ProPhoto,
                gamma=(1, 1),
                output_bps=16,
                no_auto_bright=True,
                # By default LibRaw takes the brightest photosite for white when it is near to it, so that
                # the scale of light would depend on the picture.
                adjust_maximum_thr=0.0,
                highlight_mode=rawpy.HighlightMode.Clip,
            )
        except rawpy.LibRawError as error:
            raise _refusal(path, error) from error
    linear = from_integers(samples)
    check_believable(linear, path.name)
    return linear


def check_decodable(path: Path) -> None:
    """Check at ingest that an original can be decoded: a raw at half size, without interpolation; others whole.

    That LibRaw unpacks a raw is no proof: it does so with data that are not what the file says.

    Raises
    ------
    FrameError
        P001 with the reason: cut short, of a kind that is not known, without a picture in it, black or noise.
    """
    render(path, half_size=True)


def check_believable(linear: FloatImage, name: str) -> None:
    """Refuse what a decoder may return for a damaged or stripped file: black, or noise.

    Black: of the means of blocks of 4 × 4 pixels, the 99.9th percentile lies over 11 stops below saturation.
    Noise: those means vary by more than 5 % of their mean, and yet neighbours along the rows, or along the
    columns, correlate by less than 0.2. (Own criteria: white noise has a correlation of 0, a picture of
    anything through a lens more than 0.8; a blank wall varies by less than 5 %.)

    Raises
    ------
    FrameError
        P001.
    """
    height, width = (side // _BLOCK_PX * _BLOCK_PX for side in linear.shape[:2])
    if min(height, width) < 2 * _BLOCK_PX:
        return
    light = linear[:height, :width]
    if light.ndim == 3:  # a tenth of the time of mean(axis=2)
        light = (light[..., 0] + light[..., 1] + light[..., 2]) / np.float32(3)
    blocks = light.reshape(height // _BLOCK_PX, _BLOCK_PX, width // _BLOCK_PX, _BLOCK_PX).mean(axis=(1, 3))
    if np.percentile(blocks, 99.9) < 2.0**_BLACK_STOPS:
        raise FrameError("P001", f"{name} decodes to black: it holds no picture, or was not exposed.")
    contrast = float(blocks.std() / blocks.mean())
    along = min(_correlation(blocks[:, 1:], blocks[:, :-1]), _correlation(blocks[1:], blocks[:-1]))
    if contrast > _NOISE_CONTRAST and along < _NOISE_CORRELATION:
        raise FrameError("P001", f"{name} decodes to noise: it is damaged, or of a kind not known here.")


def embedded_preview(path: Path) -> FloatImage | None:
    """The largest preview inside a raw, or None where there is none that decodes.

    Where LibRaw does not know the file, the largest JPEG that lies in it is taken.

    Returns
    -------
    float32, (H, W, 3), [0, 1], linear ROMM RGB, D50: as the camera rendered it for a display.
    """
    try:
        with rawpy.imread(str(path)) as raw:
            orientation = _LIBRAW_FLIP_TO_ORIENTATION.get(raw.sizes.flip, 1)
            thumb = raw.extract_thumb()
            if thumb.format == rawpy.ThumbFormat.JPEG:
                return _render_with_pillow(io.BytesIO(bytes(thumb.data)), path.name, orientation)
            return tiff_picture.to_light(tiff_picture.orient(np.asarray(thumb.data), orientation), None)
    except (rawpy.LibRawError, rawpy.NotSupportedError, FrameError):
        return _largest_jpeg_within(path)


def _largest_jpeg_within(path: Path) -> FloatImage | None:
    if path.stat().st_size == 0:
        return None
    found: list[tuple[int, int]] = []
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        at = data.find(b"\xff\xd8\xff")
        while at >= 0 and len(found) < _PREVIEW_CANDIDATES:
            try:
                with _quiet(), Image.open(io.BytesIO(data[at : at + _PREVIEW_HEADER])) as picture:
                    found.append((picture.width * picture.height, at))
            except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
                pass  # three bytes that only looked like a JPEG
            at = data.find(b"\xff\xd8\xff", at + 3)
        for _, start in sorted(found, reverse=True):
            try:
                return _render_with_pillow(io.BytesIO(data[start:]), path.name)
            except FrameError:
                continue
    return None


def _render_with_pillow(file: BinaryIO, name: str, orientation: int = 1) -> FloatImage:
    """Decode a JPEG or PNG whole; its own orientation goes before the one given."""
    try:
        with _quiet(), Image.open(file, formats=("JPEG", "PNG")) as picture:
            orientation = int(picture.getexif().get(_ORIENTATION_TAG, orientation))
            icc = picture.info.get("icc_profile")
            if picture.mode.startswith("I;16"):
                samples = np.asarray(picture).astype(np.uint16)
            elif picture.mode in ("1", "L", "LA"):
                samples = np.asarray(picture.convert("L"))
            elif picture.mode in ("RGB", "RGBA", "P"):
                samples = np.asarray(picture.convert("RGB"))
            else:
                raise FrameError("P001", f"{name} has {picture.mode} samples: RGB or grey is wanted.")
    except UnidentifiedImageError as error:
        raise FrameError("P001", f"{name} does not decode: by its content it is neither a JPEG nor a PNG.") from error
    except Image.DecompressionBombError as error:
        most = f"{2 * (Image.MAX_IMAGE_PIXELS or 0) / 1e6:.0f} megapixels"
        raise FrameError("P001", f"{name} does not decode: it claims to be larger than {most}.") from error
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        if isinstance(error, OSError) and error.errno is not None:  # of the disk, not of the file
            raise
        raise FrameError("P001", f"{name} does not decode: {_reason(error)}.") from error
    return tiff_picture.to_light(tiff_picture.orient(samples, orientation), icc)


@contextlib.contextmanager
def _unpacked(path: Path) -> Iterator[rawpy.RawPy]:
    """Open and unpack a raw; refuse one that is cut short even where LibRaw would fill it up."""
    if not path.is_file():
        raise FrameError("P001", f"{path} is not there.")
    _check_structure(path)
    with contextlib.ExitStack() as stack:
        try:
            raw = stack.enter_context(rawpy.imread(str(path)))
            raw.unpack()
        except (rawpy.LibRawError, rawpy.NotSupportedError) as error:
            raise _refusal(path, error) from error
        yield raw


def _refusal(path: Path, error: Exception) -> FrameError | MemoryError:
    """What LibRaw's refusal is: a fault of the file, unless it lacked memory."""
    if isinstance(error, rawpy.LibRawUnsufficientMemoryError):
        return MemoryError(path.name)
    return FrameError("P001", f"{path.name} does not decode: {_reason(error)}.")


def _check_structure(path: Path) -> None:
    """See that the file is as long as it says: LibRaw decodes a DNG that is cut by half without a word.

    Most raws are built like a TIFF, whose tags say where the data end; some newer ones of boxes, each with its
    length (ISO/IEC 14496-12, 4.2).
    """
    with path.open("rb") as file:
        head = file.read(8)
        if head[4:] == b"ftyp":
            _check_boxes(file, path)
            return
    try:
        with tifffile.TiffFile(path) as tiff:
            tiff_picture.check_whole(path, tiff)
            _check_jpeg_segments(path, tiff)
    except FrameError:
        raise
    except Exception:  # no TIFF, or tags of a maker's own: LibRaw is asked alone
        return


def _check_jpeg_segments(path: Path, tiff: tifffile.TiffFile) -> None:
    """Where LibRaw finds no JPEG in a strip that should be one, it leaves what was in memory before: another frame."""
    with path.open("rb") as file:
        for compression, offset, count in tiff_picture.segments(tiff):
            if compression in _JPEG_COMPRESSIONS and count:
                file.seek(offset)
                if file.read(2) != b"\xff\xd8":
                    raise FrameError("P001", f"{path.name} does not decode: what should be JPEG data is not.")


def _check_boxes(file: BinaryIO, path: Path) -> None:
    size, at = path.stat().st_size, 0
    while at < size:
        file.seek(at)
        head = file.read(16)
        length = int.from_bytes(head[:4], "big")
        if length == 0:  # to the end of the file
            return
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        if length < 8 or at + length > size:
            raise FrameError("P001", f"{path.name} is cut short: a part of it reaches beyond its end.")
        at += length


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Without Pillow's warning of large pictures: up to twice that size is an honest camera's."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _correlation(one: NDArray[Any], other: NDArray[Any]) -> float:
    one, other = one - one.mean(), other - other.mean()
    spread = float(np.sqrt((one**2).sum() * (other**2).sum()))
    return float((one * other).sum()) / spread if spread else 1.0


def _reason(error: Exception) -> str:
    text = error.args[0] if error.args else ""
    text = text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)
    return " ".join(text.split()).rstrip(".")[:200] or type(error).__name__
