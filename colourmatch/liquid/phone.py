"""A phone as the fit of a lot sees it: what each of its channels weighs of a spectrum, and how it bends tones.

The reading of a channel is y = (1 + gamma) log(R . w), its positive part times (1 - roll_off); R is the reflectance of
a liquid over paper relative to water, w the channel's effective weights (sensor, light, white balance and matrix in
one), whose sum is 1, so that water stays white. Two liquids of one colour that differ in spectrum may thus differ for
the phone, as they do (camera metamerism). The prior: principal components of an ensemble of cameras, weighted by what
they do to drinks (tests/bench/derive_phone_prior.py); a calibrated phone narrows it. Source of the components as a
camera model: Jiang, Liu, Gu, Suesstrunk 2013, "What is the space of spectral sensitivity functions for digital color
cameras?", WACV (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from colourmatch.colour.spaces import RGB_TO_XYZ, lab_to_p3, slope_at
from colourmatch.colour.spectra import integration_weights, weights_at_10_nm
from colourmatch.facts import read_rows
from colourmatch.records import Array

#: Counts up with the tables of this model: what a calibration learnt counts in the components of its own.
CAMERA_MODEL = 2
#: gamma of the three channels and roll_off.
TONE_TERMS = 4
_KNEE = 0.01


@dataclass(frozen=True)
class PhonePrior:
    """What is known of one phone: its terms are mean (T,) + factor (T, T) @ unit-normal numbers.

    The first T - 4 terms count components of the weights in their standard deviations, the last four are gamma of the
    channels and roll_off.
    """

    mean: Array
    factor: Array

    def terms(self, numbers: Array) -> Array:
        """Terms (D, T) of unit-normal numbers (D, T)."""
        return self.mean + numbers @ self.factor.T


@cache
def phone_basis() -> Array:
    """Effective weights of the mean camera and, per standard deviation, of each component, shape (1 + K, 81, 3)."""
    rows = read_rows("phone_weights.csv")
    table = np.array([[float(v) for name, v in row.items() if name != "nm"] for row in rows])
    return table.reshape(len(table), -1, 3).transpose(1, 0, 2)


@cache
def unknown_phone() -> PhonePrior:
    """The prior of a phone and a light that nothing is known of."""
    rows = read_rows("phone_prior.csv")
    names = [row["name"] for row in rows]
    tone = np.array([[float(row[n]) for n in names] for row in rows])
    components = len(phone_basis()) - 1
    mean = np.r_[np.zeros(components), [float(row["mean"]) for row in rows]]
    factor = np.eye(components + TONE_TERMS)
    factor[components:, components:] = np.linalg.cholesky(tone)
    return PhonePrior(mean, factor)


@cache
def p3_weights() -> Array:
    """Weights (81, 3) from reflectance to linear Display P3 with water at 1, 1, 1: those of a phone without error."""
    rgb = integration_weights() @ np.linalg.inv(RGB_TO_XYZ["Display P3"]).T
    weights: Array = rgb / rgb.sum(axis=0)
    return weights


@cache
def basis_at_10_nm() -> Array:
    """`phone_basis` for spectra given every 10 nm, shape (1 + K, 41, 3)."""
    return weights_at_10_nm(phone_basis())


def phone_weights(terms: Array, basis: Array) -> Array:
    """Effective weights (D, W, 3) of phones with these terms (D, T), on the grid of a basis (1 + K, W, 3)."""
    weights: Array = basis[0] + np.tensordot(terms[:, :-TONE_TERMS], basis[1:], axes=1)
    return weights


def soft_log(rgb: Array) -> tuple[Array, Array]:
    """log of a smooth positive part, and its derivative; a channel at or below zero keeps a finite, weak value."""
    root = np.sqrt(rgb**2 + 1e-4)
    positive = 0.5 * (rgb + root)
    return np.log(positive), 0.5 * (1 + rgb / root) / positive


def read_log_light(lab: Array) -> Array:
    """Reading in log light, the soft log of linear Display P3, of CIELAB, shape (..., 3)."""
    return soft_log(lab_to_p3(lab))[0]


def log_light_slope(lab: Array) -> Array:
    """Change of log light per unit of Lab, shape (3, 3)."""
    return slope_at(read_log_light, lab, 0.02)


def bend_tones(seen: Array, terms: Array) -> tuple[Array, Array, Array]:
    """Reading y (D, N, 3) of linear values (D, N, 3), its slope dy/dseen (D, N, 3) and dy/dtone (D, N, 3, 4)."""
    log, slope = soft_log(seen)
    # what is brighter than water (a saturated red in its own channel) is compressed, with a smooth knee
    root = np.sqrt(log**2 + 4 * _KNEE**2)
    over, over_slope = 0.5 * (log + root) - _KNEE, 0.5 * (1 + log / root)
    contrast, roll = 1 + terms[:, None, -4:-1], terms[:, None, -1:]
    rolled = log - roll * over
    to_tone = np.zeros((*seen.shape, TONE_TERMS))
    for channel in range(3):
        to_tone[..., channel, channel] = rolled[..., channel]
    to_tone[..., TONE_TERMS - 1] = -contrast * over
    return contrast * rolled, contrast * (1 - roll * over_slope) * slope, to_tone
