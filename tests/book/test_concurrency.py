"""Several writers at once, and one that is killed."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from colourmatch.book import opening
from colourmatch.book.lot_book import open_book

pytestmark = pytest.mark.both_databases
ROOT = Path(__file__).parents[2]
WRITERS, EACH = 8, 6
KILLS = 3
#: A writer may wait for its turn as long as a busy disk needs: what is proved here is what was kept, not how fast.
PATIENCE_SECONDS = 900
WRITER = f"""
import os, sys
from colourmatch.book import opening
from colourmatch.book.lot_book import open_book
opening.BUSY_SECONDS = {PATIENCE_SECONDS}
"""


@pytest.fixture(autouse=True)
def _patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """Comes before any book is opened: those of this process wait as long as the writers beside it."""
    monkeypatch.setattr(opening, "BUSY_SECONDS", PATIENCE_SECONDS)


def start(code: str, *arguments: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER + code, *map(str, arguments)]
    places = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])}
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=places)


def test_eight_threads_lose_and_double_nothing(book, lot):
    other = book.lots.begin("Other", 900, "red").id

    def work(writer: int) -> None:
        for step in range(EACH):
            for _ in range(2):  # each dose is sent twice
                book.additions.add((lot, other)[step % 2], "red", drops=writer + 1, token=f"{writer}/{step}")

    with ThreadPoolExecutor(WRITERS) as pool:
        list(pool.map(work, range(WRITERS)))
    for chosen in (lot, other):
        doses = sorted(entry.quantity for entry in book.lots.story(chosen).additions)
        assert doses == sorted(float(w + 1) for w in range(WRITERS) for _ in range(EACH // 2))


def test_eight_processes_lose_and_double_nothing(book, lot, location):
    # one process imports all and has children before it opens anything: starting eight costs more than what they write
    code = """
def write(writer):
    book = open_book(sys.argv[1])
    for step in range(int(sys.argv[4])):
        book.additions.add(int(sys.argv[2]), "red", drops=1, token=f"{writer}/{step}")
        book.entries.add_note(int(sys.argv[2]), "n", token=f"shared/{step}")

children = []
for writer in range(int(sys.argv[3])):
    children.append(os.fork())
    if not children[-1]:
        write(writer)
        os._exit(0)
sys.exit(any(os.waitpid(child, 0)[1] for child in children))
"""
    assert start(code, location, lot, WRITERS, EACH).wait(PATIENCE_SECONDS) == 0
    story = book.lots.story(lot)
    assert len(story.additions) == WRITERS * EACH
    assert len(story.events) == WRITERS * EACH + EACH
    assert story.state().mg == pytest.approx({"red": 0.5 * WRITERS * EACH})


def test_several_make_the_same_fresh_book_at_once(location):
    barrier = threading.Barrier(4)

    def work(writer: int) -> None:
        barrier.wait()
        with open_book(location) as book:
            book.stocks.add(f"s{writer}", "E129", 1)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, range(4)))
    with open_book(location) as book:
        assert len(book.stocks.all()) == 4
        assert book.archive.check() == []


def test_one_wins_among_many_that_want_the_same(book, lot):
    dose, other = book.additions.add(lot, "red", drops=5), book.lots.begin("Other", 900, "red").id
    book.lots.close(other, "matched")

    def attempt(writer: int) -> int:
        won = 0
        for act in (
            lambda: book.stocks.add("same", "E129", 1),
            lambda: book.lots.begin("Cordial", 900, "red", number="26-7"),
            lambda: book.additions.correct(dose.id, drops=writer + 1, reason="x"),
            lambda: book.lots.close(lot, "matched"),
            lambda: book.lots.reopen(other, "x"),
        ):
            try:
                act()
                won += 1
            except Exception as error:
                assert type(error).__name__ in ("InputError", "ClosedError"), error
        return won

    with ThreadPoolExecutor(WRITERS) as pool:
        assert sum(pool.map(attempt, range(WRITERS))) == 5


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a real kill")
def test_a_killed_writer_loses_nothing_that_was_confirmed(book, lot, location):
    """Doses, and lots of a photo with its advice and a closing: killed at a random moment, started again and killed again."""
    code = """
from known_pictures import draw_noise
book = open_book(sys.argv[1])
for step in range(int(sys.argv[3]), 1000):
    dose = book.additions.add(int(sys.argv[2]), "red", drops=1, token=f"dose {step}")
    other = book.lots.begin(f"lot {step}", 900, "red", token=f"lot {step}").id
    photo = book.photos.add(other, {"photo": "a.jpg"}, {"text": f"advice {step}"}, photo=draw_noise(step),
                            token=f"photo {step}")
    closing = book.lots.close(other, "matched", final={"text": f"closed {step}"}, token=f"closing {step}")
    print(step, dose.id, other, photo.id, closing.id, flush=True)
"""
    seed = random.randrange(2**32)
    chance = random.Random(seed)
    confirmed: dict[int, tuple[int, ...]] = {}
    for _ in range(KILLS):
        process = start(code, location, lot, len(confirmed))
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(chance.randrange(1, 10))]
        time.sleep(chance.uniform(0, 0.05))  # anywhere within an entry, not only at its end
        os.kill(process.pid, signal.SIGKILL)
        lines += process.stdout.readlines()
        process.wait(PATIENCE_SECONDS)
        process.stdout.close()
        # A line that was cut off confirms nothing; what it told of is sent again with the tokens it had.
        rows = [[int(word) for word in line.split()] for line in lines if line.endswith("\n")]
        confirmed |= {step: tuple(ids) for step, *ids in rows}
        with open_book(location) as opened:
            kept = [entry.id for entry in opened.lots.story(lot).additions]
            # a photo may lie there that no entry names yet: it is kept before it is named
            assert {finding.code for finding in opened.archive.check()} <= {"unnamed-photo"}, f"seed {seed}"
            for step, (_, other, photo, closing) in confirmed.items():
                story = opened.lots.story(other)
                assert [entry.id for entry in story.photos] == [photo], f"seed {seed}"
                assert story.photos[0].advice.to_json() == {"text": f"advice {step}"}
                assert opened.photo_store.path(story.photos[0].stored_name).read_bytes()
                assert story.closing.id == closing
                assert story.closing.final.to_json() == {"text": f"closed {step}"}
        assert kept[: len(confirmed)] == [ids[0] for ids in confirmed.values()], f"seed {seed}"
        assert len(kept) - len(confirmed) <= 1, f"seed {seed}"  # written, but killed before it said so
    assert len(confirmed) >= KILLS
    assert book.additions.add(lot, "red", drops=1).id > kept[-1]
    assert book.lots.story(lot).state().mg == pytest.approx({"red": (len(kept) + 1) * 0.5})
