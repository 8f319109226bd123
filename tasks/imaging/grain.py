"""Film grain in density: the granularity of a film, on a film of a given size, at any number of pixels."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import i0e, i1e

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging.bit_depth import FloatImage, check_finite
from glassine.tasks.imaging.icc_profile import ROMM_TO_XYZ

APERTURE_UM = 48.0
"""Diameter of the disc through which diffuse rms granularity is measured (ISO 10505:2009)."""
_BLUR_REACH = 4.0
"""Standard deviations to which the clumping Gaussian is carried; beyond lie 6e-5 of it."""
_STRIP_PX = 256
_FIRST_ROW = 1 << 40
"""Number of the noise row at the picture's top, so that rows above it for the blur have numbers too."""


def add_grain(
    linear_display: FloatImage,
    granularity: float,
    format_long_side_mm: float,
    clump_um: float,
    seed: int,
    *,
    long_side_px: int | None = None,
    top: int = 0,
) -> FloatImage:
    """Lay film grain over a picture.

    Parameters
    ----------
    linear_display : float32, (H, W) or (H, W, 1) or (H, W, 3), [0, 1], display-linear ROMM RGB, D50
        Not modified.
    granularity : 1000 times the standard deviation of density through a 48 µm disc at density 1.0
    format_long_side_mm : long side of the film, in mm, that the long side of the picture stands for
    clump_um : standard deviation, in µm on the film, of the Gaussian that clumps the grain
    seed : same seed, same grain
    long_side_px : long side of the whole picture, where this is a band of its rows
    top : the number of this band's first row in the whole picture

    Returns
    -------
    float32, same shape, [0, 1].

    Raises
    ------
    FrameError
        P002 for a wrong shape, NaN or infinity.

    Notes
    -----
    Density is D = -log10 Y (ISO 5-1). A pixel is itself an aperture: by Selwyn's law (1935) the fluctuation
    of white grain goes with 1/√area, so a smaller picture of the same film has less grain a pixel.
    Clumped grain is scaled so that the 48 µm disc still reads `granularity` (`clumping_ratio`).
    The fluctuation goes with √D: grains that lie at random have a variance proportional to their number
    (Siedentopf 1937; from memory). Paper white stays clean. The mean light of a tone is kept.
    All channels bear the same grain, as silver does. Every row of noise has a generator of its own (Philox,
    keyed by seed and row), so strips may be worked in any number and order.
    """
    check_finite(linear_display)
    if linear_display.ndim not in (2, 3) or (linear_display.ndim == 3 and linear_display.shape[2] not in (1, 3)):
        raise FrameError("P002", f"Grain is laid over (H, W) or (H, W, 3), not over {linear_display.shape}.")
    height, width = linear_display.shape[:2]
    pitch_um = format_long_side_mm * 1000 / (long_side_px or max(height, width))
    sigma_px = clump_um / pitch_um
    sigma_density = pixel_sigma_density(granularity, pitch_um, clump_um)
    grained = linear_display.copy()
    if granularity == 0:
        return grained
    for row in range(0, height, _STRIP_PX):
        strip = grained[row : row + _STRIP_PX]
        density = -np.log10(np.maximum(_luminance(strip), np.float32(1e-6)))
        root = np.sqrt(np.maximum(density, 0.0))
        deviation = _clumped_rows(seed, top + row, strip.shape[0], width, sigma_px) * np.float32(sigma_density)
        # E[10^-d] = exp((ln 10 · σ)²/2) for a Gaussian d: taken away, so that a tone keeps its mean light.
        sigma_after = sigma_density * _blurred_sigma(sigma_px) * root
        deviation = deviation * root + np.float32(math.log(10) / 2) * sigma_after**2
        factor = np.power(np.float32(10), -deviation)
        strip *= factor.reshape(factor.shape + (1,) * (strip.ndim - 2))
    return np.clip(grained, 0.0, 1.0, out=grained)


def clumping_ratio(clump_um: float) -> float:
    """What Gaussian clumping leaves of the standard deviation of white grain through the 48 µm disc.

    Weber's second exponential integral over the disc's transfer function 2·J1(u)/u gives, for a disc of
    radius R and a Gaussian of σ, the variance 1 - e^-t·(I0(t) + I1(t)) with t = R²/(2σ²).

    Examples
    --------
    >>> round(clumping_ratio(5.0), 3)
    0.876
    """
    if clump_um == 0:
        return 1.0
    t = (APERTURE_UM / 2) ** 2 / (2 * clump_um**2)
    return math.sqrt(1.0 - float(i0e(t)) - float(i1e(t)))


def pixel_sigma_density(granularity: float, pitch_um: float, clump_um: float) -> float:
    """Standard deviation of density a pixel, at density 1.0, before clumping blurs it.

    Examples
    --------
    >>> round(pixel_sigma_density(17, 6.0, 0.0), 4)
    0.1205
    """
    aperture_side_um = math.sqrt(math.pi) * APERTURE_UM / 2
    return granularity / 1000 * aperture_side_um / pitch_um / clumping_ratio(clump_um)


def _luminance(strip: FloatImage) -> FloatImage:
    if strip.ndim == 2 or strip.shape[2] == 1:
        return strip.reshape(strip.shape[:2])
    red, green, blue = ROMM_TO_XYZ[1].astype(np.float32)
    luminance: FloatImage = strip[..., 0] * red + strip[..., 1] * green + strip[..., 2] * blue
    return luminance


def _blurred_sigma(sigma_px: float) -> float:
    """Standard deviation of unit white noise after the clumping Gaussian, as it is sampled."""
    if sigma_px == 0:
        return 1.0
    reach = _reach_px(sigma_px)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_px) ** 2)
    weights /= weights.sum()
    return float((weights**2).sum())


def _reach_px(sigma_px: float) -> int:
    return int(_BLUR_REACH * sigma_px + 0.5)


def _clumped_rows(seed: int, top: int, rows: int, width: int, sigma_px: float) -> FloatImage:
    """Rows `top` to `top + rows` of the noise, each the same whatever strip it is asked for in."""
    reach = _reach_px(sigma_px)
    noise = np.empty((rows + 2 * reach, width + 2 * reach), np.float32)
    for index, row in enumerate(noise):
        counter = (_FIRST_ROW + top - reach + index) << 128
        generator = np.random.Generator(np.random.Philox(key=seed, counter=counter))
        generator.standard_normal(out=row, dtype=np.float32)
    if sigma_px == 0:
        return noise
    blurred: FloatImage = gaussian_filter(noise, sigma_px, truncate=_BLUR_REACH)
    return blurred[reach : reach + rows, reach : reach + width]
