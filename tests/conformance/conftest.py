"""A real OpenSSH server on loopback, and a store of every kind on folders of the test's own."""

from __future__ import annotations

import getpass
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from glassine.tasks.custody.store import FolderStore, Store

EXTENSIONS = "posix-rename,hardlink,fsync,statvfs,fstatvfs,limits"
"""OpenSSH's own requests (PROTOCOL, section 4): a server of another make may have none of them."""
KINDS = ("folder", "sftp", "sftp without extensions")


@dataclass
class SshServer:
    """An OpenSSH server that lets one key in; it can be stopped and started again at its port."""

    config: Path
    port: int
    host_key: str
    key_file: Path
    log: Path
    options: list[str] = field(default_factory=list)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Listen; returns once the port answers."""
        words = [str(find_sshd()), "-D", "-e", "-f", str(self.config), *self.options]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(words, stdout=log, stderr=log, start_new_session=True)
        for _ in range(200):
            if is_open(self.port):
                return
            if self.process.poll() is not None:
                break
            time.sleep(0.05)
        self.process = None
        pytest.fail(f"sshd does not start: {self.log.read_text('utf-8')[-2000:]}")

    def stop(self) -> None:
        """End the server, and every session of it: each is a process of its own."""
        if self.process:
            for process in [*sessions_of(self.process.pid), self.process.pid]:
                with suppress(ProcessLookupError):
                    os.kill(process, signal.SIGKILL)
            self.process.wait()
        self.process = None

    def address(self, folder: Path) -> str:
        """The address of a folder, for whoever runs the tests."""
        return f"sftp://{getpass.getuser()}@127.0.0.1:{self.port}{folder.as_posix()}"


@dataclass
class Line:
    """A line to a server that can be cut, after so many more bytes towards it, or fall silent."""

    port: int
    left: list[int]
    silent: threading.Event

    def cut_after(self, count: int) -> None:
        """Cut once so many bytes more went to the server."""
        self.left[0] = count

    def mend(self) -> None:
        """Let everything through again."""
        self.left[0] = 10**12
        self.silent.clear()


def find_sshd() -> Path | None:
    """The server's program, by its whole path, as it wants to be called."""
    found = shutil.which("sshd", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"]))
    return Path(found).resolve() if found else None


def is_open(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def sessions_of(process: int) -> list[int]:
    """Every process that descends from one, the last first (ps, IEEE Std 1003.1)."""
    listed = subprocess.run(["ps", "-A", "-o", "pid=,ppid="], capture_output=True, text=True, check=True).stdout
    pairs = [tuple(int(number) for number in line.split()) for line in listed.splitlines()]
    found = [process]
    for parent in found:
        found += [child for child, of in pairs if of == parent and child not in found]
    return found[:0:-1]


def check_login(server: SshServer) -> None:
    """Skip where the system bars its user from every server: an account without a password that is locked (shadow(5))."""
    options = ["BatchMode=yes", "StrictHostKeyChecking=no", "UserKnownHostsFile=/dev/null", "IdentitiesOnly=yes"]
    words = ["ssh", "-F", "none", *(word for option in options for word in ("-o", option)), "-i", str(server.key_file)]
    words += ["-p", str(server.port), "-s", f"{getpass.getuser()}@127.0.0.1", "sftp"]
    done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, check=False)
    said = server.log.read_text("utf-8")
    if "account is locked" in said:
        pytest.skip(
            f"this account ({getpass.getuser()}) is locked, so no SSH server lets it in: run the tests as another user"
        )
    if done.returncode:
        pytest.fail(f"sshd lets nobody in: {said[-2000:]}")


def make_key(path: Path) -> str:
    """A key pair of its own, without a passphrase; returns the public half as OpenSSH writes it."""
    words = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(path)]
    subprocess.run(words, check=True, stdin=subprocess.DEVNULL)
    return " ".join(path.with_name(path.name + ".pub").read_text("utf-8").split()[:2])


@pytest.fixture(scope="session")
def make_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., SshServer]]:
    """Start servers with keys of their own, all ended with the session; skips where there is no OpenSSH server."""
    program = find_sshd()
    if program is None or not shutil.which("ssh-keygen"):
        pytest.skip("no OpenSSH server on this machine: install openssh-server")
    if sys.platform == "win32":
        pytest.skip("OpenSSH's server on Windows is a service: it cannot be started by a test")
    if os.geteuid() == 0:  # as root it wants the folder that it is confined to (sshd(8), FILES)
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)
    started = []

    def make(subsystem: str = "internal-sftp") -> SshServer:
        folder = tmp_path_factory.mktemp("sshd")
        host_key, user_key = make_key(folder / "host"), make_key(folder / "user")
        (folder / "authorized").write_text(user_key + "\n", encoding="utf-8")
        config = folder / "sshd_config"
        lines = [
            "ListenAddress 127.0.0.1",
            f"Port {(port := free_port())}",
            f"HostKey {folder / 'host'}",
            f"AuthorizedKeysFile {folder / 'authorized'}",
            "PidFile none",
            "StrictModes no",
            "UsePAM no",
            "PasswordAuthentication no",
            "KbdInteractiveAuthentication no",
            "PermitRootLogin prohibit-password",
            "MaxStartups 100",
            f"Subsystem sftp {subsystem}",
        ]
        config.write_text("\n".join(lines) + "\n", encoding="utf-8")
        server = SshServer(config, port, host_key, folder / "user", folder / "log")
        # Newer servers turn away whoever asked for the host key alone (sshd_config(5)); older ones do not know the word.
        patient = ["-o", "PerSourcePenalties=no"]
        if subprocess.run([program, "-t", "-f", config, *patient], capture_output=True, check=False).returncode == 0:
            server.options = patient
        started.append(server)
        server.start()
        check_login(server)
        return server

    yield make
    for server in started:
        server.stop()


@pytest.fixture(scope="session")
def sshd(make_server: Callable[..., SshServer]) -> SshServer:
    """One server for all tests that neither stop it nor mind what else it is asked."""
    return make_server()


@pytest.fixture(scope="session")
def plain_sshd(make_server: Callable[..., SshServer]) -> SshServer:
    """A server that knows nothing but the SFTP draft."""
    return make_server(f"internal-sftp -P {EXTENSIONS}")


@pytest.fixture
def own_sshd(make_server: Callable[..., SshServer]) -> Iterator[SshServer]:
    """A server of the test's own, to be stopped and started."""
    server = make_server()
    yield server
    server.stop()


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    """The kind of store that a test of the suite runs on."""
    return str(request.param)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder that the store keeps its files in, wherever it is reached from."""
    root = tmp_path / "kept here"
    root.mkdir()
    return root


@pytest.fixture
def store(kind: str, folder: Path, request: pytest.FixtureRequest) -> Store:
    """A store of every kind."""
    if kind == "folder":
        return FolderStore(folder)
    server: SshServer = request.getfixturevalue("sshd" if kind == "sftp" else "plain_sshd")
    from glassine.tasks.custody.sftp_store import open_store

    return open_store(server.address(folder).replace(" ", "%20"), server.host_key, str(server.key_file))


@pytest.fixture
def line_to() -> Iterator[Callable[[SshServer], Line]]:
    """A line to a server, by a port of its own, that can be cut."""
    listeners: list[socket.socket] = []

    def make(server: SshServer) -> Line:
        listener = socket.create_server(("127.0.0.1", 0))
        listeners.append(listener)
        line = Line(listener.getsockname()[1], [10**12], threading.Event())
        threading.Thread(target=pass_on, args=(listener, server.port, line), daemon=True).start()
        return line

    yield make
    for listener in listeners:
        listener.close()


def pass_on(listener: socket.socket, port: int, line: Line) -> None:
    """Accept, and pass bytes both ways until the line is cut or an end closes; a silent line loses them."""
    left = line.left

    def pump(source: socket.socket, target: socket.socket, *, counted: bool) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                if counted:
                    left[0] -= len(data)
                    if left[0] < 0:
                        break
                if not line.silent.is_set():
                    target.sendall(data)
        for end in (source, target):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    while True:
        try:
            near, _ = listener.accept()
        except OSError:
            return
        if left[0] < 0:
            near.close()
            continue
        far = socket.create_connection(("127.0.0.1", port))
        for end in (near, far):
            end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        pumps = [
            threading.Thread(target=pump, args=(near, far), kwargs={"counted": True}, daemon=True),
            threading.Thread(target=pump, args=(far, near), kwargs={"counted": False}, daemon=True),
        ]
        for each in pumps:
            each.start()
        threading.Thread(target=close_after, args=(pumps, near, far), daemon=True).start()


def close_after(pumps: list[threading.Thread], *ends: socket.socket) -> None:
    for each in pumps:
        each.join()
    for end in ends:
        end.close()
