"""A phone's own correction: what a fit to known liquids holds, and the colour that a reading stands for.
It joins the camera model of liquid/phone.py and the phone's tone curve; it knows no pixels, no book, and
not how the fit is made (phone_fitting.py)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import astuple, dataclass, field
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from colourmatch.colour.spaces import RGB_TO_XYZ, p3_to_lab, slope_at
from colourmatch.liquid.judged_drinks import known_drinks
from colourmatch.liquid.phone import (
    TONE_TERMS,
    PhonePrior,
    bend_tones,
    log_light_slope,
    p3_weights,
    phone_basis,
    phone_weights,
    read_log_light,
    soft_log,
    unknown_phone,
)
from colourmatch.measurement import ToneRecord
from colourmatch.photo.retone import GreySteps, Readings
from colourmatch.photo.tone import JOINT_PRIOR
from colourmatch.records import Array, Record, kept, rounded, several, significant, written
from colourmatch.records import numbers as read_array

#: What two readings of one liquid differ by besides their own noise (sd of natural logs): contrast of a photo's channel,
#: smaller where the card's greys are known, glass's fill, what no model holds, veil.
PHOTO_SD, KNOWN_CARD_SD, _FILL_SD, _MISFIT_SD, _VEIL = 0.02, 0.012, 0.010, 0.006, 0.003
#: A step read in another photo than those of the sitting may miss by so many standard deviations (root mean square)
#: while phone and card are still taken to be the same.
_SAME_TONES = 3.0
#: How far the errors of the estimate and of the calibration go together (correlation).
_TOGETHER = 0.4
#: Draws of the posterior that give a corrected colour's uncertainty.
_DRAWS = 24
#: Width of the neighbourhood in log light in which known drinks tell what a reading means.
_NEAR, _NEAR_PART = 0.15, 0.15


@dataclass(frozen=True)
class KnownDye:
    """A stock that a known liquid was made with: its colourant, and how well its strength is known (relative sd)."""

    name: str
    colourant: str
    strength_rel_sd: float = 0.03


@dataclass(frozen=True)
class KnownLiquid:
    """One reading of a known liquid: Lab relative to water, its covariance (3, 3), mg/l of each dye, its photo.

    told, told_sd (3,): the colour that is told of it without a calibration, and how surely; known_greys: whether the photo
    was read with a profile of its card; tone and spot: the photo's tones, if recorded, and where the liquid stood.
    """

    lab: Array
    covariance: Array
    mg_per_l: tuple[float, ...]
    told: Array
    told_sd: Array
    photo: str = ""
    known_greys: bool = False
    tone: ToneRecord | None = None
    spot: str = "batch"


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


class LiquidFitted(Record):
    """A known liquid of a fit: mg/l of each stock, its Lab (3,) by that, as told without the calibration and with
    it (of a fit without this liquid), CIEDE2000 before and after."""

    photo: str = kept()
    mg_per_l: Mapping[str, float] = kept()
    true_lab: Array = kept(read_array)
    lab: Array = kept(read_array)
    corrected_lab: Array = kept(read_array)
    before: float = kept()
    after: float = kept()


def helps(errors: Mapping[str, Mapping[str, float]]) -> bool:
    """Whether a fit of such `errors` tells known liquids that it has not seen better than no calibration does."""
    return errors["camera"]["known"] < errors["none"]["known"]


class PhoneFit(Record):
    """A fitted correction.

    kind: "camera"; earlier versions knew others; numbers (P,) and factor (P, P): its parameters and a square root of
    their covariance, strengths of the dyes first, those of the tone curve last (none where it was not fitted); scale:
    how many times wider than the ensemble the camera may lie; greys (N,): by how much the sitting's grey steps miss the
    curve (log); strain: by how many of their own standard deviations known liquids are off as told (root mean square,
    at least 1); left_out (3,): what it misses of colourings it has not seen along L*, a*, b*, as a part of their
    distance from water (root mean square); model: CAMERA_MODEL of liquid/phone.py that it was made with; errors: mean
    CIEDE2000 of each candidate for known colourings left out ("known"), for drinks of other dyes ("other") and
    "together".
    """

    kind: str = kept(default="camera")
    numbers: Array = kept(read_array, write=written(significant, 6), default=lambda: np.empty(0))
    factor: Array = kept(read_array, write=written(significant, 5), default=lambda: np.empty((0, 0)))
    dyes: tuple[KnownDye, ...] = kept(
        lambda rows: tuple(KnownDye(*row) for row in rows),
        write=lambda dyes: [list(astuple(dye)) for dye in dyes],
        default=(),
    )
    depth_mm: float = kept(default=10.0)
    depth_rel_sd: float = kept(default=0.02)
    errors: dict[str, dict[str, float]] = kept(
        write=lambda errors: {name: {k: round(v, 3) for k, v in told.items()} for name, told in errors.items()},
        default=dict,
    )
    residual: float = kept(write=lambda value: round(value, 4), default=0.0)
    liquids: tuple[LiquidFitted, ...] = kept(several(LiquidFitted), default=())
    scale: float = kept(float, default=1.0)
    model: int = kept(default=1)
    strain: float = kept(float, write=lambda value: round(value, 3), default=1.0)
    left_out: Array | None = kept(read_array, write=written(rounded, 4))
    greys: Array | None = kept(read_array, write=written(rounded, 5))

    @property
    def own(self) -> slice:
        """Where the camera's own numbers lie, behind those of the dyes."""
        skip = 3 * len(self.dyes)
        return slice(skip, skip + len(unknown_phone().mean))

    def knows_tones(self, tone: ToneRecord | None) -> bool:
        """Whether a photo's greys lie on the curve of the sitting: the same phone's tones, on the same print."""
        if tone is None or self.greys is None:
            return False
        steps = GreySteps([tone])
        off = (steps.missed(tone_terms(self.numbers)) - self.greys) / steps.read_sd()
        return bool(np.sqrt(np.nanmean(off**2) / 2) < _SAME_TONES)

    def phone(self) -> PhonePrior | None:
        """What a lot's fit starts from for this phone; None where the fit helps nothing."""
        if not helps(self.errors):
            return None
        prior, factor = unknown_phone(), self.factor[self.own]
        wider = scale_camera(np.ones(len(factor)), self.scale)
        root = wider[:, None] * np.linalg.cholesky(factor @ factor.T + 1e-9 * np.eye(len(factor)))
        return PhonePrior(prior.terms((wider * self.numbers[self.own])[None])[0], prior.factor @ root)


def correct_lab(
    fit: PhoneFit, lab: ArrayLike, covariance: ArrayLike, tone: tuple[ToneRecord, str] | None = None
) -> Corrected:
    """The colour that a reading of this phone in this light stands for.

    lab (3,), covariance (3, 3): as read, relative to water; tone: the photo's tones and the spot, for a photo of which
    the calibration `knows_tones`. What two drinks of one reading may differ by is in `metameric`; what the calibration
    itself leaves open is in `left`.
    """
    lab, covariance = np.asarray(lab, float), np.asarray(covariance, float)
    if fit.greys is None:
        tone = None

    def read(around: Array) -> SeenColours:
        tones = None if tone is None else Readings([tone[0]] * len(around), [tone[1]] * len(around), around)
        return SeenColours(around, tones)

    one = read(lab[None])
    value = correct_many(fit, fit.numbers, one)[0]
    jacobian = slope_at(lambda around: correct_many(fit, fit.numbers, read(around)), lab, 0.1)
    rng = np.random.default_rng(2015)
    half = rng.standard_normal((_DRAWS // 2, len(fit.numbers)))
    numbers = fit.numbers + np.concatenate([half, -half]) @ fit.factor.T
    draws = np.array([correct_many(fit, drawn, one)[0] for drawn in numbers])
    left = np.cov((draws - value).T, bias=True)
    away = np.linalg.norm(value - [100, 0, 0])
    # what it missed of liquids it had not seen, as a part of the distance from water; CIEDE2000 counts a* and b* less
    missed = fit.residual * away * np.array([0.5, 1.0, 1.0])
    y = one.y(fit.numbers)
    unseen = 0.0 if fit.left_out is None else fit.left_out * away
    # outside the ensemble its components say less of what lies between them
    metameric = fit.scale**2 * (_metameric(fit, y[0]) + np.diag((0.5 * missed) ** 2 + unseen**2))
    to_lab = jacobian @ np.linalg.inv(log_light_slope(lab))
    contrast_sd = PHOTO_SD if tone is None else KNOWN_CARD_SD
    noise = to_lab @ (own_noise(y[0]) + np.diag((contrast_sd * y[0]) ** 2)) @ to_lab.T
    return Corrected(
        value, jacobian @ covariance @ jacobian.T, left + 0.15**2 * np.eye(3), metameric, jacobian, draws,
        p3_to_lab(np.exp(y))[0], noise, y[0], to_lab, contrast_sd,
    )  # fmt: skip


def weigh(told_sd: Array, corrected_sd: Array) -> Array:
    """How much of a corrected colour counts beside the estimate, sd (3,) each along L*, a*, b*: the surer one more.

    So that the combination has the least variance: Bates, Granger 1969, doi:10.1057/jors.1969.103.
    """
    common = _TOGETHER * told_sd * corrected_sd
    part: Array = (told_sd**2 - common) / np.maximum(told_sd**2 + corrected_sd**2 - 2 * common, 1e-9)
    return np.clip(part, 0.0, 1.0)


def combine(told: Array, corrected: Array, weight: Array, together: float = _TOGETHER) -> Array:
    """Covariance (3, 3) of what is told with such weights (3,), of errors that go so far together."""
    one, other = np.diag(weight) @ _root_of(corrected), np.diag(1 - weight) @ _root_of(told)
    cross = together * one @ other.T
    return np.asarray(one @ one.T + other @ other.T + cross + cross.T)


def _root_of(covariance: Array) -> Array:
    """The symmetric square root (3, 3)."""
    values, axes = np.linalg.eigh(covariance)
    return np.asarray((axes * np.sqrt(np.maximum(values, 0.0))) @ axes.T)


class SeenColours:
    """Readings as Lab (N, 3), with the tones of their photos where those are recorded."""

    def __init__(self, lab: Array, tones: Readings | None) -> None:
        self._plain, self._tones = read_log_light(lab), tones

    def y(self, numbers: Array) -> Array:
        """Log light (N, 3) under the tone curve of these numbers of a fit."""
        if self._tones is None:
            return self._plain
        xyz = self._tones.xyz(tone_terms(numbers))
        return soft_log(xyz @ np.linalg.inv(RGB_TO_XYZ["Display P3"]).T)[0]


def own_noise(y: Array) -> Array:
    """What one reading in log light y (3,) strays by on its own: fill, veil, and what no model holds; (3, 3)."""
    veil = _VEIL / np.maximum(np.exp(y), 0.02)
    return _FILL_SD**2 * np.outer(y, y) + np.outer(veil, veil) + _MISFIT_SD**2 * np.eye(3)


def scale_camera(own: Array, scale: float) -> Array:
    """A camera's numbers with those of its weights `scale` times as large; its tones stay."""
    return np.r_[scale * own[:-TONE_TERMS], own[-TONE_TERMS:]]


def tone_terms(numbers: Array) -> Array:
    """The tones, in the order of JOINT_PRIOR, of the last numbers of a fit; the S stays one that rises."""
    terms: Array = JOINT_PRIOR[:, 0] + JOINT_PRIOR[:, 1] * numbers[-len(JOINT_PRIOR) :]
    terms[:2] = np.clip(terms[:2], [-0.3, -0.2], [0.44, 0.2])
    return terms


def see(reflectance: Array, numbers: Array) -> Array:
    """Reading in log light (N, 3) of reflectances (N, 81) by the camera with these unit-normal numbers (T,)."""
    terms = unknown_phone().terms(np.asarray(numbers, float)[None])
    reading: Array = bend_tones((reflectance @ phone_weights(terms, phone_basis())[0])[None], terms)[0][0]
    return reading


def correct_many(fit: PhoneFit, numbers: Array, seen: SeenColours) -> Array:
    """Corrected Lab (N, 3) of readings with these numbers of the fit."""
    ensemble, true = see(known_drinks(), scale_camera(numbers[fit.own], fit.scale)), _true_y()
    return p3_to_lab(np.exp(np.array([_regress(one, ensemble, true)[0] for one in seen.y(numbers)])))


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
    camera = scale_camera(fit.numbers[fit.own], fit.scale)
    y, spread = _regress(read, see(known_drinks(), camera), _true_y())
    jacobian = slope_at(lambda around: p3_to_lab(np.exp(around)), y, 0.01)
    return jacobian @ spread @ jacobian.T
