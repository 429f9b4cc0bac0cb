"""What is built is what is tested: the wheel holds the facts and the app, and runs away from the checkout.

It is installed in an environment of its own. That environment sees the libraries of the one that runs the tests, so
that no network is needed; with COLOURMATCH_TEST_FRESH_WHEEL=1 pip fetches them again, as for a user (.ci/run does).
"""

import json
import os
import socket
import subprocess
import sys
import sysconfig
import time
import tomllib
import urllib.request
import venv
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from test_readme import first_reading

import colourmatch
from colourmatch.simulate.kitchen import SHIPPED

ROOT = Path(__file__).parents[1]
FRESH = "COLOURMATCH_TEST_FRESH_WHEEL"


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The content of a wheel built from this checkout, without the network."""
    pytest.importorskip("hatchling", reason="hatchling builds the wheel; it is in the test extra")
    folder = tmp_path_factory.mktemp("wheel")
    options = ["--quiet", "--no-deps", "--no-build-isolation", "--no-index"]
    call = [sys.executable, "-m", "pip", "wheel", *options]
    done = subprocess.run([*call, "-w", str(folder), str(ROOT)], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(next(folder.glob("*.whl"))) as wheel:
        wheel.extractall(folder / "content")
    return folder / "content"


@pytest.fixture(scope="module")
def installed(unpacked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of programs of an environment outside the checkout into which the wheel was installed."""
    folder = tmp_path_factory.mktemp("elsewhere")
    venv.create(folder / "venv", with_pip=False)
    programs = folder / "venv" / "bin"
    call = [sys.executable, "-m", "pip", "--python", str(programs / "python"), "install", "--quiet"]
    if not os.environ.get(FRESH):
        call += ["--no-deps", "--no-index"]
        # of the running environment its libraries alone: what it has installed from the checkout stays out of sight
        own = subprocess.run(
            [programs / "python", "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        places = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
        (Path(own.stdout.strip()) / "libraries.pth").write_text("".join(f"{place}\n" for place in places))
    call.append(str(next(unpacked.parent.glob("*.whl"))))
    done = subprocess.run(call, capture_output=True, text=True, timeout=900)
    assert done.returncode == 0, done.stderr
    return programs


def surroundings(home: Path) -> dict[str, str]:
    """Without a path to the checkout, and with a home of its own."""
    hidden = ("PYTHONPATH", "COLOURMATCH_BOOK")
    kept = {name: value for name, value in os.environ.items() if name not in hidden}
    return kept | {"HOME": str(home), "XDG_DATA_HOME": str(home / "data")}


def test_facts_and_app_lie_inside_and_its_needs_are_said(unpacked):
    held = {path.relative_to(unpacked).as_posix() for path in unpacked.rglob("*") if path.is_file()}
    facts = {f"colourmatch/calibration/{path.name}" for path in (ROOT / "calibration").iterdir()}
    screens = ROOT / "colourmatch" / "screens"
    parts = {path.relative_to(ROOT).as_posix() for path in screens.glob("*_parts/*")}
    assert parts
    parts.add("colourmatch/sharing/entry_page.html")
    pages = {f"colourmatch/guide/{path.name}" for path in (ROOT / "colourmatch" / "guide").glob("*.md")}
    photos = {f"colourmatch/simulate/photos/{path.name}" for path in SHIPPED.iterdir()}
    assert photos
    top = {"colourmatch/app.py", "colourmatch/.streamlit/config.toml"}
    assert facts | parts | pages | photos | top <= held
    assert not [name for name in held if name.startswith(("tests/", "calibration/"))]
    assert not [name for name in held if "__pycache__" in name]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    text = next(unpacked.glob("*.dist-info/METADATA")).read_text(encoding="utf-8")
    told = {line.partition(": ")[2] for line in text.splitlines() if line.startswith("Requires-Dist: ")}
    assert set(project["dependencies"]) <= told
    assert f"Version: {colourmatch.__version__}\n" in text


def test_everything_comes_from_the_wheel(installed, tmp_path):
    code = (
        "import colourmatch; from colourmatch.facts import find_fact, find_file; "
        "print(colourmatch.__file__); print(find_fact('card-v1.json')); print(find_file('app.py'))"
    )
    call = [installed / "python", "-c", code]
    own = {"cwd": tmp_path, "env": surroundings(tmp_path), "timeout": 600}
    done = subprocess.run(call, capture_output=True, text=True, **own)
    assert done.returncode == 0, done.stderr
    places = [Path(line) for line in done.stdout.splitlines()]
    assert len(places) == 3 and all(place.is_relative_to(installed.parent) for place in places)


def test_the_first_reading_of_the_readme_works_as_typed(installed, tmp_path):
    """In a folder whose .venv/bin holds the program, as after either of its commands."""
    (tmp_path / ".venv").mkdir()
    (tmp_path / ".venv" / "bin").symlink_to(installed)
    lines = first_reading()
    assert sum(line.startswith("colourmatch ") for line in lines) == 3
    done = subprocess.run(
        ["sh", "-e", "-c", "\n".join(lines)], cwd=tmp_path, env=surroundings(tmp_path),
        capture_output=True, text=True, timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "CIEDE2000" in done.stdout and (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "first" / "demo.sqlite").is_file()


@pytest.fixture
def app(installed: Path, tmp_path: Path) -> Iterator[dict[str, Any]]:
    """The app as it says on its first line, running in another folder."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = one.getsockname()[1]
    with (tmp_path / "log.txt").open("w") as log, subprocess.Popen(
        [installed / "colourmatch", "app", "--port", str(port), "--json"],
        stdout=subprocess.PIPE, stderr=log, text=True, cwd=tmp_path, env=surroundings(tmp_path),
    ) as running:  # fmt: skip
        try:
            assert running.stdout is not None
            line = running.stdout.readline()
            assert line, (tmp_path / "log.txt").read_text()
            yield json.loads(line) | {"process": running, "log": tmp_path / "log.txt"}
        finally:
            running.terminate()
            running.wait(600)


def test_the_app_answers(app):
    for _ in range(1200):
        assert app["process"].poll() is None, app["log"].read_text()
        try:
            with urllib.request.urlopen(f"{app['url'].rstrip('/')}/_stcore/health", timeout=60) as answer:
                if answer.read() == b"ok":
                    break
        except OSError:
            pass
        time.sleep(0.5)
    with urllib.request.urlopen(app["url"], timeout=600) as page:
        assert page.status == 200 and b"<html" in page.read()
    assert Path(app["book"]).is_file()
