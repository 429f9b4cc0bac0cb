"""How a batch will look where it is drunk: depth of the glass, soda, light; it advises nothing and knows no lot.

What the photos taught is a spectrum (liquid/model.py), so that any depth, dilution and light can be worked out from
it: absorbance goes with depth over dilution (Bouguer-Lambert-Beer), the light comes in when the spectrum is summed
(CIE 015:2018). Two liquids that match in one look part in another when their spectra differ (metamerism).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, floor

import numpy as np

from colourmatch.advice import DropsToMatch, Served, SpotsServed
from colourmatch.colour.difference import Figure, ciede2000, describe_difference
from colourmatch.dosing.plan import search_bounds
from colourmatch.dosing.problem import Problem, compare_draws, expect_draws
from colourmatch.liquid.model import View
from colourmatch.measurement import Colour
from colourmatch.records import Array, pick, rounded

#: Draws that the dose of one look is searched on, and the dose beyond the best that is still looked at, as a factor.
_SEARCH_DRAWS, _BEYOND = slice(0, 81), 1.8
#: Below this many CIEDE2000 no direction is named: side by side it is hard to see (common practice, no source).
UNSEEN = 1.0


#: Two liquids are called alike only when their difference is surely below this many CIEDE2000.
_SURELY_ALIKE = 4.0


def look_at(problem: Problem, views: Sequence[View], added_ml: Sequence[float] | None = None) -> tuple[Served, ...]:
    """The batch beside the reference in each look; `added_ml`: millilitres of each stock that the next step adds."""
    return tuple(_look(problem, view, added_ml) for view in views)


def _look(problem: Problem, view: View, added_ml: Sequence[float] | None) -> Served:
    reference = problem.fit.reference_lab(view)
    batch = problem.batch_lab(np.zeros((1, len(problem.stocks))), view)[:, 0]
    now = compare_draws(reference, batch)
    dose = _dose_here(problem, view, added_ml)
    served = Served(
        **pick(view, "name", "depth_mm", "dilution", "illuminant", "weight"),
        delta_e_2000=now.rounded(),
        text=_tell(reference, batch, now),
        to_match=dose,
        spots=SpotsServed(_colour(reference), _colour(batch)),
    )
    if added_ml is None or not any(added_ml):
        return served
    then = problem.batch_lab(np.array([added_ml], float), view)[:, 0]
    return served.having(
        after_step=expect_draws(ciede2000(reference, then)),
        after_text=_tell(reference, then, compare_draws(reference, then)),
        spots=served.spots.having(batch_after=_colour(then)),
    )


def _tell(reference: Array, batch: Array, apart: Figure) -> str:
    if apart.value < UNSEEN and apart.high < _SURELY_ALIKE:
        return "hard to tell apart"
    words = describe_difference(reference.mean(axis=0), batch.mean(axis=0))
    return words if apart.low > 0 else f"perhaps alike, perhaps {words}"


def _colour(labs: Array) -> Colour:
    return Colour(rounded(labs.mean(axis=0), 2), rounded(labs.std(axis=0), 2))


def _dose_here(problem: Problem, view: View, added_ml: Sequence[float] | None) -> tuple[DropsToMatch, ...]:
    """Further drops of the main stock that match in this look, ceilings aside: where each draw has its least difference.

    The main stock is the one of which the step adds most drops, else the first.
    """
    drops = np.array([ml / s.drop_ml for ml, s in zip(added_ml or (), problem.stocks, strict=False)])
    k = int(drops.argmax()) if drops.size and drops.any() else 0
    stock, few = problem.stocks[k], replace(problem, fit=problem.fit.take(_SEARCH_DRAWS))
    most = search_bounds(problem)[k]
    reference = few.fit.reference_lab(view)[:, None]

    def differences(ml: Array) -> Array:
        added = np.zeros((len(ml), len(problem.stocks)))
        added[:, k] = ml
        return ciede2000(reference, few.batch_lab(added, view))

    coarse = most * np.linspace(0, 1, 33) ** 2
    near = coarse[min(int(differences(coarse).mean(axis=0).argmin()) + 1, len(coarse) - 1)]
    fine = min(_BEYOND * near, most) * np.linspace(0, 1, 81)
    found = differences(fine)
    best = fine[found.argmin(axis=1)] / stock.drop_ml
    low, high = np.quantile(best, (0.025, 0.975))
    value = fine[int(found.mean(axis=0).argmin())] / stock.drop_ml
    return (DropsToMatch(stock.name, round(float(value)), floor(low), ceil(high)),)
