"""The lowest version that pyproject.toml allows of everything it names, as a constraints file; and the tests with them.

    python tests/lowest_versions.py                     print the constraints
    python tests/lowest_versions.py --run FOLDER        make an environment there with exactly these, run the tests
    python tests/lowest_versions.py --run FOLDER tests/colour tests/test_cli.py

What pyproject.toml does not name itself (pyarrow, starlette ...) is the newest that fits. The newest of everything is what
a plain `pip install '.[test]'` gives, which .ci/run tests.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
#: Extras that the tests need: what the user may ask for, and the tests' own tools; `dev` is not run by anyone else.
EXTRAS = ("dng", "postgres", "test")
_BOUND = re.compile(r"([A-Za-z0-9._-]+)(\[[a-z,]+\])?>=([0-9][0-9a-z.]*)")


def read_lowest(pyproject: Path = ROOT / "pyproject.toml") -> dict[str, str]:
    """Name -> lowest version of all dependencies; ValueError for one without a bound, or with two."""
    project = tomllib.loads(pyproject.read_text(encoding="utf-8"))["project"]
    named = [
        *project["dependencies"],
        *(n for extra in EXTRAS for n in project["optional-dependencies"][extra]),
    ]
    lowest: dict[str, str] = {}
    for requirement in named:
        found = _BOUND.fullmatch(requirement)
        if found is None:
            raise ValueError(f"{requirement} is not of the form NAME>=VERSION")
        name, extras, version = found.groups()
        if lowest.setdefault(name, version) != version:
            raise ValueError(f"{name} is named with {lowest[name]} and with {version}")
        if (name, extras) == ("psycopg", "[binary]"):  # its other half comes in the same versions
            lowest["psycopg-binary"] = version
    return lowest


def show_constraints() -> str:
    """The text of the constraints file."""
    return "".join(f"{name}=={version}\n" for name, version in sorted(read_lowest().items()))


def run_tests(folder: Path, chosen: list[str]) -> int:
    """Make an environment with the lowest versions, say what is in it, run the tests; pytest's exit code."""
    folder.mkdir(parents=True, exist_ok=True)
    constraints = folder / "constraints.txt"
    constraints.write_text(show_constraints(), encoding="utf-8")
    python = folder / "venv" / "bin" / "python"
    if not python.exists():
        venv.create(folder / "venv", with_pip=True)
    install = [python, "-m", "pip", "install", "-q", "-c", constraints, "-e", f"{ROOT}[{','.join(EXTRAS)}]"]
    for call in (install, [python, "-m", "pip", "list", "--format", "freeze"]):
        done = subprocess.run(call)
        if done.returncode:
            return done.returncode
    tests = [python, "-m", "pytest", "-m", "not browser", "-p", "no:cacheprovider", *chosen]
    return subprocess.run(tests, cwd=ROOT).returncode


def main() -> int:
    """Do what was asked on the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--run", metavar="FOLDER", type=Path, help="where to make the environment")
    parser.add_argument("tests", nargs="*", help="what to run [default: all tests without a browser]")
    asked = parser.parse_args()
    if asked.run is None:
        print(show_constraints(), end="")
        return 0
    return run_tests(asked.run.resolve(), asked.tests)


if __name__ == "__main__":
    sys.exit(main())
