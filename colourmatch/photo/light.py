"""The light field of a photo, from all the bare paper of the card; it knows paper and refuses to know glasses.

The logarithm of the paper's linear value is a quadratic surface (gradient, vignetting) plus a Gaussian process (what
is not smooth: shadows, a lamp's edge), fitted together (universal kriging). Its posterior variance is how well the
light over a glass is known from the paper around it.
Source: Rasmussen, Williams (2006), Gaussian Processes for Machine Learning, sections 2.2, 2.7 and 5.4.1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, solve_triangular

from colourmatch.errors import PhotoError
from colourmatch.photo.card import Card
from colourmatch.photo.load import Photo
from colourmatch.photo.locate import CardPose
from colourmatch.photo.quality import flag

Array = NDArray[np.float64]
Image32 = NDArray[np.float32]

#: Side of the square cells whose mean is one observation of the light.
CELL_MM = 5.0
#: Standard deviations (natural log) and correlation lengths tried for the part of the light that is not quadratic.
_AMPLITUDES, _LENGTHS_MM = (0.003, 0.01, 0.03, 0.1, 0.3), (25.0, 45.0, 80.0)
#: A cell whose colour is this far from the smooth field's is an object or a stain, not a shadow (natural log).
_STAIN_LOG = 0.06
_BLACK_LOG = 1.2
_WARP = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP


@dataclass(frozen=True)
class FlatCard:
    """The card seen flat: its 8-bit codes (H, W, 3), whether each pixel was in the photo, and how codes become light.

    decode_table, float32 (3, 256); coarseness: 1 where the photo resolves a clarity bar well, more where it does not.
    """

    codes: NDArray[np.uint8]
    inside: NDArray[np.bool_]
    px_per_mm: int
    card: Card
    decode_table: NDArray[np.float32]
    coarseness: float = 1.0

    def redecoded(self, table: NDArray[np.float32]) -> FlatCard:
        """The same card decoded by another table (3, 256)."""
        return replace(self, decode_table=table)

    def decode(self, rows: slice, cols: slice) -> Image32:
        """Linear light of a crop, float32 (h, w, 3): only what is looked at is decoded."""
        return decode(self.codes[rows, cols], self.decode_table)

    def crop(self, centre_mm: tuple[float, float], half_mm: float) -> tuple[slice, slice]:
        """Rows and columns of a square around a point of the card."""
        s = self.px_per_mm
        rows, cols = self.inside.shape
        x0, y0 = round((centre_mm[0] - half_mm) * s), round((centre_mm[1] - half_mm) * s)
        side = round(2 * half_mm * s)
        return slice(max(y0, 0), min(y0 + side, rows)), slice(max(x0, 0), min(x0 + side, cols))

    def positions(self, rows: slice, cols: slice) -> tuple[Array, Array]:
        """Millimetres x (1, W) and y (H, 1) of the pixel centres of a crop."""
        s = self.px_per_mm
        x = (np.arange(cols.start, cols.stop) + 0.5) / s
        y = (np.arange(rows.start, rows.stop) + 0.5) / s
        return x[None, :], y[:, None]


@dataclass(frozen=True)
class LightField:
    """Fitted light: `at` predicts the paper's linear value anywhere on the card; `flags` say what is wrong with it."""

    points_mm: Array
    weights: Array
    trend: Array
    amplitude: float
    length_mm: float
    factor: Array
    basis: Array
    gram_factor: Array
    noise: float
    block_mm: tuple[float, float]
    cells_mm: Array
    cells_kept: NDArray[np.bool_]

    def at(self, points_mm: Array) -> Array:
        """Linear value of bare paper, shape (N, 3), at card points, shape (N, 2)."""
        points = np.asarray(points_mm, float).reshape(-1, 2)
        return np.exp(self._trend(points) + self._kernel(points) @ self.weights)

    def departure(self, points_mm: Array) -> Array:
        """Natural-log departure of the light from its quadratic part, shape (N, 3)."""
        return self._kernel(np.asarray(points_mm, float).reshape(-1, 2)) @ self.weights

    def covariance(self, points_mm: Array) -> Array:
        """Posterior covariance of the log light between points, shape (N, N), the same for each channel."""
        points = np.asarray(points_mm, float).reshape(-1, 2)
        cross = self._kernel(points)
        own = _matern(points, points, self.length_mm) * self.amplitude**2
        solved = solve_triangular(self.factor, cross.T, lower=True, check_finite=False)
        missing = _quadratic(points, self.block_mm) - cross @ cho_solve((self.factor, True), self.basis)
        trend = solve_triangular(self.gram_factor, missing.T, lower=True, check_finite=False)
        return own - solved.T @ solved + trend.T @ trend

    def _trend(self, points: Array) -> Array:
        return _quadratic(points, self.block_mm) @ self.trend

    def _kernel(self, points: Array) -> Array:
        return _matern(points, self.points_mm, self.length_mm) * self.amplitude**2


def decode(codes: NDArray[np.uint8], table: NDArray[np.float32]) -> Image32:
    """Linear light of codes, shape (..., 3), by a table (3, 256)."""
    return np.asarray(cv2.LUT(np.ascontiguousarray(codes), np.ascontiguousarray(table.T[None])), np.float32)


def _coarseness(pose: CardPose) -> float:
    """1 where a photo resolves the clarity bars well, larger where its edges (0.4 mm) or pixels (4.2 per mm) do not."""
    return max(pose.edge_mm / 0.4, (4.2 / pose.px_per_mm) ** 2, 1.0)


def flatten_card(photo: Photo, pose: CardPose, card: Card) -> FlatCard:
    """The card's block resampled to a flat picture of whole pixels per millimetre, decoded to linear light."""
    s = int(np.clip(np.ceil(pose.px_per_mm), 4, 6))
    width, height = round(card.block_mm[0] * s), round(card.block_mm[1] * s)
    # pixel (j, i) of the flat picture has its centre at millimetre ((j + 0.5) / s, (i + 0.5) / s)
    to_mm = np.array([[1 / s, 0, 0.5 / s], [0, 1 / s, 0.5 / s], [0, 0, 1]])
    matrix = pose.to_px @ to_mm
    codes = np.asarray(
        cv2.warpPerspective(photo.rgb, matrix, (width, height), flags=_WARP, borderMode=cv2.BORDER_REPLICATE),
        np.uint8,
    )
    return FlatCard(
        codes,
        _mask_seen(pose, card, matrix, (photo.rgb.shape[1], photo.rgb.shape[0], s)),
        s,
        card,
        photo.profile.decode_table,
        _coarseness(pose),
    )


def _mask_seen(pose: CardPose, card: Card, matrix: Array, size: tuple[int, int, int]) -> NDArray[np.bool_]:
    """Where the flat card shows what is in the photo; size: the photo's width and height, and pixels per millimetre."""
    width, height, s = size
    flat_size = round(card.block_mm[0] * s), round(card.block_mm[1] * s)
    corners = pose.project(np.array([(x, y) for x in (0, card.block_mm[0]) for y in (0, card.block_mm[1])]))
    # the picture of a rectangle within a camera's view is convex: it lies in the photo when its corners do
    if (corners >= 1).all() and (corners < np.array([width, height]) - 2).all():
        return np.ones(flat_size[::-1], bool)
    seen = np.full((height, width), 255, np.uint8)
    return np.asarray(cv2.warpPerspective(seen, matrix, flat_size, flags=_WARP) > 250)


def mask_paper(card: Card, px_per_mm: int) -> NDArray[np.bool_]:
    """Where the flat card is bare paper for certain: outside markers, grey steps and rings, with a margin."""
    s = px_per_mm
    mask = np.full((round(card.block_mm[1] * s), round(card.block_mm[0] * s)), 255, np.uint8)

    def block(centre: tuple[float, float], size: float) -> None:
        low = [round((c - size / 2) * s) for c in centre]
        high = [round((c + size / 2) * s) for c in centre]
        cv2.rectangle(mask, low, high, 0, -1)

    for centre in card.marker_centres_mm.values():
        block(centre, card.marker_size_mm + 3)
    for step in card.greys:
        block(step.centre_mm, card.grey_size_mm + 3)
    for centre in card.spots.values():
        cv2.circle(mask, [round(c * s) for c in centre], round((card.ring_diameter_mm / 2 + 1.5) * s), 0, -1)
    return mask > 0


def fit_light(flat: FlatCard, paper: NDArray[np.bool_], markers: tuple[int, ...]) -> LightField:
    """Fit the light to the cells of bare paper.

    paper, bool (H, W): where the flat card is paper; cells of 5 mm that are at least half paper are used. The cells
    near the markers that were found are paper for certain and say how bright paper is.
    Raises PhotoError "clipped" or "too-dark" when the paper itself cannot be read, "no-card" when too little is seen.
    """
    points, values, codes = _read_cells(flat, paper & flat.inside)
    if len(points) < 40:
        raise PhotoError(flag("no-card").text, "no-card")
    centres = np.array([flat.card.marker_centres_mm[i] for i in markers])
    near = np.linalg.norm(points[:, None] - centres[None], axis=-1).min(axis=1) < 30
    sure = near if near.sum() >= 8 else np.ones(len(points), bool)
    _check_exposure(codes[sure])
    logs = np.log(values)
    keep = _reject_objects(points, logs, float(np.median(logs[sure])), flat.card.block_mm)
    if keep.sum() < 40:
        raise PhotoError(flag("no-card").text, "no-card")
    return _fit_process(points, logs, keep, flat.card.block_mm)


def _read_cells(flat: FlatCard, paper: NDArray[np.bool_]) -> tuple[Array, Array, Array]:
    """Centres (N, 2), trimmed mean linear values (N, 3) and mean codes (N, 3) of the cells that are mostly paper."""
    side = round(CELL_MM * flat.px_per_mm)
    rows, cols = paper.shape[0] // side, paper.shape[1] // side

    def cut(array: NDArray[Any]) -> NDArray[Any]:
        """Every second pixel each way of every cell, shape (cells, pixels): enough for a mean."""
        body = array[: rows * side, : cols * side].reshape(rows, side, cols, side)[:, ::2, :, ::2]
        return body.transpose(0, 2, 1, 3).reshape(rows * cols, -1)

    valid = cut(paper)
    use = np.count_nonzero(valid, axis=1) >= 0.5 * valid.shape[1]
    valid = valid[use]
    means, mean_codes, filled = zip(
        *(_trimmed_mean(cut(flat.codes[..., c])[use], valid, flat.decode_table[c]) for c in range(3)),
        strict=True,
    )
    index, full = np.flatnonzero(use), np.all(filled, axis=0)
    points = np.stack([(index % cols + 0.5) * CELL_MM, (index // cols + 0.5) * CELL_MM], axis=1)
    return points[full], np.maximum(np.stack(means, axis=1)[full], 1e-5), np.stack(mean_codes, axis=1)[full]


def _trimmed_mean(
    codes: NDArray[np.uint8], valid: NDArray[np.bool_], table: NDArray[np.float32]
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Mean linear value and mean code of each cell's pixels within 5 % of their median, and whether they are enough.

    codes, valid: shape (cells, pixels); table, rising, shape (256,): linear light of codes.
    """
    middle = table[_middle_codes(codes, valid)].mean(axis=1, dtype=float)
    low = np.searchsorted(table, 0.95 * middle - 1e-4, "left").astype(np.uint8)
    high = (np.searchsorted(table, 1.05 * middle + 1e-4, "right") - 1).astype(np.uint8)
    good = (codes >= low[:, None]) & (codes <= high[:, None]) & valid
    count = np.count_nonzero(good, axis=1)
    kept = codes * good
    left_out = codes.shape[1] - count  # each counts as code 0 in the sums
    linear = np.add.reduce(cv2.LUT(kept, table), axis=1, dtype=float) - left_out * float(table[0])
    mean, mean_code = (
        total / np.maximum(count, 1) for total in (linear, np.add.reduce(kept, axis=1, dtype=float))
    )
    return mean, mean_code, count > 0.25 * codes.shape[1]


def _middle_codes(codes: NDArray[np.uint8], valid: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """The two codes on both sides of the middle of each row's valid ones, shape (rows, 2); their mean is the median."""
    middle = np.empty((len(codes), 2), np.uint8)
    whole = valid.all(axis=1)
    both = [(codes.shape[1] - 1) // 2, codes.shape[1] // 2]
    middle[whole] = np.partition(codes[whole], both, axis=1)[:, both]
    ordered = np.sort(np.where(valid, codes, 255)[~whole], axis=1)
    count = np.count_nonzero(valid[~whole], axis=1)[:, None]
    middle[~whole] = np.take_along_axis(ordered, np.hstack([(count - 1) // 2, count // 2]), axis=1)
    return middle


def _check_exposure(codes: Array) -> None:
    """Paper at the top of its range has lost its value; paper below code 60 leaves the glasses too few codes."""
    top = codes.max(axis=1)
    if (top >= 252).mean() > 0.2:
        raise PhotoError(flag("clipped").text, "clipped")
    if np.median(codes.max(axis=1)) < 60:
        raise PhotoError(flag("too-dark").text, "too-dark")


def _quadratic(points: Array, block_mm: tuple[float, float]) -> Array:
    x = points[:, 0] / block_mm[0] * 2 - 1
    y = points[:, 1] / block_mm[1] * 2 - 1
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _reject_objects(
    points: Array, logs: Array, paper_log: float, block_mm: tuple[float, float]
) -> NDArray[np.bool_]:
    """Keep cells whose colour is that of paper in this light; a shadow is neutral and stays, an object goes."""
    basis = _quadratic(points, block_mm)
    level = logs.mean(axis=1)
    chroma = logs - level[:, None]
    keep = np.abs(level - paper_log) < _BLACK_LOG
    for _ in range(8):
        if keep.sum() < 20:
            break
        chroma_off = np.abs(chroma - basis @ _robust_solve(basis[keep], chroma[keep])).max(axis=1)
        level_off = level - basis @ _robust_solve(basis[keep], level[keep])
        new = (chroma_off < _STAIN_LOG) & (level_off > -_BLACK_LOG) & (level_off < 0.25)
        new &= np.abs(level - paper_log) < _BLACK_LOG
        if (new == keep).all():
            break
        keep = new
    return keep


def _robust_solve(basis: Array, values: Array) -> Array:
    """Least squares with Tukey's biweight (Beaton, Tukey 1974), scale from the median absolute residual."""
    target = values if values.ndim == 2 else values[:, None]
    weight = np.ones(len(target))
    for _ in range(6):
        root = np.sqrt(weight)[:, None]
        solution: NDArray[Any] = np.linalg.lstsq(basis * root, target * root, rcond=None)[0]
        size = np.linalg.norm(target - basis @ solution, axis=1)
        scale = max(1.4826 * float(np.median(size)), 1e-4)
        weight = np.clip(1 - (size / (4.685 * scale)) ** 2, 0, 1) ** 2 + 1e-6
    return solution if values.ndim == 2 else solution[:, 0]


def _matern(a: Array, b: Array, length_mm: float) -> Array:
    """Matern covariance with smoothness 3/2, 1 at distance 0."""
    return _matern_at(_distances(a, b), length_mm)


def _matern_at(distance_mm: Array, length_mm: float) -> Array:
    scaled = distance_mm * (np.sqrt(3) / length_mm)
    falling = np.exp(-scaled)
    scaled += 1
    return np.multiply(scaled, falling, out=scaled)


def _distances(a: Array, b: Array) -> Array:
    """Distance of every point of a, shape (N, 2), from every point of b, shape (M, 2)."""
    x, y = a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1]
    return np.sqrt(x * x + y * y)


def _fit_process(
    points: Array, logs: Array, keep: NDArray[np.bool_], block_mm: tuple[float, float]
) -> LightField:
    """Choose amplitude and length by the restricted likelihood on a thinned set, then fit all kept cells."""
    noise = _cell_noise(points[keep], logs[keep])
    order = np.flatnonzero(keep)[np.random.default_rng(5).permutation(int(keep.sum()))]
    few, many = order[:120], order[:360]
    tries = [(amplitude, length) for length in _LENGTHS_MM for amplitude in _AMPLITUDES]
    apart = _distances(points[few], points[few])
    kernels = np.concatenate(
        [_matern_at(apart, length) * np.square(_AMPLITUDES)[:, None, None] for length in _LENGTHS_MM]
    )
    scale = tries[int(np.argmax(_likelihoods(kernels, points[few], logs[few], noise, block_mm)))]
    kernel = _matern(points[many], points[many], scale[1]) * scale[0] ** 2
    parts = _solve_process(points[many], logs[many], kernel, noise, block_mm)
    return LightField(
        points_mm=points[many], amplitude=scale[0], length_mm=scale[1], noise=noise, block_mm=block_mm,
        cells_mm=points, cells_kept=keep, **parts,
    )  # fmt: skip


def _solve_process(
    points: Array, logs: Array, kernel: Array, noise: float, block_mm: tuple[float, float]
) -> dict[str, Array]:
    """Generalised least squares of the trend, and the weights of the rest (Rasmussen, Williams 2006, eq. 2.41-2.42)."""
    basis = _quadratic(points, block_mm)
    factor = np.linalg.cholesky(kernel + np.eye(len(points)) * noise**2)
    solved_basis = solve_triangular(factor, basis, lower=True, check_finite=False)
    solved_logs = solve_triangular(factor, logs, lower=True, check_finite=False)
    gram = np.linalg.cholesky(solved_basis.T @ solved_basis)
    trend = cho_solve((gram, True), solved_basis.T @ solved_logs, check_finite=False)
    weights = solve_triangular(factor.T, solved_logs - solved_basis @ trend, lower=False, check_finite=False)
    return {"weights": weights, "trend": trend, "factor": factor, "basis": basis, "gram_factor": gram}


def _likelihoods(
    kernels: Array, points: Array, logs: Array, noise: float, block_mm: tuple[float, float]
) -> Array:
    """Restricted log likelihood of each kernel (T, N, N) on N points (eq. 2.44-2.45, the trend integrated out).

    All are factored at once: the factor of [[K, .], [R', large]] holds that of K and, below it, K's factor solved for R.
    """
    count, basis = len(points), _quadratic(points, block_mm)
    right = np.hstack([basis, logs]).T
    whole = np.zeros((len(kernels), count + len(right), count + len(right)))
    whole[:, :count, :count] = kernels
    whole[:, count:, :count] = right  # the upper half is not read
    diagonal = np.einsum("tii->ti", whole)
    diagonal[:, :count] += noise**2
    diagonal[:, count:] = 1e20
    factor = np.linalg.cholesky(whole)
    solved, trends = factor[:, count:, :count], basis.shape[1]
    on_basis, on_logs = solved[:, :trends], solved[:, trends:]
    gram = np.linalg.cholesky(on_basis @ on_basis.transpose(0, 2, 1))
    explained = np.linalg.solve(gram, on_basis @ on_logs.transpose(0, 2, 1))
    rest = (on_logs**2).sum(axis=(1, 2)) - (explained**2).sum(axis=(1, 2))
    volume = np.log(np.einsum("tii->ti", factor)[:, :count]).sum(axis=1) + np.log(
        np.einsum("tii->ti", gram)
    ).sum(axis=1)
    return -0.5 * rest - logs.shape[1] * volume


def _cell_noise(points: Array, logs: Array) -> float:
    """Standard deviation of one cell from differences of neighbouring cells, which cancel a smooth light."""
    column, row = np.rint(points / CELL_MM - 0.5).astype(int).T
    grid = np.full((row.max() + 1, column.max() + 2), -1)
    grid[row, column] = np.arange(len(points))
    right = grid[row, column + 1]
    a, b = np.flatnonzero(right >= 0), right[right >= 0]
    if len(a) < 20:
        return 0.004
    spread = (
        1.4826
        * float(np.median(np.abs(logs[a] - logs[b] - np.median(logs[a] - logs[b], axis=0))))
        / np.sqrt(2)
    )
    return float(np.clip(spread, 0.0015, 0.05))
