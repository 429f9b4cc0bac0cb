"""What a batch looks like in a glass, where the spectra are known: each depth, dilution and light has its own dose."""

from dataclasses import replace

import numpy as np
import pytest
from known_liquids import VIEW, look
from test_problem import RED, ask

from colourmatch.colour.difference import ciede2000
from colourmatch.dosing.serving import look_at
from colourmatch.liquid.model import View

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
