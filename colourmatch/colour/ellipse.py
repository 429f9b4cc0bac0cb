"""The ellipse that holds an uncertain point of a plane with a given chance; it knows no photos and no charts."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from colourmatch.records import Array


def trace_ellipse(centre: ArrayLike, covariance: ArrayLike, chance: float = 0.95, points: int = 49) -> Array:
    """The outline of the region that holds a two-dimensional normal variable with `chance`, shape (points, 2).

    centre (2,), covariance (2, 2) in the same unit; chance above 0 and below 1. The outline is
    centre + k A u with A A^T = covariance, u on the unit circle and k^2 = -2 ln(1 - chance), the quantile of
    chi-squared with two degrees of freedom (JCGM 102:2011, 6.5.2.2: k = 2.45 for 95 %). ValueError for another shape
    or chance.
    """
    middle, cov = np.asarray(centre, float), np.asarray(covariance, float)
    if middle.shape != (2,) or cov.shape != (2, 2) or not 0 < chance < 1:
        raise ValueError(f"centre {middle.shape}, covariance {cov.shape}, chance {chance}")
    values, axes = np.linalg.eigh(cov)
    k = math.sqrt(-2 * math.log1p(-chance))
    angle = np.linspace(0, 2 * math.pi, points)
    circle = np.stack([np.cos(angle), np.sin(angle)])
    outline: Array = middle + (k * axes * np.sqrt(np.clip(values, 0, None)) @ circle).T
    return outline


def chroma_covariance(lab: ArrayLike, covariance: ArrayLike) -> Array:
    """The covariance of (C*, L*), shape (2, 2), from that of (L*, a*, b*), shape (3, 3), to first order.

    dC* = (a* da* + b* db*) / C* (JCGM 102:2011, 6.2.1.3); at C* = 0 the direction is not known and a* is taken.
    """
    _, a, b = (float(part) for part in np.asarray(lab, float))
    chroma = math.hypot(a, b)
    along = (a / chroma, b / chroma) if chroma > 0 else (1.0, 0.0)
    jacobian = np.array([[0.0, *along], [1.0, 0.0, 0.0]])
    spread: Array = jacobian @ np.asarray(covariance, float) @ jacobian.T
    return spread
