"""Doses by scale and by syringe: the numbers by hand, never more than the plan's, and the sentence in the same unit."""

from types import SimpleNamespace

import pytest

from colourmatch.book.lot_book import LotBook
from colourmatch.dosing.plan import MOST_DROPS
from colourmatch.words.advice import tell_doses, tell_step
from colourmatch.workflow.by_hand import measure_dose, tell_by_hand, warn_of_weight

SYRUP = SimpleNamespace(name="red", density_g_per_ml=1.2, drop_ml=0.04)


@pytest.mark.parametrize(
    ("hand", "quantity", "text"),
    [
        ("drops", 617, "617 drops of red"),
        ("ml", 24.68, "24.68 ml of red"),
        ("grams", 29.61, "29.61 g of red"),
    ],
)
def test_a_dose_in_each_unit_is_never_more_than_the_plans(hand, quantity, text):
    told = measure_dose(SYRUP, hand, 617, 24.68)
    assert (told["quantity"], told["text"], warn_of_weight(told)) == (quantity, text, None)
    if hand == "grams":
        assert told["quantity"] / 1.2 <= 24.68


def test_a_weight_that_the_scale_hardly_tells_is_said():
    assert "to 4 %" in warn_of_weight(measure_dose(SYRUP, "grams", 5, 0.2))


def advice_of(drops: int, ml: float) -> dict:
    step = tell_step(tell_doses([("red", drops, ml)], MOST_DROPS))
    one = {"stock": "red", "drops": drops, "ml": ml, "mg_per_l": 1.0}
    return {
        "doses": [one],
        "to_match": [{"stock": "red", "drops": 700, "low": 500, "high": 1000}],
        "text": step,
    }


@pytest.mark.parametrize(("drops", "ml"), [(600, 30.0), (20, 1.0)])
def test_the_sentence_names_grams_where_the_lot_is_weighed(book: LotBook, drops, ml):
    book.stocks.add("red", "E129", 1.0)
    plain, weighed = (
        book.lots.begin(f"A {hand}", 20_000, ["red"], hand=hand).id for hand in ("drops", "grams")
    )
    told = tell_by_hand(book, book.lots.story(weighed), advice_of(drops, ml))
    assert told["text"].startswith(f"Add {ml:.2f} g of red, stir") and "drop" not in told["text"]
    assert told["to_match"][0]["measured"]["text"] == "35 (25 to 50) g of red"
    same = tell_by_hand(book, book.lots.story(plain), advice_of(drops, ml))
    assert same["text"] == advice_of(drops, ml)["text"] and same["to_match"][0]["measured"] is None


def test_a_stock_says_its_own_hand(book: LotBook):
    book.stocks.add("red", "E129", 1.0, bottle={"hand": "ml"})
    lot = book.lots.begin("A", 20_000, ["red"]).id
    assert (
        tell_by_hand(book, book.lots.story(lot), advice_of(20, 1.0))["doses"][0]["measured"]["unit"] == "ml"
    )
    entry = book.additions.add(lot, "red", grams=12.5)
    assert (entry.unit, entry.quantity, entry.ml) == ("grams", 12.5, 12.5)
