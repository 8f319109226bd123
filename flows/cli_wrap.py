"""The commands of the end of a shoot: `glassine cards ...`, `glassine clock`, `glassine wrap`."""

from __future__ import annotations

from typing import Annotated

from cyclopts import App, Parameter

from glassine.flows.cli_common import HERE, Common, Number, frame_numbers
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document

cards_app = App(name="cards", help="Issue cards to cameras, take them back, and say where each is.")
Card = Annotated[str, Parameter(help="The card's name, as written on it: letters, digits, dash, underscore.")]


@cards_app.command(name="issue")
def cards_issue(
    number: Number,
    card: Card,
    *,
    to: str,
    with_: Annotated[str | None, Parameter(name="--with")] = None,
    common: Common = HERE,
) -> Document:
    """Write down that a card goes into a camera.

    It is outstanding until it is taken in. A card that another job has out is refused.

    Example: glassine cards issue 2611-04 A7 --to "body A"
    Next: glassine cards return 2611-04 A7

    Parameters
    ----------
    to
        The camera: its label, or its serial.
    with_
        Who has it.
    """
    from glassine.flows.card_log import issue_card

    return issue_card(common.find(), number, card, camera=to, person=with_, by=common.by)


@cards_app.command(name="return")
def cards_return(
    number: Number,
    card: Card,
    *,
    from_: Annotated[str | None, Parameter(name="--from")] = None,
    unused: bool = False,
    common: Common = HERE,
) -> Document:
    """Write down that a card came back. It stays outstanding until it is taken in.

    Example: glassine cards return 2611-04 A7
    Next: glassine ingest 2611-04 /media/CARD --card A7

    Parameters
    ----------
    from_
        Who brought it; who had it by default.
    unused
        Nothing is on it, so nothing is to be taken in.
    """
    from glassine.flows.card_log import return_card

    return return_card(common.find(), number, card, person=from_, unused=unused, by=common.by)


@cards_app.command(name="list")
def cards_list(number: str | None = None, *, common: Common = HERE) -> Document:
    """Where each card is: out, back, or taken in.

    Example: glassine cards list 2611-04
    See also: glassine wrap 2611-04

    Parameters
    ----------
    number
        A job; all jobs without one.
    """
    from glassine.flows.card_log import list_cards

    return list_cards(common.find(), number)


def clock(
    number: Number,
    camera: str | None = None,
    *,
    add: float | None = None,
    frame: str | None = None,
    shows: str | None = None,
    common: Common = HERE,
) -> Document:
    """Say what a camera's clock is off, or list the bodies of a job with their clocks.

    No file is touched: the time put right stands in `glassine job frames`.

    Example: glassine clock 2611-04 GS-000117 --add 37
    See also: glassine job frames 2611-04 0012

    Parameters
    ----------
    camera
        A serial, or a part of it that tells the body from the others; without it they are listed.
    add
        Seconds to add to what it writes; negative when it is fast.
    frame
        A frame in which a right clock is to be seen.
    shows
        What that clock says: "2026-11-25 10:00:00", or "10:00:00".
    """
    from glassine.flows.clock import list_clocks, set_clock

    studio = common.find()
    if camera is None:
        if add is not None or frame is not None or shows is not None:
            raise CallError("W001", f"Say whose clock: glassine clock {number} SERIAL --add SECONDS.")
        return list_clocks(studio, number)
    chosen = frame_numbers(studio, number, [frame], one=True)[0] if frame is not None else None
    return set_clock(studio, number, camera, add_s=add, frame=chosen, shows=shows, by=common.by)


def wrap(
    number: Number,
    *,
    carries: Annotated[list[str] | None, Parameter(consume_multiple=True)] = None,
    common: Common = HERE,
) -> Document:
    """Report, before anyone goes home, what is outstanding and whether the studio may be struck.

    Not while a card is outstanding, a copy is owed to a volume that is here, is
    missing or differs, a frame has no second medium, or does not decode. What
    only a person can judge is listed, and forbids nothing by itself: gaps in a
    camera's counters, clocks, what is owed to volumes that are away.

    It speaks as far as the record knows. Exit status 1: not yet.

    Example: glassine wrap 2611-04 --carries "backup=Tove Abel"
    Next: glassine advance 2611-04

    Parameters
    ----------
    carries
        VOLUME=NAME: who carries a volume off site; it is written down.
    """
    from glassine.flows.wrap import wrap as report

    return report(common.find(), number, carries=carries or (), by=common.by)
