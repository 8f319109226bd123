"""The commands of the job itself: `glassine job ...`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal

from cyclopts import App

from glassine.flows.cli_common import HERE, Common, Frames, Number, frame_numbers, run_any
from glassine.flows.outcome import summary
from glassine.flows.prefect_environment import set_environment
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document

job_app = App(name="job", help="Open, list and describe jobs; block frames.")


@job_app.command(name="open")
def job_open(
    number: Number,
    *,
    sheet: Path | None = None,
    title: str | None = None,
    client: str | None = None,
    common: Common = HERE,
) -> Document:
    """Open a job with its job sheet, or give an open job a new sheet.

    The sheet says what was agreed: client, licence, set-ups, looks, what is to be
    delivered. Without one, --client is enough; the rest can be written into the
    job's job.json later.

    Example: glassine job open 2611-04 --sheet sheet.json
    Next: glassine ingest 2611-04 /media/CARD
    See also: glassine job sheet

    Parameters
    ----------
    number
        The job's number: letters, digits, dash and underscore, such as 2611-04.
    sheet
        The job sheet, a JSON file (`glassine job sheet` prints an example).
    title
        Without a sheet: the job's title.
    client
        Without a sheet: the client's name.
    """
    from glassine.flows.job_sheet import open_new_job

    return open_new_job(common.find(), number, sheet, title=title, client=client, by=common.by)


@job_app.command(name="list")
def job_list(*, common: Common = HERE) -> Document:
    """List the jobs of the studio.

    Example: glassine job list
    Next: glassine status 2611-04
    """
    from glassine.flows.job_sheet import list_jobs

    return list_jobs(common.find())


@job_app.command(name="frames")
def job_frames(number: Number, frames: list[str] | None = None, *, common: Common = HERE) -> Document:
    """Where every frame is: a line each; for the frames named, everything that is known.

    Example: glassine job frames 2611-04 0012-0014
    See also: glassine status 2611-04

    Parameters
    ----------
    frames
        Frame numbers, ranges or file names; all frames without them.
    """
    from glassine.flows.frame_list import list_frames

    studio = common.find()
    return list_frames(studio, number, frame_numbers(studio, number, frames) if frames else None)


@job_app.command(name="sheet")
def job_sheet(number: str | None = None, *, common: Common = HERE) -> Document:
    """Print the job sheet in force, or an example to fill in.

    Example: glassine job sheet > sheet.json
    Next: glassine job open 2611-04 --sheet sheet.json

    Parameters
    ----------
    number
        A job; without one an example is printed.
    """
    from importlib.resources import files

    if number is None:
        sheet = json.loads((files("glassine.config") / "job_sheet.example.json").read_text("utf-8"))
    else:
        from glassine.schemas.job_record import JobRecord

        sheet = JobRecord(common.find().job_folder(number)).manifest().sheet
    return summary([json.dumps(sheet, indent=2, ensure_ascii=False)], [], sheet=sheet)


@job_app.command(name="set-up")
def job_set_up(
    number: Number, name: str, frames: Frames, *, arrangement: int | None = None, common: Common = HERE
) -> Document:
    """Say to which set-up frames belong.

    Frames of one set-up are compared with each other, so that one exposure that
    strays from the others is found.

    Example: glassine job set-up 2611-04 bench 0012-0031
    Next: glassine proof 2611-04

    Parameters
    ----------
    name
        The set-up, as the job sheet names it.
    arrangement
        Which arrangement of its lights: 1, and one more each time that a light was moved. By default the first, or
        what a frame of that set-up has.
    """
    from glassine.flows.job_sheet import assign_set_up

    studio = common.find()
    return assign_set_up(
        studio, number, name, frame_numbers(studio, number, frames), common.by, arrangement=arrangement
    )


@job_app.command(name="set-up-sheet")
def job_set_up_sheet(number: Number, set_up: str | None = None, *, common: Common = HERE) -> Document:
    """Draw a page for each set-up, from which its lights can be built again.

    A plan to scale with every light, heights, a table with powers and ratios,
    camera and exposure, and the set-up's best frame. What the job sheet says only
    in unclear words is listed, not guessed: give it as a number there.

    Example: glassine job set-up-sheet 2611-04 bench
    See also: glassine job sheet 2611-04

    Parameters
    ----------
    set_up
        The set-up, as the job sheet names it; all of them without one.
    """
    from glassine.flows.set_up_sheet import make_sheets

    return make_sheets(common.find(), number, set_up)


@job_app.command(name="purpose")
def job_purpose(
    number: Number, purpose: Literal["picture", "test", "grey-card"], frames: Frames, *, common: Common = HERE
) -> Document:
    """Correct what frames were taken for: a picture, a test, a grey card.

    Tests and grey cards are compared with nothing, and nobody is asked to choose
    among them.

    Example: glassine job purpose 2611-04 test 0001-0003
    Next: glassine proof 2611-04

    Parameters
    ----------
    purpose
        What they are.
    """
    from glassine.flows.on_set import assign_purpose

    studio = common.find()
    chosen = frame_numbers(studio, number, frames)
    return assign_purpose(studio, number, purpose.replace("-", "_"), chosen, common.by)


@job_app.command(name="balance")
def job_balance(
    number: Number,
    set_up: str | None = None,
    *,
    card: str | None = None,
    region: str | None = None,
    expose: bool = False,
    like: str | None = None,
    multipliers: str | None = None,
    stops: float | None = None,
    as_shot: bool = False,
    arrangement: int | None = None,
    camera: str | None = None,
    common: Common = HERE,
) -> Document:
    """White balance and exposure of a set-up's frames; without an option, what was said so far.

    It is applied when a picture is rendered, before any look; no original is
    touched. Proofs, and finals made from the original itself, are due again. What
    a retoucher has keeps its balance. The numbers hold for one camera model.

    Example: glassine job balance 2611-04 bench --card 0001 --expose
    Next: glassine proof 2611-04
    See also: glassine job match 2611-04 0012-0031 --to 0014

    Parameters
    ----------
    set_up
        The set-up, as the job sheet names it.
    card
        The frame that shows a grey card, a raw.
    region
        Where the card lies in it: xywh=percent:40,40,20,20. By default the middle fifth of each side.
    expose
        With --card: bring the card to 18 % grey, too.
    like
        The frame whose as-shot white balance all get: it is locked for the set-up.
    multipliers
        Typed: of the camera's red, green and blue, such as "2.05 1 1.48".
    stops
        Exposure, typed: +0.3 is a third lighter. Alone it leaves the white balance; without it the exposure stays.
    as_shot
        As the camera set each frame again.
    arrangement
        Only for this arrangement of the lights; by default for all that have none of their own.
    camera
        The model that typed multipliers are of, or a part of its name, where the set-up has several.
    """
    set_environment()  # measuring shares modules with flows, which load the flow engine
    from glassine.flows import balance

    studio = common.find()
    said = {"card": card, "region": region, "like": like, "multipliers": multipliers, "stops": stops}
    if not (any(value is not None for value in said.values()) or expose or as_shot):
        return balance.list_balances(studio, number, set_up)
    if set_up is None:
        raise CallError("W001", f"Name the set-up: glassine job balance {number} SET-UP ...")
    named = {
        name: frame_numbers(studio, number, [text], one=True)[0] if text is not None else None
        for name, text in (("card", card), ("like", like))
    }
    return balance.set_balance(
        studio, number, set_up, **named, region=region, multipliers=multipliers, stops=stops, expose=expose,
        as_shot=as_shot, arrangement=arrangement, camera=camera, by=common.by,
    )  # fmt: skip


@job_app.command(name="match")
def job_match(
    number: Number,
    frames: Frames,
    *,
    to: str | None = None,
    stops: float | None = None,
    as_shot: bool = False,
    common: Common = HERE,
) -> Document:
    """Match the exposure of frames to another of their set-up, by their readings or by stops.

    A strobe gives a little more one time and a little less the next. One that is
    off by more than 1.5 stops is left and named: it was lit differently.

    Example: glassine job match 2611-04 0012-0031 --to 0014
    Next: glassine proof 2611-04
    See also: glassine job balance 2611-04 bench

    Parameters
    ----------
    to
        The frame that they are matched to.
    stops
        Typed: +0.3 is a third lighter than shot.
    as_shot
        Take it back.
    """
    set_environment()
    from glassine.flows.balance import match_exposure

    studio = common.find()
    target = frame_numbers(studio, number, [to], one=True)[0] if to is not None else None
    chosen = frame_numbers(studio, number, frames)
    return match_exposure(studio, number, chosen, to=target, stops=stops, as_shot=as_shot, by=common.by)


@job_app.command(name="block")
def job_block(
    number: Number,
    frames: Frames,
    *,
    reason: str,
    lift: bool = False,
    common: Common = HERE,
) -> Document:
    """Block frames that may not be shown or leave; they stay in custody. --lift frees them again.

    Deliveries that hold them already are named, for you to ask them back.

    Example: glassine job block 2611-04 0017 --reason "the sitter refused"
    Next: glassine proof 2611-04

    Parameters
    ----------
    reason
        Why; it is kept in the record, and said wherever the block stands in the way.
    lift
        Free the frames again.
    """
    from glassine.flows.job_sheet import set_block

    studio = common.find()
    return set_block(studio, number, frame_numbers(studio, number, frames), reason, blocked=not lift, by=common.by)


@job_app.command(name="restore")
def job_restore(number: Number, *, new_disk: bool = False, common: Common = HERE) -> Document:
    """Bring a job back whose working volume was lost: its record and every file, from the other volumes.

    Every file is read back when it was written. What is on the working volume
    stays as it is; a job that is whole is not changed. Stopped anywhere, the
    same command goes on.

    Exit status: 0 everything is back; 1 a file or an entry is whole on no volume
    that is here, or two histories were found; 2 no volume that is here knows the
    job; 3 a volume is not there.

    Example: glassine job restore 2611-04 --new-disk
    Next: glassine advance 2611-04

    Parameters
    ----------
    new_disk
        The working volume's disk is lost for good: let the folder at its path, on another disk, take its place.
    """
    return run_any(common, "restore", "restore", job=number, new_disk=new_disk)
