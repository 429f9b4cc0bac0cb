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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.liquid.lot_model import LN10, LotModel, StockPrior, eye_weights, lab_in_view, short_wave_tail
from colourmatch.liquid.mishaps import LABEL_LOG_SD, Hands, Mishap, stack
from colourmatch.liquid.model import View
from colourmatch.liquid.observations import Observed, Shot, prepare
from colourmatch.liquid.phone import (
    PhonePrior,
    basis_at_10_nm,
    bend_tones,
    phone_weights,
    unknown_phone,
)
from colourmatch.liquid.sampling import Places, Residuals, descend, share_out, stratified_normal
from colourmatch.records import Array

#: Draws of the posterior; 2.5 % quantiles of 160 draws are good to about a tenth of the interval.
DRAWS = 160
#: A strength, shape or phone this many prior standard deviations away means that the photos contradict each other.
_MOST_STRAIN = 4.5

#: So many times as unsure is a photo of other liquids than the lot's: it tells next to nothing.
_BLIND = 100.0
#: Steps to the most probable fit of each recipe, and from there to a draw of it, of which most stand still by then.
_STEPS_TO_MODE, _STEPS_TO_DRAW = 60, 12
#: After so many steps a kind whose log evidence is so much below the best is not followed further.
_STEPS_TO_GLANCE, _FAR_BEHIND = 10, 20.0
#: No liquid looks darker or brighter (natural log of reflectance): a step may try a thousand times a dose, or take away more
#: than there is.
_LOOKS = -100.0, 5.0


@dataclass(frozen=True)
class LotFit:
    """The fit: draws of all parameters (D, P), first the most probable; misfit is the rms of whitened residuals.

    log_evidence: log probability of the photos, all recipes together, but for a constant of the photos themselves.
    hands: what may have gone wrong by hand, chances (K,) of each after the photos, kind: which of them each draw holds.
    """

    layout: LotModel
    draws: Array
    misfit: float
    success: bool
    message: str
    photos: int
    log_evidence: float
    hands: Hands
    chances: Array
    kind: Places

    @property
    def stocks(self) -> tuple[StockPrior, ...]:
        """What was known of each stock before the photos."""
        return self.layout.stocks

    @property
    def strength_factors(self) -> Array:
        """Real over label strength (drop size included) of each stock, shape (D, S)."""
        return np.exp(self.draws[:, self.layout.factor])

    @property
    def shifts_nm(self) -> Array:
        """How far the band of each stock lies from where its colourant has it, nm, shape (D, S)."""
        return self.draws[:, self.layout.shift]

    def take(self, draws: slice) -> LotFit:
        """The same fit with some of its draws."""
        return replace(self, draws=self.draws[draws], kind=self.kind[draws])

    def reference_lab(self, view: View) -> Array:
        """True Lab of the reference in a view, shape (D, 3)."""
        return lab_in_view(self.layout.reference_absorbance(self.draws), self.layout, view)

    def batch_lab(self, mg_per_l: Array, thinning: Array, view: View, left: Array | None = None) -> Array:
        """True Lab of the batch in a view at label concentrations (C, S) and thinning (C,), shape (D, C, 3).

        left (C,): volume of the batch now over its volume then; what went in but was not noted is thinned so much.
        """
        mg_per_l = np.asarray(mg_per_l, float)
        kept = np.ones(len(mg_per_l)) if left is None else left
        return lab_in_view(self.absorbance(mg_per_l, np.asarray(thinning, float), kept), self.layout, view)

    def absorbance(self, mg_per_l: Array, thinning: Array, left: Array) -> Array:
        """Single-pass absorbance of the batch in the view of the fit, (D, C, 41); see batch_lab."""
        held = _held(self.layout, self.draws, self.hands, self.kind)
        count = mg_per_l.shape[1]
        more = left[:, None] * held.mg_per_l[:, -1:, :count]
        out = self.layout.batch_absorbance(self.draws, mg_per_l + more, thinning)
        other: Array = out + (left * held.other[:, -1:])[:, :, None] * self.hands.spectra[self.kind][:, None]
        return other

    def unnoted_mg_per_l(self) -> Array:
        """What is in the batch now and was not noted, mg/l of each stock by its label, less what was noted and is not, (D, S)."""
        now: Array = _held(self.layout, self.draws, self.hands, self.kind).mg_per_l[:, -1]
        return now

    def other_mg_per_l(self) -> Array:
        """What is in the batch now from a bottle that was not noted, mg/l by its label, (D,)."""
        now: Array = _held(self.layout, self.draws, self.hands, self.kind).other[:, -1]
        return now


@dataclass(frozen=True)
class _Held:
    """What the batch holds beside what was noted, at each shot and now: mg/l (D, N + 1, S), of another bottle (D, N + 1).

    change: the part of it that grows with the unknown part.
    """

    mg_per_l: Array
    other: Array
    change: Array


def _held(layout: LotModel, draws: Array, hands: Hands, kind: Places) -> _Held:
    part = hands.part_of(kind, draws[:, layout.part].sum(axis=1))  # without an unknown part nobody has one
    change = part[:, None, None] * hands.more[kind]
    return _Held(change - hands.less[kind], part[:, None] * hands.other[kind], change)


@dataclass(frozen=True)
class _Predicted:
    """What photos should show: y of batch and reference (D, N, 3), true Lab of batch less reference (D, N, 3 or 6).

    Each with its Jacobian (D, N, 3 or 6, P); the last without values where no photo has a gap, 6 wide with its change from
    daylight to illuminant A.
    """

    batch: tuple[Array, Array]
    reference: tuple[Array, Array]
    gap: tuple[Array, Array]


def _predict(layout: LotModel, draws: Array, data: Observed, hands: Hands, kind: Places) -> _Predicted:
    """What each shot should show."""
    count, shots, size = len(draws), len(data.thinning), layout.size
    held = _held(layout, draws, hands, kind)
    mg_per_l = data.mg_per_l + held.mg_per_l[:, :-1]
    of_other = held.other[:, :-1, None] * hands.spectra[kind][:, None]
    shapes = [layout.shapes(draws, apart) if layout.stocks else np.empty(0) for apart in (0.0, 1.0)]
    spectra = layout.dye_spectra(draws, shapes[0]) if layout.stocks else None
    grows = of_other if spectra is None else held.change[:, :-1] @ spectra + of_other
    depth = -2 * LN10 * (data.path * hands.deeper[kind])[..., None]
    held_absorbance = layout.batch_absorbance(draws, mg_per_l, data.thinning, spectra) + of_other
    reflect = np.exp(np.clip(depth * held_absorbance, *_LOOKS))
    deep, group = _group_shots(data.reference_path * hands.reference_deeper[kind])
    ref_depth = -2 * LN10 * deep[..., None]
    ref = np.exp(np.clip(ref_depth * layout.reference_absorbance(draws, shapes[1])[:, None], *_LOOKS))
    sides = [(np.empty((count, shots, 3)), np.zeros((count, shots, 3, size))) for _ in range(2)]
    most = max(data.gap_size)
    gap = np.zeros((count, shots, most)), np.zeros((count, shots, most, size))
    eyes = [eye_weights(light) for light in ("D65", "A")[: most // 3]]
    for camera in range(len(layout.phones)):
        here = np.flatnonzero(data.camera == camera)
        terms, place = layout.phone_terms(draws, camera), layout.phone_slice(camera)
        phone = phone_weights(terms, basis_at_10_nm())
        # the phone's channels and the observer's
        weights = np.concatenate([phone, *(np.broadcast_to(eye, (count, *eye.shape)) for eye in eyes)], axis=2)
        for light, per_unit, spread, out, sign, fill, dyes in (
            (reflect[:, here], depth[:, here], slice(None), sides[0], 1.0, _batch_slopes, shapes[0]),
            (ref, ref_depth, group[here], sides[1], -1.0, _reference_slopes, shapes[1]),
        ):
            every = light @ weights
            # change of a channel per unit of absorbance at each wavelength, (D, N, 3 to 9, 41)
            per_absorbance = (per_unit * light)[:, :, None, :] * weights.transpose(0, 2, 1)[:, None]
            slopes = np.zeros((*every.shape, size))
            doses = mg_per_l[:, here], data.thinning[here], grows[:, here]
            fill(layout, draws, doses, per_absorbance, slopes, dyes)
            seen, grad = every[..., :3], slopes[..., :3, :]
            read, slope, to_tone = bend_tones(seen, terms)
            to_terms = np.concatenate(
                [
                    np.tensordot(light, basis_at_10_nm()[1:], axes=(2, 1)).transpose(0, 1, 3, 2) * slope[..., None],
                    to_tone,
                ],
                axis=-1,
            )
            grad *= slope[..., None]
            grad[..., place] = to_terms @ layout.phones[camera].factor
            out[0][:, here], out[1][:, here] = read[:, spread], grad[:, spread]
            for k, eye in enumerate(eyes):
                at = slice(3 * k, 3 * k + 3)
                xyz = slice(3 * k + 3, 3 * k + 6)
                lab, to_lab = _lab_with_slope(every[..., xyz], eye.sum(axis=0))
                gap[0][:, here, at] += sign * lab[:, spread]
                gap[1][:, here, at] += sign * (to_lab @ slopes[..., xyz, :])[:, spread]
    other_way = hands.swapped[kind]
    for batch, reference in zip(*sides, strict=True):
        batch[other_way], reference[other_way] = reference[other_way], batch[other_way]
    for values in gap:
        values[:, :, 3:] -= values[:, :, : most - 3]
        values[other_way] *= -1
    return _Predicted(sides[0], sides[1], gap)


def _group_shots(depths: Array) -> tuple[Array, Places]:
    """Photos of one view share one look at the reference: depths (D, N) without repeats (D, G), and of which each is (N,)."""
    found: dict[bytes, int] = {}
    group = np.array([found.setdefault(depth.tobytes(), len(found)) for depth in depths.T])
    _, first = np.unique(group, return_index=True)
    return depths[:, first], group


def _lab_with_slope(xyz: Array, white: Array) -> tuple[Array, Array]:
    """CIELAB (..., 3) and its Jacobian (..., 3, 3) to XYZ."""
    part = np.maximum(xyz / white, 1e-6)
    slope = np.where(part > (6 / 29) ** 3, part ** (-2 / 3) / 3, (29 / 6) ** 2 / 3) / white
    to_lab = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])
    return xyz_to_lab(xyz, white), to_lab * slope[..., None, :]


def _times(per_absorbance: Array, spectra: Array) -> Array:
    """Change of what is seen per unit of each spectrum (K, 41), shape (D, N, 3, K), as one product of two matrices."""
    flat = per_absorbance.reshape(-1, per_absorbance.shape[-1]) @ spectra.T
    return np.asarray(flat.reshape(*per_absorbance.shape[:-1], -1))


def _batch_slopes(
    layout: LotModel,
    draws: Array,
    doses: tuple[Array, Array, Array],
    per_absorbance: Array,
    grad: Array,
    shapes: Array,
) -> None:
    """Writes the change of what is seen of the batch per parameter into grad (D, N, 3, P); shapes: of its dyes."""
    mg_per_l, thinning, grows = doses
    amounts = np.exp(draws[:, layout.amounts])[:, None, None] * thinning[None, :, None, None]
    grad[..., layout.amounts] = _times(per_absorbance, layout.base) * amounts
    if not layout.stocks:
        return
    grad[..., layout.part] = per_absorbance @ grows[..., None]
    per_shape = (np.exp(draws[:, layout.factor]) * layout.peak)[:, None, None] * mg_per_l[:, :, None]
    _dye_slopes(layout, per_absorbance, per_shape, shapes, grad, layout.factor)


def _dye_slopes(
    layout: LotModel, per_absorbance: Array, per_shape: Array, shapes: Array, grad: Array, amounts: slice
) -> None:
    """Writes the change per parameter of the dyes' shapes, and per log of their amounts; per_shape: absorbance of a shape."""
    columns = np.concatenate([*shapes, np.broadcast_to(short_wave_tail(), shapes[0][:, :1].shape)], axis=1)
    seen = per_absorbance @ columns.transpose(0, 2, 1)[:, None]
    count = len(layout.stocks)
    for k, place in enumerate((amounts, layout.width, layout.shift)):
        grad[..., place] = per_shape * seen[..., k * count : (k + 1) * count]
    grad[..., layout.tail] = per_shape * seen[..., -1:]


def _reference_slopes(
    layout: LotModel,
    draws: Array,
    _doses: tuple[Array, Array, Array],
    per_absorbance: Array,
    grad: Array,
    shapes: Array,
) -> None:
    """As `_batch_slopes`, for the reference."""
    amounts, listed = layout.reference_amounts(draws)[:, None, None], len(layout.listed)
    change = _times(per_absorbance, layout.listed) * amounts[..., :listed]
    first = layout.ref_amounts.start
    grad[..., first : first + listed] = change
    grad[..., layout.amounts] += change[..., : len(layout.base)]
    if layout.stocks:
        own = slice(first + listed, layout.ref_amounts.stop)
        _dye_slopes(layout, per_absorbance, amounts[..., listed:], shapes, grad, own)
        grad[..., layout.apart] = grad[..., layout.shift]


def _residuals(
    layout: LotModel, draws: Array, data: Observed, target: list[Array], hands: Hands, kind: Places
) -> tuple[Array, Array]:
    """Whitened residuals (D, R) and Jacobian (D, R, P) against targets, one (D, 3 or 6) array per shot."""
    predicted = _predict(layout, draws, data, hands, kind)
    clear = np.where(hands.blind[kind], 1 / _BLIND, 1.0)
    rows, slopes = [], []
    for n, whiten in enumerate(data.whiten):
        parts = [(predicted.batch, 3)]
        if data.has_reference[n]:
            parts.append((predicted.reference, 3))
        parts.append((predicted.gap, data.gap_size[n]))
        seen = np.concatenate([values[:, n, :size] for (values, _), size in parts], axis=1)
        slope = np.concatenate([jacobian[:, n, :size] for (_, jacobian), size in parts], axis=1)
        rows.append(clear[:, n, None] * ((seen - target[n]) @ whiten.T))
        slopes.append(clear[:, n, None, None] * (whiten @ slope))
    return np.concatenate(rows, axis=1), np.concatenate(slopes, axis=1)


def fit_lot(
    shots: Sequence[Shot],
    stocks: Sequence[StockPrior],
    view: View,
    draws: int = DRAWS,
    phones: Mapping[str, PhonePrior] | None = None,
    mishaps: Sequence[Mishap] = (),
) -> LotFit:
    """Fit all photos of a lot together.

    shots: at least one photo with a batch; stocks in the order of each shot's mg_per_l; view: depth and dilution in
    the photos; phones: what is known of calibrated phones, by the shots' camera; mishaps: what may have gone wrong by
    hand (liquid/mishaps.py), as noted first. Raises ValueError for no shots or a wrong number of doses.
    """
    if not shots:
        raise ValueError("fit_lot needs at least one photo")
    if any(len(s.mg_per_l) != len(stocks) for s in shots):
        raise ValueError("each shot needs one concentration per stock")
    cameras = sorted({s.camera for s in shots})
    known = [(phones or {}).get(camera, unknown_phone()) for camera in cameras]
    hands = stack(mishaps or [Mishap("", 0.0, len(shots), len(stocks))], view.path_cm)
    layout, data = LotModel(stocks, known, view, has_part=hands.has_part), prepare(shots, cameras)
    chance, mean, sd, kinds = _kinds_of_lot(layout, hands)
    # the evidence of a photo that tells next to nothing: its density is that much lower in each of its figures
    chance = chance - np.log(_BLIND) * (hands.blind @ [len(seen) for seen in data.y])[kinds]

    def against(target: list[Array], kind: Places) -> Residuals:
        return lambda at, who: _residuals(layout, at, data, [one[who] for one in target], hands, kind[who])

    noted = np.flatnonzero(kinds == 0)
    seen = against([np.repeat(v[None], len(noted), axis=0) for v in data.y], kinds[noted])
    first = descend(seen, mean[noted], (mean[noted], sd[noted]), _STEPS_TO_MODE).at
    # what went wrong by hand moves little of what the liquids are: each starts where its recipe stands as noted
    some, start = np.arange(len(mean)), np.tile(first, (len(hands.mishaps), 1))
    start[:, layout.part] = mean[:, layout.part]
    for steps, behind in ((_STEPS_TO_GLANCE, _FAR_BEHIND), (_STEPS_TO_MODE, np.inf)):
        seen = against([np.repeat(v[None], len(some), axis=0) for v in data.y], kinds[some])
        modes = descend(seen, start, (mean[some], sd[some]), steps)
        likely = np.nan_to_num(chance[some] + modes.log_evidence(), nan=-np.inf, neginf=-np.inf)
        near = likely > likely.max() - behind
        some, start, likely = some[near], modes.at[near], likely[near]
    top = int(likely.argmax())
    best, kind = modes.at[[top]], kinds[some]
    rest, _ = _residuals(layout, best, data, [v[None] for v in data.y], hands, kind[[top]])
    rng = np.random.default_rng(14)
    weight = np.exp(likely - likely[top])
    drawn = rng.permutation(share_out(weight / weight.sum(), draws))
    jittered = against(
        [v + stratified_normal(rng, draws, len(v)) @ lower.T for v, lower in zip(data.y, data.jitter, strict=True)],
        kind[drawn],
    )
    sd_drawn = sd[some[drawn]]
    expected = mean[some[drawn]] + stratified_normal(rng, draws, layout.size) * sd_drawn
    at = descend(jittered, modes.at[drawn], (expected, sd_drawn), _STEPS_TO_DRAW).at
    misfit = float(np.sqrt((rest**2).mean()))
    # amounts may lie far from where they were expected; strengths, dye shapes and phones may not
    bound = np.r_[layout.factor.start : layout.amounts.start, layout.cameras_at]
    strain = float(np.abs((best[0] - mean[some[top]]) / sd[some[top]])[bound].max(initial=0.0))
    ok = bool(np.isfinite(modes.cost[top])) and misfit < 3 and strain < _MOST_STRAIN
    message = "fitted" if ok else "the photos do not fit one lot: check the additions entered and the photos"
    # the whitening is a part of it: photos that are less sure are less likely to be just so
    whitened = sum(float(np.log(np.diag(w)).sum()) for w in data.whiten)
    evidence = float(likely[top] + np.log(weight.sum())) + whitened
    chances = np.bincount(kind, weight, minlength=len(hands.mishaps)) / weight.sum()
    return LotFit(
        layout, np.concatenate([best, at]), misfit, ok, message, len(shots), evidence, hands, chances,
        np.r_[kind[[top]], kind[drawn]],
    )  # fmt: skip


def _kinds_of_lot(layout: LotModel, hands: Hands) -> tuple[Array, Array, Array, Places]:
    """Every recipe of the reference under every possibility: log chance, prior mean and sd, which possibility."""
    chance, mean, sd = layout.recipes()
    count, recipes = len(hands.mishaps), len(mean)
    kinds = np.repeat(np.arange(count), recipes)
    mean, sd = np.tile(mean, (count, 1)), np.tile(sd, (count, 1))
    mean[:, layout.factor] += hands.label[kinds]
    sd[:, layout.factor] = np.where(hands.label[kinds], LABEL_LOG_SD, sd[:, layout.factor])
    mean[:, layout.part], sd[:, layout.part] = hands.part[kinds].T[..., None]
    return np.tile(chance, count) + hands.log_chance[kinds], mean, sd, kinds
