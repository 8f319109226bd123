"""SHA-256 against the published vectors, whatever the size of a read."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from glassine.tasks.custody.digest import BLOCK_BYTES, hash_file
from glassine.tasks.custody.replication import replicate
from glassine.tasks.custody.source_file import SourceFile
from glassine.tasks.custody.volume import Volume

# FIPS 180-4; messages and digests of RFC 6234, section 8.5 (TEST1 to TEST6 and a NIST example), and of the empty message
VECTORS = {
    "empty": (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    "TEST1": (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    "TEST2_1": (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    "TEST3": (b"a" * 10**6, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    "TEST4": (b"01234567" * 8 * 10, "594847328451bdfa85056225462cc1d867d877fb388df0ce35f25ab5562bfbb5"),
    "TEST6": (b"\x19", "68aa2e2ee5dff96e3355e6c7ee373e3d6a4e17f75f9518d843709c0c9bc3e3d4"),
    "TEST8": (
        bytes.fromhex("e3d72570dcdd787ce3887ab2cd684652"),
        "175ee69b02ba9b58e2b0a5fd13819cea573f3940a94f825128cf4209beabb4e8",
    ),
}


# One byte, both sides of SHA-256's block of 64, and a power of two larger than all messages
@pytest.mark.parametrize("block_bytes", [1, 63, 64, 65, 2**20])
@pytest.mark.parametrize("name", [name for name in VECTORS if name != "TEST3"])
def test_published_vectors(tmp_path: Path, name: str, block_bytes: int) -> None:
    message, expected = VECTORS[name]
    path = tmp_path / "message"
    path.write_bytes(message)
    assert hash_file(path, block_bytes=block_bytes) == expected


@pytest.mark.parametrize("block_bytes", [63, 64, 65, 2**20, BLOCK_BYTES])
def test_a_million_letters(tmp_path: Path, block_bytes: int) -> None:
    message, expected = VECTORS["TEST3"]
    path = tmp_path / "message"
    path.write_bytes(message)
    assert hash_file(path, block_bytes=block_bytes) == expected


@pytest.mark.parametrize("name", list(VECTORS))
@pytest.mark.parametrize("block_bytes", [63, 64, 65, 2**20])
def test_published_vectors_through_the_hasher_of_ingest(
    tmp_path: Path, volumes: list[Volume], monkeypatch: pytest.MonkeyPatch, name: str, block_bytes: int
) -> None:
    message, expected = VECTORS[name]
    source = tmp_path / "message"
    source.write_bytes(message)
    monkeypatch.setattr("glassine.tasks.custody.source_file.BLOCK_BYTES", block_bytes)
    replica = replicate(SourceFile(source), "1", volumes, lambda sha256: f"originals/{sha256}")
    assert (replica.sha256, replica.size, len(replica.copies)) == (expected, len(message), 3)


def test_progress_is_told_of_every_byte_once(tmp_path: Path) -> None:
    path = tmp_path / "message"
    path.write_bytes(b"x" * 1000)
    steps: list[int] = []
    hash_file(path, block_bytes=300, on_bytes=steps.append)
    assert steps == [300, 300, 300, 100]


def test_nothing_to_read_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        hash_file(tmp_path / "absent")


def test_a_file_of_several_blocks(tmp_path: Path) -> None:
    content = bytes(range(256)) * (BLOCK_BYTES // 256) + b"end"
    path = tmp_path / "large"
    path.write_bytes(content)
    assert hash_file(path) == hashlib.sha256(content).hexdigest()
