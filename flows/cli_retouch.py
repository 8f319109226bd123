"""The commands of the retouch: `glassine retouch ...`."""

from __future__ import annotations

from pathlib import Path

from cyclopts import App

from glassine.flows.cli_common import HERE, Common, Frames, frame_numbers, run_named
from glassine.schemas.validation import Document

retouch_app = App(name="retouch", help="Briefs, hand-outs, returns and sign-offs.")


@retouch_app.command(name="brief")
def retouch_brief(
    number: str,
    frame: str,
    *,
    note: list[str] | None = None,
    standing: list[str] | None = None,
    grader: str | None = None,
    common: Common = HERE,
) -> Document:
    """Write the brief of a frame's next round: notes, 16-bit base file, reference proof, a PDF with the marks.

    Example: glassine retouch brief 2611-04 0142 --note "xywh=percent:40,20,10,8 | take out the stray hair"

    Parameters
    ----------
    note
        REGION | instruction, once for each note.
    standing
        An instruction for the whole picture.
    grader
        Who grades.
    """
    studio = common.find()
    (chosen,) = frame_numbers(studio, number, [frame], one=True)
    return run_named(
        common, "retouch", "brief", job=number, frame=chosen, notes=note or [], standing=standing, grader=grader
    )


@retouch_app.command(name="hand-out")
def retouch_hand_out(
    number: str, frames: Frames, *, to: str, due: str | None = None, common: Common = HERE
) -> Document:
    """Hand briefed frames out to a named retoucher.

    Example: glassine retouch hand-out 2611-04 0142 --to "Full Name" --due 2026-12-01
    """
    chosen = frame_numbers(common.find(), number, frames)
    return run_named(common, "retouch", "hand_out", job=number, frames=chosen, retoucher=to, due=due)


@retouch_app.command(name="take-back")
def retouch_take_back(number: str, frame: str, file: Path, *, common: Common = HERE) -> Document:
    """Take a returned file into custody and check it; exit status 1 when it is refused.

    Example: glassine retouch take-back 2611-04 0142 returned.tif
    """
    (chosen,) = frame_numbers(common.find(), number, [frame], one=True)
    return run_named(common, "retouch", "take_back", job=number, frame=chosen, file=str(file.absolute()))


@retouch_app.command(name="sign-off")
def retouch_sign_off(number: str, frames: Frames, *, final: str | None = None, common: Common = HERE) -> Document:
    """Let rendered finals leave, in your name.

    Example: glassine retouch sign-off 2611-04 0142 --by "Full Name"

    Parameters
    ----------
    final
        Only the final of this name.
    """
    chosen = frame_numbers(common.find(), number, frames)
    return run_named(common, "grade", "sign_off", job=number, frames=chosen, final=final)


@retouch_app.command(name="list")
def retouch_list(number: str, *, retoucher: str | None = None, common: Common = HERE) -> Document:
    """List the retouches of a job: who has what, until when, what came back.

    Example: glassine retouch list 2611-04 --retoucher "Full Name"
    """
    from glassine.flows.retouch_list import list_retouches

    return list_retouches(common.find(), number, retoucher)
