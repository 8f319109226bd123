"""Originals to scene-linear light: raw by LibRaw; JPEG, PNG and TIFF by their profile, and an estimate of the scene."""

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
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bit_depth import FloatImage, from_integers
from glassine.tasks.imaging.reduction import block_means
from glassine.tasks.imaging.scene_estimate import estimate_scene

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
    path: Path,
    *,
    half_size: bool = False,
    look_at: Callable[[rawpy.RawPy], object] | None = None,
    balance: Balance = AS_SHOT,
) -> FloatImage:
    """Render an original to scene-linear light, upright.

    A raw gets its white balance and its camera's matrix; nothing is brightened by content. A JPEG or PNG is decoded by
    its profile, by sRGB when it has none, and the rendering for a display that is in it is taken back
    (`scene_estimate`). A TIFF is decoded by its profile and stays as it is: it is one of our own base files, a
    retoucher's return or a scan.

    Parameters
    ----------
    half_size : one pixel for each 2 × 2 photosites, without interpolation; only for a raw
    look_at : called with an unpacked raw before anything is done to it, and with no other picture
    balance : white balance for a raw alone, since any other picture has its own in it already; exposure for all

    Returns
    -------
    float32, (H, W, 3), [0, 2 ** stops], linear ROMM RGB, D50.

    Raises
    ------
    FrameError
        P001 where it does not decode, is cut short, or where what came out is not to be believed
        (see `check_believable`).

    Notes
    -----
    Light of a raw, before `stops`: each channel's share of its way from black to saturation, times its multiplier over
    the least of the three. So 1.0 is where a neutral saturates in its first channel, as ISO 12232 has it, and does not
    depend on the picture; only the multipliers' ratios count. With most sensors green has the least, and another white
    balance then leaves green light as it is; where red or blue goes below green, all light grows by green over the
    least. Frames of one white balance have one scale in any case.

    Highlights are clipped at 1.0, channel by channel, between white balance and matrix. Where all three are full, the
    light is neutral white under any multipliers; where the light was neutral under them, it turns white as soon as one
    channel is full. Nothing is made up in place of what was lost. `stops` multiply afterwards, in float: above 0 white
    lies above 1.0, for a look's shoulder; below 0 what was lost is a neutral grey of 2 ** stops.

    A raw without an as-shot white balance gets that of daylight, from its camera's matrix: LibRaw by itself would
    balance it by its content. A raw (not DNG) that bears a colour matrix of its own gets LibRaw's table's where
    multipliers are given: LibRaw asks the file's only with the as-shot ones.
    """
    return _brightened(_render_as_exposed(path, balance, half_size=half_size, look_at=look_at), balance)


def _render_as_exposed(
    path: Path, balance: Balance, *, half_size: bool, look_at: Callable[[rawpy.RawPy], object] | None
) -> FloatImage:
    suffix = path.suffix.lower()
    if suffix in _TIFF:
        return tiff_picture.read_picture(path)[0]
    if suffix in _PILLOW:
        with path.open("rb") as file:
            return estimate_scene(_render_with_pillow(file, path.name))
    return from_integers(develop(path, half_size=half_size, look_at=look_at, balance=balance))


def develop(
    path: Path,
    *,
    half_size: bool = False,
    look_at: Callable[[rawpy.RawPy], object] | None = None,
    balance: Balance = AS_SHOT,
) -> NDArray[np.uint16]:
    """Develop a raw: what `render` gives, before the balance's `stops`, in the integers that LibRaw gives.

    A proof is made small from them without a picture in float.

    Returns
    -------
    uint16, (H, W, 3): `from_integers` makes linear ROMM RGB of them.

    Raises
    ------
    FrameError
        P001 as `render` does, and for a picture that is no raw.
    """
    with open_raw(path) as raw:
        if look_at:
            look_at(raw)
        multipliers = balance.multipliers or _daylight_where_unsaid(raw)
        try:
            samples: NDArray[Any] = raw.postprocess(  # which says uint8 of itself, whatever `output_bps`
                half_size=half_size,
                use_camera_wb=multipliers is None,
                user_wb=None if multipliers is None else [*multipliers, multipliers[1]],
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
    check_believable(samples, path.name)
    return samples


def _daylight_where_unsaid(raw: rawpy.RawPy) -> tuple[float, float, float] | None:
    """Daylight's multipliers where a raw bears no as-shot ones, else None."""
    red, _, blue = raw.camera_whitebalance[:3]
    if red > 0 and blue > 0:
        return None
    red, green, blue = raw.daylight_whitebalance[:3]
    return (red, green, blue) if min(red, green, blue) > 0 else (1.0, 1.0, 1.0)


def _brightened(linear: FloatImage, balance: Balance) -> FloatImage:
    if balance.stops:
        linear *= np.float32(balance.gain)
    return linear


def is_rendered(path: Path) -> bool:
    """Whether a file is no raw by its name, but a JPEG, PNG or TIFF: its white balance is in it already."""
    return path.suffix.lower() in _TIFF | _PILLOW


def as_shot_multipliers(path: Path) -> tuple[float, float, float]:
    """The white balance that `render` gives a raw as shot: its camera's, or daylight's where it bears none.

    Returns
    -------
    Multipliers of the camera's own red, green and blue, green 1.0.

    Raises
    ------
    FrameError
        P001 for a picture that is no raw, or does not decode.
    """
    if is_rendered(path):
        raise FrameError("P001", f"{path.name} is no raw: its white balance is in it already, and cannot be read.")
    with open_raw(path) as raw:
        red, green, blue = _daylight_where_unsaid(raw) or raw.camera_whitebalance[:3]
    # LibRaw takes a green of 0 for 1 (from memory).
    green = green or 1.0
    return round(red / green, 5), 1.0, round(blue / green, 5)


def check_decodable(path: Path) -> None:
    """Check at ingest that an original can be decoded: a raw at half size, without interpolation; others whole.

    That LibRaw unpacks a raw is no proof: it does so with data that are not what the file says.

    Raises
    ------
    FrameError
        P001 with the reason: cut short, of a kind that is not known, without a picture in it, black or noise.
    """
    if is_rendered(path):
        render(path)
    else:
        develop(path, half_size=True)


def check_believable(picture: NDArray[Any], name: str) -> None:
    """Refuse what a decoder may return for a damaged or stripped file: black, or noise.

    Black: of the means of blocks of 4 × 4 pixels, the 99.9th percentile lies over 11 stops below saturation.
    Noise: those means vary by more than 5 % of their mean, and yet neighbours along the rows, or along the
    columns, correlate by less than 0.2. (Own criteria: white noise has a correlation of 0, a picture of
    anything through a lens more than 0.8; a blank wall varies by less than 5 %.)

    Parameters
    ----------
    picture : (H, W, 3), linear light in float32, or integers that stand for it

    Raises
    ------
    FrameError
        P001.
    """
    if min(picture.shape[:2]) < 2 * _BLOCK_PX:
        return
    blocks = block_means(picture, _BLOCK_PX)
    if np.percentile(blocks, 99.9) < 2.0**_BLACK_STOPS:
        raise FrameError("P001", f"{name} decodes to black: it holds no picture, or was not exposed.")
    contrast = float(blocks.std() / blocks.mean())
    along = min(_correlation(blocks[:, 1:], blocks[:, :-1]), _correlation(blocks[1:], blocks[:-1]))
    if contrast > _NOISE_CONTRAST and along < _NOISE_CORRELATION:
        raise FrameError("P001", f"{name} decodes to noise: it is damaged, or of a kind not known here.")


def embedded_preview(path: Path, *, balance: Balance = AS_SHOT) -> FloatImage | None:
    """The largest preview inside a raw, or None where there is none that decodes.

    Where LibRaw does not know the file, the largest JPEG that lies in it is taken. The camera's rendering for a
    display is taken back (`scene_estimate`); of the balance, `stops` alone are applied.

    Returns
    -------
    float32, (H, W, 3), [0, 2 ** stops], scene-linear ROMM RGB, D50.
    """
    display = _preview_for_display(path)
    return None if display is None else _brightened(estimate_scene(display), balance)


def _preview_for_display(path: Path) -> FloatImage | None:
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
def open_raw(path: Path) -> Iterator[rawpy.RawPy]:
    """Open and unpack a raw; refuse one that is cut short even where LibRaw would fill it up.

    Raises
    ------
    FrameError
        P001 where it does not decode.
    """
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
