"""What the planner is asked: the batch as it is, the stocks at hand, what the photos taught, and the bounds.

Pure data and its arithmetic; it knows no photos and no book.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import exp
from statistics import NormalDist

import numpy as np

from colourmatch.colour.difference import Figure, bound_length, ciede2000, metric_jacobian, metric_vector
from colourmatch.dosing.limits import ceiling_check, room_mg_per_l
from colourmatch.liquid.learn import LotFit
from colourmatch.liquid.model import View
from colourmatch.liquid.stock import BatchState, Stock
from colourmatch.records import Array


def compare_draws(reference_lab: Array, batch_lab: Array) -> Figure:
    """CIEDE2000 between two liquids known by draws of their Lab, shape (D, 3) each; the first draw is the most probable.

    The value is the middle of the draws' own differences; the interval is that of a length (`bound_length`).
    """
    reference, batch = reference_lab.mean(axis=0), batch_lab.mean(axis=0)
    turn = metric_jacobian(reference, batch)
    scatter = turn @ np.cov((batch_lab - reference_lab)[1:].T) @ turn.T
    low, high = bound_length(metric_vector(reference, batch), scatter)
    value = float(np.median(ciede2000(reference_lab, batch_lab)))
    return Figure(min(max(value, low), high), low, high)


def expect_draws(values: Array) -> Figure:
    """Where a figure that is still to come will lie, of draws (D,): their middle, for nobody knows where it lands."""
    low, middle, high = np.quantile(values, (0.025, 0.5, 0.975))
    return Figure(float(middle), float(low), float(high)).rounded()


#: A ceiling is passed when more than it by this part is in the batch; the chance taken of it.
CEILING_SLACK, CEILING_CHANCE = 0.05, 0.05


def count_draws(values: Array, label: Array) -> Array:
    """What counts toward a ceiling of figures known by draws (D, S), shape (S,).

    Never less than the label says and than is likely, and so much that the chance of more than it by CEILING_SLACK
    is CEILING_CHANCE at most.
    """
    middle, high = np.quantile(values, (0.5, 1 - CEILING_CHANCE), axis=0)
    counted: Array = np.maximum(label, np.maximum(middle, high / (1 + CEILING_SLACK)))
    return counted


def count_known(log_factor: float, log_factor_sd: float) -> float:
    """As `count_draws`, of a label milligram of a stock that no draws tell of yet: of what is known of its real strength."""
    high = NormalDist(log_factor, log_factor_sd).inv_cdf(1 - CEILING_CHANCE)
    return max(1.0, exp(log_factor), exp(high) / (1 + CEILING_SLACK))


#: A maker's patience, in photos: from so many on no step is tried for what it teaches, no second photo of a state is asked
#: for, and steps that bring nothing end.
PATIENCE = 5
#: Two photos of one state differ by about this much near a match (sd of several readings, CIEDE2000): a smaller gain
#: cannot be seen, so it is not worth a drop.
REPEATABILITY = 0.15


def no_nearer(seen: Sequence[float], photos: int) -> bool:
    """Whether the last two steps brought the batch no nearer, after some patience.

    seen: CIEDE2000 as photographed, one value a state of the batch, in order. The fit of a reference of another make
    may go on hoping; what is seen then counts more.
    """
    return photos >= PATIENCE and len(seen) > 3 and min(seen[-2:]) > min(seen[:-2]) - REPEATABILITY


@dataclass(frozen=True)
class Problem:
    """One question to the planner.

    fit and stocks share their order; views: where the match is judged, with weights; ceiling in mg/l of all colourants, None for none;
    tolerance in CIEDE2000; photos_of_state: how many photos were taken since the last addition; doubt: what to do
    before a stop may rest on those photos, None when they can be trusted; stalled: the last steps brought the batch no
    nearer; barred: names of stocks that are in the batch or stand ready but are not to be dosed; shown: how a photo
    shows the liquids, for the colours that stand beside photos, None for the first of the views; kept: the part of the
    photographed batch that is still there, the rest being untinted batch (`filled_up`).
    """

    fit: LotFit
    stocks: tuple[Stock, ...]
    state: BatchState
    views: tuple[View, ...]
    ceiling_mg_per_l: float | None = None
    jurisdiction: str | None = None
    tolerance: float = 1.0
    photos_of_state: int = 1
    doubt: str | None = None
    stalled: bool = False
    barred: tuple[str, ...] = ()
    shown: View | None = None
    kept: float = 1.0

    @property
    def open_stocks(self) -> tuple[int, ...]:
        """Places of the stocks that may be dosed; all of them when every one is barred."""
        found = tuple(k for k, s in enumerate(self.stocks) if s.name not in self.barred)
        return found or tuple(range(len(self.stocks)))

    @property
    def growth(self) -> Array:
        """Millilitres by which the batch grows per ml of each stock, shape (S,): 0 for a stock made in the batch."""
        return np.array([0.0 if s.made_in == "batch" else 1.0 for s in self.stocks])

    def after(self, added_ml: Array, untinted_ml: Array | float = 0.0) -> tuple[Array, Array, Array]:
        """Label mg/l of each stock (C, S), base share (C,) and volume now over then (C,) after adding ml of each, (C, S), and
        of untinted batch, (C,)."""
        added_ml = np.asarray(added_ml, float)
        volume = self.state.volume_ml + added_ml @ self.growth + untinted_ml
        held = np.array([self.state.mg.get(s.name, 0.0) for s in self.stocks])
        strength = np.array([s.mg_per_ml for s in self.stocks])
        share = (self.state.base_share * self.state.volume_ml + untinted_ml) / volume
        left = self.kept * self.state.volume_ml / volume
        return (held + added_ml * strength) / volume[:, None] * 1000, share, left

    def filled_up(self, kept: float) -> Problem:
        """The problem once all but a part of the batch was set aside and filled up with untinted batch."""
        return replace(self, state=self.state.filled_up(kept), kept=self.kept * kept)

    def batch_lab(self, added_ml: Array, view: View) -> Array:
        """True Lab of the batch in a view after adding millilitres of each stock (C, S), shape (D, C, 3)."""
        mg_per_l, share, left = self.after(added_ml)
        return self.fit.batch_lab(mg_per_l, share, view, left)

    def blended(self, untinted_ml: Array) -> tuple[Array, Array, Array]:
        """As `after`, for millilitres (C,) of untinted batch blended back."""
        return self.after(np.zeros((len(untinted_ml), len(self.stocks))), np.asarray(untinted_ml, float))

    def difference(self, mg_per_l: Array, share: Array, left: Array, draws: slice = slice(None)) -> Array:
        """CIEDE2000 between batch and reference, weighted over the views, shape (D, C), for each draw of the fit."""
        fit = self.fit if draws == slice(None) else self.fit.take(draws)
        total = sum(v.weight for v in self.views)
        out: Array | float = 0.0
        for view in self.views:
            batch, reference = fit.batch_lab(mg_per_l, share, view, left), fit.reference_lab(view)
            out = out + view.weight / total * ciede2000(reference[:, None], batch)
        return np.asarray(out)

    def interval(self, mg_per_l: Array, share: Array, left: Array) -> Figure:
        """CIEDE2000 between batch and reference with its 95 % interval, at one dose (1, S), share (1,) and left (1,).

        Weighted over the views (`compare_draws`).
        """
        total, out = sum(v.weight for v in self.views), np.zeros(2)
        for view in self.views:
            batch = self.fit.batch_lab(mg_per_l, share, view, left)[:, 0]
            reference = self.fit.reference_lab(view)
            one = compare_draws(reference, batch)
            out += view.weight / total * np.array([one.low, one.high])
        value = float(np.median(self.difference(mg_per_l, share, left)[:, 0]))
        return Figure(min(max(value, out[0]), out[1]), float(out[0]), float(out[1])).rounded()

    def counted_factor(self) -> Array:
        """What a label milligram of each stock that is still to go in counts toward a ceiling, shape (S,): see count_draws."""
        return self._counted[0]

    def counted_mg_per_l(self) -> Array:
        """What of each stock in the batch counts toward a ceiling now, mg/l, shape (S,): what may have gone wrong included."""
        return self._counted[1]

    @cached_property
    def _counted(self) -> tuple[Array, Array]:
        factors, label = self.fit.strength_factors, np.ones(len(self.stocks))
        noted = np.array([self.state.concentration_mg_per_l(s.name) for s in self.stocks])
        held = noted + 0 * factors
        unnoted = self.fit.unnoted_mg_per_l()
        held[:, : unnoted.shape[1]] += unnoted
        return count_draws(factors, label), count_draws(held * factors, noted)

    @cached_property
    def _counted_other(self) -> float:
        """What counts toward a ceiling of colour that may be in from a bottle that was not noted, mg/l."""
        return float(count_draws(self.fit.other_mg_per_l()[:, None], np.zeros(1))[0])

    def room_ml(self) -> Array:
        """Millilitres of each stock alone that the ceilings leave room for, shape (S,); inf where there is none."""
        room = []
        for stock, factor, grows in zip(self.stocks, self.counted_factor(), self.growth, strict=True):
            left = self.room_mg_per_l(stock)
            volume = self.state.volume_ml
            limit_after = self.limit_base_mg_per_l() + left
            # (volume * used + ml * strength * factor) / (volume + grows * ml) <= used + left
            if not np.isfinite(left):
                room.append(np.inf)
                continue
            gain = stock.mg_per_ml * factor - grows * limit_after / 1000
            room.append(np.inf if gain <= 0 else max(left * volume / 1000 / gain, 0.0))
        return np.array(room)

    def limit_base_mg_per_l(self) -> float:
        """Colourant that counts now, mg/l: learnt strength included, what the base brought included."""
        others = sum(v for name, v in self.state.mg.items() if name not in {s.name for s in self.stocks})
        own = float(self.counted_mg_per_l().sum() + self._counted_other)
        return own + others / self.state.volume_ml * 1000 + self.state.already_mg_per_l

    def room_mg_per_l(self, stock: Stock) -> float:
        """Room under the lot's ceiling and the legal limits for one stock, mg/l, never negative."""
        over_label = self.limit_base_mg_per_l() - self.state.total_mg_per_l()
        own = room_mg_per_l(self.state, stock.colourant, self.ceiling_mg_per_l, self.jurisdiction)
        return max(own - over_label, 0.0)

    def ceiling_left(self) -> float | None:
        """Least room of any stock, mg/l; None when no ceiling or limit applies."""
        rooms = [self.room_mg_per_l(s) for s in self.stocks]
        least = min(rooms, default=np.inf)
        return float(least) if np.isfinite(least) else None

    def keeps_ceiling(self, added_ml: Sequence[float] | Array) -> bool:
        """Whether an addition of all stocks together stays under the lot's ceiling and every legal limit."""
        added = np.asarray(added_ml, float)
        if not added.any():
            return True
        volume = self.state.volume_ml + float(added @ self.growth)
        factor = self.counted_factor()
        mg = added * np.array([s.mg_per_ml for s in self.stocks]) * factor
        used = self.limit_base_mg_per_l() * self.state.volume_ml / volume + mg.sum() / volume * 1000
        if self.ceiling_mg_per_l is not None and used > self.ceiling_mg_per_l + 1e-9:
            return False
        return not self.jurisdiction or not self._passes_limit(mg, volume)

    def _passes_limit(self, added_mg: Array, volume_ml: float) -> bool:
        """Whether the colours together pass a legal limit after an addition, milligrams as they count."""
        mg = dict(self.state.mg_by_colourant)
        counted = self.counted_mg_per_l() * self.state.volume_ml / 1000
        for stock, more, held in zip(self.stocks, added_mg, counted, strict=True):
            learnt = held - self.state.mg.get(stock.name, 0.0)
            mg[stock.colourant] = mg.get(stock.colourant, 0.0) + more + learnt
        thinned = self.state.already_mg_per_l * self.state.volume_ml / volume_ml
        after = replace(self.state, volume_ml=volume_ml, mg_by_colourant=mg, already_mg_per_l=thinned)
        return any(line.over for line in ceiling_check(after, None, self.jurisdiction or ""))
