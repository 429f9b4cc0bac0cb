"""The best dose, the safe share of it, and blending back, against batches whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest
from known_liquids import look
from numpy.testing import assert_allclose
from test_problem import RED, YELLOW, ask, pour

from colourmatch.colour.difference import ciede2000
from colourmatch.dosing import plan as plan_module
from colourmatch.dosing.advice import advise
from colourmatch.dosing.plan import PASSED_BY, PASSED_CHANCE, plan_line
from colourmatch.dosing.problem import PATIENCE
from colourmatch.dosing.rescue import MOST_BATCHES, find_filling_up, find_rescue
from colourmatch.liquid.stock import BatchState, Stock

HALFWAY = ask(drops=(36,))
FIRST_PHOTO = ask()


def best_drops(reference: dict[str, float], volume_ml: float = 900) -> int:
    """True drops of red from nothing to the reference."""
    away = []
    for drops in range(0, 200):
        state, share = pour((RED,), (drops,), BatchState(volume_ml))
        away.append(ciede2000(look({"E129": state.concentration_mg_per_l("red")}, share), look(reference)))
    return int(np.argmin(away))


# A third of the dose is in. Three figures do not tell another dye from a brown, so that one is wider.
@pytest.mark.parametrize(
    ("reference", "within"),
    [({"E129": 30}, 0.08), ({"E129": 40}, 0.08), ({"E129": 25, "E102": 4}, 0.08), ({"E122": 35}, 0.15)],
)
def test_best_dose_is_the_true_one(reference, within):
    line = plan_line(ask(drops=(20,), reference=reference))
    found = 20 + line.ml[line.best, 0] / RED.drop_ml
    assert found == pytest.approx(best_drops(reference), rel=within)
    if reference == {"E129": 40}:
        first = plan_line(FIRST_PHOTO)
        assert first.ml[first.best, 0] / RED.drop_ml == pytest.approx(best_drops(reference), rel=0.2)


def test_yellow_is_used_where_yellow_is_missing_and_only_there():
    orange = plan_line(ask((RED, YELLOW), (20, 10), reference={"E129": 30, "E102": 15}))
    assert orange.used == (0, 1)
    # 900 ml: 30 mg/l of E129 are 54 drops of red, 15 mg/l of E102 are 54 drops of yellow.
    assert_allclose(orange.ml[orange.best] / 0.05 + [20, 10], [54, 54], rtol=0.15)
    red = plan_line(ask((RED, Stock("blue", "E133", 0.5)), (20, 0), reference={"E129": 30}))
    assert red.used == (0,) and (red.ml[:, 1] == 0).all()


@pytest.mark.parametrize("problem", [FIRST_PHOTO, HALFWAY])
def test_step_is_the_largest_safe_one(problem):
    line = plan_line(problem)
    least = line.difference.min(axis=1)

    def chance(t):
        return ((line.draw_best < t) & (line.difference[:, t] > least + PASSED_BY)).mean()

    assert chance(line.step) < PASSED_CHANCE
    assert line.step == line.best or chance(line.step + 1) >= PASSED_CHANCE


def test_after_some_photos_a_far_off_least_difference_may_be_passed_by_a_part_of_it():
    """Where a reference of another dye stays far off, the last steps are not drop by drop."""
    fresh = ask(reference={"E133": 25, "E129": 30})
    tired = replace(fresh, fit=replace(fresh.fit, photos=PATIENCE))
    short, far = plan_line(fresh), plan_line(tired)
    assert far.mean[far.best] > 10 * PASSED_BY  # so that a tenth of it counts
    assert 0 < short.step < far.step <= far.best == short.best
    least = np.array([0.0, 4.9, 20.0])
    for problem, more in ((fresh, [0.5, 0.5, 0.5]), (tired, [0.5, 0.5, 2.0])):
        limit = plan_module.passing_limit(problem, least[:, None], np.zeros(3, int))
        assert_allclose(limit - least, more)


def test_a_ceiling_that_binds_is_named_with_its_cost():
    free, bound = plan_line(HALFWAY), plan_line(replace(HALFWAY, ceiling_mg_per_l=28.0))
    assert bound.bound
    assert bound.free_gain == pytest.approx(bound.mean[bound.best] - free.mean[free.best], abs=0.3)
    room = replace(HALFWAY, ceiling_mg_per_l=28.0).room_ml()[0]
    assert bound.ml[bound.best, 0] == pytest.approx(room, rel=0.02)
    assert not plan_line(replace(HALFWAY, ceiling_mg_per_l=90.0)).bound


def test_the_way_ends_before_a_hill(monkeypatch):
    """Two least places, at 3 mg/l and, lower still, at 60: the batch is not led over the bad colours between."""

    def two_valleys(self, mg_per_l, share, left, draws=slice(None)):
        c = np.asarray(mg_per_l)[:, 0]
        valley = np.minimum(6 + 0.1 * (c - 3) ** 2, np.minimum(5 + 0.01 * (c - 60) ** 2, 12))
        return np.repeat(valley[None], len(self.fit.draws[draws]), axis=0)

    monkeypatch.setattr(type(FIRST_PHOTO), "difference", two_valleys)
    line = plan_line(FIRST_PHOTO)
    best = line.ml[line.best, 0] * RED.mg_per_ml / FIRST_PHOTO.state.volume_ml * 1000
    assert best == pytest.approx(3, abs=0.2) and line.step <= line.best
    assert line.mean[line.best] == pytest.approx(6, abs=0.05)


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


@pytest.mark.parametrize("case", [{"drops": (50,)}, {"drops": (50,), "reference": {"E129": 40.0, "E133": 8.0}}])
def test_what_no_filling_up_would_bring_nearer_stays(case):
    problem = ask(**case)
    assert find_filling_up(problem, plan_line(problem)) is None
