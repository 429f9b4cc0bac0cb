"""The tone curves of a photo from the printed grey steps; it knows neutral patches and nothing of liquids.

The steps are printed in one ink: whatever their true reflectance, the three channels must agree on it. Each channel is
therefore mapped to the mean of the three by a smooth correction of its logarithm. The mean curve itself stays as the
phone made it, since a printer's error and a phone's tone curve cannot be told apart without a profile of the card.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from colourmatch.photo.light import FlatCard, LightField

Array = NDArray[np.float64]

#: Ink is neutral to about this much between channels (natural log, sd); a correction well above it is the phone's.
_INK_LOG = 0.01


@dataclass(frozen=True)
class ToneMap:
    """Correction of each channel's relative linear value: knots at log values of the mean channel, shifts (K, 3)."""

    knots_log: Array
    shifts_log: Array
    steps: Array

    def apply(self, rgb: Array) -> Array:
        """Corrected relative linear values, shape (..., 3)."""
        rgb = np.maximum(np.asarray(rgb, float), 1e-5)
        if not len(self.knots_log):
            return rgb
        logs = np.log(rgb)
        shift = np.stack(
            [np.interp(logs[..., c], self.knots_log, self.shifts_log[:, c]) for c in range(3)], axis=-1
        )
        return np.exp(logs + shift)

    def covariance(self, rgb: Array) -> Array:
        """Covariance (3, 3) that the ink's own cast leaves in a corrected value."""
        rgb = np.asarray(rgb, float)
        depth = np.clip(-np.log(np.maximum(rgb, 1e-3)), 0, 1.0)
        return np.diag((0.3 * _INK_LOG * depth * rgb) ** 2)


def fit_tone(flat: FlatCard, light: LightField) -> ToneMap:
    """Read the twelve grey steps and find what brings the three channels together."""
    pairs = [(step.reflectance, _read_step(flat, light, step.centre_mm, flat.card.grey_size_mm)) for step in flat.card.greys]
    nominal = np.array([n for n, value in pairs if value is not None])
    values = np.array([value for _, value in pairs if value is not None]).reshape(-1, 3)
    keep = _agreeing(nominal, values)
    nominal, values = nominal[keep], values[keep]
    levels = np.array(sorted(set(nominal)))
    if len(levels) < 4:
        return ToneMap(np.empty(0), np.empty((0, 3)), values)
    logs = np.stack([np.log(values[nominal == n]).mean(axis=0) for n in levels])
    mean = logs.mean(axis=1, keepdims=True)
    shifts = mean - logs
    # a cast of the ink is expected; shrink each shift by its share of the variance seen (Wiener)
    weight = shifts**2 / (shifts**2 + _INK_LOG**2)
    knots = np.append(mean[:, 0], 0.0)
    return ToneMap(knots, np.vstack([shifts * weight, np.zeros(3)]), values)


def _agreeing(nominal: Array, values: Array) -> NDArray[np.bool_]:
    """Leave out steps that are covered: coloured, or far from the curve through all of them (in logs, robustly)."""
    if not len(values):
        return np.zeros(0, bool)
    logs = np.log(values)
    neutral = np.ptp(logs, axis=1) < 0.25
    if neutral.sum() < 4:
        return neutral
    from scipy.stats import theilslopes

    x, y = np.log(nominal), logs.mean(axis=1)
    slope, intercept, _, _ = theilslopes(y[neutral], x[neutral])
    return neutral & (np.abs(y - slope * x - intercept) < 0.35)


def _read_step(flat: FlatCard, light: LightField, centre_mm: tuple[float, float], size_mm: float) -> Array | None:
    rows, cols = flat.crop(centre_mm, size_mm / 2 - 3.0)
    inside = flat.inside[rows, cols]
    if inside.size == 0 or inside.mean() < 0.9:
        return None
    patch = flat.linear[rows, cols].reshape(-1, 3)
    middle = np.median(patch, axis=0)
    clean = (np.abs(patch - middle) <= 0.15 * middle + 0.004).all(axis=1)
    if clean.mean() < 0.6:
        return None
    return np.maximum(patch[clean].mean(axis=0) / light.at(np.array([centre_mm]))[0], 1e-4)

