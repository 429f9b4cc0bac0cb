"""The same token again enters nothing twice, and is refused when it comes with other content."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from colourmatch.book.calibrations import CARD, add_entry
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError

SEEN = {"delta_e_2000": {"value": 2.0, "low": 1.5, "high": 2.5}}

#: what is entered -> (a way to enter it, the same with other content), each given the book and the lot
Act = Callable[[LotBook, int], Any]
KINDS: dict[str, tuple[Act, Act]] = {
    "addition": (
        lambda b, n: b.add_addition(n, "red", drops=5, token="t"),
        lambda b, n: b.add_addition(n, "red", drops=6, token="t"),
    ),
    "another stock": (
        lambda b, n: b.add_addition(n, "red", drops=5, token="t"),
        lambda b, n: b.add_addition(n, "yellow", drops=5, token="t"),
    ),
    "another unit": (
        lambda b, n: b.add_addition(n, "red", ml=5, token="t"),
        lambda b, n: b.add_addition(n, "red", grams=5, token="t"),
    ),
    "sample": (
        lambda b, n: b.take_sample(n, 10, token="t"),
        lambda b, n: b.take_sample(n, 10, returned=True, token="t"),
    ),
    "untinted": (
        lambda b, n: b.add_untinted(n, 10, token="t"),
        lambda b, n: b.add_untinted(n, 11, token="t"),
    ),
    "another kind": (
        lambda b, n: b.add_untinted(n, 10, token="t"),
        lambda b, n: b.take_sample(n, 10, token="t"),
    ),
    "note": (lambda b, n: b.add_note(n, "a", token="t"), lambda b, n: b.add_note(n, "b", token="t")),
    "measurement": (
        lambda b, n: b.add_photo(n, SEEN, token="t"),
        lambda b, n: b.add_photo(n, {}, token="t"),
    ),
    "closing": (
        lambda b, n: b.close_lot(n, "matched", token="t"),
        lambda b, n: b.close_lot(n, "nearest", token="t"),
    ),
    "amendment": (
        lambda b, n: b.amend_lot(n, "x", tolerance=2, token="t"),
        lambda b, n: b.amend_lot(n, "x", tolerance=3, token="t"),
    ),
    "reason": (
        lambda b, n: b.amend_lot(n, "x", tolerance=2, token="t"),
        lambda b, n: b.amend_lot(n, "y", tolerance=2, token="t"),
    ),
    "trial": (lambda b, n: b.take_trial(n, 90, token="t"), lambda b, n: b.take_trial(n, 80, token="t")),
    "lot": (
        lambda b, _: b.new_lot("Bitter", 900, ["red", "yellow"], number="B1", token="t"),
        lambda b, _: b.new_lot("Bitter", 901, ["red", "yellow"], number="B1", token="t"),
    ),
    "stocks of a lot": (
        lambda b, _: b.new_lot("Bitter", 900, ["red", "yellow"], token="t"),
        lambda b, _: b.new_lot("Bitter", 900, ["yellow", "red"], token="t"),
    ),
    "stock": (
        lambda b, _: b.add_stock("blue", "E133", 1, token="t"),
        lambda b, _: b.add_stock("blue", "E133", 2, token="t"),
    ),
    "weighed": (
        lambda b, _: b.weigh_stock("red", 40, 1.9, token="t"),
        lambda b, _: b.weigh_stock("red", 40, 1.8, token="t"),
    ),
    "learnt": (
        lambda b, n: b.record_learnt("red", 0.9, 0.05, n, token="t"),
        lambda b, n: b.record_learnt("red", 0.8, 0.05, n, token="t"),
    ),
    "learnt of another": (
        lambda b, n: b.record_learnt("red", 0.9, 0.05, n, token="t"),
        lambda b, n: b.record_learnt("yellow", 0.9, 0.05, n, token="t"),
    ),
    "stock put right": (
        lambda b, _: b.correct_stock("red", "x", strength_g_per_100ml=2, token="t").stock,
        lambda b, _: b.correct_stock("red", "x", strength_g_per_100ml=3, token="t").stock,
    ),
    "reference": (
        lambda b, _: b.add_reference("Bottle", token="t"),
        lambda b, _: b.add_reference("Jar", token="t"),
    ),
    "reading": (
        lambda b, _: b.add_reference_reading(
            b.add_reference("Bottle", token="r").id, (60, 40, 30), depth_mm=10, token="t"
        ),
        lambda b, _: b.add_reference_reading(
            b.add_reference("Bottle", token="r").id, (61, 40, 30), depth_mm=10, token="t"
        ),
    ),
    "card": (
        lambda b, _: add_entry(b, CARD, "home", {"greys": [0.1]}, token="t"),
        lambda b, _: add_entry(b, CARD, "home", {"greys": [0.2]}, token="t"),
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
    doses = [book.add_addition(lot, "red", drops=5) for _ in range(2)]
    photos = [book.add_photo(lot, SEEN) for _ in range(2)]
    sample = book.take_sample(lot, 10)
    moment = doses[0].created_at
    acts = (
        lambda k: book.set_aside(lot, photos[k].id, "x", token="aside"),
        lambda k: book.move_entry(photos[k].id, moment, "x", token="moved"),
        lambda k: book.correct_volume(sample.id, ml=9 + k, reason="x", token="volume"),
        lambda k: book.correct_addition(doses[0].id, drops=6 + k, reason="x", token="dose"),
        lambda k: book.correct_addition(doses[1].id, void=True, reason=f"x{k}", token="void"),
        lambda k: book.add_photo(lot, SEEN, photo=jpeg if k == 0 else None, token="photo"),
    )
    for act in acts:
        first = act(0)
        assert act(0) == first
        with pytest.raises(InputError, match="Something was entered with the token"):
            act(1)


def test_a_stock_that_was_renamed_since_is_the_same(book: LotBook, lot: int) -> None:
    first = book.add_addition(lot, "red", drops=5, token="t")
    book.correct_stock("red", "mistyped", name="crimson")
    for name in ("red", "crimson", first.stock_id):
        assert book.add_addition(lot, name, drops=5, token="t").id == first.id
