"""Stocks from powder and from liquid: published measures, worked sums, refusals."""

import pytest

from colourmatch.errors import InputError
from colourmatch.liquid.make_up import dye_share, plan_liquid, plan_powder


def test_powder_counts_its_dye_content_and_little_of_it_weighs_badly():
    made = plan_powder(1.0, 50.0, 0.85)
    assert (made.dye_g, made.powder_g) == pytest.approx((0.5, 0.5 / 0.85))
    assert made.text.startswith("Weigh 0.588 g of powder") and made.text.endswith("up to 50 ml.")
    assert "weighs badly" in plan_powder(0.1, 50.0).text
    assert "weighs badly" not in plan_powder(1.0, 100.0).text


def test_liquid_keeps_the_dye():
    made = plan_liquid(1.0, 50.0, 5.0, us=True)
    assert made.liquid_ml == pytest.approx(10.0)
    assert made.text.startswith("Measure 10 ml (2.03 tsp) of the liquid and make it up with water to 50 ml")


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: plan_powder(0, 50), "strength must be more than 0"),
        (lambda: plan_powder(float("nan"), 50), "strength must be more than 0"),
        (lambda: plan_powder(1, 0.5), "must be 1 to 100000 ml"),
        (lambda: plan_powder(1, 50, 0), "dye content must be more than 0"),
        (lambda: plan_liquid(5, 50, 1), "cannot be made up to 5"),
        (lambda: dye_share("E129", {}), "Give the one figure"),
        (lambda: dye_share("E129", {"percent": 4, "e1pct": 15}), "Give the one figure"),
        (lambda: dye_share("E129", {"percent": 104}), "E 1 %|which figure"),
        (lambda: dye_share("E129", {"e1pct": 800}), "E 1 %|which figure"),
        (lambda: dye_share("E129", {"colour_value": 0}), "E 1 %|which figure"),
    ],
)
def test_what_cannot_be_made_is_refused(call, said):
    with pytest.raises(InputError, match=said):
        call()


@pytest.mark.parametrize(
    ("colourant", "bottle", "share"),
    [
        ("E129", {"percent": 85}, 0.85), ("E163", {"e1pct": 15}, 15 / 300), ("E163", {"colour_value": 150}, 15 / 300),
        ("E162", {"percent": 0.4}, 0.004), ("E150c", {"a610": 0.34}, 2.0), ("spirulina", {"e1pct": 36}, 2.0),
        ("E129", {"e1pct": 600}, 1.0),  # as reagents differ from the purity criteria: counted as pure
    ],
)  # fmt: skip
def test_a_dose_goes_by_what_the_bottle_says(colourant, bottle, share):
    assert dye_share(colourant, bottle) == pytest.approx(share)
