"""Commands that keep running for a while: the demonstration, and the app in the browser."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Command, Session, print_json
from colourmatch.errors import InputError
from colourmatch.facts import find_file
from colourmatch.sharing import network
from colourmatch.sharing.door import Door, draw_for_terminal, tell_sharing

if TYPE_CHECKING:
    from socket import socket
    from ssl import SSLContext

_PORT = f"[default: {network.FIRST_PORT}, or the next free one]"


@click.command(cls=Command, example="colourmatch demo --keep demo-photos")
@opt.text("--keep", "FOLDER", "Keep the photos and the book there.")
def demo(session: Session, keep: str | None) -> Answer:
    """Play one invented lot from the first photo to the stop; liquids, phone and light are simulated."""
    from tempfile import TemporaryDirectory

    from colourmatch.book.lot_book import open_book
    from colourmatch.demo import play_demo
    from colourmatch.workflow.describing import describe_lot

    if keep is None:
        folder = Path(session.enter_context(TemporaryDirectory(prefix="colourmatch-demo-")))
    else:
        folder = Path(keep)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            why = error.strerror or error
            raise InputError(f"{keep} cannot be made a folder: {why}. Give another one.") from None
    # the book of --book, else one in the folder; never the user's own book unasked
    book = session.enter_context(open_book(session.book or folder / "demo.sqlite"))
    if session.book or keep:
        session.tell_begun(book)
    lot_id = play_demo(book, session.say, folder=folder)
    told, place = describe_lot(book, lot_id), book.place if session.book or keep else None
    photos = sorted(map(str, folder.glob("*.jpg"))) if keep else []
    last = f"Look at it again: colourmatch lot show {lot_id} --book {place}" if place else "Nothing was kept."
    return Answer({"lot": lot_id, "book": place, "photos": photos, "story": told}, [last])


@click.command(cls=Command, example="colourmatch app --share")
@click.option("--port", type=click.IntRange(1, 65535), help=_PORT)
@opt.flag("--share", "Open it to the local network too, behind an access code.")
@opt.text("--address", "IP", "With --share: which address of this machine to open.")
@opt.text("--certificate", "FILE", "With --share and --key: encrypt with this certificate (PEM).")
@opt.text("--key", "FILE", "The key of the certificate (PEM).")
def app(session: Session, port: int | None, share: bool, address: str | None, **files: str | None) -> NoReturn:
    """Open the app: it prints the address to open in the browser.

    Without --share only this machine reaches it. With --share a phone in the same network does, after the access
    code that is printed. The code is new each time and ends with the program.
    """
    from colourmatch.book.lot_book import open_or_read_book

    if address is not None and not share:
        raise InputError("--address counts only together with --share: colourmatch app --share --address IP")
    if not share and any(files.values()):
        raise InputError(
            "--certificate counts only together with --share: colourmatch app --share --certificate FILE --key FILE"
        )
    encryption = network.read_certificate(**files)
    opened = [network.HERE, *([network.find_local_address(address)] if share else [])]
    script = find_file("app.py")  # before anything is opened
    with open_or_read_book(session.book) as book:
        place = book.place
        book.photo_store.clear_left_over()
        session.tell_begun(book)
        if book.note:
            session.note(book.note)
    sockets = network.listen(opened, port)
    chosen = sockets[0].getsockname()[1]
    url = network.show_address(network.HERE, chosen)
    door = Door(network.show_address(opened[1], chosen, encryption is not None)) if share else None
    session.note(f"The app is at {url} (lot book: {place}). Stop it with Ctrl+C.")
    if session.as_json:
        shared = {"url": door.url, "code": door.code, "url_with_code": door.url_with_code} if door else None
        print_json({"url": url, "port": chosen, "book": place, "share": shared})
    else:
        session.say(url)
        if door:
            _tell_sharing(session, door)
    if session.book:
        os.environ["COLOURMATCH_BOOK"] = session.book
    _serve(script, sockets, door, encryption)
    sys.exit(0)  # the answer is printed already


def _tell_sharing(session: Session, door: Door) -> None:
    session.say()
    session.say(f"For the phone, in the same network: {door.url}")
    session.say(f"Access code: {door.code}")
    try:
        "█▀▄".encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        session.say("The QR code of both is in the app under Share; this terminal cannot show it.")
    else:
        session.say(draw_for_terminal(door.url_with_code))
        session.say("Scan it with the phone's camera, or type address and code.")
    session.say(tell_sharing(door.url))


def _serve(script: Path, sockets: list[socket], door: Door | None, encryption: SSLContext | None = None) -> None:
    """Run the app's server in this program, so that stopping it stops the app; what it prints goes to stderr."""
    from colourmatch.screens.server import serve

    sys.stdout.flush()
    if os.name == "posix":
        os.dup2(2, 1)
    serve(script, sockets, door, encryption)
