"""The command line: parses words, calls a flow, prints what came of it, and ends with one of the exit statuses.

Everything heavy is imported inside the commands that need it: what only reads answers at once.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from cyclopts import App, CycloptsError, Group, Parameter

from glassine.flows.cli_common import (
    HERE,
    Common,
    Number,
    Several,
    frame_numbers,
    run_named,
    run_safely,
    world_error,
)
from glassine.flows.cli_job import job_app
from glassine.flows.cli_look import look_app
from glassine.flows.cli_retouch import retouch_app
from glassine.flows.cli_selects import selects_app
from glassine.flows.cli_studio import studio_app
from glassine.flows.cli_tether import on_set, tether
from glassine.flows.cli_words import wrong_words
from glassine.flows.cli_wrap import cards_app, clock, wrap
from glassine.flows.outcome import failure, summary
from glassine.schemas.errors import INTERRUPTED, WRONG_WORDS, CallError, GlassineError
from glassine.schemas.validation import Document

app = App(
    name="glassine",
    help="""Takes a shoot from the card to the client, loses nothing, and can always say where every frame is.

    Begin with `glassine demo`, which plays a whole job; then `glassine doctor`,
    which says whether this machine is fit, and `glassine studio new`.
    Every command has a --help of its own, with an example and what comes next.""",
    help_format="plaintext",
    version_flags=[],
    suppress_keyboard_interrupt=False,
    default_parameter=Parameter(negative=()),
)
STAGES = Group("A job, in its order", sort_key=1)
ALWAYS = Group("At any time", sort_key=2)
PROGRAM = Group("This program", sort_key=3)
app["--help"].group = (PROGRAM,)
for place, group in ((0, studio_app), (1, job_app), (2, cards_app), (4, selects_app), (5, retouch_app)):
    group.group, group.sort_key = (STAGES,), place
    app.command(group)
app.command(tether, group=STAGES, sort_key=2)
app.command(on_set, group=STAGES, sort_key=2)
app.command(wrap, group=STAGES, sort_key=3)
app.command(clock, group=ALWAYS)
look_app.group = (ALWAYS,)
app.command(look_app)


@app.command(group=PROGRAM)
def demo(folder: Path = Path("demo-studio"), *, pause: bool = False, common: Common = HERE) -> Document:
    """Invent a small shoot and take it through the whole job, from the card to the receipt.

    Thirty frames, two cards, and what goes wrong in a studio. Nothing outside its folder is touched. It ends with a
    list of what to open.

    Example: glassine demo my-demo
    Next: glassine status --studio my-demo/studio

    Parameters
    ----------
    folder
        Where the demo's studio is made; must not exist, or be an earlier demo.
    pause
        Stop between the acts, until Enter is pressed.
    """
    from glassine.flows.prefect_environment import set_environment

    set_environment()
    from glassine.flows.demo import play

    return play(folder, quiet=common.json, pause=pause)


@app.command(group=PROGRAM)
def doctor(*, common: Common = HERE) -> Document:
    """Say whether this machine and the studio are fit: programs, volumes, room, clocks, profiles, documents.

    A line each: `ok`, `mind` (work goes on, at a risk) or `wrong` (some command
    will stop at it), and what to do. It only reads; a small file that it writes
    on each volume is removed again. Without a studio it looks at the machine.

    Exit status: 0 nothing is wrong; 1 a record is damaged, or a volume is there
    twice; 2 a document is wrong; 3 a volume, a program or a right clock is not
    there. Of several, 1 goes first, then 3.

    Example: glassine doctor
    Next: glassine status
    """
    from glassine.flows.doctor import doctor as examine

    return examine(common.studio)


@app.command(group=PROGRAM)
def completion(shell: Literal["bash", "zsh", "fish"], *, common: Common = HERE) -> Document:
    """Print a script that lets your shell complete commands and options when you press the tab key.

    Write it where your shell looks, making the folder first, and open a new shell.

    bash: ~/.local/share/bash-completion/completions/glassine
    (where the package bash-completion is missing: any file, and `source FILE`
    in ~/.bashrc)

    zsh: ~/.zfunc/_glassine
    (with `fpath+=~/.zfunc; autoload -Uz compinit; compinit` in ~/.zshrc)

    fish: ~/.config/fish/completions/glassine.fish

    Example: glassine completion bash > ~/.local/share/bash-completion/completions/glassine
    See also: glassine doctor

    Parameters
    ----------
    shell
        The shell that you type commands into.
    """
    script = app.generate_completion(prog_name="glassine", shell=shell)
    return summary([script.rstrip("\n")], [], shell=shell, script=script)


@app.command(group=STAGES, sort_key=2)
def ingest(
    number: Number, sources: list[Path], *, set_up: str | None = None, card: str | None = None, common: Common = HERE
) -> Document:
    """Take cards or folders in: to the working volume and every backup, each copy read back.

    Run it again if it was interrupted, or for the next card: what is in custody
    already is passed over.

    Example: glassine ingest 2611-04 /media/CARD --set-up bench
    Next: glassine proof 2611-04

    Parameters
    ----------
    sources
        Cards or folders; nothing on them is changed.
    set_up
        The set-up that new frames belong to; the job sheet's only one by default.
    card
        The card's name (`glassine cards`): it counts as taken in once every file on it is in custody.
    """
    if not sources:
        raise CallError("W001", "Name at least one card or folder: glassine ingest NUMBER SOURCE.")
    places = [str(source.absolute()) for source in sources]
    return run_named(common, "ingest", "ingest", job=number, sources=places, set_up=set_up, card=card)


@app.command(group=ALWAYS)
def verify(
    number: str | None = None,
    *,
    older_than: float | None = None,
    sample: str | None = None,
    repair: bool = False,
    common: Common = HERE,
) -> Document:
    """Read every copy again; exit status 1 when one is missing or differs.

    It takes as long as reading every disk once, and shows how fast and how long
    still. Stopped, it goes on where it was, when it is given again within a day.

    Less is read with --older-than and --sample, which may be combined; copies
    known to be bad are always read. A sample says how likely it would have
    missed bad copies.

    Example: glassine verify 2611-04 --repair
    Next: glassine status 2611-04

    Parameters
    ----------
    number
        A job; all jobs without one, each in turn.
    older_than
        Only copies that were not read back whole for so many days.
    sample
        So many copies of each job, chosen at random: a number, or a percentage such as 10%.
    repair
        Make a missing or differing copy again from a whole one; the bad file is kept aside.
    """
    from glassine.flows.verify_report import merge_jobs
    from glassine.flows.verify_scope import Asked

    Asked(older_than, sample)  # words that mean nothing are said at once, before the flow engine starts
    words = {"repair": repair, "older_than": older_than, "sample": sample}
    if number:
        return run_named(common, "verify", "verify", job=number, **words)
    return merge_jobs([run_safely(common, "verify", "verify", job=one, **words) for one in common.find().job_numbers()])


@app.command(group=ALWAYS)
def card(source: Path, *, common: Common = HERE) -> Document:
    """Answer one question: may this card be formatted? Every file on it is read, and matched with its copies.

    Yes only if the studio's rule ([card] in studio.toml) holds for each. It deletes and formats nothing.

    Example: glassine card /media/CARD
    Next: glassine ingest 2611-04 /media/CARD

    Parameters
    ----------
    source
        The card, or a folder.
    """
    from glassine.flows.card import ask_card

    return ask_card(common.find(), source.absolute())


@app.command(group=STAGES, sort_key=3)
def proof(number: Number, *, common: Common = HERE) -> Document:
    """Make the readings, proofs and the contact sheet that are missing.

    A reading says what was measured in a frame: exposure, clipping, sharpness.
    It advises, and rejects nothing.

    Example: glassine proof 2611-04
    Next: glassine selects mark 2611-04 "0142, 0151-0153, hero 0177" --round edit
    """
    return run_named(common, "proof", "proof", job=number)


@app.command(group=STAGES, sort_key=6)
def grade(number: Number, *, unretouched: Several = None, common: Common = HERE) -> Document:
    """Render the finals that are due: those that the job sheet names, each from one exact round.

    Example: glassine grade 2611-04 --unretouched 0151
    Next: glassine retouch sign-off 2611-04 0151 --by "Full Name"

    Parameters
    ----------
    unretouched
        Selects that leave as the camera took them: their finals are made from the original.
    """
    chosen = frame_numbers(common.find(), number, unretouched) if unretouched else None
    return run_named(common, "grade", "grade", job=number, unretouched=chosen)


@app.command(group=STAGES, sort_key=7)
def deliver(
    number: Number, *, to: str, specification: str | None = None, frames: Several = None, common: Common = HERE
) -> Document:
    """Render signed-off finals to a client's specification, pack, validate, hand over, and write the receipt.

    It refuses, with every cause, while a final is unsigned or stale, or the
    licence does not cover today.

    Example: glassine deliver 2611-04 --to "Client"
    Next: glassine audit --client "Client"

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


@app.command(group=ALWAYS)
def audit(
    *, client: str | None = None, file: Path | None = None, job: str | None = None, common: Common = HERE
) -> Document:
    """What was delivered to whom, when, from what, under which licence; whose a file is; whether the records are whole.

    Example: glassine audit --client "Client"
    See also: glassine verify 2611-04

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


@app["audit"].command(name="custody")
def audit_custody(number: Number, frames: list[str] | None = None, *, common: Common = HERE) -> Document:
    """Prove where the frames of a job were since they arrived, check the chain, and show what does not fit.

    For frames that are named, every entry that touched them. Each volume's head is
    compared with the record's, and what lies on the volumes with what the record
    says. It reads no picture; `verify` does.

    Exit status: 0 all fits; 1 the chain is broken, or something does not fit.

    Example: glassine audit custody 2611-04 0012
    Next: glassine verify 2611-04 --repair

    Parameters
    ----------
    frames
        Frame numbers, ranges or file names; all frames without them, a line each.
    """
    from glassine.flows.custody_history import audit_custody as answer

    studio = common.find()
    return answer(studio, number, frame_numbers(studio, number, frames) if frames else None)


@app.command(group=ALWAYS)
def status(number: str | None = None, *, common: Common = HERE) -> Document:
    """Where everything stands: stages, what is due, whom it waits for, what is late.

    Each line that waits for a person names the command that comes next.

    Example: glassine status 2611-04
    Next: glassine advance 2611-04

    Parameters
    ----------
    number
        A job; all jobs without one.
    """
    from glassine.flows.status import status as answer

    return answer(common.find(), number)


@app.command(group=ALWAYS)
def advance(number: Number, *, common: Common = HERE) -> Document:
    """Do everything that is due and needs no person, then say whom the job waits for.

    Example: glassine advance 2611-04
    Next: glassine status 2611-04
    """
    return run_named(common, "advance", "advance", job=number)


def main(words: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    given = list(sys.argv[1:] if words is None else words)
    as_json = "--json" in given
    for word in given:  # documents, and the flow engine's parameters, are UTF-8; PEP 383 says what other bytes become
        if any("\ud800" <= letter <= "\udfff" for letter in word):
            sentence = f"{word!r} is no UTF-8: write it so, or name the folder above a file with such a name."
            return _say_failure(CallError("W001", sentence), as_json=as_json)
    try:
        outcome = app(given, exit_on_error=False, print_error=False, result_action="return_value")
    except CycloptsError as error:
        return _say_failure(wrong_words(error, app), as_json=as_json)
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
