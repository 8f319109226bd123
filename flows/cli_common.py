"""What every command has in common: its options, how it runs a flow, how it reads frame numbers and volumes."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from glassine.flows.outcome import failure
from glassine.flows.prefect_environment import run_flow, set_environment
from glassine.flows.studio import Studio, find_studio
from glassine.schemas.errors import CallError, GlassineError, VolumeError
from glassine.schemas.validation import Document


@Parameter(name="*", group="Common options")
@dataclass(frozen=True)
class Common:
    """Options of every command."""

    studio: str | None = None
    "The studio's folder; else GLASSINE_STUDIO, else the nearest parent folder with studio.toml."
    by: str | None = None
    "On whose behalf; else the studio's `person`, else the name you are logged in with."
    json: bool = False
    "Print one JSON document on stdout."

    def find(self) -> Studio:
        """The studio that this call is about."""
        return find_studio(self.studio)


HERE = Common()
Several = Annotated[list[str] | None, Parameter(consume_multiple=True)]
Number = Annotated[str, Parameter(help="The job's number.")]
Frames = Annotated[list[str], Parameter(help="Frame numbers, ranges or file names: 0012 0015-0017.")]


def volume_pairs(texts: Sequence[str]) -> list[tuple[str, str]]:
    """The name and the absolute path of each NAME=PATH, or CallError W001."""
    pairs = []
    for text in texts:
        label, equals, path = text.partition("=")
        if not equals or not label or not path:
            raise CallError("W001", f"The volume {text!r} is not written as NAME=PATH, such as working=/data/jobs.")
        pairs.append((label, str(Path(path).expanduser().absolute())))
    return pairs


def world_error(error: OSError) -> VolumeError:
    """What the system said, as one sentence with an exit status."""
    name = f"{error.filename}: " if error.filename else ""
    return VolumeError("V003", f"{name}{error.strerror or error}. Mend that and run the same command again.")


def run_safely(common: Common, module: str, flow: str, **parameters: Any) -> Document:
    """Run one flow of several; one that fails is told of, and the others go on."""
    try:
        return run_named(common, module, flow, **parameters)
    except (GlassineError, OSError) as raised:
        error = raised if isinstance(raised, GlassineError) else world_error(raised)
        problems = error.details or [error.sentence]
        return {**failure(error), "said": [], "problems": [f"Job {parameters['job']}: {text}" for text in problems]}


def run_named(common: Common, module: str, flow: str, **parameters: Any) -> Document:
    """Run one flow; one on a job only when the job is there."""
    if "job" in parameters:
        common.find().job_folder(parameters["job"])  # an unknown job is said at once, before the flow engine starts
    return run_any(common, module, flow, **parameters)


def run_any(common: Common, module: str, flow: str, **parameters: Any) -> Document:
    """Run one flow; Prefect is imported only here, after its environment is set."""
    studio = common.find()
    settings = studio.settings.get("prefect", {})
    set_environment(settings.get("api_url") if settings.get("use_own_server") else None)
    function: Callable[..., Any] = getattr(importlib.import_module(f"glassine.flows.{module}"), flow)
    outcome: Document = run_flow(function, studio=str(studio.folder), by=common.by, **parameters)
    return outcome


def frame_numbers(studio: Studio, number: str, texts: Sequence[str], *, one: bool = False) -> list[int]:
    """Frame numbers from what was typed; unknown or ambiguous ones are all named."""
    from glassine.schemas.job_record import JobRecord
    from glassine.tasks.custody.card_walk import stem_of
    from glassine.tasks.handoff.selects_list import parse_selects

    manifest = JobRecord(studio.job_folder(number)).manifest()
    stems = {frame["frame"]: stem_of(frame["name"]) for frame in manifest.frames}
    chosen = list(dict.fromkeys(choice.frame for choice in parse_selects(", ".join(texts), stems)))
    if one and len(chosen) != 1:
        raise CallError("W001", f"{', '.join(texts)!r} names {len(chosen)} frames; one is wanted: name it as 0012.")
    return chosen
