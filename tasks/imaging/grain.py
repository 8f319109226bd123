"""Film grain in density: the granularity of a film, on a film of a given size, at any number of pixels."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf, i0e, i1e

from glassine.schemas.errors import FrameError
from glassine.tasks.imaging.bit_depth import FloatImage, check_finite
from glassine.tasks.imaging.icc_profile import ROMM_TO_XYZ

APERTURE_UM = 48.0
"""Diameter of the disc through which diffuse rms granularity is measured (ISO 10505:2009)."""
_TAIL = 1e-3
"""Of the clumping kernel, what may be left out beyond its ends."""
_STRIP_PX = 64
"""Rows worked on at once: few enough that they stay in a processor's own memory."""
_FIRST_ROW = 1 << 40
"""Number of the noise row at the picture's top, so that rows above it for the clumps have numbers too."""
_DARKEST = 1e-6
"""Luminance that counts as density 6, where there is nothing left to see."""


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
    Density is D = -log10 Y (ISO 5-1). What is claimed is density, not code values: the standard deviation of
    D through any aperture is that of a film, and goes with √D, since grains that lie at random have a variance
    proportional to their number (Siedentopf 1937; from memory). So white stays clean; in the code values of a
    picture the grain is strongest in the light middle tones (at D 0.5, L* 63, for gamma 2.2) and fades towards
    white and black. The mean light of a tone is kept.

    A pixel is itself an aperture, a square as wide as its pitch on the film. White grain fluctuates there with
    1/√area (Selwyn 1935); clumped grain less, since the square averages within a clump (`pixel_sigma_density`).
    A smaller picture of the same film has therefore just the grain that a larger one has when it is reduced.
    Grain is scaled so that the 48 µm disc reads `granularity`, clumped or not (`clumping_ratio`).

    All channels bear the same grain, as silver does. Every row of noise has a generator of its own, seeded by
    seed and row, so bands may be worked in any number and order.
    """
    check_finite(linear_display)
    if linear_display.ndim not in (2, 3) or (linear_display.ndim == 3 and linear_display.shape[2] not in (1, 3)):
        raise FrameError("P002", f"Grain is laid over (H, W) or (H, W, 3), not over {linear_display.shape}.")
    if granularity == 0:
        return linear_display.copy()
    height, width = linear_display.shape[:2]
    pitch_um = format_long_side_mm * 1000 / (long_side_px or max(height, width))
    sigma_density = pixel_sigma_density(granularity, pitch_um, clump_um)
    kernel = clump_kernel(clump_um / pitch_um)
    # In nepers, n = -ln Y = ln 10 · D, the deviation z·σ·√D is z·swing·√n. E[exp(-z·swing·√n)] = exp(swing²·n/2)
    # for a Gaussian z: taken away, so that a tone keeps its mean light.
    swing = math.sqrt(math.log(10)) * sigma_density
    grained = np.empty_like(linear_display)
    for row in range(0, height, _STRIP_PX):
        strip = linear_display[row : row + _STRIP_PX]
        nepers = np.log(np.maximum(_luminance(strip), np.float32(_DARKEST)))
        np.minimum(nepers, 0.0, out=nepers)
        np.negative(nepers, out=nepers)
        deviation = _clumped_rows(seed, top + row, strip.shape[0], width, kernel)
        deviation *= np.float32(swing)
        deviation *= np.sqrt(nepers)
        nepers *= np.float32(swing**2 / 2)
        deviation += nepers
        np.negative(deviation, out=deviation)
        factor = np.exp(deviation, out=deviation)
        grained_strip = grained[row : row + _STRIP_PX]
        np.multiply(strip, factor.reshape(factor.shape + (1,) * (strip.ndim - 2)), out=grained_strip)
        np.clip(grained_strip, 0.0, 1.0, out=grained_strip)
    return grained


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
    """Standard deviation of density that a pixel has at density 1.0: that of the film through the pixel's square.

    Examples
    --------
    >>> round(pixel_sigma_density(17, 6.0, 0.0), 4), round(pixel_sigma_density(17, 6.0, 6.0), 4)
    (0.1205, 0.0384)
    """
    aperture_side_um = math.sqrt(math.pi) * APERTURE_UM / 2
    white = granularity / 1000 * aperture_side_um / pitch_um
    return white / clumping_ratio(clump_um) * float(_square_covariance(clump_um / pitch_um, 1)[0])


def _square_covariance(sigma_px: float, count: int) -> NDArray[np.float64]:
    """Along one axis, the covariance of pixels 0 to `count` - 1 apart, where unclumped grain has 1, 0, 0, ...

    White noise through a Gaussian of σ has the covariance exp(-x²/4σ²)/(2σ√π). Its mean over two pixels' widths
    is a second difference of its second integral, x/2·erf(x/2σ) + σ/√π·exp(-x²/4σ²).
    """
    lags = np.arange(-1, count + 1, dtype=np.float64)
    if sigma_px == 0:
        integral = np.abs(lags) / 2
    else:
        scaled = lags / (2 * sigma_px)
        integral = lags / 2 * erf(scaled) + sigma_px / math.sqrt(math.pi) * np.exp(-(scaled**2))
    covariance: NDArray[np.float64] = integral[2:] - 2 * integral[1:-1] + integral[:-2]
    return covariance


@cache
def clump_kernel(sigma_px: float) -> NDArray[np.float32]:
    """Weights that turn white noise into the noise of clumped grain, as pixels see it, along one axis.

    Parameters
    ----------
    sigma_px : standard deviation of the Gaussian that clumps, in pixels

    Returns
    -------
    float32, (2·reach + 1,), symmetric; the squares sum to 1, so that the noise keeps its standard deviation.

    Notes
    -----
    A Gaussian sampled at the pixels leaves out the averaging over their area, which for small clumps is most of
    it: the kernel is therefore the one whose autocorrelation is `_square_covariance` (the root of its spectrum,
    Wiener and Khinchin).
    """
    length = 1 << max(6, math.ceil(math.log2(16 * sigma_px + 1)) + 1)
    covariance = _square_covariance(sigma_px, length // 2 + 1)
    spectrum = np.fft.rfft(np.concatenate([covariance, covariance[-2:0:-1]])).real
    weights = np.fft.irfft(np.sqrt(np.maximum(spectrum, 0.0)))[: length // 2]
    tails = np.cumsum(np.abs(weights[::-1]))[::-1]
    half = weights[: max(1, int(np.count_nonzero(tails > _TAIL * tails[0])))]
    kernel = np.concatenate([half[:0:-1], half])
    # Rounded, so that the last digits of a transform, which differ between processors, reach no picture.
    rounded: NDArray[np.float32] = np.round(kernel / math.sqrt(float((kernel**2).sum())), 7).astype(np.float32)
    return rounded


def _luminance(strip: FloatImage) -> FloatImage:
    if strip.ndim == 2 or strip.shape[2] == 1:
        return strip.reshape(strip.shape[:2])
    red, green, blue = ROMM_TO_XYZ[1].astype(np.float32)
    luminance: FloatImage = strip[..., 0] * red + strip[..., 1] * green + strip[..., 2] * blue
    return luminance


def _clumped_rows(seed: int, top: int, rows: int, width: int, kernel: NDArray[np.float32]) -> FloatImage:
    """Rows `top` to `top + rows` of the noise, each the same whatever strip it is asked for in."""
    reach = kernel.size // 2
    noise = np.empty((rows + 2 * reach, width + 2 * reach), np.float32)
    for index, row in enumerate(noise):
        number = _FIRST_ROW + top - reach + index
        generator = np.random.Generator(np.random.SFC64(np.random.SeedSequence((seed, number))))
        generator.standard_normal(out=row, dtype=np.float32)
    across = _weighted(noise.ravel(), kernel, 1)
    down = _weighted(across, kernel, noise.shape[1])
    # Sums that run over a row's end lie in its last columns, which are cut off here.
    whole = np.empty((rows, noise.shape[1]), np.float32)
    whole.ravel()[: down.size] = down
    return whole[:, :width]


def _weighted(values: FloatImage, kernel: NDArray[np.float32], step: int) -> FloatImage:
    """Sums of values `step` apart, weighted by a symmetric kernel, in a fixed order, as every processor rounds them.

    Parameters
    ----------
    values : float32, (N,), rows one after the other; `step` 1 goes along a row, a row's length down a column

    Returns
    -------
    float32, (N - (len(kernel) - 1)·step,).
    """
    reach = kernel.size // 2
    count = values.size - 2 * reach * step
    total: FloatImage = values[reach * step : reach * step + count] * kernel[reach]
    pair = np.empty_like(total)
    for away in range(1, reach + 1):
        before, after = (reach - away) * step, (reach + away) * step
        np.add(values[before : before + count], values[after : after + count], out=pair)
        pair *= kernel[reach + away]
        total += pair
    return total
