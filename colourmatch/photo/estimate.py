"""From what was read over white and over the colour fields to two colours: an estimator that knows its world.

Three numbers over white paper do not tell two spectra apart; each field is one more filter, and only ratios to water
over the same field are used. What is told is the expectation over worlds that could have made the numbers (phones,
lamps, inks, drinks: tests/bench/worlds.py): a matrix chosen by the mean colour, the look of the fields, the noise and
the way in which both differ, times the difference that was seen (photo/estimator.py). Equal readings give exactly no
difference, and exchanged glasses the same with the other sign.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import compare_lab
from colourmatch.errors import PhotoError
from colourmatch.measurement import Metamerism
from colourmatch.photo.estimator import (
    CHANNEL_SD,
    FIELD_SD,
    FLOOR,
    GLASS_SD,
    HAZE_SD,
    LEAST_NOISE,
    MOST_NOISE,
    TOE,
    WHITE_SD,
    Branch,
    Seen,
    branch,
    features_of,
    hue_axes,
    root,
    root_slope,
)
from colourmatch.photo.quality import flag
from colourmatch.records import Array, rounded


@dataclass(frozen=True, eq=False)
class GlassReading:
    """One glass: values (C, 3), linear Display P3 relative to paper, white first, then the fields where they are read.

    own (3, 3): covariance of the white's value by itself; field_sd (C - 1, 3): of each field; seen (C - 1,): fields that
    lie under the glass. part_sd, white_sd: what is common to the glass, part of the values and part of white, and
    scene_part_sd, scene_white_sd what of it further photos of the same vessels repeat. spot: where it stands.
    """

    values: Array
    own: Array
    field_sd: Array
    seen: NDArray[np.bool_]
    part_sd: float
    white_sd: float
    scene_part_sd: float
    scene_white_sd: float
    spot: str = ""

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
#: What covers a white window changes it by more than this part of the blank's light in some channel, or all alike.
_COVERED = 0.1
#: Root mean square of the components (1 on average) from which on a reading counts as outside the worlds.
_FAR = 1.8
#: Of what the table expects to be off, at least this part is no noise of the reading.
_LEAST_PHONE = 0.3


def estimate_pair(reference: GlassReading, batch: GlassReading, blank: GlassReading | None, *, srgb: bool) -> Estimate:
    """The two colours of one photo; blank: None where no water stands there. A liquid alone is given as both."""
    glasses = [reference, batch] + ([blank] if blank else [])
    seen = np.logical_and.reduce([glass.seen for glass in glasses])
    white = [glass.white_alone() for glass in glasses]
    if blank is None:
        white.append(replace(white[0], values=np.ones((1, 3))))
    over_white = _estimate(white, branch("white"), (blank is not None, srgb))
    if blank is not None:
        seen = _drop_odd(glasses, seen)
    if blank is None or seen.sum() < FEWEST_FIELDS:
        return over_white
    filled = _fill_in(glasses, seen)
    through_fields = _estimate(filled, branch("fields"), (True, srgb))
    if through_fields.unsure < over_white.unsure:
        return through_fields
    # fields read too noisily to tell the difference still say best where both colours lie
    middle = through_fields.lab.mean(axis=0) - over_white.lab.mean(axis=0)
    return replace(
        through_fields, lab=over_white.lab + middle, covariance=over_white.covariance,
        own=over_white.own, scene=over_white.scene, phone=over_white.phone,
    )  # fmt: skip


def estimate_bare(reference: Array, batch: Array, *, srgb: bool) -> Estimate:
    """Two colours over which no glass stands, of linear Display P3 relative to white, (3,) each, as read without noise.

    Each is estimated by itself, since they may lie far apart; what phone and lamp leave of their difference, together. What is
    unsure of the values is left to the caller.
    """
    nothing = np.zeros((3, 3)), np.empty((0, 3)), np.zeros(0, bool), 0, 0, 0, 0
    one, other, white = (GlassReading(v[None], *nothing) for v in (reference, batch, np.ones(3)))
    both, *alone = (_estimate([*two, white], branch("bare"), (True, srgb))
                    for two in ((one, other), (one, one), (other, other)))  # fmt: skip
    lab, absolute = (np.stack([getattr(each, name)[0] for each in alone]) for name in ("lab", "absolute"))
    return replace(both, lab=lab, absolute=absolute)


def _estimate(glasses: list[GlassReading], table: Branch, kind: tuple[bool, bool]) -> Estimate:
    water, srgb = kind
    reference, batch, blank = (glass.values[None] for glass in glasses)
    fields = glasses[0].values.shape[0] > 1
    white = glasses[2].values[0]
    turns = [(root_slope(glass.values / white) / white).ravel() for glass in glasses[:2]]
    own = [glass.covariance() for glass in glasses[:2]]
    usual = [_hard_noise(glass.values) for glass in glasses[:2]]
    level = _noise_level(glasses[:2], usual)
    usual = [level**2 * noise for noise in usual]
    seen = Seen(reference, batch, blank, *(np.array([what]) for what in (water, srgb, level)))
    beyond = [turn[:, None] * (noise - known) * turn for turn, (noise, _), known in zip(turns, own, usual, strict=True)]
    d, features = features_of(seen)
    kept, lost = table.trust(d[0], _where_positive(beyond[0] + beyond[1]))
    at = table.look(d @ kept.T, features)
    middle, gap = table.middle(at), table.gap(at)
    chosen = table.slopes(at)[0]
    unseen = chosen @ lost @ chosen.T
    chosen = chosen @ kept
    lab = np.stack([middle[0] - gap[0] / 2, middle[0] + gap[0] / 2])
    noises, scenes, typical = [], [], []
    for root_turn, parts, known in zip(turns, own, usual, strict=True):
        turn = chosen * root_turn
        noise, scene, in_worlds = (turn @ part @ turn.T for part in (*parts, known))
        noises.append(noise + unseen / 2)
        scenes.append(scene)
        typical.append(in_worlds)
    axes = hue_axes(middle)[0]
    variance = table.error_sd(at, gap)[0] ** 2
    known = np.diag(axes @ (typical[0] + typical[1]) @ axes.T)
    left = np.maximum(variance - known, _LEAST_PHONE * variance)
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
    metamerism = Metamerism(
        *apart.rounded(2).ends, illuminant="A",
        change=rounded(warm, 2), change_covariance=rounded(unsure, 4),
    )  # fmt: skip
    return replace(told, metamerism=metamerism)


def _noise_level(glasses: list[GlassReading], hard: list[Array]) -> float:
    """How noisy two glasses are read, as a factor of a hard photo's; light that is known badly is another matter."""
    alike = [replace(glass, part_sd=min(glass.part_sd, GLASS_SD)).covariance()[0] for glass in glasses]
    parts = [np.diag(noise) / np.diag(most) for noise, most in zip(alike, hard, strict=True)]
    return float(np.clip(np.sqrt(np.median(parts)), LEAST_NOISE, MOST_NOISE))


def _where_positive(covariance: Array) -> Array:
    """A symmetric matrix along the axes on which it is positive: noise beyond what a table knows of."""
    values, axes = np.linalg.eigh(covariance)
    return np.asarray((axes * np.maximum(values, 0.0)) @ axes.T)


def _hard_noise(values: Array) -> Array:
    """Covariance (3 C, 3 C) of a hard photo's noise, which the tables are fitted with parts of."""
    flat = values.ravel()
    own = np.full(values.shape, CHANNEL_SD)
    own[0] = WHITE_SD
    floor = np.full(values.shape, FLOOR)
    floor[0] *= 0.3
    cov = GLASS_SD**2 * np.outer(flat, flat) + HAZE_SD**2 + np.diag((own * values).ravel() ** 2 + floor.ravel() ** 2)
    for k in range(1, len(values)):
        at = slice(3 * k, 3 * k + 3)
        cov[at, at] += FIELD_SD**2 * np.outer(values[k], values[k])
    return cov


def _drop_odd(glasses: list[GlassReading], seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The fields that fit the rest of what was read: one that a reflection or a hand covers fits no world.

    Values of a field, or of the white window, given all others are normal with the precision's own block (Rasmussen,
    Williams 2006, A.2). PhotoError where it is the white that something covers. One that departs from what fits by less
    than _COVERED, and not in all channels alike, is that of a phone unlike the others, and is kept.
    """
    table = branch("fields")
    white = glasses[2].values[0]
    water = root(glasses[2].values[1:] / white).ravel()
    seen = seen.copy()
    while seen.sum() >= FEWEST_FIELDS:
        missing = np.repeat(~seen, 3)
        here = ~np.r_[np.zeros(3, bool), missing, missing]
        precision = np.linalg.inv(table.likeness[np.ix_(here, here)] + _ODD_SD**2 * np.eye(here.sum()))
        worst, odd, spot = 0.0, 0, ""
        for glass in glasses[:2]:
            own = np.r_[root(glass.values / white).ravel(), water]
            pull = precision @ (own - table.likeness_mean)[here]
            # the white, then each field over the liquid and over the water
            of = np.r_[0, np.tile(1 + np.flatnonzero(seen), 2)]
            for which, own_pull, start in zip(of, pull.reshape(-1, 3), range(0, pull.size, 3), strict=True):
                block = precision[start : start + 3, start : start + 3]
                beyond = np.linalg.solve(block, own_pull)
                strain = float(own_pull @ beyond)
                if which == 0 and abs(np.sign(beyond).sum()) < 3:
                    departed = own[:3] ** 3 - (own[:3] - beyond) ** 3
                    strain = strain if np.abs(departed).max() > _COVERED else 0.0
                if strain > worst:
                    worst, odd, spot = strain, int(which), glass.spot
        if worst < _ODD:
            break
        if odd == 0:
            raise PhotoError(flag("glare-over-window", spot=spot).text, "glare-over-window", spot=spot)
        seen[odd - 1] = False
    return seen


def _fill_in(glasses: list[GlassReading], seen: NDArray[np.bool_]) -> list[GlassReading]:
    """Glasses whose fields that one of them does not show are filled in from the rest, as worlds have them on average."""
    if seen.all():
        return glasses
    table = branch("fields")
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
        values = (own[: glass.values.size].reshape(-1, 3) ** 3 - TOE) * white
        out.append(replace(glass, values=np.where(np.r_[True, seen][:, None], glass.values, values)))
        blanks.append((own[glass.values.size :].reshape(-1, 3) ** 3 - TOE) * white)
    filled = np.where(seen[:, None], blank.values[1:], np.mean(blanks, axis=0))
    return [*out, replace(blank, values=np.concatenate([blank.values[:1], filled]))]
