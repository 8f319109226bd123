"""The commands of the cull: `glassine selects ...`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from glassine.flows.cli_common import HERE, Common, run_named
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
    common: Common = HERE,
) -> Document:
    """Take one person's marks: a written list, or the xmp:Rating of sidecars. What is unclear is named, not guessed.

    Example: glassine selects mark 2611-04 "0142, 0151-0153, hero 0177, out 0150" --round edit --remark "eyes"

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
        common, "selects_round", "mark", job=number, round_name=round_name, remark=remark, region=region, **words
    )


@selects_app.command(name="close")
def selects_close(
    number: str, *, round_name: Annotated[str, Parameter(name="--round")], common: Common = HERE
) -> Document:
    """Close a round: its marks are frozen, and sidecars of the selects are written to handoff/.

    Example: glassine selects close 2611-04 --round edit
    """
    return run_named(common, "selects_round", "close", job=number, round_name=round_name)
