"""Between integer samples and float light: the only place where depth and range change."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from glassine.schemas.errors import FrameError

FloatImage = NDArray[np.float32]
"""float32, (H, W, 3) or (H, W)."""


def to_uint16(image: FloatImage) -> NDArray[np.uint16]:
    """Quantise to 16 bit: clip to [0, 1], scale by 65535, round half up.

    Parameters
    ----------
    image : float32, any shape; what lies outside [0, 1] is clipped

    Raises
    ------
    FrameError
        P002 where a value is NaN or infinite, or the array is not of floats.

    Examples
    --------
    >>> to_uint16(np.array([-0.5, 0.0, 0.5, 1.0, 7.0], np.float32)).tolist()
    [0, 0, 32768, 65535, 65535]
    """
    return _scaled(image, 65535).astype(np.uint16)


def to_uint8(image: FloatImage) -> NDArray[np.uint8]:
    """Quantise to 8 bit: clip to [0, 1], scale by 255, round half up.

    Parameters
    ----------
    image : float32, any shape; what lies outside [0, 1] is clipped

    Raises
    ------
    FrameError
        P002 where a value is NaN or infinite, or the array is not of floats.

    Examples
    --------
    >>> to_uint8(np.array([0.0, 0.5, 1.0], np.float32)).tolist()
    [0, 128, 255]
    """
    return _scaled(image, 255).astype(np.uint8)


def from_integers(image: NDArray[Any]) -> FloatImage:
    """Scale uint8 or uint16 samples to float32 in [0, 1].

    `to_uint8` and `to_uint16` give the same integers back.

    Raises
    ------
    FrameError
        P002 for any other type of sample.

    Examples
    --------
    >>> from_integers(np.array([0, 255], np.uint8)).tolist()
    [0.0, 1.0]
    """
    if image.dtype == np.uint8:
        return image * np.float32(1 / 255)
    if image.dtype == np.uint16:
        return image * np.float32(1 / 65535)
    raise FrameError("P002", f"A picture of {image.dtype} samples: 8-bit or 16-bit whole numbers are wanted.")


def every_integer(depth: np.dtype[Any]) -> FloatImage:
    """All samples that a depth has, from 0 up, scaled as `from_integers` does: what a table is made from.

    Raises
    ------
    FrameError
        P002 for another type than uint8 and uint16.

    Examples
    --------
    >>> every_integer(np.dtype(np.uint8)).shape
    (256,)
    """
    count = 256 if depth == np.uint8 else 65536
    return from_integers(np.arange(count).astype(depth))


def check_finite(image: FloatImage) -> None:
    """Refuse an array that holds NaN or infinity, or no floats at all.

    Raises
    ------
    FrameError
        P002.
    """
    if not np.issubdtype(image.dtype, np.floating):
        raise FrameError("P002", f"A picture of {image.dtype} samples where float samples are wanted.")
    # One number tells: a NaN or an infinity anywhere leaves the minimum or the maximum not finite.
    if image.size and not (np.isfinite(image.min()) and np.isfinite(image.max())):
        raise FrameError("P002", "The picture holds values that are no numbers (NaN) or infinite.")


def _scaled(image: FloatImage, top: int) -> FloatImage:
    check_finite(image)
    scaled = np.clip(image, 0.0, 1.0).astype(np.float32, copy=False)
    scaled = scaled * np.float32(top)
    scaled += np.float32(0.5)
    return np.floor(scaled, out=scaled)
