"""Finals: a look applied to a picture, written so that the same formula gives the same bytes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from glassine.tasks.imaging import look as looks
from glassine.tasks.imaging import raw_rendering, tiff_picture
from glassine.tasks.imaging.balance import AS_SHOT, Balance
from glassine.tasks.imaging.bands import band_slices
from glassine.tasks.imaging.bit_depth import FloatImage, from_integers
from glassine.tasks.imaging.tiff_picture import PictureInfo, read_picture

__all__ = ["Light", "PictureInfo", "make_final", "open_light", "read_picture"]

_TIFF = {".tif", ".tiff"}


class Light(NamedTuple):
    """A picture's light: its size in pixels; and each band of its rows, with the call that gives it: float32,
    (rows, width, 3), scene-linear ROMM RGB, D50."""

    width: int
    height: int
    bands: Iterator[tuple[slice, Callable[[], FloatImage]]]


@contextmanager
def open_light(source: Path, balance: Balance = AS_SHOT) -> Iterator[Light]:
    """Open any original that `raw_rendering.render` takes, to be gone through once from top to bottom.

    A TIFF is read as it is gone through, so that it is never in memory whole; a raw is developed first, in integers; any
    other is rendered first.

    Raises
    ------
    FrameError
        P001 where it does not decode, here or when a band is asked for or made.
    """
    if source.suffix.lower() in _TIFF:
        with tiff_picture.open_bands(source) as (info, bands):
            yield Light(info.width, info.height, ((rows, partial(_exposed, band, balance)) for rows, band in bands))
    elif raw_rendering.is_rendered(source):
        light = raw_rendering.render(source, balance=balance)
        height, width = light.shape[:2]
        yield Light(width, height, ((rows, partial(light.__getitem__, rows)) for rows in band_slices(height)))
    else:
        samples = raw_rendering.develop(source, balance=balance)
        height, width = samples.shape[:2]
        bands = ((rows, partial(_light_of, samples, rows)) for rows in band_slices(height))
        yield Light(width, height, ((rows, partial(_exposed, band, balance)) for rows, band in bands))


def _light_of(samples: NDArray[np.uint16], rows: slice) -> FloatImage:
    return from_integers(samples[rows])


def _exposed(band: Callable[[], FloatImage], balance: Balance) -> FloatImage:
    """Exposure alone: a developed raw has its white balance already, and so has any other picture."""
    light = band()
    return light * np.float32(balance.gain) if balance.stops else light


def make_final(
    source: Path,
    look: dict[str, Any],
    out: Path,
    *,
    seed: int,
    balance: Balance = AS_SHOT,
    threads: int | None = None,
) -> dict[str, Any]:
    """Render a final: a returned retouch, a base file or an original, with a look, as a 16-bit TIFF.

    Parameters
    ----------
    source : a TIFF of 8 or 16 bits with its profile, or any original that `raw_rendering.render` takes
    look : a look, valid against `look.schema.json`
    out : put in place at once when it is whole
    seed : of the grain
    balance : of the original, before the look
    threads : by default one for each core, 8 at most

    Returns
    -------
    {"width", "height", "bits", "profile", "sha256", "size"}; the profile is "Grey gamma 2.2" where the look
    is monochrome and untoned, else "ROMM RGB". The same source, look, seed and balance give the same bytes on the
    same pins and architecture, on any number of threads.

    Raises
    ------
    FrameError
        P001 where the source does not decode.
    DocumentError
        D002 where the look cannot be applied.

    Notes
    -----
    It goes by bands of rows, a few at a time: a TIFF's light is never in memory whole.
    """
    with open_light(source, balance) as light:
        prepared = looks.PreparedLook(look, width=light.width, height=light.height, seed=seed)
        space = "Grey gamma 2.2" if prepared.channels == 1 else "ROMM RGB"
        bands = (partial(_with_look, prepared, band, rows.start) for rows, band in light.bands)
        return tiff_picture.write_bands(out, light.width, light.height, bands, space, threads=threads)


def _with_look(prepared: looks.PreparedLook, band: Callable[[], FloatImage], top: int) -> FloatImage:
    return prepared.rows(band(), top)
