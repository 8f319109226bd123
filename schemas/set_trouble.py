"""Trouble that a frame shows while the sitter is still there: against the other frames of its set-up, and its counter.

Pure functions of frames as the manifest has them. They advise; nothing is rejected for them.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from glassine.schemas.exposure import Gap
from glassine.schemas.identifiers import counted, print_frame
from glassine.schemas.stage import Frame, is_blocked

DARK_STOPS = 1.5
"""A frame so far under the others of its set-up had less light: good frames of one lighting lie within a stop, through
the sitter's clothes and place; without the main light the invented shoot's lies 2.4 to 3.4 under (own choice)."""
DARK_HEADROOM_STOPS = 0.75
"""And so much more headroom: a dark coat before the camera leaves the brightest photosites where they were."""
SOFT_RATIO = 0.25
"""A frame with less than this part of the set-up's usual sharpness is soft: it changes by half with the pose, and falls
to a tenth and under when focus slips (own choice)."""
SOFT_PEERS = 3
"""So many frames must be there before sharpness is compared: it varies more than exposure."""
HIDDEN_SHARE = 0.001
"""From this share of the picture on lost highlights that the look hides are told of, as clipping is in a reading."""
PEERS = 20
"""Compared with so many frames before it: the set changes in the course of a day."""


class Trouble(NamedTuple):
    """What is wrong, as one word for a program, and as a sentence for the photographer."""

    kind: str
    sentence: str


def peers_of(frame: Frame, frames: Iterable[Frame]) -> list[Frame]:
    """The pictures of the same set-up and arrangement that came before a frame and were read, the newest last."""
    alike = [
        other
        for other in frames
        if other["frame"] < frame["frame"]
        and other["reading"]
        and other["purpose"] == "picture"
        and not is_blocked(other)
        and (other["set_up"], other["arrangement"]) == (frame["set_up"], frame["arrangement"])
    ]
    return alike[-PEERS:]


def picture_trouble(frame: Frame, peers: Sequence[Frame], hidden_highlights: float | None = None) -> list[Trouble]:
    """What a frame's picture shows; of a test or a grey card, which are meant to be different, only that it does not decode.

    Parameters
    ----------
    peers : of `peers_of`
    hidden_highlights : share of the picture where light was lost in the raw and the look shows a tone
    """
    if frame["undecodable"]:
        return [Trouble("undecodable", f"Frame {frame['number']} does not decode: {frame['undecodable']}")]
    if frame["purpose"] != "picture":
        return []
    found = []
    if frame["reading"] and peers:
        found += _darkness(frame, peers)
        found += _softness(frame, peers)
    if hidden_highlights is not None and hidden_highlights >= HIDDEN_SHARE:
        lost = f"Frame {frame['number']}: {hidden_highlights:.1%} of the picture is lost in the raw"
        found.append(Trouble("highlights", f"{lost}, and the look hides it: less light, or move it."))
    return found


def gap_trouble(gap: Gap) -> Trouble:
    """A jump in a body's counter: exposures that did not arrive."""
    missing = gap.last - gap.first + 1
    numbers = f"{gap.first:04d}" if missing == 1 else f"{gap.first:04d} to {gap.last:04d}"
    between = f"between frames {print_frame(gap.after_frame)} and {print_frame(gap.before_frame)}"
    did = "did not arrive: look at the cable, and keep the camera's card."
    return Trouble("counter", f"{counted(missing, 'exposure')} ({numbers} of body {gap.serial}, {between}) {did}")


def _darkness(frame: Frame, peers: Sequence[Frame]) -> list[Trouble]:
    """Far under the others, however the change of the camera's settings is counted: strobes do not mind the shutter."""
    under = [
        statistics.median(_stops(other, by) for other in peers) - _stops(frame, by)
        for by in ((), ("f_number", "iso"), ("f_number", "iso", "shutter_s"))
    ]
    headroom = [other["reading"]["headroom_stops"] for other in peers if other["reading"]["headroom_stops"] is not None]
    own = frame["reading"]["headroom_stops"]
    is_dark = own is None or not headroom or own - statistics.median(headroom) >= DARK_HEADROOM_STOPS
    if min(under) < DARK_STOPS or not is_dark:
        return []
    sentence = f"Frame {frame['number']} lies {under[0]:.1f} stops under the others of its set-up: did the strobe fire?"
    return [Trouble("strobe", sentence)]


def _stops(frame: Frame, settings: Sequence[str]) -> float:
    """The exposure of a frame, less what its settings let in; a setting that is not known counts as none."""
    exposure = frame["exposure"] or {}
    let_in = {"f_number": -2.0, "iso": 1.0, "shutter_s": 1.0}  # ISO 12232, exposure goes with t ISO / N²
    told = [let_in[name] * math.log2(exposure[name]) for name in settings if exposure.get(name)]
    return float(frame["reading"]["exposure_stops"]) - sum(told)


def _softness(frame: Frame, peers: Sequence[Frame]) -> list[Trouble]:
    usual = statistics.median(other["reading"]["sharpness"] for other in peers)
    if len(peers) < SOFT_PEERS or usual <= 0 or frame["reading"]["sharpness"] >= SOFT_RATIO * usual:
        return []
    share = frame["reading"]["sharpness"] / usual
    sentence = f"Frame {frame['number']} has {share:.0%} of its set-up's usual sharpness: did focus slip?"
    return [Trouble("focus", sentence)]
