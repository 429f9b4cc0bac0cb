"""Where the truth is known: what another bottle of the maker's would bring, and what a batch looks like in a glass."""

from dataclasses import replace

import numpy as np
import pytest
from known_liquids import VIEW, look
from test_problem import PLAIN, RED, ask

from colourmatch.advice import Rescue
from colourmatch.colour.difference import Figure, ciede2000
from colourmatch.dosing import shelf_gain
from colourmatch.dosing.advice import advise
from colourmatch.dosing.serving import look_at
from colourmatch.dosing.shelf_gain import find_missing_kind, find_other_stocks, hold_back
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.lot_model import StockPrior, expect_stock
from colourmatch.liquid.model import View
from colourmatch.liquid.stock import Addition, Stock

GOLD = Stock("gold", "E102", 0.5)
BLUE = Stock("blue", "E133", 0.1)
#: The truth: red and yellow; the lot has the red alone.
TWO = {"E129": 40.0, "E102": 25.0}


def bottle(stock: Stock) -> tuple[Stock, StockPrior]:
    return stock, expect_stock(stock.name, stock.colourant)


SHORT = ask((RED,), drops=(72,), reference=TWO, sd=0.05)


def test_the_bottle_that_closes_the_gap_is_named_with_what_it_brings():
    advice = advise(replace(SHORT, photos_of_state=2))
    assert shelf_gain.is_out_of_reach(advice, SHORT.tolerance)
    (gold,) = find_other_stocks(SHORT, [bottle(GOLD), bottle(BLUE)])
    assert gold.stock == "gold" and gold.reachable.value < advice.reachable.value - 1
    assert gold.gain.low > 0 and gold.gain.low <= gold.gain.value <= gold.gain.high
    # What is truly missing: 25 mg/l of yellow, 0.25 mg a drop.
    truly = 25 * SHORT.state.volume_ml / 1000 / GOLD.mg_per_drop
    dose = next(d for d in gold.doses if d.stock == "gold")
    assert 0.6 * truly < dose.drops < 1.5 * truly
    assert gold.text.startswith("With gold from your shelf as well, about ")
    assert f": about {dose.drops} drops of it" in gold.text


def test_no_other_bottle_is_named_where_the_lots_own_will_do():
    advice = advise(PLAIN)
    assert not shelf_gain.is_out_of_reach(advice, PLAIN.tolerance)
    assert find_other_stocks(ask(drops=(70,), sd=0.05), [bottle(GOLD), bottle(BLUE)]) == ()
    assert find_other_stocks(SHORT, []) == ()
    assert find_other_stocks(SHORT, [bottle(Stock("red too", "E129", 0.1))]) == ()


@pytest.mark.parametrize("ceiling", [42.0, 50.0])
def test_another_bottle_keeps_every_ceiling(ceiling):
    bound = replace(SHORT, ceiling_mg_per_l=ceiling)
    for one in find_other_stocks(bound, [bottle(GOLD)]):
        state = bound.state
        for dose in one.doses:
            state = state.add(Addition.from_drops({"red": RED, "gold": GOLD}[dose.stock], dose.drops))
        assert state.total_mg_per_l() <= ceiling + 1e-9
    free = find_other_stocks(SHORT, [bottle(GOLD)])[0]
    found = find_other_stocks(bound, [bottle(GOLD)])
    assert not found or found[0].reachable.value >= free.reachable.value - 0.05


def test_a_step_goes_no_further_than_is_right_beside_the_other_bottle():
    halfway = replace(ask((RED,), drops=(40,), reference=TWO, sd=0.05), photos_of_state=2)
    advice = advise(halfway)
    (gold,) = find_other_stocks(halfway, [bottle(GOLD)])
    own = next(d.drops for d in gold.doses if d.stock == "red")
    # 72 drops are 40 mg/l, as in the reference; alone much more red would lower the figure.
    assert advice.doses[0].drops > own and 0.7 * 72 < 40 + own < 1.3 * 72
    held = hold_back(halfway, advice, gold)
    assert (held.action, [d.drops for d in held.doses]) == ("add", [own])
    assert held.text.startswith(f"Add {own} drops of red") and held.predicted != advice.predicted
    assert hold_back(halfway, held, gold) is held
    few = replace(advice, doses=(replace(advice.doses[0], drops=1),))
    assert hold_back(halfway, few, gold) is few


def test_where_nothing_more_is_right_beside_the_other_bottle_it_stops_and_says_why():
    advice = advise(replace(SHORT, photos_of_state=2))
    assert advice.action == "add"
    gold = replace(find_other_stocks(SHORT, [bottle(GOLD)])[0], doses=())
    held = hold_back(SHORT, advice, gold)
    assert (held.action, held.reason, held.doses, held.predicted) == ("stop", "nearest", (), None)
    assert held.text.startswith("Stop here for now. Another ")
    assert held.text.endswith("but be too much once gold goes in.")
    assert hold_back(SHORT, held, gold) is held


def test_a_colour_that_nobody_has_holds_back_only_where_less_would_help_too():
    advice, missing = advise(replace(SHORT, photos_of_state=2)), find_missing_kind(SHORT)
    assert missing is not None and advice.rescue is None
    assert hold_back(SHORT, advice, missing) is advice
    rescue = Rescue(
        untinted_ml=300.0, predicted=Figure(value=9.0, low=8.0, high=10.0), chance_past=0.8,
        text="Blend back about 300 ml of untinted batch.",
    )  # fmt: skip
    torn = replace(advice, rescue=rescue)
    held = hold_back(SHORT, torn, replace(missing, doses=()))
    assert (held.action, held.reason, held.rescue) == ("stop", "past", rescue)
    assert held.text.startswith("Stop: the batch is past the match") and rescue.text in held.text


def test_where_no_bottle_helps_the_kind_of_colour_is_named_and_no_colourant():
    missing = find_missing_kind(SHORT)
    assert missing is not None and missing.kind in ("yellow", "orange", "brown")
    # of the others tartrazine, sunset yellow and caramel may bring as much: the sentence names two, by the alphabet
    assert missing.also in ("yellow", "orange", "brown") and missing.also != missing.kind
    assert " or ".join(sorted((missing.kind, missing.also))) in missing.text
    assert missing.gain.low > 0 and "None of your stocks" in missing.text
    kinds = {code for _, code in shelf_gain.KINDS}
    codes = {find_colourant(code).name for code in kinds} | kinds
    assert not any(code in missing.text for code in codes) and "buy" not in missing.text
    assert find_missing_kind(ask(drops=(70,), sd=0.05)) is None


TALL = View(60, 4, "D65", 1.0, "tall glass")
LONG = View(60, 4, "A", 1.0, "long drink")
#: A reference of another dye, so that no dose matches everywhere.
OTHER = {"E124": 45.0}


def true_best(view: View) -> tuple[float, float]:
    """mg/l of the red that comes nearest in a view, and the difference there, by trying them all."""
    doses = np.arange(0, 120, 0.25)
    labs = np.array([look({"E129": dose}, view=view) for dose in doses])
    away = ciede2000(look(OTHER, view=view), labs)
    return float(doses[away.argmin()]), float(away.min())


def test_the_dose_that_matches_thinned_is_not_the_one_of_a_tall_glass():
    problem = ask(reference=OTHER, drops=(50,), sd=0.05)
    thinned, tall = look_at(problem, (VIEW, TALL))
    held = problem.state.concentration_mg_per_l(RED)
    wanted = {view: true_best(view)[0] - held for view in (VIEW, TALL)}
    # By trying all doses on the true spectra: 36 mg/l match 1 + 4 in 10 mm, 41 in the glass of 6 cm.
    assert (wanted[VIEW] + held, wanted[TALL] + held) == pytest.approx((36.25, 41.0))
    per_drop = 1000 * RED.mg_per_drop / problem.state.volume_ml
    for one in (thinned, tall):
        (dose,) = one.to_match
        assert dose.stock == "red" and dose.low <= dose.drops <= dose.high
    (here,), (there,) = thinned.to_match, tall.to_match
    assert here.low <= wanted[VIEW] / per_drop <= here.high
    assert there.low <= wanted[TALL] / per_drop <= there.high
    assert there.drops > here.drops


def test_the_difference_in_each_look_is_the_true_one_where_the_dye_is_the_same():
    problem = ask(reference={"E129": 40.0}, drops=(40,), sd=0.03)
    held = {"E129": problem.state.concentration_mg_per_l(RED)}
    views = (VIEW, TALL, LONG)
    for view, one in zip(views, look_at(problem, views), strict=True):
        truth = float(ciede2000(look({"E129": 40.0}, view=view), look(held, view=view)))
        assert one.delta_e_2000.low - 0.3 <= truth <= one.delta_e_2000.high + 0.3
        assert one.after_step is None and one.spots.batch_after is None
        assert "paler" in one.text or "less red" in one.text


def test_liquids_that_may_be_alike_or_far_apart_are_told_as_both():
    deep = View(60, 1)
    unsure = ask(reference={"E129": 40.0}, drops=(72,), sd=0.4)
    (one,) = look_at(replace(unsure, views=(deep,)), (deep,))
    assert one.delta_e_2000.low == 0 and one.delta_e_2000.high > 4
    assert one.text.startswith("perhaps alike, perhaps ")
    # its figure stands in the middle of what it may be, as the one after a step does
    (then,) = look_at(replace(unsure, views=(deep,)), (deep,), [0.0001])
    assert one.delta_e_2000.value == pytest.approx(then.after_step.value, abs=0.2)
    assert one.delta_e_2000.value > 1
