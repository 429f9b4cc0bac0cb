"""Two bottles of one colourant: the countable dose wins, one bottle alone is advised, and the sentence says why."""

from dataclasses import replace

import pytest
from test_problem import RED, ask

from colourmatch.dosing.advice import advise
from colourmatch.dosing.bottles import choose_bottles, pick_bottle
from colourmatch.liquid.stock import Stock

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
