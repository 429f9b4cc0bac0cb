"""From what was read over white and over the colour fields to two colours: an estimator that knows its world.

Three numbers over white paper do not tell two spectra apart; each field is one more filter, and only ratios to water
over the same field are used. What is told is the expectation over worlds that could have made the numbers (phones,
lamps, inks, drinks: tests/bench/worlds.py), as a bilinear ridge regression: a matrix chosen by the mean colour and by
the look of the fields, times the difference that was seen. Equal readings give exactly no difference, and exchanged
glasses the same with the other sign. The tables (calibration/estimator.npz) are fitted by tests/bench/derive_estimator.py.
Source: ridge regression, Hoerl, Kennard 1970, Technometrics 12, 55; the cube root as in CIELAB (CIE 015:2018).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import compare_lab
from colourmatch.facts import find_fact
from colourmatch.measurement import Metamerism
from colourmatch.records import rounded

Array = NDArray[np.float64]

#: Keeps the cube root's slope finite at nothing.
_TOE = 0.004
#: Products of components are kept within this, so that what lies far from all worlds is not carried on.
_CLIP, _PRODUCT = 6.0, 1.4
#: Noise of readings that the tables are fitted with, as it is on drawn photos: parts of the value of a glass (the light
#: over it), of a field, of a channel over a field and over white; parts of white: each liquid's own scatter, a floor.
GLASS_SD, FIELD_SD, CHANNEL_SD, WHITE_SD, HAZE_SD, FLOOR = 0.005, 0.008, 0.006, 0.0015, 0.0015, 0.0015


def root(values: Array) -> Array:
    """The cube root that readings are compared in, any shape."""
    return np.asarray(np.cbrt(np.maximum(values, 0.0) + _TOE))


def root_slope(values: Array) -> Array:
    """Its derivative."""
    return np.asarray((np.maximum(values, 0.0) + _TOE) ** (-2 / 3) / 3)


@dataclass(frozen=True, eq=False)
class Seen:
    """Readings of N photos, linear Display P3 relative to paper: (N, C, 3) of reference, batch and blank.

    C is 7 with the fields (white first, then the fields in the order of the card) and 1 without. water, srgb (N,):
    whether a glass of water stands on the blank spot, and whether the file was sRGB.
    """

    reference: Array
    batch: Array
    blank: Array
    water: NDArray[np.bool_]
    srgb: NDArray[np.bool_]

    def white_alone(self) -> Seen:
        """The same without the fields."""
        return Seen(self.reference[:, :1], self.batch[:, :1], self.blank[:, :1], self.water, self.srgb)


@dataclass(frozen=True, eq=False)
class Look:
    """Readings as a table takes them: their difference d (N, D), scaled features x (N, F) and terms z (N, Z)."""

    d: Array
    x: Array
    z: Array


def features_of(seen: Seen) -> tuple[Array, Array]:
    """The difference of the readings (N, D) and what the matrix is chosen by (N, F): mean, blank, kind of file."""
    white = seen.blank[:, :1]
    count = len(white)
    a, b = (root(part / white).reshape(count, -1) for part in (seen.reference, seen.batch))
    context = [
        3 * root(white).reshape(count, -1),
        root(seen.blank[:, 1:] / white).reshape(count, -1),
        0.3 * seen.srgb[:, None],
        0.3 * seen.water[:, None],
    ]
    return b - a, np.concatenate([(a + b) / 2, *context], axis=1)


@dataclass(frozen=True, eq=False)
class Branch:
    """One table: with the fields, or over white alone. Shapes: F features, K components, Z terms, D readings.

    centre, scale (F,); axes (F, K) and spread (K,): principal components; matrix (3, Z, D): Lab of a difference; mean
    (3, Z): Lab of the middle; warm (3, Z, D): what the difference changes by from daylight to illuminant A, warm_sd (2, 3)
    its standard deviation along lightness, chroma and hue of the middle, at none and per its length; error (3, E) and
    scatter (3, Z): logarithm of the standard deviation of the difference and of the middle, likewise. likeness_mean (L,), likeness (L, L): mean and covariance of one
    liquid's roots and the blank's together, from which a field that was not seen is filled in.
    """

    centre: Array
    scale: Array
    axes: Array
    spread: Array
    matrix: Array
    mean: Array
    warm: Array
    warm_sd: Array
    error: Array
    scatter: Array
    likeness_mean: Array
    likeness: Array

    def look(self, seen: Seen) -> Look:
        """Readings with the terms z that choose the matrix: 1, the scaled features, products of their components."""
        d, features = features_of(seen)
        x = (features - self.centre) / self.scale
        p = np.clip(self._components(x), -_CLIP, _CLIP)
        i, j = np.triu_indices(p.shape[1])
        q = np.clip(p[:, i] * p[:, j], -_CLIP, _CLIP) / _PRODUCT
        return Look(d, x, np.concatenate([np.ones((len(x), 1)), x, q], axis=1))

    def middle(self, at: Look) -> Array:
        """Lab of the middle of both liquids, (N, 3)."""
        return at.z @ self.mean.T

    def gap(self, at: Look) -> Array:
        """Lab of the batch less the reference, (N, 3)."""
        return np.einsum("nz,czd,nd->nc", at.z, self.matrix, at.d)

    def part_in_warm_light(self, at: Look) -> Array:
        """Lab of the difference under CIE illuminant A less that in daylight, (N, 3)."""
        return np.einsum("nz,czd,nd->nc", at.z, self.warm, at.d)

    def slopes(self, at: Look) -> Array:
        """Change of the Lab difference per unit of each reading's root, (N, 3, D): the matrix that was chosen."""
        return np.einsum("nz,czd->ncd", at.z, self.matrix)

    def error_sd(self, at: Look, gap: Array) -> Array:
        """Standard deviation (N, 3) along lightness, chroma and hue of an estimated difference, (N, 3)."""
        return np.asarray(np.exp(error_terms(at, gap) @ self.error.T))

    def scatter_sd(self, at: Look) -> Array:
        """The same of an estimated middle."""
        return np.asarray(np.exp(at.z @ self.scatter.T))

    def far(self, at: Look) -> Array:
        """How far (N,) the features lie from those of all worlds: root mean square of the components, 1 on average."""
        return np.asarray(np.sqrt((self._components(at.x) ** 2).mean(axis=1)))

    def _components(self, x: Array) -> Array:
        return x @ self.axes / self.spread


def error_terms(at: Look, gap: Array) -> Array:
    """What the error of an estimated difference (N, 3) is told from, (N, E)."""
    level = np.log(np.linalg.norm(gap, axis=1) + 0.15)[:, None]
    return np.concatenate([at.z, level, level**2, 0.3 * at.x * level], axis=1)


@cache
def branch(fields: bool) -> Branch:
    """The table for readings with the fields or over white alone."""
    with np.load(find_fact("estimator.npz")) as table:
        start = "fields" if fields else "white"
        return Branch(
            **{name: table[f"{start}_{name}"].astype(float) for name in Branch.__dataclass_fields__}
        )


def hue_axes(lab: Array) -> Array:
    """Unit vectors in Lab along lightness, chroma and hue at colours (N, 3): (N, 3 axes, 3)."""
    turn = np.arctan2(lab[:, 2], lab[:, 1])
    zero, one = np.zeros_like(turn), np.ones_like(turn)
    rows = [[one, zero, zero], [zero, np.cos(turn), np.sin(turn)], [zero, -np.sin(turn), np.cos(turn)]]
    return np.array(rows).transpose(2, 0, 1)


@dataclass(frozen=True, eq=False)
class GlassReading:
    """One glass: values (C, 3), linear Display P3 relative to paper, white first, then the fields where they are read.

    own (3, 3): covariance of the white's value by itself; field_sd (C - 1, 3): of each field; seen (C - 1,): fields that
    lie under the glass. part_sd, white_sd: what is common to the glass, part of the values and part of white, and
    scene_part_sd, scene_white_sd what of it further photos of the same vessels repeat.
    """

    values: Array
    own: Array
    field_sd: Array
    seen: NDArray[np.bool_]
    part_sd: float
    white_sd: float
    scene_part_sd: float
    scene_white_sd: float

    def covariance(self) -> tuple[Array, Array]:
        """Covariance (3 C, 3 C) of the values in all, and the scene's part of it."""
        flat = self.values.ravel()
        own = np.zeros((flat.size, flat.size))
        own[:3, :3] = self.own
        own[3:, 3:] = np.diag(self.field_sd.ravel() ** 2)
        rest, scene = (
            np.outer(flat, flat) * part**2 + white**2
            for part, white in (
                (self.part_sd, self.white_sd),
                (self.scene_part_sd, self.scene_white_sd),
            )
        )
        return own + rest, scene

    def white_alone(self) -> GlassReading:
        """The same without the fields."""
        return replace(self, values=self.values[:1], field_sd=self.field_sd[:0], seen=self.seen[:0])


@dataclass(frozen=True, eq=False)
class Estimate:
    """Lab of reference and batch (2, 3), their covariance from noise alone (2, 3, 3), and that of the absolute Lab.

    own, scene, phone (3, 3): what is unsure of the difference: this photo's alone, the vessels', and what phone, lamp
    and unknown spectra leave. fields: whether the colour fields took part.
    """

    lab: Array
    covariance: Array
    absolute: Array
    own: Array
    scene: Array
    phone: Array
    fields: bool
    metamerism: Metamerism | None = None

    @property
    def unsure(self) -> float:
        """Variance of the difference in all."""
        return float(np.trace(self.own + self.scene + self.phone))


#: Fields that must be seen in all three glasses for fields to count.
FEWEST_FIELDS = 3
#: Noise that is allowed for (root units) and the squared strain of a field's three channels that is called odd.
_ODD_SD, _ODD = 0.006, 60.0
#: Root mean square of the components (1 on average) from which on a reading counts as outside the worlds.
_FAR = 1.8
#: Of what the table expects to be off, at least this part is no noise of the reading.
_LEAST_PHONE = 0.3


def estimate_pair(
    reference: GlassReading, batch: GlassReading, blank: GlassReading | None, *, srgb: bool
) -> Estimate:
    """The two colours of one photo; blank: None where no water stands there. A liquid alone is given as both."""
    glasses = [reference, batch] + ([blank] if blank else [])
    seen = np.logical_and.reduce([glass.seen for glass in glasses])
    white = [glass.white_alone() for glass in glasses]
    if blank is None:
        white.append(replace(white[0], values=np.ones((1, 3))))
    over_white = _estimate(white, branch(False), (blank is not None, srgb))
    if blank is not None:
        seen = _drop_odd(glasses, seen)
    if blank is None or seen.sum() < FEWEST_FIELDS:
        return over_white
    filled = _fill_in(glasses, seen)
    through_fields = _estimate(filled, branch(True), (True, srgb))
    if through_fields.unsure < over_white.unsure:
        return through_fields
    # fields read too noisily to tell the difference still say best where both colours lie
    middle = through_fields.lab.mean(axis=0) - over_white.lab.mean(axis=0)
    return replace(
        through_fields, lab=over_white.lab + middle, covariance=over_white.covariance,
        own=over_white.own, scene=over_white.scene, phone=over_white.phone,
    )  # fmt: skip


def _estimate(glasses: list[GlassReading], table: Branch, kind: tuple[bool, bool]) -> Estimate:
    water, srgb = kind
    reference, batch, blank = (glass.values[None] for glass in glasses)
    seen = Seen(reference, batch, blank, np.array([water]), np.array([srgb]))
    fields = glasses[0].values.shape[0] > 1
    at = table.look(seen)
    middle, gap = table.middle(at), table.gap(at)
    chosen = table.slopes(at)[0]
    lab = np.stack([middle[0] - gap[0] / 2, middle[0] + gap[0] / 2])
    white = glasses[2].values[0]
    noises, scenes, typical = [], [], []
    for glass in glasses[:2]:
        turn = chosen * (root_slope(glass.values / white) / white).ravel()
        noise, scene = (turn @ part @ turn.T for part in glass.covariance())
        noises.append(noise)
        scenes.append(scene)
        typical.append(turn @ _usual_noise(glass.values) @ turn.T)
    axes = hue_axes(middle)[0]
    variance = table.error_sd(at, gap)[0] ** 2
    usual = np.diag(axes @ (typical[0] + typical[1]) @ axes.T)
    left = np.maximum(variance - usual, _LEAST_PHONE * variance)
    scatter = table.scatter_sd(at)[0] ** 2
    # what lies outside all worlds is told by a rule that was never tried there
    outside = max(table.far(at)[0] / _FAR, 1.0) ** 4
    left, scatter = left * outside, scatter * outside
    phone = axes.T @ np.diag(left) @ axes
    absolute = axes.T @ np.diag(scatter + left / 4) @ axes
    scene = scenes[0] + scenes[1]
    told = Estimate(
        lab, np.array(noises), np.array([absolute + noise for noise in noises]),
        noises[0] + noises[1] - scene, scene, phone, fields,
    )  # fmt: skip
    if not fields:
        return told
    warm = table.part_in_warm_light(at)[0]
    sd = outside * (table.warm_sd[0] + table.warm_sd[1] * float(np.linalg.norm(warm)))
    unsure = axes.T @ np.diag(sd**2) @ axes
    apart = compare_lab(middle[0] - warm / 2, middle[0] + warm / 2, np.zeros((3, 3)), unsure).delta_e_2000
    value, low, high = (round(end, 2) for end in (apart.value, apart.low, apart.high))
    metamerism = Metamerism(
        value=value, low=low, high=high, illuminant="A",
        change=rounded(warm, 2), change_covariance=rounded(unsure, 4),
    )  # fmt: skip
    return replace(told, metamerism=metamerism)


def _usual_noise(values: Array) -> Array:
    """Covariance (3 C, 3 C) of the noise that the tables were fitted with."""
    flat = values.ravel()
    own = np.full(values.shape, CHANNEL_SD)
    own[0] = WHITE_SD
    floor = np.full(values.shape, FLOOR)
    floor[0] *= 0.3
    cov = (
        GLASS_SD**2 * np.outer(flat, flat)
        + HAZE_SD**2
        + np.diag((own * values).ravel() ** 2 + floor.ravel() ** 2)
    )
    for k in range(1, len(values)):
        at = slice(3 * k, 3 * k + 3)
        cov[at, at] += FIELD_SD**2 * np.outer(values[k], values[k])
    return cov


def _drop_odd(glasses: list[GlassReading], seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The fields that fit the rest of what was read: one that a reflection or a hand covers fits no world.

    A field's values given all others are normal with the precision's own block (Rasmussen, Williams 2006, A.2).
    """
    table = branch(True)
    white = glasses[2].values[0]
    water = root(glasses[2].values[1:] / white).ravel()
    seen = seen.copy()
    while seen.sum() >= FEWEST_FIELDS:
        missing = np.repeat(~seen, 3)
        here = ~np.r_[np.zeros(3, bool), missing, missing]
        precision = np.linalg.inv(table.likeness[np.ix_(here, here)] + _ODD_SD**2 * np.eye(here.sum()))
        worst, odd = 0.0, -1
        for glass in glasses[:2]:
            own = np.r_[root(glass.values / white).ravel(), water]
            pull = precision @ (own - table.likeness_mean)[here]
            for k, field in enumerate(np.flatnonzero(seen)):
                for start in (3 + 3 * k, 3 + 3 * int(seen.sum()) + 3 * k):
                    at = slice(start, start + 3)
                    strain = float(pull[at] @ np.linalg.solve(precision[at, at], pull[at]))
                    worst, odd = max((worst, odd), (strain, int(field)))
        if worst < _ODD:
            break
        seen[odd] = False
    return seen


def _fill_in(glasses: list[GlassReading], seen: NDArray[np.bool_]) -> list[GlassReading]:
    """Glasses whose fields that one of them does not show are filled in from the rest, as worlds have them on average."""
    if seen.all():
        return glasses
    table = branch(True)
    reference, batch, blank = glasses
    white = blank.values[0]
    missing = np.repeat(~seen, 3)
    gone = np.r_[np.zeros(3, bool), missing, missing]
    known = table.likeness[np.ix_(~gone, ~gone)] + 1e-5 * np.eye((~gone).sum())
    map_ = np.linalg.solve(known, table.likeness[np.ix_(~gone, gone)]).T
    water = root(blank.values[1:] / white).ravel()
    out, blanks = [], []
    for glass in (reference, batch):
        own = np.r_[root(glass.values / white).ravel(), water]
        own[gone] = table.likeness_mean[gone] + map_ @ (own - table.likeness_mean)[~gone]
        values = (own[: glass.values.size].reshape(-1, 3) ** 3 - _TOE) * white
        out.append(replace(glass, values=np.where(np.r_[True, seen][:, None], glass.values, values)))
        blanks.append((own[glass.values.size :].reshape(-1, 3) ** 3 - _TOE) * white)
    filled = np.where(seen[:, None], blank.values[1:], np.mean(blanks, axis=0))
    return [*out, replace(blank, values=np.concatenate([blank.values[:1], filled]))]
