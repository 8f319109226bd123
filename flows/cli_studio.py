"""The commands of the studio: `glassine studio ...`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from glassine.flows.cli_common import HERE, Common, volume_pairs
from glassine.flows.outcome import summary
from glassine.flows.studio import add_volume, is_on_server, make_studio
from glassine.schemas.errors import NOT_RIGHT, CallError
from glassine.schemas.identifiers import VOLUME_IDENTITY
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
        One on a server is added afterwards, with `studio add-volume`.
    name
        The studio's name; by default its folder's.
    """
    pairs = [_volume_pair(text) for text in volume]
    if not pairs:
        raise CallError("W001", "A studio needs a volume: --volume NAME=PATH, such as --volume working=/data/jobs.")
    made = make_studio(folder, pairs, name=name)
    said = [f"Studio {made.name} is in {made.folder}: read its studio.toml, then `glassine job open NUMBER`."]
    if len(pairs) == 1:
        said.append("It has one volume only: a second one, on another disk, is what keeps a frame safe.")
    return summary(said, [], studio=str(made.folder), volumes=[label for label, _ in pairs])


@studio_app.command(name="add-volume")
def studio_add_volume(
    volume: str,
    *,
    host_key: str | None = None,
    key_file: Path | None = None,
    medium: str | None = None,
    site: str | None = None,
    common: Common = HERE,
) -> Document:
    """Add a backup volume to the studio; the copies that it lacks are written by the next `glassine advance`.

    A volume is a folder, or a folder on a server that is reached by SFTP. The
    first call for a server shows its key and changes nothing: compare it with
    what the server's keeper says, and call again with that key.

    Example: glassine studio add-volume offsite=/mnt/offsite --site home
    Example: glassine studio add-volume offsite=sftp://user@host/frames
    Next: glassine advance 2611-04

    Parameters
    ----------
    volume
        NAME=PATH, or NAME=sftp://user@host:22/folder.
    host_key
        The key that the server must show, as "ssh-ed25519 AAAA...".
    key_file
        The private key to log in with; by default those of your agent and your usual ones.
    medium
        What fails as one: volumes of one medium count once. By default the disk, or the server.
    site
        Where it is kept: by default "studio". A volume at another site is off site.
    """
    name, path = _volume_pair(volume)
    studio = common.find()
    if not is_on_server(path):
        if host_key or key_file:
            raise CallError(
                "W001", f"{path} is a folder: --host-key and --key-file are for sftp://user@host:22/folder."
            )
    elif not host_key:
        return _show_host_key(name, path)
    made = add_volume(
        studio,
        name,
        path,
        host_key=" ".join(host_key.split()[:2]) if host_key else None,
        key_file=str(key_file.expanduser().absolute()) if key_file else None,
        medium=medium,
        site=site,
    )
    said = [
        f"Volume {made.name} is at {made.store.label}. Run `glassine advance NUMBER` for each job to bring its copies there."
    ]
    said += [
        f"It was a volume before, with {what} {has!r}, and stays so: change that in its {VOLUME_IDENTITY}."
        for what, wanted, has in (("medium", medium, made.medium), ("site", site, made.site))
        if wanted not in (None, has)
    ]
    return summary(said, [], volume=made.volume)


def _show_host_key(name: str, path: str) -> Document:
    """What a server says that its key is; whether that is so, only its keeper can say."""
    from glassine.tasks.custody.ssh_connection import ask_host_key, parse_address

    address = parse_address(path)
    key, fingerprint = ask_host_key(address)
    problem = (
        f"Nothing was added yet: {address.host} shows a host key with the fingerprint {fingerprint}. Compare it with what the "
        f'server\'s keeper says; if it is the same, run the same command again with --host-key "{key}"'
    )
    return summary([], [problem], status=NOT_RIGHT, host_key=key, fingerprint=fingerprint)


def _volume_pair(text: str) -> tuple[str, str]:
    """The name and the place of a volume: a folder, absolute, or an address as it was typed."""
    name, _, path = text.partition("=")
    if name and is_on_server(path):
        return name, path
    ((name, path),) = volume_pairs([text])
    return name, path
