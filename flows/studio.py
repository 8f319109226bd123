"""The studio: one folder with `studio.toml`, read once here and passed down."""

from __future__ import annotations

import getpass
import json
import os
import shutil
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from glassine.schemas.durable_file import replace_file
from glassine.schemas.errors import CallError, DocumentError, VolumeError
from glassine.schemas.identifiers import check_job_number
from glassine.schemas.validation import Document, parse_document, read_document
from glassine.tasks.custody.store import FolderStore, Store
from glassine.tasks.custody.volume import Volume, make_volume, open_volume

SETTINGS = "studio.toml"
VARIABLE = "GLASSINE_STUDIO"
SERVER_SCHEME = "sftp://"
"""How the path of a volume begins that lies on a server."""


@dataclass(frozen=True)
class Studio:
    """A studio's folder and its settings, valid against studio.schema.json."""

    folder: Path
    settings: Document

    @property
    def name(self) -> str:
        """The studio's name."""
        return str(self.settings["name"])

    @property
    def workers(self) -> int:
        """How many pictures are decoded at once."""
        return int(self.settings.get("workers") or os.cpu_count() or 1)

    @property
    def decode_limits(self) -> tuple[int, float]:
        """Bytes and seconds that decoding one picture may take."""
        return int(self.settings.get("decode_memory_mb", 4096)) * 2**20, float(self.settings.get("decode_seconds", 120))

    @property
    def change_threshold(self) -> float:
        """CIEDE2000 from which a pixel of a returned retouch counts as changed."""
        return float(self.settings.get("retouch", {}).get("change_threshold", 1.0))

    def default(self, name: str) -> Any:
        """A setting of `[defaults]`, or None."""
        return self.settings.get("defaults", {}).get(name)

    def who(self, name: str | None) -> str:
        """On whose behalf a command runs: the name given, else the studio's, else the name one is logged in with."""
        return name or self.settings.get("person") or getpass.getuser()

    def volume_root(self, settings: Document) -> Path:
        """Where a volume of the settings is mounted, which is a folder."""
        return self.resolve(settings["path"])

    def store(self, settings: Document) -> Store:
        """The store of a volume of the settings; nothing is connected yet. Raises DocumentError D002 for a wrong address."""
        if not is_on_server(settings["path"]):
            return FolderStore(self.volume_root(settings))
        from glassine.tasks.custody.sftp_store import open_store  # loads asyncssh, which no other studio needs

        key_file = str(self.resolve(settings["key_file"])) if "key_file" in settings else None
        try:
            return open_store(settings["path"], settings["host_key"], key_file)
        except CallError as error:
            raise DocumentError(
                "D002", str(self.folder / SETTINGS), f"volume {settings['name']}", error.sentence
            ) from error

    def open(self, settings: Document) -> Volume:
        """A volume of the settings. Raises VolumeError V001 or V002 when it is not there, or is another."""
        return open_volume(self.store(settings), settings["name"], settings.get("volume"))

    def resolve(self, path: str) -> Path:
        """A path of the settings, without `..`; one that is not absolute counts from the studio's folder."""
        return Path(os.path.abspath(self.folder / Path(path).expanduser()))  # noqa: PTH100 (resolve() follows links)

    def working_volume(self) -> Volume:
        """The first volume, on which jobs are worked at. Raises VolumeError when it is not there, or is no folder."""
        settings = self.settings["volumes"][0]
        if is_on_server(settings["path"]):
            raise VolumeError(
                "W001",
                f"Volume {settings['name']}, the first in {self.folder / SETTINGS}, is on a server: jobs are worked at in a folder "
                "of this machine. Write a volume with a folder before it.",
            )
        return self.open(settings)

    def backups(self) -> tuple[list[Volume], list[VolumeError]]:
        """The backup volumes that are there, and what is wrong with the others."""
        present, absent = [], []
        for settings in self.settings["volumes"][1:]:
            try:
                present.append(self.open(settings))
            except (VolumeError, DocumentError) as error:
                absent.append(error if isinstance(error, VolumeError) else VolumeError("V002", str(error)))
        return present, absent

    def job_numbers(self) -> list[str]:
        """Every job on the working volume, by number."""
        root = self.working_volume().root
        return sorted({path.parent.name for part in ("record", "heads") for path in root.glob(f"*/{part}")})

    def lost_jobs(self) -> list[str]:
        """Jobs that a backup on a disk knows and the working volume does not: they wait for `job restore`."""
        here = set(self.job_numbers())
        roots = [self.volume_root(known) for known in self.settings["volumes"][1:] if not is_on_server(known["path"])]
        known = {path.parent.parent.name for root in roots for path in root.glob("*/record/00000001.json")}
        return sorted(known - here)

    def job_folder(self, number: str) -> Path:
        """The folder of a job that is there, or CallError W002."""
        folder = self.working_volume().job_folder(check_job_number(number))
        if not (folder / "record").is_dir() and not (folder / "heads").is_dir():
            known = ", ".join(self.job_numbers()) or "none yet"
            raise CallError(
                "W002",
                f"There is no job {number} in this studio (known: {known}): open it with `glassine job open {number}`.",
            )
        return folder

    def look(self, name: str) -> Document:
        """A look by its name."""
        return self._named("look", "looks", name)

    def specification(self, name: str) -> Document:
        """A delivery specification by its name."""
        return self._named("delivery_specification", "specifications", name)

    def client(self, name: str) -> Document:
        """A client's settings; a client nobody wrote down has none but the name."""
        for client in self.settings.get("clients", []):
            if client["name"].casefold() == name.casefold():
                return dict(client)
        return {"name": name}

    def _named(self, schema: str, folder: str, name: str) -> Document:
        path = self.folder / folder / f"{name}.json"
        if not path.is_file():
            known = ", ".join(sorted(path.stem for path in (self.folder / folder).glob("*.json")))
            raise DocumentError(
                "D004",
                str(self.folder / folder),
                "",
                f"holds no {name}.json (known: {known or 'none'}): name one that is there, or write it.",
            )
        return read_document(path, schema)


def find_studio(named: str | None) -> Studio:
    """The studio named, else that of GLASSINE_STUDIO, else the nearest parent folder with `studio.toml`."""
    given = named or os.environ.get(VARIABLE)
    if given:
        folder = Path(given).expanduser().absolute()
        if not (folder / SETTINGS).is_file():
            raise CallError(
                "W002", f"{folder} is no studio: it holds no {SETTINGS}. Make one with `glassine studio new {given}`."
            )
        return read_studio(folder)
    here = Path.cwd()
    for folder in (here, *here.parents):
        if (folder / SETTINGS).is_file():
            return read_studio(folder)
    raise CallError(
        "W002",
        f"No studio: neither --studio nor {VARIABLE} is given, and no folder from {here} upwards holds {SETTINGS}. "
        "Make one with `glassine studio new FOLDER --volume NAME=PATH`.",
    )


def read_studio(folder: Path) -> Studio:
    """The studio in a folder."""
    return Studio(folder, read_document(folder / SETTINGS, "studio"))


def make_studio(folder: Path, volumes: list[tuple[str, str]], *, name: str | None = None, extra: str = "") -> Studio:
    """Make a studio's folder: commented settings, the looks and specifications that come with glassine, its volumes.

    Raises
    ------
    CallError
        W003 there is a studio already; W001 two volumes of one name or at one place, or one on a server.
    VolumeError
        V003: the folder, or that of a volume, cannot be made.
    """
    folder = folder.absolute()
    if (folder / SETTINGS).exists():
        raise CallError("W003", f"{folder} is a studio already: change {folder / SETTINGS} instead.")
    for volume, path in volumes:
        if is_on_server(path):
            raise CallError(
                "W001",
                f"Volume {volume} is on a server, whose key must be looked at first: make the studio with its folders, then "
                f"`glassine studio add-volume {volume}={path} --studio {folder}`.",
            )
    names = [volume.casefold() for volume, _ in volumes]
    roots = [(folder / Path(path).expanduser()).resolve() for _, path in volumes]
    if len(set(names)) < len(names) or len(set(roots)) < len(roots):
        raise CallError("W001", "Two volumes have one name or one path: give each its own.")
    template = (files("glassine.config") / SETTINGS).read_text("utf-8")
    settings = _fill_in(template, name or folder.name, volumes, {}) + extra
    parse_document(settings.encode(), "studio", label=str(folder / SETTINGS), toml=True)  # before anything is made
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise VolumeError(
            "V003", f"The studio's folder {folder} cannot be made ({error.strerror}): name one where you may write."
        ) from error
    made = [make_volume(root, volume) for (volume, _), root in zip(volumes, roots, strict=True)]
    ids = {volume: identity.volume for (volume, _), identity in zip(volumes, made, strict=True)}
    for kind in ("looks", "specifications"):
        (folder / kind).mkdir(parents=True, exist_ok=True)
        for shipped in sorted(Path(str(files("glassine.config") / kind)).glob("*.json")):
            if not (folder / kind / shipped.name).exists():
                shutil.copyfile(shipped, folder / kind / shipped.name)
    replace_file(folder / SETTINGS, (_fill_in(template, name or folder.name, volumes, ids) + extra).encode())
    return read_studio(folder)


def add_volume(
    studio: Studio,
    name: str,
    path: str,
    *,
    host_key: str | None = None,
    key_file: str | None = None,
    medium: str | None = None,
    site: str | None = None,
) -> Volume:
    """Add a backup volume to the settings, and give its folder an identity; one that has an identity keeps it.

    `path` is a folder, or the address of one on a server, which needs a `host_key` and may have a `key_file`. `medium` and
    `site` say which volumes fail together (`make_volume`).

    Raises
    ------
    CallError
        W003: the name, the place or the very volume is in use. W001: a wrong address or key.
    VolumeError
        V003: it cannot be made. V002: the server shows another host key.
    """
    settings: Document = {"name": name, "path": path}
    settings |= {"host_key": host_key} if host_key else {}
    settings |= {"key_file": key_file} if key_file else {}
    for known in studio.settings["volumes"]:
        if known["name"].casefold() == name.casefold() or _place(studio, known) == _place(studio, settings):
            raise CallError(
                "W003",
                f"Volume {known['name']} at {_place(studio, known)} is there already: give the new one its own name and place.",
            )
    before = (studio.folder / SETTINGS).read_text("utf-8")
    table = "\n[[volumes]]\n" + "".join(f"{setting} = {_quote(value)}\n" for setting, value in settings.items())
    parse_document((before + table).encode(), "studio", label=SETTINGS, toml=True)  # before anything is made
    made = make_volume(studio.store(settings), name, medium=medium, site=site or "studio")
    for known in studio.settings["volumes"]:
        if known.get("volume") == made.volume:
            raise CallError(
                "W003",
                f"At {path} lies volume {known['name']} ({made.volume}), which the studio has already: name another place.",
            )
    replace_file(studio.folder / SETTINGS, f"{before}{table}volume = {_quote(made.volume)}\n".encode())
    return made


def is_on_server(path: str) -> bool:
    """Whether a volume's path is the address of a server."""
    return path.casefold().startswith(SERVER_SCHEME)


def _place(studio: Studio, settings: Document) -> str:
    """Where a volume lies, spelt in one way."""
    if not is_on_server(settings["path"]):
        return str(studio.volume_root(settings))
    from glassine.tasks.custody.ssh_connection import parse_address

    return str(parse_address(settings["path"]))


def _fill_in(template: str, name: str, volumes: list[tuple[str, str]], ids: dict[str, str]) -> str:
    tables = ""
    for volume, path in volumes:
        tables += f"[[volumes]]\nname = {_quote(volume)}\npath = {_quote(path)}\n"
        tables += f"volume = {_quote(ids[volume])}\n\n" if volume in ids else "\n"
    return template.replace("STUDIO_NAME", _quote(name)).replace("VOLUMES\n", tables)


def _quote(text: str) -> str:
    """A TOML basic string; JSON's escapes are among TOML's (TOML 1.0)."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
