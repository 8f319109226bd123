"""Paper sizes of ISO 216 by name: the A and B series, from the largest to the sixth halving."""

from __future__ import annotations

from typing import Final

from glassine.schemas.errors import CallError

_WHOLE_SHEETS_MM: Final = {"A": (841, 1189), "B": (1000, 1414)}
"""A0 and B0 of ISO 216; each further size halves the long side, rounded down to a whole millimetre."""
_MOST_HALVINGS: Final = 6


def paper_size_mm(name: str, *, landscape: bool = False) -> tuple[int, int]:
    """Width and height of a sheet in mm.

    Parameters
    ----------
    name : "A0" to "A6" or "B0" to "B6"
    landscape : the long side lies

    Raises
    ------
    CallError
        W001 for any other name.

    Notes
    -----
    Source: ISO 216. Its tolerances (up to 3 mm) are the paper maker's and play no part here.

    Examples
    --------
    >>> paper_size_mm("A4")
    (210, 297)
    >>> paper_size_mm("B5", landscape=True)
    (250, 176)
    """
    series, halvings = name[:1], name[1:]
    if series not in _WHOLE_SHEETS_MM or halvings not in map(str, range(_MOST_HALVINGS + 1)):
        raise CallError("W001", f"There is no paper {name!r} here: give one of A0 to A6 or B0 to B6.")
    width, height = _WHOLE_SHEETS_MM[series]
    for _ in range(int(halvings)):
        width, height = height // 2, width
    return (height, width) if landscape else (width, height)
