"""What a lot may hold and how it looks: the unknowns of its fit, what is expected of them, the spectra that they make.

It knows liquids and phones as parameters, and no photo.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM, integration_weights
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import View, base_shapes
from colourmatch.liquid.phone import PhonePrior

Array = NDArray[np.float64]

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

#: Dyes that a reference may hold besides natural colours: the reds, yellows and blues of the colourant table.
_REFERENCE_DYES = ("E129", "E122", "E110", "E102", "E133")


@dataclass(frozen=True)
class StockPrior:
    """A stock as the fit sees it: absorptivity per cm and mg/l, shape (81,), and what is known of its strength."""

    name: str
    absorptivity: Array = field(repr=False)
    log_factor: float = 0.0
    log_factor_sd: float = 0.25
    tail_sd: float = _TAIL_SD
    shift_sd_nm: float = _SHIFT_NM_SD


def lab_in_view(absorbance: Array, layout: LotModel, view: View) -> Array:
    weights = integration_weights(view.illuminant)
    path = view.path_cm / layout.view.path_cm
    return xyz_to_lab(np.exp(-2 * LN10 * path * absorbance) @ weights, weights.sum(axis=0))


@cache
def short_wave_tail() -> Array:
    return np.clip((500 - WAVELENGTHS_NM) / 100, 0, 1)


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
        self.base = base_shapes()
        dyes = np.array([find_colourant(e).shape for e in _REFERENCE_DYES])
        own = [s.absorptivity / s.absorptivity.max() for s in stocks]
        self.reference = np.concatenate([self.base, dyes, np.array(own).reshape(-1, len(WAVELENGTHS_NM))])
        sizes = [len(stocks)] * 3 + [len(self.base), len(self.reference)] + [sum(len(p.mean) for p in phones)]
        sizes += [int(has_part)]
        stops = np.cumsum([0, *sizes])
        self.factor, self.tail, self.shift, self.amounts, self.ref_amounts, self.cameras_at, self.part = (
            slice(a, b) for a, b in itertools.pairwise(stops)
        )
        self.size = int(stops[-1])
        # per stock: absorptivity, the short-wave tail and the change per nm of shift, all for label mg/l in this view
        path = view.path_cm
        self.dye = np.array([s.absorptivity for s in stocks]).reshape(-1, len(WAVELENGTHS_NM)) * path
        self.dye_tail = self.dye.max(axis=1, keepdims=True) * short_wave_tail() if len(stocks) else self.dye
        self.dye_shift = -np.gradient(self.dye, WAVELENGTHS_NM, axis=1) if len(stocks) else self.dye

    def prior(self) -> tuple[Array, Array]:
        """Mean and sd of every parameter before any photo when the reference holds the stocks' dyes, shape (P,)."""
        mean, sd = np.zeros(self.size), np.empty(self.size)
        mean[self.factor] = [s.log_factor for s in self.stocks]
        sd[self.factor] = [s.log_factor_sd for s in self.stocks]
        sd[self.tail] = [s.tail_sd for s in self.stocks]
        sd[self.shift] = [s.shift_sd_nm for s in self.stocks]
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
        dyes = self.reference[len(self.base) :]
        dyes = dyes / dyes.max(axis=1, keepdims=True)
        others = [
            first + k
            for k, shape in enumerate(dyes[: len(_REFERENCE_DYES)])
            if not np.isclose(shape, dyes[len(_REFERENCE_DYES) :], atol=1e-6).all(axis=1).any()
        ]
        means, sds = [mean], [sd]
        for k in others:
            beside = mean.copy(), sd.copy()
            beside[0][k], beside[1][k] = _DYED
            instead = beside[0].copy(), beside[1].copy()
            instead[0][own : self.ref_amounts.stop], instead[1][own : self.ref_amounts.stop] = _TRACE
            means += [beside[0], instead[0]]
            sds += [beside[1], instead[1]]
        chance = np.r_[
            _STOCKS_DYES_ALONE, np.full(len(means) - 1, (1 - _STOCKS_DYES_ALONE) / max(len(means) - 1, 1))
        ]
        return np.log(chance), np.array(means), np.array(sds)

    def phone_slice(self, camera: int) -> slice:
        """Where one phone's unit-normal parameters lie."""
        start = self.cameras_at.start + sum(len(p.mean) for p in self.phones[:camera])
        return slice(start, start + len(self.phones[camera].mean))

    def phone_terms(self, draws: Array, camera: int) -> Array:
        """The terms (D, T) of one phone."""
        return self.phones[camera].terms(draws[:, self.phone_slice(camera)])

    def dye_spectra(self, draws: Array) -> Array:
        """Absorbance per label mg/l of each stock, shape (D, S, 81)."""
        shape = (
            self.dye + draws[:, self.tail, None] * self.dye_tail + draws[:, self.shift, None] * self.dye_shift
        )
        return np.exp(draws[:, self.factor, None]) * shape

    def batch_absorbance(self, draws: Array, mg_per_l: Array, thinning: Array) -> Array:
        """Single-pass absorbance of the batch, shape (D, C, 81), for concentrations (C, S) or (D, C, S), thinning (C,)."""
        base = np.exp(draws[:, self.amounts]) @ self.base
        out: Array = thinning[:, None] * base[:, None]
        if self.stocks:
            out = out + mg_per_l @ self.dye_spectra(draws)
        return out

    def reference_absorbance(self, draws: Array) -> Array:
        """Single-pass absorbance of the reference, shape (D, 81)."""
        absorbance: Array = self.reference_amounts(draws) @ self.reference
        return absorbance

    def reference_amounts(self, draws: Array) -> Array:
        """Amounts of natural shapes and dyes in the reference, shape (D, K); natural ones relative to the base's."""
        logs = draws[:, self.ref_amounts].copy()
        logs[:, : len(self.base)] += draws[:, self.amounts]
        return np.exp(logs)
