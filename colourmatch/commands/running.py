"""Commands that keep running for a while: the demonstration, and the app in the browser."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from colourmatch.commands.base import Answer, Command, Session
from colourmatch.errors import InputError

if TYPE_CHECKING:
    from colourmatch.lots.book import LotBook

_HOST = "127.0.0.1"
_FIRST_PORT, _PORTS_TRIED = 8501, 20


@click.command(cls=Command, example="colourmatch demo --keep demo-photos")
@click.option("--keep", metavar="FOLDER", help="Keep the photos and the book there.")
def demo(session: Session, keep: str | None) -> Answer:
    """Play one invented lot from the first photo to the stop; liquids, phone and light are simulated."""
    from colourmatch.demo import play_demo

    with _demo_folder(keep) as folder, _demo_book(session, folder, keep) as book:
        lot_id = play_demo(book, session.say, folder=folder)
        from colourmatch.lots.work import describe_lot

        told = describe_lot(book, lot_id)
        place = book.place if session.book or keep else None
    data = {
        "lot": lot_id,
        "book": place,
        "photos": sorted(str(p) for p in folder.glob("*.jpg")) if keep else [],
    }
    last = f"Look at it again: colourmatch lot show {lot_id} --book {place}" if place else "Nothing was kept."
    return Answer(data | {"story": told}, [last])


@contextmanager
def _demo_folder(keep: str | None) -> Iterator[Path]:
    import tempfile

    if keep is None:
        with tempfile.TemporaryDirectory(prefix="colourmatch-demo-") as name:
            yield Path(name)
        return
    folder = Path(keep)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{keep} cannot be made a folder: {error.strerror or error}. Give another one."
        ) from None
    yield folder


@contextmanager
def _demo_book(session: Session, folder: Path, keep: str | None) -> Iterator[LotBook]:
    """The book of --book, else one in the folder; never the user's own book unasked."""
    from colourmatch.lots.book import open_book

    with open_book(session.book or folder / "demo.sqlite") as book:
        yield book


@click.command(cls=Command, example="colourmatch app --book lots.sqlite --port 8600")
@click.option("--port", type=click.IntRange(1, 65535), help=f"[default: {_FIRST_PORT}, or the next free one]")
def app(session: Session, port: int | None) -> Answer:
    """Open the app: it runs on this machine only, and prints the address to open in the browser."""
    with session.open_book() as book:
        place = book.place
    chosen = _find_port(port)
    address = f"http://{_HOST}:{chosen}"
    session.note(f"The app is at {address} (lot book: {place}). Stop it with Ctrl+C.")
    if session.as_json:
        from colourmatch.commands.base import print_json

        print_json({"url": address, "port": chosen, "book": place})
    else:
        session.say(address)
    environment = dict(os.environ)
    if session.book:
        environment["COLOURMATCH_BOOK"] = session.book
    _hand_over([sys.executable, *streamlit_arguments(chosen)], environment)


def _find_port(wanted: int | None) -> int:
    """A port that is free now; InputError when the wanted one is taken."""
    for port in [wanted] if wanted else range(_FIRST_PORT, _FIRST_PORT + _PORTS_TRIED):
        if _is_free(port):
            return port
    raise InputError(
        f"Port {wanted or _FIRST_PORT} is in use. Stop what uses it, or give another one: "
        "colourmatch app --port 8600"
    )


def _is_free(port: int) -> bool:
    import socket

    with socket.socket() as probe:
        if os.name == "posix":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((_HOST, port))
        except OSError:
            return False
    return True


def find_app() -> Path:
    """app.py of this installation: inside the package in a wheel, beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package, package.parent):
        if (folder / "app.py").is_file():
            return folder / "app.py"
    raise FileNotFoundError("app.py is missing from this installation")


def streamlit_arguments(port: int) -> list[str]:
    """The call that starts the app, on this machine only; its looks are in .streamlit/ beside app.py."""
    settings = {
        "server.address": _HOST,
        "server.port": port,
        "server.headless": "true",
        "browser.gatherUsageStats": "false",
        "browser.serverAddress": _HOST,
    }
    return [
        "-m",
        "streamlit",
        "run",
        str(find_app()),
        *(f"--{key}={value}" for key, value in settings.items()),
    ]


def _hand_over(command: list[str], environment: dict[str, str]) -> NoReturn:
    """Become the app's server, so that stopping this command stops it; what it prints goes to stderr."""
    sys.stdout.flush()
    if os.name == "posix":
        os.dup2(2, 1)
        os.execve(command[0], command, environment)
    import subprocess

    sys.exit(subprocess.call(command, env=environment, stdout=sys.stderr))
