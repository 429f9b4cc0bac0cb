"""Blending back, against batches that are past by a known amount."""

import json
from dataclasses import replace

import pytest
from test_problem import RED, ask, mix, pour

from colourmatch.colour.difference import ciede2000
from colourmatch.dosing.rescue import MOST_BATCHES, find_rescue
from colourmatch.liquid.stock import BatchState

MATCH_DROPS = 72.3  # of red in 900 ml for 40 mg/l


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
    assert ciede2000(mix({"E129": state.concentration_mg_per_l("red")}, base), mix({"E129": 40})) < 1


def test_ten_times_the_batch_takes_ten_times_the_untinted():
    small, great = (find_rescue(ask(drops=(10 * n,), volume_ml=90.0 * n)) for n in (10, 100))
    assert great.untinted_ml == pytest.approx(10 * small.untinted_ml, rel=0.02)


def test_hopelessly_past_is_bounded():
    rescue = find_rescue(ask(drops=(400,)))
    assert rescue.untinted_ml <= MOST_BATCHES * 920 * 1.001


def test_a_pale_batch_and_a_match_are_not_past():
    for drops in (20, 50):
        rescue = find_rescue(ask(drops=(drops,)))
        assert rescue.chance_past < 0.05 and rescue.untinted_ml == 0 and rescue.text == ""
    assert find_rescue(ask(drops=(72,))).chance_past < 0.5


def test_nothing_dosed_nothing_to_blend_back():
    # The base itself may be too dark; untinted batch is the same base.
    assert find_rescue(ask(reference={})) is None


def test_words_and_figures():
    rescue = find_rescue(ask(drops=(110,)))
    figures = json.loads(json.dumps(rescue.to_json(), allow_nan=False))
    assert set(figures) == {"untinted_ml", "predicted", "chance_past", "text"}
    assert figures["untinted_ml"] == round(rescue.untinted_ml, 1)
    assert f"{float(f'{rescue.untinted_ml:.2g}'):g} ml of untinted batch" in rescue.text
    assert rescue.text.startswith("Blend back about ") and rescue.text.endswith("photograph again.")


def test_another_stock_in_the_batch_is_thinned_too():
    problem = ask(drops=(110,))
    held = problem.state.mg | {"gone": 1.0}
    other = replace(problem, state=replace(problem.state, mg=held))
    assert find_rescue(other).untinted_ml == find_rescue(problem).untinted_ml
