"""Set glassine up on a machine that has Python and nothing else, then run the demo or the tests.

    python3 config/bootstrap.py demo [FOLDER]
    python3 config/bootstrap.py test [WORDS FOR PYTEST]

Standard library only. It makes `.venv`, installs what is pinned in `config/`, and sees to the ExifTool program, for the tests
also to OpenSSH's server. A second run finds all of that done and starts at once.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
OLDEST = (3, 11)
# Package managers that may install without asking a person, with the name that ExifTool has there (from memory).
EXIFTOOL_PACKAGES = {
    "apt-get": "libimage-exiftool-perl",
    "dnf": "perl-Image-ExifTool",
    "zypper": "exiftool",
    "pacman": "perl-image-exiftool",
    "apk": "exiftool",
    "brew": "exiftool",
}
# The same of OpenSSH's server, which the tests start on loopback for volumes on a server; macOS has it (from memory).
SSHD_PACKAGES = {
    "apt-get": "openssh-server",
    "dnf": "openssh-server",
    "zypper": "openssh-server",
    "pacman": "openssh",
    "apk": "openssh",
}
SSHD_FOLDERS = ("/usr/sbin", "/usr/local/sbin", "/usr/bin")
# What keeps a package from starting its service: invoke-rc.d starts none in single-user mode, systemctl none when it is
# told that systemd does not run (both from memory).
NO_SERVICES = {"RUNLEVEL": "1", "SYSTEMD_OFFLINE": "1"}
MISSING_EXIFTOOL = (
    "The ExifTool program is missing, and this account may not install it. Install it "
    "(Debian, Ubuntu: sudo apt-get install libimage-exiftool-perl; Fedora: sudo dnf install perl-Image-ExifTool; "
    "macOS: brew install exiftool; Windows: put exiftool.exe on the PATH), then run this command again."
)


class SetupError(Exception):
    """Something that a person must do first, in one sentence."""


def main(words: list[str]) -> int:
    """Set up, then run what was asked for; returns the exit status."""
    if sys.version_info < OLDEST:
        raise SetupError(f"glassine needs Python {OLDEST[0]}.{OLDEST[1]} or newer; this is {sys.version.split()[0]}.")
    if not words or words[0] not in ("demo", "test"):
        print(__doc__)
        return 2
    command, rest = words[0], words[1:]
    install(["requirements.txt"] + (["requirements-test.txt"] if command == "test" else []))
    see_to_exiftool()
    if command == "test":
        see_to_sshd()
    return run_demo(rest) if command == "demo" else run_tests(rest)


def install(lists: list[str]) -> None:
    """Make `.venv` and install the pinned lists, unless that was done for these very lists."""
    done = {name: _stamp(name) for name in lists}
    if _python().exists() and all(_read_stamp(name) == stamp for name, stamp in done.items()):
        return
    if not _python().exists() or not _is_alive(_python()):
        _make_environment()
    pip = [str(_python()), "-m", "pip", "--disable-pip-version-check", "install", "--quiet", "--progress-bar", "off"]
    _say(f"Installing what is pinned in {', '.join(f'config/{name}' for name in lists)} ...")
    for name in lists:
        _run([*pip, "--require-hashes", "-r", str(ROOT / "config" / name)], f"config/{name} could not be installed")
    own = [*pip, "--no-deps", "--no-build-isolation", "--editable", str(ROOT)]
    _run(own, "glassine itself could not be installed")
    for name, stamp in done.items():
        _stamp_file(name).write_text(stamp)


def see_to_exiftool() -> None:
    """Find ExifTool on the path, or install it with the system's package manager when that may be done."""
    if shutil.which("exiftool"):
        return
    _install_system_package(EXIFTOOL_PACKAGES, "ExifTool")
    if not shutil.which("exiftool"):
        raise SetupError(MISSING_EXIFTOOL)


def see_to_sshd() -> None:
    """Find OpenSSH's server, or install it without starting its service; the tests that want it are skipped without."""
    if not _has_sshd():
        _install_system_package(SSHD_PACKAGES, "OpenSSH's server")
    if not _has_sshd():
        _say(
            "There is no OpenSSH server: the tests of volumes on a server are skipped. Install openssh-server to run them."
        )


def _has_sshd() -> bool:
    return shutil.which("sshd", path=os.pathsep.join([os.environ.get("PATH", ""), *SSHD_FOLDERS])) is not None


def run_demo(words: list[str]) -> int:
    """The main job, on a shoot that the demo invents."""
    return subprocess.call([str(_python()), "-m", "glassine.flows.cli", "demo", *words])


def run_tests(words: list[str]) -> int:
    """Everything that CI runs; all of it, even when one part fails."""
    python = str(_python())
    parts = [
        ("format", [python, "-m", "ruff", "format", "--check", "."]),
        ("lint", [python, "-m", "ruff", "check", "."]),
        ("types", [python, "-m", "mypy"]),
        ("import contract", [str(_python().with_name("lint-imports")), "--no-cache"]),
        ("tests", [python, "-m", "pytest", "-n", str(min(os.cpu_count() or 1, 8)), "-q", *words]),
    ]
    failed = []
    for name, command in parts:
        _say(f"--- {name}")
        if subprocess.call(command, cwd=ROOT):
            failed.append(name)
    if failed:
        _say(f"Not right: {', '.join(failed)}.")
    return 1 if failed else 0


def _make_environment() -> None:
    _say(f"Making {VENV} ...")
    if importlib.util.find_spec("ensurepip") is None:  # Debian and Ubuntu keep it in a package of its own
        _install_system_package({"apt-get": f"python3.{sys.version_info.minor}-venv"}, "Python's venv module")
    shutil.rmtree(VENV, ignore_errors=True)
    _run([sys.executable, "-m", "venv", str(VENV)], "The virtual environment could not be made: install python3-venv")


def _install_system_package(packages: dict[str, str], what: str) -> None:
    for manager, package in packages.items():
        if not shutil.which(manager) or not _may_install(manager):
            continue
        _say(f"Installing {what} ({manager}: {package}) ...")
        if manager == "apt-get":
            _call_quietly(["apt-get", "update", "-qq"])
        words = {
            "apt-get": ["install", "-y", "-qq", "--no-install-recommends"],
            "pacman": ["-S", "--noconfirm"],
            "apk": ["add"],
            "brew": ["install"],
        }
        if _call_quietly([manager, *words.get(manager, ["install", "-y"]), package]) == 0:
            return


def _call_quietly(command: list[str]) -> int:
    """Call a package manager that must ask nothing."""
    return subprocess.call(
        command,
        env={**os.environ, **NO_SERVICES, "DEBIAN_FRONTEND": "noninteractive"},
        stdout=subprocess.DEVNULL,
        stdin=subprocess.DEVNULL,
    )


def _may_install(manager: str) -> bool:
    """Only as root, or where the manager belongs to the user."""
    return manager == "brew" or (hasattr(os, "geteuid") and os.geteuid() == 0)


def _python() -> Path:
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def _is_alive(python: Path) -> bool:
    return subprocess.call([str(python), "-c", "import pip"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) == 0


def _stamp(name: str) -> str:
    """What an installation depends on: the pinned list, the packaging, the Python, and where the checkout lies."""
    digest = hashlib.sha256(f"{sys.version} {ROOT}".encode())
    for path in (ROOT / "config" / name, ROOT / "pyproject.toml"):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _read_stamp(name: str) -> str | None:
    return _stamp_file(name).read_text() if _stamp_file(name).is_file() else None


def _stamp_file(name: str) -> Path:
    return VENV / f"installed-{name}"


def _run(command: list[str], failed: str) -> None:
    if subprocess.call(command, cwd=ROOT):
        raise SetupError(f"{failed}; what is said above tells why. Mend that and run this command again.")


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except SetupError as error:
        _say(f"glassine: {error}")
        sys.exit(3)
    except KeyboardInterrupt:
        sys.exit(130)
