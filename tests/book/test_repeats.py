"""The same token again enters nothing twice, and is refused when it comes with other content."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from colourmatch.book.calibrations import CARD
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError

SEEN = {"delta_e_2000": {"value": 2.0, "low": 1.5, "high": 2.5}}

#: what is entered -> (a way to enter it, the same with other content), each given the book and the lot
Act = Callable[[LotBook, int], Any]
KINDS: dict[str, tuple[Act, Act]] = {
    "addition": (
        lambda b, n: b.additions.add(n, "red", drops=5, token="t"),
        lambda b, n: b.additions.add(n, "red", drops=6, token="t"),
    ),
    "another stock": (
        lambda b, n: b.additions.add(n, "red", drops=5, token="t"),
        lambda b, n: b.additions.add(n, "yellow", drops=5, token="t"),
    ),
    "another unit": (
        lambda b, n: b.additions.add(n, "red", ml=5, token="t"),
        lambda b, n: b.additions.add(n, "red", grams=5, token="t"),
    ),
    "sample": (
        lambda b, n: b.volumes.take_sample(n, 10, token="t"),
        lambda b, n: b.volumes.take_sample(n, 10, returned=True, token="t"),
    ),
    "untinted": (
        lambda b, n: b.volumes.add_untinted(n, 10, token="t"),
        lambda b, n: b.volumes.add_untinted(n, 11, token="t"),
    ),
    "another kind": (
        lambda b, n: b.volumes.add_untinted(n, 10, token="t"),
        lambda b, n: b.volumes.take_sample(n, 10, token="t"),
    ),
    "note": (
        lambda b, n: b.entries.add_note(n, "a", token="t"),
        lambda b, n: b.entries.add_note(n, "b", token="t"),
    ),
    "measurement": (
        lambda b, n: b.photos.add(n, SEEN, token="t"),
        lambda b, n: b.photos.add(n, {}, token="t"),
    ),
    "closing": (
        lambda b, n: b.lots.close(n, "matched", token="t"),
        lambda b, n: b.lots.close(n, "nearest", token="t"),
    ),
    "amendment": (
        lambda b, n: b.lots.amend(n, "x", tolerance=2, token="t"),
        lambda b, n: b.lots.amend(n, "x", tolerance=3, token="t"),
    ),
    "reason": (
        lambda b, n: b.lots.amend(n, "x", tolerance=2, token="t"),
        lambda b, n: b.lots.amend(n, "y", tolerance=2, token="t"),
    ),
    "trial": (lambda b, n: b.trials.take(n, 90, token="t"), lambda b, n: b.trials.take(n, 80, token="t")),
    "lot": (
        lambda b, _: b.lots.begin("Bitter", 900, ["red", "yellow"], number="B1", token="t"),
        lambda b, _: b.lots.begin("Bitter", 901, ["red", "yellow"], number="B1", token="t"),
    ),
    "stocks of a lot": (
        lambda b, _: b.lots.begin("Bitter", 900, ["red", "yellow"], token="t"),
        lambda b, _: b.lots.begin("Bitter", 900, ["yellow", "red"], token="t"),
    ),
    "stock": (
        lambda b, _: b.stocks.add("blue", "E133", 1, token="t"),
        lambda b, _: b.stocks.add("blue", "E133", 2, token="t"),
    ),
    "weighed": (
        lambda b, _: b.stocks.weigh("red", 40, 1.9, token="t"),
        lambda b, _: b.stocks.weigh("red", 40, 1.8, token="t"),
    ),
    "learnt": (
        lambda b, n: b.stocks.learn("red", 0.9, 0.05, n, token="t"),
        lambda b, n: b.stocks.learn("red", 0.8, 0.05, n, token="t"),
    ),
    "learnt of another": (
        lambda b, n: b.stocks.learn("red", 0.9, 0.05, n, token="t"),
        lambda b, n: b.stocks.learn("yellow", 0.9, 0.05, n, token="t"),
    ),
    "stock put right": (
        lambda b, _: b.stocks.correct("red", "x", strength_g_per_100ml=2, token="t").stock,
        lambda b, _: b.stocks.correct("red", "x", strength_g_per_100ml=3, token="t").stock,
    ),
    "reference": (
        lambda b, _: b.references.add("Bottle", token="t"),
        lambda b, _: b.references.add("Jar", token="t"),
    ),
    "reading": (
        lambda b, _: b.references.add_reading(
            b.references.add("Bottle", token="r").id, (60, 40, 30), depth_mm=10, token="t"
        ),
        lambda b, _: b.references.add_reading(
            b.references.add("Bottle", token="r").id, (61, 40, 30), depth_mm=10, token="t"
        ),
    ),
    "card": (
        lambda b, _: b.calibrations.add(CARD, "home", {"greys": [0.1]}, token="t"),
        lambda b, _: b.calibrations.add(CARD, "home", {"greys": [0.2]}, token="t"),
    ),
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_token_that_comes_again_with_other_content_is_refused(book: LotBook, lot: int, kind: str) -> None:
    enter, other = KINDS[kind]
    first = enter(book, lot)
    assert enter(book, lot) == first
    with pytest.raises(InputError, match=r"with the token '.*' already"):
        other(book, lot)
    assert enter(book, lot) == first


@pytest.mark.both_databases
def test_what_is_about_an_entry_is_compared_too(book: LotBook, lot: int, jpeg: bytes) -> None:
    doses = [book.additions.add(lot, "red", drops=5) for _ in range(2)]
    photos = [book.photos.add(lot, SEEN) for _ in range(2)]
    sample = book.volumes.take_sample(lot, 10)
    moment = doses[0].created_at
    acts = (
        lambda k: book.photos.set_aside(lot, photos[k].id, "x", token="aside"),
        lambda k: book.entries.move(photos[k].id, moment, "x", token="moved"),
        lambda k: book.volumes.correct(sample.id, ml=9 + k, reason="x", token="volume"),
        lambda k: book.additions.correct(doses[0].id, drops=6 + k, reason="x", token="dose"),
        lambda k: book.additions.correct(doses[1].id, void=True, reason=f"x{k}", token="void"),
        lambda k: book.photos.add(lot, SEEN, photo=jpeg if k == 0 else None, token="photo"),
    )
    for act in acts:
        first = act(0)
        assert act(0) == first
        with pytest.raises(InputError, match="Something was entered with the token"):
            act(1)


def test_a_stock_that_was_renamed_since_is_the_same(book: LotBook, lot: int) -> None:
    first = book.additions.add(lot, "red", drops=5, token="t")
    book.stocks.correct("red", "mistyped", name="crimson")
    for name in ("red", "crimson", first.stock_id):
        assert book.additions.add(lot, name, drops=5, token="t").id == first.id
