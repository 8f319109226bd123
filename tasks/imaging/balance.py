"""The balance of a frame: its white balance and its exposure, as numbers that are kept apart from any look."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from glassine.schemas.errors import CallError

MULTIPLIER_LIMITS: Final = (0.1, 10.0)
"""A camera's own multipliers lie between 0.5 and 5 in any light of a studio (from memory); beyond is a slip."""
STOPS_LIMIT: Final = 5.0
"""What is further off than this is no exposure that could be matched (own choice)."""


@dataclass(frozen=True)
class Balance:
    """What is done to an original's light before any look.

    multipliers : of the camera's own red, green and blue, 0.1 to 10; common practice has green at 1.0. None: as the
        camera set it. Only their ratios count: see `raw_rendering.render`.
    stops : exposure, -5 to 5: light is multiplied by 2 to this power

    Raises
    ------
    CallError
        W001 for what is no such number.

    Examples
    --------
    >>> Balance((2.0, 1.0, 1.5), -0.5).gain
    0.7071067811865476
    """

    multipliers: tuple[float, float, float] | None = None
    stops: float = 0.0

    def __post_init__(self) -> None:
        if self.multipliers is not None:
            low, high = MULTIPLIER_LIMITS
            if len(self.multipliers) != 3 or not all(_is_within(one, low, high) for one in self.multipliers):
                raise CallError(
                    "W001",
                    "A white balance is three multipliers, of red, green and blue, each from "
                    f"{low:g} to {high:g}, not {_listed(self.multipliers)}.",
                )
        if not _is_within(self.stops, -STOPS_LIMIT, STOPS_LIMIT):
            raise CallError(
                "W001", f"An exposure is moved by -{STOPS_LIMIT:g} to {STOPS_LIMIT:g} stops, not {self.stops!r}."
            )

    @property
    def gain(self) -> float:
        """What light is multiplied by."""
        return float(2.0**self.stops)

    @classmethod
    def of(cls, document: Mapping[str, Any] | None) -> Balance:
        """Read a balance as documents have it.

        Parameters
        ----------
        document : {"multipliers": [red, green, blue] or None, "stops": a number}, either of which may be left out;
            None gives `AS_SHOT`

        Raises
        ------
        CallError
            W001 for what is no such balance.

        Examples
        --------
        >>> Balance.of({"multipliers": [2, 1, 1.5], "stops": 0})
        Balance(multipliers=(2.0, 1.0, 1.5), stops=0.0)
        """
        if document is None:
            return AS_SHOT
        multipliers, stops = document.get("multipliers"), document.get("stops", 0.0)
        if multipliers is not None and not isinstance(multipliers, list | tuple):
            raise CallError("W001", f"A white balance is a list of three multipliers, not {multipliers!r}.")
        checked = cls(None if multipliers is None else tuple(multipliers), stops)
        if checked.multipliers is None:
            return cls(stops=float(checked.stops))
        red, green, blue = checked.multipliers
        return cls((float(red), float(green), float(blue)), float(checked.stops))


def _is_within(value: object, low: float, high: float) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) and low <= value <= high


def _listed(multipliers: tuple[Any, ...]) -> str:
    return ", ".join(repr(one) for one in multipliers) or "none"


AS_SHOT: Final = Balance()
"""The camera's own white balance, and the exposure as it is."""
