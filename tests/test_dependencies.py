"""Every dependency has one lowest version, and what is installed keeps it; .ci/run tests with these very versions."""

import tomllib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement

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
