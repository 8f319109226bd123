"""The command line: words in, sentences or one JSON document out, and one table of exit statuses."""

from __future__ import annotations

import getpass
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows import cli
from glassine.flows.cli import main
from glassine.flows.cli_common import frame_numbers, volume_pairs
from glassine.flows.studio import Studio
from glassine.schemas.errors import CallError
from glassine.schemas.manifest import Manifest
from glassine.schemas.validation import Document

JOB, CLIENT = "2611-04", "Sorrel Lane Instruments"
Call = Callable[..., tuple[int, Document, str]]


@pytest.fixture
def call(capfd: pytest.CaptureFixture[str]) -> Call:
    """Run a command with --json; returns the exit status, the one document on stdout, and what stderr says."""

    def run(*words: str) -> tuple[int, Document, str]:
        capfd.readouterr()
        status = main([*words, "--json"])
        out, err = capfd.readouterr()
        document = json.loads(out)
        assert out.count("\n") == 1, "nothing but one JSON document stands on stdout"
        assert document["status"] == status
        assert document["ok"] is (status == 0)
        return status, document, err

    return run


@pytest.mark.parametrize("option", ["--client", "--title", "--by"])
def test_bytes_that_are_no_utf_8_are_one_sentence(call: Call, option: str) -> None:
    status, document, _ = call("job", "open", JOB, option, "caf\udce9")
    assert (status, document["error"]) == (2, "W001")
    assert "is no UTF-8" in document["sentence"]


def test_without_words_it_shows_help_and_says_that_was_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "Takes a shoot from the card to the client" in capsys.readouterr().out
    assert main(["--help"]) == 0


@pytest.mark.parametrize(
    "words",
    [
        ["develop"],
        ["status", "--colour"],
        ["ingest"],
        ["job", "open"],
        ["studio", "new", "x"],
        ["studio", "new", "x", "--volume"],
        ["completion", "tcsh"],
        ["proof", "1", "2"],
        ["studio", "new", "x", "--volume", "working"],
        ["studio", "new", "x", "--volume", "=path"],
    ],
)
def test_wrong_words_are_status_2(
    words: list[str], call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status, document, _ = call(*words)
    assert (status, document["error"]) == (2, "W001")
    assert "\n" not in document["sentence"]
    assert document["errors"]
    assert list(tmp_path.iterdir()) == []


def test_wrong_words_for_a_person_are_one_line_on_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["develop"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("glassine: ")
    assert err.endswith("[W001]\n")
    assert err.count("\n") == 1


def test_no_studio_is_status_2(call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for words in (["status"], ["audit"], ["job", "list"], ["proof", JOB]):
        status, document, _ = call(*words)
        assert (status, document["error"]) == (2, "W002")


def test_studio_and_jobs_from_nothing(call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    status, made, _ = call("studio", "new", "st", "--volume", "working=w", "--volume", "backup=b")
    assert (status, made["volumes"]) == (0, ["working", "backup"])
    assert Path(made["studio"]) == tmp_path / "st"
    assert (tmp_path / "w" / "glassine-volume.json").is_file(), "paths on the command line count from where one stands"
    assert call("studio", "new", "st", "--volume", "working=w")[1]["error"] == "W003"
    monkeypatch.chdir(tmp_path / "st")
    assert call("job", "list")[1]["jobs"] == []
    assert call("verify")[1]["said"] == ["No job yet."]
    sheet = call("job", "sheet")[1]["sheet"]
    (tmp_path / "sheet.json").write_text(json.dumps(sheet), encoding="utf-8")
    status, opened, _ = call("job", "open", sheet["job"], "--sheet", "../sheet.json", "--by", "Tove Abel")
    assert (status, opened["job"]) == (0, sheet["job"])
    assert call("job", "sheet", sheet["job"])[1]["sheet"] == sheet
    assert call("job", "open", "2612-01", "--client", "Ada Quill", "--title", "Ada")[0] == 0
    assert [row["job"] for row in call("job", "list")[1]["jobs"]] == [sheet["job"], "2612-01"]
    assert [job["job"] for job in call("status")[1]["jobs"]] == [sheet["job"], "2612-01"]
    status, unknown, _ = call("status", "2612-99")
    assert (status, unknown["error"]) == (2, "W002")


def test_sheet_that_is_printed_for_a_person_is_the_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["job", "sheet"]) == 0
    assert json.loads(capsys.readouterr().out)["format"] == 1


def test_reading_commands_answer(call: Call, at: Callable[[str], Studio]) -> None:
    where = ["--studio", str(at("delivered").folder)]
    assert call("status", JOB, *where)[1]["stages"] == {"out": 1, "held": 1, "delivered": 2}
    assert len(call("audit", "--client", CLIENT, *where)[1]["deliveries"]) == 2
    assert call("retouch", "list", JOB, *where)[1]["retouches"][0]["state"] == "accepted"
    status, document, _ = call("audit", "--file", __file__, *where)
    assert (status, document["owners"]) == (1, [])
    status, document, _ = call("audit", "--file", "x", "--client", "y", *where)
    assert (status, document["error"]) == (2, "W001")
    status, document, _ = call("audit", "--file", "/nowhere/at/all", *where)
    assert (status, document["error"]) == (3, "V004")


def test_damaged_record_is_status_1_for_reader_and_writer(call: Call, at: Callable[[str], Studio]) -> None:
    studio = at("proofed")
    entry = studio.job_folder(JOB) / "record" / "00000004.json"
    (studio.job_folder(JOB) / "manifest.json").unlink()
    entry.unlink()
    where = ["--studio", str(studio.folder)]
    for words in (["status", JOB], ["verify", JOB], ["job", "block", JOB, "0001", "--reason", "x"]):
        status, document, _ = call(*words, *where)
        assert status == 1, words
        assert "Entry 4 " in document["sentence"]
    status, document, _ = call("audit", *where)
    assert status == 1
    assert "Entry 4 " in document["problems"][0]


def test_flow_commands_say_one_document_too(
    call: Call, at: Callable[[str], Studio], card: Path, manifest_of: Callable[..., Manifest]
) -> None:
    studio = at("opened")
    where = ["--studio", str(studio.folder), "--by", "Tove Abel"]
    assert call("ingest", JOB, str(card), "--set-up", "window", *where)[1]["frames"][-1] == "0004"
    assert call("job", "set-up", JOB, "bench", "1-2", "SIMU0004", *where)[0] == 0
    assert [frame["set_up"] for frame in manifest_of(studio).frames] == ["bench", "bench", "window", "bench"]
    assert call("verify", JOB, *where)[1]["bad"] == []
    status, marked, _ = call("selects", "mark", JOB, "--sidecars", "--round", "first", *where)
    assert (status, marked["counts"]["select"]) == (0, 1)
    assert call("selects", "mark", JOB, "0001,", "hold", "0003", "--round", "first", *where)[1]["counts"] == {
        "select": 1,
        "hold": 1,
        "out": 0,
    }
    for listed in (["0001", "hold 0003"], ["0001 0001"], ["hold", "0003"]):
        assert call("selects", "mark", JOB, *listed, "--round", "first", *where)[0] == 0, listed
    status, both, _ = call("selects", "mark", JOB, "0001", "--sidecars", "--round", "first", *where)
    assert (status, both["error"]) == (2, "W001")
    assert call("selects", "close", JOB, "--round", "first", *where)[1]["selects"] == ["0001", "0002"]
    status, late, _ = call("selects", "mark", JOB, "0003", "--round", "first", *where)
    assert (status, late["error"]) == (2, "W004")
    assert call("job", "block", JOB, "0003", "--reason", "no release", *where)[1]["blocked"] is True
    assert call("job", "block", JOB, "0003", "--reason", "came", "--lift", *where)[1]["blocked"] is False
    (backup,) = studio.backups()[0]
    next((backup.job_folder(JOB) / "originals").rglob("*.DNG")).unlink()
    status, document, _ = call("verify", *where)
    (only,) = document["jobs"]  # without a number it is all jobs, one or many
    assert (status, len(only["bad"])) == (1, 1)
    status, document, _ = call("verify", JOB, "--repair", *where)
    assert (status, len(document["mended"])) == (0, 1)
    backup.root.rename(backup.root.with_name("unplugged"))
    status, document, _ = call("verify", *where)
    assert status == 3
    assert any("backup is absent" in problem for problem in document["problems"])


def test_refused_delivery_is_status_1_with_every_cause(call: Call, at: Callable[[str], Studio]) -> None:
    studio = at("graded")
    status, document, _ = call("deliver", JOB, "--to", CLIENT, "--studio", str(studio.folder))
    assert (status, document["error"], len(document["errors"])) == (1, "L001", 4)


def test_interruption_is_status_130(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stop(*words: object, **named: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "app", stop)
    assert main(["status"]) == 130
    assert "run the same command again to go on" in capsys.readouterr().err


def test_frame_numbers_as_people_write_them(at: Callable[[str], Studio]) -> None:
    studio = at("ingested")
    assert frame_numbers(studio, JOB, ["1-2", "SIMU0004"]) == [1, 2, 4]
    with pytest.raises(CallError, match="names 2 frames; one is wanted"):
        frame_numbers(studio, JOB, ["0001-0002"], one=True)
    with pytest.raises(CallError) as unknown:
        frame_numbers(studio, JOB, ["0008", "SIMU0077"])
    assert all(word in str([unknown.value.sentence, unknown.value.details]) for word in ("0008", "SIMU0077"))


def test_volumes_keep_what_stands_after_the_first_equals_sign(tmp_path: Path) -> None:
    assert volume_pairs([f"a={tmp_path}/x=y"]) == [("a", f"{tmp_path}/x=y")]


@pytest.mark.parametrize("words", [["status"], ["status", JOB], ["audit", "--client", CLIENT], ["job", "list"]])
def test_what_only_reads_loads_neither_flow_engine_nor_picture_libraries(
    words: list[str], at: Callable[[str], Studio]
) -> None:
    code = (
        "import sys; from glassine.flows.cli import main; status = main(sys.argv[1:]); "
        "print([name for name in ('prefect', 'numpy', 'rawpy', 'PIL', 'reportlab', 'jsonschema') if name in sys.modules], "
        "file=sys.stderr); sys.exit(status)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words, "--studio", str(at("delivered").folder), "--json"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == "[]\n"
    assert json.loads(done.stdout)["ok"]


def test_default_name_is_the_one_logged_in_with(at: Callable[[str], Studio]) -> None:
    assert at("opened").who(None) == getpass.getuser()
