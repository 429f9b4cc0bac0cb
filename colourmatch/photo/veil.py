"""The white that a liquid's surface sends to the lens, from the blacks of the bars; it knows bars and no colours.

A bar seen through a liquid of transmittance T (there and back) shows r T + v where the paper beside it shows T + v: r is
what the ink sends back, blur included, v the veil, part of paper white. Dark over bright is q = r + (1 - r) v / B, B the
bright level. Water (B near 1) tells r, a dark liquid (small B) tells v: the same surface lies over all glasses, and each
may scatter a little on its own. Solved as a linear Gaussian problem about the present r, three times.
Source: Gauss-Newton for a maximum a posteriori estimate (Rodgers 2000, Inverse Methods for Atmospheric Sounding, 5.3);
first-surface reflectance of water (Fresnel) 2.0 % at normal incidence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from colourmatch.photo.clarity import Bars

#: Prior of the veil (mean, sd, part of paper white): 2.0 % of what a ceiling sends down, which is some fifth of what
#: falls on the card (common practice, no source). Each liquid's own scatter beyond it (sd).
SURFACE, SURFACE_SD, OWN_SD = 0.004, 0.006, 0.001
#: Scatter of dark over bright between photos of clear liquids (sd) where bars are well resolved; see clarity.py.
_RATIO_SD = 0.008


@dataclass(frozen=True)
class Veil:
    """Veil over each spot, part of paper white, its own sd there, and the sd of what is common to all spots."""

    value: dict[str, float]
    own_sd: dict[str, float]
    common_sd: float


def estimate_veil(bars: Mapping[str, Bars | None], glasses: tuple[str, ...], photo_veil: float) -> Veil:
    """Veil over each glass.

    bars: what was read of the bars of each spot, None where they cannot be seen; glasses: the spots on which a glass
    stands (no veil elsewhere); photo_veil: white over the whole photo, taken off first.
    """
    seen = [(name, b) for name, b in bars.items() if b is not None and b.bright - photo_veil > 0.02]
    order = [name for name, _ in seen if name in glasses]
    # unknown: r, common veil, own scatter of each glass with bars in sight
    mean = np.r_[0.2, SURFACE, np.zeros(len(order))]
    sd = np.r_[1.0, SURFACE_SD, np.full(len(order), OWN_SD)]
    at, cov = mean.copy(), np.diag(sd**2)
    for _ in range(3):
        rows, values, weights = [], [], []
        for name, b in seen:
            bright, dark = b.bright - photo_veil, max(b.dark - photo_veil, 0.0)
            row = np.zeros(len(mean))
            own = 0.0
            if name in glasses:
                k = 2 + order.index(name)
                own = at[1] + at[k]
                row[[1, k]] = (1 - at[0]) / bright
            row[0] = 1 - own / bright
            predicted = at[0] + (1 - at[0]) * own / bright
            rows.append(row)
            values.append(dark / bright - predicted + row @ at)
            weights.append(1 / (_RATIO_SD * b.coarseness**2) ** 2)
        if not rows:
            break
        a, w = np.array(rows), np.array(weights)
        cov = np.linalg.inv(np.diag(1 / sd**2) + (a.T * w) @ a)
        at = cov @ (mean / sd**2 + (a.T * w) @ np.array(values))
        at[1] = max(at[1], 0.0)
    value = {g: float(max(at[1] + (at[2 + order.index(g)] if g in order else 0.0), 0.0)) for g in glasses}
    own_sd = {g: float(np.sqrt(cov[2 + order.index(g), 2 + order.index(g)])) if g in order else OWN_SD for g in glasses}
    return Veil(value, own_sd, float(np.sqrt(cov[1, 1])))
