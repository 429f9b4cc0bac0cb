"""Bottles of stock: counted down by the entries, followed by a fresh one, traced by their supplier's batch."""

import math

import pytest

from colourmatch.book.stocks import FRESH_REL_SD
from colourmatch.errors import ClosedError, InputError, NotFoundError

BOTTLE = {"supplier": "A supplier", "supplier_batch": "K-1207", "use_by": "2027-05-01"}


def test_what_is_left_is_counted_down_by_the_doses_that_count(book):
    red = book.stocks.add("red", "E129", 1.0, bottle={**BOTTLE, "amount_ml": 50})
    lot = book.lots.begin("A", 1000, ["red"]).id
    wrong = book.additions.add(lot, "red", ml=9)
    book.additions.correct(wrong.id, ml=4, reason="read again")
    spilt = book.additions.add(lot, "red", ml=2)
    book.additions.correct(spilt.id, void=True, reason="spilt")
    assert book.stocks.left_ml([red])[red.id] == pytest.approx(46)
    # a trial holds what was in its batch, and gives it back: only its own doses were poured
    trial = book.trials.take(lot, 100).id
    book.additions.add(trial, "red", ml=1)
    book.trials.pour_back(trial)
    assert book.stocks.left_ml([red])[red.id] == pytest.approx(45)
    book.stocks.dilute("red", 10, "thin", bottle={"amount_ml": 100})
    assert book.stocks.left_ml([red])[red.id] == pytest.approx(35)
    plain = book.stocks.add("plain", "E102", 1.0)
    assert book.stocks.left_ml([plain]) == {plain.id: None}


def test_a_fresh_bottle_starts_with_what_was_learnt_less_sure(book):
    old = book.stocks.add("red", "E129", 1.0, drop_ml=0.04, bottle=BOTTLE)
    lot = book.lots.begin("A", 900, ["red"]).id
    book.stocks.learn("red", 1.2, 0.05, lot)
    fresh = book.stocks.refill("red", bottle={"supplier_batch": "K-1300"}, token="once")
    assert book.stocks.refill("red", bottle={"supplier_batch": "K-1300"}, token="once").id == fresh.id
    assert (fresh.name, fresh.follows, fresh.drop_ml) == ("red", old.id, 0.04)
    assert (fresh.strength_factor, fresh.learnt_from_lot_id) == (1.2, lot)
    assert fresh.strength_rel_sd == pytest.approx(math.hypot(0.05, FRESH_REL_SD))
    assert (fresh.supplier_batch, fresh.use_by, fresh.supplier) == ("K-1300", None, None)
    assert not book.stocks.get(old.id).active and book.stocks.get("red").id == fresh.id
    other = book.stocks.add("yellow", "E102", 1.0)
    assert book.stocks.refill("yellow").strength_rel_sd == other.label_strength_rel_sd


@pytest.mark.both_databases
def test_a_batch_is_traced_through_bottles_thinned_ones_and_lots(book):
    book.stocks.add("red", "E129", 1.0, bottle=BOTTLE)
    book.stocks.dilute("red", 10, "thin")
    lots = [book.lots.begin(name, 1000, ["red"]).id for name in ("A", "B", "C", "D")]
    book.additions.add(lots[0], "red", ml=2)
    book.additions.add(lots[0], "red", ml=1)
    book.additions.add(lots[1], "thin", ml=5)
    mistaken = book.additions.add(lots[2], "red", ml=1)
    book.stocks.refill("red", bottle={"supplier_batch": "K-1300"})
    book.additions.correct(mistaken.id, stock="red", reason="it was the fresh bottle")
    book.additions.add(lots[3], "red", ml=1)
    stocks, doses = book.stocks.trace(" k-1207 ")
    assert [stock.name for stock in stocks] == ["red", "thin"]
    assert [(dose.lot_id, dose.ml) for dose in doses] == [(lots[0], 3), (lots[1], 5)]
    assert [dose.lot_id for dose in book.stocks.trace("K-1300")[1]] == [lots[2], lots[3]]
    with pytest.raises(NotFoundError, match="K-1207"):
        book.stocks.trace("K-120")


def test_what_a_bottle_says_is_put_right_and_impossible_days_are_refused(book):
    book.stocks.add("red", "E129", 1.0)
    said = {"supplier_batch": "K-1207", "amount_ml": 30}
    done = book.stocks.correct("red", "read on the bottle", bottle=said)
    assert (done.stock.supplier_batch, done.stock.amount_ml) == ("K-1207", 30)
    assert "K-1207" in done.stock.corrected[-1] and "read on the bottle" in done.stock.corrected[-1]
    with pytest.raises(InputError, match="so already"):
        book.stocks.correct("red", "again", bottle={"supplier_batch": "K-1207"})
    old = {"made_on": "2026-05-01", "use_by": "2026-04-01"}
    for bottle in ({"made_on": "tomorrow"}, old, {"amount_ml": 0}):
        with pytest.raises(InputError):
            book.stocks.add("new", "E129", 1.0, bottle=bottle)
    book.stocks.put_away("red")
    with pytest.raises(ClosedError):
        book.stocks.refill("red")
