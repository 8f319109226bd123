"""The studio: made, found and read; a wrong setting is named with its place."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.studio import SETTINGS, VARIABLE, Studio, add_volume, find_studio, make_studio, read_studio
from glassine.schemas.errors import CallError, DocumentError, VolumeError
from glassine.schemas.validation import read_document


def test_new_studio_is_valid_and_its_volumes_know_who_they_are(studio: Studio) -> None:
    assert studio.name == "Test Studio"
    names = [settings["name"] for settings in studio.settings["volumes"]]
    assert names == ["working", "backup"]
    for settings in studio.settings["volumes"]:
        identity = json.loads((studio.volume_root(settings) / "glassine-volume.json").read_text("utf-8"))
        assert identity["volume"] == settings["volume"]
    for kind, schema in (("looks", "look"), ("specifications", "delivery_specification")):
        shipped = sorted((studio.folder / kind).glob("*.json"))
        assert shipped
        for path in shipped:
            assert read_document(path, schema)["name"] == path.stem
    assert (studio.folder / SETTINGS).read_text("utf-8").count("#") > 10, "the settings are explained where they stand"


def test_studio_is_found_by_name_then_variable_then_parent_folder(
    studio: Studio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = make_studio(tmp_path / "other", [("only", str(tmp_path / "only"))])
    inside = studio.folder / "deep" / "inside"
    inside.mkdir(parents=True)
    monkeypatch.chdir(inside)
    assert find_studio(None).folder == studio.folder
    monkeypatch.setenv(VARIABLE, str(other.folder))
    assert find_studio(None).folder == other.folder
    assert find_studio(str(studio.folder)).folder == studio.folder
    assert find_studio("../..").folder.samefile(studio.folder)


def test_no_studio_is_said_with_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(CallError, match="glassine studio new FOLDER") as nowhere:
        find_studio(None)
    with pytest.raises(CallError, match=r"is no studio: it holds no studio\.toml") as named:
        find_studio(str(tmp_path))
    assert (nowhere.value.code, named.value.code) == ("W002", "W002")


def test_second_studio_in_one_folder_is_refused(studio: Studio, contents: Callable[[Path], dict[str, str]]) -> None:
    before = contents(studio.folder.parent)
    with pytest.raises(CallError) as refused:
        make_studio(studio.folder, [("w", str(studio.folder / "w"))])
    assert refused.value.code == "W003"
    assert contents(studio.folder.parent) == before


@pytest.mark.parametrize(
    "volumes",
    [
        [("disk", "a"), ("Disk", "b")],
        [("one", "a"), ("two", "./b/../a")],
    ],
    ids=["one name", "one place"],
)
def test_volumes_need_a_name_and_a_place_of_their_own(tmp_path: Path, volumes: list[tuple[str, str]]) -> None:
    with pytest.raises(CallError) as refused:
        make_studio(tmp_path / "studio", volumes)
    assert refused.value.code == "W001"
    assert list(tmp_path.iterdir()) == []


def test_unwritable_names_are_refused_before_anything_is_made(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match=r"volumes\[1\]\.name"):
        make_studio(tmp_path / "studio", [("a/b", "a")])
    assert list(tmp_path.iterdir()) == []


def test_file_in_the_way_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("here already\n", encoding="utf-8")
    with pytest.raises(VolumeError) as volume:
        make_studio(tmp_path / "studio", [("w", str(tmp_path / "file"))])
    with pytest.raises(VolumeError) as folder:
        make_studio(tmp_path / "file", [("w", str(tmp_path / "w"))])
    assert (volume.value.code, folder.value.code) == ("V003", "V003")
    assert (tmp_path / "file").read_text("utf-8") == "here already\n"


def test_wrong_setting_is_named_with_its_place(studio: Studio) -> None:
    path = studio.folder / SETTINGS
    settings = path.read_text("utf-8")
    for wrong, place in (
        (settings.replace("change_threshold = 1.0", "change_threshold = 0"), r"retouch\.change_threshold"),
        (settings.replace("[retouch]", "[retuch]"), r"'retuch' has no place here"),
        (settings.replace("format = 1", "format = 9"), "format is 9|at format"),
        (settings + "\nname =", "is not TOML"),
    ):
        assert wrong != settings
        path.write_text(wrong, encoding="utf-8")
        with pytest.raises(DocumentError, match=place) as refused:
            read_studio(studio.folder)
        assert str(path) in str(refused.value)
        assert refused.value.exit_status == 2


def test_other_disk_at_a_volumes_place_is_noticed(studio: Studio) -> None:
    roots = [studio.volume_root(settings) for settings in studio.settings["volumes"]]
    for root in roots:
        root.rename(root.with_name(root.name + "-moved"))
    roots[0].with_name("working-moved").rename(roots[1])
    roots[1].with_name("backup-moved").rename(roots[0])
    with pytest.raises(VolumeError, match="another disk is mounted there") as swapped:
        studio.working_volume()
    assert (swapped.value.code, swapped.value.exit_status) == ("V002", 3)
    present, absent = studio.backups()
    assert present == []
    assert [error.code for error in absent] == ["V002"]


def test_whoever_is_named_first_counts(studio: Studio) -> None:
    assert studio.who("Imre Falk") == "Imre Falk"
    assert Studio(studio.folder, {**studio.settings, "person": "Tove Abel"}).who(None) == "Tove Abel"


def test_quotes_and_controls_in_a_name_survive_the_settings_file(tmp_path: Path) -> None:
    name = 'Studio "Nord" \\ Süd'
    assert make_studio(tmp_path / "studio", [("w", str(tmp_path / "w"))], name=name).name == name


@pytest.mark.parametrize("path", ["sftp://vault@server.example/frames", "SFTP://server.example:2222/frames"])
def test_a_server_is_added_afterwards_since_its_key_is_looked_at_first(tmp_path: Path, path: str) -> None:
    with pytest.raises(CallError, match="studio add-volume vault=") as refused:
        make_studio(tmp_path / "studio", [("working", str(tmp_path / "w")), ("vault", path)])
    assert refused.value.code == "W001"
    assert list(tmp_path.iterdir()) == []


def test_a_server_is_no_working_volume_and_needs_its_key(studio: Studio) -> None:
    path = studio.folder / SETTINGS
    settings = path.read_text("utf-8")
    key = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIIaCbqlesbbU0d6X+QrzzzIGJHUxtI7M9Vpjg2pJW+R2"
    at_server = settings.replace('path = "../volumes/working"', 'path = "sftp://server.example/frames"')
    path.write_text(at_server, encoding="utf-8")
    with pytest.raises(DocumentError, match="host_key"):
        read_studio(studio.folder)
    path.write_text(at_server.replace("/frames", f'/frames"\nhost_key = "{key}', 1), encoding="utf-8")
    with pytest.raises(VolumeError, match="jobs are worked at in a folder") as refused:
        read_studio(studio.folder).working_volume()
    assert (refused.value.code, refused.value.exit_status) == ("W001", 2)
    path.write_text(settings + '\n[[volumes]]\nname = "x"\npath = "sftp://h/f"\nhost_key = "none"\n', encoding="utf-8")
    with pytest.raises(DocumentError, match="host_key"):
        read_studio(studio.folder)


def test_medium_and_site_go_into_the_identity_and_one_volume_is_added_once(studio: Studio, tmp_path: Path) -> None:
    made = add_volume(studio, "third", str(tmp_path / "third"), medium="disk 3", site="home")
    assert (made.medium, made.site) == ("disk 3", "home")
    settings = (studio.folder / SETTINGS).read_bytes()
    (tmp_path / "third").rename(tmp_path / "moved")
    with pytest.raises(CallError, match="has already") as refused:
        add_volume(read_studio(studio.folder), "fourth", str(tmp_path / "moved"))
    assert refused.value.code == "W003"
    assert (studio.folder / SETTINGS).read_bytes() == settings
