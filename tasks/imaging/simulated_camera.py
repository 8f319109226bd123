"""A camera that does not exist: light to a Bayer mosaic as a sensor would read it, and to a DNG that holds it.

The file is DNG 1.4 on TIFF 6.0 with Exif 2.32, written here field by field, so that every value in it is known.
"""

from __future__ import annotations

import hashlib
import io
import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bit_depth import FloatImage, to_uint8
from glassine.tasks.imaging.scene_estimate import render_for_display

Mosaic = NDArray[np.uint16]
Value = bytes | str | Sequence[int] | Sequence[Fraction]
Entries = dict[int, tuple[int, Value]]

BLACK_LEVEL = 512
WHITE_LEVEL = 16383
NEUTRAL = (0.5, 1.0, 0.625)
"""What the sensor answers to daylight white in red, green, blue: green saturates first, as in real sensors."""
FULL_WELL_ELECTRONS = 60_000
"""At ISO 100; the order of magnitude of a large sensor, common practice."""
READ_NOISE_ELECTRONS = 4.0

_BYTE, _ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED, _SRATIONAL = 1, 2, 3, 4, 5, 7, 10  # TIFF 6.0, section 2
_SIZE = {_BYTE: 1, _ASCII: 1, _SHORT: 2, _LONG: 4, _RATIONAL: 8, _UNDEFINED: 1, _SRATIONAL: 8}
_ORIENTATION_TURNED_RIGHT = 6
_PREVIEW_LONG_SIDE_PX = 960
_PREVIEW_QUALITY = 88


@dataclass(frozen=True)
class CaptureData:
    """What the camera notes with an exposure; `taken` bears its offset from UTC."""

    counter: int
    taken: datetime
    exposure_seconds: Fraction = Fraction(1, 160)
    f_number: Fraction = Fraction(8)
    iso: int = 100
    focal_length_mm: Fraction = Fraction(85)
    serial_number: str = "GS-000117"
    lens_model: str = "Simulated 85 mm"


def expose(
    light: FloatImage,
    *,
    exposure_stops: float = 0.0,
    iso: int = 100,
    seed: int = 0,
    neutral: Sequence[float] = NEUTRAL,
    noise: bool = True,
) -> Mosaic:
    """Expose an RGGB sensor: photon noise, read noise, black level, clipping at white.

    Parameters
    ----------
    light : float32, (H, W, 3), >= 0, linear, sRGB primaries; 1.0 saturates green at 0 stops
    exposure_stops : added to the light that falls on the sensor
    iso : the gain: the well that white stands for is smaller by iso / 100
    neutral : the sensor's answer to white, by channel
    noise : without it, the mosaic is the light to the nearest step

    Returns
    -------
    uint16, (H, W), [0, 16383], black at 512; the same light and seed give the same mosaic.

    Raises
    ------
    FrameError
        P002 for a wrong shape or type, NaN or infinity.
    """
    icc_profile.check_colour(light)
    scale = 2.0**exposure_stops
    mosaic = np.empty(light.shape[:2], np.float32)
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = light[row::2, column::2, channel] * float(scale * neutral[channel])
    if noise:
        # Beyond a few electrons a Poisson count is normal to well under the read noise.
        white_electrons = FULL_WELL_ELECTRONS * 100 / iso
        draw = np.random.Generator(np.random.Philox(seed)).standard_normal(mosaic.shape, np.float32)
        electrons = np.maximum(mosaic, 0) * white_electrons
        mosaic += draw * np.sqrt(electrons + READ_NOISE_ELECTRONS**2) / white_electrons
    levels = np.floor(mosaic * (WHITE_LEVEL - BLACK_LEVEL) + (BLACK_LEVEL + 0.5))
    clipped: Mosaic = np.clip(levels, 0, WHITE_LEVEL).astype(np.uint16)
    return clipped


def take_frame(
    path: Path, light: FloatImage, capture: CaptureData, *, exposure_stops: float = 0.0, seed: int = 0
) -> None:
    """Expose upright light on the camera, and write the file: a portrait is taken with the camera turned.

    Parameters
    ----------
    light : float32, (H, W, 3), as `expose` takes it; where it is higher than wide the mosaic lies on its side
        and the file says so (Orientation 6)
    """
    upright = light.shape[0] > light.shape[1]
    on_sensor = np.ascontiguousarray(np.rot90(light)) if upright else light
    mosaic = expose(on_sensor, exposure_stops=exposure_stops, iso=capture.iso, seed=seed)
    preview = _preview_jpeg(on_sensor, 2.0**exposure_stops)
    write_dng(path, mosaic, capture, orientation=_ORIENTATION_TURNED_RIGHT if upright else 1, preview_jpeg=preview)


def write_dng(
    path: Path,
    mosaic: Mosaic,
    capture: CaptureData,
    *,
    orientation: int = 1,
    neutral: Sequence[float] = NEUTRAL,
    preview_jpeg: bytes | None = None,
) -> None:
    """Write a mosaic as an uncompressed DNG 1.4, with a JPEG preview where there is one.

    Parameters
    ----------
    mosaic : uint16, (H, W), both even, RGGB, black at 512 and white at 16383
    orientation : TIFF's tag 274
    neutral : the sensor's answer to white; ColorMatrix1 is sRGB's matrix times it, so that colours are right

    Raises
    ------
    FrameError
        P002 where the mosaic is no such array.

    Notes
    -----
    The file is put in place at once when it is whole, and the same values give the same bytes. Source of the tags:
    DNG specification 1.4, Exif 2.32.
    """
    if mosaic.dtype != np.uint16 or mosaic.ndim != 2 or mosaic.shape[0] % 2 or mosaic.shape[1] % 2:
        raise FrameError("P002", f"A mosaic {mosaic.shape} of {mosaic.dtype}: uint16 with even sides is wanted.")
    height, width = mosaic.shape
    raw: Entries = {
        254: (_LONG, [0]),  # NewSubfileType: the picture at full size
        256: (_LONG, [width]),
        257: (_LONG, [height]),
        258: (_SHORT, [16]),
        259: (_SHORT, [1]),  # Compression: none
        262: (_SHORT, [32803]),  # PhotometricInterpretation: colour filter array
        277: (_SHORT, [1]),
        278: (_LONG, [height]),
        279: (_LONG, [mosaic.nbytes]),
        284: (_SHORT, [1]),
        33421: (_SHORT, [2, 2]),  # CFARepeatPatternDim
        33422: (_BYTE, bytes([0, 1, 1, 2])),  # CFAPattern: RGGB
        50710: (_BYTE, bytes([0, 1, 2])),  # CFAPlaneColor
        50711: (_SHORT, [1]),  # CFALayout: rectangular
        50714: (_SHORT, [BLACK_LEVEL]),
        50717: (_SHORT, [WHITE_LEVEL]),
    }
    camera: Entries = {
        271: (_ASCII, "Glassine"),
        272: (_ASCII, "Simulated Camera"),
        274: (_SHORT, [orientation]),
        306: (_ASCII, capture.taken.strftime("%Y:%m:%d %H:%M:%S")),
        37393: (_LONG, [capture.counter]),  # ImageNumber
        50706: (_BYTE, bytes([1, 4, 0, 0])),  # DNGVersion
        50707: (_BYTE, bytes([1, 1, 0, 0])),  # DNGBackwardVersion
        50708: (_ASCII, "Glassine Simulated Camera"),
        50721: (_SRATIONAL, [Fraction(round(part * 10_000), 10_000) for part in _xyz_to_camera(neutral)]),
        50728: (_RATIONAL, [Fraction(part).limit_denominator(10_000) for part in neutral]),  # AsShotNeutral
        50735: (_ASCII, capture.serial_number),  # CameraSerialNumber
        50778: (_SHORT, [21]),  # CalibrationIlluminant1: D65
    }
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with unfinished.open("wb") as file:
            file.write(_layout(raw, camera, _exif(capture), preview_jpeg))
            file.write(np.ascontiguousarray(mosaic, "<u2").data)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)


def _xyz_to_camera(neutral: Sequence[float]) -> list[float]:
    """ColorMatrix1, by rows: XYZ to the sensor, whose channels are sRGB's primaries (IEC 61966-2-1), scaled."""
    srgb_to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    matrix = np.diag(neutral) @ np.linalg.inv(srgb_to_xyz)
    return [float(part) for part in matrix.ravel()]


def _exif(capture: CaptureData) -> Entries:
    if capture.taken.utcoffset() is None:
        raise FrameError("P002", "The time of an exposure needs its offset from UTC.")
    moment = capture.taken.strftime("%Y:%m:%d %H:%M:%S")
    offset = f"{capture.taken:%z}"[:3] + ":" + f"{capture.taken:%z}"[3:5]
    unique = hashlib.sha256(f"{capture.serial_number} {capture.counter} {capture.taken.isoformat()}".encode())
    return {
        33434: (_RATIONAL, [capture.exposure_seconds]),
        33437: (_RATIONAL, [capture.f_number]),
        34850: (_SHORT, [1]),  # ExposureProgram: manual
        34855: (_SHORT, [capture.iso]),
        36864: (_UNDEFINED, b"0232"),
        36867: (_ASCII, moment),  # DateTimeOriginal
        36868: (_ASCII, moment),
        36881: (_ASCII, offset),  # OffsetTimeOriginal
        36882: (_ASCII, offset),
        37385: (_SHORT, [1]),  # Flash: fired
        37386: (_RATIONAL, [capture.focal_length_mm]),
        37521: (_ASCII, f"{capture.taken.microsecond // 1000:03d}"),  # SubSecTimeOriginal
        42016: (_ASCII, unique.hexdigest()[:32]),  # ImageUniqueID
        42033: (_ASCII, capture.serial_number),  # BodySerialNumber
        42036: (_ASCII, capture.lens_model),
    }


def _layout(raw: Entries, camera: Entries, exif: Entries, preview: bytes | None) -> bytes:
    """Everything before the mosaic: header, directories and preview. With a preview, the first directory is it."""
    first: Entries = {**camera, 34665: (_LONG, [0])}
    if preview is None:
        first |= raw | {273: (_LONG, [0])}
    else:
        with Image.open(io.BytesIO(preview)) as picture:
            preview_size = picture.size
        raw = {**raw, 273: (_LONG, [0])}
        first |= {
            254: (_LONG, [1]),  # NewSubfileType: a smaller picture
            256: (_LONG, [preview_size[0]]),
            257: (_LONG, [preview_size[1]]),
            258: (_SHORT, [8, 8, 8]),
            259: (_SHORT, [7]),  # Compression: JPEG
            262: (_SHORT, [6]),  # PhotometricInterpretation: YCbCr
            273: (_LONG, [0]),
            277: (_SHORT, [3]),
            278: (_LONG, [preview_size[1]]),
            279: (_LONG, [len(preview)]),
            284: (_SHORT, [1]),
            330: (_LONG, [0]),  # SubIFDs
            530: (_SHORT, [2, 2]),  # YCbCrSubSampling, as Pillow writes it at this quality
            532: (_RATIONAL, [Fraction(part) for part in (0, 255, 128, 255, 128, 255)]),  # ReferenceBlackWhite
        }
    # A directory is as long whatever the offsets in it are, so that they are known before it is written.
    exif_at = 8 + len(_directory(first, 0))
    raw_at = exif_at + len(_directory(exif, 0))
    preview_at = raw_at + (len(_directory(raw, 0)) if preview is not None else 0)
    mosaic_at = -(-(preview_at + len(preview or b"")) // 16) * 16
    first[34665] = (_LONG, [exif_at])
    if preview is None:
        first[273] = (_LONG, [mosaic_at])
    else:
        first[273], first[330] = (_LONG, [preview_at]), (_LONG, [raw_at])
        raw[273] = (_LONG, [mosaic_at])
    head = struct.pack("<2sHI", b"II", 42, 8) + _directory(first, 8) + _directory(exif, exif_at)
    if preview is not None:
        head += _directory(raw, raw_at) + preview
    return head.ljust(mosaic_at, b"\0")


def _directory(entries: Entries, at: int) -> bytes:
    """An image file directory that stands at an offset, with its longer values after it (TIFF 6.0, section 2)."""
    table, values = struct.pack("<H", len(entries)), b""
    values_at = at + 2 + 12 * len(entries) + 4
    for tag, (kind, value) in sorted(entries.items()):
        data = _packed(kind, value)
        table += struct.pack("<HHI", tag, kind, len(data) // _SIZE[kind])
        if len(data) <= 4:
            table += data.ljust(4, b"\0")
        else:
            table += struct.pack("<I", values_at + len(values))
            values += data + b"\0" * (len(data) % 2)
    return table + b"\0\0\0\0" + values + b"\0" * (len(values) % 2)


def _packed(kind: int, value: Value) -> bytes:
    if isinstance(value, bytes):
        return value
    if isinstance(value, str):
        return value.encode("ascii") + b"\0"
    if kind in (_RATIONAL, _SRATIONAL):
        pairs = [number for part in value for number in Fraction(part).as_integer_ratio()]
        return struct.pack(f"<{len(pairs)}{'i' if kind == _SRATIONAL else 'I'}", *pairs)
    return struct.pack(f"<{len(value)}{'H' if kind == _SHORT else 'I'}", *value)


def _preview_jpeg(light: FloatImage, scale: float) -> bytes:
    """The camera's own small rendering, as it lies on the sensor: sRGB, its profile within."""
    step = max(1, max(light.shape[:2]) // _PREVIEW_LONG_SIDE_PX)
    height, width = (side // step * step for side in light.shape[:2])
    small = light[:height, :width].reshape(height // step, step, width // step, step, 3).mean(axis=(1, 3))
    encoded = icc_profile.SPACES["sRGB"].curve.encode(render_for_display(small * np.float32(scale)))
    jpeg = io.BytesIO()
    Image.fromarray(to_uint8(encoded)).save(
        jpeg, "JPEG", quality=_PREVIEW_QUALITY, icc_profile=icc_profile.profile_bytes("sRGB")
    )
    return jpeg.getvalue()
