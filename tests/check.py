"""Every check of the project in one command, with a table of what passed and how long it took.

    python tests/check.py                       all of them
    python tests/check.py lint types            only these
    python tests/check.py --without tests       all but these

Exit 0 when nothing failed. A check that could not be run says why and fails nothing: it is no proof either.
"""

import argparse
import json
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[1]
#: Installed for a script that lies in it and without what it needs itself; nothing of ours imports it.
UNUSED = ("axe-playwright-python",)
PASSED, FAILED, NOT_RUN = "passed", "FAILED", "not run"


class Outcome(NamedTuple):
    """How a check ended, and a few words about it."""

    state: str
    words: str = ""


def run_module(module: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """A module of this environment on the checkout, what it prints kept."""
    call = [sys.executable, "-m", module, *arguments]
    return subprocess.run(call, cwd=ROOT, capture_output=True, text=True)


def _judge(module: str, *arguments: str) -> Outcome:
    if find_spec(module) is None:
        return Outcome(NOT_RUN, f"{module} is not installed: pip install -e '.[test,dev]'")
    done = run_module(module, *arguments)
    said = (done.stdout + done.stderr).strip()
    if done.returncode:
        print(said, flush=True)
    return Outcome(FAILED if done.returncode else PASSED, said.splitlines()[-1][:80] if said else "")


#: Checks that are one module of this environment: its arguments.
MODULES = {
    "format": ("ruff", "format", "--check", "."),
    "lint": ("ruff", "check", "."),
    "types": ("mypy", "colourmatch"),
    "imports": ("pytest", "-n", "0", "--noconftest", "-p", "no:cacheprovider", "tests/test_rooms.py"),
}


def check_tests() -> Outcome:
    """All tests; what they print is seen as they run."""
    done = subprocess.run([sys.executable, "-m", "pytest"], cwd=ROOT)
    return Outcome(FAILED if done.returncode else PASSED, f"pytest ended with {done.returncode}")


def check_audit() -> Outcome:
    """The packages of this environment fit each other, and none has an advisory against it."""
    fits = run_module("pip", "check")
    wrong = [line for line in fits.stdout.splitlines() if not line.startswith(UNUSED)]
    if fits.returncode and wrong:
        print("\n".join(wrong), flush=True)
        return Outcome(FAILED, "pip check: packages that do not fit each other")
    if find_spec("pip_audit") is None:
        return Outcome(NOT_RUN, "packages fit each other; pip-audit is not installed: pip install -e '.[dev]'")
    # One question first: an index that has no advisories would otherwise be asked in vain for every package.
    first = _audit("-r", "/dev/stdin", "--no-deps", "--disable-pip", stdin=f"pillow=={version('pillow')}\n")
    if isinstance(first, str) or not _answered(first):
        why = first if isinstance(first, str) else "the index in use answers no question about advisories"
        return Outcome(NOT_RUN, f"packages fit each other; {why}")
    return read_audit(_audit("--local", "--skip-editable"))


def _audit(*arguments: str, stdin: str | None = None) -> list[dict] | str:
    """What pip-audit found of each package, or a few words on why it found nothing out."""
    call = [sys.executable, "-m", "pip_audit", "--progress-spinner", "off", "--format", "json", *arguments]
    done = subprocess.run(call, cwd=ROOT, capture_output=True, text=True, input=stdin)
    try:
        return list(json.loads(done.stdout)["dependencies"])
    except (ValueError, KeyError):
        lines = done.stderr.strip().splitlines()
        return f"pip-audit: {lines[-1][:120]}" if lines else "pip-audit said nothing"


def _answered(found: list[dict]) -> list[dict]:
    return [one for one in found if "skip_reason" not in one]


def read_audit(found: list[dict] | str) -> Outcome:
    """The outcome of an audit: failed for any advisory, not run when no package was looked at."""
    if isinstance(found, str):
        return Outcome(NOT_RUN, found)
    known = _answered(found)
    hit = [f"{one['name']} {one['version']}: {v['id']}" for one in known for v in one["vulns"]]
    if hit:
        print("\n".join(hit), flush=True)
        return Outcome(FAILED, f"{len(hit)} advisories")
    if not known:
        return Outcome(NOT_RUN, "no package could be looked up")
    left = [one["name"] for one in found if "skip_reason" in one and one["name"] != "colourmatch"]
    return Outcome(PASSED, f"{len(known)} packages" + (f"; not known there: {', '.join(left)}" if left else ""))


CHECKS: dict[str, Callable[[], Outcome]] = {name: partial(_judge, *call) for name, call in MODULES.items()}
CHECKS |= {"audit": check_audit, "tests": check_tests}


def run_checks(chosen: list[str]) -> list[tuple[str, Outcome, float]]:
    """Each check with its outcome and its seconds; one that fails stops no other."""
    rows = []
    for name in chosen:
        print(f"{name} ...", flush=True)
        begun = time.monotonic()
        try:
            outcome = CHECKS[name]()
        except (OSError, PackageNotFoundError) as error:
            outcome = Outcome(NOT_RUN, f"{type(error).__name__}: {error}")
        rows.append((name, outcome, time.monotonic() - begun))
    return rows


def show_table(rows: list[tuple[str, Outcome, float]]) -> str:
    """The table, one line a check."""
    lines = [f"{name:<8} {outcome.state:<8} {took:7.1f} s  {outcome.words}" for name, outcome, took in rows]
    return "\n".join(line.rstrip() for line in lines)


def main(arguments: list[str] | None = None) -> int:
    """Do what was asked on the command line; 1 when a check failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("checks", nargs="*", metavar="CHECK", help=f"{', '.join(CHECKS)} [default: all]")
    parser.add_argument("--without", action="append", default=[], metavar="CHECK", choices=list(CHECKS))
    asked = parser.parse_args(arguments)
    unknown = [name for name in asked.checks if name not in CHECKS]
    if unknown:
        parser.error(f"there is no check {unknown[0]!r}; there are: {', '.join(CHECKS)}")
    rows = run_checks([name for name in asked.checks or CHECKS if name not in asked.without])
    print()
    print(show_table(rows))
    return int(any(outcome.state == FAILED for _, outcome, _ in rows))


if __name__ == "__main__":
    sys.exit(main())
