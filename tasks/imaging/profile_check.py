"""Whether this machine's LittleCMS opens the colour profiles that we write, and reads them as they are meant."""

from __future__ import annotations

from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import ImageCms

from glassine.tasks.imaging import icc_profile
from glassine.tasks.imaging.bit_depth import FloatImage

Lab = NDArray[np.floating[Any]]

SRGB_RED_LAB = np.array([54.2896, 80.8144, 69.8897])
"""sRGB's full red in CIELAB under D50, relative colorimetric: LittleCMS' `transicc` with its own sRGB profile."""
TOLERANCE_LAB = 0.05
"""Ten times what 16-bit numbers in a profile make (measured: 0.006), and a fiftieth of what an eye tells apart."""


def find_profile_faults() -> list[str]:
    """Every profile of ours that gives a wrong colour or cannot be opened, a sentence each; none where all is well.

    Sources: our formulas (`icc_profile`) for one muted colour in each space, and a published value for sRGB's red.
    """
    muted = np.array([[[0.5, 0.25, 0.125]]], np.float32)
    faults = []
    for name, space in icc_profile.SPACES.items():
        sample = muted if space.primaries else muted[..., 0]
        faults += _compare(name, sample, icc_profile.to_lab(icc_profile.decode(sample, name))[0, 0])
    return faults + _compare("sRGB", np.array([[[1, 0, 0]]], np.float32), SRGB_RED_LAB)


def _compare(name: str, sample: FloatImage, wanted: Lab) -> list[str]:
    try:
        found = _by_littlecms(sample, icc_profile.profile_bytes(name))
    except (OSError, RuntimeError, ValueError, ImageCms.PyCMSError) as error:
        return [f"LittleCMS cannot open the profile {name} ({error})"]
    if np.abs(found - wanted).max() <= TOLERANCE_LAB:
        return []
    return [f"by the profile {name} a sample is Lab {_spell(found)}, where {_spell(wanted)} is right"]


def _by_littlecms(sample: FloatImage, icc: bytes) -> Lab:
    into = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    kind = "rgb" if sample.ndim == 3 else "gray"
    lab = imagecodecs.cms_transform(
        sample, icc, into, colorspace=kind, outcolorspace="lab", outdtype="float32", intent=1
    )
    one: Lab = lab[0, 0]
    return one


def _spell(lab: Lab) -> str:
    return " ".join(f"{value:.2f}" for value in lab)
