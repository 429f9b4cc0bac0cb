"""What a lot may hold and how it looks: the unknowns of its fit, what is expected of them, the spectra that they make.

It knows liquids and phones as parameters, and no photo. Spectra of a fit are given every 10 nm, 41 values.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.colour.spectra import EVERY_10_NM, WAVELENGTHS_NM, integration_weights, weights_at_10_nm
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import View, base_shapes
from colourmatch.liquid.phone import PhonePrior
from colourmatch.records import Array

LN10 = float(np.log(10))

#: Priors of amounts (median single-pass absorbance, sd of its log). A maker chooses base and dye to come near the
#: reference: its natural colours are those of the base times a factor near 1. A dye colours it, or is there as a trace
#: that nobody sees; as likely as not the stocks' dyes alone colour it. All are wide, so that photos decide.
_NATURAL, _NATURAL_LOG_SD, _LIKENESS_LOG_SD = 0.02, 1.8, 0.5
_DYED, _TRACE = (float(np.log(0.15)), 1.5), (float(np.log(0.003)), 1.4)
_STOCKS_DYES_ALONE = 0.5
#: Dye shape: absorbance added at the short-wave end (part of the peak) and shift of the peak in nm (sd). Two open
#: measurements of one dye agree within 0.03 of the peak, shapes moved from another dye within several nm.
_TAIL_SD, _SHIFT_NM_SD = 0.05, 4.5

#: A band that lies elsewhere is mostly wider or narrower too: log sd of its width per nm of spread (assumed).
_WIDTH_PER_NM = 0.006
#: The same bottle in another drink, the same colour in the reference: this part of the spread lies between (assumed).
_APART = 0.35
#: Shapes are tabulated at every nm of shift this far either way.
_FARTHEST_NM = 60

#: Dyes that a reference may hold besides natural colours: the reds, yellows and blues of the colourant table.
_REFERENCE_DYES = ("E129", "E122", "E110", "E102", "E133")


@dataclass(frozen=True)
class StockPrior:
    """A stock as the fit sees it: absorptivity per cm and mg/l, shape (81,), and what is known of strength and band.

    spread_nm: how far the bands of this colourant lie apart from one drink or make to another, sd.
    """

    name: str
    absorptivity: Array = field(repr=False)
    log_factor: float = 0.0
    log_factor_sd: float = 0.25
    tail_sd: float = _TAIL_SD
    shift_nm: float = 0.0
    shift_sd_nm: float = _SHIFT_NM_SD
    spread_nm: float = _SHIFT_NM_SD

    @property
    def shape(self) -> Array:
        """Absorptivity over that at its peak, (81,)."""
        out: Array = self.absorptivity / self.absorptivity.max()
        return out

    @property
    def width_sd(self) -> float:
        """Log sd of the band's width."""
        return _WIDTH_PER_NM * self.spread_nm


def expect_stock(
    name: str,
    colourant: str,
    *,
    log_factor: float = 0.0,
    log_factor_sd: float = StockPrior.log_factor_sd,
    learnt_shift: tuple[float, float] | None = None,
) -> StockPrior:
    """What is known of a stock before a lot's photos.

    learnt_shift: where another lot's photos saw its band, nm from where it is listed, and one sd.
    """
    known = find_colourant(colourant)
    spread = max(known.shift_sd_nm, _SHIFT_NM_SD)
    shift, sd = learnt_shift or (0.0, spread)
    return StockPrior(
        name, known.absorptivity(), log_factor, log_factor_sd,
        shift_nm=shift, shift_sd_nm=min(spread, float(np.hypot(sd, _APART * spread))), spread_nm=spread,
    )  # fmt: skip


@cache
def eye_weights(illuminant: str) -> Array:
    """Weights (41, 3) to XYZ of a spectrum given every 10 nm."""
    return weights_at_10_nm(integration_weights(illuminant))


def lab_in_view(absorbance: Array, layout: LotModel, view: View) -> Array:
    weights = eye_weights(view.illuminant)
    path = view.path_cm / layout.view.path_cm
    return xyz_to_lab(np.exp(-2 * LN10 * path * absorbance) @ weights, weights.sum(axis=0))


@cache
def short_wave_tail() -> Array:
    return np.clip((500 - WAVELENGTHS_NM[EVERY_10_NM]) / 100, 0, 1)


class DyeShapes:
    """Shapes of stocks' dyes, 1 at their peaks where they are as listed, for every shift, width and tail."""

    def __init__(self, stocks: Sequence[StockPrior]) -> None:
        nm, shifts = WAVELENGTHS_NM, range(-_FARTHEST_NM, _FARTHEST_NM + 1)
        shapes = [s.shape for s in stocks]
        wider = [-(nm - nm[shape.argmax()]) * np.gradient(shape, nm) for shape in shapes]
        # by stock, each as it is and its change per log of the band's width, by nm of shift
        self._moved = np.array(
            [
                [[np.interp(nm[EVERY_10_NM] - by, nm, one) for by in shifts] for one in both]
                for both in zip(shapes, wider, strict=True)
            ]
        )

    def at(self, tail: Array, width: Array, shift_nm: Array) -> Array:
        """Shapes, their change per log of width, and per nm of shift, (3, D, S, 41); tail, width, shift_nm: (D, S)."""
        place = np.clip(shift_nm + _FARTHEST_NM, 0, 2 * _FARTHEST_NM - 1e-6)
        low, stock = place.astype(int), np.arange(len(self._moved))
        below = self._moved[stock, :, low]
        slope = self._moved[stock, :, low + 1] - below
        shape, wider = np.moveaxis(below + (place - low)[..., None, None] * slope, 2, 0)
        width = width[..., None]
        moved = slope[:, :, 0] + width * slope[:, :, 1]
        return np.stack([shape + width * wider + tail[..., None] * short_wave_tail(), wider, moved])


class LotModel:
    """Where each parameter lies in a draw, and the spectra it multiplies."""

    def __init__(
        self,
        stocks: Sequence[StockPrior],
        phones: Sequence[PhonePrior],
        view: View,
        *,
        has_part: bool = False,
    ) -> None:
        self.stocks, self.view, self.phones = tuple(stocks), view, tuple(phones)
        self.base = base_shapes()[:, EVERY_10_NM]
        dyes = np.array([find_colourant(e).shape[EVERY_10_NM] for e in _REFERENCE_DYES])
        self.listed = np.concatenate([self.base, dyes])
        stops = np.cumsum(
            [0]
            + [len(stocks)] * 5
            + [len(self.base), len(self.listed) + len(stocks), sum(len(p.mean) for p in phones), has_part]
        )
        (
            self.factor, self.tail, self.width, self.shift, self.apart, self.amounts, self.ref_amounts, self.cameras_at, self.part
        ) = (slice(a, b) for a, b in itertools.pairwise(stops))  # fmt: skip
        self.size = int(stops[-1])
        # absorbance at the peak per label mg/l in this view, (S,)
        self.peak = np.array([s.absorptivity.max() for s in stocks]) * view.path_cm
        self._dyes = DyeShapes(stocks)

    def prior(self) -> tuple[Array, Array]:
        """Mean and sd of every parameter before any photo when the reference holds the stocks' dyes, shape (P,)."""
        mean, sd = np.zeros(self.size), np.empty(self.size)
        mean[self.factor] = [s.log_factor for s in self.stocks]
        sd[self.factor] = [s.log_factor_sd for s in self.stocks]
        sd[self.tail] = [s.tail_sd for s in self.stocks]
        sd[self.width] = [s.width_sd for s in self.stocks]
        mean[self.shift] = [s.shift_nm for s in self.stocks]
        sd[self.shift] = [s.shift_sd_nm for s in self.stocks]
        sd[self.apart] = [_APART * s.spread_nm for s in self.stocks]
        mean[self.amounts], sd[self.amounts] = np.log(_NATURAL), _NATURAL_LOG_SD
        natural, others, own = len(self.base), len(_REFERENCE_DYES), len(self.stocks)
        mean[self.ref_amounts] = [0.0] * natural + [_TRACE[0]] * others + [_DYED[0]] * own
        sd[self.ref_amounts] = [_LIKENESS_LOG_SD] * natural + [_TRACE[1]] * others + [_DYED[1]] * own
        sd[self.cameras_at] = sd[self.part] = 1.0
        return mean, sd

    def recipes(self) -> tuple[Array, Array, Array]:
        """What the reference may have been dyed with: log chance (M,), prior mean and sd (M, P).

        The stocks' dyes, as likely as all else together; another dye instead of them, or beside them.
        """
        mean, sd = self.prior()
        first, own = self.ref_amounts.start + len(self.base), self.ref_amounts.stop - len(self.stocks)
        sure = [s.shape[EVERY_10_NM] for s in self.stocks if s.spread_nm <= _SHIFT_NM_SD]
        others = [
            first + k
            for k, shape in enumerate(self.listed[len(self.base) :])
            if not any(np.allclose(shape / shape.max(), own, rtol=0, atol=1e-5) for own in sure)
        ]
        means, sds = [mean], [sd]
        for k in others:
            beside = mean.copy(), sd.copy()
            beside[0][k], beside[1][k] = _DYED
            instead = beside[0].copy(), beside[1].copy()
            instead[0][own : self.ref_amounts.stop], instead[1][own : self.ref_amounts.stop] = _TRACE
            means += [beside[0], instead[0]]
            sds += [beside[1], instead[1]]
        chance = np.r_[_STOCKS_DYES_ALONE, np.full(len(means) - 1, (1 - _STOCKS_DYES_ALONE) / max(len(means) - 1, 1))]
        return np.log(chance), np.array(means), np.array(sds)

    def phone_slice(self, camera: int) -> slice:
        """Where one phone's unit-normal parameters lie."""
        start = self.cameras_at.start + sum(len(p.mean) for p in self.phones[:camera])
        return slice(start, start + len(self.phones[camera].mean))

    def phone_terms(self, draws: Array, camera: int) -> Array:
        """The terms (D, T) of one phone."""
        return self.phones[camera].terms(draws[:, self.phone_slice(camera)])

    def shapes(self, draws: Array, apart: float = 0.0) -> Array:
        """Shape of each stock's dye, about 1 at its peak, its change per log of width and per nm of shift, (3, D, S, 41).

        apart: 1 for the same dye in the reference, 0 in the stock.
        """
        shift = draws[:, self.shift] + apart * draws[:, self.apart]
        return self._dyes.at(draws[:, self.tail], draws[:, self.width], shift)

    def dye_spectra(self, draws: Array, shapes: Array | None = None) -> Array:
        """Absorbance per label mg/l of each stock, shape (D, S, 41); shapes: what `shapes` gives of the draws."""
        known = self.shapes(draws) if shapes is None else shapes
        spectra: Array = (np.exp(draws[:, self.factor]) * self.peak)[..., None] * known[0]
        return spectra

    def batch_absorbance(self, draws: Array, mg_per_l: Array, thinning: Array, spectra: Array | None = None) -> Array:
        """Single-pass absorbance of the batch, shape (D, C, 41), for concentrations (C, S) or (D, C, S), thinning (C,).

        spectra: what `dye_spectra` gives of the draws.
        """
        base = np.exp(draws[:, self.amounts]) @ self.base
        out: Array = thinning[:, None] * base[:, None]
        if self.stocks:
            out = out + mg_per_l @ (self.dye_spectra(draws) if spectra is None else spectra)
        return out

    def reference_absorbance(self, draws: Array, shapes: Array | None = None) -> Array:
        """Single-pass absorbance of the reference, shape (D, 41); shapes: what `shapes` gives of its own dyes."""
        amounts, listed = self.reference_amounts(draws), len(self.listed)
        absorbance: Array = amounts[:, :listed] @ self.listed
        if self.stocks:
            own = self.shapes(draws, apart=1.0) if shapes is None else shapes
            absorbance = absorbance + (amounts[:, None, listed:] @ own[0])[:, 0]
        return absorbance

    def reference_amounts(self, draws: Array) -> Array:
        """Amounts of natural shapes and dyes in the reference, shape (D, K); natural ones relative to the base's."""
        logs = draws[:, self.ref_amounts].copy()
        logs[:, : len(self.base)] += draws[:, self.amounts]
        return np.exp(logs)
