"""The commands of the studio: `glassine studio ...`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from glassine.flows.cli_common import HERE, Common, volume_pairs
from glassine.flows.outcome import summary
from glassine.flows.studio import add_volume, make_studio
from glassine.schemas.errors import CallError
from glassine.schemas.validation import Document

studio_app = App(name="studio", help="Make a studio: the folder with its settings, and the places that hold copies.")


@studio_app.command(name="new")
def studio_new(
    folder: Path,
    *,
    volume: Annotated[list[str], Parameter(consume_multiple=True)],
    name: str | None = None,
    common: Common = HERE,
) -> Document:
    """Make a studio: a folder with commented settings, looks and specifications, and its volumes.

    Done once. Every volume should be a disk of its own: two folders of one disk
    are lost together.

    Example: glassine studio new studio --volume working=/data/jobs --volume backup=/mnt/backup
    Next: glassine job open 2611-04 --client "Client"
    See also: glassine doctor

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
    if not pairs:
        raise CallError("W001", "A studio needs a volume: --volume NAME=PATH, such as --volume working=/data/jobs.")
    made = make_studio(folder, pairs, name=name)
    said = [f"Studio {made.name} is in {made.folder}: read its studio.toml, then `glassine job open NUMBER`."]
    if len(pairs) == 1:
        said.append("It has one volume only: a second one, on another disk, is what keeps a frame safe.")
    return summary(said, [], studio=str(made.folder), volumes=[label for label, _ in pairs])


@studio_app.command(name="add-volume")
def studio_add_volume(volume: str, *, common: Common = HERE) -> Document:
    """Add a backup volume to the studio; the copies that it lacks are written by the next `glassine advance`.

    Example: glassine studio add-volume offsite=/mnt/offsite
    Next: glassine advance 2611-04

    Parameters
    ----------
    volume
        NAME=PATH.
    """
    (pair,) = volume_pairs([volume])
    made = add_volume(common.find(), *pair)
    said = [
        f"Volume {made.name} is at {made.store.label}. Run `glassine advance NUMBER` for each job to bring its copies there."
    ]
    return summary(said, [], volume=made.volume)
