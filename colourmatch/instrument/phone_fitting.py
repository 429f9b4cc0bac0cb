"""Fits a phone's correction to liquids of known content beside the card; it knows absorbance, no pixels and no book.
Water with known additions of a colourant of known strength has a known spectrum (Bouguer-Lambert-Beer, model.py), hence a
known colour: what a phone makes of a few such liquids teaches its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import p3_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.errors import InputError
from colourmatch.instrument.phone_calibration import (
    KNOWN_CARD_SD,
    PHOTO_SD,
    KnownDye,
    KnownLiquid,
    LiquidFitted,
    PhoneFit,
    SeenColours,
    correct_lab,
    correct_many,
    own_noise,
    scale_camera,
    see,
    tone_terms,
    weigh,
)
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.judged_drinks import known_drinks
from colourmatch.liquid.phone import CAMERA_MODEL, log_light_slope, p3_weights, read_log_light, unknown_phone
from colourmatch.photo.retone import GreySteps, Readings
from colourmatch.photo.tone import JOINT_PRIOR
from colourmatch.records import Array, rounded

#: Fewest different liquids, different colourings (a dye, or two in one proportion), and the distance from water in Lab
#: that the strongest must have: below that nothing is learnt of a tinted drink.
LEAST_LIQUIDS, LEAST_COLOURINGS, LEAST_LAB = 4, 2, 30.0
#: A dye's shape: measured in two places within 1 nm and 2 % of the peak, taken from another dye within 4.5 nm and 5 %.
_SHAPE_SD = {"measured": (1.0, 0.02), "derived": (2.0, 0.03)}
_OTHER_SHAPE_SD = (4.5, 0.05)
#: How many times wider than the ensemble a camera's weights may lie; the likeliest is taken.
_SCALES = (1.0, 1.5, 2.0, 3.0)
#: A card whose greys are known better than this (natural log) pins the curve itself, better than strengths and depth can.
_WELL_KNOWN = 0.02
#: Drinks on which a fit is judged.
_JUDGED = 150
_LN10 = float(np.log(10))


def fit_phone(
    liquids: Sequence[KnownLiquid],
    dyes: Sequence[KnownDye],
    *,
    depth_mm: float = 10.0,
    depth_rel_sd: float = 0.02,
) -> PhoneFit:
    """Fit the camera model to known liquids.

    A maximum a posteriori fit together with the strength of each stock, and with the tone curve where photos recorded
    their tones: liquids of one dye in several strengths are a ladder of known steps, the card's greys one of
    steps that its printer bent. Judged by known liquids, one colouring left out at a time, and by drinks of other
    dyes through the camera that the liquids tell of.

    liquids: readings with mg/l in the order of `dyes`; depth_mm, depth_rel_sd: how deep the glasses are filled and how
    well that is known. InputError says which liquids are missing when there are too few or too pale ones.
    """
    if any(len(one.mg_per_l) != len(dyes) for one in liquids):
        raise ValueError("each liquid needs one concentration per dye")
    task = _Task(liquids, dyes, (depth_mm, depth_rel_sd))
    _check_enough(task)
    numbers, factor = task.choose_scale()
    fit = PhoneFit(
        numbers=numbers,
        factor=factor,
        dyes=tuple(dyes),
        depth_mm=depth_mm,
        depth_rel_sd=depth_rel_sd,
        scale=task.scale,
        greys=task.greys.missed(tone_terms(numbers)) if task.greys else None,
        model=CAMERA_MODEL,
    )
    known, left_out = _predict_unseen(task, fit)
    each = zip(("none", fit.kind), known, _predict_drinks(fit), strict=True)
    errors = {
        kind: {"known": one, "other": other, "together": float(np.hypot(one, other))} for kind, one, other in each
    }
    mean_distance = float(np.linalg.norm(task.lab - [100, 0, 0], axis=1).mean())
    # by how many of their own standard deviations the known liquids are off as told (Birge 1932)
    off = (task.told - task.true_lab(numbers)) / [one.told_sd for one in liquids]
    fit = replace(
        fit,
        left_out=left_out,
        errors=errors,
        residual=errors[fit.kind]["together"] / mean_distance,
        strain=max(1.0, float(np.sqrt(np.mean(np.square(off))))),
    )
    return replace(fit, liquids=tuple(_describe(task, fit)))


class _Task:
    """Readings, their noise and the true spectra behind them; fits the camera model to some of them."""

    def __init__(self, liquids: Sequence[KnownLiquid], dyes: Sequence[KnownDye], depth: tuple[float, float]) -> None:
        self.dyes, self.liquids = tuple(dyes), tuple(liquids)
        self.lab = np.array([one.lab for one in liquids], float).reshape(-1, 3)
        self.mg_per_l = np.array([one.mg_per_l for one in liquids], float).reshape(len(liquids), -1)
        tones = [one.tone for one in liquids if one.tone is not None]
        pinned = any(tone.known is not None and tone.known[:, 1].mean() < _WELL_KNOWN for tone in tones)
        recorded = len(tones) == len(liquids) and len(liquids) > 0 and not pinned
        spots = [one.spot for one in liquids]
        self.seen = SeenColours(self.lab, Readings(tones, spots, self.lab) if recorded else None)
        self.y = read_log_light(self.lab)
        self.told = np.array([one.told for one in liquids]).reshape(-1, 3)
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
        # the colouring of each liquid: liquids of the same proportions are one
        shares = np.round(self.mg_per_l / np.maximum(self.mg_per_l.sum(axis=1, keepdims=True), 1e-12), 2)
        self.group = np.unique(shares, axis=0, return_inverse=True)[1].ravel()

    def reflectance(self, numbers: Array, which: Any = slice(None)) -> Array:
        """True reflectance (N, 81) relative to water, of unit-normal numbers of strengths and shapes."""
        count = len(self.dyes)
        terms = self.prior @ numbers[: 3 * count]
        factor, shift, tail = terms[:count], terms[count : 2 * count], terms[2 * count :]
        per_mg = np.exp(factor)[:, None] * (
            self.shapes[0] + shift[:, None] * self.shapes[1] + tail[:, None] * self.shapes[2]
        )
        return np.exp(-2 * _LN10 * (self.mg_per_l[which] @ per_mg))

    def true_lab(self, numbers: Array, which: Any = slice(None)) -> Array:
        """True Lab (N, 3) of the same."""
        return p3_to_lab(self.reflectance(numbers, which) @ p3_weights())

    def choose_scale(self) -> tuple[Array, Array]:
        """Take the camera's prior as wide as the marginal likelihood of all readings says; the fit with it.

        By Laplace's method (MacKay 1992, "Bayesian interpolation", doi:10.1162/neco.1992.4.3.415).
        """
        best: tuple[float, float, tuple[Array, Array]] | None = None
        for scale in _SCALES:
            self.scale = scale
            numbers, factor = self.fit(start=None if best is None else best[2][0])
            # all numbers are unit normal beforehand
            evidence = -self.cost + float(np.log(np.diag(factor)).sum())
            if best is not None and evidence < best[0]:
                break
            best = (evidence, scale, (numbers, factor))
        assert best is not None
        self.scale = best[1]
        return best[2]

    def fit(self, which: Any = slice(None), start: Array | None = None) -> tuple[Array, Array]:
        """Numbers (P,) and a square root of their covariance (P, P) for some of the readings."""
        whiten = self._whiten(np.arange(len(self.y))[which])
        own = slice(3 * len(self.dyes), 3 * len(self.dyes) + len(unknown_phone().mean))
        greys = self.greys

        def residual(numbers: Array) -> Array:
            camera, steps = scale_camera(numbers[own], self.scale), np.empty(0)
            missed = see(self.reflectance(numbers, which), camera) - self.seen.y(numbers)[which]
            if greys is not None:
                steps = np.nan_to_num(greys.missed(tone_terms(numbers)) / greys.sd)
            return np.r_[whiten @ missed.ravel(), steps, numbers]

        begin = np.zeros(own.stop + (0 if greys is None else len(JOINT_PRIOR))) if start is None else start
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
            jacobian = log_light_slope(self.lab[n])
            covariance[at, at] = jacobian @ self.liquids[n].covariance @ jacobian.T + own_noise(y[k])
        photos = np.array([self.liquids[n].photo or f"{n}" for n in which])
        for photo in np.unique(photos):
            inside = photos == photo
            known = self.greys is not None or self.liquids[which[np.flatnonzero(inside)[0]]].known_greys
            sd = KNOWN_CARD_SD if known else PHOTO_SD
            for channel in range(3):
                common = np.zeros((count, 3))
                common[inside, channel] = sd * y[inside, channel]
                covariance += np.outer(common.ravel(), common.ravel())
        return np.linalg.inv(np.linalg.cholesky(covariance))


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
    true = task.true_lab(np.zeros(3 * len(task.dyes)))
    if np.linalg.norm(true - [100, 0, 0], axis=1).max() < LEAST_LAB:
        raise InputError(
            "The known liquids are too pale to teach anything of a tinted drink. Make the strongest one as deep as "
            "the drinks you measure."
        )


def _predict_unseen(task: _Task, whole: PhoneFit) -> tuple[tuple[float, float], Array]:
    """Mean CIEDE2000 of liquids of each colouring as told, and corrected by a fit to the others (Stone 1974); `left_out`."""
    missed, off = [], []
    for group in np.unique(task.group):
        out = task.group == group
        numbers, _ = task.fit(~out, start=whole.numbers)
        # strengths and shapes of a dye that was left out altogether are those of its label
        true = task.true_lab(numbers, out)
        found = correct_many(whole, numbers, task.seen)[out]
        missed.append([ciede2000(lab, true).mean() for lab in (task.told[out], found)])
        off.append((found - true) / np.linalg.norm(true - [100, 0, 0], axis=1)[:, None])
    told, corrected = np.mean(missed, axis=0).tolist()
    return (told, corrected), np.sqrt((np.concatenate(off) ** 2).mean(axis=0))


def _predict_drinks(fit: PhoneFit) -> tuple[float, float]:
    """Mean CIEDE2000 of drinks of many dyes that the phone, as the camera model knows it, reads: as read and corrected."""
    drinks = known_drinks()[:_JUDGED]
    true = p3_to_lab(drinks @ p3_weights())
    tinted = np.linalg.norm(true - [100, 0, 0], axis=1) >= LEAST_LAB / 2
    read = p3_to_lab(np.exp(see(drinks, scale_camera(fit.numbers[fit.own], fit.scale))))[tinted]
    found = correct_many(fit, fit.numbers, SeenColours(read, None))  # these tones are the curve's own
    as_read, corrected = (float(ciede2000(lab, true[tinted]).mean()) for lab in (read, found))
    return as_read, corrected


def _describe(task: _Task, fit: PhoneFit) -> list[LiquidFitted]:
    """Each liquid with its true colour, as told without, and as told with a fit that has not seen it."""
    true, out = task.true_lab(fit.numbers), []
    for n, one in enumerate(task.liquids):
        same = (task.mg_per_l == task.mg_per_l[n]).all(axis=1)
        numbers, _ = task.fit(~same, start=fit.numbers)
        sd = correct_lab(fit, one.lab, one.covariance, (one.tone, one.spot) if one.tone else None).lab_sd
        weight = weigh(fit.strain * one.told_sd, sd)
        after = one.told + weight * (correct_many(fit, numbers, task.seen)[n] - one.told)
        held = {d.name: float(mg) for d, mg in zip(task.dyes, one.mg_per_l, strict=True) if mg}
        off = (round(float(ciede2000(seen, true[n])), 3) for seen in (one.told, after))
        out.append(LiquidFitted(one.photo, held, rounded(true[n], 3), rounded(one.told, 3), rounded(after, 3), *off))
    return out
