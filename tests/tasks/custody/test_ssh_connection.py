"""Addresses and keys of servers, and servers that keep silent."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from urllib.parse import quote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassine.schemas.errors import CallError, VolumeError
from glassine.tasks.custody import ssh_connection
from glassine.tasks.custody.sftp_store import open_store
from glassine.tasks.custody.ssh_connection import (
    ServerAddress,
    ask_host_key,
    parse_address,
    parse_host_key,
)

KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIIaCbqlesbbU0d6X+QrzzzIGJHUxtI7M9Vpjg2pJW+R2"


@pytest.mark.parametrize(
    ("text", "address", "spelt"),
    [
        ("sftp://host/f", ServerAddress(None, "host", 22, "/f"), "sftp://host/f"),
        ("sftp://vault@HOST:2222//a//b/", ServerAddress("vault", "host", 2222, "/a/b"), "sftp://vault@host:2222/a/b"),
        ("sftp://u@[::1]:22/f", ServerAddress("u", "::1", 22, "/f"), "sftp://u@[::1]/f"),
        ("sftp://u@h/~/frames", ServerAddress("u", "h", 22, "frames"), "sftp://u@h/~/frames"),
        ("sftp://u@h/two%20words", ServerAddress("u", "h", 22, "/two words"), "sftp://u@h/two words"),
    ],
)
def test_addresses(text: str, address: ServerAddress, spelt: str) -> None:
    assert parse_address(text) == address
    assert str(address) == spelt


@pytest.mark.parametrize(
    "text",
    [
        "",
        "/f",
        "http://h/f",
        "sftp:///f",
        "sftp://h",
        "sftp://h/f?x",
        "sftp://h/f#x",
        "sftp://h:99999/f",
        "sftp://[/f",
        "sftp://h/a/../b",
        "sftp://h/a%2f..%2fb",
        "sftp://h/a%0ab",
        "sftp://u:p@h/f",
        "sftp://h/%ff",
    ],
)
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(CallError) as refused:
        parse_address(text)
    assert refused.value.code == "W001"


@given(st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1, max_size=20))
def test_any_folder_that_can_be_printed_comes_back(name: str) -> None:
    if {"/"} & {*name} or name in (".", "..", "~"):
        return
    folder = f"/srv/{name}"
    assert parse_address(f"sftp://u@h/srv/{quote(name)}").folder == folder


@pytest.mark.parametrize("text", ["", "ssh-ed25519", "ssh-ed25519 AAAA", "ssh-none AAAA", "x" * 5000])
def test_what_is_no_host_key(text: str) -> None:
    with pytest.raises(CallError, match="is no host key") as refused:
        parse_host_key(text)
    assert refused.value.code == "W001"


@pytest.fixture
def silent_port(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[int, list[socket.socket]]]:
    """A port at which everybody is let in and nobody is answered, and whoever came."""
    monkeypatch.setattr(ssh_connection, "CONNECT_SECONDS", 0.3)
    came: list[socket.socket] = []
    listener = socket.create_server(("127.0.0.1", 0))

    def accept() -> None:
        try:
            while True:
                came.append(listener.accept()[0])
        except OSError:
            return

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    yield listener.getsockname()[1], came
    listener.shutdown(socket.SHUT_RDWR)
    listener.close()
    thread.join()
    for each in came:
        each.close()


def test_a_silent_server_is_waited_for_once(silent_port: tuple[int, list[socket.socket]]) -> None:
    port, came = silent_port
    store = open_store(f"sftp://u@127.0.0.1:{port}/f", KEY, None)
    for _ in range(3):
        with pytest.raises(TimeoutError, match="gives no answer"):
            store.exists("A")
    assert len(came) == 1
    with pytest.raises(VolumeError, match="cannot be reached") as away:
        ask_host_key(parse_address(f"sftp://127.0.0.1:{port}/f"))
    assert away.value.code == "V001"


def test_a_host_that_has_no_address(monkeypatch: pytest.MonkeyPatch) -> None:
    store = open_store("sftp://u@no-such-host.invalid/f", KEY, None)  # RFC 6761, 6.4: never a name
    with pytest.raises(ConnectionError, match="cannot be reached"):
        store.read_bytes("A")
    assert store.free_bytes() is None
