"""The commands of the cull: `glassine selects ...`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, Parameter

from glassine.flows.cli_common import HERE, Common, frame_numbers, run_named
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document

selects_app = App(name="selects", help="Take the marks of the cull, and close its rounds.")


@selects_app.command(name="mark")
def selects_mark(
    number: str,
    listed: list[str] | None = None,
    *,
    round_name: Annotated[str, Parameter(name="--round")],
    ratings: Path | None = None,
    sidecars: bool = False,
    remark: str | None = None,
    region: str | None = None,
    fixable: bool = False,
    common: Common = HERE,
) -> Document:
    """Take one person's marks: a written list, or the xmp:Rating of sidecars. What is unclear is named, not guessed.

    Example: glassine selects mark 2611-04 "0142, 0151-0153, hero 0177, out 0150" --round edit --remark "eyes"
    Next: glassine selects close 2611-04 --round edit

    Parameters
    ----------
    number
        The job.
    listed
        Frame numbers, ranges and file names; each may have `select`, `hero`, `hold` or `out` before it.
    round_name
        The round's name; it is opened when it is new.
    ratings
        A folder of XMP sidecars instead of a list: 1 to 5 is a select, -1 is out, 0 says nothing.
    sidecars
        Take the ratings of the sidecars that came in with the frames.
    remark
        Why.
    region
        Where in the picture: xywh=percent:X,Y,W,H, or ellipse= or polygon=.
    fixable
        The remark can be mended in a retouch: on a select it becomes a draft note, which somebody confirms.
    """
    if sum((listed is not None and listed != [], ratings is not None, sidecars)) != 1:
        raise CallError("W001", "Give a list, or --ratings FOLDER, or --sidecars.")
    # Unquoted, the shell has cut `hold 0003` in two; quoted, each part is an item of its own.
    between = ", " if any(" " in text for text in listed or []) else " "
    words = {
        "listed": between.join(listed) if listed else None,
        "ratings": str(ratings.absolute()) if ratings else None,
    }
    return run_named(
        common, "selects_round", "mark", job=number, round_name=round_name, remark=remark, region=region,
        fixable=fixable, **words,
    )  # fmt: skip


@selects_app.command(name="close")
def selects_close(
    number: str,
    *,
    round_name: Annotated[str, Parameter(name="--round")],
    rest: Literal["out", "hold"] | None = None,
    common: Common = HERE,
) -> Document:
    """Close a round: its marks are frozen, and sidecars of the selects are written to handoff/.

    Example: glassine selects close 2611-04 --round edit
    Next: glassine retouch brief 2611-04 0142 --note "xywh=percent:40,20,10,8 | take out the stray hair"

    Parameters
    ----------
    number
        The job.
    round_name
        The round to close.
    rest
        What the selects of earlier rounds become of which this one says nothing; else they stay selects.
    """
    return run_named(common, "selects_round", "close", job=number, round_name=round_name, rest=rest)


@selects_app.command(name="list")
def selects_list(
    number: str,
    *,
    round_name: Annotated[str | None, Parameter(name="--round")] = None,
    common: Common = HERE,
) -> Document:
    """List the rounds of the cull: who said what of which frame, where people disagree, and what it comes to.

    Example: glassine selects list 2611-04
    Next: glassine selects mark 2611-04 "0142" --round "second thoughts"

    Parameters
    ----------
    number
        The job.
    round_name
        Only this round.
    """
    from glassine.flows.rounds_list import list_rounds

    return list_rounds(common.find(), number, round_name)


@selects_app.command(name="crop")
def selects_crop(
    number: str,
    frame: str,
    region: str | None = None,
    *,
    straighten: float = 0.0,
    turn: Literal[0, 90, 180, 270] = 0,
    specification: Annotated[str | None, Parameter(name="--for")] = None,
    full: bool = False,
    common: Common = HERE,
) -> Document:
    """Crop a select, or turn it: shown over the full frame, applied when it is delivered.

    Example: glassine selects crop 2611-04 0142 xywh=percent:10,5,80,90 --straighten 1.5
    Next: glassine retouch sign-off 2611-04 0142

    Parameters
    ----------
    number
        The job.
    frame
        The frame's number, or several: 0142, 0151-0153.
    region
        The rectangle that stays: xywh=percent:X,Y,WIDTH,HEIGHT of the full frame.
    straighten
        Degrees, -45 to 45, by which the rectangle is turned clockwise about its centre.
    turn
        Quarter turns of what stays: 90, 180 or 270 degrees clockwise.
    specification
        Only for deliveries to this specification; else for all that have no crop of their own.
    full
        The full frame again.
    """
    from glassine.flows.crop import set_crop

    studio = common.find()
    chosen = frame_numbers(studio, number, [frame])
    return set_crop(
        studio, number, chosen, region, straighten_degrees=straighten, turn_degrees=turn,
        specification=specification, full=full, by=common.by,
    )  # fmt: skip
