"""The sculpted head: how far from its axis its skin and hair are, and their colour, over angle and height.

A head is described as a clay on a turntable: for each angle about the upright axis and each height, a radius. Places
on the face are told as (arc, height): the arc is 0.4 times the angle, which is about the way along the skin.
Proportions are from memory, of common practice in figure drawing; nobody in particular is meant.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import ndimage
from scipy.interpolate import PchipInterpolator

from glassine.tasks.imaging.simulated_set import EYE_CENTRE, EYE_RADIUS, MARK, Sitter, Triple
from glassine.tasks.imaging.simulated_surface import Field, blend, colour32, noise_tile, ramp, random_line, sample_line
from glassine.tasks.imaging.simulated_turntable import SPAN, Turntable, table_axes

COLUMNS, ROWS = 1080, 900
BOTTOM, TOP = -0.56, 0.66
ARC = 0.40
_LID = 0.0045

# Height, half width, front, back: the skull and jaw without features.
_SKULL = np.array(
    [
        (0.5050, 0.000, 0.000, 0.00),
        (0.5035, 0.040, 0.047, 0.05),
        (0.4990, 0.078, 0.092, 0.10),
        (0.4900, 0.120, 0.142, 0.16),
        (0.4700, 0.165, 0.195, 0.225),
        (0.4400, 0.215, 0.255, 0.285),
        (0.400, 0.258, 0.306, 0.335),
        (0.300, 0.315, 0.368, 0.40),
        (0.180, 0.332, 0.396, 0.43),
        (0.080, 0.327, 0.398, 0.43),
        (0.000, 0.312, 0.384, 0.42),
        (-0.080, 0.300, 0.376, 0.39),
        (-0.160, 0.286, 0.376, 0.33),
        (-0.240, 0.258, 0.380, 0.24),
        (-0.320, 0.226, 0.374, 0.16),
        (-0.390, 0.182, 0.366, 0.09),
        (-0.440, 0.142, 0.360, 0.05),
        (-0.475, 0.106, 0.342, 0.03),
        (-0.500, 0.070, 0.290, 0.02),
        (-0.520, 0.000, 0.150, 0.00),
    ]
)


def _outline(sitter: Sitter, angle: Field, height: Field, lift: float, crown: float) -> Field:
    """The skull, or an outline `lift` outside it whose crown is higher."""
    table = _SKULL.copy()
    chin = np.clip((-0.05 - table[:, 0]) / 0.4, 0, 1)
    table[:, 1] *= sitter.head_width * (1 + 0.16 * (sitter.jaw - 0.5) * chin)
    table[:, 1:] += lift * np.clip(table[:, 1:2] / 0.33, 0, 1) ** 1.5
    table[:, 0] += np.clip((table[:, 0] - 0.1) / 0.4, 0, 1) * crown
    order = np.argsort(table[:, 0])
    h = np.clip(height[:, 0], table[:, 0].min(), table[:, 0].max())
    wide, front, back = (PchipInterpolator(table[order, 0], table[order, i])(h) for i in (1, 2, 3))
    # The curves' corners would show as creases.
    wide, front, back = (
        part + ramp(np.abs(h), 0.47, 0.33) * (ndimage.gaussian_filter1d(part, 9.0) - part)
        for part in (wide, front, back)
    )
    wide, front, back = (np.maximum(part, 1e-4).astype(np.float32)[:, np.newaxis] for part in (wide, front, back))
    depth = np.where(np.cos(angle) > 0, front, back)
    power = np.float32(2.25)
    sine, cosine = np.abs(np.sin(angle)) / wide, np.abs(np.cos(angle)) / depth
    outline: Field = (sine**power + cosine**power) ** (-1 / power)
    outline[(height[:, 0] > table[:, 0].max()) | (height[:, 0] < table[:, 0].min())] = 1e-4
    return outline.astype(np.float32)


def _hill(arc: Field, height: Field, at: tuple[float, float], size: tuple[float, float]) -> Field:
    """One hill on either side where `at` is off the middle."""
    where = np.abs(arc) if at[0] else arc
    across = np.exp(-(((where - at[0]) / size[0]) ** 2))
    hill: Field = across * np.exp(-(((height - at[1]) / size[1]) ** 2))
    return hill


def mouth_line(arc: Field, smile: float) -> Field:
    """Height of the line between the lips."""
    line: Field = -0.292 + smile * (2.4 * np.minimum(np.abs(arc), 0.14) ** 2 - 0.010)
    return line


def _features(sitter: Sitter, smile: float, arc: Field, height: Field) -> Field:
    """What the face adds to the skull: brow, sockets, cheeks, nose, muzzle, lips, chin; negative is a hollow."""

    def hill(at: tuple[float, float], size: tuple[float, float]) -> Field:
        return _hill(arc, height, at, size)

    age, lean = sitter.age, 1 - 0.6 * smile
    relief = -0.034 * hill((0.155, 0.010), (0.075, 0.052))
    relief -= 0.024 * hill((0.080, 0.012), (0.030, 0.042))
    relief += (0.014 + 0.012 * sitter.brow) * hill((0.140, 0.090), (0.085, 0.032))
    relief += 0.010 * hill((0.0, 0.085), (0.05, 0.04))
    relief -= 0.016 * hill((0.34, 0.06), (0.06, 0.09))
    relief += (0.020 + 0.008 * smile) * hill((0.255, -0.085), (0.075, 0.055))
    relief += 0.014 * smile * hill((0.185, -0.115), (0.060, 0.050))
    relief -= (0.010 + 0.010 * age) * lean * hill((0.240, -0.215), (0.080, 0.070))
    relief -= (0.004 + 0.008 * age) * hill((0.145, -0.072), (0.055, 0.010))
    # Muzzle, lips and chin.
    relief += 0.020 * hill((0.0, -0.285), (0.120, 0.085))
    line = mouth_line(arc, smile)
    wide = 0.122 * (1 + 0.14 * smile)
    taper = np.clip(1 - (np.abs(arc) / wide) ** 2.2, 0, 1)
    fat = 0.7 + 0.6 * sitter.lips
    upper = np.exp(-(((height - line - 0.017 * fat) / (0.018 * fat)) ** 2))
    lower = np.exp(-(((height - line + 0.022 * fat) / (0.020 * fat)) ** 2))
    relief += taper * fat * (0.016 * upper + 0.022 * lower)
    relief -= 0.017 * np.exp(-(((height - line) / 0.0055) ** 2)) * np.clip(1.25 - (np.abs(arc) / wide) ** 4, 0, 1)
    relief -= 0.007 * np.exp(-(((np.abs(arc) - wide - 0.004) / 0.016) ** 2)) * np.exp(-(((height - line) / 0.016) ** 2))
    relief -= 0.003 * hill((0.0, -0.238), (0.012, 0.018))
    relief += 0.001 * hill((0.022, -0.240), (0.010, 0.018))
    relief -= 0.016 * hill((0.0, -0.360), (0.080, 0.020))
    relief += (0.018 + 0.012 * sitter.jaw) * hill((0.0, -0.432), (0.085, 0.045))
    # The fold from the nose to the corner of the mouth.
    fold_at = 0.088 + 0.26 * np.clip(-0.185 - height, 0, 0.2)
    along = ramp(height, -0.330, -0.240) * ramp(height, -0.165, -0.205)
    fold = np.exp(-(((np.abs(arc) - fold_at) / 0.017) ** 2)) * along
    relief -= (0.001 + 0.004 * smile + 0.007 * age) * fold
    bulge = np.exp(-(((np.abs(arc) - fold_at - 0.040) / 0.030) ** 2)) * along
    relief += (0.001 + 0.008 * smile + 0.004 * age) * bulge
    # Nose: a ridge whose height and width change on the way down, a tip, and the wings.
    heights = [0.10, 0.045, 0.0, -0.06, -0.115, -0.155, -0.178, -0.198, -0.215, -0.23]
    ridge = PchipInterpolator(heights[::-1], [0.0, 0.004, 0.024, 0.062, 0.086, 0.084, 0.064, 0.036, 0.014, 0.0])
    width = PchipInterpolator(heights[::-1], [0.050, 0.048, 0.044, 0.040, 0.036, 0.031, 0.027, 0.025, 0.030, 0.036])
    h = np.clip(height, -0.23, 0.10)
    size = 0.85 + 0.3 * sitter.nose
    nose = np.exp(-(np.abs(arc / (width(h) * (0.9 + 0.2 * sitter.nose))) ** 2.3)) * ridge(h) * size
    nose += 0.36 * np.exp(-((arc / (2.1 * width(h))) ** 2)) * ridge(h) * size * ramp(height, -0.215, -0.16)
    relief += nose.astype(np.float32)
    relief += 0.016 * hill((0.0, -0.158), (0.034, 0.030))
    relief += 0.040 * hill((0.052, -0.174), (0.024, 0.025))
    relief -= 0.006 * hill((0.092, -0.180), (0.018, 0.026))
    relief -= 0.004 * hill((0.027, -0.204), (0.014, 0.010))
    if age > 0.35:
        for number, at in enumerate((0.165, 0.205, 0.248)):
            waver = at + 0.008 * np.cos(arc * (9 + number))
            relief -= 0.0045 * age * np.exp(-(((height - waver) / 0.006) ** 2)) * ramp(np.abs(arc), 0.24, 0.12)
        for rise in (-0.35, 0.05, 0.45):
            crow = height - 0.004 - rise * (np.abs(arc) - 0.215)
            relief -= (
                0.004
                * age
                * np.exp(-((crow / 0.005) ** 2))
                * ramp(np.abs(arc), 0.215, 0.235)
                * ramp(np.abs(arc), 0.300, 0.265)
            )
        relief -= 0.006 * age * hill((0.022, 0.075), (0.006, 0.030))
    return relief


def _lids(radius: Field, angle: Field, height: Field) -> Field:
    """Lids over both eyeballs, laid into the sockets, with the crease over the upper one."""
    for side in (-1, 1):
        b = side * EYE_CENTRE[0] * np.sin(angle) + EYE_CENTRE[2] * np.cos(angle)
        c = EYE_CENTRE[0] ** 2 + EYE_CENTRE[2] ** 2 - (EYE_RADIUS + _LID) ** 2 + (1.45 * height) ** 2
        root = b * b - c
        lid = np.where((root > 0) & (b > 0), b + np.sqrt(np.maximum(root, 0)), -1)
        apart = np.clip(0.5 + 0.5 * (lid - radius) / 0.014, 0, 1)
        radius = radius + (lid - radius) * apart + 0.014 * apart * (1 - apart)
    return radius


def hair_line(sitter: Sitter, angle: Field) -> Field:
    """Height over which hair grows, by angle: brow, temples, before the ear, nape."""
    away = np.abs(angle)
    if sitter.hair_style == "receding":
        heights = [0.40, 0.42, 0.44, 0.36, 0.14, 0.02, 0.02, 0.03, -0.28, -0.40]
    elif sitter.hair_style == "tied":
        heights = [0.315, 0.305, 0.28, 0.235, 0.15, 0.05, 0.04, 0.04, -0.28, -0.40]
    else:
        heights = [0.335, 0.330, 0.305, 0.235, 0.12, -0.07, 0.01, 0.03, -0.28, -0.40]
    line: Field = PchipInterpolator([0, 0.35, 0.65, 0.85, 1.03, 1.20, 1.42, 1.75, 2.15, 3.15], heights)(away)
    if sitter.hair_style == "short":
        # Combed over from the parting: the fringe falls lower on its far side.
        line = line - 0.085 * np.exp(-(((angle - sitter.parting - 0.85) / 0.50) ** 2))
    return line.astype(np.float32)


def _strands(sitter: Sitter, angle: Field, height: Field, seed: int) -> tuple[Field, Field]:
    """Fine and broad strands: noise that runs along the way the hair is combed from its parting."""
    side = np.where(angle > sitter.parting, 1.0, -1.0).astype(np.float32)
    rise = np.clip(height - 0.12, 0, 0.5)
    comb = 3.2 if sitter.hair_style == "short" else 1.2
    flow = angle - side * comb * rise * rise * 2.2 - 0.10 * np.sin(height * 7 + side)
    fine = sample_line(random_line(seed + 2, 5200), (flow + 0.012 * np.sin(height * 40)) * 520)
    broad = sample_line(random_line(seed + 3, 200), (flow + 0.05 * np.sin(height * 9)) * 20)
    return fine, broad


@lru_cache(maxsize=4)
def head_table(sitter: Sitter, smile: float, seed: int, *, skin_mark: bool) -> Turntable:
    """Sculpt and colour a sitter's head; hair that hangs lower than the jaw is painted apart."""
    angle, height = table_axes(TOP, BOTTOM, ROWS, COLUMNS)
    arc = angle * np.float32(ARC)
    skull = _outline(sitter, angle, height, 0.0, 0.0)
    half = round(COLUMNS / 2 * 1.5 / SPAN)
    front = slice(COLUMNS // 2 - half, COLUMNS // 2 + half)
    radius = skull.copy()
    firm = ramp(height, -0.53, -0.49) * ramp(height, 0.50, 0.40)
    radius[:, front] += _features(sitter, smile, arc[:, front], height) * firm
    radius[:, front] = _lids(radius[:, front], angle[:, front], height)
    colour, gloss = _skin_colour(sitter, smile, arc, height, seed)
    skin = np.ones_like(radius)
    if sitter.beard:
        _grow_beard(sitter, smile, seed, arc, height, radius, colour, skin, gloss)
    _grow_hair(sitter, seed, angle, height, radius, colour, skin, gloss)
    if skin_mark:
        spot = np.exp(-((((arc - MARK[0]) ** 2 + (height - MARK[1]) ** 2) / 0.0125**2) ** 2))
        radius += 0.004 * spot
        dark = (sitter.skin[0] * 0.22, sitter.skin[1] * 0.13, sitter.skin[2] * 0.12)
        colour = blend(colour, dark, 0.92 * spot)
    parts = (np.maximum(radius, 1e-4), colour, skin, gloss, 1 - skin)
    return Turntable(TOP, BOTTOM, *(np.ascontiguousarray(part, np.float32) for part in parts))


def _tiled(seed: int, sigma_px: float) -> Field:
    tile = noise_tile(seed, sigma_px)
    return np.tile(tile, (-(-ROWS // tile.shape[0]), -(-COLUMNS // tile.shape[1])))[:ROWS, :COLUMNS]


def _skin_colour(sitter: Sitter, smile: float, arc: Field, height: Field, seed: int) -> tuple[Field, Field]:
    """Skin with its blood, lips, brows, stubble and the dark of nostrils, and how oily it is."""

    def hill(at: tuple[float, float], size: tuple[float, float]) -> Field:
        return _hill(arc, height, at, size)

    blotch = (0.6 * _tiled(seed, 16.0) + 0.4 * _tiled(seed + 9, 4.0))[..., np.newaxis]
    colour: Field = colour32(sitter.skin) * (1 + blotch * colour32((0.015, 0.035, 0.035)))
    red = (sitter.skin[0] * 0.98, sitter.skin[1] * 0.76, sitter.skin[2] * 0.74)
    colour = blend(colour, red, 0.55 * hill((0.240, -0.105), (0.085, 0.060)))
    colour = blend(colour, red, 0.55 * hill((0.0, -0.165), (0.060, 0.040)))
    dim = (sitter.skin[0] * 0.80, sitter.skin[1] * 0.70, sitter.skin[2] * 0.72)
    colour = blend(colour, dim, 0.55 * hill((0.150, -0.045), (0.065, 0.022)))
    colour = blend(colour, dim, 0.45 * hill((0.085, 0.010), (0.030, 0.035)))
    colour = blend(colour, dim, 0.35 * hill((0.150, 0.045), (0.070, 0.020)))
    freckles = np.clip(_tiled(seed + 7, 1.8) - 1.9, 0, 1) * hill((0.15, -0.07), (0.19, 0.12))
    colour = blend(
        colour, (sitter.skin[0] * 0.6, sitter.skin[1] * 0.45, sitter.skin[2] * 0.4), np.clip(freckles, 0, 0.5)
    )
    line = mouth_line(arc, smile)
    away = np.abs(arc)
    wide, fat = 0.122 * (1 + 0.14 * smile), 0.7 + 0.6 * sitter.lips
    taper = np.clip(1 - (away / wide) ** 1.8, 0, 1)
    bow = 1 - 0.22 * np.exp(-((arc / 0.014) ** 2)) + 0.08 * np.exp(-(((away - 0.024) / 0.014) ** 2))
    over, under = 0.030 * fat * taper * bow, 0.040 * fat * np.sqrt(taper) * np.clip(1.15 - away / wide, 0, 1)
    inside = np.minimum(ramp(line + over - height, -0.003, 0.006), ramp(height - line + under, -0.004, 0.008))
    inside = inside * ramp(taper, 0.0, 0.10)
    lips = (sitter.skin[0] * 0.74, sitter.skin[1] * 0.39, sitter.skin[2] * 0.41)
    colour = blend(colour, lips, 0.90 * inside)
    between = np.exp(-(((height - line) / 0.0042) ** 2)) * ramp(away, wide * 1.06, wide * 0.85)
    colour = blend(colour, (sitter.skin[0] * 0.12, sitter.skin[1] * 0.05, sitter.skin[2] * 0.05), 0.85 * between)
    colour = blend(colour, (0.03, 0.010, 0.008), 0.85 * hill((0.027, -0.2030), (0.0115, 0.0055)))
    bristle = _tiled(seed + 1, 0.8)
    if sitter.stubble:
        zone = _beard_zone(arc, height, line)
        shade = (sitter.skin[0] * 0.50, sitter.skin[1] * 0.52, sitter.skin[2] * 0.60)
        colour = blend(colour, shade, np.clip(sitter.stubble * zone * (1 - inside) * (0.75 + 0.25 * bristle), 0, 1))
    brow_line = 0.094 + 0.022 * np.sin(np.clip((away - 0.055) / 0.20, 0, 1) * 2.5) - 0.05 * np.clip(away - 0.2, 0, 1)
    thick = (0.011 + 0.010 * sitter.brow) * ramp(away, 0.268, 0.13) + 0.002
    hairs = sample_line(random_line(seed + 3, 900), (away + 0.55 * (height - 0.09)) * 1100)
    brow = ramp(np.abs(height - brow_line) / thick, 1.25, 0.35) * ramp(away, 0.040, 0.072) * ramp(away, 0.270, 0.245)
    dark_hair = (sitter.hair[0] * 0.8, sitter.hair[1] * 0.8, sitter.hair[2] * 0.8)
    colour = blend(colour, dark_hair, np.clip(brow * (0.72 + 0.16 * hairs), 0, 0.95))
    gloss = 0.030 + 0.022 * hill((0.0, 0.20), (0.16, 0.10)) + 0.035 * hill((0.0, -0.13), (0.035, 0.06))
    gloss = gloss + 0.02 * hill((0.245, -0.07), (0.06, 0.04)) + 0.015 * inside
    dull = np.clip(0.8 * brow + 1.2 * hill((0.027, -0.203), (0.020, 0.014)), 0, 1)
    return colour.astype(np.float32), (gloss * (1 - dull)).astype(np.float32)


def _beard_zone(arc: Field, height: Field, line: Field) -> Field:
    """Where a beard grows: cheeks and jaw below a line from ear to mouth, chin, upper lip."""
    away = np.abs(arc)
    edge = -0.255 + 0.75 * np.clip(away - 0.16, 0, 0.5) ** 1.3
    jaw = ramp(edge - height, -0.045, 0.05) * ramp(away, 0.565, 0.50)
    moustache = ramp(height, -0.31, -0.27) * ramp(height, -0.212, -0.246) * ramp(away, 0.165, 0.095)
    zone: Field = np.maximum(jaw, moustache) * (1 - ramp(np.abs(height - line), 0.012, 0.0) * ramp(away, 0.135, 0.12))
    return zone


def _grow_beard(
    sitter: Sitter, smile: float, seed: int, arc: Field, height: Field, radius: Field, colour: Field, skin: Field,
    gloss: Field,
) -> None:  # fmt: skip
    line = mouth_line(arc, smile)
    zone = _beard_zone(arc, height, line)
    away, fat = np.abs(arc), 0.7 + 0.6 * sitter.lips
    lips = ramp(np.hypot(away / 0.128, (height - line + 0.006) / (0.043 * fat)), 1.15, 0.75)
    flow = arc * (1 + 0.9 * np.clip(-0.2 - height, 0, 0.4)) + 0.010 * np.sin(height * 60 + arc * 20)
    strands = sample_line(random_line(seed + 6, 2400), flow * 850)
    tuft = _tiled(seed + 8, 3.0)
    amount = np.clip(zone * (1 - 0.97 * lips) * (1.05 + 0.22 * strands + 0.12 * tuft), 0, 1) * min(
        1.0, sitter.beard * 1.3
    )
    thick = zone * zone * (1 - lips) * sitter.beard
    radius += thick * (0.030 + 0.0016 * strands + 0.0012 * tuft) * ramp(height, -0.53, -0.47)
    radius += thick * 0.022 * _hill(arc, height, (0.0, -0.46), (0.13, 0.05))
    tone = colour32(sitter.hair) * np.clip(1.05 + 0.30 * strands + 0.12 * tuft, 0.35, 2)[..., np.newaxis]
    colour += np.clip(amount * 0.97, 0, 1)[..., np.newaxis] * (tone - colour)
    skin *= 1 - amount
    gloss *= 1 - 0.6 * amount


def _grow_hair(
    sitter: Sitter, seed: int, angle: Field, height: Field, radius: Field, colour: Field, skin: Field, gloss: Field
) -> None:
    fine, broad = _strands(sitter, angle, height, seed)
    lift, crown = {"cropped": (0.014, 0.012), "receding": (0.022, 0.006), "tied": (0.026, 0.026)}.get(
        sitter.hair_style, (0.050, 0.062)
    )
    edge = height - hair_line(sitter, angle) + 0.006 * fine + 0.014 * broad
    depth = 0.17 if sitter.hair_style in ("short", "long") else 0.13
    amount = np.clip(ramp(edge, -0.022, 0.034) * (0.97 + 0.10 * fine), 0, 1)
    full = np.clip(edge / depth, 0, 1) ** 0.55
    part = 1 - 0.35 * np.exp(-(((angle - sitter.parting) / 0.035) ** 2)) * ramp(height, 0.24, 0.32)
    outer = _outline(sitter, angle, height, lift, crown)
    if sitter.hair_style == "short":
        outer = outer * (1 + 0.05 * np.sin(angle - sitter.parting) * np.cos(angle / 2))
    thatch = (0.0003 * fine + 0.0060 * broad) * lift / 0.05 * np.clip(outer / 0.2, 0, 1) * full
    grown = np.maximum(outer - radius, 0.003) * full * part + thatch
    radius += grown * (edge > 0) * (outer > 0.01)
    shade = np.clip(1 + 0.26 * fine + 0.16 * broad, 0.3, 2.2) * (0.55 + 0.45 * part)
    tone = colour32(sitter.hair) * shade[..., np.newaxis]
    colour += amount[..., np.newaxis] * (tone - colour)
    skin *= 1 - amount
    gloss *= 1 - amount


def lid_edges(across: Field, eyes_open: float, smile: float) -> tuple[Field, Field]:
    """Upper and lower edge of the opening between the lids, over the way from the inner (-1) to the outer corner (1)."""
    m = np.clip(across, -1, 1)
    arch = np.maximum(1 - m * m, 0)
    tilt = 0.005 * m
    open_ = 0.90 * eyes_open * (1 - 0.22 * smile)
    top = tilt + (0.0285 * arch**0.72 * (1 - 0.10 * m)) * open_ - 0.012 * (1 - eyes_open) * arch
    bottom = (
        tilt
        - (0.0205 * arch**0.85 * (1 + 0.22 * m)) * (0.35 + 0.65 * open_) * (eyes_open > 0.3)
        - 0.014 * arch * (eyes_open <= 0.3)
    )
    return top, np.minimum(bottom, top)


EYE_HALF_WIDTH = 0.068
"""Of the opening between the lids."""


def on_face(table: Turntable, place: tuple[float, float]) -> Triple:
    """The place of the skin at (arc, height), in the head's own axes."""
    angle = place[0] / ARC
    row = round((TOP - place[1]) / (TOP - BOTTOM) * (ROWS - 1))
    column = int((angle / SPAN + 1) / 2 * COLUMNS)
    radius = float(table.radius[min(max(row, 0), ROWS - 1), min(max(column, 0), COLUMNS - 1)])
    return radius * float(np.sin(angle)), place[1], radius * float(np.cos(angle))


@lru_cache(maxsize=4)
def hanging_hair(sitter: Sitter, seed: int) -> Turntable:
    """Hair that falls from the crown to the shoulders, open at the face."""
    top, bottom, rows, columns = 0.60, -0.95, 620, 900
    angle, height = table_axes(top, bottom, rows, columns)
    fine, broad = _strands(sitter, angle + 0.07 * np.sin(height * 13 + 2 * angle), height, seed + 20)
    heights = [-0.95, -0.80, -0.6, -0.4, -0.2, 0.0, 0.2, 0.35, 0.48, 0.56, 0.60]
    wide = PchipInterpolator(heights, [0.30, 0.39, 0.41, 0.405, 0.39, 0.385, 0.375, 0.33, 0.21, 0.05, 0.0])
    deep = PchipInterpolator(heights, [0.30, 0.36, 0.38, 0.40, 0.43, 0.46, 0.46, 0.40, 0.26, 0.06, 0.0])
    w, d = wide(height).astype(np.float32) + 1e-4, deep(height).astype(np.float32) + 1e-4
    radius = (np.abs(np.sin(angle) / w) ** 2.2 + np.abs(np.cos(angle) / d) ** 2.2) ** np.float32(-1 / 2.2)
    radius += (0.008 * broad + 0.0003 * fine + 0.014 * np.sin(height * 15 + angle * 3)) * ramp(height, 0.25, -0.1)
    edge = PchipInterpolator([-0.95, -0.6, -0.3, -0.05, 0.12, 0.24, 0.30], [0.95, 0.95, 1.08, 1.12, 0.98, 0.80, 0.70])
    opened = np.abs(angle) - edge(np.clip(height, -0.95, 0.30)).astype(np.float32) + 0.03 * np.sin(height * 11)
    tips = height - (-0.86 + 0.03 * broad + 0.02 * fine)
    there = (opened > 0) & (tips > 0) & (height < 0.34)
    radius = np.where(there, radius - 0.07 * np.exp(-np.abs(opened) / 0.16) - 0.05 * ramp(height, 0.08, 0.34), 1e-4)
    shade = np.clip(1 + 0.28 * fine + 0.18 * broad, 0.3, 2.2) * (0.07 + 0.93 * ramp(opened, 0.02, 0.22))
    colour = colour32(sitter.hair) * shade[..., np.newaxis]
    zero = np.zeros_like(radius)
    parts = (radius, colour, zero, zero, ramp(opened, 0.04, 0.20) + zero)
    return Turntable(top, bottom, *(np.ascontiguousarray(part, np.float32) for part in parts))
