"""A folder on an SFTP server as a store: with OpenSSH's extensions where the server has them, and without where not."""

from __future__ import annotations

import asyncio
import errno
import hashlib
import posixpath
import stat
import time
from collections.abc import Coroutine, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self, TypeVar, cast

import asyncssh
from asyncssh.sftp import SFTPLimits

from glassine.schemas.durable_file import TEMPORARY_PREFIX, abandon, is_abandoned, temporary_name, unwritable
from glassine.schemas.errors import GlassineError
from glassine.tasks.custody.medium import ReadBack
from glassine.tasks.custody.ssh_connection import Connection, Server, ServerAddress, connect_to, parse_address
from glassine.tasks.custody.store import Listed, OnBytes, Traits

Result = TypeVar("Result")
READ_BYTES = 4 * 2**20
"""Asked for at a time, in many requests at once: each round waits for the line once."""
_LATEST = 2**32 - 1
"""SFTP's times are seconds since 1970 in 32 bits, unsigned (draft-ietf-secsh-filexfer-02, section 5)."""


@dataclass(frozen=True)
class SftpStore:
    """A folder on a server that is reached by SFTP.

    Nobody can say over SFTP that a server read from its medium, so whatever is read back comes from its `cache`; nor can
    a folder be flushed there: a file is flushed once more when it has its name, which makes the name last on the file
    systems that journal names (ext4, XFS, Btrfs, APFS: common practice).

    Besides OSError every method may raise VolumeError V002: another machine answers, which shows another host key.
    """

    address: ServerAddress
    connection: Connection

    @property
    def root(self) -> None:
        """No other program can open its files in place."""

    @property
    def label(self) -> str:
        """The address."""
        return str(self.address)

    def locate(self, path: str) -> str:
        """Where a path of this store lies on the server."""
        return posixpath.join(self.address.folder, path) if path else self.address.folder

    def exists(self, path: str) -> bool:
        """Whether a file or folder is there; a link counts, wherever it leads."""
        place = self.locate(path)
        try:
            self.connection.run(lambda client: client.lstat(place), place)
        except FileNotFoundError:
            return False
        return True

    def list_files(self, folder: str) -> list[Listed]:
        """The files directly in a folder, by name; links are passed over."""
        return sorted(
            Listed(name, attributes.size or 0, float(attributes.mtime or 0))
            for name, attributes in self._list(folder)
            if stat.S_ISREG(attributes.permissions or 0)
        )

    def list_folders(self, folder: str) -> list[str]:
        """The folders directly in a folder, by name; links are passed over."""
        return sorted(name for name, attributes in self._list(folder) if stat.S_ISDIR(attributes.permissions or 0))

    def read_bytes(self, path: str) -> bytes:
        """A small file, whole."""
        return b"".join(self.read_blocks(path))

    def read_blocks(self, path: str) -> Iterator[bytes]:
        """A file of any size, block by block."""
        place = self.locate(path)
        run = self.connection.run
        file = run(lambda client: _RemoteFile.open(client, place, "rb"), place)
        try:
            while block := run(lambda _: file.read(READ_BYTES), place):
                yield block
        finally:
            with suppress(OSError, GlassineError):
                run(lambda _: file.close(), place)

    def traits(self, path: str) -> Traits:
        """A file's times, whole seconds; SFTP knows no extended attributes."""
        place = self.locate(path)
        found = self.connection.run(lambda client: client.stat(place), place)
        return Traits(((found.atime or 0) * 10**9, (found.mtime or 0) * 10**9))

    def read_back(self, path: str, on_bytes: OnBytes | None = None) -> ReadBack:
        """Read a file over the line and hash it."""
        digest = hashlib.sha256()
        for block in self.read_blocks(path):
            digest.update(block)
            if on_bytes:
                on_bytes(len(block))
        return ReadBack(digest.hexdigest(), "cache")

    def flush(self, path: str) -> None:
        """Have a finished file written out to the server's medium, where the server can be asked to."""
        place = self.locate(path)

        async def flush(client: asyncssh.SFTPClient) -> None:
            file = await _RemoteFile.open(client, place, "rb+")
            await file.flush()
            await file.close()

        self.connection.run(flush, place)

    def put_if_absent(self, path: str, content: bytes) -> bool:
        """Put a small file in place whole, never over another."""
        try:
            with self.begin(posixpath.dirname(path)) as incoming:
                incoming.write(content)
                incoming.finish(None)
                if incoming.place(path):
                    return True
            if self.read_bytes(path) != content:
                return False
            self.flush(path)  # who put it there may have been killed before that
        except OSError as error:
            raise unwritable(f"{self.label}/{path}", error) from error
        return True

    def replace(self, path: str, content: bytes) -> None:
        """Put a small file in place whole, over an older one: in one step where the server has posix-rename."""
        place = self.locate(path)

        async def rename(client: asyncssh.SFTPClient) -> None:
            try:
                await client.posix_rename(incoming.temporary, place)
            except asyncssh.SFTPOpUnsupported:
                with suppress(asyncssh.SFTPNoSuchFile):
                    await client.remove(place)
                await client.rename(incoming.temporary, place)

        try:
            with self.begin(posixpath.dirname(path)) as incoming:
                incoming.write(content)
                incoming.finish(None)
                self.connection.run(rename, place)
            self.flush(path)
        except OSError as error:
            raise unwritable(f"{self.label}/{path}", error) from error

    def move(self, path: str, to: str) -> None:
        """Rename a file within the store, making the folder."""
        source, place = self.locate(path), self.locate(to)

        async def move(client: asyncssh.SFTPClient) -> bool:
            await client.lstat(source)  # an absent source makes no folder
            await _make_folder(client, posixpath.dirname(place))
            return await _rename_if_absent(client, source, place)

        if not self.connection.run(move, source):
            raise FileExistsError(errno.EEXIST, "the name is taken", place)
        self.flush(to)

    def begin(self, folder: str) -> SftpIncoming:
        """A new file, under a temporary name in a folder."""
        return SftpIncoming(self, folder)

    def remove_leftovers(self, folder: str) -> None:
        """Remove temporary files that a process which is gone left.

        Of the times only that of modification comes over SFTP. It is that of the last write, by the server's clock, as
        long as a file has its temporary name: the times of the original are set when the file gets its name. So it can
        be trusted once the server's clock is compared with our own.
        """
        with suppress(OSError, GlassineError):
            folders = [folder]
            off = None
            for _ in range(3):
                for each in folders:
                    for listed in self.list_files(each):
                        if not listed.name.startswith(TEMPORARY_PREFIX):
                            continue
                        gone = is_abandoned(listed.name, time.time())  # a process of this machine, whatever the time
                        if not gone:
                            off = self.clock_off_s() if off is None else off
                            gone = is_abandoned(listed.name, listed.changed - off)
                        if gone:
                            self._remove(f"{each}/{listed.name}")
                folders = [f"{each}/{name}" for each in folders for name in self.list_folders(each)]

    def free_bytes(self) -> int | None:
        """How much room is left, where the server says it."""
        place = self.locate("")
        with suppress(OSError):
            found = self.connection.run(lambda client: client.statvfs(place), place)
            return found.bavail * found.frsize
        return None

    def clock_off_s(self) -> float:
        """How far the server's clock is ahead of this machine's, in whole seconds, below zero where it is behind; found
        out by writing a small file, so it also says whether the store can be written."""
        before = int(time.time())
        with self.begin("") as incoming:
            incoming.write(b"probe")
            incoming.finish(None)
            place = incoming.temporary
            written = self.connection.run(lambda client: client.stat(place), place).mtime
        if written is None:
            return 0.0
        return float(min(written - before, 0) + max(written - int(time.time()), 0))

    def _list(self, folder: str) -> list[tuple[str, asyncssh.SFTPAttrs]]:
        """What a server says that a folder holds; a name that would lead out of it is passed over."""
        place = self.locate(folder)
        try:
            found = self.connection.run(lambda client: client.readdir(place), place)
        except (FileNotFoundError, NotADirectoryError):
            return []
        named = [(str(entry.filename), entry.attrs) for entry in found]
        return [(name, attrs) for name, attrs in named if name not in ("", ".", "..") and not {"/", "\0"} & {*name}]

    def _remove(self, path: str) -> None:
        place = self.locate(path)
        with suppress(OSError, GlassineError):
            self.connection.run(lambda client: client.remove(place), place)


class SftpIncoming:
    """A file on its way to a server. Only on the connection that it began on: when that is lost, so is the file."""

    def __init__(self, store: SftpStore, folder: str) -> None:
        self._store = store
        self._run = store.connection.run
        self._path = posixpath.join(folder, temporary_name())
        self.temporary = store.locate(self._path)
        self._file: _RemoteFile
        self._traits: Traits | None = None

    def __enter__(self) -> Self:
        """Open the temporary file, in a folder that is made."""

        async def create(client: asyncssh.SFTPClient) -> _RemoteFile:
            try:
                return await _RemoteFile.open(client, self.temporary, "xb")
            except asyncssh.SFTPNoSuchFile:
                await _make_folder(client, posixpath.dirname(self.temporary))
                return await _RemoteFile.open(client, self.temporary, "xb")

        self._file = self._run(create, self.temporary)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the temporary name away."""
        with suppress(OSError, GlassineError):
            self._run(lambda _: self._file.close(), self.temporary)
        self._store._remove(self._path)
        abandon(posixpath.basename(self._path))

    def write(self, block: bytes) -> None:
        """Write all of a block."""
        self._run(lambda _: self._file.write(block), self.temporary)

    def finish(self, traits: Traits | None) -> None:
        """Flush it and close it; it gets its times with its name (`remove_leftovers` says why)."""

        async def finish(_: asyncssh.SFTPClient) -> None:
            await self._file.flush()
            await self._file.close()

        self._traits = traits
        self._run(finish, self.temporary)

    def read_back(self) -> ReadBack:
        """Read it again over the line."""
        return self._store.read_back(self._path)

    def place(self, path: str) -> bool:
        """Give it its times and its name, and flush it once more."""
        place = self._store.locate(path)
        times = (
            [min(max(nanoseconds // 10**9, 0), _LATEST) for nanoseconds in self._traits.times_ns]
            if self._traits
            else []
        )

        async def give_name(client: asyncssh.SFTPClient) -> bool:
            if times:
                await client.setstat(self.temporary, asyncssh.SFTPAttrs(atime=times[0], mtime=times[1]))
            try:
                return await _link_if_absent(client, self.temporary, place)
            except asyncssh.SFTPNoSuchFile:
                await _make_folder(client, posixpath.dirname(place))
                return await _link_if_absent(client, self.temporary, place)

        if not self._run(give_name, place):
            return False
        self._store.flush(path)
        return True


class _RemoteFile:
    """An open file on a server, read or written from its beginning in pieces that are on their way side by side.

    asyncssh does that too, but leaves the pieces that failed with a lost line unlooked at, and Python then prints them.
    """

    def __init__(self, file: asyncssh.SFTPClientFile, limits: SFTPLimits) -> None:
        self._file = file
        self._limits = limits
        self._offset = 0
        self._size: int | None = None

    @classmethod
    async def open(cls, client: asyncssh.SFTPClient, place: str, mode: str) -> _RemoteFile:
        """Open a file, as `open` does."""
        return cls(await client.open(place, mode, block_size=0), client.limits)

    async def read(self, size: int) -> bytes:
        """The next bytes, fewer only at the end: of the size that the file has when it is first read."""
        if self._size is None:
            self._size = (await self._file.stat()).size or 0
        size = min(size, self._size - self._offset)
        pieces = await _all(self._read_piece(*piece) for piece in self._pieces(size, self._limits.max_read_len))
        read = b"".join(pieces)
        self._offset += len(read)
        return read

    async def write(self, block: bytes) -> None:
        """Write all of a block after what was written before."""
        begin = self._offset
        await _all(
            self._file.write(block[offset - begin : offset - begin + length], offset)
            for offset, length in self._pieces(len(block), self._limits.max_write_len)
        )
        self._offset += len(block)

    async def flush(self) -> None:
        """Have the server write it out, where the server can be asked to."""
        with suppress(asyncssh.SFTPOpUnsupported):
            await self._file.fsync()

    async def close(self) -> None:
        """Close it, once or again."""
        await self._file.close()

    def _pieces(self, size: int, longest: int) -> Iterator[tuple[int, int]]:
        """Where the pieces of the next bytes begin, and how long they are."""
        end = self._offset + size
        return ((offset, min(longest, end - offset)) for offset in range(self._offset, end, longest))

    async def _read_piece(self, offset: int, size: int) -> bytes:
        """A server may give less than it was asked for."""
        piece = b""
        while len(piece) < size and (more := await self._file.read(size - len(piece), offset + len(piece))):
            piece += cast("bytes", more)
        return piece


async def _all(works: Iterable[Coroutine[Any, Any, Result]]) -> list[Result]:
    """Do all at once and wait for each, whatever becomes of the others; the first error is raised."""
    done = await asyncio.gather(*works, return_exceptions=True)
    results = []
    for one in done:
        if isinstance(one, BaseException):
            raise one
        results.append(one)
    return results


def open_store(address: str, host_key: str, key_file: str | None) -> SftpStore:
    """The store at an address; nothing is connected yet. Raises CallError W001 for an address or a key that is none."""
    place = parse_address(address)
    return SftpStore(place, connect_to(Server(place.user, place.host, place.port, host_key, key_file)))


async def _make_folder(client: asyncssh.SFTPClient, folder: str) -> None:
    """Make a folder with its parents, if absent; another writer may make it at the same time."""
    if await client.isdir(folder):
        return
    if parent := posixpath.dirname(folder.rstrip("/")):
        await _make_folder(client, parent)
    try:
        await client.mkdir(folder)
    except asyncssh.SFTPError:
        if not await client.isdir(folder):
            raise


async def _link_if_absent(client: asyncssh.SFTPClient, temporary: str, place: str) -> bool:
    """Give a finished file its name, if no file has it; false when one has."""
    try:
        await client.link(temporary, place)
    except (asyncssh.SFTPOpUnsupported, asyncssh.SFTPFailure, asyncssh.SFTPPermissionDenied):
        return await _rename_if_absent(client, temporary, place)
    return True


async def _rename_if_absent(client: asyncssh.SFTPClient, source: str, place: str) -> bool:
    """Rename, if the name is free; false when it is taken.

    SFTP's rename must not replace (draft-ietf-secsh-filexfer-02, section 6.5), and OpenSSH's does not; since other servers
    may not keep to that, it is looked first, which leaves them a moment between.
    """
    if await client.exists(place) or await client.islink(place):
        return False
    try:
        await client.rename(source, place)
    except asyncssh.SFTPError:
        if await client.exists(source) and await client.exists(place):
            return False
        raise
    return True
