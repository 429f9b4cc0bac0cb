"""Starts apps by forking a process that has imported what they need: each start from nothing costs seconds of processor time."""

import multiprocessing
import os
import sys
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from unittest import mock

_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload(["warm"])


def start_app(arguments: list[str], folder: Path, environ: dict[str, str]) -> ForkServerProcess:
    """`colourmatch` with these arguments in a process and a folder of its own, where it writes said.txt and server.txt."""
    process = _FORKS.Process(target=_run, args=(arguments, folder, environ), daemon=True)
    places = os.pathsep.join([str(Path(__file__).parent), environ["PYTHONPATH"]])
    with mock.patch.dict(os.environ, PYTHONPATH=places):
        process.start()  # the first one starts what is forked, which finds warm.py by this path
    return process


def _run(arguments: list[str], folder: Path, environ: dict[str, str]) -> None:
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environ)
    for stream, name in ((1, "said.txt"), (2, "server.txt")):
        os.dup2(os.open(name, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600), stream)
    from colourmatch.cli import run

    sys.exit(run(arguments))
