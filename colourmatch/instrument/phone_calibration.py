"""A phone's own correction from liquids of known content beside the card; it knows absorbance, no pixels and no book.

Water with known additions of a colourant of known strength has a known spectrum (Bouguer-Lambert-Beer, model.py), so a
known colour relative to water. What a phone makes of a few such liquids teaches its error. Candidates: none; a linear
matrix that keeps white; a root-polynomial of degree 2 that keeps white, which does not change with exposure (Finlayson,
Mackiewicz, Hurlbert 2015, "Color correction using root-polynomial regression", IEEE Trans. Image Process. 24(5),
1460-1470, doi:10.1109/TIP.2015.2405336), both drawn towards none; and the camera model of liquid/phone.py with its
ensemble prior, together with the tone curve, where the photos recorded their tones: liquids of one dye in several
strengths are a ladder of known steps, and the card's greys one of steps that its printer bent; phone and printer are told
apart by both at once. How far the ensemble's prior reaches (warm lamps lie outside it) is chosen by the marginal
likelihood, by Laplace's method (MacKay 1992, "Bayesian interpolation", doi:10.1162/neco.1992.4.3.415). Each is a maximum a posteriori fit together with the strength of each stock, which liquids and depth
leave a little open. The one that predicts best what it has not seen is kept. Its error has two parts, joined as independent
ones: what it misses of known liquids, by cross-validation that leaves out one colouring in all its strengths at a time
(Stone 1974, doi:10.1111/j.2517-6161.1974.tb00994.x), and what it makes of drinks of other dyes, whose spectra a phone
reads otherwise at the same colour: drinks of known_drinks.py through the camera that the liquids tell of.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ, lab_to_xyz, xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.errors import InputError
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.judged_drinks import known_drinks
from colourmatch.liquid.phone import (
    TONE_TERMS,
    PhonePrior,
    bend_tones,
    p3_weights,
    phone_weights,
    soft_log,
    unknown_phone,
)
from colourmatch.photo.retone import GreySteps, Readings, ToneRecord
from colourmatch.photo.tone import JOINT_PRIOR

Array = NDArray[np.float64]

KINDS = ("none", "matrix", "root", "camera")
#: Fewest different liquids, different colourings (a dye, or two in one proportion), and the distance from water in Lab
#: that the strongest must have: below that nothing is learnt of a tinted drink.
LEAST_LIQUIDS, LEAST_COLOURINGS, LEAST_LAB = 4, 2, 30.0
#: What two readings of one liquid differ by besides their own noise (sd of natural logs): contrast of a photo's channel,
#: smaller where the card's greys are known, glass's fill, what no model holds, veil. The first four as in learn.py.
_PHOTO_SD, _KNOWN_CARD_SD, _FILL_SD, _MISFIT_SD, _VEIL = 0.02, 0.012, 0.010, 0.006, 0.003
#: Ridge of matrix and root-polynomial (sd of a coefficient).
_COEFFICIENT_SD = 0.1
#: A dye's shape: measured in two places within 1 nm and 2 % of the peak, taken from another dye within 4.5 nm and 5 %.
_SHAPE_SD = {"measured": (1.0, 0.02), "derived": (2.0, 0.03)}
_OTHER_SHAPE_SD = (4.5, 0.05)
#: How many times wider than the ensemble a camera's weights may lie; the likeliest is taken.
_SCALES = (1.0, 1.5, 2.0, 3.0)
#: A card whose greys are known better than this (natural log) pins the curve itself, better than strengths and depth can.
_WELL_KNOWN = 0.02
#: A step read in another photo than those of the sitting may miss by so many standard deviations (root mean square)
#: while phone and card are still taken to be the same.
_SAME_TONES = 3.0
#: Draws of the posterior that give a corrected colour's uncertainty.
_DRAWS = 24
#: Drinks on which a candidate is judged.
_JUDGED = 150
#: Width of the neighbourhood in log light in which known drinks tell what a reading means.
_NEAR, _NEAR_PART = 0.15, 0.15
_P3 = RGB_TO_XYZ["Display P3"]
_LN10 = float(np.log(10))


@dataclass(frozen=True)
class KnownDye:
    """A stock that a known liquid was made with: its colourant, and how well its strength is known (relative sd)."""

    name: str
    colourant: str
    strength_rel_sd: float = 0.03


@dataclass(frozen=True)
class KnownLiquid:
    """One reading of a known liquid: Lab relative to water, its covariance (3, 3), mg/l of each dye, its photo.

    known_greys: whether the photo was read with a profile of its card; tone and spot: the photo's tones, if recorded,
    and where the liquid stood; lab_sd (3,): how sure the reading says its absolute colour is.
    """

    lab: Array
    covariance: Array
    mg_per_l: tuple[float, ...]
    photo: str = ""
    known_greys: bool = False
    tone: ToneRecord | None = None
    spot: str = "batch"
    lab_sd: Array | None = None


@dataclass(frozen=True)
class Corrected:
    """A corrected colour: Lab, covariance (3, 3) of the reading alone, of what calibration leaves open, and of drinks that
    this phone reads alike; slope (3, 3) of corrected to read Lab; Lab (D, 3) of each draw of the calibration.

    toned: the reading under the calibrated tone curve, before the camera's colours are corrected; noise (3, 3): what one
    more photo strays by (its contrast, fill, veil), as the calibration's own photos are taken to; log_light (3,) of the
    reading, whose change moves the corrected Lab by to_lab (3, 3), and contrast_sd of one photo.
    """

    lab: Array
    covariance: Array
    left: Array
    metameric: Array
    slope: Array
    draws: Array = field(repr=False)
    toned: Array
    noise: Array
    log_light: Array
    to_lab: Array
    contrast_sd: float

    @property
    def lab_sd(self) -> Array:
        """Standard deviation of the absolute Lab, shape (3,)."""
        return np.sqrt(np.diag(self.covariance + self.left + self.metameric + self.noise))


@dataclass(frozen=True)
class PhoneFit:
    """A fitted correction.

    kind: one of KINDS; numbers (P,) and factor (P, P): its parameters and a square root of their covariance, strengths
    of the dyes first, those of the tone curve last (none where it was not fitted); scale: how many times wider than
    the ensemble the camera may lie; greys (N,): by how much the sitting's grey steps miss the curve (log); strain: by how many of their own standard deviations known liquids
    are off as read (root mean square, at least 1); left_out (3,): what it misses of colourings it has not seen along L*,
    a*, b*, as a part of their distance from water (root mean square); errors: mean CIEDE2000 of each candidate for known colourings left out ("known"), for drinks of
    other dyes ("other") and "together"; liquids: one dict each with the true colour and CIEDE2000 before and after.
    """

    kind: str
    numbers: Array
    factor: Array
    dyes: tuple[KnownDye, ...]
    depth_mm: float
    depth_rel_sd: float
    errors: dict[str, dict[str, float]]
    residual: float
    liquids: tuple[dict[str, Any], ...] = ()
    scale: float = 1.0
    greys: Array | None = None
    strain: float = 1.0
    left_out: Array | None = None

    @property
    def tones(self) -> Array | None:
        """The sitting's tones in the order of JOINT_PRIOR; None where they were not fitted."""
        return None if self.greys is None else _tone_terms(self.numbers)

    def knows_tones(self, tone: ToneRecord | None) -> bool:
        """Whether a photo's greys lie on the curve of the sitting: the same phone's tones, on the same print."""
        if tone is None or self.greys is None:
            return False
        steps = GreySteps([tone])
        off = (steps.missed(_tone_terms(self.numbers)) - self.greys) / steps.read_sd()
        return bool(np.sqrt(np.nanmean(off**2) / 2) < _SAME_TONES)

    def phone(self) -> PhonePrior | None:
        """What a lot's fit starts from for this phone; None when the camera model was not kept."""
        if self.kind != "camera":
            return None
        prior, own = unknown_phone(), _own(self)
        wider = _scaled(np.ones(own.stop - own.start), self.scale)
        covariance = self.factor[own] @ self.factor[own].T
        root = wider[:, None] * np.linalg.cholesky(covariance + 1e-9 * np.eye(len(covariance)))
        return PhonePrior(prior.terms((wider * self.numbers[own])[None])[0], prior.factor @ root)

    def to_json(self) -> dict[str, Any]:
        """Everything that is needed to use it again, and what it says of itself."""
        return {
            "kind": self.kind,
            "numbers": [float(f"{v:.6g}") for v in self.numbers],
            "factor": [[float(f"{v:.5g}") for v in row] for row in self.factor],
            "dyes": [[d.name, d.colourant, d.strength_rel_sd] for d in self.dyes],
            "depth_mm": self.depth_mm,
            "depth_rel_sd": self.depth_rel_sd,
            "errors": {k: {n: round(v, 3) for n, v in own.items()} for k, own in self.errors.items()},
            "residual": round(self.residual, 4),
            "liquids": list(self.liquids),
            "scale": self.scale,
            "strain": round(self.strain, 3),
            "left_out": None if self.left_out is None else [round(float(v), 4) for v in self.left_out],
            "greys": None
            if self.greys is None
            else [None if np.isnan(v) else round(float(v), 5) for v in self.greys],
        }


def read_fit(data: dict[str, Any]) -> PhoneFit:
    """The fit that `PhoneFit.to_json` wrote."""
    return PhoneFit(
        kind=data["kind"],
        numbers=np.array(data["numbers"], float),
        factor=np.array(data["factor"], float),
        dyes=tuple(KnownDye(*d) for d in data["dyes"]),
        depth_mm=data["depth_mm"],
        depth_rel_sd=data["depth_rel_sd"],
        errors=dict(data["errors"]),
        residual=data["residual"],
        liquids=tuple(data["liquids"]),
        scale=float(data.get("scale", 1.0)),
        strain=float(data.get("strain", 1.0)),
        left_out=None if data.get("left_out") is None else np.array(data["left_out"], float),
        greys=None if data.get("greys") is None else np.array(data["greys"], float),
    )


def fit_phone(
    liquids: Sequence[KnownLiquid],
    dyes: Sequence[KnownDye],
    *,
    depth_mm: float = 10.0,
    depth_rel_sd: float = 0.02,
    kinds: Sequence[str] = KINDS,
) -> PhoneFit:
    """Fit every candidate to known liquids and keep the one that predicts colourings it has not seen best.

    liquids: readings with mg/l in the order of `dyes`; depth_mm, depth_rel_sd: how deep the glasses are filled and how
    well that is known. InputError says which liquids are missing when there are too few or too pale ones.
    """
    if any(len(one.mg_per_l) != len(dyes) for one in liquids):
        raise ValueError("each liquid needs one concentration per dye")
    task = _Task(liquids, dyes, (depth_mm, depth_rel_sd))
    _check_enough(task)
    scale, at_best = task.choose_scale()
    own = slice(3 * len(dyes), 3 * len(dyes) + _size("camera"))
    camera = _scaled(at_best[0][own], scale)
    errors, fits = {}, {}
    for kind in kinds:
        numbers, factor = at_best if kind == "camera" else task.fit(kind)
        fits[kind] = PhoneFit(kind, numbers, factor, tuple(dyes), depth_mm, depth_rel_sd, {}, 0.0)
        if kind == "camera":  # only this candidate knows tones and an ensemble
            greys = task.greys.missed(_tone_terms(numbers)) if task.greys else None
            fits[kind] = replace(fits[kind], scale=scale, greys=greys)
        known, left_out = _predict_unseen(task, fits[kind])
        fits[kind] = replace(fits[kind], left_out=left_out)
        other = _predict_drinks(fits[kind], camera)
        errors[kind] = {"known": known, "other": other, "together": float(np.hypot(known, other))}
    kind = min(errors, key=lambda name: errors[name]["together"])
    residual = errors[kind]["together"] / _mean_distance(task)
    fit = replace(fits[kind], errors=errors, residual=residual)
    fit = replace(fit, strain=_strain(task, fit))
    return replace(fit, liquids=tuple(_describe(task, fit)))


def correct_lab(
    fit: PhoneFit,
    lab: ArrayLike,
    covariance: ArrayLike,
    tone: tuple[ToneRecord, str] | None = None,
) -> Corrected:
    """The colour that a reading of this phone in this light stands for.

    lab (3,), covariance (3, 3): as read, relative to water; tone: the photo's tones and the spot, for a photo of which
    the calibration `knows_tones`. What two drinks of one reading may differ by is in `metameric`; what the calibration
    itself leaves open is in `left`.
    """
    lab, covariance = np.asarray(lab, float), np.asarray(covariance, float)
    if fit.greys is None:
        tone = None

    def read(around: Array) -> _Seen:
        tones = None if tone is None else Readings([tone[0]] * len(around), [tone[1]] * len(around), around)
        return _Seen(around, tones)

    one = read(lab[None])
    value = _correct_many(fit, fit.numbers, one)[0]
    step = 0.1
    around = read(np.concatenate([lab + step * np.eye(3), lab - step * np.eye(3)]))
    ends = _correct_many(fit, fit.numbers, around)
    jacobian = ((ends[:3] - ends[3:]) / (2 * step)).T
    rng = np.random.default_rng(2015)
    half = rng.standard_normal((_DRAWS // 2, len(fit.numbers)))
    numbers = fit.numbers + np.concatenate([half, -half]) @ fit.factor.T
    draws = np.array([_correct_many(fit, drawn, one)[0] for drawn in numbers])
    left = np.cov((draws - value).T, bias=True)
    away = np.linalg.norm(value - [100, 0, 0])
    # what it missed of liquids it had not seen, as a part of the distance from water; CIEDE2000 counts a* and b* less
    missed = fit.residual * away * np.array([0.5, 1.0, 1.0])
    y = one.y(fit.numbers)
    if fit.kind == "camera":  # whose own uncertainty comes from its draws and by drinks it reads alike
        unseen = 0.0 if fit.left_out is None else fit.left_out * away
        # outside the ensemble its components say less of what lies between them
        metameric = fit.scale**2 * (_metameric(fit, y[0]) + np.diag((0.5 * missed) ** 2 + unseen**2))
    else:
        metameric = np.diag(missed**2)
    to_lab = jacobian @ np.linalg.inv(_slope(lab))
    contrast_sd = _PHOTO_SD if tone is None else _KNOWN_CARD_SD
    noise = to_lab @ (_own_noise(y[0]) + np.diag((contrast_sd * y[0]) ** 2)) @ to_lab.T
    return Corrected(
        value,
        jacobian @ covariance @ jacobian.T,
        left + 0.15**2 * np.eye(3),
        metameric,
        jacobian,
        draws,
        _to_lab(np.exp(y))[0],
        noise,
        y[0],
        to_lab,
        contrast_sd,
    )


class _Seen:
    """Readings as Lab (N, 3), with the tones of their photos where those are recorded."""

    def __init__(self, lab: Array, tones: Readings | None) -> None:
        self.lab, self._plain, self._tones = lab, _read_y(lab), tones

    def y(self, numbers: Array) -> Array:
        """Log light (N, 3) under the tone curve of these numbers of a fit."""
        if self._tones is None:
            return self._plain
        xyz = self._tones.xyz(_tone_terms(numbers))
        light: Array = soft_log(xyz @ np.linalg.inv(_P3).T)[0]
        return light


class _Task:
    """Readings, their noise and the true spectra behind them; solves one candidate on some of them."""

    def __init__(
        self, liquids: Sequence[KnownLiquid], dyes: Sequence[KnownDye], depth: tuple[float, float]
    ) -> None:
        self.dyes, self.liquids = tuple(dyes), tuple(liquids)
        self.lab = np.array([one.lab for one in liquids], float).reshape(-1, 3)
        self.mg_per_l = np.array([one.mg_per_l for one in liquids], float).reshape(len(liquids), -1)
        tones = [one.tone for one in liquids if one.tone is not None]
        pinned = any(tone.known is not None and tone.known[:, 1].mean() < _WELL_KNOWN for tone in tones)
        recorded = len(tones) == len(liquids) and len(liquids) > 0 and not pinned
        spots = [one.spot for one in liquids]
        self.seen = _Seen(self.lab, Readings(tones, spots, self.lab) if recorded else None)
        self.y = _read_y(self.lab)
        each = {one.photo or f"{k}": one.tone for k, one in enumerate(liquids) if one.tone is not None}
        self.greys = GreySteps(list(each.values())) if recorded else None
        self.scale = 1.0
        colourants = [find_colourant(d.colourant) for d in dyes]
        own = np.array([c.absorptivity() for c in colourants]) * depth[0] / 10
        shape = np.array([_SHAPE_SD.get(c.shape_status, _OTHER_SHAPE_SD) for c in colourants])
        tail = own.max(axis=1, keepdims=True) * np.clip((500 - WAVELENGTHS_NM) / 100, 0, 1)
        # absorbance per mg/l: the dye's own, its change with a shift of the peak, its short-wave tail
        self.shapes = np.stack([own, -np.gradient(own, WAVELENGTHS_NM, axis=1), tail])
        count = len(dyes)
        spread = np.diag([d.strength_rel_sd**2 for d in dyes]) + depth[1] ** 2
        self.prior = np.zeros((3 * count, 3 * count))
        # strength and depth cannot be told apart: one log factor for each dye, in common what the depth is off
        self.prior[:count, :count] = np.linalg.cholesky(spread)
        self.prior[count:, count:] = np.diag(shape.T.ravel())
        self.group = _colourings(self.mg_per_l)

    def reflectance(self, numbers: Array, which: Any = slice(None)) -> Array:
        """True reflectance (N, 81) relative to water, of unit-normal numbers of strengths and shapes."""
        count = len(self.dyes)
        terms = self.prior @ numbers[: 3 * count]
        factor, shift, tail = terms[:count], terms[count : 2 * count], terms[2 * count :]
        per_mg = np.exp(factor)[:, None] * (
            self.shapes[0] + shift[:, None] * self.shapes[1] + tail[:, None] * self.shapes[2]
        )
        seen: Array = np.exp(-2 * _LN10 * (self.mg_per_l[which] @ per_mg))
        return seen

    def choose_scale(self) -> tuple[float, tuple[Array, Array]]:
        """How wide the camera's prior is taken, by the marginal likelihood of all readings, and the fit with it."""
        best: tuple[float, float, tuple[Array, Array]] | None = None
        for scale in _SCALES:
            self.scale = scale
            numbers, factor = self.fit("camera", start=None if best is None else best[2][0])
            # Laplace's method; all numbers are unit normal beforehand
            evidence = -self.cost + float(np.log(np.diag(factor)).sum())
            if best is not None and evidence < best[0]:
                break
            best = (evidence, scale, (numbers, factor))
        assert best is not None
        self.scale = best[1]
        return best[1], best[2]

    def fit(self, kind: str, which: Any = slice(None), start: Array | None = None) -> tuple[Array, Array]:
        """Numbers (P,) and a square root of their covariance (P, P) of one candidate for some of the readings."""
        whiten = self._whiten(np.arange(len(self.y))[which])
        skip, size = 3 * len(self.dyes), _size(kind)
        greys = self.greys if kind == "camera" else None
        lab = self.lab[which]

        def residual(numbers: Array) -> Array:
            true, own = self.reflectance(numbers, which), numbers[skip : skip + size]
            if kind != "camera":
                missed = soft_log(_DIRECT[kind](_to_p3(lab), own))[0] - soft_log(true @ p3_weights())[0]
                rest: Array = np.r_[whiten @ missed.ravel(), numbers]
                return rest
            missed = see(true, _scaled(own, self.scale)) - self.seen.y(numbers)[which]
            steps = np.empty(0)
            if greys is not None:
                steps = np.nan_to_num(greys.missed(_tone_terms(numbers)) / greys.sd)
            rest = np.r_[whiten @ missed.ravel(), steps, numbers]
            return rest

        begin = np.zeros(skip + size + (0 if greys is None else len(JOINT_PRIOR))) if start is None else start
        found = least_squares(residual, begin, x_scale=1.0, max_nfev=60, xtol=1e-5, ftol=1e-6)
        self.cost = float(found.cost)
        covariance = np.linalg.inv(found.jac.T @ found.jac)
        return found.x, np.linalg.cholesky(covariance)

    def _whiten(self, which: NDArray[np.int_]) -> Array:
        """Whitening matrix (3N, 3N) of the readings' noise in log light."""
        count = len(which)
        covariance = np.zeros((3 * count, 3 * count))
        y = self.y[which]
        for k, n in enumerate(which):
            at = slice(3 * k, 3 * k + 3)
            jacobian = _slope(self.lab[n])
            covariance[at, at] = jacobian @ self.liquids[n].covariance @ jacobian.T + _own_noise(y[k])
        photos = np.array([self.liquids[n].photo or f"{n}" for n in which])
        for photo in np.unique(photos):
            inside = photos == photo
            known = self.greys is not None or self.liquids[which[np.flatnonzero(inside)[0]]].known_greys
            sd = _KNOWN_CARD_SD if known else _PHOTO_SD
            for channel in range(3):
                common = np.zeros((count, 3))
                common[inside, channel] = sd * y[inside, channel]
                covariance += np.outer(common.ravel(), common.ravel())
        whitening: Array = np.linalg.inv(np.linalg.cholesky(covariance))
        return whitening


def _own_noise(y: Array) -> Array:
    """What one reading in log light y (3,) strays by on its own: fill, veil, and what no model holds; (3, 3)."""
    veil = _VEIL / np.maximum(np.exp(y), 0.02)
    covariance: Array = _FILL_SD**2 * np.outer(y, y) + np.outer(veil, veil) + _MISFIT_SD**2 * np.eye(3)
    return covariance


def _scaled(own: Array, scale: float) -> Array:
    """A camera's numbers with those of its weights `scale` times as large; its tones stay."""
    numbers: Array = np.r_[scale * own[:-TONE_TERMS], own[-TONE_TERMS:]]
    return numbers


def _tone_terms(numbers: Array) -> Array:
    """The tones, in the order of JOINT_PRIOR, of the last numbers of a fit; the S stays one that rises."""
    terms: Array = JOINT_PRIOR[:, 0] + JOINT_PRIOR[:, 1] * numbers[-len(JOINT_PRIOR) :]
    terms[:2] = np.clip(terms[:2], [-0.3, -0.2], [0.44, 0.2])
    return terms


def _own(fit: PhoneFit) -> slice:
    """Where a fit's own numbers lie, behind those of the dyes."""
    skip = 3 * len(fit.dyes)
    return slice(skip, skip + _size(fit.kind))


def see(reflectance: Array, numbers: Array) -> Array:
    """Reading in log light (N, 3) of reflectances (N, 81) by the camera with these unit-normal numbers (T,)."""
    terms = unknown_phone().terms(np.asarray(numbers, float)[None])
    reading: Array = bend_tones((reflectance @ phone_weights(terms)[0])[None], terms)[0][0]
    return reading


def _through_matrix(rgb: Array, numbers: Array) -> Array:
    """Linear map with rows that sum to 1; numbers (6,) are its off-diagonal terms in units of their prior."""
    off = _COEFFICIENT_SD * numbers.reshape(3, 2)
    others = np.array([[1, 2], [0, 2], [0, 1]])
    mixed: Array = rgb + np.einsum("nij,ij->ni", rgb[:, others] - rgb[:, :, None], off)
    return mixed


def _through_roots(rgb: Array, numbers: Array) -> Array:
    """Root-polynomial of degree 2: r, g, b and the roots of their products, weights of each channel summing to 1."""
    r, g, b = np.maximum(rgb, 1e-4).T
    terms = np.stack([r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)], axis=1)
    out = []
    for channel in range(3):
        others = [k for k in range(6) if k != channel]
        weights = _COEFFICIENT_SD * numbers[5 * channel : 5 * channel + 5]
        own = terms[:, [channel]]
        out.append(rgb[:, channel] + (terms[:, others] - own) @ weights)
    return np.stack(out, axis=1)


_DIRECT: dict[str, Callable[[Array, Array], Array]] = {
    "none": lambda rgb, _numbers: rgb,
    "matrix": _through_matrix,
    "root": _through_roots,
}


def _size(kind: str) -> int:
    return {"none": 0, "matrix": 6, "root": 15, "camera": len(unknown_phone().mean)}[kind]


def _to_p3(lab: Array) -> Array:
    return lab_to_xyz(lab) @ np.linalg.inv(_P3).T


def _to_lab(rgb: Array) -> Array:
    return xyz_to_lab(rgb @ _P3.T)


def _read_y(lab: Array) -> Array:
    return soft_log(_to_p3(lab))[0]


def _slope(lab: Array) -> Array:
    """Change of log light per unit of Lab, shape (3, 3)."""
    step = 0.02
    ends = _read_y(np.concatenate([lab + step * np.eye(3), lab - step * np.eye(3)]))
    return ((ends[:3] - ends[3:]) / (2 * step)).T


def _correct_many(fit: PhoneFit, numbers: Array, seen: _Seen) -> Array:
    """Corrected Lab (N, 3) of readings with these numbers of the fit."""
    own = numbers[_own(fit)]
    if fit.kind != "camera":
        return _to_lab(_DIRECT[fit.kind](_to_p3(seen.lab), own))
    ensemble, true = see(known_drinks(), _scaled(own, fit.scale)), _true_y()
    return _to_lab(np.exp(np.array([_regress(one, ensemble, true)[0] for one in seen.y(numbers)])))


@cache
def _true_y() -> Array:
    return soft_log(known_drinks() @ p3_weights())[0]


def _regress(y: Array, seen: Array, true: Array) -> tuple[Array, Array]:
    """What a reading y (3,) stands for and its covariance: local linear regression over drinks seen by this camera.

    Source: Cleveland 1979, "Robust locally weighted regression", doi:10.1080/01621459.1979.10481038, without the robust
    steps: the drinks have no noise; what is left is that drinks of one reading differ in colour.
    """
    width = _NEAR + _NEAR_PART * float(np.abs(y).max())
    weight = np.exp(-0.5 * ((seen - y) ** 2).sum(axis=1) / width**2) + 1e-9
    basis = np.column_stack([np.ones(len(seen)), seen - y])
    gram = (basis * weight[:, None]).T @ basis + 1e-6 * np.diag([0, 1, 1, 1])
    shift = true - seen
    slope = np.linalg.solve(gram, (basis * weight[:, None]).T @ shift)
    rest = shift - basis @ slope
    return y + slope[0], (rest * weight[:, None]).T @ rest / weight.sum()


def _metameric(fit: PhoneFit, read: Array) -> Array:
    """Covariance in Lab (3, 3) of drinks that this camera reads alike, as log light (3,)."""
    own = _scaled(fit.numbers[_own(fit)], fit.scale)
    y, spread = _regress(read, see(known_drinks(), own), _true_y())
    step = 0.01
    ends = _to_lab(np.exp(np.concatenate([y + step * np.eye(3), y - step * np.eye(3)])))
    jacobian = ((ends[:3] - ends[3:]) / (2 * step)).T
    return jacobian @ spread @ jacobian.T


def _colourings(mg_per_l: Array) -> NDArray[np.int_]:
    """Number of the colouring of each liquid: liquids of the same proportions are one."""
    total = np.maximum(mg_per_l.sum(axis=1, keepdims=True), 1e-12)
    shares = np.round(mg_per_l / total, 2)
    return np.unique(shares, axis=0, return_inverse=True)[1].ravel()


def _check_enough(task: _Task) -> None:
    different = len(np.unique(np.round(task.mg_per_l, 4), axis=0))
    if different < LEAST_LIQUIDS:
        raise InputError(
            f"{different} different known {'liquid is' if different == 1 else 'liquids are'} too few to calibrate a "
            f"phone. Add photos until there are {LEAST_LIQUIDS}: red in two or three strengths, yellow in two, red and "
            "yellow together."
        )
    if len(set(task.group)) < LEAST_COLOURINGS:
        raise InputError(
            "All known liquids hold the same colourant in one proportion, which says nothing of another colour. Add "
            "photos of a second colourant, such as yellow, and of both together."
        )
    strongest = float(
        np.linalg.norm(
            _to_lab(task.reflectance(np.zeros(3 * len(task.dyes))) @ p3_weights()) - [100, 0, 0], axis=1
        ).max()
    )
    if strongest < LEAST_LAB:
        raise InputError(
            "The known liquids are too pale to teach anything of a tinted drink. Make the strongest one as deep as "
            "the drinks you measure."
        )


def _predict_unseen(task: _Task, whole: PhoneFit) -> tuple[float, Array]:
    """Mean CIEDE2000 of a candidate for the liquids of each colouring, fitted to the others, and `PhoneFit.left_out`."""
    missed, off = [], []
    for group in np.unique(task.group):
        out = task.group == group
        numbers, _ = task.fit(whole.kind, ~out, start=whole.numbers)
        # strengths and shapes of a dye that was left out altogether are those of its label
        true = _to_lab(task.reflectance(numbers, out) @ p3_weights())
        found = _correct_many(whole, numbers, task.seen)[out]
        missed.append(ciede2000(found, true).mean())
        off.append((found - true) / np.linalg.norm(true - [100, 0, 0], axis=1)[:, None])
    return float(np.mean(missed)), np.sqrt((np.concatenate(off) ** 2).mean(axis=0))


def _predict_drinks(fit: PhoneFit, camera: Array) -> float:
    """Mean CIEDE2000 of a candidate over drinks of many dyes that the phone, as the camera model knows it, reads."""
    drinks = known_drinks()[:_JUDGED]
    true = _to_lab(drinks @ p3_weights())
    read = _to_lab(np.exp(see(drinks, camera)))
    pale = np.linalg.norm(true - [100, 0, 0], axis=1) < LEAST_LAB / 2
    seen = _Seen(read[~pale], None)  # these tones are the curve's own
    return float(ciede2000(_correct_many(fit, fit.numbers, seen), true[~pale]).mean())


def _mean_distance(task: _Task) -> float:
    return float(np.linalg.norm(task.lab - [100, 0, 0], axis=1).mean())


def _strain(task: _Task, fit: PhoneFit) -> float:
    """By how many of their own standard deviations the known liquids are off as read, at least 1 (Birge 1932)."""
    true = _to_lab(task.reflectance(fit.numbers) @ p3_weights())
    off = [
        (lab - one) / liquid.lab_sd
        for lab, one, liquid in zip(task.lab, true, task.liquids, strict=True)
        if liquid.lab_sd is not None
    ]
    return max(1.0, float(np.sqrt(np.mean(np.square(off))))) if off else 1.0


def _describe(task: _Task, fit: PhoneFit) -> list[dict[str, Any]]:
    """Each reading with its true colour, as read, and corrected by a fit that has not seen its liquid."""
    true = _to_lab(task.reflectance(fit.numbers) @ p3_weights())
    out = []
    for n, one in enumerate(task.liquids):
        same = (task.mg_per_l == task.mg_per_l[n]).all(axis=1)
        numbers, _ = task.fit(fit.kind, ~same, start=fit.numbers)
        after = _correct_many(fit, numbers, task.seen)[n]
        out.append(
            {
                "photo": one.photo,
                "mg_per_l": {
                    d.name: mg for d, mg in zip(task.dyes, map(float, one.mg_per_l), strict=True) if mg
                },
                "true_lab": [round(float(v), 3) for v in true[n]],
                "lab": [round(float(v), 3) for v in task.lab[n]],
                "corrected_lab": [round(float(v), 3) for v in after],
                "before": round(float(ciede2000(task.lab[n], true[n])), 3),
                "after": round(float(ciede2000(after, true[n])), 3),
            }
        )
    return out
