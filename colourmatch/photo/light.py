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
        solved = solve_triangular(self.factor, cross.T, lower=True)
        missing = _quadratic(points, self.block_mm) - cross @ cho_solve((self.factor, True), self.basis)
        trend = solve_triangular(self.gram_factor, missing.T, lower=True)
        return own - solved.T @ solved + trend.T @ trend

    def _trend(self, points: Array) -> Array:
        return _quadratic(points, self.block_mm) @ self.trend

    def _kernel(self, points: Array) -> Array:
        return _matern(points, self.points_mm, self.length_mm) * self.amplitude**2


def decode(codes: NDArray[np.uint8], table: NDArray[np.float32]) -> Image32:
    """Linear light of codes, shape (..., 3), by a table (3, 256)."""
    return np.stack([table[c][codes[..., c]] for c in range(3)], axis=-1)


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
    options = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    codes = cv2.warpPerspective(
        photo.rgb, matrix, (width, height), flags=options, borderMode=cv2.BORDER_REPLICATE
    )
    seen = np.full(photo.rgb.shape[:2], 255, np.uint8)
    inside = cv2.warpPerspective(seen, matrix, (width, height), flags=options) > 250
    return FlatCard(codes, inside, s, card, photo.profile.decode_table, _coarseness(pose))


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
        """Every second pixel each way of every cell, shape (cells, pixels, channels): enough for a mean."""
        body = array[: rows * side, : cols * side].reshape(rows, side, cols, side, -1)[:, ::2, :, ::2]
        return body.transpose(0, 2, 1, 3, 4).reshape(rows * cols, body.shape[1] * body.shape[3], -1)

    valid = cut(paper)[..., 0]
    use = valid.mean(axis=1) >= 0.5
    codes, valid = cut(flat.codes)[use], valid[use]
    linear = decode(codes, flat.decode_table)
    masked = np.where(valid[..., None], linear, np.nan)
    middle = np.nanmedian(masked, axis=1, keepdims=True)
    good = np.abs(masked - middle) <= 0.05 * middle + 1e-4
    weight = np.maximum(good.sum(axis=1), 1)
    values = np.where(good, masked, 0).sum(axis=1) / weight
    code = np.where(good, codes, 0).sum(axis=1, dtype=np.float32) / weight
    index = np.flatnonzero(use)
    points = np.stack([(index % cols + 0.5) * CELL_MM, (index // cols + 0.5) * CELL_MM], axis=1)
    filled = (good.mean(axis=1) > 0.25).all(axis=1)
    return points[filled], np.maximum(values[filled], 1e-5).astype(float), code[filled].astype(float)


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
    distance = np.sqrt(np.maximum(((a[:, None] - b[None]) ** 2).sum(axis=-1), 0)) * (np.sqrt(3) / length_mm)
    return (1 + distance) * np.exp(-distance)


def _fit_process(
    points: Array, logs: Array, keep: NDArray[np.bool_], block_mm: tuple[float, float]
) -> LightField:
    """Choose amplitude and length by the restricted likelihood on a thinned set, then fit all kept cells."""
    noise = _cell_noise(points[keep], logs[keep])
    order = np.flatnonzero(keep)[np.random.default_rng(5).permutation(int(keep.sum()))]
    few, many = order[:120], order[:360]
    tries = [(amplitude, length) for length in _LENGTHS_MM for amplitude in _AMPLITUDES]
    likelihoods = [
        _solve_process(points[few], logs[few], scale, noise, block_mm)["likelihood"] for scale in tries
    ]
    scale = tries[int(np.argmax(likelihoods))]
    parts = _solve_process(points[many], logs[many], scale, noise, block_mm)
    del parts["likelihood"]
    return LightField(
        points_mm=points[many], amplitude=scale[0], length_mm=scale[1], noise=noise, block_mm=block_mm,
        cells_mm=points, cells_kept=keep, **parts,
    )  # fmt: skip


def _solve_process(
    points: Array, logs: Array, scale: tuple[float, float], noise: float, block_mm: tuple[float, float]
) -> dict[str, Array]:
    """Generalised least squares of the trend, and the weights of the rest (Rasmussen, Williams 2006, eq. 2.41-2.42)."""
    amplitude, length = scale
    basis = _quadratic(points, block_mm)
    factor = np.linalg.cholesky(
        _matern(points, points, length) * amplitude**2 + np.eye(len(points)) * noise**2
    )
    solved_basis = solve_triangular(factor, basis, lower=True)
    solved_logs = solve_triangular(factor, logs, lower=True)
    gram = np.linalg.cholesky(solved_basis.T @ solved_basis)
    trend = cho_solve((gram, True), solved_basis.T @ solved_logs)
    rest = solved_logs - solved_basis @ trend
    likelihood = -0.5 * (rest**2).sum() - 3 * np.log(np.diag(factor)).sum() - 3 * np.log(np.diag(gram)).sum()
    weights = solve_triangular(factor.T, rest, lower=False)
    return {
        "weights": weights, "trend": trend, "factor": factor, "basis": basis, "gram_factor": gram,
        "likelihood": likelihood,
    }  # fmt: skip


def _cell_noise(points: Array, logs: Array) -> float:
    """Standard deviation of one cell from differences of neighbouring cells, which cancel a smooth light."""
    where = {tuple(np.round(p / CELL_MM * 2).astype(int)): k for k, p in enumerate(points)}
    pairs = [(k, where[(x + 2, y)]) for (x, y), k in where.items() if (x + 2, y) in where]
    if len(pairs) < 20:
        return 0.004
    a, b = np.array(pairs).T
    spread = (
        1.4826
        * float(np.median(np.abs(logs[a] - logs[b] - np.median(logs[a] - logs[b], axis=0))))
        / np.sqrt(2)
    )
    return float(np.clip(spread, 0.0015, 0.05))
