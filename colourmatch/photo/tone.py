"""The tone curve of a photo from the printed grey steps; it knows neutral patches and nothing of liquids.

Phones bend tones: an S about the middle and a lift of the mid-tones, on top of the file's own encoding. A printer bends
the printed greys: p = nominal^g, then p + e p (1 - p) as dots gain or lose. The lens adds a veil of white. Six greys and
the paper's own code tell the S from the printer by their different shapes; where they look alike (the lift) both are
shrunk towards none by their priors, and the covariance says so. Channels are then aligned on each other: the ink is one.
Source of the method: maximum a posteriori fit by Gauss-Newton (Gill, Murray, Wright 1981, Practical Optimization, 4.7).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spaces import decode_srgb, encode_srgb
from colourmatch.photo.field import LightField
from colourmatch.photo.flat import FlatCard, decode
from colourmatch.records import Array

#: Ink is neutral to about this much between channels (natural log, sd); a correction well above it is the phone's.
_INK_LOG = 0.01
#: Lighter greys whose channels lie further apart than this (natural log) were printed from coloured inks; in darker ones
#: a phone's own black shows.
TINTED_LOG, _LIGHTER = 0.08, 0.19
#: A printed patch strays from the printer's own curve by this much (natural log, sd).
_PATCH_LOG, _DARK = 0.02, 0.012
#: Priors (mean, sd): S-shape, lift beyond that of the S, printer's power, veil, dot gain. The S holds the file's plain
#: encoding (0) and what calibration/tone_curves.csv has of cameras (0.36). Printers are trusted least: blacks and dot gain
#: of office printers vary widely, so a bend is put down to the phone only where it has the S's own shape (common practice,
#: no source).
_PRIOR = np.array([[0.1, 0.15], [0.0, 0.04], [1.0, 0.1], [0.0015, 0.0015], [0.0, 0.6]])
#: An S mostly lifts the middle as well, by this part of itself: none where it is even about the middle code, as much as
#: itself in curves of cameras.
_LIFT_OF_S = 0.35
#: The S rises only while 2 s + |lift| < 1.
_BOUNDS = ([-0.3, -0.1, 0.5, 0.0, -0.8], [0.4, 0.19, 1.6, 0.05, 0.8])
#: A phone's S need not be the fitted cubic: this part of its strength stays as a doubt of the mid-tones (sd).
_SHAPE_DOUBT = 0.5
#: Known greys show the curve itself, at seven levels; what is left between them is this part of the S's strength.
_KNOWN_DOUBT = 0.1
#: With a card whose greys are known the printer has no terms left, and the phone's lift may be wider (mean, sd); a known
#: patch is then read as well as its window is (natural log, sd).
_KNOWN_PRIOR = np.array([_PRIOR[0], [0.0, 0.06], [1.0, 1e-4], _PRIOR[3], [0.0, 1e-4]])
_READ_LOG, _READ_DARK = 0.006, 0.0015
#: Both as pairs (natural log, part of paper): what a printed step strays by, and what reading one does.
STEP_SD, READ_SD = (_PATCH_LOG, _DARK), (_READ_LOG, _READ_DARK)
#: S-shape, lift, how the S differs from a cubic, printer's power and dot gain (mean, sd), where liquids of known colour
#: help to tell them apart: a phone's as wide as beside known greys, a printer's as wide as without.
JOINT_PRIOR = np.array([_KNOWN_PRIOR[0], _KNOWN_PRIOR[1], [0.0, 0.1], _PRIOR[2], _PRIOR[4]])
CURVE_GRID = np.linspace(0, 1, 513)


@dataclass(frozen=True)
class KnownGreys:
    """What the greys of one printed card really reflect, relative to its bare paper.

    reflectance and log_sd (natural log) have shape (N,), in the order of `Card.greys`.
    """

    reflectance: Array
    log_sd: Array


@dataclass(frozen=True)
class ToneCurve:
    """A photo's tone curve: S-shape, lift, printer's power, veil and dot gain, with covariance (5, 5).

    `greys` (N, 2), in the order of `Card.greys`: value over paper and that paper's level as the file decodes them, NaN
    for a step that was not used.
    """

    terms: Array
    covariance: Array
    fitted: bool
    steps: Array = field(default_factory=lambda: np.empty((0, 3)))
    shape_doubt: float = _SHAPE_DOUBT
    greys: Array = field(default_factory=lambda: np.empty((0, 2)))

    def table(self, decode_table: NDArray[np.float32]) -> NDArray[np.float32]:
        """The file's decoding table (3, 256) with the phone's curve taken out."""
        curve = curve_of(self.terms[0], self.terms[1])
        codes = encode_srgb(decode_table)
        return decode_srgb(np.interp(codes, curve, CURVE_GRID)).astype(np.float32)

    def take_veil(self, rgb: Array) -> Array:
        """Paper-relative linear values without the veil that lies over the whole photo."""
        return (np.asarray(rgb, float) - self.terms[3]) / (1 - self.terms[3])

    def shifts(self, rgb: Array, paper: Array) -> Array:
        """Change of a paper-relative value per standard deviation of the curve, shape (6, 3): one row per direction.

        rgb, shape (3,): corrected, veil taken off; paper, shape (3,): corrected linear value of the paper there.
        """
        raised = np.maximum(rgb * (1 - self.terms[3]) + self.terms[3], 1e-4)
        seen = through(raised * paper, self.terms), through(np.asarray(paper, float), self.terms)
        step = np.array([0.01, 0.01, 0.0, 0.001, 0.0])
        slopes = np.zeros((5, 3))
        for k in (0, 1, 3):
            moved = self.terms.copy()
            moved[k] += step[k]
            slopes[k] = ((_back(seen[0], moved) / _back(seen[1], moved) - moved[3]) / (1 - moved[3]) - rgb) / step[k]
        values, axes = np.linalg.eigh(self.covariance)
        doubt = self.shape_doubt * abs(self.terms[0]) * np.clip(rgb, 0, 1) * (1 - np.clip(rgb, 0, 1))
        return np.vstack([(axes * np.sqrt(np.maximum(values, 0))).T @ slopes, doubt])


@dataclass(frozen=True)
class ToneMap:
    """Correction of each channel's relative linear value: knots at log values of the mean channel, shifts (K, 3).

    known_log (K,): the part of the shifts that brings all channels to what known greys reflect; zeros without. cast: how
    far the channels of the lighter printed greys lie apart (natural log).
    """

    knots_log: Array
    shifts_log: Array
    known_log: Array = field(default_factory=lambda: np.empty(0))
    cast: float = 0.0

    def apply(self, rgb: Array) -> Array:
        """Corrected relative linear values, shape (..., 3)."""
        rgb = np.maximum(np.asarray(rgb, float), 1e-5)
        if not len(self.knots_log):
            return rgb
        logs = np.log(rgb)
        shift = np.stack([np.interp(logs[..., c], self.knots_log, self.shifts_log[:, c]) for c in range(3)], axis=-1)
        return np.exp(logs + shift)

    def covariance(self, rgb: Array) -> Array:
        """Covariance (3, 3) that the ink's own cast leaves in a corrected value."""
        rgb = np.asarray(rgb, float)
        depth = np.clip(-np.log(np.maximum(rgb, 1e-3)), 0, 1.0)
        return np.diag((0.3 * _INK_LOG * depth * rgb) ** 2)


def unfitted_curve() -> ToneCurve:
    """The curve of a photo without grey steps: none, as unsure as phones are."""
    none = np.array([0.0, 0.0, 1.0, 0.0, 0.0])
    return ToneCurve(none, np.diag(_PRIOR[:, 1] ** 2 + (_PRIOR[:, 0] - none) ** 2), False)


@dataclass(frozen=True)
class KnownLevel:
    """One grey of known reflectance in the photo: its value and that of paper there as decoded, mean of the channels.

    reflectance is relative to the paper; log_sd (natural log) is that of the reflectance and of the reading.
    """

    value: float
    paper: float
    reflectance: float
    log_sd: float


def fit_curve(flat: FlatCard, known: KnownGreys | None = None, level: KnownLevel | None = None) -> ToneCurve:
    """Fit the tone curve to the grey steps, each against the bare paper just above and below it.

    known: what this printed card's greys really reflect; the printer's terms then stay at none. level: a grey of
    known reflectance beside them, which pins the phone's curve there.
    """
    nominal, values, paper, seen = read_against_paper(flat)
    keep = _agreeing(nominal, values)
    nominal, values, paper = nominal[keep], values[keep].mean(axis=1), paper[keep].mean(axis=1)
    if len(nominal) < 6 or len(set(nominal)) < 4:
        return unfitted_curve()
    spread, prior = np.hypot(_PATCH_LOG, _DARK / nominal), _PRIOR
    if known is not None:
        nominal = known.reflectance[seen][keep]
        spread = np.sqrt(known.log_sd[seen][keep] ** 2 + _READ_LOG**2 + (_READ_DARK / nominal) ** 2)
        prior = _KNOWN_PRIOR

    def residuals(good: NDArray[np.bool_]) -> Callable[[Array], Array]:
        """The residuals of some steps and of the priors, shape (T, R), as a function of terms, shape (T, 5)."""
        seen, lit, reflected, sd = np.log(values[good]), paper[good], nominal[good], spread[good]

        def of_terms(terms: Array) -> Array:
            usual = prior[:, 0] + np.outer(terms[:, 0], [0, _LIFT_OF_S, 0, 0, 0])
            parts = [(_log_seen(terms, lit, reflected) - seen) / sd, (terms - usual) / prior[:, 1]]
            if level is not None:
                parts.append(np.array([[_missed(level, row)] for row in terms]))
            return np.hstack(parts)

        return of_terms

    every = np.ones(len(nominal), bool)
    terms, missed, slopes = _fit_terms(residuals(every), prior)
    good = np.abs(missed[: len(nominal)]) < 4
    if not good.all() and good.sum() >= 6:  # a step partly covered or stained: leave it out and fit once more
        every = good
        terms, missed, slopes = _fit_terms(residuals(good), prior)
    covariance = np.asarray(np.linalg.inv(slopes.T @ slopes), float)
    covariance *= max(float(missed @ missed) / int(every.sum()), 1.0)
    greys = np.full((len(flat.card.greys), 2), np.nan)
    greys[seen[keep][every]] = np.column_stack([values, paper])[every]
    doubt = _SHAPE_DOUBT if known is None else _KNOWN_DOUBT
    return ToneCurve(terms, covariance, True, values[every], doubt, greys)


def _fit_terms(residuals: Callable[[Array], Array], prior: Array) -> tuple[Array, Array, Array]:
    """Terms (5,) of the least sum of squares within the bounds, the residuals (R,) there and their slopes (R, 5).

    Levenberg and Marquardt's damped Gauss-Newton steps (Marquardt 1963, doi:10.1137/0111030) over the terms that are
    not held at a bound. Own code because importing scipy.optimize takes 0.39 s of processor time, as long as a reading.
    """
    low, high = np.array(_BOUNDS)
    terms, damping = prior[:, 0].copy(), 1e-3
    nudges = np.vstack([np.zeros(5), np.diag(1e-4 * prior[:, 1])])
    for _ in range(60):
        around = residuals(terms + nudges)
        missed, slopes = around[0], (around[1:] - around[0]).T / (1e-4 * prior[:, 1])
        downhill = -slopes.T @ missed
        free = ~(((terms <= low) & (downhill < 0)) | ((terms >= high) & (downhill > 0)))
        normal = (slopes.T @ slopes)[np.ix_(free, free)]
        smaller = False
        while damping < 1e8 and not smaller:
            step = np.zeros(5)
            step[free] = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), downhill[free])
            tried = np.clip(terms + step, low, high)
            smaller = bool((residuals(tried[None])[0] ** 2).sum() <= (missed**2).sum())
            damping = max(damping * (0.1 if smaller else 10.0), 1e-12)
        moved = float(np.abs((tried - terms) / prior[:, 1]).max())
        if not smaller:
            break
        terms = tried
        if moved < 1e-4:
            missed = residuals(terms[None])[0]
            break
    return terms, missed, slopes


def _log_seen(terms: Array, paper: Array, nominal: Array) -> Array:
    """Log of each step's value over the paper beside it as the photo shows it, shape (T, N), for terms (T, 5)."""
    s_shape, lift, power, veil, gain = terms.T[..., None]
    # the paper's true exposure is whatever this curve maps onto its observed value
    codes = encode_srgb(paper)
    exposure = decode_srgb([np.interp(codes, curve_of(row[0], row[1]), CURVE_GRID) for row in terms])
    printed = nominal**power
    printed = printed + gain * printed * (1 - printed)
    lit = encode_srgb(exposure * (printed * (1 - veil) + veil))
    logs: Array = np.log(decode_srgb(bend(lit, s_shape, lift)) / paper)
    return logs


def align_channels(flat: FlatCard, light: LightField, curve: ToneCurve, known: KnownGreys | None = None) -> ToneMap:
    """What brings the three channels of the grey steps together, read in the corrected light.

    With known greys they are brought to what the greys reflect, which takes out what the curve's few terms leave.
    """
    centres, half = np.array([step.centre_mm for step in flat.card.greys]), flat.card.grey_size_mm / 2
    read = _clean_means(flat, centres, (half - 3, half - 3)) / light.at(centres)
    places = np.flatnonzero(np.isfinite(read).all(axis=1))
    nominal = np.array([step.reflectance for step in flat.card.greys])[places]
    values = np.maximum(read[places], 1e-4)
    lighter = np.ptp(np.log(values[nominal >= _LIGHTER]), axis=1)
    cast = float(np.median(lighter)) if len(lighter) else 0.0
    keep = _agreeing(nominal, values) & _like_its_twin(nominal, values)
    nominal, values, places = nominal[keep], np.maximum(curve.take_veil(values[keep]), 1e-4), places[keep]
    levels = np.array(sorted(set(nominal)))
    if len(levels) < 4:
        return ToneMap(np.empty(0), np.empty((0, 3)), cast=cast)
    logs = np.stack([np.log(values[nominal == n]).mean(axis=0) for n in levels])
    mean = logs.mean(axis=1, keepdims=True)
    shifts = mean - logs
    # a cast of the ink is expected; shrink each shift by its share of the variance seen (Wiener)
    shifts = shifts * shifts**2 / (shifts**2 + _INK_LOG**2)
    if cast > TINTED_LOG and known is None:  # no phone bends its channels so far apart: the ink is not grey
        shifts = np.zeros_like(shifts)
    to_known = np.zeros_like(mean)
    if known is not None:
        true = np.log(known.reflectance[places])
        to_known = np.array([[true[nominal == n].mean()] for n in levels]) - mean
    return ToneMap(
        np.append(mean[:, 0], 0.0),
        np.vstack([shifts + to_known, np.zeros(3)]),
        np.append(to_known[:, 0], 0.0),
        cast,
    )


def curve_of(s_shape: float, lift: float, steep: float = 0.0) -> Array:
    """Encoded value out of encoded value in, on the grid; kept rising."""
    return np.maximum.accumulate(bend(CURVE_GRID, s_shape, lift, steep) + 1e-7 * CURVE_GRID)


def bend(encoded: Array, s_shape: Array | float, lift: Array | float, steep: Array | float = 0.0) -> Array:
    """Encoded value out of encoded value in; it rises within the bounds of the terms.

    steep: a lift of both ends against the middle, which makes of the cubic S another.
    """
    middling, away = encoded * (1 - encoded), 2 * encoded - 1
    bent: Array = encoded + middling * (2 * s_shape * away + lift + steep * away**2)
    return bent


def through(linear: Array, terms: Array) -> Array:
    """Linear value as the file decodes it, of a linear value of light."""
    return decode_srgb(np.interp(encode_srgb(linear), CURVE_GRID, curve_of(terms[0], terms[1])))


def _back(linear: Array, terms: Array) -> Array:
    return decode_srgb(np.interp(encode_srgb(linear), curve_of(terms[0], terms[1]), CURVE_GRID))


def _missed(level: KnownLevel, terms: Array) -> float:
    """By how many standard deviations the curve misses a known level."""
    exposure = _back(np.array(level.paper), terms)
    seen = through(exposure * (level.reflectance * (1 - terms[3]) + terms[3]), terms)
    return float(np.log(seen / level.value)) / level.log_sd


def read_against_paper(flat: FlatCard) -> tuple[Array, Array, Array, NDArray[np.int_]]:
    """Nominal (N,), value relative to the paper beside it (N, 3), that paper's linear value (N, 3), place in `greys`."""
    centres, half = np.array([step.centre_mm for step in flat.card.greys]), flat.card.grey_size_mm / 2
    patches = _clean_means(flat, centres, (half - 3, half - 3))
    above, below = (_clean_means(flat, centres + np.array([0, d]), (half - 2, 1.5)) for d in (-half - 4, half + 4))
    # where the strips differ something lies over one of them; a comparison with NaN, which is hidden, fails too
    seen = (np.abs(np.log(above / below)).max(axis=1) <= 0.2) & np.isfinite(patches).all(axis=1)
    papers = (above[seen] + below[seen]) / 2
    nominal = np.array([step.reflectance for step in flat.card.greys])[seen]
    return nominal, np.maximum(patches[seen] / papers, 1e-4), papers, np.flatnonzero(seen)


def _agreeing(nominal: Array, values: Array) -> NDArray[np.bool_]:
    """Leave out steps that are covered: coloured, or far from the line through all of them (in logs, robustly)."""
    if not len(values):
        return np.zeros(0, bool)
    logs = np.log(values)
    neutral = np.ptp(logs, axis=1) < 0.25
    if neutral.sum() < 4:
        return neutral
    x, y = np.log(nominal), logs.mean(axis=1)
    slope, intercept = _robust_line(x[neutral], y[neutral])
    return neutral & (np.abs(y - slope * x - intercept) < 0.35)


def _like_its_twin(nominal: Array, values: Array) -> NDArray[np.bool_]:
    """Whether a step's colour (its channels' ratio) is that of the median step: an object over it is rarely as neutral."""
    if not len(values):
        return np.zeros(0, bool)
    chroma = np.log(values) - np.log(values).mean(axis=1, keepdims=True)
    return np.abs(chroma - np.median(chroma, axis=0)).max(axis=1) < 0.08


def _robust_line(x: Array, y: Array) -> tuple[float, float]:
    """Slope and intercept by the median of pairwise slopes (Theil 1950, Sen 1968, doi:10.1080/01621459.1968.10480934)."""
    i, j = np.triu_indices(len(x), 1)
    apart = x[i] != x[j]
    slope = float(np.median((y[j] - y[i])[apart] / (x[j] - x[i])[apart]))
    return slope, float(np.median(y - slope * x))


def _clean_means(flat: FlatCard, centres_mm: Array, half_mm: tuple[float, float]) -> Array:
    """Mean linear values (N, 3) of equal rectangles about centres (N, 2) without what does not belong to them.

    half_mm: half their width and height. NaN where one is hidden or out of view.
    """
    s = flat.px_per_mm
    left, top = np.rint((centres_mm - half_mm - (0, flat.top_mm)) * s).astype(np.intp).T
    rows = top[:, None, None] + np.arange(round(2 * half_mm[1] * s))[:, None]
    cols = left[:, None, None] + np.arange(round(2 * half_mm[0] * s))
    inside = flat.inside[rows, cols].mean(axis=(1, 2))
    codes = flat.codes[rows, cols].reshape(len(centres_mm), -1, 3)
    half = codes.shape[1] // 2
    middle = np.partition(codes, half, axis=1)[:, half]
    middle = np.stack([flat.decode_table[c][middle[:, c]] for c in range(3)], axis=-1)[:, None]
    linear = decode(codes, flat.decode_table)
    clean = (np.abs(linear - middle) <= 0.15 * middle + 0.004).all(axis=2)
    count = np.count_nonzero(clean, axis=1)
    means = (linear * clean[..., None]).sum(axis=1, dtype=float) / np.maximum(count, 1)[:, None]
    hidden = (inside < 0.9) | (count < 0.6 * clean.shape[1])
    return np.where(hidden[:, None], np.nan, np.maximum(means, 1e-5))
