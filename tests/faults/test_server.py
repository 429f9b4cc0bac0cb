"""A PostgreSQL server that is stopped for real in the middle of a save, and started again.

The test has a server of its own, thrown away afterwards; it is skipped where none is installed.
"""

import os
import random
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from known_pictures import draw_noise
from raw_books import empty_database
from sqlalchemy import event

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.errors import BookError

pytest.importorskip("psycopg")


def find_programs() -> Path | None:
    """The folder of initdb and pg_ctl: Debian keeps them out of the path."""
    on_path = shutil.which("initdb")
    places = [*Path("/usr/lib/postgresql").glob("*/bin")]
    places += [Path(on_path).resolve().parent] if on_path else []
    found = [place for place in places if (place / "initdb").exists() and (place / "pg_ctl").exists()]
    return found[-1] if found else None


@dataclass(frozen=True)
class Server:
    """A server of this test alone, behind a socket in its own folder."""

    programs: Path
    folder: Path

    @property
    def url(self) -> str:
        return f"postgresql://tester@/postgres?host={self.folder}"

    def run(self, program: str, *arguments: object) -> None:
        """Run one of its programs, as another user where this one is root: it refuses to run as root."""
        call = [str(self.programs / program), "-D", str(self.folder / "data"), *map(str, arguments)]
        if os.geteuid() == 0:
            call = ["runuser", "-u", "postgres", "--", *call]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        subprocess.run(call, cwd="/", check=True, timeout=600, **quiet)

    def start(self) -> None:
        """Start it and wait until it answers; after a hard stop it first reads its log again."""
        # the machine itself goes on, so what was handed to its disk is not lost: no need to wait for the disk
        settings = f"-c listen_addresses='' -c unix_socket_directories='{self.folder}' -c fsync=off"
        self.run("pg_ctl", "-w", "-l", self.folder / "log.txt", "-o", settings, "start")

    def stop(self) -> None:
        """Stop it as a failing machine would: no connection is told, nothing is written to the tables."""
        self.run("pg_ctl", "-m", "immediate", "stop")


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    programs = find_programs()
    if programs is None or not hasattr(os, "geteuid"):
        pytest.skip("no PostgreSQL server is installed")
    nobody = subprocess.run(["id", "postgres"], capture_output=True).returncode
    if os.geteuid() == 0 and (nobody or shutil.which("runuser") is None):
        pytest.skip("PostgreSQL does not run as root, and there is no other user for it")
    # a socket's path must be short
    made = Server(programs, Path(tempfile.mkdtemp(prefix="server.", dir="/tmp")))
    try:
        if os.geteuid() == 0:
            shutil.chown(made.folder, "postgres")
        made.run("initdb", "-U", "tester", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
        made.start()
        yield made
    finally:
        if (made.folder / "data" / "postmaster.pid").exists():
            made.stop()
        shutil.rmtree(made.folder)


@pytest.fixture
def book(server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[LotBook]:
    """An empty book on the server."""
    empty_database(server.url)
    monkeypatch.setenv("COLOURMATCH_PHOTOS", str(tmp_path))
    with open_book(server.url) as opened:
        opened.stocks.add("red", "E129", 1)
        opened.lots.begin("Aperitif", 900, "red")
        yield opened


def test_a_server_stopped_within_a_save_confirms_nothing_and_the_book_goes_on(server, book, monkeypatch):
    book.additions.add(1, "red", drops=1)
    said = r"does not answer\. Check that it runs .* Nothing was entered: enter it again when the database is back\."
    doubt = r"does not answer.* look whether the entry is there before you enter it again\."
    with monkeypatch.context() as patch, pytest.raises(BookError, match=doubt):
        # behind the insert, before the commit
        patch.setattr("colourmatch.book.transactions.seal_new", lambda *_: server.stop())
        book.additions.add(1, "red", drops=2)
    with pytest.raises(BookError, match=said):
        book.additions.add(1, "red", drops=2)
    with pytest.raises(BookError, match=r"Check that it runs and that the address is right\.$"):
        book.lots.story(1)
    server.start()
    book.additions.add(1, "red", drops=4)
    assert [entry.quantity for entry in book.lots.story(1).additions] == [1, 4] and book.archive.check() == []


def test_no_answer_to_the_commit_is_told_as_a_doubt_and_the_same_act_again_is_entered_once(server, book):
    def commit_and_stop(connection: object) -> None:
        connection.exec_driver_sql("COMMIT")
        server.stop()
        connection.exec_driver_sql("SELECT 1")  # nobody is there to say yes

    event.listen(book.database.engine, "commit", commit_and_stop, once=True)
    with pytest.raises(BookError, match=r"look whether the entry is there before you enter it again\."):
        book.additions.add(1, "red", drops=2, token="once")
    server.start()
    book.additions.add(1, "red", drops=2, token="once")
    assert [entry.quantity for entry in book.lots.story(1).additions] == [2] and book.archive.check() == []


def test_a_server_stopped_under_a_writer_loses_nothing_confirmed(server, book):
    """Photos with their advice, at a moment that nobody chose."""
    seed = random.randrange(2**32)
    chance = random.Random(seed)
    confirmed: list[int] = []
    said: list[str] = []

    def write() -> None:
        try:
            for k in range(len(confirmed), 10_000):
                photo = {"photo": f"{k}.jpg"}, {"text": f"advice {k}"}
                entry = book.photos.add(1, *photo, photo=draw_noise(k), token=f"{k}")
                confirmed.append(entry.id)
        except BookError as error:
            said.append(error.text)

    for _ in range(2):
        enough = len(confirmed) + chance.randrange(1, 8)
        writer = threading.Thread(target=write)
        writer.start()
        while len(confirmed) < enough and writer.is_alive():
            time.sleep(0.001)
        time.sleep(chance.uniform(0, 0.02))
        server.stop()
        writer.join(600)
        assert not writer.is_alive(), f"seed {seed}"
        server.start()
        photos = book.lots.story(1).photos
        # one more may be there: kept, and the server gone before it could say so
        assert [entry.id for entry in photos][: len(confirmed)] == confirmed, f"seed {seed}"
        assert len(photos) <= len(confirmed) + 1, f"seed {seed}"
        advices = [entry.advice.to_json() for entry in photos]
        assert advices == [{"text": f"advice {k}"} for k in range(len(photos))]
        assert {finding.code for finding in book.archive.check()} <= {"unnamed-photo"}, f"seed {seed}"
    assert len(said) == 2 and all("does not answer. Check that it runs" in text for text in said), said
    write_one_more = book.photos.add(1, {}, photo=draw_noise(len(confirmed)), token=f"{len(confirmed)}")
    assert [entry.id for entry in book.lots.story(1).photos] == [*confirmed, write_one_more.id]
