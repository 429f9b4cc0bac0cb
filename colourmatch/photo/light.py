"""The light of a photo from all the bare paper of the card; it knows paper and refuses to know glasses.

Paper is cut into cells, cells that are not paper are left out, and the light is fitted to the rest (photo/field.py).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.errors import PhotoError
from colourmatch.photo.field import CELL_MM, LightField, fit_field, quadratic
from colourmatch.photo.flat import FlatCard
from colourmatch.photo.opencv import cv2
from colourmatch.photo.quality import flag
from colourmatch.records import Array

#: A cell whose colour is this far from the smooth field's is an object or a stain, not a shadow (natural log).
_STAIN_LOG = 0.06
_BLACK_LOG = 1.2
#: One whose colour is so many times as far as the middle one's, and this far (natural log), shows more than light and noise
#: (of noise alone, 1 in 80).
_TINTED, _TINT_LOG = 2.5, 0.01


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
    field = fit_field(points, logs, keep, flat.card.block_mm)
    plain = keep & _untinted(field, logs)
    if plain.sum() >= 40:
        field = fit_field(points, logs, plain, flat.card.block_mm)
    return replace(field, cells_kept=keep)


def _read_cells(flat: FlatCard, paper: NDArray[np.bool_]) -> tuple[Array, Array, Array]:
    """Centres (N, 2), trimmed mean linear values (N, 3) and mean codes (N, 3) of the cells that are mostly paper."""
    side, step = round(CELL_MM * flat.px_per_mm), max(flat.px_per_mm // 2, 1)
    rows, cols = paper.shape[0] // side, paper.shape[1] // side

    def cut(array: NDArray[Any]) -> NDArray[Any]:
        """About two pixels per millimetre each way of every cell, shape (cells, pixels): enough for a mean."""
        body = array[: rows * side, : cols * side].reshape(rows, side, cols, side)[:, ::step, :, ::step]
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
    # every second pixel places the middle well enough
    middle = table[_middle_codes(codes[:, ::2], valid[:, ::2])].mean(axis=1, dtype=float)
    low = np.searchsorted(table, 0.95 * middle - 1e-4, "left").astype(np.uint8)
    high = (np.searchsorted(table, 1.05 * middle + 1e-4, "right") - 1).astype(np.uint8)
    good = (codes >= low[:, None]) & (codes <= high[:, None]) & valid
    count = np.count_nonzero(good, axis=1)
    mean, mean_code = (
        np.where(good, values, 0).sum(axis=1, dtype=float) / np.maximum(count, 1)
        for values in (cv2.LUT(codes, table), codes)
    )
    return mean, mean_code, count > 0.25 * codes.shape[1]


def _middle_codes(codes: NDArray[np.uint8], valid: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """The two codes on both sides of the middle of each row's valid ones, shape (rows, 2); their mean is the median."""
    ordered = np.sort(np.where(valid, codes, 255), axis=1)
    count = np.count_nonzero(valid, axis=1)[:, None]
    return np.take_along_axis(ordered, np.hstack([(count - 1) // 2, count // 2]), axis=1)


def _check_exposure(codes: Array) -> None:
    """Paper at the top of its range has lost its value; paper below code 60 leaves the glasses too few codes."""
    top = codes.max(axis=1)
    if (top >= 252).mean() > 0.2:
        raise PhotoError(flag("clipped").text, "clipped")
    if np.median(codes.max(axis=1)) < 60:
        raise PhotoError(flag("too-dark").text, "too-dark")


def _reject_objects(points: Array, logs: Array, paper_log: float, block_mm: tuple[float, float]) -> NDArray[np.bool_]:
    """Keep cells whose colour is that of paper in this light; a shadow is neutral and stays, an object goes."""
    basis = quadratic(points, block_mm)
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


def _untinted(light: LightField, logs: Array) -> NDArray[np.bool_]:
    """Cells that no glass throws its colour on: theirs is that of the light, as nearly as most cells' is."""
    terms, kept = light.colour_terms(light.cells_mm), light.cells_kept
    colour = logs - logs.mean(axis=1, keepdims=True)
    off = np.linalg.norm(colour - terms @ _robust_solve(terms[kept], colour[kept]), axis=1)
    return np.asarray(off < max(_TINTED * float(np.median(off[kept])), _TINT_LOG), bool)


def _robust_solve(basis: Array, values: Array) -> Array:
    """Least squares with Tukey's biweight (Beaton, Tukey 1974), scale from the median absolute residual."""
    target = values if values.ndim == 2 else values[:, None]
    weight, ridge = np.ones(len(target)), 1e-9 * np.eye(basis.shape[1])  # for points all in a line
    for _ in range(6):
        weighted = basis.T * weight
        solution: NDArray[Any] = np.linalg.solve(weighted @ basis + ridge, weighted @ target)
        size = np.sqrt(((target - basis @ solution) ** 2).sum(axis=1))
        scale = max(1.4826 * float(np.median(size)), 1e-4)
        weight = np.clip(1 - (size / (4.685 * scale)) ** 2, 0, 1) ** 2 + 1e-6
    return solution if values.ndim == 2 else solution[:, 0]
