"""The demo, played on small pictures: every act comes out as it is told, it can be gone on with, and pauses."""

from __future__ import annotations

import io
import itertools
import json
from pathlib import Path

import pytest

from glassine.flows import demo
from glassine.flows.demo_people import CLIENT, HERO_FRAME, JOB, MUSEUM, REFUSED_FRAME, SELECTS, SITTER
from glassine.schemas.errors import CallError
from glassine.schemas.job_record import JobRecord, check_chain
from glassine.schemas.manifest import Manifest
from glassine.schemas.stage import outcome_of

SIZE = (480, 720)


@pytest.fixture(scope="module")
def played(flow_engine: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "demo"
    outcome = demo.play(folder, quiet=True, size_px=SIZE)
    assert outcome["ok"]
    assert all(Path(path).exists() for path in outcome["open"].values()), outcome["open"]
    return folder


def manifest_of(folder: Path) -> Manifest:
    return JobRecord(folder / "volumes" / "working" / JOB).manifest()


def test_the_cards_hold_what_was_planted(played: Path) -> None:
    manifest = manifest_of(played)
    assert len(manifest.frames) == 30
    assert [frame["frame"] for frame in manifest.frames if frame["undecodable"]] == [25]
    counters = [frame["counter"] for frame in manifest.frames]
    assert (9999, 1) in list(itertools.pairwise(counters)), "the counter rolls over"
    assert len(manifest.frame(15)["seen"]) == 2, "a duplicate on the second card"
    assert {frame["set_up"] for frame in manifest.frames} == {"bench", "window", "white"}


def test_the_cards_are_home_and_the_clock_is_put_right(played: Path) -> None:
    manifest = manifest_of(played)
    assert {name: card["state"] for name, card in manifest.document["cards"].items()} == {
        "A1": "taken_in",
        "A2": "taken_in",
    }
    first = manifest.frame(1)
    assert (first["captured"][11:19], first["taken"][11:19]) == ("14:03:20", "14:03:57")
    (carrier,) = manifest.document["carriers"].values()
    assert carrier["person"]


def test_the_retouch_goes_as_it_is_told(played: Path) -> None:
    hero = manifest_of(played).frame(HERO_FRAME)
    assert [[outcome_of(back) for back in retouch["take_backs"]] for retouch in hero["rounds"]] == [
        ["refused"], ["rejected"], ["accepted"],
    ]  # fmt: skip
    assert [fault["kind"] for fault in hero["rounds"][0]["take_backs"][0]["faults"]] == ["note undone"]
    assert hero["rounds"][1]["take_backs"][0]["to_review"]
    causes = [retouch["brief"]["cause"] and retouch["brief"]["cause"]["why"] for retouch in hero["rounds"]]
    assert causes == [None, "missed note", "client's change"]
    assert len(hero["rounds"][0]["brief"]["notes"]) == 5
    current = [final for final in hero["finals"] if not final["stale"]]
    assert {(final["final"], final["round"]) for final in current} == {("print", 3), ("colour", 3)}
    assert all(final["frames"] == [HERO_FRAME, HERO_FRAME + 1] for final in hero["finals"])


def test_what_was_refused_left_nowhere_and_everybody_has_theirs(played: Path) -> None:
    manifest = manifest_of(played)
    deliveries = manifest.document["deliveries"]
    sent = {(d["client"], file["frame"]) for d in deliveries for file in d["files"]}
    assert {frame for _, frame in sent} == set(SELECTS)
    assert REFUSED_FRAME not in {frame for _, frame in sent}
    assert {client for client, _ in sent} == {CLIENT, MUSEUM, SITTER}
    assert {frame for client, frame in sent if client == SITTER} == {HERO_FRAME}
    assert len({d["licence"]["terms"] for d in deliveries}) == 3
    assert check_chain(played / "volumes" / "working" / JOB) == []


def test_it_is_gone_on_with_and_nothing_changes(played: Path) -> None:
    before = manifest_of(played).head
    demo.play(played, quiet=True, size_px=SIZE)
    assert manifest_of(played).head == before


def test_pausing_waits_for_enter_between_the_acts(
    played: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    acts = json.loads((played / demo.ACTS).read_bytes())
    (played / demo.ACTS).write_text(json.dumps(acts[4:]), encoding="utf-8")  # the first four find their work done
    keys = io.StringIO("\n" * 3)
    monkeypatch.setattr("sys.stdin", keys)
    before = manifest_of(played).head
    demo.play(played, pause=True, size_px=SIZE)
    told = capsys.readouterr().err
    assert told.count("(Enter for the next act)") == 4
    assert keys.read() == "", "it waited for each, and went on without anybody there"
    assert manifest_of(played).head == before


def test_a_folder_of_something_else_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "holiday.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(CallError, match="is no demo of this version"):
        demo.play(tmp_path, quiet=True)
    assert [path.name for path in tmp_path.iterdir()] == ["holiday.txt"]
