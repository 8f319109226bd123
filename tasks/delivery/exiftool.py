"""The ExifTool program: the only module that calls it.

File names and values are written by strangers, and ExifTool takes one argument a line, so a newline in a name would
be a command. Paths are refused unless they are harmless, tags are letters, and every character of a value travels as a
number.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import exiftool.exiftool

from glassine.schemas.errors import CallError, VolumeError

TagValue = str | int | float | Sequence[str] | None
"""A value to write; a sequence becomes a list tag, None deletes the tag."""

FILES_A_CALL = 50
"""So that what ExifTool says about each fits into a pipe (64 KiB) that is read only when it has finished."""

_TAG = re.compile(r"-?[A-Za-z0-9_:-]*[A-Za-z0-9*]")
_ALWAYS_READ = ("-ExifTool:Error", "-ExifTool:Warning")
_UNANSWERED = "ExifTool did not answer: it was stopped after {seconds:g} s, or died."


class _Unanswered(Exception):  # noqa: N818 (not an error yet: the caller tries again, one file at a time)
    """ExifTool died or was stopped."""


def _read_until(descriptor: int, end: bytes, block_size: int) -> bytes:
    """Read a pipe of ExifTool up to the mark `end`; raise when the program has died.

    It stands in for PyExifTool's own (0.5.6), which spins for ever then.
    """
    seen = bytearray()
    while not seen[-len(end) - 4 :].strip().endswith(end):
        block = os.read(descriptor, block_size)
        if not block:
            raise _Unanswered
        seen += block
    return bytes(seen)


exiftool.exiftool._read_fd_endswith = _read_until


class ExifTool:
    """One running ExifTool; use it as a context manager, in the thread that entered it.

    Parameters
    ----------
    seconds : longest time for one call; a program that takes longer is stopped
    executable : name on the path, or path, of the program

    Raises
    ------
    VolumeError
        V005 when the program is not there, is older than 12.15, or does not start.
    """

    def __init__(self, *, seconds: float = 60.0, executable: str = "exiftool") -> None:
        self._seconds = seconds
        self._executable = executable
        self._program: Any = None
        self._version = ""

    def __enter__(self) -> Self:
        self._start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()

    def _start(self) -> None:
        try:
            self._program = exiftool.exiftool.ExifTool(
                executable=self._executable,
                # No configuration file of the user's: it is Perl, and would run.
                config_file="",
                encoding="utf-8",
                common_args=["-charset", "filename=utf8", "-n", "-G1"],
            )
            with self._time_limit():
                self._program.run()
            self._version = str(self._program.version)
        except (OSError, RuntimeError, _Unanswered, exiftool.exceptions.ExifToolException) as error:
            self._stop()
            raise VolumeError(
                "V005",
                f"The ExifTool program (12.15 or newer) is needed and did not start ({str(error) or 'it died'}). Install "
                "it: `apt install libimage-exiftool-perl` on Debian and Ubuntu, `dnf install perl-Image-ExifTool` "
                "on Fedora, `brew install exiftool` on macOS, `winget install exiftool` on Windows.",
            ) from error

    def _stop(self) -> None:
        program, self._program = self._program, None
        process = None if program is None else program._process
        if process is None:
            return
        if process.poll() is None:
            program.terminate(timeout=5)
        process.wait()
        # PyExifTool leaves the pipes of an ended program to the collector, and both warn about it.
        program._flag_running_false()
        for pipe in (process.stdin, process.stdout, process.stderr):
            with suppress(OSError):
                pipe.close()

    @contextmanager
    def _time_limit(self) -> Iterator[None]:
        def end() -> None:
            process = self._program._process
            if process is not None:
                process.kill()

        timer = threading.Timer(self._seconds, end)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()
            timer.join()

    def _execute(self, arguments: Sequence[str]) -> tuple[str, str]:
        """Run one call; what it printed, and what it complained about."""
        if self._program is None or self._program._process.poll() is not None:
            self._stop()
            self._start()
        try:
            with self._time_limit():
                printed: bytes = self._program.execute(*arguments, raw_bytes=True)
                complaint: bytes = self._program.last_stderr
        except (OSError, _Unanswered, exiftool.exceptions.ExifToolException) as error:
            self._stop()
            raise _Unanswered from error
        return printed.decode("utf-8", "replace"), complaint.decode("utf-8", "replace").strip()

    def version(self) -> str:
        """Version of the program as it started, as "12.57"."""
        return self._version

    def read(self, paths: Sequence[Path], tags: Sequence[str], *, as_text: bool = False) -> list[dict[str, Any]]:
        """Read tags of files, in batches.

        Parameters
        ----------
        paths : of files in custody, whose names are ours
        tags : as ExifTool names them ("IFD0:Make", "XMP-xmp:Rating", "IPTC:all")
        as_text : numbers stay the text that ExifTool printed, so that a serial number 1E5 is not a hundred thousand

        Returns
        -------
        One dictionary a path, in the same order: "GROUP:Tag" (family 1) to number, text or list, codes rather than
        their meaning; and "SourceFile". Where a file could not be read it holds "ExifTool:Error" with a sentence, and
        "ExifTool:Warning" where something is odd. Values are as a stranger wrote them.

        Raises
        ------
        CallError
            W001: a path or tag that ExifTool could take for a command.
        """
        options = ["-j", *_ALWAYS_READ, *(f"-{_checked_tag(tag)}" for tag in tags)]
        names = [_checked_path(path) for path in paths]
        found: list[dict[str, Any]] = []
        for start in range(0, len(names), FILES_A_CALL):
            batch = names[start : start + FILES_A_CALL]
            try:
                found += self._read_batch(options, batch, as_text=as_text)
            except _Unanswered:
                # One of them stops ExifTool: find out which, so that the others are read.
                for name in batch:
                    try:
                        found += self._read_batch(options, [name], as_text=as_text)
                    except _Unanswered:
                        error = _UNANSWERED.format(seconds=self._seconds)
                        found.append({"SourceFile": name, "ExifTool:Error": error})
        return found

    def _read_batch(self, options: Sequence[str], names: Sequence[str], *, as_text: bool) -> list[dict[str, Any]]:
        printed, complaint = self._execute([*options, *names])
        numbers: dict[str, Any] = {"parse_int": str, "parse_float": str} if as_text else {}
        rows: list[dict[str, Any]] = json.loads(printed, **numbers) if printed.strip() else []
        by_name = {str(row["SourceFile"]): row for row in rows}
        missing = complaint.splitlines()[0] if complaint else "ExifTool printed nothing about it."
        return [by_name.get(name) or {"SourceFile": name, "ExifTool:Error": missing} for name in names]

    def write(self, path: Path, tags: Mapping[str, TagValue]) -> None:
        """Write tags into a file of ours; the file is replaced whole, or left as it was.

        Parameters
        ----------
        path : of a file that glassine made
        tags : "GROUP:Tag" to value; values are codes, never interpreted; None deletes ("GPS:all": None)

        Raises
        ------
        CallError
            W001: a path or tag that could be taken for a command; a value or tag that ExifTool warns about.
        VolumeError
            V003: ExifTool could not write the file, or did not answer.
        """
        _checked_path(path)
        # ExifTool changes a copy beside, since a warning comes after the file was changed. Its own -o is of no use: in
        # the name of an output file % begins a format code, and cannot be escaped.
        partial = path.with_name(f".{path.stem}.partial{path.suffix}")
        leftover = partial.with_name(f"{partial.name}_exiftool_tmp")
        # The toolkit's name and version say nothing about the picture, and would change its bytes with every update.
        arguments = ["-E", "-q", "-overwrite_original", "-XMP-x:XMPToolkit="]
        for tag, value in tags.items():
            arguments += _assignments(_checked_tag(tag), value)
        name = _checked_path(partial)
        try:
            leftover.unlink(missing_ok=True)
            shutil.copyfile(path, partial)
            _, complaint = self._execute([*arguments, name])
            lines = [line.replace(f" - {name}", "") for line in complaint.splitlines()]
            errors = [line for line in lines if line.startswith("Error")]
            if errors:
                raise VolumeError("V003", f"{path}: ExifTool could not write its metadata: {errors[0]}", details=errors)
            if lines:
                raise CallError("W001", f"{path}: ExifTool does not take this metadata: {lines[0]}", details=lines)
            partial.replace(path)
        except _Unanswered:
            raise VolumeError(
                "V003", f"{path}: {_UNANSWERED.format(seconds=self._seconds)} Run the same command again."
            ) from None
        except OSError as error:
            raise VolumeError("V003", f"{path}: its metadata could not be written: {error}") from error
        finally:
            partial.unlink(missing_ok=True)
            leftover.unlink(missing_ok=True)


def _checked_path(path: Path) -> str:
    """Absolute path as text, refused when ExifTool or its command stream could take it for anything but a file name."""
    name = str(path)
    if name.startswith(("-", "@", "#")) or name.endswith("|") or not all(character.isprintable() for character in name):
        raise CallError(
            "W001",
            f"{name!r} is no path to give to ExifTool: it holds a control character, ends in a bar, or begins like an "
            "option. Rename the file, or read the copy in custody, whose name is ours.",
        )
    return str(path.absolute())


def _checked_tag(tag: str) -> str:
    if not _TAG.fullmatch(tag):
        raise CallError("W001", f"{tag!r} is no name of a metadata tag; write it as GROUP:Tag.")
    return tag


def _assignments(tag: str, value: TagValue) -> list[str]:
    if value is None:
        return [f"-{tag}="]
    values = [value] if isinstance(value, str | int | float) else list(value)
    # An empty assignment first: a list replaces what was there.
    return [f"-{tag}=", *(f"-{tag}={_escaped(str(item))}" for item in values)] if values else [f"-{tag}="]


def _escaped(value: str) -> str:
    """Every character but plain letters, digits and inner spaces as a numeric entity (ExifTool's -E)."""
    return re.sub(r"[^A-Za-z0-9 ]|^ | $", lambda found: f"&#{ord(found[0])};", value)
