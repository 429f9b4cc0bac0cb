"""Imports keep the contracts of pyproject.toml, no room outgrows the others, each dependency has one lowest version."""

import ast
import tomllib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest
from importlinter.cli import lint_imports
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "colourmatch"
#: A room holds at most this part of the product's lines.
MOST_OF_PRODUCT = 0.2


def test_imports_keep_their_contracts(monkeypatch):
    monkeypatch.chdir(ROOT)
    assert lint_imports("pyproject.toml", no_cache=True) == 0


def test_no_room_is_too_large_and_the_app_sets_up_the_page_only():
    lines = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in PACKAGE.rglob("*.py")}
    for room in PACKAGE.iterdir():
        held = sum(count for path, count in lines.items() if room in (path, *path.parents))
        assert held <= MOST_OF_PRODUCT * sum(lines.values()), room.name
    text = (ROOT / "app.py").read_text(encoding="utf-8")
    names = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(str(node.module).split(".")[0])
    assert names <= {"streamlit", "colourmatch", "__future__"}
    assert len(text.splitlines()) < 40


PROJECT = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = [line for extra in ("dng", "postgres", "test") for line in PROJECT["optional-dependencies"][extra]]
NAMED = [Requirement(line) for line in (*PROJECT["dependencies"], *EXTRAS)]


@pytest.mark.parametrize("named", NAMED, ids=str)
def test_a_dependency_has_one_lowest_version_that_is_a_whole_one_and_kept(named):
    (bound,) = named.specifier
    assert bound.operator == ">=" and len(bound.version.split(".")) >= 3
    assert {str(one.specifier) for one in NAMED if one.name == named.name} == {str(bound)}
    try:
        assert bound.contains(version(named.name))
    except PackageNotFoundError:
        assert named.name in ("rawpy", "psycopg"), "only what an extra brings may be missing"
