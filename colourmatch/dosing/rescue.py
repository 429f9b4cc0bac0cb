"""What can be done when the batch has passed its reference, or holds what no further drop undoes; no verdicts.

Untinted batch is blended back, or takes the place of the most of it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeGuard

import numpy as np

from colourmatch.advice import Rescue
from colourmatch.dosing.plan import Line, plan_line
from colourmatch.dosing.problem import REPEATABILITY, Problem, expect_draws
from colourmatch.words.advice import tell_filling_up, tell_rescue

#: Blending more than this many batches' worth is no longer a rescue.
MOST_BATCHES = 2.0
#: The batch counts as past when so much less colour would bring it nearer, by more than a photo repeats, ...
LESS_COLOUR = 0.1
#: ... with at least this probability.
SURELY_PAST = 0.95
#: More colour is not advised where it is likelier than not that some less would be nearer by this, CIEDE2000.
NEARER_BY, LIKELY_NEARER = 0.5, 0.5
#: Parts of the batch that may stay when the rest is filled up with untinted batch, and what that has to gain of what the
#: stocks can reach, CIEDE2000; the largest part is taken that comes within ENOUGH of the best.
PARTS_KEPT, FILLING_GAINS, ENOUGH = (0.5, 0.2, 0.1, 0.05, 0.02), 1.0, 0.3
#: Draws that are asked what can be reached.
_FEW_DRAWS = slice(0, 9)


def is_past(rescue: Rescue | None) -> TypeGuard[Rescue]:
    """Whether the batch is past its match."""
    return rescue is not None and rescue.chance_past >= SURELY_PAST


def find_rescue(problem: Problem) -> Rescue | None:
    """How much untinted batch brings the batch nearest, or None when nothing was dosed that blending could thin."""
    if sum(problem.state.mg.values()) <= 0:
        return None
    share = np.concatenate([[0.0], np.geomspace(0.005, MOST_BATCHES, 60)])
    difference = problem.difference(*problem.blended(share * problem.state.volume_ml))
    best = int(difference.mean(axis=0).argmin())
    nearer = float((difference[:, 0] > difference.min(axis=1) + NEARER_BY).mean())
    mg_per_l, grown, left = problem.after(np.zeros((1, len(problem.stocks))))
    less = problem.difference(mg_per_l * (1 - LESS_COLOUR), grown, left * (1 - LESS_COLOUR))[:, 0]
    past = float((difference[:, 0] - less > REPEATABILITY).mean())
    ml = float(share[best] * problem.state.volume_ml)
    return Rescue(
        untinted_ml=ml, predicted=expect_draws(difference[:, best]), chance_past=past,
        text=tell_rescue(ml), chance_nearer=nearer,
    )  # fmt: skip


def find_filling_up(problem: Problem, line: Line, rescue: Rescue | None = None) -> Rescue | None:
    """How much of the batch to replace by untinted batch, where it holds what no further dose undoes; else None.

    `line`: the best way from here, `rescue`: what blending back would do. Colour of another kind that went in by mistake
    stays in whatever is added, and thins with what is set aside; the doses of the right one are then poured again.
    """
    here = line.reached
    if sum(problem.state.mg.values()) <= 0 or np.quantile(here, 0.05) <= problem.tolerance:
        return None
    few, here = replace(problem, fit=problem.fit.take(_FEW_DRAWS)), here[_FEW_DRAWS]
    reached = {kept: plan_line(few.filled_up(kept)).reached for kept in PARTS_KEPT}
    best = min(float(after.mean()) for after in reached.values())
    back = rescue.predicted.value if is_past(rescue) else np.inf
    if min(float(here.mean()), back) - best < FILLING_GAINS:
        return None
    kept, after = next((part, after) for part, after in reached.items() if after.mean() <= best + ENOUGH)
    ml, nearer = problem.state.volume_ml * (1 - kept), float((here - after > NEARER_BY).mean())
    return Rescue(
        untinted_ml=ml, predicted=expect_draws(after), chance_past=nearer, set_aside_ml=ml,
        text=tell_filling_up(ml), chance_nearer=nearer,
    )  # fmt: skip
