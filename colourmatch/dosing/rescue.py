"""What can be done when the batch has passed its reference: how much untinted batch to blend back; no verdicts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import Interval
from colourmatch.dosing.problem import REPEATABILITY, Problem, expect_draws
from colourmatch.words.advice import tell_rescue

Array = NDArray[np.float64]

#: Blending more than this many batches' worth is no longer a rescue.
MOST_BATCHES = 2.0
#: The batch counts as past when so much less colour would bring it nearer, by more than a photo repeats, ...
LESS_COLOUR = 0.1
#: ... with at least this probability.
SURELY_PAST = 0.95
#: More colour is not advised where it is likelier than not that some less would be nearer by this, CIEDE2000.
NEARER_BY, LIKELY_NEARER = 0.5, 0.5


@dataclass(frozen=True)
class Rescue:
    """Untinted batch to blend back: millilitres, what difference is then expected, chance that the batch is past.

    chance_nearer: chance that some amount of it brings the batch nearer by NEARER_BY.
    """

    untinted_ml: float
    predicted: Interval
    chance_past: float
    text: str
    chance_nearer: float = 0.0

    @property
    def surely_past(self) -> bool:
        """Whether the batch is past its match."""
        return self.chance_past >= SURELY_PAST

    def to_json(self) -> dict[str, object]:
        """The `rescue` object of the advice."""
        return {
            "untinted_ml": round(self.untinted_ml, 1),
            "predicted": self.predicted.to_json(),
            "chance_past": round(self.chance_past, 3),
            "text": self.text,
        }


def find_rescue(problem: Problem) -> Rescue | None:
    """How much untinted batch brings the batch nearest, or None when nothing was dosed that blending could thin."""
    if sum(problem.state.mg.values()) <= 0:
        return None
    share = np.concatenate([[0.0], np.geomspace(0.005, MOST_BATCHES, 60)])
    difference = problem.difference(*problem.blended(share * problem.state.volume_ml))
    best = int(difference.mean(axis=0).argmin())
    nearer = float((difference[:, 0] > difference.min(axis=1) + NEARER_BY).mean())
    past = float((difference[:, 0] - _with_less_colour(problem) > REPEATABILITY).mean())
    ml = float(share[best] * problem.state.volume_ml)
    return Rescue(ml, expect_draws(difference[:, best]), past, tell_rescue(ml), nearer)


def _with_less_colour(problem: Problem) -> Array:
    """CIEDE2000 with LESS_COLOUR of what was dosed left out, for each draw, shape (D,)."""
    mg_per_l, share, left = problem.after(np.zeros((1, len(problem.stocks))))
    less: Array = problem.difference(mg_per_l * (1 - LESS_COLOUR), share, left * (1 - LESS_COLOUR))[:, 0]
    return less
