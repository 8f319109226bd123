"""A line that is lost, cut or silent: one error of the system's kind, and the next call opens another."""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from glassine.schemas.errors import VolumeError
from glassine.tasks.custody import ssh_connection
from glassine.tasks.custody.digest import BLOCK_BYTES
from glassine.tasks.custody.sftp_store import READ_BYTES, SftpStore, open_store

CONTENT = bytes(range(256)) * 100


def store_at(server: Any, folder: Path, port: int) -> SftpStore:
    address = server.address(folder).replace(f":{server.port}/", f":{port}/").replace(" ", "%20")
    return open_store(address, server.host_key, str(server.key_file))


def test_a_server_that_was_restarted_is_connected_to_anew(own_sshd: Any, folder: Path) -> None:
    store = store_at(own_sshd, folder, own_sshd.port)
    assert store.put_if_absent("A", CONTENT)
    own_sshd.stop()
    with pytest.raises(ConnectionError) as away:
        store.read_bytes("A")
    assert "cannot be reached" in str(away.value.strerror) or "was lost" in str(away.value.strerror)
    with pytest.raises(ConnectionError, match="cannot be reached"):
        store.read_bytes("A")
    with pytest.raises(VolumeError, match="cannot be reached") as unwritten:
        store.put_if_absent("B", CONTENT)
    assert unwritten.value.code == "V003"
    store.remove_leftovers("job")
    own_sshd.start()
    assert store.read_bytes("A") == CONTENT
    assert store.put_if_absent("B", CONTENT)


def test_a_line_that_is_cut_while_a_copy_is_written(sshd: Any, folder: Path, line_to: Callable[..., Any]) -> None:
    line = line_to(sshd)
    store = store_at(sshd, folder, line.port)
    assert store.free_bytes()
    line.cut_after(BLOCK_BYTES)
    with pytest.raises(ConnectionError) as cut, store.begin("job") as incoming:
        for _ in range(3):
            incoming.write(bytes(BLOCK_BYTES))
        incoming.finish(None)
        incoming.place("job/A")
    assert cut.value.errno == errno.ECONNRESET
    assert not (folder / "job" / "A").exists()
    line.mend()
    with store.begin("job") as incoming:
        incoming.write(CONTENT)
        incoming.finish(None)
        assert incoming.place("job/A")
    assert (folder / "job" / "A").read_bytes() == CONTENT


def test_a_file_that_was_begun_on_a_lost_line_is_not_gone_on_with(
    sshd: Any, folder: Path, line_to: Callable[..., Any]
) -> None:
    line = line_to(sshd)
    store = store_at(sshd, folder, line.port)
    with store.begin("job") as incoming:
        incoming.write(CONTENT)
        store.connection.close()
        assert store.list_files("absent") == [], "another line is open by now"
        with pytest.raises(OSError, match=r"\S"):
            incoming.write(CONTENT)
        with pytest.raises(OSError, match=r"\S"):
            incoming.finish(None)
    assert list((folder / "job").iterdir()) == []


def test_a_line_that_is_cut_while_a_copy_is_read(sshd: Any, folder: Path, line_to: Callable[..., Any]) -> None:
    line = line_to(sshd)
    (folder / "A").write_bytes(bytes(3 * READ_BYTES))
    store = store_at(sshd, folder, line.port)
    blocks = store.read_blocks("A")
    assert len(next(blocks)) == READ_BYTES
    line.cut_after(0)
    with pytest.raises(ConnectionError):
        list(blocks)
    line.mend()
    assert store.read_back("A").read_from == "cache"


def test_a_line_that_falls_silent_is_noticed(
    sshd: Any, folder: Path, line_to: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ssh_connection, "KEEPALIVE_SECONDS", 0.2)
    line = line_to(sshd)
    store = store_at(sshd, folder, line.port)
    assert not store.exists("A")
    line.silent.set()
    with pytest.raises(ConnectionError, match="was lost"):
        store.exists("A")
    line.mend()
    assert not store.exists("A")


def test_a_file_service_that_hangs_on_a_living_line_is_given_up(
    sshd: Any, folder: Path, line_to: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The line's own keepalive is answered meanwhile, so nothing else would ever end the waiting."""
    monkeypatch.setattr(ssh_connection, "ANSWER_SECONDS", 0.5)
    line = line_to(sshd)
    store = store_at(sshd, folder, line.port)
    assert not store.exists("A")
    line.silent.set()
    with pytest.raises(OSError, match=r"\S") as hangs:
        store.exists("A")
    assert isinstance(hangs.value, TimeoutError)
    line.mend()


def test_several_threads_find_a_lost_line_and_go_on(sshd: Any, folder: Path, line_to: Callable[..., Any]) -> None:
    line = line_to(sshd)
    store = store_at(sshd, folder, line.port)
    (folder / "A").write_bytes(bytes(8 * BLOCK_BYTES))
    ended: list[str] = []
    start = threading.Barrier(5)

    def read() -> None:
        start.wait()
        try:
            store.read_back("A")
            ended.append("read")
        except ConnectionError:
            ended.append("lost")
            ended.append(store.read_back("A").sha256)

    assert store.exists("A")
    threads = [threading.Thread(target=read) for _ in range(4)]
    for thread in threads:
        thread.start()
    start.wait()
    line.cut_after(0)
    store.connection.close()
    line.mend()
    for thread in threads:
        thread.join()
    assert len(ended) >= 4
    assert len({each for each in ended if len(each) == 64}) <= 1
