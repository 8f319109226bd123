"""The command line: parses words, calls a flow, prints what came of it, and ends with one of the exit statuses.

Everything heavy is imported inside the commands that need it: what only reads answers at once.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from cyclopts import App, CycloptsError, Parameter

from glassine.flows.cli_common import (
    HERE,
    Common,
    Frames,
    Several,
    frame_numbers,
    run_named,
    run_safely,
    volume_pairs,
    world_error,
)
from glassine.flows.cli_retouch import retouch_app
from glassine.flows.cli_selects import selects_app
from glassine.flows.outcome import failure, merge, summary
from glassine.flows.studio import make_studio
from glassine.schemas.errors import INTERRUPTED, WRONG_WORDS, CallError, GlassineError
from glassine.schemas.validation import Document

app = App(
    name="glassine",
    help="Takes a shoot from the card to the client, loses nothing, and can always say where every frame is.",
    help_format="plaintext",
    version_flags=[],
    suppress_keyboard_interrupt=False,
    default_parameter=Parameter(negative=()),
)
studio_app = App(name="studio", help="Make a studio.")
job_app = App(name="job", help="Open, list and describe jobs.")
for group in (studio_app, job_app, selects_app, retouch_app):
    app.command(group)


@app.command
def demo(folder: Path = Path("demo-studio"), *, common: Common = HERE) -> Document:
    """Invent a small shoot and take it through the whole job, from the card to the receipt.

    Example: glassine demo my-demo

    Parameters
    ----------
    folder
        Where the demo's studio is made; must not exist, or be an earlier demo.
    """
    from glassine.flows.prefect_environment import set_environment

    set_environment()
    from glassine.flows.demo import play

    return play(folder, quiet=common.json)


@studio_app.command(name="new")
def studio_new(
    folder: Path,
    *,
    volume: Annotated[list[str], Parameter(consume_multiple=True)],
    name: str | None = None,
    common: Common = HERE,
) -> Document:
    """Make a studio: a folder with commented settings, looks and specifications, and its volumes.

    Example: glassine studio new studio --volume working=/data/jobs --volume backup=/mnt/backup

    Parameters
    ----------
    folder
        The studio's folder.
    volume
        NAME=PATH, once for each place that holds copies. The first is the working volume, the others are backups.
    name
        The studio's name; by default its folder's.
    """
    pairs = volume_pairs(volume)
    made = make_studio(folder, pairs, name=name)
    said = [f"Studio {made.name} is in {made.folder}: read its studio.toml, then `glassine job open NUMBER`."]
    if len(pairs) == 1:
        said.append("It has one volume only: a second one, on another disk, is what keeps a frame safe.")
    return summary(said, [], studio=str(made.folder), volumes=[label for label, _ in pairs])


@studio_app.command(name="add-volume")
def studio_add_volume(volume: str, *, common: Common = HERE) -> Document:
    """Add a backup volume to the studio; the copies that it lacks are written by the next `glassine advance`.

    Example: glassine studio add-volume offsite=/mnt/offsite

    Parameters
    ----------
    volume
        NAME=PATH.
    """
    from glassine.flows.studio import add_volume

    (pair,) = volume_pairs([volume])
    made = add_volume(common.find(), *pair)
    said = [
        f"Volume {made.name} is at {made.root}. Run `glassine advance NUMBER` for each job to bring its copies there."
    ]
    return summary(said, [], volume=made.volume)


@job_app.command(name="open")
def job_open(
    number: str,
    *,
    sheet: Path | None = None,
    title: str | None = None,
    client: str | None = None,
    common: Common = HERE,
) -> Document:
    """Open a job with its job sheet, or give an open job a new sheet.

    Example: glassine job open 2611-04 --sheet sheet.json

    Parameters
    ----------
    number
        The job's number.
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
    """
    from glassine.flows.job_sheet import list_jobs

    return list_jobs(common.find())


@job_app.command(name="frames")
def job_frames(number: str, frames: list[str] | None = None, *, common: Common = HERE) -> Document:
    """Where every frame is: a line each; for the frames named, everything that is known.

    Example: glassine job frames 2611-04 0012-0014

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
def job_set_up(number: str, name: str, frames: Frames, *, common: Common = HERE) -> Document:
    """Say to which set-up frames belong.

    Example: glassine job set-up 2611-04 bench 0012-0031
    """
    from glassine.flows.job_sheet import assign_set_up

    studio = common.find()
    return assign_set_up(studio, number, name, frame_numbers(studio, number, frames), common.by)


@job_app.command(name="block")
def job_block(
    number: str,
    frames: Frames,
    *,
    reason: str,
    lift: bool = False,
    common: Common = HERE,
) -> Document:
    """Block frames that may not be shown or leave; they stay in custody. --lift frees them again.

    Example: glassine job block 2611-04 0017 --reason "the sitter refused"
    """
    from glassine.flows.job_sheet import set_block

    studio = common.find()
    return set_block(studio, number, frame_numbers(studio, number, frames), reason, blocked=not lift, by=common.by)


@app.command
def ingest(number: str, sources: list[Path], *, set_up: str | None = None, common: Common = HERE) -> Document:
    """Take cards or folders in: to the working volume and every backup, each copy read back.

    Example: glassine ingest 2611-04 /media/CARD --set-up bench

    Parameters
    ----------
    number
        The job.
    sources
        Cards or folders; nothing on them is changed.
    set_up
        The set-up that new frames belong to; the job sheet's only one by default.
    """
    if not sources:
        raise CallError("W001", "Name at least one card or folder: glassine ingest NUMBER SOURCE.")
    places = [str(source.absolute()) for source in sources]
    unnamed = [place for place in places if not place.isascii() and place != place.encode(errors="replace").decode()]
    if unnamed:  # the flow engine writes its parameters as UTF-8
        raise CallError("W001", f"{unnamed[0]!r} is no UTF-8 name: name the folder above it instead.")
    return run_named(common, "ingest", "ingest", job=number, sources=places, set_up=set_up)


@app.command
def verify(number: str | None = None, *, repair: bool = False, common: Common = HERE) -> Document:
    """Read every copy again; exit status 1 when one is missing or differs.

    Example: glassine verify 2611-04 --repair

    Parameters
    ----------
    number
        A job; all jobs without one.
    repair
        Make a missing or differing copy again from a whole one; the bad file is kept aside.
    """
    if number:
        return run_named(common, "verify", "verify", job=number, repair=repair)
    return merge(
        [run_safely(common, "verify", "verify", job=one, repair=repair) for one in common.find().job_numbers()]
    )


@app.command
def proof(number: str, *, common: Common = HERE) -> Document:
    """Make the readings, proofs and the contact sheet that are missing.

    Example: glassine proof 2611-04
    """
    return run_named(common, "proof", "proof", job=number)


@app.command
def grade(number: str, *, unretouched: Several = None, common: Common = HERE) -> Document:
    """Render the finals that are due.

    Example: glassine grade 2611-04 --unretouched 0151

    Parameters
    ----------
    unretouched
        Selects that leave as the camera took them: their finals are made from the original.
    """
    chosen = frame_numbers(common.find(), number, unretouched) if unretouched else None
    return run_named(common, "grade", "grade", job=number, unretouched=chosen)


@app.command
def deliver(
    number: str, *, to: str, specification: str | None = None, frames: Several = None, common: Common = HERE
) -> Document:
    """Render signed-off finals to a client's specification, pack, validate, hand over, and write the receipt.

    Example: glassine deliver 2611-04 --to "Client"

    Parameters
    ----------
    to
        The client, as the job sheet names it.
    specification
        By default what the job sheet says for this client.
    frames
        Only these frames; by default all selects.
    """
    chosen = frame_numbers(common.find(), number, frames) if frames else None
    return run_named(common, "deliver", "deliver", job=number, client=to, specification=specification, frames=chosen)


@app.command
def audit(
    *, client: str | None = None, file: Path | None = None, job: str | None = None, common: Common = HERE
) -> Document:
    """What was delivered to whom, when, from what, under which licence; whose a file is; whether the records are whole.

    Example: glassine audit --client "Client"

    Parameters
    ----------
    client
        Only the deliveries to this client.
    file
        Any file: which frame, version and delivery it is, byte for byte.
    job
        Only this job.
    """
    from glassine.flows.audit import audit as answer

    if client is not None and file is not None:
        raise CallError("W001", "Ask for --client or for --file, not for both.")
    return answer(common.find(), client=client, file=file, job=job)


@app.command
def status(number: str | None = None, *, common: Common = HERE) -> Document:
    """Where everything stands: stages, what is due, whom it waits for, what is late.

    Example: glassine status 2611-04
    """
    from glassine.flows.status import status as answer

    return answer(common.find(), number)


@app.command
def advance(number: str, *, common: Common = HERE) -> Document:
    """Do everything that is due and needs no person, then say whom the job waits for.

    Example: glassine advance 2611-04
    """
    return run_named(common, "advance", "advance", job=number)


def main(words: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    given = list(sys.argv[1:] if words is None else words)
    as_json = "--json" in given
    try:
        outcome = app(given, exit_on_error=False, print_error=False, result_action="return_value")
    except CycloptsError as error:
        sentence = f"{' '.join(str(error).split())} See `glassine --help`."
        return _say_failure(CallError("W001", sentence), as_json=as_json)
    except GlassineError as error:
        return _say_failure(error, as_json=as_json)
    except OSError as error:
        return _say_failure(world_error(error), as_json=as_json)
    except KeyboardInterrupt:
        print("glassine: interrupted; run the same command again to go on.", file=sys.stderr)  # noqa: T201
        return INTERRUPTED
    if outcome is None:  # help was shown
        return 0 if given else WRONG_WORDS
    try:
        return _say_outcome(outcome, as_json=as_json)
    except BrokenPipeError:  # who reads, has read enough: `glassine job frames 2611-04 | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return int(outcome["status"])


def _say_outcome(outcome: Document, *, as_json: bool) -> int:
    if as_json:
        print(json.dumps(outcome, ensure_ascii=False))  # noqa: T201
    else:
        for line in outcome["said"]:
            print(line)  # noqa: T201
        sys.stdout.flush()
        for line in outcome["problems"]:
            print(f"glassine: {line}", file=sys.stderr)  # noqa: T201
    return int(outcome["status"])


def _say_failure(error: GlassineError, *, as_json: bool) -> int:
    if as_json:
        print(json.dumps(failure(error), ensure_ascii=False))  # noqa: T201
    else:
        print(f"glassine: {error.sentence} [{error.code}]", file=sys.stderr)  # noqa: T201
        for detail in error.details:
            if detail not in error.sentence:
                print(f"  {detail}", file=sys.stderr)  # noqa: T201
    return error.exit_status


if __name__ == "__main__":
    sys.exit(main())
