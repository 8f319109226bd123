"""A look's steps in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def say_step(step: Mapping[str, Any]) -> str:
    """One step of a look, valid against `look.schema.json`, on one line.

    Examples
    --------
    >>> say_step({"step": "exposure", "stops": 0.5})
    'exposure +0.5 stops'
    """
    match step["step"]:
        case "exposure":
            return f"exposure {step['stops']:+g} stops"
        case "monochrome" if "filter" in step:
            return "monochrome, no filter" if step["filter"] == "none" else f"monochrome, {step['filter']} filter"
        case "monochrome":
            weights = f"red {step['red']:g}, green {step['green']:g}, blue {step['blue']:g}"
            return f"monochrome, weights {weights} of linear {step.get('primaries', 'ROMM RGB')}"
        case "tone_curve":
            pairs = ", ".join(f"{into:g} to {out:g}" for into, out in step["points"])
            return f"tone curve, stops about middle grey: {pairs}"
        case "black_point" | "white_point" as end:
            what = f"L* {step['lightness']:g}" if "lightness" in step else f"D {step['density']:g}"
            return f"{end.removesuffix('_point')} at {what}"
        case "toning":
            points = step.get("points") or [[0, *step["shadows"]], [100, *step["lights"]]]
            return "toning: " + ", ".join(f"a* {a:g} b* {b:g} at L* {lightness:g}" for lightness, a, b in points)
        case "burn_in" | "hold_back" as way:
            what = "burnt in" if way == "burn_in" else "held back"
            where = f"{'outside ' if step['outside'] else ''}{_region(step['region'])}"
            return f"{what} {step['stops']:g} stops {where}, feather {step['feather_percent']:g} %"
        case "cdl":
            numbers = ", ".join(
                f"{name} {' '.join(f'{number:g}' for number in step[name])}" for name in ("slope", "offset", "power")
            )
            return f"CDL in {step['space']}: {numbers}, saturation {step['saturation']:g}, {step['style']}"
        case "cube":
            table = step["table"]
            between = step["interpolation"] if table["kind"] == "3D" else "linear"
            return f"{table['kind']} table of {table['size']} in {step['space']}, {between}"
        case "grain":
            return (
                f"grain {step['granularity']:g}, on film of {step['format_long_side_mm']:g} mm, "
                f"clumps of {step['clump_um']:g} µm"
            )
        case unknown:
            return str(unknown)


def _region(region: Mapping[str, Any]) -> str:
    """A region as it is typed; one that lies partly outside the picture by its box or its count of corners."""
    if region["shape"] == "polygon":
        return f"a polygon of {len(region['points'])} corners"
    box = ",".join(f"{region[side]:g}" for side in ("x", "y", "width", "height"))
    return f"{'xywh' if region['shape'] == 'rectangle' else 'ellipse'}=percent:{box}"
