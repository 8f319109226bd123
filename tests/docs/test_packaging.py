"""What pyproject.toml says of the tree is true, and the examples in docstrings run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import sys
import tomllib
from pathlib import Path

import pytest

import glassine.config
import glassine.flows
import glassine.schemas
import glassine.tasks

ROOT = Path(__file__).resolve().parents[2]
SETUPTOOLS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
TOP = (glassine.config, glassine.schemas, glassine.tasks, glassine.flows)
MODULES = sorted(
    module.name for package in TOP for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
)


def test_packages_are_those_of_the_tree() -> None:
    found = {
        "glassine." + ".".join(path.parent.relative_to(ROOT).parts)
        for top in ("config", "schemas", "tasks", "flows")
        for path in (ROOT / top).rglob("__init__.py")
    }
    assert set(SETUPTOOLS["packages"]) == found
    assert SETUPTOOLS["package-dir"] == {f"glassine.{top}": top for top in ("config", "schemas", "tasks", "flows")}


def test_package_data_matches_files_and_no_file_is_left_out() -> None:
    for package, globs in SETUPTOOLS["package-data"].items():
        folder = ROOT / package.removeprefix("glassine.").replace(".", "/")
        packed: set[Path] = set()
        for glob in globs:
            matched = set(folder.glob(glob))
            assert matched or glob == "*.yaml", f"{package}: {glob} matches nothing"
            packed |= matched
        others = {
            path
            for path in folder.rglob("*")
            if path.is_file() and path.suffix not in (".py", ".pyc") and not path.name.startswith(".")
        }
        assert others <= packed, f"{package} leaves out {sorted(str(path) for path in others - packed)}"


def test_no_module_bears_a_name_of_the_standard_library() -> None:
    taken = {name for name in MODULES if name.rpartition(".")[2] in sys.stdlib_module_names}
    assert taken == set()


@pytest.mark.parametrize("top", ["config", "schemas", "tasks", "flows"])
def test_examples_in_docstrings_run(top: str) -> None:
    chosen = [name for name in MODULES if name.startswith(f"glassine.{top}.")]
    assert chosen
    for name in chosen:
        failed, _ = doctest.testmod(
            importlib.import_module(name), optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
        )
        assert failed == 0, name


def test_there_are_examples_to_run() -> None:
    tried = sum(
        len(test.examples) for name in MODULES for test in doctest.DocTestFinder().find(importlib.import_module(name))
    )
    assert tried >= 10


def test_top_level_holds_what_the_design_says() -> None:
    shown = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    wanted = {"README.md", "DEVELOPERS.md", "pyproject.toml", "config", "schemas", "tasks", "flows", "tests"}
    made = {name for name in shown if name.endswith(".egg-info") or name in {"build", "demo-studio"}}
    assert shown - made <= wanted
