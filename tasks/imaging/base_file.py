"""Base files: what a retoucher starts from."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from glassine.tasks.imaging import raw_rendering, tiff_picture


def make_base(source: Path, out: Path) -> dict[str, Any]:
    """Render an original, without a look and at full size, as a 16-bit TIFF in ROMM RGB.

    Parameters
    ----------
    source : any original that `raw_rendering.render` takes
    out : put in place at once when it is whole; its folder is made

    Returns
    -------
    {"width", "height", "bits": 16, "profile": "ROMM RGB", "sha256", "size"}. The same original gives the same
    bytes on the same pins and architecture.

    Raises
    ------
    FrameError
        P001 where the original does not decode.
    """
    return tiff_picture.write_picture(out, raw_rendering.render(source), "ROMM RGB")
