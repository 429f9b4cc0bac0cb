"""The figures of an advice that do not hang on what is decided; it decides nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import ceil

import numpy as np

from colourmatch.advice import Advice, Amounts, Curve, DoseInAll, Rescue, StockLearnt
from colourmatch.colour.difference import describe_difference
from colourmatch.dosing.doses import measure_range
from colourmatch.dosing.plan import Line
from colourmatch.dosing.problem import Problem, expect_draws
from colourmatch.dosing.rescue import is_past
from colourmatch.facts import K_95
from colourmatch.words.advice import AMOUNTS, tell_surprise
from colourmatch.words.figures import tell_interval

#: From this chance on a batch that no drop can improve is within the tolerance rather than over it.
LIKELY = 0.5
#: From this chance on it is within the tolerance for certain (the guard band).
SURE = 0.95
#: Labels and photos are both told of what is in the batch when they differ by more than this part.
AMOUNTS_APART = 0.1


def is_within(advice: Advice, chance: float = LIKELY) -> bool:
    """Whether the batch is within the tolerance with at least this chance: rather than over it when none is given."""
    return (advice.chance_within_tolerance or 0.0) >= chance


def gather_facts(problem: Problem, line: Line, rescue: Rescue | None) -> Advice:
    """An advice with nothing decided yet."""
    now = line.difference[:, 0]
    return replace(
        gather_held(problem),
        now=problem.interval(*problem.after(line.ml[:1])),
        reachable=expect_draws(line.reached),
        # of a reading: the scatter of the draws alone keeps two alike liquids apart
        surely_short=problem.interval(*problem.after(line.ml[[line.best]])).low > problem.tolerance,
        chance_within_tolerance=float((now <= problem.tolerance).mean()),
        to_match=_to_match(problem, line),
        ceiling_cost=line.free_gain if line.bound else None,
        missing=_missing(problem, line),
        curve=_curve(problem, line),
        rescue=rescue if is_past(rescue) else None,
    )


def gather_held(problem: Problem) -> Advice:
    """The same with what is in the batch alone, by the labels and by what the photos taught, and the room that it leaves."""
    factors = np.quantile(problem.fit.strength_factors, (0.5, 0.025, 0.975), axis=0).tolist()
    shifts = problem.fit.shifts_nm
    learnt = tuple(
        StockLearnt(
            stock=stock.name,
            strength_factor=round(factors[0][k], 3),
            low=round(factors[1][k], 3),
            high=round(factors[2][k], 3),
            shift_nm=expect_draws(shifts[:, k]) if k < shifts.shape[1] else None,
        )
        for k, stock in enumerate(problem.stocks)
    )
    return Advice(
        ceiling_left_mg_per_l=problem.ceiling_left(),
        used_mg_per_l=problem.limit_base_mg_per_l(),
        ceiling_mg_per_l=problem.ceiling_mg_per_l,
        stocks_learnt=learnt,
        amounts=_amounts(problem),
        surprises=tuple(_surprises(problem, learnt)),
    )


def _amounts(problem: Problem) -> Amounts:
    """Colour in the batch, mg/l: by the labels, and as the photos tell the stocks' strengths."""
    state = problem.state
    by_labels = state.total_mg_per_l()
    own = np.array([state.concentration_mg_per_l(s.name) for s in problem.stocks])
    factors, unnoted = problem.fit.strength_factors, problem.fit.unnoted_mg_per_l()
    more = (factors[:, : unnoted.shape[1]] * unnoted).sum(axis=1)
    seen = expect_draws(by_labels + (factors - 1) @ own + more)
    apart = abs(seen.value - by_labels) > AMOUNTS_APART * by_labels
    return Amounts(
        by_labels_mg_per_l=round(by_labels, 3),
        by_photos_mg_per_l=seen,
        text=AMOUNTS.format(by_labels, tell_interval(seen)) if apart else None,
    )


def _surprises(problem: Problem, learnt: tuple[StockLearnt, ...]) -> Iterator[StockLearnt]:
    """Stocks whose strength the photos put outside the 95 % of what was known of it."""
    for known, found in zip(problem.fit.stocks, learnt, strict=True):
        away = np.log(found.strength_factor) - known.log_factor
        if abs(away) > K_95 * known.log_factor_sd and problem.state.mg.get(found.stock):
            figures = found.strength_factor, found.low, found.high
            yield found.having(text=tell_surprise(found.stock, *figures, less=away < 0))


def _to_match(problem: Problem, line: Line) -> tuple[DoseInAll, ...]:
    """Drops of each stock to the best dose: expected, and the 95 % range of where the draws have theirs."""
    first, last = np.quantile(line.draw_best, (0.025, 0.975))

    def of_stock(k: int) -> DoseInAll:
        stock = problem.stocks[k]
        counts = line.ml[[line.free_best, int(first), ceil(last)], k] / stock.drop_ml
        drops, low, high = round(_tenth(counts[0])), int(counts[1]), ceil(counts[2])
        measured = measure_range(stock, drops, low, high)
        return DoseInAll(stock=stock.name, drops=drops, low=low, high=high, measured=measured)

    return tuple(of_stock(k) for k in line.used)


def _tenth(drops: float) -> float:
    """Drops to a tenth, as the curve has them: whole ones are rounded from that, in the sentence as in the chart."""
    return round(float(drops), 1)


def _missing(problem: Problem, line: Line) -> str | None:
    if line.mean[line.best] <= problem.tolerance:
        return None
    view = problem.views[0]
    batch = problem.batch_lab(line.ml[[line.best]], view)[:, 0]
    return describe_difference(problem.fit.reference_lab(view).mean(axis=0), batch.mean(axis=0))


def _curve(problem: Problem, line: Line) -> Curve:
    """Difference against further drops of the stock of which most goes in."""
    k = max(line.used, key=lambda i: line.ml[-1, i] / problem.stocks[i].drop_ml)
    low, middle, high = np.quantile(line.difference, (0.025, 0.5, 0.975), axis=0)
    drops = line.ml[:, k] / problem.stocks[k].drop_ml
    room = problem.room_ml()[k] / problem.stocks[k].drop_ml
    return Curve(
        stock=problem.stocks[k].name,
        drops=[round(float(v), 2) for v in drops],
        delta_e_2000=[round(float(v), 3) for v in middle],
        low=[round(float(v), 3) for v in low],
        high=[round(float(v), 3) for v in high],
        best_drops=_tenth(drops[line.best]),
        ceiling_drops=int(room) if np.isfinite(room) else None,
    )
