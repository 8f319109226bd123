"""Set-ups of the simulated studio: a plan of lamps that the renderer lights by and that the job sheet says in words."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from glassine.tasks.imaging.simulated_set import FACE_HEIGHT_M, HARD, Light, Lighting


@dataclass(frozen=True)
class SetUp:
    """One set-up: what it is for, its lamps and background, and how the camera is set."""

    name: str
    purpose: str
    lighting: Lighting
    background: str
    f_number: Fraction
    exposure_seconds: Fraction = Fraction(1, 160)
    iso: int = 100
    intent_stops: float = 0.0

    def for_job_sheet(self) -> dict[str, Any]:
        """The set-up as the job sheet says it (`job_sheet.schema.json`, `set_ups`)."""
        return {
            "name": self.name,
            "purpose": self.purpose,
            "intent_stops": self.intent_stops,
            "lights": [_in_words(lamp) for lamp in self.lighting.lamps],
            "camera": "upright, on a stand",
            "lens": "85 mm",
            "exposure": f"{self.exposure_seconds} s, f/{float(self.f_number):g}, ISO {self.iso}",
            "background": f"{self.background}, {self.lighting.backdrop_m:g} m behind",
            "background_m": self.lighting.backdrop_m,
            "face_height_m": FACE_HEIGHT_M,
            "f_number": float(self.f_number),
            "shutter_s": float(self.exposure_seconds),
            "iso": self.iso,
            "focal_mm": 85,
            "sensor_mm": [36, 24],
        }


def _in_words(lamp: Light) -> dict[str, Any]:
    where = "on the background" if lamp.on_backdrop else "at the face"
    over = "over" if lamp.stops >= 0 else "under"
    return {
        "name": lamp.name,
        "modifier": lamp.modifier,
        "place": lamp.place,
        "power": f"{abs(lamp.stops):.1f} stops {over} the exposure, metered {where}",
        "purpose": lamp.purpose,
        "height_m": lamp.height_m,
        "distance_m": lamp.distance_m,
        "azimuth_degrees": (lamp.bearing_degrees + 180) % 360 - 180,
        "aim": "background" if lamp.on_backdrop else "sitter",
    }


BENCH = SetUp(
    "bench",
    "Sitter at the bench, hard main light; judged in monochrome.",
    HARD,
    "grey paper",
    Fraction(8),
)
WINDOW = SetUp(
    "window",
    "As by a north window: one large soft source from the side, little fill, the far cheek dark.",
    Lighting(
        (
            Light("main", -72, 1.75, 1.5, 1.5, 0.05, "softbox, 120 × 180 cm, in place of a window", "soft light from the side", "square"),
            Light("fill", 68, 1.4, 1.6, 1.2, -4.2, "white board, 100 × 200 cm", "keeps the far cheek from black", "square", (1.04, 1.0, 0.94)),
            Light("hair", 150, 2.2, 1.7, 0.4, -1.2, "strip softbox with grid, 30 × 120 cm", "parts the hair from the ground", "square"),
            Light("ground", -160, 1.3, 1.6, 0.35, -0.9, "reflector, 18 cm", "lifts the background on the dark side", on_backdrop=True, tint=(1.05, 1.0, 0.92)),
        ),
        backdrop=(0.155, 0.150, 0.135),
        backdrop_m=1.8,
        spill=0.02,
    ),
    "painted cloth, warm grey",
    Fraction(56, 10),
)  # fmt: skip
WHITE = SetUp(
    "white",
    "White ground for the yearbook's index: even light, no shadow behind the sitter.",
    Lighting(
        (
            Light("main", -34, 2.05, 1.6, 1.35, 0.3, "octagonal softbox, 135 cm", "broad light on the face", "round"),
            Light("fill", 30, 1.4, 2.4, 1.5, -2.4, "umbrella, 150 cm", "opens the shadows", "round"),
            Light("ground left", -150, 1.5, 1.6, 0.6, -0.75, "reflector with barn doors", "left half of the ground, to just under white", on_backdrop=True),
            Light("ground right", 150, 1.5, 1.6, 0.6, -0.75, "reflector with barn doors", "right half of the ground, to just under white", on_backdrop=True),
        ),
        backdrop=(0.80, 0.80, 0.80),
        backdrop_m=2.5,
        spill=0.05,
    ),
    "white paper",
    Fraction(11),
    intent_stops=0.3,
)  # fmt: skip
SET_UPS = (BENCH, WINDOW, WHITE)
