"""What is built is what is tested: the wheel holds the facts and the app, and runs away from the checkout."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The content of a wheel built from this checkout, without the network."""
    pytest.importorskip("hatchling", reason="hatchling builds the wheel; it is in the test extra")
    folder = tmp_path_factory.mktemp("wheel")
    call = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--quiet",
        "--no-deps",
        "--no-build-isolation",
        "--no-index",
    ]
    done = subprocess.run([*call, "-w", str(folder), str(ROOT)], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(next(folder.glob("*.whl"))) as wheel:
        wheel.extractall(folder / "content")
    return folder / "content"


def run_there(unpacked: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Python in a folder of its own that knows the wheel's content and no checkout."""
    surroundings = os.environ | {"PYTHONPATH": str(unpacked), "PYTHONSAFEPATH": "1"}
    return subprocess.run(
        [sys.executable, *arguments],
        capture_output=True,
        text=True,
        cwd=unpacked,
        env=surroundings,
        timeout=120,
    )


def test_facts_and_app_lie_inside(unpacked):
    held = {path.relative_to(unpacked).as_posix() for path in unpacked.rglob("*") if path.is_file()}
    facts = {f"colourmatch/calibration/{path.name}" for path in (ROOT / "calibration").iterdir()}
    parts = {f"colourmatch/screens/picker_parts/field.{kind}" for kind in ("css", "js")}
    assert facts | parts | {"colourmatch/app.py", "colourmatch/.streamlit/config.toml"} <= held
    assert not [name for name in held if name.startswith(("tests/", "calibration/"))]
    assert not [name for name in held if "__pycache__" in name]


def test_they_are_found_there(unpacked):
    code = (
        "from colourmatch.facts import find_fact; from colourmatch.commands.running import find_app; "
        "print(find_fact('card-v1.json')); print(find_app())"
    )
    done = run_there(unpacked, "-c", code)
    assert done.returncode == 0, done.stderr
    assert all(Path(line).is_relative_to(unpacked) for line in done.stdout.splitlines())


def test_it_runs_there(unpacked, tmp_path):
    done = run_there(unpacked, "-m", "colourmatch", "card", "--out", str(tmp_path / "card.pdf"), "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["version"] == 1
    book = str(tmp_path / "book.sqlite")
    assert run_there(unpacked, "-m", "colourmatch", "stock", "list", "--book", book).returncode == 0
