"""The commands on set while frames come in: `tether`, and `on-set`, which says at another terminal what comes next."""

from __future__ import annotations

from pathlib import Path

from glassine.flows.cli_common import HERE, Common, Number, run_named
from glassine.flows.set_signals import kept_from_children
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document


def tether(number: Number, folder: Path, *, poll: bool = False, common: Common = HERE) -> Document:
    """Take in each frame as it lands in a folder: every copy, its reading and proof, and trouble at once.

    Give it the folder that your camera's own program fills. What lies there
    already is taken in too. Trouble rings the bell: the strobe that did not fire,
    focus that slipped, highlights lost in the raw that the look hides, a jump in
    the counter, a file that does not decode, a volume away or full.

    Keys at the terminal: n next set-up of the job sheet; m a light was moved;
    t tests, g grey cards, p pictures from here on; q end. `glassine on-set` does
    the same from another terminal. Frames belong to what was on set when they
    landed; `job set-up` and `job purpose` correct it later.

    q or Ctrl-C ends it in good order, with status 0; a second Ctrl-C breaks it off
    (130), and the next run takes in what was missed. With --json each line is a
    JSON document of its own, as it happens, and the last is the summary.

    Example: glassine tether 2611-04 /data/incoming
    Next: glassine selects mark 2611-04 "0142, 0151-0153, hero 0177" --round edit
    See also: glassine on-set 2611-04

    Parameters
    ----------
    folder
        The folder to watch, with those below it; apart from every volume.
    poll
        List the folder again and again, where the system tells nothing of what happens there (network drives).
    """
    words = {"job": number, "folder": str(folder.absolute()), "poll": poll, "as_json": common.json}
    with kept_from_children():
        return run_named(common, "tether", "tether", **words)


def on_set(
    number: Number,
    *,
    set_up: str | None = None,
    moved: bool = False,
    test: bool = False,
    grey_card: bool = False,
    picture: bool = False,
    common: Common = HERE,
) -> Document:
    """Say what the frames are that come next: their set-up, that a light was moved, what they are for.

    Without any of it, it says what is on set now. Exposure and sharpness are
    compared within one set-up as its lights stood, and among pictures only.

    Example: glassine on-set 2611-04 --set-up window --test
    Next: glassine tether 2611-04 /data/incoming

    Parameters
    ----------
    set_up
        A set-up of the job sheet; its lights as they stood last.
    moved
        A light was moved: the next arrangement of the set-up.
    test
        The next frames are tests.
    grey_card
        The next frames show a grey card.
    picture
        The next frames are pictures again.
    """
    from glassine.flows.on_set import on_set as answer

    purposes = [name for name, given in (("test", test), ("grey_card", grey_card), ("picture", picture)) if given]
    if len(purposes) > 1:
        raise CallError("W001", "Say one of --test, --grey-card and --picture.")
    purpose = purposes[0] if purposes else None
    return answer(common.find(), number, set_up=set_up, moved=moved, purpose=purpose, by=common.by)
