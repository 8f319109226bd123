"""The one place that sets Prefect's environment; imported before Prefect is.

Settings in files are read by Prefect only from the current directory, so a program that is started anywhere sets them
itself (measured: shared notes on Prefect 3.9).
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any


def prefect_home() -> Path:
    """A home of our own for Prefect's runs, in the user's cache folder; nothing in it is needed."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    return base / "glassine" / "prefect"


def set_environment(api_url: str | None = None) -> None:
    """Set Prefect's environment: own home, no analytics, no outgoing call, no pickled results, quiet.

    `api_url` is the server that the studio's settings name; without one the user's own PREFECT_API_URL is taken
    away, so that no command reaches a server that the studio did not choose.
    """
    if "prefect" in sys.modules and "PREFECT_HOME" not in os.environ:
        raise RuntimeError("set_environment must run before Prefect is imported")
    settings = {
        "PREFECT_HOME": str(prefect_home()),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "PREFECT_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_SERVER_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
        "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
        "PREFECT_RESULTS_PERSIST_BY_DEFAULT": "false",
        "PREFECT_RESULTS_DEFAULT_SERIALIZER": "json",
        "PREFECT_SERVER_CORS_ALLOWED_ORIGINS": "http://127.0.0.1",
        "PREFECT_SERVER_UI_ENABLED": "false",
        "PREFECT_CLI_PROMPT": "false",
        # A cold home takes 12 s on two idle cores; on busy ones the default of 20 s may not be enough.
        "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "90",
    }
    for name, value in settings.items():
        os.environ.setdefault(name, value)
    logging.getLogger("EventsWorker").setLevel(logging.CRITICAL)  # it says how many events it still holds at exit
    Path(os.environ["PREFECT_HOME"]).mkdir(parents=True, exist_ok=True)  # its server does not make it
    if api_url:
        os.environ["PREFECT_API_URL"] = api_url
    else:
        os.environ.pop("PREFECT_API_URL", None)


def run_flow(flow: Callable[..., Any], **parameters: Any) -> Any:
    """Run one flow in this process, without the heartbeat thread that costs each flow a second when it ends."""
    from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

    with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
        return flow(**parameters)
