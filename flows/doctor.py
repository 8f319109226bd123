"""The doctor: is this machine fit, and the studio? Reads only, but for a small file on each volume, which it removes."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime

from glassine.flows.finding import Finding, exit_status, ok, wrong_by
from glassine.flows.machine_fitness import check_machine
from glassine.flows.outcome import summary
from glassine.flows.studio import VARIABLE, find_studio
from glassine.flows.studio_fitness import check_studio
from glassine.schemas.errors import CallError, GlassineError
from glassine.schemas.validation import Document


def doctor(named: str | None, *, now: datetime | None = None) -> Document:
    """Check the machine, then the studio that is named or found; without one, the machine only.

    The exit status is that of `exit_status`: 0 where nothing is wrong, though there may be things to mind.
    """
    at = now or datetime.now(UTC)
    findings = [*check_machine(at), *_check_studio(named, at)]
    status = exit_status(findings)
    said = [finding.line() for finding in findings]
    said.append(_verdict(findings))
    return summary(said, [], status=status, findings=[finding.as_document() for finding in findings])


def _check_studio(named: str | None, now: datetime) -> Iterator[Finding]:
    try:
        studio = find_studio(named)
    except CallError as error:
        if named or os.environ.get(VARIABLE):
            yield wrong_by("studio", error)
        else:
            advice = "Stand in one, give --studio, or make one with `glassine studio new FOLDER --volume NAME=PATH`."
            yield ok("studio", "none here, so only the machine was looked at", advice)
        return
    except GlassineError as error:
        yield wrong_by("studio", error)
        return
    yield from check_studio(studio, now)


def _verdict(findings: list[Finding]) -> str:
    wrong, to_mind = (sum(finding.level == level for finding in findings) for level in ("wrong", "mind"))
    minds = f"{to_mind} to mind" if to_mind else "nothing to mind"
    if wrong:
        return f"Not fit: {wrong} wrong, {minds}. Mend them from the top, then run `glassine doctor` again."
    return f"Fit; {minds}."
