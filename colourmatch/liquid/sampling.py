"""Draws of the posterior of a nonlinear least squares with normal priors: descents, evidence, even samples; no liquids.

Everything is done on many draws at once: a fit has tens of unknowns and few rows, so that calls cost more than sums.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from colourmatch.records import Array

Places = NDArray[np.intp]
#: Whitened residuals (D, R) and their Jacobian (D, R, P) at unknowns (D, P) of the draws with these numbers (D,).
Residuals = Callable[[Array, Places], tuple[Array, Array]]

#: A step in one unknown, in its prior standard deviations, goes no further than this.
_LONGEST_STEP = 1.5
#: A draw stands still when a step gains less than this in cost, or when none is to be expected of the one that failed.
_STILL_GAIN = 0.01
#: Damping at the start, in units of the prior's precision: a fit's valleys are bent, so that a whole step mostly fails.
_FIRST_DAMPING = 10.0
#: Draws looked at together: more of them no longer fit a processor's cache, and cost half as much again each.
_AT_ONCE = 160


@dataclass(frozen=True)
class Descent:
    """Where descents ended: unknowns (D, P), cost (D,) (sum of squares, priors included), Jacobian (D, R, P) there.

    The Jacobian is in units of the prior's standard deviations.
    """

    at: Array
    cost: Array
    jacobian: Array

    def log_evidence(self) -> Array:
        """Log probability of the data for the model of each descent but for a constant, by Laplace's approximation, (D,).

        -cost / 2 - log det(I + J'J) / 2, in units of the prior (Kass, Raftery 1995, J. Am. Stat. Assoc. 90, 773,
        doi:10.1080/01621459.1995.10476572); det(I + J'J) = det(I + JJ') (Sylvester 1851).
        """
        gram = self.jacobian @ self.jacobian.transpose(0, 2, 1)
        size: Array = np.linalg.slogdet(gram + np.eye(gram.shape[1]))[1]
        return -0.5 * self.cost - 0.5 * size


def descend(residuals: Residuals, start: Array, prior: tuple[Array, Array], steps: int) -> Descent:
    """Damped Gauss-Newton steps (Levenberg 1944, Marquardt 1963) of every draw until it stands still.

    Damping follows what a step gained of what was expected of it (Nielsen 1999, Damping parameter in Marquardt's
    method, IMM-REP-1999-05; from memory). start: (D, P); prior: mean and standard deviation, (D, P) each; steps: the most.
    """
    mean, sd = prior
    at = start.copy()

    def look(tried: Array, who: Places) -> tuple[Array, Array, Array, Array]:
        if len(who) <= _AT_ONCE:
            rest, jacobian = residuals(tried, who)
        else:
            blocks = [slice(k, k + _AT_ONCE) for k in range(0, len(who), _AT_ONCE)]
            parts = (residuals(tried[block], who[block]) for block in blocks)
            rest, jacobian = map(np.concatenate, zip(*parts, strict=True))
        away = (tried - mean[who]) / sd[who]
        return rest, jacobian * sd[who, None], away, _squares(rest) + _squares(away)

    live = np.arange(len(at))
    damping, growth = np.full(len(at), _FIRST_DAMPING), np.full(len(at), 2.0)
    rest, jacobian, away, cost = look(at, live)
    for _ in range(steps):
        # unknowns in units of their prior sd, so that one damping suits all
        steep = jacobian[live]
        slope = (rest[live, None] @ steep)[:, 0] + away[live]
        move = -_solve(steep, slope, 1 + damping[live]).clip(-_LONGEST_STEP, _LONGEST_STEP)
        straight = rest[live] + (steep @ move[..., None])[..., 0]
        expected = cost[live] - _squares(straight) - _squares(away[live] + move)
        tried = at[live] + move * sd[live]
        new_rest, new_jacobian, new_away, new_cost = look(tried, live)
        gain = cost[live] - new_cost
        better = gain > 0
        moved = live[better]
        at[moved], away[moved], cost[moved] = tried[better], new_away[better], new_cost[better]
        rest[moved], jacobian[moved] = new_rest[better], new_jacobian[better]
        eased = np.maximum(1 / 3, 1 - (2 * gain / np.maximum(expected, 1e-12) - 1) ** 3)
        damping[live] *= np.where(better, eased, growth[live])
        growth[live] = np.where(better, 2.0, 2 * growth[live])
        live = live[np.where(better, gain, expected) > _STILL_GAIN]
        if not len(live):
            break
    return Descent(at, cost, jacobian)


def _squares(values: Array) -> Array:
    """Sum of squares along the last axis."""
    return np.asarray(np.einsum("dr,dr->d", values, values))


def _solve(jacobian: Array, slope: Array, ridge: Array) -> Array:
    """x of (J'J + ridge I) x = slope of each draw, through the smaller of J'J and JJ' (Woodbury 1950)."""
    flat = jacobian.transpose(0, 2, 1)
    rows, size = jacobian.shape[1:]
    if rows >= size:
        gram = flat @ jacobian
        gram[:, np.arange(size), np.arange(size)] += ridge[:, None]
        return np.asarray(np.linalg.solve(gram, slope[..., None])[..., 0], float)
    gram = jacobian @ flat
    gram[:, np.arange(rows), np.arange(rows)] += ridge[:, None]
    inner = np.linalg.solve(gram, jacobian @ slope[..., None])
    return np.asarray((slope - (flat @ inner)[..., 0]) / ridge[:, None], float)


def share_out(chance: Array, count: int) -> Places:
    """Of which kind each of `count` draws is, as many of each as its chance says: systematic resampling, in order.

    chance: (M,), sums to 1 (Kitagawa 1996, J. Comput. Graph. Stat. 5, 1, doi:10.1080/10618600.1996.10474692).

    >>> share_out(np.array([0.5, 0.3, 0.2]), 10).tolist()
    [0, 0, 0, 0, 0, 1, 1, 1, 2, 2]
    """
    middles = (np.arange(count) + 0.5) / count
    return np.minimum(np.searchsorted(np.cumsum(chance), middles), len(chance) - 1)


@cache
def _normal_quantiles(count: int) -> Array:
    return np.array([NormalDist().inv_cdf((k + 0.5) / count) for k in range(count)])


def stratified_normal(rng: np.random.Generator, count: int, size: int) -> Array:
    """Unit-normal numbers (count, size), each column spread evenly over its quantiles and shuffled by itself.

    Latin hypercube sampling: figures of few draws scatter less (McKay, Beckman, Conover 1979, Technometrics 21, 239,
    doi:10.1080/00401706.1979.10489755).
    """
    return rng.permuted(np.tile(_normal_quantiles(count), (size, 1)), axis=1).T
