"""Prefect's environment: ours, whoever starts a command and wherever."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from glassine.flows.prefect_environment import prefect_home, run_flow, set_environment

PROBE = """
import os, sys
from glassine.flows.prefect_environment import set_environment
set_environment(*sys.argv[1:])
import prefect.settings as settings
current = settings.get_current_settings()
print(current.home)
print(current.server.analytics_enabled)
print(current.api.url)
print(current.results.persist_by_default)
print(current.results.default_serializer)
print(current.server.api.cors_allowed_origins)
"""


@pytest.fixture
def probe(tmp_path: Path) -> Callable[..., list[str]]:
    """What Prefect itself says its settings are, in a fresh process with the user's own settings against us."""
    hostile = tmp_path / "prefect.toml"
    hostile.write_text("[server]\nanalytics_enabled = true\n", encoding="utf-8")

    def ask(*words: str, **variables: str) -> list[str]:
        kept = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
        environment = {**kept, "XDG_CACHE_HOME": str(tmp_path / "cache"), **variables}
        asked = subprocess.run(
            [sys.executable, "-c", PROBE, *words], cwd=tmp_path, env=environment, capture_output=True, text=True
        )
        assert asked.returncode == 0, asked.stderr
        return asked.stdout.splitlines()

    return ask


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="the XDG folder is looked at")
def test_home_is_our_own_and_nothing_calls_out(probe: Callable[..., list[str]], tmp_path: Path) -> None:
    home, analytics, url, persisted, serializer, origins = probe(PREFECT_API_URL="http://127.0.0.1:9/api")
    assert Path(home) == tmp_path / "cache" / "glassine" / "prefect"
    assert Path(home).is_dir()
    assert analytics == "False"
    assert url == "None", "a user's own server is not used unless the studio says so"
    assert (persisted, serializer) == ("False", "json")
    assert origins == "http://127.0.0.1"


def test_server_of_the_studio_is_used(probe: Callable[..., list[str]]) -> None:
    assert probe("http://127.0.0.1:8/api", PREFECT_API_URL="http://127.0.0.1:9/api")[2] == "http://127.0.0.1:8/api"


def test_home_that_is_set_is_respected(probe: Callable[..., list[str]], tmp_path: Path) -> None:
    assert probe(PREFECT_HOME=str(tmp_path / "elsewhere"))[0] == str(tmp_path / "elsewhere")


def test_setting_it_too_late_is_our_own_mistake(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "prefect", sys)
    monkeypatch.delenv("PREFECT_HOME")
    with pytest.raises(RuntimeError, match="before Prefect is imported"):
        set_environment()
    assert "PREFECT_HOME" not in os.environ


def test_home_lies_in_the_cache_folder_of_the_user(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA", "HOME"):
        monkeypatch.setenv(name, str(tmp_path))
    assert prefect_home().is_relative_to(tmp_path)


@pytest.mark.usefixtures("flow_engine")
def test_flow_runs_in_this_process_and_gives_its_errors_back() -> None:
    from prefect import flow

    @flow(name="probe")
    def add(first: int, second: int) -> int:
        if second < 0:
            raise ValueError(f"{os.getpid()}")
        return first + second

    assert run_flow(add, first=2, second=3) == 5
    with pytest.raises(ValueError, match=str(os.getpid())):
        run_flow(add, first=2, second=-1)
