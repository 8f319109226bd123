"""What a server says is foreign: names that lead elsewhere, failures of every kind. The suite for all stores is in
tests/conformance; here a server of our own answers as OpenSSH never would."""

from __future__ import annotations

import errno
import os
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import asyncssh
import pytest
from asyncssh import constants
from fsspec.asyn import get_loop, sync  # type: ignore[import-untyped]

from glassine.schemas.errors import VolumeError
from glassine.tasks.custody.sftp_store import SftpStore, open_store

NAMES = [b"..", b".", b"", b"../out", b"/etc/passwd", b"a/b", b"nul\0", b"K\xe4the.dng", "Käthe.dng".encode(), b"A.dng"]


class LyingServer(asyncssh.SFTPServer):
    """Serves a folder, and lists whatever it likes."""

    async def scandir(self, path: bytes) -> AsyncIterator[asyncssh.SFTPName]:
        """Names that lead out of the folder, and kinds that nobody knows."""
        for name in NAMES:
            yield asyncssh.SFTPName(name, attrs=asyncssh.SFTPAttrs(permissions=0o100644, size=1, atime=0, mtime=0))
        for name, mode in ((b"folder", 0o040755), (b"link", 0o120777), (b"pipe", 0o010644), (b"../up", 0o040755)):
            yield asyncssh.SFTPName(name, attrs=asyncssh.SFTPAttrs(permissions=mode, size=1))
        yield asyncssh.SFTPName(b"nothing said")

    def open(self, path: bytes, pflags: int, attrs: asyncssh.SFTPAttrs) -> object:
        """As a full disk does it."""
        if b"full" in path:
            raise asyncssh.SFTPFailure("no \x1b[31mroom" + "!" * 5000)
        return super().open(path, pflags, attrs)


@pytest.fixture
def lying(tmp_path: Path) -> Iterator[SftpStore]:
    """A store on such a server."""
    host, user = asyncssh.generate_private_key("ssh-ed25519"), asyncssh.generate_private_key("ssh-ed25519")
    user.write_private_key(tmp_path / "user")
    user.write_public_key(tmp_path / "user.pub")
    root = tmp_path / "root"
    root.mkdir()

    def serve(channel: asyncssh.SSHServerChannel[bytes]) -> LyingServer:
        return LyingServer(channel, chroot=os.fsencode(root))

    listener = sync(
        get_loop(),
        asyncssh.listen,
        "127.0.0.1",
        0,
        server_host_keys=[host],
        authorized_client_keys=str(tmp_path / "user.pub"),
        sftp_factory=serve,
    )
    key = " ".join(host.export_public_key().decode().split()[:2])
    store = open_store(f"sftp://u@127.0.0.1:{listener.get_port()}/f", key, str(tmp_path / "user"))
    yield store
    store.connection.close()

    async def end() -> None:
        listener.close()
        await listener.wait_closed()

    sync(get_loop(), end)


def test_names_that_lead_elsewhere_are_passed_over(lying: SftpStore) -> None:
    names = [found.name for found in lying.list_files("job")]
    assert names == sorted(["A.dng", "K\udce4the.dng", "Käthe.dng"])
    assert lying.list_folders("job") == ["folder"]


def test_what_a_server_says_is_cut_short_and_kept_off_the_terminal(lying: SftpStore) -> None:
    with pytest.raises(OSError, match="room") as full:
        list(lying.read_blocks("full"))
    assert full.value.errno == errno.EIO
    assert len(str(full.value.strerror)) <= 200
    with pytest.raises(VolumeError, match="room") as unwritten:
        lying.put_if_absent("full/A.json", b"")
    assert (unwritten.value.code, "\x1b" in str(unwritten.value)) == ("V003", False)


@pytest.mark.parametrize(
    ("code", "number"),
    [
        (constants.FX_NO_SUCH_FILE, errno.ENOENT),
        (constants.FX_NO_SUCH_PATH, errno.ENOENT),
        (constants.FX_PERMISSION_DENIED, errno.EACCES),
        (constants.FX_FAILURE, errno.EIO),
        (constants.FX_OP_UNSUPPORTED, errno.EOPNOTSUPP),
        (constants.FX_FILE_ALREADY_EXISTS, errno.EEXIST),
        (constants.FX_WRITE_PROTECT, errno.EROFS),
        (constants.FX_NO_SPACE_ON_FILESYSTEM, errno.ENOSPC),
        (constants.FX_QUOTA_EXCEEDED, errno.EDQUOT),
        (constants.FX_NOT_A_DIRECTORY, errno.ENOTDIR),
        (constants.FX_INVALID_HANDLE, errno.EIO),
    ],
)
def test_a_servers_status_is_an_error_of_the_system(lying: SftpStore, code: int, number: int) -> None:
    async def fail(_: asyncssh.SFTPClient) -> None:
        raise asyncssh.SFTPError(code, "as the server says")

    with pytest.raises(OSError, match="as the server says") as failed:
        lying.connection.run(fail, "/f/A")
    assert (failed.value.errno, failed.value.filename) == (number, "/f/A")
    assert type(failed.value) is type(OSError(number, ""))


@pytest.mark.parametrize(
    "error",
    [
        asyncssh.SFTPConnectionLost("gone"),
        asyncssh.SFTPNoConnection("gone"),
        asyncssh.SFTPBadMessage("gone"),
        asyncssh.ConnectionLost("gone"),
        asyncssh.ChannelOpenError(1, "gone"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_a_lost_connection_is_a_connection_error(lying: SftpStore, error: Exception) -> None:
    async def fail(_: asyncssh.SFTPClient) -> None:
        raise error

    with pytest.raises(ConnectionError, match="the connection was lost: gone"):
        lying.connection.run(fail)
    assert lying.list_folders("job") == ["folder"], "the next call has a line again"


def test_one_process_has_one_connection_to_a_server(lying: SftpStore) -> None:
    server = lying.connection.server
    again = open_store(str(lying.address), server.host_key, server.key_file)
    elsewhere = open_store(f"{lying.address}/deeper", server.host_key, server.key_file)
    assert again == lying
    assert elsewhere.connection is lying.connection
    assert elsewhere.label == f"{lying.label}/deeper"
