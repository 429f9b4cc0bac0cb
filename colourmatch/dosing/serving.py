"""How a batch will look where it is drunk: depth of the glass, soda, light; it advises nothing and knows no lot.

What the photos taught is a spectrum (liquid/model.py), so that any depth, dilution and light can be worked out from
it: absorbance goes with depth over dilution (Bouguer-Lambert-Beer), the light comes in when the spectrum is summed
(CIE 015:2018). Two liquids that match in one look part in another when their spectra differ (metamerism).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import Interval, ciede2000, describe_difference
from colourmatch.dosing.plan import MOST_MG_PER_L
from colourmatch.dosing.problem import Problem, compare_draws, expect_draws
from colourmatch.liquid.model import View

Array = NDArray[np.float64]

#: Draws that the dose of one look is searched on, and the dose beyond the best that is still looked at, as a factor.
_SEARCH_DRAWS, _BEYOND = slice(0, 81), 1.8
#: Below this many CIEDE2000 no direction is named: side by side it is hard to see (common practice, no source).
UNSEEN = 1.0


@dataclass(frozen=True)
class Colour:
    """A liquid in one look: Lab of that light's white (2 degrees) and the standard deviation of each part."""

    lab: tuple[float, float, float]
    lab_sd: tuple[float, float, float]

    def to_json(self) -> dict[str, list[float]]:
        """The two triples, rounded."""
        return {"lab": [round(v, 2) for v in self.lab], "lab_sd": [round(v, 2) for v in self.lab_sd]}


@dataclass(frozen=True)
class Served:
    """One look: how far batch and reference are apart now and after the step, and what would match here alone.

    `to_match` counts further drops of one stock, as in the advice, with a 95 % range.
    """

    view: View
    now: Interval
    text: str
    reference: Colour
    batch: Colour
    after: Interval | None = None
    after_text: str | None = None
    batch_after: Colour | None = None
    to_match: tuple[dict[str, Any], ...] = ()

    def to_json(self) -> dict[str, Any]:
        """One entry of `serving` in the advice."""
        return {
            "name": self.view.name,
            "depth_mm": self.view.depth_mm,
            "dilution": self.view.dilution,
            "illuminant": self.view.illuminant,
            "weight": self.view.weight,
            "delta_e_2000": self.now.to_json(),
            "text": self.text,
            "after_step": self.after.to_json() if self.after else None,
            "after_text": self.after_text,
            "to_match": list(self.to_match),
            "spots": {
                "reference": self.reference.to_json(),
                "batch": self.batch.to_json(),
                "batch_after": self.batch_after.to_json() if self.batch_after else None,
            },
        }


#: Two liquids are called alike only when their difference is surely below this many CIEDE2000.
_SURELY_ALIKE = 4.0


def look_at(
    problem: Problem, views: Sequence[View], added_ml: Sequence[float] | None = None
) -> tuple[Served, ...]:
    """The batch beside the reference in each look; `added_ml`: millilitres of each stock that the next step adds."""
    return tuple(_look(problem, view, added_ml) for view in views)


def _look(problem: Problem, view: View, added_ml: Sequence[float] | None) -> Served:
    reference = problem.fit.reference_lab(view)
    batch = problem.batch_lab(np.zeros((1, len(problem.stocks))), view)[:, 0]
    now = compare_draws(reference, batch)
    dose = _dose_here(problem, view, added_ml)
    text = _tell(reference, batch, now)
    served = Served(view, now, text, _colour(reference), _colour(batch), to_match=dose)
    if added_ml is None or not any(added_ml):
        return served
    then = problem.batch_lab(np.array([added_ml], float), view)[:, 0]
    return replace(
        served,
        after=expect_draws(ciede2000(reference, then)),
        after_text=_tell(reference, then, compare_draws(reference, then)),
        batch_after=_colour(then),
    )


def _tell(reference: Array, batch: Array, apart: Interval) -> str:
    if apart.value < UNSEEN and apart.high < _SURELY_ALIKE:
        return "hard to tell apart"
    words = describe_difference(reference.mean(axis=0), batch.mean(axis=0))
    return words if apart.low > 0 else f"perhaps alike, perhaps {words}"


def _colour(labs: Array) -> Colour:
    mean, sd = labs.mean(axis=0), labs.std(axis=0)
    return Colour(tuple(map(float, mean)), tuple(map(float, sd)))  # type: ignore[arg-type]


def _dose_here(problem: Problem, view: View, added_ml: Sequence[float] | None) -> tuple[dict[str, Any], ...]:
    """Further drops of the main stock that match in this look, ceilings aside: where each draw has its least difference.

    The main stock is the one of which the step adds most drops, else the first.
    """
    if not problem.stocks:
        return ()
    drops = np.array([ml / s.drop_ml for ml, s in zip(added_ml or (), problem.stocks, strict=False)])
    k = int(drops.argmax()) if drops.size and drops.any() else 0
    stock, few = problem.stocks[k], replace(problem, fit=problem.fit.take(_SEARCH_DRAWS))
    most = min(
        MOST_MG_PER_L * problem.state.volume_ml / 1000 / stock.mg_per_ml, 0.3 * problem.state.volume_ml
    )
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
    return ({"stock": stock.name, "drops": round(float(value)), "low": floor(low), "high": ceil(high)},)
