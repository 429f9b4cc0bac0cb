"""What another stock would bring when those of the lot cannot come near enough: the gain with its interval.

It tries the maker's own bottles one at a time, under all ceilings, each with what is known of it before this
lot. It refuses to advise buying: where no bottle helps, only the kind of colour that is missing is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from colourmatch.advice import Advice, Dose, MissingKind, OtherStock, name_kinds
from colourmatch.colour.difference import Figure
from colourmatch.dosing.advice import stop_past, with_doses
from colourmatch.dosing.bottles import pick_bottle
from colourmatch.dosing.doses import count_doses, keep_under_ceiling
from colourmatch.dosing.plan import WORTH_A_STOCK, Line, plan_line, search_bounds
from colourmatch.dosing.problem import Problem, expect_draws
from colourmatch.liquid.added_stock import widen_fit
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.lot_model import StockPrior, expect_stock
from colourmatch.liquid.stock import Stock
from colourmatch.words.advice import MISSING_KIND, tell_held_back, tell_other_stock
from colourmatch.words.figures import tell_interval

#: Half the draws of the fit are enough for a figure that no dose rests on.
_DRAWS = slice(0, 81)
#: Few are enough to see which colour is worth a closer look.
_FEW_DRAWS = slice(0, 9)
#: So many other stocks are named, the best first.
MOST_NAMED = 3
#: A kind of colour is called missing when it would bring at least this many CIEDE2000 (twice what a further stock must).
_WORTH_NAMING = 2 * WORTH_A_STOCK
#: Kinds of colour and the colourant that stands for each.
KINDS = (
    ("yellow", "E102"), ("orange", "E110"), ("red", "E129"), ("blue", "E133"), ("green", "E142"),
    ("brown", "E150d"),
)  # fmt: skip


def is_out_of_reach(advice: Advice, tolerance: float) -> bool:
    """Whether the lot's stocks do not come near enough: it stopped short, or even the best is surely over the tolerance.

    A batch that seems past its match, and that no blending back brings within the tolerance, may lack another colour.
    """
    if advice.reachable is None:
        return False
    if advice.reason == "past":
        return advice.rescue is not None and advice.rescue.predicted.low > tolerance
    stopped = advice.action == "stop" and advice.reason in ("nearest", "ceiling")
    return stopped or advice.surely_short


def find_other_stocks(problem: Problem, shelf: Sequence[tuple[Stock, StockPrior]]) -> tuple[OtherStock, ...]:
    """The stocks on the shelf that would bring the batch nearer by more than a further stock is worth, best first.

    `shelf`: stocks that are not the lot's, with what is known of each. A colourant of which a bottle is in the lot is
    left out (dosing/bottles.py chooses between those); of several bottles of another the countable dose is taken.
    """
    few = replace(problem, fit=problem.fit.take(_FEW_DRAWS))
    few_line = plan_line(few)
    before = replace(problem, fit=problem.fit.take(_DRAWS))
    line = plan_line(before)
    known = {stock.colourant for stock in problem.stocks}
    by_colourant: dict[str, list[tuple[Stock, StockPrior]]] = {}
    for stock, prior in shelf:
        if stock.colourant not in known:
            by_colourant.setdefault(stock.colourant, []).append((stock, prior))
    found = []
    for bottles in by_colourant.values():
        if _glance(few, few_line, bottles[0]) < WORTH_A_STOCK / 2:
            continue
        tried = _try(before, line, bottles[0])
        if tried is not None and len(bottles) > 1:
            need = sum(d.ml for d in tried.doses if d.stock == bottles[0][0].name) * bottles[0][0].mg_per_ml
            best = pick_bottle([stock for stock, _ in bottles], need, need)
            tried = _try(before, line, next(pair for pair in bottles if pair[0] is best))
        if tried is not None:
            found.append(tried)
    return tuple(sorted(found, key=lambda one: one.reachable.value)[:MOST_NAMED])


def hold_back(problem: Problem, advice: Advice, other: OtherStock | MissingKind) -> Advice:
    """The advice, with no more of the lot's own stocks than is right beside another colour that would bring more.

    Where a colour is missing, more of one that is there may lower the difference on its way to a poor best, and cannot
    be taken out when the missing one goes in. The maker decides on the other bottle first. A colour that nobody has
    holds back only where untinted batch would help as well: less and more of the same colour are then both no answer.
    """
    if advice.action != "add" or (isinstance(other, MissingKind) and advice.rescue is None):
        return advice
    beside = {dose.stock: dose.drops for dose in other.doses}
    names = [stock.name for stock in problem.stocks]
    drops = {names.index(d.stock): min(d.drops, beside.get(d.stock, 0)) for d in advice.doses}
    if all(drops[names.index(dose.stock)] == dose.drops for dose in advice.doses):
        return advice
    if any(drops.values()):
        return with_doses(problem, advice, count_doses(problem, drops))
    held = replace(
        advice, action="stop", reason="nearest", doses=(), predicted=None, predicted_lab=None,
        predicted_covariance=None, problem=None,
    )  # fmt: skip
    if advice.rescue is not None and advice.now is not None:
        return stop_past(held)
    assert advice.reachable is not None
    alone = [(one.stock, one.drops or 0) for one in advice.to_match]
    return replace(held, text=tell_held_back(alone, advice.reachable, other.name))


def find_missing_kind(problem: Problem) -> MissingKind | None:
    """The kind of colour that would bring most, under the lot's own ceiling; None when none brings much.

    The law of a place has another figure for each colourant of a kind: it is not asked here, as none is advised.
    """
    free = replace(problem, jurisdiction=None)
    few = replace(free, fit=free.fit.take(_FEW_DRAWS))
    line = plan_line(few)
    known = {stock.colourant for stock in problem.stocks}
    stood_in = {kind: _stand_in(kind, code) for kind, code in KINDS if code not in known}
    gains = {kind: _glance(few, line, bottle) for kind, bottle in stood_in.items()}
    best = max(gains, key=gains.__getitem__)
    if gains[best] < WORTH_A_STOCK:
        return None
    before = replace(free, fit=free.fit.take(_DRAWS))
    figures = _gain(before, plan_line(before), stood_in[best], _WORTH_NAMING)
    if figures is None:
        return None
    doses, reachable, gain = figures
    # a second kind that may bring as much is named too: a word that changes from photo to photo buys the wrong bottle
    second = max(gains.keys() - {best}, key=gains.__getitem__)
    also = second if gains[second] > gain.low else None
    text = MISSING_KIND.format(name_kinds(best, also), tell_interval(reachable))
    return MissingKind(kind=best, also=also, reachable=reachable, gain=gain, text=text, doses=doses)


def _stand_in(kind: str, code: str) -> tuple[Stock, StockPrior]:
    """A stock that stands for a kind of colour, about as strong in colour as 0.1 g of Allura red in 100 ml."""
    colourant = find_colourant(code)
    strength = min(0.1 * 540 / colourant.e1pct_1cm, 100.0)
    return Stock(kind, code, strength), expect_stock(kind, code)


def _try(before: Problem, line: Line, bottle: tuple[Stock, StockPrior]) -> OtherStock | None:
    """What one bottle would bring, None when it is not worth a stock."""
    figures = _gain(before, line, bottle, WORTH_A_STOCK)
    if figures is None:
        return None
    doses, reachable, gain = figures
    *others, own = doses
    rest, now = [(dose.stock, dose.drops) for dose in others], expect_draws(line.reached)
    text = tell_other_stock(own.stock, own.drops, rest, reachable, now.value)
    return OtherStock(stock=own.stock, reachable=reachable, gain=gain, doses=doses, text=text)


def _widen(before: Problem, line: Line, bottle: tuple[Stock, StockPrior]) -> Problem:
    """The problem with one more stock, its last."""
    stock, prior = bottle
    return replace(
        before,
        fit=widen_fit(before.fit, [prior]),
        stocks=(*before.stocks, stock),
        # Only what is worth dosing anyway is tried together with it: the search grows with every stock.
        barred=(*before.barred, *(s.name for k, s in enumerate(before.stocks) if k not in line.used)),
    )


def _glance(before: Problem, line: Line, bottle: tuple[Stock, StockPrior]) -> float:
    """About the gain of one more stock, CIEDE2000: a coarse grid of doses of it and of those in use, then a finer one.

    A tenth of the time of a plan, to see which stock is worth one.
    """
    wider = _widen(before, line, bottle)
    most = np.minimum(search_bounds(wider), wider.room_ml())
    own, other = np.append(line.ml[line.best], 0.0), np.append(0.0 * line.ml[line.best], most[-1])
    shares, parts = np.linspace(0, 1.5, 7), np.append(0.0, 2.0 ** np.arange(-10, 1))
    least = np.inf
    for _ in range(2):
        grid = np.stack(np.meshgrid(shares, parts, indexing="ij"), axis=-1).reshape(-1, 2)
        ml = np.minimum(grid[:, :1] * own + grid[:, 1:] * other, most)
        mean = wider.difference(*wider.after(ml)).mean(axis=0)
        share, part = grid[mean.argmin()]
        least = min(least, float(mean.min()))
        shares = np.maximum(share + np.linspace(-0.25, 0.25, 7), 0.0)
        parts = np.minimum(part * 2.0 ** np.linspace(-1, 1, 9), 1.0)
    return float(line.mean[line.best]) - least


def _gain(
    before: Problem, line: Line, bottle: tuple[Stock, StockPrior], worth: float
) -> tuple[tuple[Dose, ...], Figure, Figure] | None:
    """Doses, its own the last, reachable difference and gain with one more stock; None when the best dose does without it,
    or it may bring nothing, or brings less than it is worth, CIEDE2000.

    The gain is taken draw by draw: what the two plans do not know they do not know alike, so that it is known better
    than either difference (paired comparison).
    """
    wider = _widen(before, line, bottle)
    found = plan_line(wider)
    ml = found.ml[found.best]
    wanted = {k: int(ml[k] / stock.drop_ml + 0.5) for k, stock in enumerate(wider.stocks)}
    drops = keep_under_ceiling(wider, wanted)
    if not drops[len(ml) - 1]:
        return None
    gain = expect_draws(line.reached - found.reached)
    if gain.value < worth or gain.low <= 0:
        return None
    return count_doses(wider, drops), expect_draws(found.reached), gain
