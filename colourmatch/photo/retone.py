"""Readings of one photo under another tone curve than its own grey steps gave; it knows recorded numbers, no pixels.

The greys of one photo hardly tell the phone's curve from the printer's; what else is known of the phone may come later
(instrument/phone_calibration.py). What of a photo's tones is needed for that is recorded beside its colours: the terms that
were taken out, the paper's level at each glass, and the greys as the file decodes them. Putting the old curve in and
another one out gives the reading that the photo would have had.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from colourmatch.colour.spaces import decode_srgb, encode_srgb, lab_to_xyz
from colourmatch.measurement import ToneRecord
from colourmatch.photo.card import read_card
from colourmatch.photo.tone import (
    CURVE_GRID,
    JOINT_PRIOR,
    READ_SD,
    STEP_SD,
    KnownGreys,
    bend,
    curve_of,
    through,
)
from colourmatch.records import Array


def before_known(tone: ToneRecord, rgb: Array) -> Array:
    """Paper-relative values as they were before they were brought to known greys."""
    if not len(tone.known_map):
        return rgb
    knots, shifts = tone.known_map.T
    order = np.argsort(knots + shifts)
    logs = np.log(np.maximum(rgb, 1e-5))
    earlier: Array = np.exp(logs - np.interp(logs, (knots + shifts)[order], shifts[order]))
    return earlier


def record_known(known: KnownGreys | None) -> Array | None:
    """A card profile as `ToneRecord.known` holds it."""
    return None if known is None else np.column_stack([known.reflectance, known.log_sd])


class Readings:
    """Colours as photos gave them, ready to be read under other curves.

    tones, spots: the record and the spot ("reference", "batch") of each; lab (N, 3): as read, relative to water.
    """

    def __init__(self, tones: Sequence[ToneRecord], spots: Sequence[str], lab: Array) -> None:
        seen, self._veil = [], []
        for tone, spot, colour in zip(tones, spots, lab, strict=True):
            rgb, veil = np.linalg.inv(tone.to_xyz) @ lab_to_xyz(colour), tone.terms[3]
            here, there = tone.paper[spot], tone.paper["blank"]
            liquid, water = before_known(tone, rgb * tone.white), before_known(tone, tone.white)
            levels = np.stack(
                [
                    np.maximum(liquid * (1 - veil) + veil, 1e-4) * here, here, (water * (1 - veil) + veil) * there, there,
                ]
            )  # fmt: skip
            seen.append(encode_srgb(through(levels, tone.terms)))
            self._veil.append(veil)
        self._codes, self._to_xyz = np.array(seen), np.array([tone.to_xyz for tone in tones])
        self._known = GreySteps(tones) if any(tone.known is not None for tone in tones) else None

    def xyz(self, terms: Array) -> Array:
        """XYZ relative to water, shape (N, 3), with a curve of these terms (those of JOINT_PRIOR) taken out.

        What the curve leaves of known greys is taken out as well, as far as they are better known than that.
        """
        light = decode_srgb(np.interp(self._codes, curve_of(*terms[:-2]), CURVE_GRID))
        veil = np.array(self._veil)[:, None]
        liquid, water = light[:, 0] / light[:, 1] - veil, light[:, 2] / light[:, 3] - veil
        if self._known is not None:
            knots, rest = self._known.rest(terms)
            liquid, water = (
                level * np.exp(np.interp(np.log(np.maximum(level, 1e-5)), knots, rest)) for level in (liquid, water)
            )
        rgb = liquid / water
        seen: Array = np.einsum("nij,nj->ni", self._to_xyz, rgb)
        return seen


class GreySteps:
    """The grey steps of several photos of one card, against what a phone's curve and a printer's make of them.

    terms here are those of JOINT_PRIOR, the curve's before the printer's power and dot gain; of a card with a profile the
    last two are what is left open of it, as small as its standard deviations are: what a profile errs by bends all its
    steps alike.
    """

    def __init__(self, tones: Sequence[ToneRecord]) -> None:
        nominal = np.array([step.reflectance for step in read_card().greys])
        known = next((tone.known for tone in tones if tone.known is not None), None)
        self._left_open = 1.0 if known is None else _left_open(known)
        reflectance = nominal if known is None else known[:, 0]
        every = np.stack([tone.greys for tone in tones])
        photo, self._place = np.nonzero(np.isfinite(every).all(axis=2))
        value, self._paper = every[photo, self._place].T
        self._logs, self._codes = np.log(value), encode_srgb(self._paper)
        self._reflectance = reflectance[self._place]
        self._veil = np.array([tone.terms[3] for tone in tones])[photo]
        self._steps, self.count = reflectance, len(nominal)
        # what a printed step strays by is the same in every photo of the card, so that photos do not take it away
        self.sd = (
            np.hypot(STEP_SD[0], STEP_SD[1] / nominal) if known is None else np.hypot(0.5 * known[:, 1], self.read_sd())
        )

    def read_sd(self) -> Array:
        """What reading a step once strays by, natural log, shape (N,)."""
        return np.hypot(READ_SD[0], READ_SD[1] / self._steps)

    def missed(self, terms: Array) -> Array:
        """Mean log of predicted over seen of each step, shape (N,), NaN where no photo shows it."""
        *curve, power, gain = terms
        power, gain = 1 + self._left_open * (power - 1), self._left_open * gain
        exposure = decode_srgb(np.interp(self._codes, curve_of(*curve), CURVE_GRID))
        printed = self._reflectance**power
        printed = printed + gain * printed * (1 - printed)
        lit = bend(encode_srgb(exposure * (printed * (1 - self._veil) + self._veil)), *curve)
        logs = np.log(decode_srgb(lit) / self._paper) - self._logs
        number = np.bincount(self._place, minlength=self.count)
        total = np.bincount(self._place, logs, minlength=self.count)
        return np.where(number > 0, total / np.maximum(number, 1), np.nan)

    def rest(self, terms: Array) -> tuple[Array, Array]:
        """What readings (log of relative light, at knots (K,)) must be raised by (log, (K,)) to agree with known greys.

        The steps' misses, two of each level joined, each times the part of its square that its own spread does not
        explain (Wiener); none at white.
        """
        missed, levels = self.missed(terms), np.log(self._steps)
        order = np.argsort(levels[: self.count // 2])
        twins = np.stack([levels, missed, self.sd]).reshape(3, 2, -1)[:, :, order]
        weight = np.isfinite(twins[1])
        number = np.maximum(weight.sum(axis=0), 1)
        mean = np.where(weight, twins[1], 0).sum(axis=0) / number
        spread = twins[2].mean(axis=0) ** 2 / number
        shrunk = mean * mean**2 / (mean**2 + spread)
        return np.append(twins[0].mean(axis=0), 0.0), np.append(shrunk, 0.0)


def _left_open(known: Array) -> float:
    """The part of a printer's usual power that a card's profile leaves open, at most all of it."""
    power_sd = float(JOINT_PRIOR[3, 1])
    return min(1.0, float(np.mean(known[:, 1])) / (power_sd * float(np.mean(np.abs(np.log(known[:, 0]))))))
