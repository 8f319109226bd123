"""The commands of the retouch: `glassine retouch ...`."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from cyclopts import App

from glassine.flows.cli_common import HERE, Common, Frames, Several, frame_numbers, run_named
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document

retouch_app = App(name="retouch", help="Notes, briefs, hand-outs, returns, reviews and sign-offs.")
Reason = Literal["missed note", "client's change", "unasked change", "other"]


@retouch_app.command(name="brief")
def retouch_brief(
    number: str,
    frame: str,
    *,
    note: list[str] | None = None,
    standing: list[str] | None = None,
    grader: str | None = None,
    level: str | None = None,
    rendering: list[str] | None = None,
    with_original: bool = False,
    why: Reason | None = None,
    text: str | None = None,
    common: Common = HERE,
) -> Document:
    """Write the brief of a frame's next round: notes, 16-bit base file, reference proof, a PDF with the marks.

    Example: glassine retouch brief 2611-04 0142 --note "xywh=percent:40,20,10,8 | take out the stray hair"
    Next: glassine retouch hand-out 2611-04 0142 --to "Full Name" --due 2026-12-01

    Parameters
    ----------
    number
        The job.
    frame
        The select's number.
    note
        REGION | instruction, once for each note; then, for each donor, | from FRAME REGION:
        "ellipse=percent:30,20,6,4 | bring the light into the eye | from 0143 ellipse=percent:31,20,6,4".
    standing
        An instruction for the whole picture.
    grader
        Who grades.
    level
        The level of retouch, as studio.toml names it under [[retouch.levels]].
    rendering
        NAME=STOPS: a second base file, lighter or darker by so many stops, for another area of the picture.
    with_original
        The file as the camera wrote it goes along.
    why
        Why there is another round, where nothing was refused: a client's change, for example.
    text
        The same in words.
    """
    studio = common.find()
    (chosen,) = frame_numbers(studio, number, [frame], one=True)
    return run_named(
        common, "retouch", "brief", job=number, frame=chosen, notes=note or [], standing=standing, grader=grader,
        level=level, renderings=rendering, with_original=with_original, why=why, text=text,
    )  # fmt: skip


@retouch_app.command(name="notes")
def retouch_notes(number: str, frames: Several = None, *, common: Common = HERE) -> Document:
    """List notes, and drafts that wait to be confirmed, with their ids.

    Example: glassine retouch notes 2611-04
    Next: glassine retouch confirm 2611-04 0142 n-0123456789

    Parameters
    ----------
    number
        The job.
    frames
        Only these frames.
    """
    from glassine.flows.retouch_notes import list_notes

    studio = common.find()
    chosen = frame_numbers(studio, number, frames) if frames else None
    return list_notes(studio, number, chosen)


@retouch_app.command(name="confirm")
def retouch_confirm(
    number: str,
    frame: str,
    note: str,
    *,
    region: str | None = None,
    instruction: str | None = None,
    donor: list[str] | None = None,
    common: Common = HERE,
) -> Document:
    """Make a draft, which is a fixable remark of the cull, a note of the retouch.

    Example: glassine retouch confirm 2611-04 0142 n-0123456789 --region xywh=percent:40,20,10,8
    Next: glassine retouch brief 2611-04 0142

    Parameters
    ----------
    number
        The job.
    frame
        The select's number.
    note
        The draft's id, as `glassine retouch notes` lists it.
    region
        Where it is, when the remark does not say so, or says it otherwise.
    instruction
        In other words than the remark's.
    donor
        FRAME REGION, or FRAME alone: from where something is to be brought over.
    """
    from glassine.flows.retouch_notes import confirm

    studio = common.find()
    (chosen,) = frame_numbers(studio, number, [frame], one=True)
    return confirm(studio, number, chosen, note, region=region, instruction=instruction, donors=donor, by=common.by)


@retouch_app.command(name="withdraw")
def retouch_withdraw(
    number: str, frame: str, notes: list[str], *, reason: str, lift: bool = False, common: Common = HERE
) -> Document:
    """Withdraw notes, or drafts of notes: they are asked for no longer.

    Example: glassine retouch withdraw 2611-04 0142 n-0123456789 --reason "it belongs to the face"
    Next: glassine retouch notes 2611-04 0142

    Parameters
    ----------
    number
        The job.
    frame
        The select's number.
    notes
        Their ids, as `glassine retouch notes` lists them.
    reason
        Why.
    lift
        They stand again.
    """
    from glassine.flows.retouch_notes import withdraw

    studio = common.find()
    (chosen,) = frame_numbers(studio, number, [frame], one=True)
    return withdraw(studio, number, chosen, notes, reason, lift=lift, by=common.by)


@retouch_app.command(name="hand-out")
def retouch_hand_out(
    number: str, frames: Frames, *, to: str, due: str | None = None, common: Common = HERE
) -> Document:
    """Hand briefed frames out to a named retoucher.

    Example: glassine retouch hand-out 2611-04 0142 --to "Full Name" --due 2026-12-01
    Next: glassine retouch take-back 2611-04 0142 returned.tif

    Parameters
    ----------
    number
        The job.
    to
        The retoucher's name. Said again with another name, the frames go to that person.
    due
        Until when, as 2026-12-01.
    """
    chosen = frame_numbers(common.find(), number, frames)
    return run_named(common, "retouch", "hand_out", job=number, frames=chosen, retoucher=to, due=due)


@retouch_app.command(name="call-off")
def retouch_call_off(number: str, frame: str, *, reason: str, common: Common = HERE) -> Document:
    """Call off the round of a frame that is briefed or out: it is not waited for any more.

    Example: glassine retouch call-off 2611-04 0142 --reason "briefed by mistake"
    Next: glassine retouch list 2611-04

    Parameters
    ----------
    number
        The job.
    frame
        The frame's number.
    reason
        Why.
    """
    (chosen,) = frame_numbers(common.find(), number, [frame], one=True)
    return run_named(common, "retouch", "call_off", job=number, frame=chosen, reason=reason)


@retouch_app.command(name="take-back")
def retouch_take_back(
    number: str,
    frame: str,
    file: Path,
    *,
    hours: float | None = None,
    used: Several = None,
    common: Common = HERE,
) -> Document:
    """Take a returned file into custody and check it; exit status 1 when it is refused.

    Example: glassine retouch take-back 2611-04 0142 returned.tif --hours 1.5
    Next: glassine retouch review 2611-04 0142 --accept

    Parameters
    ----------
    number
        The job.
    frame
        The select's number.
    file
        The file that came back.
    hours
        The time that the retoucher says it took.
    used
        Frames that the retoucher used besides the donors of the brief.
    """
    studio = common.find()
    (chosen,) = frame_numbers(studio, number, [frame], one=True)
    others = frame_numbers(studio, number, used) if used else None
    path = str(file.absolute())
    return run_named(
        common, "retouch_return", "take_back", job=number, frame=chosen, file=path, hours=hours, used=others
    )


@retouch_app.command(name="review")
def retouch_review(
    number: str,
    frame: str,
    *,
    accept: bool = False,
    reject: Reason | None = None,
    text: str = "",
    note: list[str] | None = None,
    common: Common = HERE,
) -> Document:
    """Accept what came back, in your name, or reject it: then the next round is briefed, with its cause.

    Example: glassine retouch review 2611-04 0142 --reject "client's change" --note "xywh=percent:40,20,10,8 | softer"
    Next: glassine retouch hand-out 2611-04 0142 --to "Full Name"

    Parameters
    ----------
    number
        The job.
    frame
        The select's number.
    accept
        It is right, also where something changed that nobody asked for.
    reject
        It is not, and why. After a client's change the next round goes on from what came back; else it starts again
        from the same base file.
    text
        In words, for whoever retouches it next.
    note
        REGION | instruction, for the next round.
    """
    if accept == bool(reject):
        raise CallError("W001", 'Say either --accept, or --reject and why: "client\'s change", for example.')
    (chosen,) = frame_numbers(common.find(), number, [frame], one=True)
    return run_named(
        common, "retouch_return", "review", job=number, frame=chosen, accepted=accept, why=reject, text=text, notes=note
    )


@retouch_app.command(name="sign-off")
def retouch_sign_off(number: str, frames: Frames, *, final: str | None = None, common: Common = HERE) -> Document:
    """Let rendered finals leave, in your name.

    Example: glassine retouch sign-off 2611-04 0142 --by "Full Name"
    Next: glassine deliver 2611-04 --to "Client"

    Parameters
    ----------
    number
        The job.
    final
        Only the final of this name.
    """
    chosen = frame_numbers(common.find(), number, frames)
    return run_named(common, "grade", "sign_off", job=number, frames=chosen, final=final)


@retouch_app.command(name="list")
def retouch_list(number: str | None = None, *, retoucher: str | None = None, common: Common = HERE) -> Document:
    """List the retouches: who has what, until when, what is late, what came back, and the time it took.

    Example: glassine retouch list --retoucher "Full Name"
    Next: glassine retouch take-back 2611-04 0142 returned.tif

    Parameters
    ----------
    number
        The job; else all jobs.
    retoucher
        Only what this person has, or had.
    """
    from glassine.flows.retouch_list import list_retouches

    return list_retouches(common.find(), number, retoucher)
