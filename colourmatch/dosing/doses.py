"""Whole drops: what a step of the plan is in drops, under every ceiling; it knows no reason to stop.

By millilitres or by scale the same dose is said in that unit, rounded down to what a syringe or a scale can tell, so
that no step grows by it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from colourmatch.advice import Dose, Measured
from colourmatch.dosing.plan import PASSED_CHANCE, Line, passing_limit, safe_step
from colourmatch.dosing.problem import REPEATABILITY, Problem
from colourmatch.liquid.stock import Stock
from colourmatch.words.figures import tell_drops, tell_typed

#: A step that is not worth it on average is tried all the same when its chance of a gain that a photo shows is this.
PROMISING = 0.12


def count_doses(problem: Problem, drops: Mapping[int, int]) -> tuple[Dose, ...]:
    """Drops of the problem's stocks, by their index, as doses; none for no drops."""
    ml = np.array(ml_of(problem, drops))
    volume = problem.state.volume_ml + float(ml @ problem.growth)
    return tuple(
        Dose(
            stock=problem.stocks[k].name,
            drops=n,
            ml=float(ml[k]),
            mg_per_l=float(ml[k] * problem.stocks[k].mg_per_ml / volume * 1000),
            measured=measure_dose(problem.stocks[k], n, float(ml[k])),
        )
        for k, n in drops.items()
        if n > 0
    )


def _whole_drops(problem: Problem, line: Line, t: int) -> dict[int, int]:
    """Whole drops of each stock up to a point of the line."""
    return {k: int(line.ml[t, k] / problem.stocks[k].drop_ml + 1e-6) for k in line.used}


def round_down(problem: Problem, line: Line) -> tuple[Dose, ...]:
    """This step in whole drops, never more than the safe step and never past a ceiling; at least one drop in all."""
    drops = _whole_drops(problem, line, line.step)
    # a last step of half a drop or more is a drop when the best dose lies beyond it
    if not any(drops.values()) and line.step:
        k = max(line.used, key=lambda i: line.ml[line.best, i] / problem.stocks[i].drop_ml)
        is_half = line.ml[line.best, k] / problem.stocks[k].drop_ml >= 0.5
        if is_half and chance_passed(problem, line, k) < PASSED_CHANCE:
            drops[k] = 1
    return count_doses(problem, keep_under_ceiling(problem, drops))


def keep_under_ceiling(problem: Problem, drops: Mapping[int, int]) -> dict[int, int]:
    """As many of these drops of each stock as the ceilings leave room for."""
    kept = dict(drops)
    while any(kept.values()) and not problem.keeps_ceiling(ml_of(problem, kept)):
        k = max(kept, key=lambda i: kept[i])
        kept[k] -= 1
    return kept


def explore(problem: Problem, line: Line) -> tuple[Dose, ...]:
    """A step whose expected gain is small but whose chance of a clear one is not, and which risks little.

    The expected difference is flat where the draws disagree on where the best lies; what they then say is that a step
    teaches more than a stop. Only as far as the chance of passing the best stays small, and only when it can be seen.
    """
    # colour cannot be taken out again: not where it is expected to look worse than now
    mean = line.mean
    inside = [t for t in range(1, len(mean)) if mean[t] <= mean[0] and problem.keeps_ceiling(line.ml[t])]
    step = safe_step(problem, line.difference, line.draw_best, max(inside, default=0))
    gains = line.difference[:, 0] - line.difference[:, step]
    if (gains > REPEATABILITY).mean() < PROMISING:
        return ()
    drops = _whole_drops(problem, line, step)
    return count_doses(problem, drops) if problem.keeps_ceiling(ml_of(problem, drops)) else ()


def ml_of(problem: Problem, drops: Mapping[int, int]) -> list[float]:
    return [drops.get(k, 0) * s.drop_ml for k, s in enumerate(problem.stocks)]


def chance_passed(problem: Problem, line: Line, k: int) -> float:
    """Chance that one drop of a stock ends beyond passing_limit."""
    after = problem.difference(*problem.after(np.array([ml_of(problem, {k: 1})])))[:, 0]
    beyond = line.ml[line.draw_best, k] < problem.stocks[k].drop_ml
    return float(((after > passing_limit(problem, line.difference, line.draw_best)) & beyond).mean())


# ---- as the hand measures them ------------------------------------------------------------------------------------

#: What a scale shows, and what a small syringe is marked in (common practice, no source).
SCALE_STEP_G, SYRINGE_STEP_ML = 0.01, 0.01
#: A weight under this is told with a caution: a scale step is more than 2 % of it.
LITTLE_G = 0.5


def measure_dose(stock: Stock, drops: float, ml: float) -> Measured:
    """A dose as the hand measures it."""
    if stock.hand == "drops":
        return Measured(unit="drops", quantity=drops, text=f"{tell_drops(drops)} of {stock.name}")
    step = SCALE_STEP_G if stock.hand == "grams" else SYRINGE_STEP_ML
    amount = ml * stock.density_g_per_ml if stock.hand == "grams" else ml
    amount = round(math.floor(amount / step + 1e-6) * step, 6)
    text = f"{amount:.2f} {_sign(stock)} of {stock.name}"
    return Measured(unit=stock.hand, quantity=amount, text=text)


def measure_range(stock: Stock, drops: float, low: float, high: float) -> Measured | None:
    """A whole dose to the nearest point with its 95 % range, "12.3 (9 to 15) g"; None where the hand counts drops."""
    if stock.hand == "drops":
        return None
    each = stock.drop_ml * (stock.density_g_per_ml if stock.hand == "grams" else 1.0)
    told, least, most = (tell_typed(float(f"{count * each:.3g}")) for count in (drops, low, high))
    text = f"{told} ({least} to {most}) {_sign(stock)} of {stock.name}"
    return Measured(unit=stock.hand, quantity=drops * each, text=text)


def _sign(stock: Stock) -> str:
    return "g" if stock.hand == "grams" else "ml"


def warn_of_weight(measured: Measured) -> str | None:
    """What is to be said of a weight that a scale hardly tells, None where there is nothing."""
    amount = measured.quantity
    if measured.unit != "grams" or not 0 < amount < LITTLE_G:
        return None
    share = 100 * SCALE_STEP_G / amount
    return (
        f"A scale that shows {SCALE_STEP_G:g} g tells {amount:.2f} g to {share:.0f} %: thin the stock, or count drops."
    )
