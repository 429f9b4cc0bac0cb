"""The light over the card from scattered values of it: a smooth surface and what departs from it, with its doubt.

The logarithm of the paper's linear value is a quadratic surface (gradient, vignetting) plus a Gaussian process (what
is not smooth: shadows, a lamp's edge), fitted together (universal kriging). That is its level, the mean of the channels.
Its colour, what each channel departs from the level by, changes only where one of two lights fades or is cut off: a
quadratic surface and, where a shadow has an edge, a part of the level's departure, by least squares. The edge of a shadow
runs on: where that is likelier, what lies along one direction is more alike than what lies across it (geometric anisotropy:
Journel, Huijbregts 1978, Mining Geostatistics, III.B; from memory). Its posterior variance is how well the light over a
glass is known from the paper around it, somewhat too sure where an edge bends. It knows values on a lattice of cells and no
pixels.
Source: Rasmussen, Williams (2006), Gaussian Processes for Machine Learning, sections 2.2, 2.7 and 5.4.1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from colourmatch.records import Array

#: Side of the square cells whose mean is one observation of the light.
CELL_MM = 5.0
#: Standard deviations (natural log) and correlation lengths tried for the part of the light that is not quadratic.
_AMPLITUDES, _LENGTHS_MM = (0.003, 0.01, 0.03, 0.1, 0.3), (25.0, 45.0, 80.0)
#: Where the light departs by this much or more, an edge is looked for: directions (degrees) along which the correlation
#: reaches so many times as far as across, then those beside the best of them.
_EDGE_LOG, _DIRECTIONS, _BESIDE, _REACHES = 0.01, range(0, 180, 30), (-15, 0, 15), (2.0, 5.0)
#: Log likelihood by which a direction has to explain the light better: very strong evidence (5; Kass, Raftery 1995, J. Am.
#: Stat. Assoc. 90, 773) of each channel, which all see the same shadow.
_CLEARLY_AN_EDGE = 15.0
#: Cells from which these are chosen, and cells that are then fitted. More cells do not make a better light: what
#: neighbours share (a reflection off a glass, a crease) is no noise of each, and a fit that takes it as such follows it.
_FEW, _MANY = 60, 250


@dataclass(frozen=True)
class Likeness:
    """How alike the log of the light is between places: Matern covariance with smoothness 3/2.

    amplitude: standard deviation; length_mm: how far it reaches; stretch (2, 2): turns shifts in mm into those that count.
    """

    amplitude: float
    length_mm: float
    stretch: Array

    @property
    def has_edge(self) -> bool:
        """Whether it reaches farther along one direction than across it."""
        return not np.array_equal(self.stretch, np.eye(2))

    def of_shifts(self, shifts_mm: Array) -> Array:
        """Covariance (...) of places so far apart, (..., 2)."""
        across, along = np.moveaxis(shifts_mm @ self.stretch.T, -1, 0)
        scaled = np.sqrt(across * across + along * along) * (np.sqrt(3) / self.length_mm)
        return np.asarray((1 + scaled) * np.exp(-scaled) * self.amplitude**2)

    def between(self, a: Array, b: Array) -> Array:
        """Covariance (N, M) of points (N, 2) with points (M, 2)."""
        return self.of_shifts(a[:, None] - b[None])


@dataclass(frozen=True)
class LightField:
    """Fitted light: `at` predicts the paper's linear value anywhere on the card, `covariance` says how surely."""

    points_mm: Array
    weights: Array
    trend: Array
    colour: Array
    likeness: Likeness
    factor: Array
    solved_basis: Array
    noise: float
    block_mm: tuple[float, float]
    cells_mm: Array
    cells_kept: NDArray[np.bool_]

    def at(self, points_mm: Array) -> Array:
        """Linear value of bare paper, shape (N, 3), at card points, shape (N, 2)."""
        points = np.asarray(points_mm, float).reshape(-1, 2)
        level = quadratic(points, self.block_mm) @ self.trend + self.departure(points)
        return np.exp(level[:, None] + self.colour_terms(points) @ self.colour)

    def colour_terms(self, points_mm: Array) -> Array:
        """What the light's colour is made of at points (N, 2): the quadratic's terms and, with an edge, the departure."""
        smooth = quadratic(points_mm, self.block_mm)
        if not self.likeness.has_edge:
            return smooth
        return np.column_stack([smooth, self.departure(points_mm)])

    def departure(self, points_mm: Array) -> Array:
        """Natural-log departure of the light's level from its quadratic part, shape (N,)."""
        points = np.asarray(points_mm, float).reshape(-1, 2)
        return np.asarray(self.likeness.between(points, self.points_mm) @ self.weights)

    def covariance(self, points_mm: Array) -> Array:
        """Posterior covariance of the log light between points, shape (N, N), the same for each channel."""
        points = np.asarray(points_mm, float).reshape(-1, 2)
        solved = np.linalg.solve(self.factor, self.likeness.between(self.points_mm, points))
        missing = quadratic(points, self.block_mm) - solved.T @ self.solved_basis
        trend = missing @ np.linalg.solve(self.solved_basis.T @ self.solved_basis, missing.T)
        covariance: Array = self.likeness.between(points, points) - solved.T @ solved + trend
        return covariance


def fit_field(points: Array, logs: Array, keep: NDArray[np.bool_], block_mm: tuple[float, float]) -> LightField:
    """The field of the kept cells: its likeness by the restricted likelihood of a few, then many fitted.

    points (N, 2): centres of cells of CELL_MM, millimetres; logs (N, 3): natural logarithm of the paper's linear value.
    """
    noise = _cell_noise(points[keep], logs[keep])
    kept = np.flatnonzero(keep)
    # by multiples of the golden ratio any first so many of them are spread evenly over the card
    order = kept[np.argsort(np.arange(len(kept)) * 0.6180339887498949 % 1.0)][:_MANY]
    points_mm, right = points[order], np.hstack([quadratic(points[order], block_mm), logs[order]])
    likeness = _find_likeness(points_mm[:_FEW], right[:_FEW], noise)
    kernel = likeness.between(points_mm, points_mm)[None]
    factor, solved = (part[0] for part in _factor(kernel, right, noise))
    basis, seen = solved[:6].T, solved[6:].mean(axis=0)
    # generalised least squares of the trend, and the weights of the rest (eq. 2.41-2.42)
    trend = np.linalg.solve(basis.T @ basis, basis.T @ seen)
    weights = np.linalg.solve(factor.T, seen - basis @ trend)
    field = LightField(
        points_mm=points_mm, weights=weights, trend=trend, colour=np.empty((0, 3)), likeness=likeness,
        factor=factor, solved_basis=basis, noise=noise, block_mm=block_mm, cells_mm=points, cells_kept=keep,
    )  # fmt: skip
    colours = logs[keep] - logs[keep].mean(axis=1, keepdims=True)
    return replace(field, colour=np.linalg.lstsq(field.colour_terms(points[keep]), colours, rcond=None)[0])


def _find_likeness(points_mm: Array, right: Array, noise: float) -> Likeness:
    """The likeliest likeness of the light at points (N, 2): the same in all directions, or along the edge of a shadow."""
    shifts = points_mm[:, None] - points_mm[None]

    def likeliest(amplitudes: Sequence[float], stretch: Array) -> tuple[float, Likeness]:
        tries = [Likeness(a, length, stretch) for length in _LENGTHS_MM for a in amplitudes]
        alike = [replace(one, amplitude=1.0).of_shifts(shifts) for one in tries[:: len(amplitudes)]]
        kernels = np.concatenate([np.multiply.outer(np.square(amplitudes), one) for one in alike])
        found = _likelihoods(kernels, right, noise)
        return float(found.max()), tries[int(found.argmax())]

    even = likeliest(_AMPLITUDES, np.eye(2))
    if even[1].amplitude < _EDGE_LOG:
        return even[1]
    uneven = [a for a in _AMPLITUDES if a >= _EDGE_LOG]
    turn = max(_DIRECTIONS, key=lambda turn: likeliest(uneven, _stretch(turn, _REACHES[0]))[0])
    edge = max(
        (likeliest(uneven, _stretch(turn + by, reach)) for by in _BESIDE for reach in _REACHES),
        key=lambda one: one[0],
    )
    return edge[1] if edge[0] > even[0] + _CLEARLY_AN_EDGE else even[1]


def quadratic(points: Array, block_mm: tuple[float, float]) -> Array:
    """The six terms of a quadratic surface at points (N, 2), over the block scaled to -1 to 1, shape (N, 6)."""
    x = points[:, 0] / block_mm[0] * 2 - 1
    y = points[:, 1] / block_mm[1] * 2 - 1
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _stretch(along_degrees: float, reach: float) -> Array:
    """The matrix (2, 2) that leaves a distance across a direction as it is, and one along it a `reach`th."""
    turn = np.radians(along_degrees)
    return np.array([[-np.sin(turn), np.cos(turn)], [np.cos(turn) / reach, np.sin(turn) / reach]])


def _factor(kernels: Array, right: Array, noise: float) -> tuple[Array, Array]:
    """Cholesky factors L of kernels (T, N, N) with noise, and R' L^-T for right sides R (N, C), shape (T, C, N).

    The factor of [[K, .], [R', large]] holds that of K and, below it, R' solved for it.
    """
    count = len(right)
    whole = np.zeros((len(kernels), count + right.shape[1], count + right.shape[1]))
    whole[:, :count, :count] = kernels
    whole[:, count:, :count] = right.T  # the upper half is not read
    diagonal = np.einsum("tii->ti", whole)
    diagonal[:, :count] += noise**2
    diagonal[:, count:] = 1e20
    factors = np.linalg.cholesky(whole)
    return factors[:, :count, :count], factors[:, count:, :count]


def _likelihoods(kernels: Array, right: Array, noise: float) -> Array:
    """Restricted log likelihood of each kernel (eq. 2.44-2.45, the trend integrated out).

    kernels (T, N, N); right (N, 9): the quadratic's terms, then the three logs.
    """
    factor, solved = _factor(kernels, right, noise)
    on_basis, on_logs = solved[:, :6], solved[:, 6:]
    gram = np.linalg.cholesky(on_basis @ on_basis.transpose(0, 2, 1))
    explained = np.linalg.solve(gram, on_basis @ on_logs.transpose(0, 2, 1))
    rest = (on_logs**2).sum(axis=(1, 2)) - (explained**2).sum(axis=(1, 2))
    volume = sum(np.log(np.einsum("tii->ti", lower)).sum(axis=1) for lower in (factor, gram))
    likelihoods: Array = -0.5 * rest - on_logs.shape[1] * volume
    return likelihoods


def _cell_noise(points: Array, logs: Array) -> float:
    """Standard deviation of one cell from differences of neighbouring cells, which cancel a smooth light."""
    column, row = np.rint(points / CELL_MM - 0.5).astype(int).T
    grid = np.full((row.max() + 1, column.max() + 2), -1)
    grid[row, column] = np.arange(len(points))
    right = grid[row, column + 1]
    a, b = np.flatnonzero(right >= 0), right[right >= 0]
    if len(a) < 20:
        return 0.004
    spread = 1.4826 * float(np.median(np.abs(logs[a] - logs[b] - np.median(logs[a] - logs[b], axis=0)))) / np.sqrt(2)
    return float(np.clip(spread, 0.0015, 0.05))
