"""A set-up of the job sheet as numbers: where everything stands, how the lights compare, what the camera sees.

On the floor the sitter is the origin; x goes to camera right, y towards the camera, in metres. Angles are seen from the
sitter: 0 towards the camera, above 0 to camera right, 180 behind. A light's distance is what a tape measures from the
face to its front, so on the floor it is shorter by what the height takes. What the sheet does not say as a number is not
drawn, but told in words (`Plan.unknown`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from glassine.tasks.imaging.exposure_value import (
    angle_of_view_degrees,
    exposure_value,
    exposure_value_at_iso_100,
    grey_when_over,
    say_shutter,
    seen_at_m,
    stops_below_saturation,
    sync_speed_warning,
)
from glassine.tasks.imaging.light_words import (
    Metered,
    Modifier,
    is_on_background,
    is_upright,
    read_azimuth_degrees,
    read_background_m,
    read_focal_mm,
    read_metered,
    read_modifier,
    read_power_stops,
    read_sensor_mm,
    read_settings,
)
from glassine.tasks.imaging.lighting_ratio import (
    at_sitter_stops,
    grid_spot_m,
    inverse_square_stops,
    key_to_fill,
    lit_to_fill,
    say_ratio,
)

SITTING_FACE_M: Final = 1.35
"""Height of the face of a sitter on a stool, where the sheet does not say: own choice, as the simulated studio has it."""
_SAME: Final = 0.03
"""Share by which a number may differ from the words beside it: words are rounded."""
_SAME_DEGREES: Final = 3.0

Floor = tuple[float, float]
"""A place on the floor: x to camera right, y towards the camera, in metres from the sitter."""


@dataclass(frozen=True)
class PlacedLight:
    """A light of the set-up.

    `floor` is where it stands, None where that is not known; `aim_floor` what it is aimed at. `stops` is how bright it
    is where it is aimed: against the exposure where `metered`, else against full power at 1 m; None where not known.
    """

    number: int
    name: str
    modifier_words: str
    place_words: str
    power_words: str
    purpose: str
    height_m: float | None
    distance_m: float | None
    azimuth_degrees: float | None
    floor: Floor | None
    aim: str
    aim_floor: Floor | None
    modifier: Modifier
    stops: float | None
    metered: bool
    on_background: bool


@dataclass(frozen=True)
class View:
    """What the camera sees: angles in degrees, and width and height in metres at the sitter and at the background."""

    width_degrees: float
    height_degrees: float
    at_sitter_m: tuple[float, float] | None
    at_background_m: tuple[float, float] | None


@dataclass(frozen=True)
class Plan:
    """A set-up in numbers and sentences.

    `main` is the light that the others are compared with. `ratios`, `estimates`, `warnings` and `unknown` are sentences;
    `facts` are labels with what stands for them: camera, lens, exposure and so on.
    """

    name: str
    purpose: str
    background: str
    background_m: float | None
    face_height_m: float
    camera_m: float | None
    camera_height_m: float | None
    view: View | None
    lights: tuple[PlacedLight, ...]
    main: PlacedLight | None
    ratios: tuple[str, ...]
    estimates: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    unknown: tuple[str, ...]

    def against_main(self, light: PlacedLight) -> float | None:
        """Stops by which a light is brighter at the sitter than the main light; None where they cannot be compared."""
        if self.main is None or self.main.stops is None or light.stops is None:
            return None
        if light.metered != self.main.metered or light.on_background or self.main.on_background:
            return None
        return light.stops - self.main.stops


def plan_set_up(set_up: Mapping[str, Any]) -> Plan:
    """Work out a set-up.

    Parameters
    ----------
    set_up : one of the job sheet's `set_ups` (job_sheet.schema.json), checked against its schema

    Returns
    -------
    The plan. Where a number and the words beside it differ, the number is taken and `warnings` says so.
    """
    warnings: list[str] = []
    unknown: list[str] = []
    background_m = _number(
        set_up, "background_m", read_background_m(set_up.get("background", "")), "background", warnings
    )
    face = float(set_up.get("face_height_m", SITTING_FACE_M))
    if "face_height_m" not in set_up:
        unknown.append(f"The height of the sitter's face is not given: {face:g} m is taken, as on a stool.")
    lights = tuple(
        _place_light(number, light, face, background_m, warnings, unknown)
        for number, light in enumerate(set_up.get("lights", ()), start=1)
    )
    if background_m is None:
        unknown.append("How far the background is behind the sitter is not given as a number: it is not drawn.")
    camera_m = set_up.get("camera_m")
    if camera_m is None:
        unknown.append("How far the camera is from the sitter is not given: only its direction is drawn.")
    if "camera_height_m" not in set_up:
        unknown.append("The height of the lens is not given.")
    view = _view(set_up, camera_m, background_m, warnings, unknown)
    main = _main_light(lights)
    plan = Plan(
        set_up["name"],
        set_up.get("purpose", ""),
        set_up.get("background", ""),
        background_m,
        face,
        camera_m,
        set_up.get("camera_height_m"),
        view,
        lights,
        main,
        (),
        tuple(_grid_spots(lights, face)),
        tuple(_facts(set_up, view, background_m, warnings)),
        (),
        (),
    )
    ratios = tuple(_ratios(plan))
    if not ratios and len(lights) > 1:
        unknown.append("Power or distance of the lights is not known well enough to compare them.")
    return replace(plan, ratios=ratios, warnings=tuple(warnings), unknown=tuple(unknown))


def _number(
    set_up: Mapping[str, Any], key: str, read: float | None, beside: str, warnings: list[str], tolerance: float = _SAME
) -> float | None:
    """The number of a key, else what its words say; where both are there and differ, a warning."""
    given = set_up.get(key)
    if given is None:
        return read
    if read is not None and abs(given - read) > tolerance * max(abs(read), abs(given)):
        warnings.append(f"{key} is {given:g}, but the words of “{beside}” say {read:g}: the number is taken.")
    return float(given)


def _place_light(
    number: int,
    light: Mapping[str, Any],
    face: float,
    background_m: float | None,
    warnings: list[str],
    unknown: list[str],
) -> PlacedLight:
    name, place = light["name"], light.get("place", "")
    named = _brief(name)
    read = read_azimuth_degrees(place)
    azimuth = light.get("azimuth_degrees", read)
    if "azimuth_degrees" in light and read is not None and abs((azimuth - read + 180) % 360 - 180) > _SAME_DEGREES:
        warnings.append(f"{named}: azimuth_degrees is {azimuth:g}, but its place says {read:g}: the number is taken.")
    height, distance = light.get("height_m"), light.get("distance_m") or None
    floor = _floor(azimuth, distance, height, face)
    if floor is None:
        unknown.append(f"{named}: {_why_unplaced(azimuth, distance, height, place)} It is not drawn.")
    elif height is None:
        unknown.append(f"{named}: its height is not given; it is drawn as if level with the face.")
    power = light.get("power", "")
    metered = read_metered(power)
    aim = light.get("aim") or ("background" if is_on_background(place) or _meters_background(metered) else "sitter")
    aim = aim.casefold() if aim.casefold() in ("sitter", "background") else aim
    on_background = aim == "background"
    stops: float | None = None
    if metered is not None:
        stops = metered.stops
    elif (of_full := read_power_stops(power)) is not None and distance is not None and not on_background:
        stops = at_sitter_stops(of_full, distance)
    return PlacedLight(
        number,
        name,
        light.get("modifier", ""),
        place,
        power,
        light.get("purpose", ""),
        height,
        distance,
        azimuth,
        floor,
        aim,
        _aim_floor(aim, background_m),
        read_modifier(light.get("modifier", "")),
        stops,
        metered is not None,
        on_background,
    )


def _brief(words: str) -> str:
    """The beginning of words, enough to know them by in a sentence."""
    return words if len(words) <= 40 else f"{words[:39].rstrip()}…"


def _meters_background(metered: Metered | None) -> bool:
    return metered is not None and metered.on_background


def _floor(azimuth: float | None, distance: float | None, height: float | None, face: float) -> Floor | None:
    if azimuth is None or distance is None:
        return None
    rise = 0.0 if height is None else height - face
    if abs(rise) > distance:
        return None
    level, turn = math.sqrt(distance**2 - rise**2), math.radians(azimuth)
    return level * math.sin(turn), level * math.cos(turn)


def _why_unplaced(azimuth: float | None, distance: float | None, height: float | None, place: str) -> str:
    if azimuth is None:
        said = f"its place (“{_brief(place)}”)" if place else "its place"
        return f"{said} is not known as a number: give azimuth_degrees."
    if distance is None:
        return "its distance is not given."
    return f"it cannot be {distance:g} m from the face at a height of {height:g} m."


def _aim_floor(aim: str, background_m: float | None) -> Floor | None:
    if aim == "sitter":
        return 0.0, 0.0
    if aim == "background" and background_m is not None:
        return 0.0, -background_m
    return None


def _main_light(lights: Sequence[PlacedLight]) -> PlacedLight | None:
    """The light called main or key; else the brightest that lights the sitter from the camera's side."""
    named = [light for light in lights if re.search(r"\b(?:main|key)\b", light.name.casefold())]
    if named:
        return named[0]
    before = [
        light
        for light in lights
        if light.stops is not None and not light.on_background and abs(light.azimuth_degrees or 0) <= 90
    ]
    # Metered lights and reckoned ones have no common measure: those that were metered come first.
    return max(before, key=lambda light: (light.metered, light.stops or 0.0), default=None)


def _ratios(plan: Plan) -> Iterator[str]:
    main, compared = plan.main, False
    for light in plan.lights:
        difference = plan.against_main(light)
        if main is None or difference is None or light is main:
            continue
        compared = True
        if re.search(r"\bfill\b", light.name.casefold()):
            yield (
                f"{_brief(main.name)} to {_brief(light.name)}: {_say_stops(-difference)}, {say_ratio(key_to_fill(-difference))}; where "
                f"both light the face, {say_ratio(lit_to_fill(-difference))} to the {_brief(light.name)} alone."
            )
        else:
            than = "over" if difference >= 0 else "under"
            yield f"{_brief(light.name)}: {_say_stops(abs(difference))} {than} {_brief(main.name)}, {say_ratio(key_to_fill(difference))}."
    if compared and main is not None:
        if main.metered:
            yield "These lights were metered."
        else:
            yield "This is reckoned from power and distance, without the modifiers: a meter decides."
    for light in plan.lights:
        if light.on_background and light.metered and light.stops is not None:
            than = "over" if light.stops >= 0 else "under"
            yield f"{_brief(light.name)}: {_say_stops(abs(light.stops))} {than} the exposure on the background (metered)."
    if main is not None and main.floor is not None and main.distance_m and plan.background_m and main.floor[1] > 0:
        far = math.dist(
            (*main.floor, main.height_m or plan.face_height_m), (0.0, -plan.background_m, plan.face_height_m)
        )
        if not main.on_background:
            fall = inverse_square_stops(main.distance_m, far)
            yield f"In the middle of the background {_brief(main.name)} is {_say_stops(-fall)} darker than on the face (inverse square)."


def _grid_spots(lights: Sequence[PlacedLight], face: float) -> Iterator[str]:
    for light in lights:
        angle, distance = light.modifier.grid_degrees, light.distance_m
        if light.on_background:
            distance = None
            if light.floor is not None and light.aim_floor is not None:
                rise = 0.0 if light.height_m is None else light.height_m - face
                distance = math.hypot(math.dist(light.floor, light.aim_floor), rise) or None
        if angle is None or distance is None:
            continue
        spot = grid_spot_m(distance, angle, light.modifier.width_m or 0.0)
        yield (
            f"{_brief(light.name)}: a {angle:g}° grid lights a spot about {spot:.2f} m wide at {distance:.2f} m (an estimate: "
            "the full angle, soft borders)."
        )


def _view(
    set_up: Mapping[str, Any],
    camera_m: float | None,
    background_m: float | None,
    warnings: list[str],
    unknown: list[str],
) -> View | None:
    camera = set_up.get("camera", "")
    sides = tuple(set_up["sensor_mm"]) if "sensor_mm" in set_up else read_sensor_mm(camera)
    focal = _number(set_up, "focal_mm", read_focal_mm(set_up.get("lens", "")), "lens", warnings)
    if sides is None or focal is None:
        what = [what for what, known in (("the sensor's sides", sides), ("the focal length", focal)) if known is None]
        be = "are" if sides is None else "is"
        unknown.append(f"{' and '.join(what).capitalize()} {be} not known as numbers: the angle of view is not drawn.")
        return None
    wide, high = sorted(sides) if is_upright(camera) else sides

    def seen(distance: float | None) -> tuple[float, float] | None:
        return None if distance is None else (seen_at_m(wide, focal, distance), seen_at_m(high, focal, distance))

    return View(
        angle_of_view_degrees(wide, focal),
        angle_of_view_degrees(high, focal),
        seen(camera_m),
        None if camera_m is None or background_m is None else seen(camera_m + background_m),
    )


def _facts(
    set_up: Mapping[str, Any], view: View | None, background_m: float | None, warnings: list[str]
) -> Iterator[tuple[str, str]]:
    place = []
    if "camera_m" in set_up:
        place.append(f"{set_up['camera_m']:.2f} m from the sitter")
    if "camera_height_m" in set_up:
        place.append(f"lens {set_up['camera_height_m']:.2f} m high")
    if camera := "; ".join(part for part in (set_up.get("camera", ""), ", ".join(place)) if part):
        yield "Camera", camera
    lens = set_up.get("lens", "") or (f"{set_up['focal_mm']:g} mm" if "focal_mm" in set_up else "")
    if lens or view:
        sees = f"sees {view.width_degrees:.1f}° × {view.height_degrees:.1f}° (width × height)" if view else ""
        yield "Lens", "; ".join(part for part in (lens, sees) if part)
    if view and view.at_sitter_m:
        parts = [f"{view.at_sitter_m[0]:.2f} × {view.at_sitter_m[1]:.2f} m at the sitter"]
        if view.at_background_m:
            parts.append(f"{view.at_background_m[0]:.2f} × {view.at_background_m[1]:.2f} m at the background")
        yield "Picture", ", ".join(parts)
    words = set_up.get("exposure", "")
    read = read_settings(words)
    shutter = _number(set_up, "shutter_s", read.shutter_s, "exposure", warnings)
    f_number = _number(set_up, "f_number", read.f_number, "exposure", warnings)
    iso = _number(set_up, "iso", read.iso, "exposure", warnings)
    if exposure := _say_exposure(shutter, f_number, iso, words):
        yield "Exposure", exposure
    if "sync_s" in set_up:
        yield "Sync speed", say_shutter(set_up["sync_s"])
        if shutter is not None and (warning := sync_speed_warning(shutter, set_up["sync_s"])):
            warnings.append(warning)
    if intent := set_up.get("intent_stops"):
        than = "over" if intent > 0 else "under"
        room = stops_below_saturation(intent)
        light = (
            f"18 % grey lies at {100 * grey_when_over(intent):.0f} %"
            if grey_when_over(intent) < 1
            else "18 % grey is lost"
        )
        limit = f"{room:.1f} stops below saturation" if room > 0 else "beyond saturation"
        yield "Intent", f"{_say_stops(abs(intent))} {than} the meter: {light}, {limit} (ISO 12232)"
    ground = set_up.get("background", "")
    if background_m is not None and read_background_m(ground) is None:
        ground = "; ".join(part for part in (ground, f"{background_m:.2f} m behind the sitter") if part)
    if ground:
        yield "Background", ground


def _say_exposure(shutter: float | None, f_number: float | None, iso: float | None, words: str) -> str:
    if shutter is None or f_number is None:
        return words
    value = f"EV {exposure_value(f_number, shutter):.2f}"
    said = f"{say_shutter(shutter)}, f/{f_number:g}"
    if iso is None:
        return f"{said}: {value}"
    return f"{said}, ISO {iso:g}: {value}, at ISO 100 EV {exposure_value_at_iso_100(f_number, shutter, iso):.2f}"


def _say_stops(stops: float) -> str:
    amount = f"{stops:.1f}".replace("-0.0", "0.0").replace("-", "−")
    return f"{amount} stop{'' if amount in ('1.0', '−1.0') else 's'}"
