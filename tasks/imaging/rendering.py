"""Finals: a look applied to a picture, written so that the same formula gives the same bytes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from glassine.tasks.imaging import look as looks
from glassine.tasks.imaging import raw_rendering, tiff_picture
from glassine.tasks.imaging.tiff_picture import PictureInfo, read_picture

__all__ = ["PictureInfo", "make_final", "read_picture"]


def make_final(source: Path, look: dict[str, Any], out: Path, *, seed: int) -> dict[str, Any]:
    """Render a final: a returned retouch, a base file or an original, with a look, as a 16-bit TIFF.

    Parameters
    ----------
    source : a TIFF of 8 or 16 bits with its profile, or any original that `raw_rendering.render` takes
    look : a look, valid against `look.schema.json`
    out : put in place at once when it is whole
    seed : of the grain

    Returns
    -------
    {"width", "height", "bits", "profile", "sha256", "size"}; the profile is "Grey gamma 2.2" where the look
    is monochrome and untoned, else "ROMM RGB". The same source, look and seed give the same bytes on the
    same pins and architecture.

    Raises
    ------
    FrameError
        P001 where the source does not decode.
    """
    display = looks.apply(look, raw_rendering.render(source), seed=seed)
    toned = any(step["step"] == "toning" for step in look["steps"])
    space = "Grey gamma 2.2" if looks.is_monochrome(look) and not toned else "ROMM RGB"
    return tiff_picture.write_picture(out, display, space)
