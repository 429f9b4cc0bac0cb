"""The tables of the estimate: what is expected of readings over all worlds, a matrix that a small network chooses.

It knows readings as arrays, and no glass, no spot and no photo. The tables (calibration/estimator.npz) are fitted by
tests/bench/derive_estimator.py. Source: networks of two hidden layers, Bishop 2006, 5.1; their units, Elfwing, Uchibe, Doya
2018, Neural Networks 107, 3; the cube root as in CIELAB (CIE 015:2018).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from colourmatch.facts import find_fact
from colourmatch.records import Array

#: Keeps the cube root's slope finite at nothing.
TOE = 0.004
#: Scaled features are kept within this, so that what lies far from all worlds is not carried on.
CLIP = 6.0
#: Noise of readings in the worlds, as a factor of what follows.
LEAST_NOISE, MOST_NOISE = 0.2, 1.3
#: Noise of a hard photo's readings: parts of the value of a glass (the light over it), of a field, of a channel over a
#: field and over white; parts of white: each liquid's own scatter, a floor.
GLASS_SD, FIELD_SD, CHANNEL_SD, WHITE_SD, HAZE_SD, FLOOR = 0.005, 0.016, 0.012, 0.0015, 0.0015, 0.003


def root(values: Array) -> Array:
    """The cube root that readings are compared in, any shape."""
    return np.asarray(np.cbrt(np.maximum(values, 0.0) + TOE))


def root_slope(values: Array) -> Array:
    """Its derivative."""
    return np.asarray((np.maximum(values, 0.0) + TOE) ** (-2 / 3) / 3)


#: Through the colour fields, over white alone, and bare: of things over which no glass stands.
KINDS = "fields", "white", "bare"


@dataclass(frozen=True, eq=False)
class Seen:
    """Readings of N photos, linear Display P3 relative to paper: (N, C, 3) of reference, batch and blank.

    C is 7 with the fields (white first, then the fields in the order of the card) and 1 without. water, srgb (N,):
    whether a glass of water stands on the blank spot, and whether the file was sRGB. noise (N,): of the readings, as a
    factor of a hard photo's.
    """

    reference: Array
    batch: Array
    blank: Array
    water: NDArray[np.bool_]
    srgb: NDArray[np.bool_]
    noise: Array


@dataclass(frozen=True, eq=False)
class Look:
    """Readings as a table takes them: their difference d (N, D), scaled features x (N, F) and terms z (N, Z)."""

    d: Array
    x: Array
    z: Array


def features_of(seen: Seen) -> tuple[Array, Array]:
    """The difference of the readings (N, D), and the features (N, F): their mean, the blank, kind of file, noise."""
    white = seen.blank[:, :1]
    count = len(white)
    a, b = (root(part / white).reshape(count, -1) for part in (seen.reference, seen.batch))
    context = [
        3 * root(white).reshape(count, -1),
        root(seen.blank[:, 1:] / white).reshape(count, -1),
        0.3 * seen.srgb[:, None],
        0.3 * seen.water[:, None],
        np.log(np.clip(seen.noise, LEAST_NOISE, MOST_NOISE))[:, None],
    ]
    return b - a, np.concatenate([(a + b) / 2, *context], axis=1)


@dataclass(frozen=True, eq=False)
class Branch:
    """One table, of a kind of KINDS.

    Shapes: F features, K components, E combinations of D readings, H units of a layer, Z terms that choose the matrix, X
    terms of the error, L of likeness.

    centre, scale (F,); axes (F, K) and spread (K,): principal components. turned (D, E): combinations of the difference,
    whose size alone counts; first (F + E, H), second (H, H) and their offsets (H,): the network, Z = 1 + F + H. matrix
    (3, Z, D): Lab of a difference; mean (3, Z): Lab of the middle; warm (3, Z, D): what the difference changes by from
    daylight to illuminant A, warm_sd (2, 3) its standard deviation along lightness, chroma and hue of the middle, at none
    and per its length; error (3, X) and scatter (3, Z): logarithm of the standard deviation of the difference and of the
    middle, likewise. likeness_mean (L,), likeness (L, L): mean and covariance of one liquid's roots and the blank's
    together, from which a field that was not seen is filled in. differences (D, D): second moment of the differences.
    """

    centre: Array
    scale: Array
    axes: Array
    spread: Array
    turned: Array
    first: Array
    first_offset: Array
    second: Array
    second_offset: Array
    matrix: Array
    mean: Array
    warm: Array
    warm_sd: Array
    error: Array
    scatter: Array
    likeness_mean: Array
    likeness: Array
    differences: Array

    def look(self, d: Array, features: Array) -> Look:
        """Differences (N, D) and features (N, F) with the terms z that choose the matrix.

        z: 1, the scaled features, what the network makes of them. Exchanged glasses have the same terms.
        """
        x = (features - self.centre) / self.scale
        within = np.clip(x, -CLIP, CLIP)
        hidden = np.concatenate([within, np.abs(d @ self.turned)], axis=1)
        for weights, offset in ((self.first, self.first_offset), (self.second, self.second_offset)):
            hidden = _unit(hidden @ weights + offset)
        return Look(d, x, np.concatenate([np.ones((len(x), 1)), within, hidden], axis=1))

    def middle(self, at: Look) -> Array:
        """Lab of the middle of both liquids, (N, 3)."""
        return at.z @ self.mean.T

    def gap(self, at: Look) -> Array:
        """Lab of the batch less the reference, (N, 3)."""
        return np.einsum("nz,czd,nd->nc", at.z, self.matrix, at.d)

    def part_in_warm_light(self, at: Look) -> Array:
        """Lab of the difference under CIE illuminant A less that in daylight, (N, 3)."""
        return np.einsum("nz,czd,nd->nc", at.z, self.warm, at.d)

    def slopes(self, at: Look) -> Array:
        """Change of the Lab difference per unit of each reading's root, (N, 3, D): the matrix that was chosen.

        How it moves with the difference itself is left out: 2 % of the noise below 6, 6 to 9 % further apart.
        """
        return np.einsum("nz,czd->ncd", at.z, self.matrix)

    def trust(self, d: Array, noise: Array) -> tuple[Array, Array]:
        """What of a difference (D,) is expected where its noise is more than in the worlds by `noise` (D, D), as a matrix
        (D, D), and the covariance (D, D) that the expectation leaves beside the noise that comes through.

        Normal conditioning on the readings (Rasmussen, Williams 2006, A.6); differences as large as this one.
        """
        usual = self.differences
        size = max(float(d @ np.linalg.solve(usual + noise, d)) / d.size, 1.0)
        kept = np.asarray(np.linalg.solve(size * usual + noise, size * usual).T, float)
        lost = kept @ noise
        return kept, lost - lost @ kept.T

    def error_sd(self, at: Look, gap: Array) -> Array:
        """Standard deviation (N, 3) along lightness, chroma and hue of an estimated difference, (N, 3)."""
        return np.asarray(np.exp(error_terms(at, gap) @ self.error.T))

    def scatter_sd(self, at: Look) -> Array:
        """The same of an estimated middle."""
        return np.asarray(np.exp(at.z @ self.scatter.T))

    def far(self, at: Look) -> Array:
        """How far (N,) the features lie from those of all worlds: root mean square of the components, 1 on average."""
        return np.asarray(np.sqrt(((at.x @ self.axes / self.spread) ** 2).mean(axis=1)))


def _unit(values: Array) -> Array:
    """What a unit of the network gives: x / (1 + exp(-x)), which is smooth and keeps large values."""
    return np.asarray(values / (1 + np.exp(-values)))


def error_terms(at: Look, gap: Array) -> Array:
    """What the error of an estimated difference (N, 3) is told from, (N, X); below a length of 1 it no longer falls."""
    level = np.log(np.maximum(np.linalg.norm(gap, axis=1), 1.0) + 0.15)[:, None]
    return np.concatenate([at.z, level, level**2, 0.3 * at.x * level], axis=1)


@cache
def branch(kind: str) -> Branch:
    """The table for readings of a kind, one of KINDS."""
    with np.load(find_fact("estimator.npz")) as table:
        return Branch(**{name: table[f"{kind}_{name}"].astype(float) for name in Branch.__dataclass_fields__})


def hue_axes(lab: Array) -> Array:
    """Unit vectors in Lab along lightness, chroma and hue at colours (N, 3): (N, 3 axes, 3)."""
    turn = np.arctan2(lab[:, 2], lab[:, 1])
    zero, one = np.zeros_like(turn), np.ones_like(turn)
    rows = [[one, zero, zero], [zero, np.cos(turn), np.sin(turn)], [zero, -np.sin(turn), np.cos(turn)]]
    return np.array(rows).transpose(2, 0, 1)
