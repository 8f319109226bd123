"""The 3-2-1 rule of backup practice: what each file under custody lacks of three copies, two media and one copy off site.

Source of the rule: Ruggiero & Heckathorn, Data Backup Options, US-CERT, 2012.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from glassine.schemas.identifiers import parse_time
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

CLOCK_SKEW = timedelta(minutes=5)
"""So far ahead another machine's clock may be (common practice); a time that is later says nothing of its age."""


@dataclass(frozen=True)
class CopyRule:
    """How many whole copies a file needs, on how many media, at how many sites; each at least 1."""

    copies: int = 3
    media: int = 2
    sites: int = 2


THREE_TWO_ONE = CopyRule()
"""Three copies on two media, one of them off site: that is, at two different sites."""


@dataclass(frozen=True)
class Standing:
    """Where one file stands: its copies that count, the media and sites they lie on, and what is missing, in words."""

    copies: int
    media: tuple[str, ...]
    sites: tuple[str, ...]
    missing: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether nothing is missing of the rule."""
        return not self.missing


def check_three_two_one(
    manifest: Manifest, *, within_days: float | None = None, now: datetime | None = None
) -> Iterator[tuple[str, Document, Standing]]:
    """Digest, holder and standing of every file under custody, originals first (`Manifest.every_file`)."""
    for sha256, holder in manifest.every_file():
        yield (
            sha256,
            holder,
            standing_of(holder["copies"], manifest.document["volumes"], within_days=within_days, now=now),
        )


def count_short(manifest: Manifest) -> Document:
    """How many files fall short of the rule (`files`), and of what, counted (`missing`)."""
    missing = [standing.missing for _, _, standing in check_three_two_one(manifest) if not standing.holds]
    return {"files": len(missing), "missing": dict(Counter(what for one in missing for what in one))}


def standing_of(
    copies: Iterable[Document],
    volumes: Mapping[str, Document],
    *,
    rule: CopyRule = THREE_TWO_ONE,
    within_days: float | None = None,
    now: datetime | None = None,
) -> Standing:
    """Count a file's whole copies, their media and their sites, and say what is missing of the rule.

    Parameters
    ----------
    copies : a holder's `copies`; those whose outcome is not `whole` do not count
    volumes : a manifest's `volumes`: by volume id, each with `medium` and `site`
        A volume's identity file (volume_identity.schema.json) says both, and a fact `volume` brings them into the
        record. The medium is what fails together: unless a person wrote something else, `make_volume` names the disk
        that the folder lies on, so two folders of one disk are one medium. The site is `studio` until a person writes
        another. A copy on a volume that is not described here is a copy, but on no medium and at no site.
    within_days : count only copies that were last read back whole within so many days before `now`; any age if None
    now : an aware time; the present by default
    """
    now = now or datetime.now(UTC)
    counted = [
        copy
        for copy in copies
        if copy["outcome"] == "whole" and (within_days is None or is_fresh(copy, within_days, now))
    ]
    described = [volumes[copy["volume"]] for copy in counted if copy["volume"] in volumes]
    media = tuple(sorted({volume["medium"] for volume in described}))
    sites = tuple(sorted({volume["site"] for volume in described}))
    return Standing(len(counted), media, sites, tuple(_missing(rule, len(counted), media, sites)))


def is_fresh(copy: Document, within_days: float, now: datetime) -> bool:
    """Whether a copy was last read back whole at most so many days before `now`, and not after it."""
    if copy["whole_at"] is None:
        return False
    return -CLOCK_SKEW <= now - parse_time(copy["whole_at"]) <= timedelta(days=within_days)


def _missing(rule: CopyRule, copies: int, media: tuple[str, ...], sites: tuple[str, ...]) -> Iterator[str]:
    if (lacking := rule.copies - copies) > 0:
        yield f"{lacking} more {'copy' if lacking == 1 else 'copies'} (it has {copies} of {rule.copies})"
    if (lacking := rule.media - len(media)) > 0:
        yield (
            f"{lacking} more {'medium' if lacking == 1 else 'media'} (it has {len(media)} of {rule.media}{_named(media)})"
        )
    if rule.sites > 1 and len(sites) < rule.sites:
        yield f"a copy off site (it is at {len(sites)} of {rule.sites} sites{_named(sites)})"


def _named(names: tuple[str, ...]) -> str:
    return f": {', '.join(names)}" if names else ""
