"""Fits one lot: what all its photos together say of base, reference, stocks and camera; no pixels, no advice.

The reading of a liquid is that of a phone with its own spectral weights, contrast and roll-off (liquid/phone.py).
Reference and batch of one photo share the phone, so its error is learnt, not assumed. Unknown: natural base (amounts of
smooth shapes), reference (natural shapes and dyes), each stock's strength, short-wave tail and peak shift, the phone.

Posterior by randomize-then-optimize: each draw solves the same least squares with data and prior jittered by their own
covariances (Bardsley, Solonen, Haario, Laine 2014, SIAM J. Sci. Comput. 36, A1895, doi:10.1137/140964023;
liquid/sampling.py); the first draw is left unjittered and is the most probable fit. What the reference was dyed with is
a question of kinds: each recipe is fitted by itself and has as many draws as the photos make it probable (Bayesian
model averaging; Hoeting, Madigan, Raftery, Volinsky 1999, Statist. Sci. 14, 382, doi:10.1214/ss/1009212519).
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spaces import RGB_TO_XYZ, lab_to_xyz, xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM, integration_weights
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import View, base_shapes
from colourmatch.liquid.phone import (
    PhonePrior,
    bend_tones,
    phone_basis,
    phone_weights,
    soft_log,
    unknown_phone,
)
from colourmatch.liquid.sampling import Residuals, descend, share_out, stratified_normal

Array = NDArray[np.float64]

_LN10 = float(np.log(10))
#: Draws of the posterior; 2.5 % quantiles of 160 draws are good to about a tenth of the interval.
DRAWS = 160
#: A strength, shape or phone this many prior standard deviations away means that the photos contradict each other.
_MOST_STRAIN = 4.5

#: Priors of amounts (median single-pass absorbance, sd of its log). A maker chooses base and dye to come near the
#: reference: its natural colours are those of the base times a factor near 1. A dye colours it, or is there as a trace
#: that nobody sees; as likely as not the stocks' dyes alone colour it. All are wide, so that photos decide.
_NATURAL, _NATURAL_LOG_SD, _LIKENESS_LOG_SD = 0.02, 1.8, 0.5
_DYED, _TRACE = (float(np.log(0.15)), 1.5), (float(np.log(0.003)), 1.4)
_STOCKS_DYES_ALONE = 0.5
#: Steps to the most probable fit of each recipe, and from there to a draw of it: enough to stand still.
_STEPS_TO_MODE, _STEPS_TO_DRAW = 60, 15
#: Photo to photo: contrast of a channel, glass's fill, common white, what the model leaves out (sd, natural log).
_PHOTO_SD, _FILL_SD, _WHITE_SD, _MISFIT_SD, _VEIL = 0.02, 0.015, 0.004, 0.003, 0.002
#: What the liquid's spectrum as modelled leaves of a gap in Lab (sd).
_GAP_MISFIT = 0.2
#: The gap's noise is in part that of the two readings beside it: counted so many times, both are counted once.
_GAP_NOISE = 2.0
#: Dye shape: absorbance added at the short-wave end (part of the peak) and shift of the peak in nm (sd). Two open
#: measurements of one dye agree within 0.03 of the peak, shapes moved from another dye within several nm.
_TAIL_SD, _SHIFT_NM_SD = 0.05, 4.5

#: Dyes that a reference may hold besides natural colours: the reds, yellows and blues of the colourant table.
_REFERENCE_DYES = ("E129", "E122", "E110", "E102", "E133")


@dataclass(frozen=True)
class StockPrior:
    """A stock as the fit sees it: absorptivity per cm and mg/l, shape (81,), and what is known of its strength."""

    name: str
    absorptivity: Array = field(repr=False)
    log_factor: float = 0.0
    log_factor_sd: float = 0.25
    tail_sd: float = _TAIL_SD
    shift_sd_nm: float = _SHIFT_NM_SD


@dataclass(frozen=True)
class Shot:
    """One photo as the fit sees it: Lab of reference and batch with covariances, and what the batch then held.

    mg_per_l: label mg of each stock per litre of undiluted batch; thinning: share of the volume that is base;
    camera: photos with the same key share one phone error; path, reference_path: depth over dilution of the two
    liquids in this photo, relative to the view of the fit. gap: what colour fields told of batch less reference.
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
    """True Lab of the batch less that of the reference (3,), as estimated through colour fields (photo/estimate.py).

    noise (3, 3): covariance of this photo's own; unknown (3, 3): what phone, lamp and inks leave, which all photos of one
    camera have in common.
    """

    lab: Array
    noise: Array
    unknown: Array


@dataclass(frozen=True)
class LotFit:
    """The fit: draws of all parameters (D, P), first the most probable; misfit is the rms of whitened residuals.

    log_evidence: log probability of the photos, all recipes together, but for a constant of the photos themselves.
    """

    layout: _Layout
    draws: Array
    misfit: float
    success: bool
    message: str
    photos: int
    log_evidence: float = 0.0

    @property
    def stocks(self) -> tuple[StockPrior, ...]:
        """What was known of each stock before the photos."""
        return self.layout.stocks

    @property
    def strength_factors(self) -> Array:
        """Real over label strength (drop size included) of each stock, shape (D, S)."""
        return np.exp(self.draws[:, self.layout.factor])

    def take(self, draws: slice) -> LotFit:
        """The same fit with some of its draws."""
        return replace(self, draws=self.draws[draws])

    def reference_lab(self, view: View) -> Array:
        """True Lab of the reference in a view, shape (D, 3)."""
        return _lab_in_view(self.layout.reference_absorbance(self.draws), self.layout, view)

    def batch_lab(self, mg_per_l: Array, thinning: Array, view: View) -> Array:
        """True Lab of the batch in a view at label concentrations (C, S) and thinning (C,), shape (D, C, 3)."""
        a = self.layout.batch_absorbance(self.draws, np.asarray(mg_per_l, float), np.asarray(thinning, float))
        return _lab_in_view(a, self.layout, view)


def _lab_in_view(absorbance: Array, layout: _Layout, view: View) -> Array:
    weights = integration_weights(view.illuminant)
    path = view.path_cm / layout.view.path_cm
    return xyz_to_lab(np.exp(-2 * _LN10 * path * absorbance) @ weights, weights.sum(axis=0))


@cache
def _tail() -> Array:
    return np.clip((500 - WAVELENGTHS_NM) / 100, 0, 1)


class _Layout:
    """Where each parameter lies in a draw, and the spectra it multiplies."""

    def __init__(self, stocks: Sequence[StockPrior], phones: Sequence[PhonePrior], view: View) -> None:
        self.stocks, self.view, self.phones = tuple(stocks), view, tuple(phones)
        self.base = base_shapes()
        dyes = np.array([find_colourant(e).shape for e in _REFERENCE_DYES])
        own = [s.absorptivity / s.absorptivity.max() for s in stocks]
        self.reference = np.concatenate([self.base, dyes, np.array(own).reshape(-1, len(WAVELENGTHS_NM))])
        sizes = [len(stocks)] * 3 + [len(self.base), len(self.reference)] + [sum(len(p.mean) for p in phones)]
        stops = np.cumsum([0, *sizes])
        self.factor, self.tail, self.shift, self.amounts, self.ref_amounts, self.cameras_at = (
            slice(a, b) for a, b in itertools.pairwise(stops)
        )
        self.size = int(stops[-1])
        # per stock: absorptivity, the short-wave tail and the change per nm of shift, all for label mg/l in this view
        path = view.path_cm
        self.dye = np.array([s.absorptivity for s in stocks]).reshape(-1, len(WAVELENGTHS_NM)) * path
        self.dye_tail = self.dye.max(axis=1, keepdims=True) * _tail() if len(stocks) else self.dye
        self.dye_shift = -np.gradient(self.dye, WAVELENGTHS_NM, axis=1) if len(stocks) else self.dye

    def prior(self) -> tuple[Array, Array]:
        """Mean and sd of every parameter before any photo when the reference holds the stocks' dyes, shape (P,)."""
        mean, sd = np.zeros(self.size), np.empty(self.size)
        mean[self.factor] = [s.log_factor for s in self.stocks]
        sd[self.factor] = [s.log_factor_sd for s in self.stocks]
        sd[self.tail] = [s.tail_sd for s in self.stocks]
        sd[self.shift] = [s.shift_sd_nm for s in self.stocks]
        mean[self.amounts], sd[self.amounts] = np.log(_NATURAL), _NATURAL_LOG_SD
        natural, others, own = len(self.base), len(_REFERENCE_DYES), len(self.stocks)
        mean[self.ref_amounts] = [0.0] * natural + [_TRACE[0]] * others + [_DYED[0]] * own
        sd[self.ref_amounts] = [_LIKENESS_LOG_SD] * natural + [_TRACE[1]] * others + [_DYED[1]] * own
        sd[self.cameras_at] = 1.0
        return mean, sd

    def recipes(self) -> tuple[Array, Array, Array]:
        """What the reference may have been dyed with: log chance (M,), prior mean and sd (M, P).

        The stocks' dyes, as likely as all else together; another dye instead of them, or beside them.
        """
        mean, sd = self.prior()
        first, own = self.ref_amounts.start + len(self.base), self.ref_amounts.stop - len(self.stocks)
        dyes = self.reference[len(self.base) :]
        dyes = dyes / dyes.max(axis=1, keepdims=True)
        others = [
            first + k
            for k, shape in enumerate(dyes[: len(_REFERENCE_DYES)])
            if not np.isclose(shape, dyes[len(_REFERENCE_DYES) :], atol=1e-6).all(axis=1).any()
        ]
        means, sds = [mean], [sd]
        for k in others:
            beside = mean.copy(), sd.copy()
            beside[0][k], beside[1][k] = _DYED
            instead = beside[0].copy(), beside[1].copy()
            instead[0][own : self.ref_amounts.stop], instead[1][own : self.ref_amounts.stop] = _TRACE
            means += [beside[0], instead[0]]
            sds += [beside[1], instead[1]]
        chance = np.r_[
            _STOCKS_DYES_ALONE, np.full(len(means) - 1, (1 - _STOCKS_DYES_ALONE) / max(len(means) - 1, 1))
        ]
        return np.log(chance), np.array(means), np.array(sds)

    def phone_slice(self, camera: int) -> slice:
        """Where one phone's unit-normal parameters lie."""
        start = self.cameras_at.start + sum(len(p.mean) for p in self.phones[:camera])
        return slice(start, start + len(self.phones[camera].mean))

    def phone_terms(self, draws: Array, camera: int) -> Array:
        """The terms (D, T) of one phone."""
        return self.phones[camera].terms(draws[:, self.phone_slice(camera)])

    def dye_spectra(self, draws: Array) -> Array:
        """Absorbance per label mg/l of each stock, shape (D, S, 81)."""
        shape = (
            self.dye + draws[:, self.tail, None] * self.dye_tail + draws[:, self.shift, None] * self.dye_shift
        )
        return np.exp(draws[:, self.factor, None]) * shape

    def batch_absorbance(self, draws: Array, mg_per_l: Array, thinning: Array) -> Array:
        """Single-pass absorbance of the batch, shape (D, C, 81), for concentrations (C, S) and thinning (C,)."""
        base = np.exp(draws[:, self.amounts]) @ self.base
        out: Array = thinning[:, None] * base[:, None]
        if self.stocks:
            out = out + mg_per_l @ self.dye_spectra(draws)
        return out

    def reference_absorbance(self, draws: Array) -> Array:
        """Single-pass absorbance of the reference, shape (D, 81)."""
        absorbance: Array = self.reference_amounts(draws) @ self.reference
        return absorbance

    def reference_amounts(self, draws: Array) -> Array:
        """Amounts of natural shapes and dyes in the reference, shape (D, K); natural ones relative to the base's."""
        logs = draws[:, self.ref_amounts].copy()
        logs[:, : len(self.base)] += draws[:, self.amounts]
        return np.exp(logs)


@dataclass(frozen=True)
class _Data:
    """Observations in log space, whitening matrices, and the doses; built once per fit."""

    y: list[Array]
    whiten: list[Array]
    jitter: list[Array]
    mg_per_l: Array
    thinning: Array
    camera: Array
    has_reference: list[bool]
    has_gap: list[bool]
    path: Array
    reference_path: Array


def _lab_to_y(lab: Array, cov: Array) -> tuple[Array, Array, Array]:
    """Reading in log Display P3, its covariance, and the linear values, from Lab and its covariance."""
    back = np.linalg.inv(RGB_TO_XYZ["Display P3"]).T

    def value(lab_: Array) -> Array:
        return soft_log(lab_to_xyz(lab_) @ back)[0]

    step = 0.02
    jacobian = np.stack([(value(lab + e) - value(lab - e)) / (2 * step) for e in np.eye(3) * step], axis=-1)
    return value(lab), jacobian @ cov @ jacobian.T, lab_to_xyz(lab) @ back


def _prepare(shots: Sequence[Shot], cameras: Sequence[str]) -> _Data:
    y: list[Array] = []
    whiten: list[Array] = []
    jitter: list[Array] = []
    alike = Counter(shot.camera for shot in shots if shot.gap is not None)
    for shot in shots:
        parts = [_lab_to_y(np.asarray(shot.batch_lab, float), np.asarray(shot.batch_covariance, float))]
        if shot.reference_lab is not None:
            parts.append(
                _lab_to_y(np.asarray(shot.reference_lab, float), np.asarray(shot.reference_covariance, float))
            )
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
    return _Data(
        y, whiten, jitter,
        np.array([s.mg_per_l for s in shots], float).reshape(len(shots), -1),
        np.array([s.thinning for s in shots], float),
        np.array([index[s.camera] for s in shots]),
        [s.reference_lab is not None for s in shots],
        [s.gap is not None for s in shots],
        np.array([s.path for s in shots]),
        np.array([s.reference_path for s in shots]),
    )  # fmt: skip


def _with_gap(values: Array, cov: Array, shot: Shot, alike: int) -> tuple[Array, Array]:
    """The observations of a photo with its gap beside them. alike: photos that share what is unknown of theirs.

    As many photos as there are know it no better than one: each counts that part so many times. How full a glass is
    moves its reading and the gap together.
    """
    assert shot.gap is not None and shot.reference_lab is not None
    wide = np.zeros((9, 9))
    wide[:6, :6] = cov
    wide[6:, 6:] = _GAP_NOISE * shot.gap.noise + alike * shot.gap.unknown + np.eye(3) * _GAP_MISFIT**2
    for k, (lab, sign) in enumerate(((shot.batch_lab, 1.0), (shot.reference_lab, -1.0))):
        fill = np.zeros(9)
        fill[6:] = sign * _slope_with_depth(np.asarray(lab, float))
        wide += _FILL_SD**2 * np.outer(fill, fill)
        fill_seen = np.zeros(9)
        fill_seen[3 * k : 3 * k + 3] = values[3 * k : 3 * k + 3]
        wide += _FILL_SD**2 * (np.outer(fill, fill_seen) + np.outer(fill_seen, fill))
    return np.r_[values, shot.gap.lab], wide


def _slope_with_depth(lab: Array) -> Array:
    """Change of Lab (3,) per part of depth more: the logarithm of each linear channel goes with the depth."""
    to_xyz = RGB_TO_XYZ["Display P3"].T
    linear = np.maximum(lab_to_xyz(lab) @ np.linalg.inv(to_xyz), 1e-4)
    more, less = (xyz_to_lab(linear**power @ to_xyz) for power in (1.01, 0.99))
    slope: Array = (more - less) / 0.02
    return slope


@dataclass(frozen=True)
class _Predicted:
    """What photos should show: y of batch and reference (D, N, 3), true Lab of batch less reference (D, N, 3).

    Each with its Jacobian (D, N, 3, P); the last without values where no photo has a gap.
    """

    batch: tuple[Array, Array]
    reference: tuple[Array, Array]
    gap: tuple[Array, Array]


def _predict(layout: _Layout, draws: Array, data: _Data) -> _Predicted:
    """What each shot should show."""
    count, shots, size = len(draws), len(data.thinning), layout.size
    depth = -2 * _LN10 * data.path[:, None]
    reflect = np.exp(depth * layout.batch_absorbance(draws, data.mg_per_l, data.thinning))
    # photos of one view share one look at the reference
    deep, group = np.unique(data.reference_path, return_inverse=True)
    ref_depth = -2 * _LN10 * deep[:, None]
    ref = np.exp(ref_depth * layout.reference_absorbance(draws)[:, None])
    sides = [(np.empty((count, shots, 3)), np.zeros((count, shots, 3, size))) for _ in range(2)]
    gap = np.zeros((count, shots, 3)), np.zeros((count, shots, 3, size))
    eye = integration_weights() if any(data.has_gap) else np.empty((len(WAVELENGTHS_NM), 0))
    for camera in range(len(layout.phones)):
        here = np.flatnonzero(data.camera == camera)
        terms, place = layout.phone_terms(draws, camera), layout.phone_slice(camera)
        phone = phone_weights(terms)
        # the phone's channels and the observer's
        weights = np.concatenate([phone, np.broadcast_to(eye, (count, *eye.shape))], axis=2)
        for light, per_unit, spread, out, sign, fill in (
            (reflect[:, here], depth[here], slice(None), sides[0], 1.0, _batch_slopes),
            (ref, ref_depth, group[here], sides[1], -1.0, _reference_slopes),
        ):
            every = light @ weights
            # change of a channel per unit of absorbance at each wavelength, (D, N, 3 or 6, 81)
            per_absorbance = (per_unit * light)[:, :, None, :] * weights.transpose(0, 2, 1)[:, None]
            slopes = np.zeros((*every.shape, size))
            fill(layout, draws, (data.mg_per_l[here], data.thinning[here]), per_absorbance, slopes)
            seen, grad = every[..., :3], slopes[..., :3, :]
            read, slope, to_tone = bend_tones(seen, terms)
            to_terms = np.concatenate(
                [
                    np.tensordot(light, phone_basis()[1:], axes=(2, 1)).transpose(0, 1, 3, 2)
                    * slope[..., None],
                    to_tone,
                ],
                axis=-1,
            )
            grad *= slope[..., None]
            grad[..., place] = to_terms @ layout.phones[camera].factor
            out[0][:, here], out[1][:, here] = read[:, spread], grad[:, spread]
            if eye.size:
                lab, to_lab = _lab_with_slope(every[..., 3:], eye.sum(axis=0))
                gap[0][:, here] += sign * lab[:, spread]
                gap[1][:, here] += sign * (to_lab @ slopes[..., 3:, :])[:, spread]
    return _Predicted(sides[0], sides[1], gap)


def _lab_with_slope(xyz: Array, white: Array) -> tuple[Array, Array]:
    """CIELAB (..., 3) and its Jacobian (..., 3, 3) to XYZ."""
    part = np.maximum(xyz / white, 1e-6)
    slope = np.where(part > (6 / 29) ** 3, part ** (-2 / 3) / 3, (29 / 6) ** 2 / 3) / white
    to_lab = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])
    return xyz_to_lab(xyz, white), to_lab * slope[..., None, :]


def _batch_slopes(
    layout: _Layout, draws: Array, doses: tuple[Array, Array], per_absorbance: Array, grad: Array
) -> None:
    """Writes the change of what is seen of the batch per parameter into grad (D, N, 3, P)."""
    mg_per_l, thinning = doses
    amounts = np.exp(draws[:, layout.amounts])
    grad[..., layout.amounts] = (
        per_absorbance @ layout.base.T * amounts[:, None, None] * thinning[None, :, None, None]
    )
    if not layout.stocks:
        return
    factor = np.exp(draws[:, layout.factor])[:, None, None]
    dose = mg_per_l[None, :, None, :]
    plain, tail, shift = (
        per_absorbance @ shapes.T * factor * dose
        for shapes in (layout.dye, layout.dye_tail, layout.dye_shift)
    )
    grad[..., layout.factor] = (
        plain + tail * draws[:, None, None, layout.tail] + shift * draws[:, None, None, layout.shift]
    )
    grad[..., layout.tail], grad[..., layout.shift] = tail, shift


def _reference_slopes(
    layout: _Layout, draws: Array, _doses: tuple[Array, Array], per_absorbance: Array, grad: Array
) -> None:
    """As `_batch_slopes`, for the reference."""
    change = per_absorbance @ layout.reference.T * layout.reference_amounts(draws)[:, None, None]
    grad[..., layout.ref_amounts] = change
    grad[..., layout.amounts] += change[..., : len(layout.base)]


def _residuals(layout: _Layout, draws: Array, data: _Data, target: list[Array]) -> tuple[Array, Array]:
    """Whitened residuals (D, R) and Jacobian (D, R, P) against targets, one (D, 3 or 6) array per shot."""
    predicted = _predict(layout, draws, data)
    rows, slopes = [], []
    for n, whiten in enumerate(data.whiten):
        parts = [predicted.batch]
        if data.has_reference[n]:
            parts.append(predicted.reference)
        if data.has_gap[n]:
            parts.append(predicted.gap)
        seen = np.concatenate([values[:, n] for values, _ in parts], axis=1)
        slope = np.concatenate([jacobian[:, n] for _, jacobian in parts], axis=1)
        rows.append((seen - target[n]) @ whiten.T)
        slopes.append(whiten @ slope)
    return np.concatenate(rows, axis=1), np.concatenate(slopes, axis=1)


def fit_lot(
    shots: Sequence[Shot],
    stocks: Sequence[StockPrior],
    view: View,
    draws: int = DRAWS,
    phones: Mapping[str, PhonePrior] | None = None,
) -> LotFit:
    """Fit all photos of a lot together.

    shots: at least one photo with a batch; stocks in the order of each shot's mg_per_l; view: depth and dilution in
    the photos; phones: what is known of calibrated phones, by the shots' camera. Raises ValueError for no shots or a
    wrong number of doses.
    """
    if not shots:
        raise ValueError("fit_lot needs at least one photo")
    if any(len(s.mg_per_l) != len(stocks) for s in shots):
        raise ValueError("each shot needs one concentration per stock")
    cameras = sorted({s.camera for s in shots})
    known = [(phones or {}).get(camera, unknown_phone()) for camera in cameras]
    layout, data = _Layout(stocks, known, view), _prepare(shots, cameras)
    chance, mean, sd = layout.recipes()

    def against(target: list[Array]) -> Residuals:
        return lambda at, who: _residuals(layout, at, data, [one[who] for one in target])

    seen = against([np.repeat(v[None], len(mean), axis=0) for v in data.y])
    modes = descend(seen, mean, (mean, sd), _STEPS_TO_MODE)
    chance = chance + modes.log_evidence()
    top = int(chance.argmax())
    best = modes.at[[top]]
    rest, _ = _residuals(layout, best, data, [v[None] for v in data.y])
    rng = np.random.default_rng(14)
    weight = np.exp(chance - chance[top])
    recipe = rng.permutation(share_out(weight / weight.sum(), draws))
    jittered = against(
        [
            v + stratified_normal(rng, draws, len(v)) @ lower.T
            for v, lower in zip(data.y, data.jitter, strict=True)
        ]
    )
    expected = mean[recipe] + stratified_normal(rng, draws, layout.size) * sd[recipe]
    some = descend(jittered, modes.at[recipe], (expected, sd[recipe]), _STEPS_TO_DRAW).at
    misfit = float(np.sqrt((rest**2).mean()))
    # amounts may lie far from where they were expected; strengths, dye shapes and phones may not
    bound = np.r_[layout.factor, layout.tail, layout.shift, layout.cameras_at]
    strain = float(np.abs((best[0] - mean[top]) / sd[top])[bound].max(initial=0.0))
    ok = bool(np.isfinite(modes.cost[top])) and misfit < 3 and strain < _MOST_STRAIN
    message = "fitted" if ok else "the photos do not fit one lot: check the additions entered and the photos"
    # the whitening is a part of it: photos that are less sure are less likely to be just so
    whitened = sum(float(np.log(np.diag(w)).sum()) for w in data.whiten)
    evidence = float(chance[top] + np.log(weight.sum())) + whitened
    return LotFit(layout, np.concatenate([best, some]), misfit, ok, message, len(shots), evidence)
