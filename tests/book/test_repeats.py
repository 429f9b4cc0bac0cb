"""The same token again enters nothing twice, and is refused when it comes with other content."""

from collections.abc import Callable
from typing import Any

import pytest

from colourmatch.book.calibrations import CARD
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError

SEEN = {"delta_e_2000": {"value": 2.0, "low": 1.5, "high": 2.5}}

#: what is entered -> (a way to enter it, given the book, the lot and a content; the content, another)
Act = Callable[[LotBook, int, Any], Any]
KINDS: dict[str, tuple[Act, Any, Any]] = {
    "addition": (lambda b, n, v: b.additions.add(n, "red", drops=v, token="t"), 5, 6),
    "another stock": (lambda b, n, v: b.additions.add(n, v, drops=5, token="t"), "red", "yellow"),
    "another lot": (lambda b, n, v: b.additions.add(n + v, "red", drops=5, token="t"), 0, 1),
    "another unit": (lambda b, n, v: b.additions.add(n, "red", **{v: 5}, token="t"), "ml", "grams"),
    "sample": (lambda b, n, v: b.volumes.take_sample(n, 10, returned=v, token="t"), False, True),
    "untinted": (lambda b, n, v: b.volumes.add_untinted(n, v, token="t"), 10, 11),
    "another kind": (lambda b, n, v: getattr(b.volumes, v)(n, 10, token="t"), "add_untinted", "take_sample"),
    "note": (lambda b, n, v: b.entries.add_note(n, v, token="t"), "a", "b"),
    "measurement": (lambda b, n, v: b.photos.add(n, v, token="t"), SEEN, {}),
    "closing": (lambda b, n, v: b.lots.close(n, v, token="t"), "matched", "nearest"),
    "amendment": (lambda b, n, v: b.lots.amend(n, "x", tolerance=v, token="t"), 2, 3),
    "reason": (lambda b, n, v: b.lots.amend(n, v, tolerance=2, token="t"), "x", "y"),
    "trial": (lambda b, n, v: b.trials.take(n, v, token="t"), 90, 80),
    "lot": (lambda b, _, v: b.lots.begin("Bitter", v, ["red", "yellow"], number="B1", token="t"), 900, 901),
    "stocks of a lot": (lambda b, _, v: b.lots.begin("Bitter", 900, v.split(), token="t"), "red yellow", "yellow red"),
    "stock": (lambda b, _, v: b.stocks.add("blue", "E133", v, token="t"), 1, 2),
    "weighed": (lambda b, _, v: b.stocks.weigh("red", 40, v, token="t"), 1.9, 1.8),
    "learnt": (lambda b, n, v: b.stocks.learn("red", v, 0.05, n, token="t"), 0.9, 0.8),
    "learnt of another": (lambda b, n, v: b.stocks.learn(v, 0.9, 0.05, n, token="t"), "red", "yellow"),
    "label": (lambda b, _, v: b.stocks.correct("red", "x", strength_g_per_100ml=v, token="t").stock, 2, 3),
    "reference": (lambda b, _, v: b.references.add(v, token="t"), "Bottle", "Jar"),
    "reading": (lambda b, _, v: b.references.add_reading(
        b.references.add("Bottle", token="r").id, (v, 40, 30), depth_mm=10, token="t"), 60, 61),
    "card": (lambda b, _, v: b.calibrations.add(CARD, "home", {"greys": [v]}, token="t"), 0.1, 0.2),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_a_token_that_comes_again_with_other_content_is_refused(book, lot, kind):
    enter, content, other = KINDS[kind]
    book.lots.begin("Second", 900, "red")
    first = enter(book, lot, content)
    assert enter(book, lot, content) == first
    with pytest.raises(InputError, match=r"with the token '.*' already"):
        enter(book, lot, other)
    assert enter(book, lot, content) == first


def test_what_is_about_an_entry_is_compared_too(book, lot, jpeg):
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


def test_a_stock_that_was_renamed_since_is_the_same(book, lot):
    first = book.additions.add(lot, "red", drops=5, token="t")
    book.stocks.correct("red", "mistyped", name="crimson")
    for name in ("red", "crimson", first.stock_id):
        assert book.additions.add(lot, name, drops=5, token="t").id == first.id
