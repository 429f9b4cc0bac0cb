"""The bounds of pyproject.toml can be turned into an environment of exactly the lowest versions."""

from __future__ import annotations

import re
from importlib.metadata import distributions

import pytest
from lowest_versions import read_lowest, show_constraints


def test_every_dependency_has_a_lowest_version_that_is_a_whole_one():
    lowest = read_lowest()
    assert {"numpy", "streamlit", "opencv-python", "rawpy", "psycopg", "psycopg-binary", "pytest"} <= set(
        lowest
    )
    assert all(len(number.split(".")) >= 3 for number in lowest.values()), lowest
    assert f"numpy=={lowest['numpy']}\n" in show_constraints()


def test_what_is_installed_keeps_the_bounds():
    def numbers(text: str) -> list[int]:
        return [int(part) for part in re.findall(r"\d+", text)][:3]

    installed = {found.name.lower().replace("_", "-"): found.version for found in distributions()}
    lowest = {name: low for name, low in read_lowest().items() if name in installed}
    assert {"numpy", "streamlit", "pytest"} <= set(lowest)
    assert [name for name, low in lowest.items() if numbers(installed[name]) < numbers(low)] == []


@pytest.mark.parametrize("line", ['"numpy"', '"numpy>=2,<3"', '"numpy>=2.0.0", "numpy>=2.1.0"'])
def test_a_bound_of_another_form_is_refused(line, tmp_path):
    path = tmp_path / "pyproject.toml"
    extras = "".join(f"{name} = []\n" for name in ("dng", "postgres", "test"))
    path.write_text(f"[project]\ndependencies = [{line}]\n[project.optional-dependencies]\n{extras}")
    with pytest.raises(ValueError, match="numpy"):
        read_lowest(path)
