"""Which copies a pass reads: all, those that were not read for long, or a random sample of either."""

from __future__ import annotations

import math
import secrets
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from glassine.flows.open_job import OpenJob
from glassine.schemas.errors import CallError
from glassine.schemas.fold import apply_entry
from glassine.schemas.identifiers import parse_time
from glassine.schemas.manifest import Manifest
from glassine.schemas.three_two_one import CLOCK_SKEW
from glassine.schemas.validation import Document
from glassine.tasks.custody.fixity import KnownCopy
from glassine.tasks.custody.sampling import Place, Stratum, draw_sample, size_of

LONGEST_DAYS = 36_500
"""A hundred years; what is longer is a slip of the keyboard, and no date."""
Scope = dict[str, Any]


@dataclass(frozen=True)
class Asked:
    """What was asked for: copies not read back whole for so many days, a sample ("225" or "10%"); None for all."""

    older_than: float | None = None
    sample: str | None = None

    def __post_init__(self) -> None:
        """Raise CallError W001 for words that mean nothing."""
        days = self.older_than
        if days is not None and not (math.isfinite(days) and 0 <= days <= LONGEST_DAYS):
            raise CallError(
                "W001", f"--older-than {days:g} is no number of days from 0 to {LONGEST_DAYS}: write such as 30."
            )
        if self.sample is not None:
            self.sample_size(1)

    def sample_size(self, of: int) -> int:
        """How many of so many copies the sample has; all of them where none was asked for."""
        try:
            return of if self.sample is None else size_of(self.sample, of)
        except ValueError as error:
            raise CallError(
                "W001",
                f"--sample {self.sample!r} is neither a number of copies nor a percentage: write such as 200 or 10%.",
            ) from error


EVERYTHING = Asked()


@dataclass
class Plan:
    """The copies of one pass.

    `due`: what is to be read now. `strata`: by volume, of how many copies the sample was drawn and how many; empty
    without a sample. `away`: copies on volumes that are not here. `earlier`: copies that this pass read before it was
    stopped. `left`: copies that were not asked for, or not drawn.
    """

    due: list[KnownCopy] = field(default_factory=list)
    strata: dict[str, Stratum] = field(default_factory=dict)
    away: int = 0
    earlier: int = 0
    left: int = 0


def new_scope(job: OpenJob, manifest: Manifest, asked: Asked, now: datetime) -> Scope | None:
    """The scope of a pass that is opened now, as its fact has it; None: every copy."""
    if asked == EVERYTHING:
        return None
    days = asked.older_than
    before = None if days is None else now - timedelta(days=days)
    scope: Scope = {
        "older_than_days": days,
        "before": before and before.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "sample": None,
        "of": None,
        "seed": None,
    }
    of = len(_sampled_from(job, manifest, scope, now))
    if asked.sample is not None and of:
        scope.update(sample=asked.sample_size(of), of=of, seed=secrets.token_hex(8))
    return scope


def is_same(scope: Scope | None, asked: Asked) -> bool:
    """Whether a pass of this scope is what is asked for, so that it can be gone on with."""
    if scope is None or asked == EVERYTHING:
        return scope is None and asked == EVERYTHING
    drawn = asked.sample_size(scope["of"]) if asked.sample is not None and scope["of"] else None
    return (scope["older_than_days"], scope["sample"]) == (asked.older_than, drawn)


def plan_pass(job: OpenJob) -> Plan:
    """What the pass that is open reads now; a stopped one draws the same sample again.

    Copies that were known to be bad before the pass are always read, and stand outside the sample.
    """
    manifest = job.manifest
    passes = manifest.document["passes"]
    number, scope, opened = passes["opened"], passes["scope"], parse_time(passes["opened_at"])
    drawn: set[Place] | None = None
    plan = Plan()
    if scope and scope["sample"]:
        places = _sampled_from(job, _before_pass(job, number), scope, opened)
        drawn = set(draw_sample(places, scope["sample"], scope["seed"]))
        for volume in sorted({volume for volume, _ in places}):
            plan.strata[volume] = Stratum(
                sum(place[0] == volume for place in places), sum(place[0] == volume for place in drawn)
            )
    here = {volume.volume: volume for volume in job.volumes}
    for sha256, holder in manifest.every_file():
        for copy in holder["copies"]:
            if copy["volume"] not in here:
                plan.away += 1
            elif copy["pass"] >= number:
                plan.earlier += 1
            elif copy["outcome"] != "whole" or (
                _is_due(copy, scope, opened) if drawn is None else (copy["volume"], copy["path"]) in drawn
            ):
                plan.due.append(KnownCopy(sha256, here[copy["volume"]], copy["path"], holder["size"]))
            else:
                plan.left += 1
    return plan


def _before_pass(job: OpenJob, number: int) -> Manifest:
    """The state on which a pass was opened: what it has read since does not change what its sample is drawn from."""
    if all(copy["pass"] < number for _, holder in job.manifest.every_file() for copy in holder["copies"]):
        return job.manifest  # nothing was read yet
    manifest = Manifest()
    for entry, head in job.record.entries():
        if any(fact["kind"] == "fixity_pass" and fact["pass"] == number for fact in entry["facts"]):
            break
        apply_entry(manifest, entry, head)
    return manifest


def _sampled_from(job: OpenJob, manifest: Manifest, scope: Scope, opened: datetime) -> list[Place]:
    """The copies that a sample is drawn from, of the state before the pass: on volumes that are here, whole, due."""
    here = {volume.volume for volume in job.volumes}
    return [
        (copy["volume"], copy["path"])
        for _, holder in manifest.every_file()
        for copy in holder["copies"]
        if copy["volume"] in here and copy["outcome"] == "whole" and _is_due(copy, scope, opened)
    ]


def _is_due(copy: Document, scope: Scope | None, opened: datetime) -> bool:
    """Whether a copy was last read back whole too long ago, or at a time that cannot be."""
    if scope is None or scope["before"] is None or copy["whole_at"] is None:
        return True
    whole_at = parse_time(copy["whole_at"])
    return whole_at < parse_time(scope["before"]) or whole_at > opened + CLOCK_SKEW
