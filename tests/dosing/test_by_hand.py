"""Doses by scale and by syringe, never more than the plan's; of two bottles of one colourant the countable dose wins."""

from dataclasses import replace

import pytest
from test_problem import RED, ask

from colourmatch.dosing.advice import advise
from colourmatch.dosing.bottles import choose_bottles, pick_bottle
from colourmatch.dosing.doses import measure_dose, measure_range, warn_of_weight
from colourmatch.liquid.stock import Stock

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


def test_the_whole_dose_is_measured_and_a_weight_the_scale_hardly_tells_is_said():
    assert "to 4 %" in warn_of_weight(measure_dose(replace(SYRUP, hand="grams"), 5, 0.2))
    assert measure_range(SYRUP, 700, 500, 1000) is None
    weighed = measure_range(replace(SYRUP, hand="grams"), 700, 500, 1000)
    assert (weighed.text, weighed.quantity) == ("33.6 (24 to 48) g of red", pytest.approx(700 * 0.04 * 1.2))


@pytest.mark.parametrize("litres", [0.9, 90.0])
def test_one_step_is_said_in_the_unit_of_the_hand(litres):
    """Beside a hand that counts drops, and says millilitres where there are too many of them to count."""
    problem = ask()
    problem = replace(problem, state=replace(problem.state, volume_ml=1000 * litres))
    stocks = [replace(problem.stocks[0], hand=hand) for hand in ("drops", "grams")]
    by_drops, weighed = (advise(replace(problem, stocks=(stock,))) for stock in stocks)
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


WEAK = Stock("red 1 in 10", "E129", 0.1)
STRONG = Stock("red strong", "E129", 10.0)


# 0.5, 0.05 and 5 mg in a drop.
@pytest.mark.parametrize(
    ("whole", "missing", "used", "expected"),
    [
        (20, 20, set(), "red"),  # 40, 400 or 4 drops
        (1.5, 1.5, set(), "red 1 in 10"),  # 3, 30 or 0.3
        (200, 200, set(), "red strong"),  # 400, 4000 or 40
        (20, 0.4, {"red"}, "red 1 in 10"),  # the rest is 0.8 drops of red and 8 of the thinned one
        (20, 5.0, {"red"}, "red"),
        (20, 0.0, {"red"}, "red"),
    ],
)
def test_the_bottle_of_a_countable_dose(whole, missing, used, expected):
    for order in ((RED, WEAK, STRONG), (STRONG, WEAK, RED)):
        assert pick_bottle(order, whole, missing, used).name == expected


@pytest.mark.parametrize("stocks", [(RED, WEAK), (WEAK, RED)])
def test_the_planner_doses_with_one_bottle_and_says_why(stocks):
    problem = ask(stocks, reference={"E129": 22.0})
    chosen, (choice,) = choose_bottles(problem)
    assert chosen.barred == ("red 1 in 10",) and choice.advised == "red"
    advice = advise(chosen)
    assert [dose.stock for dose in advice.doses] == ["red"]
    assert {part.stock for part in advice.to_match} == {"red"}
    told = choice.to_json()
    assert told["instead_of"] == ["red 1 in 10"] and 20 <= told["whole_drops"]["red"] <= 60
    names = f"Of {stocks[0].name} and {stocks[1].name} (both E129)"
    assert choice.text.startswith(f"{names} use red: the whole dose")
    assert "; 20 to 60 can be stepped well." in choice.text
    # What is in a bottle that is not dosed leaves the ceilings as they are.
    bound = replace(chosen, ceiling_mg_per_l=30)
    assert bound.ceiling_left() == pytest.approx(replace(problem, ceiling_mg_per_l=30).ceiling_left())


def test_the_last_drops_come_from_the_weaker_bottle():
    problem = ask((RED, WEAK), drops=(70, 0), reference={"E129": 39.2})
    chosen, (choice,) = choose_bottles(problem)
    assert chosen.barred == ("red",) and "too little for a stronger one" in choice.text
