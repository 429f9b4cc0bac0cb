"""Dilution and dose against worked examples, what must hold for every batch, stocks from powder and from liquid."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from colourmatch.errors import InputError
from colourmatch.liquid import stock as stocks
from colourmatch.liquid.make_up import dye_share, plan_liquid, plan_powder
from colourmatch.liquid.stock import Addition, BatchState, Stock, dilute, weigh_drops

RED = Stock("red", "E129", 0.1)  # 1 g/l

# Worked examples of c1 V1 = c2 V2 in general chemistry texts; seen. Tolerance: half a unit of the last digit.
DILUTIONS = [
    (8.00, 1.00, 100, 12.5, 0.05),
    (2.5, 0.50, 152, 30.4, 0.05),
    (0.150, 0.0230, 10.0, 1.533, 0.0005),
]


@pytest.mark.parametrize(("strong", "weak", "wanted_ml", "expected_ml", "tolerance"), DILUTIONS)
def test_dilution_examples(strong, weak, wanted_ml, expected_ml, tolerance):
    thin = dilute(Stock("red", "E129", strong), wanted_ml / expected_ml)
    assert thin.strength_g_per_100ml == pytest.approx(weak, rel=tolerance / expected_ml)


def test_a_batch_that_grows_is_dosed_by_drops_volume_or_weight():
    # Computed: 40 drops of 0.05 ml at 1 g/l into 100 ml give 19.61 mg/l, not 20.00; 20 mg/l needs 40.8 drops.
    batch = BatchState(100).add(Addition.from_drops(RED, 40))
    assert batch.volume_ml == pytest.approx(102)
    assert batch.concentration_mg_per_l(RED) == pytest.approx(19.61, abs=0.005)
    assert BatchState(100).drops_for(RED, 20) == pytest.approx(40.8, abs=0.05)
    syrup = Stock("red", "E129", 1.0, density_g_per_ml=1.25)
    by = [Addition.from_drops(syrup, 20), Addition.from_ml(syrup, 1.0), Addition.from_grams(syrup, 1.25)]
    assert [addition.ml for addition in by] == pytest.approx([1, 1, 1])
    assert [addition.mg for addition in by] == pytest.approx([10, 10, 10])
    assert by[1].drops == pytest.approx(20)


def test_weighed_drops_give_their_volume_and_a_smaller_uncertainty():
    weighed = weigh_drops(RED, 40, 1.93)
    assert weighed.drop_ml == pytest.approx(1.93 / 40)
    # GUM by hand: scale 0.0041/1.93, half a drop in 40, 5 % over the root of 40, 3 % from day to day.
    expected = math.sqrt((0.01 / math.sqrt(6) / 1.93) ** 2 + (0.5 / 40) ** 2 + 0.05**2 / 40 + 0.03**2)
    assert weighed.rel_sd == pytest.approx(expected)
    assert weighed.rel_sd < weigh_drops(RED, 10, 0.48).rel_sd < RED.drop_rel_sd
    assert weigh_drops(RED, 40, 1.93, 1.25).drop_ml == pytest.approx(1.93 / 40 / 1.25)


doses = st.lists(st.tuples(st.sampled_from(["red", "yellow"]), st.floats(0.01, 50)), max_size=8)


@given(doses, st.floats(50, 20_000))
def test_milligrams_and_volume_add_up(dose, volume_ml):
    stocks = {"red": RED, "yellow": Stock("yellow", "E102", 0.5, made_in="batch")}
    batch = BatchState(volume_ml)
    for name, ml in dose:
        batch = batch.add(Addition.from_ml(stocks[name], ml))
    red_ml = sum(ml for name, ml in dose if name == "red")
    yellow_ml = sum(ml for name, ml in dose if name == "yellow")
    assert batch.volume_ml == pytest.approx(volume_ml + red_ml)
    assert batch.mg.get("red", 0) == pytest.approx(red_ml * 1.0)
    assert batch.colourant_mg_per_l("E102") == pytest.approx(yellow_ml * 5 / batch.volume_ml * 1000)
    assert batch.total_mg_per_l() == pytest.approx((red_ml + 5 * yellow_ml) / batch.volume_ml * 1000)


@given(st.floats(50, 20_000), st.floats(0.5, 200), st.floats(0, 40), st.sampled_from(["water", "batch"]))
def test_drops_for_a_target_reach_the_target(volume_ml, target, drops_before, made_in):
    stock = Stock("red", "E129", 1.0, made_in=made_in)
    batch = BatchState(volume_ml)
    if drops_before > 0:
        batch = batch.add(Addition.from_drops(stock, drops_before))
    drops = batch.drops_for(stock, target)
    if drops == 0:
        assert batch.concentration_mg_per_l("red") >= target - 1e-9
    elif drops <= 100_000:
        after = batch.add(Addition.from_drops(stock, drops))
        assert after.concentration_mg_per_l(stock) == pytest.approx(target, rel=1e-9)


def test_a_sample_and_the_colour_of_the_base():
    batch = BatchState(1000, already_mg_per_l=7).add(Addition.from_ml(RED, 20))
    after = batch.take_sample(300)
    assert after.volume_ml == pytest.approx(720)
    assert after.mg["red"] == pytest.approx(20 * 720 / 1020)
    assert after.total_mg_per_l() == pytest.approx(batch.total_mg_per_l())
    assert after.colourant_mg_per_l("E129") == pytest.approx(batch.colourant_mg_per_l("E129"))
    batch = BatchState(100, already_mg_per_l=10)
    assert batch.add(Addition.from_ml(RED, 25)).already_mg_per_l == pytest.approx(8)
    assert batch.add_untinted(25).already_mg_per_l == 10
    assert batch.add(Addition.from_ml(RED, 25)).add_untinted(125).total_mg_per_l() == pytest.approx(108)


@pytest.mark.parametrize("target_mg_per_l, volume_ml", [(0.05, 250), (1.0, 900), (20.0, 5000), (20.0, 250)])
def test_suggested_strength_makes_the_dose_20_to_60_drops(target_mg_per_l, volume_ml):
    stock = Stock("red", "E129", 10.0)
    advice = stocks.suggest_strength(stock, target_mg_per_l, volume_ml)
    ideal = Stock("red", "E129", advice.strength_g_per_100ml)
    assert BatchState(volume_ml).drops_for(ideal, target_mg_per_l) == pytest.approx(math.sqrt(20 * 60))
    assert advice.fold is not None and 20 <= advice.drops <= 60
    assert BatchState(volume_ml).drops_for(dilute(stock, advice.fold), target_mg_per_l) == advice.drops


def test_weak_stock_is_told_how_strong_it_should_be():
    advice = stocks.suggest_strength(Stock("red", "E129", 0.01), 50, 900)
    assert advice.fold is None
    assert advice.text == "red is weak for this batch: make a stock of about 2.6 g in 100 ml."
    assert stocks.suggest_strength(Stock("red", "E129", 0.001), 50, 900).drops == math.inf


GOOD = {"name": "red", "colourant": "E129", "strength_g_per_100ml": 1.0}


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"strength_g_per_100ml": -1}, "Strength must be more than 0 and at most 100, not -1"),
        ({"strength_g_per_100ml": 0}, "Strength must be more than 0"),
        ({"strength_g_per_100ml": 1e-300}, "Strength must be at least 0.000001 g in 100 ml, not 1e-300"),
        ({"strength_g_per_100ml": math.nan}, "not nan"),
        ({"strength_g_per_100ml": math.inf}, "not inf"),
        ({"strength_g_per_100ml": 101}, "at most 100, not 101"),
        ({"strength_g_per_100ml": "strong"}, "Strength must be a number, not 'strong'"),
        ({"strength_g_per_100ml": None}, "Strength must be a number"),
        ({"drop_ml": 0.6}, "Drop must be more than 0 and at most 0.5, not 0.6"),
        ({"drop_ml": 0.001}, "Drop must be at least 0.005 ml, not 0.001"),
        ({"drop_ml": -0.05}, "Drop must be more than 0"),
        ({"made_in": "syrup"}, 'made in "water" or "batch"'),
        ({"name": " "}, "needs a name"),
        ({"name": "a\nb"}, "needs a name"),
        ({"name": "x" * 121}, "needs a name"),
        ({"density_g_per_ml": 3}, "Density must be"),
        ({"strength_rel_sd": 0}, "Strength spread"),
        ({"drop_rel_sd": 2}, "Drop spread"),
    ],
)
def test_impossible_stock_is_refused(changes, text):
    with pytest.raises(InputError, match=text):
        stocks.check_stock(Stock(**(GOOD | changes)))


@pytest.mark.parametrize("value", [0, -1, math.nan, math.inf, 1e9, "ten", None])
def test_impossible_amounts_are_refused(value):
    for make in (Addition.from_drops, Addition.from_ml, Addition.from_grams):
        with pytest.raises(InputError, match="must be"):
            make(RED, value)
    with pytest.raises(InputError, match="must be"):
        BatchState(100).take_sample(value)


def test_what_no_hand_can_do_is_refused():
    with pytest.raises(InputError, match="red holds 1000 mg/l and cannot bring a batch to 1000 mg/l"):
        BatchState(100).drops_for(RED, 1000)
    with pytest.raises(InputError, match="at least 1"):
        dilute(RED, 0.5)
    with pytest.raises(InputError, match="sample of 100 ml cannot be taken from 100 ml"):
        BatchState(100).take_sample(100)
    wrong = ((3, 0.15, "too few"), (40, 0, "Weight"), (0, 1, "Number"), (40, 193, "no dropper"))
    for drops, grams, text in wrong:
        with pytest.raises(InputError, match=text):
            weigh_drops(RED, drops, grams)


def test_powder_and_liquid_count_their_dye_and_little_powder_weighs_badly():
    made = plan_powder(1.0, 50.0, 0.85)
    assert (made.dye_g, made.powder_g) == pytest.approx((0.5, 0.5 / 0.85))
    assert made.text.startswith("Weigh 0.588 g of powder") and made.text.endswith("up to 50 ml.")
    assert "weighs badly" in plan_powder(0.1, 50.0).text
    assert "weighs badly" not in plan_powder(1.0, 100.0).text
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
