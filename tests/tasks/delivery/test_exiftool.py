"""ExifTool as we call it; pyexiv2 (Exiv2) is the second reader."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pyexiv2
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from glassine.schemas.errors import CallError, VolumeError
from glassine.tasks.delivery.exiftool import ExifTool


@pytest.fixture(scope="module")
def exif() -> Iterator[ExifTool]:
    with ExifTool() as program:
        yield program


def _jpeg(path: Path) -> Path:
    Image.new("RGB", (16, 12), (200, 120, 90)).save(path)
    return path


@settings(
    deadline=None,
    max_examples=30,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
# What XML 1.0 cannot hold (controls, surrogates, non-characters) is left out.
@given(text=st.text(st.characters(exclude_categories=("Cs", "Cc", "Cn", "Co")), min_size=1, max_size=40))
def test_any_text_comes_back_from_two_readers(exif: ExifTool, tmp_path: Path, text: str) -> None:
    path = _jpeg(tmp_path / "any.jpg")
    exif.write(path, {"XMP-dc:Source": f"[{text}]"})
    assert exif.read([path], ["XMP-dc:Source"])[0]["XMP-dc:Source"] == f"[{text}]"
    with pyexiv2.Image(str(path)) as second:
        assert second.read_xmp()["Xmp.dc.source"] == f"[{text}]"


def test_a_newline_in_a_value_is_no_command(exif: ExifTool, tmp_path: Path) -> None:
    path = _jpeg(tmp_path / "line.jpg")
    exif.write(path, {"XMP-dc:Description": "one\n-XMP-dc:Source=two\n-execute\n"})
    row = exif.read([path], ["XMP-dc:all"])[0]
    assert row["XMP-dc:Description"].startswith("one\n-XMP-dc:Source=two\n-execute")
    assert "XMP-dc:Source" not in row


@pytest.mark.parametrize(
    "name", ["a\nb.jpg", "-ver", "@x.jpg", "#x.jpg", "a\x1b.jpg", "echo x |", "a\u2028.jpg", "a\udcff"]
)
def test_a_path_that_could_be_a_command_is_refused(exif: ExifTool, name: str) -> None:
    for call in (lambda: exif.read([Path(name)], ["IFD0:Make"]), lambda: exif.write(Path(name), {"IFD0:Make": "x"})):
        with pytest.raises(CallError) as refused:
            call()
        assert refused.value.code == "W001"


@pytest.mark.parametrize("tag", ["", "IFD0:Make=x", "IFD0:Make\n-ver", "Make<Model", "XMP-dc:Creator+", "a b"])
def test_a_tag_that_could_be_a_command_is_refused(exif: ExifTool, tmp_path: Path, tag: str) -> None:
    with pytest.raises(CallError):
        exif.write(_jpeg(tmp_path / "x.jpg"), {tag: "x"})


def test_lists_numbers_and_deletion(exif: ExifTool, tmp_path: Path) -> None:
    # In the name of a file that ExifTool writes, %d would be a format code.
    path = _jpeg(tmp_path / "100%d ü.jpg")
    exif.write(path, {"XMP-dc:Subject": ["oak", "brass"], "IFD0:Orientation": 6, "XMP-dc:Source": "x"})
    exif.write(path, {"XMP-dc:Subject": ["oak", "glue"], "XMP-dc:Source": None})
    row = exif.read([path], ["XMP-dc:all", "IFD0:Orientation", "XMP-x:XMPToolkit"])[0]
    assert row["XMP-dc:Subject"] == ["oak", "glue"]
    assert row["IFD0:Orientation"] == 6
    assert "XMP-dc:Source" not in row
    assert "XMP-x:XMPToolkit" not in row
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("tags", "error"),
    [
        ({"XMP-dc:NoSuchTag": "x"}, CallError),
        ({"IPTC:By-line": "x" * 33}, CallError),
        ({"IFD0:Orientation": 70000}, CallError),
    ],
)
def test_what_exiftool_warns_about_leaves_the_file_alone(
    exif: ExifTool, tmp_path: Path, tags: dict[str, str | int], error: type[Exception]
) -> None:
    path = _jpeg(tmp_path / "kept.jpg")
    before = path.read_bytes()
    with pytest.raises(error, match=r"kept\.jpg"):
        exif.write(path, {"XMP-dc:Source": "good", **tags})
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["kept.jpg"]


def test_a_file_that_cannot_be_written_or_is_not_there(exif: ExifTool, tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("no picture")
    for path in (text, tmp_path / "absent.jpg"):
        with pytest.raises(VolumeError) as refused:
            exif.write(path, {"XMP-dc:Source": "x"})
        assert refused.value.code == "V003"
    assert text.read_text() == "no picture"


def test_reading_keeps_the_order_and_names_what_failed(exif: ExifTool, tmp_path: Path) -> None:
    paths = [_jpeg(tmp_path / f"{number}.jpg") for number in range(3)]
    rubbish = tmp_path / "rubbish.jpg"
    rubbish.write_bytes(b"\x00" * 100)
    asked = [paths[2], rubbish, tmp_path / "absent.jpg", paths[0]]
    rows = exif.read(asked, ["File:ImageWidth"])
    assert [Path(row["SourceFile"]) for row in rows] == asked
    assert [row.get("File:ImageWidth") for row in rows] == [16, None, None, 16]
    assert ["ExifTool:Error" in row for row in rows] == [False, True, True, False]


def test_numbers_as_text(exif: ExifTool, tmp_path: Path) -> None:
    path = _jpeg(tmp_path / "serial.jpg")
    exif.write(path, {"ExifIFD:SerialNumber": "1E999"})
    assert exif.read([path], ["ExifIFD:SerialNumber"], as_text=True)[0]["ExifIFD:SerialNumber"] == "1E999"


HANGING = f"""#!{sys.executable}
import json, sys, time
arguments = []
for line in sys.stdin:
    if not line.startswith("-execute"):
        arguments.append(line.strip())
        continue
    if arguments[0] == "-stay_open":
        break
    names = [argument for argument in arguments if argument.endswith(".jpg")]
    if any(name.endswith("hangs.jpg") for name in names):
        time.sleep(600)
    number = line.strip().removeprefix("-execute")
    print("12.57" if not names else json.dumps([{{"SourceFile": name, "good": 1}} for name in names]))
    print("{{ready" + number + "}}", flush=True)
    print("=0=post" + number, file=sys.stderr, flush=True)
    arguments = []
"""


@pytest.mark.skipif(sys.platform == "win32", reason="a script with a first line that names its interpreter")
def test_a_file_that_hangs_costs_only_itself(tmp_path: Path) -> None:
    """A program of ours stands in for an ExifTool that a file has sent into an endless loop; none of 12.57 is known."""
    program = tmp_path / "hanging"
    program.write_text(HANGING)
    program.chmod(0o755)
    paths = [tmp_path / name for name in ("good.jpg", "hangs.jpg", "late.jpg")]
    with ExifTool(seconds=0.7, executable=str(program)) as exif:
        rows = exif.read(paths, ["File:ImageWidth"])
    assert [row.get("good") for row in rows] == [1, None, 1]
    assert "did not answer" in rows[1]["ExifTool:Error"]


def test_a_program_that_died_is_started_again(tmp_path: Path) -> None:
    path = _jpeg(tmp_path / "x.jpg")
    with ExifTool() as program:
        process = program._program._process
        process.kill()
        process.wait()
        assert program.read([path], ["File:ImageWidth"])[0]["File:ImageWidth"] == 16


def test_a_missing_program_is_named() -> None:
    with (
        pytest.raises(VolumeError, match="apt install libimage-exiftool-perl") as missing,
        ExifTool(executable="no-such-exiftool"),
    ):
        pass
    assert missing.value.code == "V005"


def test_a_program_that_is_none_is_named() -> None:
    with pytest.raises(VolumeError) as other, ExifTool(executable=sys.executable):
        pass
    assert other.value.code == "V005"


def test_the_users_configuration_is_not_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ran = tmp_path / "ran"
    (tmp_path / ".ExifTool_config").write_text(f'open(my $f, ">", "{ran.as_posix()}"); 1;')
    for name in ("EXIFTOOL_HOME", "HOME"):
        monkeypatch.setenv(name, str(tmp_path))
    with ExifTool() as program:
        major, _, minor = program.version().partition(".")
    assert (int(major), int(minor)) >= (12, 15)
    assert not ran.exists()
