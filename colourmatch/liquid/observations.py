"""The photos of a lot as its fit sees them: readings with their covariance, the estimated difference, what was dosed.

It knows what errs between photos of one lot, and no liquid.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from colourmatch.colour.spaces import lab_to_p3, p3_to_lab
from colourmatch.liquid.phone import log_light_slope, read_log_light
from colourmatch.records import Array

#: Photo to photo: contrast of a channel, glass's fill, common white, what the model leaves out (sd, natural log).
_PHOTO_SD, _FILL_SD, _WHITE_SD, _MISFIT_SD, _VEIL = 0.02, 0.015, 0.004, 0.003, 0.002
#: What the liquid's spectrum as modelled leaves of a gap in Lab (sd).
_GAP_MISFIT = 0.5
#: The gap's noise is in part that of the two readings beside it: counted so many times, both are counted once.
_GAP_NOISE = 2.0
#: So is what a phone that nothing is known of leaves over white, where both err alike; with fields the gap errs by itself
#: (ends of 150 lots on drawn photos of card 1: 89 % held before, 93 % with it; of card 2 the same 89 %).
_GAP_PHONE = 2.0
#: What is unsure of a warm lamp's change goes with what is unsure of the gap (correlated by -0.4 to -0.6 in chroma and hue over
#: drawn worlds) and with how full the glasses are, which is left out: its variance counts so many times instead, as the
#: lot's own figure needs to hold (tests/bench/bench_dosing.py --fields).
_WARM_NOISE = 4.0


@dataclass(frozen=True)
class Shot:
    """One photo as the fit sees it: Lab of reference and batch with covariances, and what the batch then held.

    mg_per_l: label mg of each stock per litre of undiluted batch; thinning: share of the volume that is base;
    camera: photos with the same key share one phone error; path, reference_path: depth over dilution of the two
    liquids in this photo, relative to the view of the fit. gap: the estimated difference, where there is one.
    """

    batch_lab: Array
    batch_covariance: Array
    reference_lab: Array | None
    reference_covariance: Array | None
    mg_per_l: tuple[float, ...]
    thinning: float = 1.0
    camera: str = ""
    path: float = 1.0
    reference_path: float = 1.0
    gap: Gap | None = None


@dataclass(frozen=True)
class Gap:
    """True Lab of the batch less that of the reference (3,), as estimated (photo/estimate.py).

    noise (3, 3): covariance of this photo's own; unknown (3, 3): what phone, lamp and inks leave, which all photos of one
    camera have in common. warm (3,), warm_covariance (3, 3): what the difference changes by from daylight to CIE
    illuminant A, as the colour fields tell it; None without them.
    """

    lab: Array
    noise: Array
    unknown: Array
    warm: Array | None = None
    warm_covariance: Array | None = None

    @property
    def values(self) -> Array:
        """The difference and, where it is known, its change to illuminant A, (3,) or (6,)."""
        return self.lab if self.warm is None else np.r_[self.lab, self.warm]


@dataclass(frozen=True)
class Observed:
    """Observations in log space, whitening matrices, and the doses; built once per fit."""

    y: list[Array]
    whiten: list[Array]
    jitter: list[Array]
    mg_per_l: Array
    thinning: Array
    camera: Array
    has_reference: list[bool]
    gap_size: list[int]
    path: Array
    reference_path: Array


def _lab_to_y(lab: Array, cov: Array) -> tuple[Array, Array, Array]:
    """Reading in log Display P3, its covariance, and the linear values, from Lab and its covariance."""
    jacobian = log_light_slope(lab)
    return read_log_light(lab), jacobian @ cov @ jacobian.T, lab_to_p3(lab)


def prepare(shots: Sequence[Shot], cameras: Sequence[str]) -> Observed:
    y: list[Array] = []
    whiten: list[Array] = []
    jitter: list[Array] = []
    alike = Counter(shot.camera for shot in shots if shot.gap is not None)
    for shot in shots:
        parts = [_lab_to_y(np.asarray(shot.batch_lab, float), np.asarray(shot.batch_covariance, float))]
        if shot.reference_lab is not None:
            parts.append(_lab_to_y(np.asarray(shot.reference_lab, float), np.asarray(shot.reference_covariance, float)))
        values = np.concatenate([p[0] for p in parts])
        cov = np.full((len(values), len(values)), _WHITE_SD**2) + np.eye(len(values)) * _MISFIT_SD**2
        for k, (own, own_cov, rgb) in enumerate(parts):
            at = slice(3 * k, 3 * k + 3)
            veil = _VEIL / np.maximum(rgb, 0.02)
            cov[at, at] += own_cov + _FILL_SD**2 * np.outer(own, own) + np.outer(veil, veil)
        for channel in range(3):
            common = np.zeros(len(values))
            common[channel::3] = values[channel::3]
            cov += _PHOTO_SD**2 * np.outer(common, common)
        if shot.gap is not None:
            values, cov = _with_gap(values, cov, shot, alike[shot.camera])
        lower = np.asarray(np.linalg.cholesky(cov), float)
        y.append(values)
        jitter.append(lower)
        whiten.append(np.asarray(np.linalg.inv(lower), float))
    index = {name: k for k, name in enumerate(cameras)}
    return Observed(
        y, whiten, jitter,
        np.array([s.mg_per_l for s in shots], float).reshape(len(shots), -1),
        np.array([s.thinning for s in shots], float),
        np.array([index[s.camera] for s in shots]),
        [s.reference_lab is not None for s in shots],
        [0 if s.gap is None else len(s.gap.values) for s in shots],
        np.array([s.path for s in shots]),
        np.array([s.reference_path for s in shots]),
    )  # fmt: skip


def _with_gap(values: Array, cov: Array, shot: Shot, alike: int) -> tuple[Array, Array]:
    """The observations of a photo with its gap beside them. alike: photos that share what is unknown of theirs.

    As many photos as there are know it no better than one: each counts that part so many times. How full a glass is
    moves its reading and the gap together.
    """
    gap = shot.gap
    assert gap is not None and shot.reference_lab is not None
    told = gap.values
    wide = np.zeros((6 + len(told),) * 2)
    wide[:6, :6] = cov
    unknown = gap.unknown if gap.warm_covariance is not None else _GAP_PHONE * gap.unknown
    wide[6:9, 6:9] = _GAP_NOISE * gap.noise + alike * unknown + np.eye(3) * _GAP_MISFIT**2
    if gap.warm_covariance is not None:  # the inks' and the phone's, which more photos do not lessen
        wide[9:, 9:] = _WARM_NOISE * alike * gap.warm_covariance
    for k, (lab, sign) in enumerate(((shot.batch_lab, 1.0), (shot.reference_lab, -1.0))):
        fill = np.zeros(len(wide))
        fill[6:9] = sign * _slope_with_depth(np.asarray(lab, float))
        wide += _FILL_SD**2 * np.outer(fill, fill)
        fill_seen = np.zeros(len(wide))
        fill_seen[3 * k : 3 * k + 3] = values[3 * k : 3 * k + 3]
        wide += _FILL_SD**2 * (np.outer(fill, fill_seen) + np.outer(fill_seen, fill))
    return np.r_[values, told], wide


def _slope_with_depth(lab: Array) -> Array:
    """Change of Lab (3,) per part of depth more: the logarithm of each linear channel goes with the depth."""
    linear = np.maximum(lab_to_p3(lab), 1e-4)
    more, less = (p3_to_lab(linear**power) for power in (1.01, 0.99))
    slope: Array = (more - less) / 0.02
    return slope
