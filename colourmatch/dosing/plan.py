"""Finds the best dose and this step's share of it; pure search, no words and no verdicts.

The best dose minimises the expected CIEDE2000 over the draws of the fit, under the ceilings, with the fewest stocks
that come nearly as near. The step goes along the straight line to it: the largest whose chance of passing the optimum
by more than PASSED_BY stays under PASSED_CHANCE.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from colourmatch.dosing.problem import PATIENCE, Problem
from colourmatch.records import Array

#: The largest chance taken of passing the optimum by more than this many CIEDE2000.
PASSED_BY, PASSED_CHANCE = 0.5, 0.05
#: From PATIENCE photos on this part of the least difference that can be reached may be passed too: a batch 20 off and one
#: 22 off are as far to the eye, and drop by drop the work has no end.
PASSED_PART = 0.1
#: One more stock must bring at least this many CIEDE2000.
WORTH_A_STOCK = 0.25
#: A dose that would make up more than this part of the batch thins it; the stock is too weak.
MOST_OF_BATCH = 0.05
#: Doses beyond this many mg/l are not searched (several times any legal limit for one colour in drinks).
MOST_MG_PER_L = 600.0


@dataclass(frozen=True)
class Line:
    """The way from the batch as it is towards the best dose: steps t in 0 to the end, millilitres of each stock.

    ml (T, S); difference (D, T) for each draw; best, free_best and step are indices into T. At `best` the expected
    difference is least under the ceilings, at `free_best` without them; `step` is the largest safe one. bound: a
    ceiling keeps the batch free_gain CIEDE2000 further off than the same stocks could come.
    """

    ml: Array
    difference: Array
    best: int
    free_best: int
    step: int
    draw_best: NDArray[np.intp]
    used: tuple[int, ...]
    bound: bool
    free_gain: float

    @property
    def mean(self) -> Array:
        """Expected difference at each t, shape (T,)."""
        mean: Array = self.difference.mean(axis=0)
        return mean

    @property
    def reached(self) -> Array:
        """What each draw comes to at the best dose, CIEDE2000, shape (D,)."""
        reached: Array = self.difference[:, self.best]
        return reached


def plan_line(problem: Problem) -> Line:
    """The line to the best dose of the best subset of the stocks."""
    room = problem.room_ml()
    most = search_bounds(problem)
    chosen: tuple[int, ...] = ()
    best_value: float | None = None
    may_be_dosed = problem.open_stocks
    for count in range(1, len(may_be_dosed) + 1):
        tries = []
        for subset in combinations(may_be_dosed, count):
            dose, value = _best_dose(problem, subset, np.minimum(most, room))
            if count == 1 or (dose[list(subset)] > 0).all():
                tries.append((value, subset, dose))
        if not tries:
            continue
        value, subset, dose = min(tries, key=lambda t: t[0])
        if best_value is None or value < best_value - WORTH_A_STOCK:
            best_value, chosen, best_dose = value, subset, dose
    line = _make_line(problem, chosen, best_dose, (room, most))
    before = _before_the_hill(line.mean)
    return line if before >= line.best else _make_line(problem, chosen, line.ml[before], (room, most))


def _before_the_hill(mean: Array) -> int:
    """The best place on the way that is reached without becoming worse by more than PASSED_BY first.

    The difference may have two least places, far apart, where another colour is missing. A maker adds in steps, looks
    at each, and cannot take colour out again: a best that lies behind a worse colour is none.
    """
    least = np.minimum.accumulate(mean)
    hill = np.flatnonzero(mean > least + PASSED_BY)
    return int(mean[: hill[0] if len(hill) else len(mean)].argmin())


def search_bounds(problem: Problem) -> Array:
    """Most millilitres of each stock that are searched."""
    volume = problem.state.volume_ml
    strength = np.array([s.mg_per_ml for s in problem.stocks])
    return np.minimum(MOST_MG_PER_L * volume / 1000 / strength, 0.3 * volume)


def _best_dose(problem: Problem, subset: tuple[int, ...], most: Array) -> tuple[Array, float]:
    """Millilitres (S,) that minimise the expected difference on some of the draws, by cycles of line searches."""
    draws = slice(0, 41)
    dose = np.zeros(len(problem.stocks))
    value = np.inf
    for cycle in range(1 if len(subset) == 1 else 6):
        before = value
        for k in subset:
            dose[k], value = _search_one(problem, dose, k, most[k], draws)
        if before - value < 0.01 and cycle:
            break
    return dose, value


def _search_one(problem: Problem, dose: Array, k: int, most: float, draws: slice) -> tuple[float, float]:
    """Best millilitres of one stock with the others held, on a grid that narrows; finer near zero."""
    if most <= 0:
        return 0.0, float(problem.difference(*problem.after(dose[None]), draws).mean())
    low, high = 0.0, most
    for round_ in range(4):
        grid = low + (high - low) * (np.linspace(0, 1, 17) ** 2 if round_ == 0 else np.linspace(0, 1, 9))
        tried = np.repeat(dose[None], len(grid), axis=0)
        tried[:, k] = grid
        means = problem.difference(*problem.after(tried), draws).mean(axis=0)
        best = int(means.argmin())
        low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    return float(grid[best]), float(means[best])


def _make_line(problem: Problem, used: tuple[int, ...], dose: Array, bounds: tuple[Array, Array]) -> Line:
    room, most = bounds
    at_room = bool((dose[list(used)] >= 0.98 * room[list(used)]).any()) or not problem.keeps_ceiling(dose)
    free_dose, free_value = _best_dose(problem, used, most) if at_room else (dose, np.inf)
    ends, grid = dose, np.concatenate([np.linspace(0, 1, 81), np.linspace(1, 2, 41)[1:]])
    if at_room and free_dose.sum() > 0:
        # the whole way to the free best, with the bounded one as a point of it
        ends = free_dose if len(used) == 1 or dose.sum() <= 0 else dose
        most_t = 1.6 if ends is free_dose else float(np.clip(1.6 * free_dose.sum() / dose.sum(), 2.0, 50.0))
        bounded = dose.sum() / ends.sum()
        grid = np.unique([*np.linspace(0, 1, 61), *np.linspace(1, most_t, 41), bounded])
    elif dose.sum() <= 0:
        # nothing helps: look a little along the first stock all the same, to see how it goes up
        few_mg_ml = 5.0 * problem.state.volume_ml / 1000 / problem.stocks[used[0]].mg_per_ml
        ends = np.eye(len(dose))[used[0]] * few_mg_ml
    ml = grid[:, None] * ends[None]
    difference = problem.difference(*problem.after(ml))
    inside = np.array([t == 0 or problem.keeps_ceiling(row) for t, row in enumerate(ml)])
    mean = difference.mean(axis=0)
    best = int(np.where(inside, mean, np.inf).argmin())
    draw_best = difference.argmin(axis=1)
    step = safe_step(problem, difference, draw_best, best)
    gain = max(float(mean[best] - min(free_value, mean.min())), 0.0) if at_room else 0.0
    return Line(ml, difference, best, int(mean.argmin()), step, draw_best, used, at_room and gain > 0, gain)


def passing_limit(problem: Problem, difference: Array, draw_best: NDArray[np.intp]) -> Array:
    """The CIEDE2000 of each draw from which on its optimum counts as passed, shape (D,)."""
    least = difference[np.arange(len(difference)), draw_best]
    part = PASSED_PART if problem.fit.photos >= PATIENCE else 0.0
    return least + np.maximum(PASSED_BY, part * least)


def safe_step(problem: Problem, difference: Array, draw_best: NDArray[np.intp], most: int) -> int:
    """Largest index whose chance of lying past a draw's optimum and beyond passing_limit is under PASSED_CHANCE."""
    limit = passing_limit(problem, difference, draw_best)
    for t in range(most, 0, -1):
        passed = (draw_best < t) & (difference[:, t] > limit)
        if passed.mean() < PASSED_CHANCE:
            return t
    return 0
