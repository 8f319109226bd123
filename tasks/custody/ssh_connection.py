"""Connections to SFTP servers: known by a pinned host key, shared by threads, and opened again when they were lost.

asyncssh speaks SSH (RFC 4251-4254) and SFTP (draft-ietf-secsh-filexfer-02, with OpenSSH's extensions); it runs on the
event loop that fsspec keeps in a thread of its own.
"""

from __future__ import annotations

import asyncio
import atexit
import errno
import posixpath
import threading
import time
from collections.abc import Awaitable, Callable, Coroutine
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar
from urllib.parse import unquote, urlsplit

import asyncssh
from asyncssh import constants
from fsspec.asyn import get_loop  # type: ignore[import-untyped]

from glassine.schemas.errors import CallError, VolumeError

SCHEME = "sftp://"
CONNECT_SECONDS = 15.0
"""How long a server may take to answer, exchange keys and log in: ten times what a slow line needs (common practice)."""
KEEPALIVE_SECONDS = 15
KEEPALIVES_MISSED = 3
"""A line on which nothing comes for a quarter of a minute is asked for an answer; after three unanswered it counts as
lost: within a minute, long enough for a wireless line that reconnects (our own choice)."""
ANSWER_SECONDS = 120.0
"""For one request of up to 4 MiB: enough at 40 kB/s; a server whose file service hangs keeps its line alive all the same."""
SILENT_SECONDS = 60.0
"""A server that did not answer in time is not asked again so soon: else every file of a card would wait for it anew."""
_SSH_PORT = 22
_LONGEST_REASON = 200
_ERRNO = {
    constants.FX_NO_SUCH_FILE: errno.ENOENT,
    constants.FX_NO_SUCH_PATH: errno.ENOENT,
    constants.FX_PERMISSION_DENIED: errno.EACCES,
    constants.FX_OP_UNSUPPORTED: errno.EOPNOTSUPP,
    constants.FX_FILE_ALREADY_EXISTS: errno.EEXIST,
    constants.FX_WRITE_PROTECT: errno.EROFS,
    constants.FX_NO_SPACE_ON_FILESYSTEM: errno.ENOSPC,
    constants.FX_QUOTA_EXCEEDED: errno.EDQUOT,
    constants.FX_DIR_NOT_EMPTY: errno.ENOTEMPTY,
    constants.FX_NOT_A_DIRECTORY: errno.ENOTDIR,
    constants.FX_FILE_IS_A_DIRECTORY: errno.EISDIR,
    constants.FX_LINK_LOOP: errno.ELOOP,
}
"""What a server's status means for the system; SSH_FX_FAILURE may be anything, and stays an input/output error."""
_LOST = (asyncssh.SFTPConnectionLost, asyncssh.SFTPNoConnection, asyncssh.SFTPBadMessage)

Result = TypeVar("Result")
Work = Callable[[asyncssh.SFTPClient], Awaitable[Result]]


@dataclass(frozen=True)
class ServerAddress:
    """Where a volume lies on a server: `folder` is absolute, or relative to the folder that one logs in to."""

    user: str | None
    host: str
    port: int
    folder: str

    def __str__(self) -> str:
        user = f"{self.user}@" if self.user else ""
        host = f"[{self.host}]" if ":" in self.host else self.host
        port = "" if self.port == _SSH_PORT else f":{self.port}"
        folder = self.folder if self.folder.startswith("/") else f"/~/{self.folder}"
        return f"{SCHEME}{user}{host}{port}{folder}"


@dataclass(frozen=True)
class Server:
    """A server as the settings give it. `host_key` as in OpenSSH's files: `ssh-ed25519 AAAA...`; `key_file` holds the
    user's private key, None stands for the user's agent and usual keys."""

    user: str | None
    host: str
    port: int
    host_key: str
    key_file: str | None


def parse_address(text: str) -> ServerAddress:
    """An address such as `sftp://user@host:22/folder`; `/~/folder` counts from the folder that one logs in to.

    Raises
    ------
    CallError
        W001: it is no such address, or holds a password.

    Examples
    --------
    >>> str(parse_address("sftp://vault@Backup.example:22/srv//frames/"))
    'sftp://vault@backup.example/srv/frames'
    """
    wanted = "write it as sftp://user@host:22/folder"
    try:
        parts = urlsplit(text)
        port = parts.port or _SSH_PORT
    except ValueError as error:
        raise CallError("W001", f"{text!r} is no address of a server ({error}): {wanted}.") from error
    if parts.password is not None:
        raise CallError(
            "W001",
            f"The address of {parts.hostname} holds a password: leave it out, and log in with a key (--key-file, or your agent).",
        )
    path = unquote(parts.path, errors="surrogateescape")
    if parts.scheme != "sftp" or not parts.hostname or parts.query or parts.fragment or not path.strip("/"):
        raise CallError("W001", f"{text!r} is no address of a folder on a server: {wanted}.")
    if any(not letter.isprintable() for letter in text + path) or ".." in path.split("/"):
        raise CallError("W001", f"{text!r} holds `..` or a letter that cannot be printed: {wanted}.")
    folder = posixpath.normpath("/" + path.strip("/"))
    if folder == "/~" or folder.startswith("/~/"):
        folder = folder[3:] or "."
    user = unquote(parts.username) if parts.username else None
    return ServerAddress(user, parts.hostname, port, folder)


def parse_host_key(text: str) -> asyncssh.SSHKey:
    """A host key as OpenSSH writes it. Raises CallError W001 when it is none."""
    try:
        return asyncssh.import_public_key(text)
    except (asyncssh.KeyImportError, ValueError) as error:
        raise CallError(
            "W001", f"{text[:60]!r} is no host key ({error}): give it as its server shows it, `ssh-ed25519 AAAA...`."
        ) from error


def ask_host_key(address: ServerAddress) -> tuple[str, str]:
    """The host key that a server shows, as OpenSSH writes it, and its SHA-256 fingerprint; nothing else is asked.

    Raises
    ------
    VolumeError
        V001: it cannot be reached.
    """

    async def ask() -> asyncssh.SSHKey | None:
        async with asyncio.timeout(CONNECT_SECONDS):
            return await asyncssh.get_server_host_key(address.host, address.port, config=None)

    try:
        key = _wait_for(ask())
    except (OSError, asyncssh.Error) as error:
        raise VolumeError(
            "V001", f"{address} cannot be reached ({_reason(error)}): connect it and run the same command again."
        ) from error
    if key is None:
        raise VolumeError("V001", f"{address} shows no host key: another kind of server answers there.")
    return " ".join(key.export_public_key().decode().split()[:2]), key.get_fingerprint("sha256")


class Connection:
    """The connection to one server; made by `connect_to`, so that a process has one.

    `run` may be called from several threads at once; what they ask for goes over the one line side by side.
    """

    def __init__(self, server: Server) -> None:
        self.server = server
        self._key = parse_host_key(server.host_key)
        self._line: asyncssh.SSHClientConnection | None = None
        self._client: asyncssh.SFTPClient | None = None
        self._opening = asyncio.Lock()
        self._silent_since: float | None = None

    def run(self, work: Work[Result], path: str = "") -> Result:
        """Do something with the server's file system, over the line that is open, or over a new one.

        Raises
        ------
        OSError
            As the system would for a file of its own; `path` is named in it. ConnectionError: the server cannot be
            reached, refuses the user, or was lost on the way. TimeoutError: it does not answer.
        VolumeError
            V002: it shows another host key than the pinned one; nothing was sent.
        """
        return _wait_for(self._run(work, path))

    def close(self) -> None:
        """Close the line, if one is open; the next `run` opens another."""
        _wait_for(self._close())

    async def _run(self, work: Work[Result], path: str) -> Result:
        client = await self._open()
        try:
            async with asyncio.timeout(ANSWER_SECONDS):
                return await work(client)
        except TimeoutError as error:
            self._silent_since = time.monotonic()
            if client is self._client:
                await self._close()
            raise _no_answer(ANSWER_SECONDS) from error
        except (asyncssh.Error, ConnectionError) as error:
            if isinstance(error, asyncssh.SFTPError) and not isinstance(error, _LOST):
                raise OSError(_ERRNO.get(error.code, errno.EIO), _reason(error), path) from error
            if client is self._client:  # no other thread has opened a new one since
                await self._close()
            raise ConnectionResetError(errno.ECONNRESET, f"the connection was lost: {_reason(error)}", path) from error

    async def _open(self) -> asyncssh.SFTPClient:
        async with self._opening:
            if self._client and self._line and not self._line.is_closed():
                return self._client
            await self._close()
            if self._silent_since is not None and time.monotonic() - self._silent_since < SILENT_SECONDS:
                raise _no_answer()
            self._silent_since = None
            witness = _Witness()
            try:
                async with asyncio.timeout(CONNECT_SECONDS):
                    self._line = await self._log_in(witness)
                    self._client = await self._line.start_sftp_client(path_errors="surrogateescape")
            except (OSError, ValueError, asyncssh.Error) as error:
                await self._close()
                raise self._explain(error, witness) from error
            except BaseException:
                await self._close()
                raise
            return self._client

    async def _log_in(self, witness: _Witness) -> asyncssh.SSHClientConnection:
        """Only keys are shown to the server, and only once it has shown its own; no file of OpenSSH's settings is read."""
        server = self.server
        own: dict[str, Any] = {"client_keys": [server.key_file], "agent_path": None} if server.key_file else {}
        if server.user:
            own["username"] = server.user
        return await asyncssh.connect(
            server.host,
            server.port,
            config=None,
            known_hosts=([self._key], [], []),
            client_factory=lambda: witness,
            preferred_auth="publickey",
            keepalive_interval=KEEPALIVE_SECONDS,
            keepalive_count_max=KEEPALIVES_MISSED,
            **own,
        )

    def _explain(self, error: Exception, witness: _Witness) -> Exception:
        if isinstance(error, asyncssh.HostKeyNotVerifiable) or (
            isinstance(error, asyncssh.KeyExchangeFailed) and "host key" in error.reason
        ):
            shown = f"the host key {witness.shown}" if witness.shown else "a host key of another kind"
            return VolumeError(
                "V002",
                f"At {self.server.host}:{self.server.port} another machine answers: it shows {shown}, not "
                f"{self._key.get_fingerprint('sha256')} as pinned in studio.toml. Nothing was sent. If its keeper says that the "
                "key was changed, correct `host_key` there.",
            )
        if isinstance(error, TimeoutError):
            self._silent_since = time.monotonic()
            return _no_answer()
        if isinstance(error, asyncssh.PermissionDenied):
            user = self.server.user or "you"
            return ConnectionRefusedError(
                errno.EACCES, f"the server does not let {user} in with the keys that were shown: check `key_file`"
            )
        of_key = isinstance(error, OSError) and error.filename and str(error.filename) == self.server.key_file
        if isinstance(error, asyncssh.KeyImportError) or of_key:
            return ConnectionRefusedError(
                errno.EACCES, f"the key file {self.server.key_file} cannot be used: {_reason(error)}"
            )
        return ConnectionRefusedError(errno.ECONNREFUSED, f"the server cannot be reached: {_reason(error)}")

    async def _close(self) -> None:
        line, self._line, self._client = self._line, None, None
        if line:
            line.abort()
            with suppress(OSError, asyncssh.Error):
                await line.wait_closed()


class _Witness(asyncssh.SSHClient):
    """Remembers which host key a server showed that is not the pinned one."""

    shown = ""

    def validate_host_public_key(self, host: str, addr: str, port: int, key: asyncssh.SSHKey) -> bool:
        """Never valid: only the pinned key is."""
        self.shown = key.get_fingerprint("sha256")
        return False


_connections: dict[Server, Connection] = {}
_connecting = threading.Lock()


def connect_to(server: Server) -> Connection:
    """The one connection of this process to a server; it is opened when it is first used."""
    with _connecting:
        if server not in _connections:
            _connections[server] = Connection(server)
        return _connections[server]


@atexit.register
def close_all() -> None:
    """Close every line of this process, so that no server waits for it."""
    for connection in list(_connections.values()):
        connection.close()


def _wait_for(work: Coroutine[Any, Any, Result]) -> Result:
    future = asyncio.run_coroutine_threadsafe(work, get_loop())
    try:
        return future.result()
    except BaseException:
        future.cancel()  # the keyboard's interrupt ends the waiting, and the work with it
        raise


def _no_answer(seconds: float = CONNECT_SECONDS) -> TimeoutError:
    return TimeoutError(errno.ETIMEDOUT, f"the server gives no answer within {seconds:.0f} seconds")


def _reason(error: BaseException) -> str:
    """What an error says, short: the text may be the server's."""
    said = getattr(error, "reason", None) or getattr(error, "strerror", None) or str(error) or type(error).__name__
    return str(said)[:_LONGEST_REASON]
