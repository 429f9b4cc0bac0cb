"""Blending back, against batches that are past by a known amount."""

import pytest
from known_liquids import look
from test_problem import RED, ask, pour

from colourmatch.colour.difference import ciede2000
from colourmatch.dosing.advice import advise
from colourmatch.dosing.plan import plan_line
from colourmatch.dosing.rescue import MOST_BATCHES, find_filling_up, find_rescue
from colourmatch.liquid.stock import BatchState, Stock

MATCH_DROPS = 72.3  # of red in 900 ml for 40 mg/l
BLUE = Stock("blue", "E133", 0.5)


@pytest.mark.parametrize("times", [1.3, 1.6, 2.2])
def test_untinted_batch_brings_it_back(times):
    drops = round(times * MATCH_DROPS)
    problem = ask(drops=(drops,))
    rescue = find_rescue(problem)
    # The colour that is right for 900 ml is right for as many times the volume as there is too much of it.
    assert rescue.untinted_ml == pytest.approx(900 * (times - 1), rel=0.15)
    assert rescue.chance_past > 0.95
    now = problem.difference(*problem.blended([0.0])).mean()
    assert rescue.predicted.value < 0.4 * now
    assert rescue.predicted.low <= rescue.predicted.value <= rescue.predicted.high
    state, _ = pour((RED,), (drops,), BatchState(900))
    state = state.add_untinted(rescue.untinted_ml)
    base = (900 + rescue.untinted_ml) / state.volume_ml
    assert ciede2000(look({"E129": state.concentration_mg_per_l("red")}, base), look({"E129": 40})) < 1


def test_a_pale_batch_and_a_match_are_not_past():
    for drops in (20, 50):
        rescue = find_rescue(ask(drops=(drops,)))
        assert rescue.chance_past < 0.05 and rescue.untinted_ml == 0 and rescue.text == ""
    assert find_rescue(ask(drops=(72,))).chance_past < 0.5
    # nothing dosed: the base itself may be too dark, and untinted batch is the same base
    assert find_rescue(ask(reference={})) is None
    assert find_rescue(ask(drops=(400,))).untinted_ml <= MOST_BATCHES * 920 * 1.001


def test_words_and_figures():
    rescue = find_rescue(ask(drops=(110,)))
    assert rescue.to_json()["untinted_ml"] == round(rescue.untinted_ml, 1)
    assert f"{float(f'{rescue.untinted_ml:.2g}'):g} ml of untinted batch" in rescue.text
    assert rescue.text.startswith("Blend back about ") and rescue.text.endswith("photograph again.")


def test_colour_of_another_bottle_is_set_aside_and_filled_up():
    problem = ask((RED, BLUE), drops=(40, 30), barred=("blue",))
    advice = advise(problem)
    assert (advice.action, advice.reason) == ("stop", "past")
    rescue = advice.rescue
    kept = 1 - rescue.set_aside_ml / problem.state.volume_ml
    assert 0 < kept < 0.5 and rescue.untinted_ml == rescue.set_aside_ml
    filled = problem.filled_up(kept)
    assert filled.state.volume_ml == problem.state.volume_ml
    held = {e: filled.state.colourant_mg_per_l(e) for e in ("E129", "E133")}
    share = 1 - (1 - problem.state.base_share) * kept
    # by Beer-Lambert: what is left of the blue, and the red poured again
    reached = ciede2000(look({"E129": 40, "E133": held["E133"]}, share), look({"E129": 40}))
    assert reached < advice.now.value / 5
    assert rescue.predicted.low - 0.3 < reached < rescue.predicted.high + 0.3
    state, _ = pour((RED, BLUE), (40, 30), BatchState(900))
    state = state.take_sample(rescue.set_aside_ml).add_untinted(rescue.set_aside_ml)
    assert state.mg == pytest.approx(filled.state.mg)
    assert state.volume_ml == pytest.approx(filled.state.volume_ml)


@pytest.mark.parametrize(
    "case", [{"drops": (50,)}, {"drops": (50,), "reference": {"E129": 40.0, "E133": 8.0}}]
)
def test_what_no_filling_up_would_bring_nearer_stays(case):
    problem = ask(**case)
    assert find_filling_up(problem, plan_line(problem)) is None
