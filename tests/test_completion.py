"""Completion with the Tab key: what is printed to switch it on works, and the shells get the names."""

import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
from unittest import mock

import pytest
from processes import ROOT, run_python

from colourmatch.cli import run
from colourmatch.commands.helping import SHELLS


def complete(words: str, at: str) -> str:
    """What bash is told, by this process."""
    asked = {"_COLOURMATCH_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": at}
    out = io.TextIOWrapper(io.BytesIO(), "utf-8")
    with mock.patch.dict(os.environ, asked), contextlib.redirect_stdout(out):
        assert run([]) == 0
    out.seek(0)
    return out.read()


@pytest.mark.parametrize("shell", SHELLS)
def test_the_line_for_each_shell_and_where_it_goes(shell, capsys):
    assert run(["completion", shell]) == 0
    file, line = SHELLS[shell]
    said = capsys.readouterr().out.splitlines()
    assert said[0] == f"Completion in {shell}: add this line to {file}, then open a new terminal."
    assert said[1].strip() == line
    assert run(["completion", shell, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"shell": shell, "file": file, "line": line}


@pytest.mark.parametrize(("shell", "at"), [("bash", "2"), ("zsh", "2"), ("fish", "sh")])
def test_a_shell_that_asks_gets_the_names(shell, at):
    asked = {"_COLOURMATCH_COMPLETE": f"{shell}_complete", "COMP_WORDS": "colourmatch lot sh"}
    asked["COMP_CWORD"] = at
    told = run_python("-m", "colourmatch", env=asked).stdout
    assert "show" in told and "sheet" in told and "close" not in told


def test_options_lots_stocks_colourants_and_pages_are_completed(tmp_path, monkeypatch):
    assert "--volume-ml" in complete("colourmatch lot new --vol", "3")
    monkeypatch.setenv("COLOURMATCH_BOOK", str(tmp_path / "b.sqlite"))
    run(["stock", "add", "crimson", "--colourant", "E129", "--strength-g-per-100ml", "1"])
    run(["lot", "new", "--name", "Bitter", "--volume-ml", "900", "--stock", "crimson", "--number", "26-041"])
    assert "26-041" in complete("colourmatch lot show 2", "3")
    assert "26-041" in complete("colourmatch lot new --like 2", "4")
    assert "crimson" in complete("colourmatch lot add 1 --stock cr", "5")
    assert "crimson" in complete("colourmatch stock weigh c", "3")
    assert "E162" in complete("colourmatch stock add beet --colourant E16", "5")
    assert "answers" in complete("colourmatch guide a", "2")
    monkeypatch.setenv("COLOURMATCH_BOOK", str(tmp_path / "none.sqlite"))
    assert complete("colourmatch lot show 2", "3").strip() == ""
    assert not (tmp_path / "none.sqlite").exists()


@pytest.mark.parametrize("shell", SHELLS)
def test_the_line_works_in_the_shell_itself(shell, tmp_path):
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed")
    program = tmp_path / "colourmatch"
    program.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -m colourmatch "$@"\n')
    program.chmod(0o755)
    line = SHELLS[shell][1]
    shown = {"bash": "complete -p colourmatch", "zsh": "print $_comps[colourmatch]"}
    shown["fish"] = "complete -c colourmatch"
    before = "autoload -Uz compinit && compinit -u -D; " if shell == "zsh" else ""
    done = subprocess.run(
        [shell, "-c", f"{before}{line}; {shown[shell]}"],
        capture_output=True, text=True, timeout=600, cwd=tmp_path,
        env=os.environ | {"PATH": f"{tmp_path}{os.pathsep}{os.environ['PATH']}", "HOME": str(tmp_path)},
    )  # fmt: skip
    assert "_colourmatch_completion" in done.stdout, done.stderr
