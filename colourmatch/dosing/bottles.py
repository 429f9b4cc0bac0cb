"""Two bottles of one colourant: which of them to dose with; never both, and it says why.

A good dose is 20 to 60 drops: fewer are too coarse to step, more thin the batch and tire the hand (common practice,
no source; liquid/stock.py). A bottle that is too strong for what is still missing gives way to a weaker one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from colourmatch.advice import Bottle
from colourmatch.dosing.plan import plan_line
from colourmatch.dosing.problem import Problem
from colourmatch.liquid.stock import DOSE_DROPS, Stock
from colourmatch.words.figures import tell_drops

#: With less than this many drops still missing a bottle is too strong for the rest.
_TOO_FEW = 1.5


def choose_bottles(problem: Problem) -> tuple[Problem, tuple[Bottle, ...]]:
    """The same problem with one bottle of each colourant to dose with, and why; unchanged where there is one anyway."""
    groups: dict[str, list[Stock]] = {}
    for stock in problem.stocks:
        groups.setdefault(stock.colourant, []).append(stock)
    twins = {code: stocks for code, stocks in groups.items() if len(stocks) > 1}
    if not twins:
        return problem, ()
    # One bottle of each stands for all: the milligrams that are missing are the same from any of them.
    first = replace(problem, barred=tuple(s.name for stocks in twins.values() for s in stocks[1:]))
    line = plan_line(first)
    barred, choices = [], []
    for code, stocks in twins.items():
        k = problem.stocks.index(stocks[0])
        missing = float(line.ml[line.free_best, k]) * stocks[0].mg_per_ml
        held = sum(problem.state.mg.get(s.name, 0.0) for s in stocks)
        used = {s.name for s in stocks if problem.state.mg.get(s.name)}
        chosen = pick_bottle(stocks, held + missing, missing, used)
        choices.append(_tell(code, stocks, chosen, held + missing, missing))
        barred += [s.name for s in stocks if s is not chosen]
    return replace(problem, barred=tuple(barred)), tuple(choices)


def pick_bottle(stocks: Sequence[Stock], whole_mg: float, missing_mg: float, used: set[str] | None = None) -> Stock:
    """The bottle whose whole dose is nearest to 20 to 60 drops; the one already used where several are.

    `whole_mg`: all of the colourant that the batch needs; `missing_mg`: what of it is still to go in.

    >>> strong, thin = Stock("strong", "E129", 10.0), Stock("thin", "E129", 1.0)
    >>> pick_bottle([strong, thin], whole_mg=20, missing_mg=20).name
    'thin'
    """

    def rank(stock: Stock) -> tuple[bool, float, bool, float]:
        too_strong = 0 < missing_mg < _TOO_FEW * stock.mg_per_drop
        # Too strong for the rest, what counts is the rest alone.
        drops = max((missing_mg if too_strong else whole_mg) / stock.mg_per_drop, 1e-6)
        low, high = DOSE_DROPS
        outside = max(math.log(low / drops), math.log(drops / high), 0.0)
        middle = abs(math.log(drops / math.sqrt(low * high)))
        return too_strong, round(outside, 6), stock.name not in (used or ()), middle

    return min(stocks, key=rank)


def _tell(code: str, stocks: Sequence[Stock], chosen: Stock, whole_mg: float, missing_mg: float) -> Bottle:
    drops = {s.name: whole_mg / s.mg_per_drop for s in stocks}
    others = [s for s in stocks if s is not chosen]
    names = " and ".join([", ".join(s.name for s in stocks[:-1]), stocks[-1].name])
    colour = "the same unknown colour" if ":" in code else f"{'both' if len(stocks) == 2 else 'all'} {code}"
    if any(0 < missing_mg < _TOO_FEW * s.mg_per_drop for s in others):
        rest = missing_mg / chosen.mg_per_drop
        why = f"what is still missing is about {tell_drops(round(rest))} of it and too little for a stronger one"
    else:
        compared = " and ".join(f"{drops[s.name]:.0f} of {s.name}" for s in others)
        low, high = DOSE_DROPS
        reason = f"{low} to {high} can be stepped well"
        if not low <= drops[chosen.name] <= high:
            reason = f"that is nearest to {low} to {high}, which can be stepped well"
        why = f"the whole dose is about {tell_drops(round(drops[chosen.name]))} of it, and {compared}; {reason}"
    return Bottle(
        colourant=code, advised=chosen.name, instead_of=[s.name for s in others],
        whole_drops={name: round(count, 1) for name, count in drops.items()},
        text=f"Of {names} ({colour}) use {chosen.name}: {why}.",
    )  # fmt: skip
