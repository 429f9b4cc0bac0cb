"""Doses by scale and by syringe: the numbers by hand, never more than the plan's, and the sentence in the same unit."""

from dataclasses import replace

import pytest
from test_problem import RED, ask

from colourmatch.dosing.advice import advise
from colourmatch.dosing.doses import measure_dose, measure_range, warn_of_weight

SYRUP = replace(RED, name="red", density_g_per_ml=1.2, drop_ml=0.04)


@pytest.mark.parametrize(
    ("hand", "quantity", "text"),
    [
        ("drops", 617, "617 drops of red"),
        ("ml", 24.68, "24.68 ml of red"),
        ("grams", 29.61, "29.61 g of red"),
    ],
)
def test_a_dose_in_each_unit_is_never_more_than_the_plans(hand, quantity, text):
    told = measure_dose(replace(SYRUP, hand=hand), 617, 24.68)
    assert (told.quantity, told.text, warn_of_weight(told)) == (quantity, text, None)
    if hand == "grams":
        assert told.quantity / 1.2 <= 24.68


def test_a_weight_that_the_scale_hardly_tells_is_said():
    assert "to 4 %" in warn_of_weight(measure_dose(replace(SYRUP, hand="grams"), 5, 0.2))


def test_the_whole_dose_is_measured_too():
    assert measure_range(SYRUP, 700, 500, 1000) is None
    weighed = measure_range(replace(SYRUP, hand="grams"), 700, 500, 1000)
    assert (weighed.text, weighed.quantity) == ("33.6 (24 to 48) g of red", pytest.approx(700 * 0.04 * 1.2))


@pytest.mark.parametrize("litres", [0.9, 90.0])
def test_one_step_is_said_in_the_unit_of_the_hand(litres):
    """Beside a hand that counts drops, and says millilitres where there are too many of them to count."""
    problem = ask()
    problem = replace(problem, state=replace(problem.state, volume_ml=1000 * litres))
    by_drops, weighed = (
        advise(replace(problem, stocks=(replace(problem.stocks[0], hand=hand),)))
        for hand in ("drops", "grams")
    )
    (dose,), (grams,) = by_drops.doses, weighed.doses
    assert (grams.drops, grams.ml) == (dose.drops, dose.ml)
    assert f"Add {dose.ml:.2f} g of " in weighed.text and "drop" not in weighed.text.split(",")[0]
    assert (f"({dose.drops} drops)" in by_drops.text) == (litres > 1)
    assert by_drops.to_match[0].measured is None and weighed.to_match[0].measured.unit == "grams"


def test_a_stock_says_its_own_hand_and_a_lot_that_of_the_others(book):
    red = book.stocks.add("red", "E129", 1.0, bottle={"hand": "ml"})
    blue = book.stocks.add("blue", "E133", 1.0)
    assert [s.as_stock(lot_hand="grams").hand for s in (red, blue)] == ["ml", "grams"]
    entry = book.additions.add(book.lots.begin("A", 20_000, ["red"]).id, "red", grams=12.5)
    assert (entry.unit, entry.quantity, entry.ml) == ("grams", 12.5, 12.5)
