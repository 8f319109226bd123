"""What a contact sheet is made of: its frames, and the set-ups that they were taken in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from glassine.tasks.imaging.crop import Crop


@dataclass(frozen=True)
class SetUpHead:
    """The line over the frames of a set-up; where any part of it changes a new line begins.

    name : set bold
    purpose, exposure : in words, as they are to be read
    arrangement : which arrangement of the set-up, in words; "" for the only one
    """

    name: str
    purpose: str = ""
    exposure: str = ""
    arrangement: str = ""


@dataclass(frozen=True)
class Entry:
    """One frame of a contact sheet.

    number : set large under the picture
    proof : its proof; any other JPEG is shown whole. None for a frame that cannot be shown: an empty box of the shape
        that most frames of the sheet have, with `why_empty` in it
    caption : small type: its file name, what it is for
    mark : "select" (a frame round the picture), "out" (a stroke through it), "hold" (corners), or another word or
        "", which draw nothing; the word stands beside the number
    crop : as in `crop.py`, drawn over the whole frame: thin lines that cross at its corners, the outside dimmed, and
        where it is turned an arrow towards what becomes the upper side
    why_empty : words in an empty box: why nothing can be shown
    set_up : the head that it stands under
    notes : what needs attention, in short sentences, the most important first
    hero : a star on the picture, and the word beside the number
    """

    number: str
    proof: Path | None
    caption: str
    mark: str
    crop: Crop | None = None
    why_empty: str = "no proof"
    set_up: SetUpHead | None = None
    notes: Sequence[str] = ()
    hero: bool = False
