"""A fitted lot with stocks that it has not met yet: their strength and shape are as their labels say, no photo did.

It asks what a bottle from the shelf would do; it learns nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.liquid.learn import LotFit
from colourmatch.liquid.lot_model import StockPrior, short_wave_tail

Array = NDArray[np.float64]


@dataclass(frozen=True)
class WiderFit(LotFit):
    """A LotFit whose stocks are followed by others: extra_spectra (D, E, 81) per label mg/l, extra_factors (D, E)."""

    extra_spectra: Array = field(repr=False, default_factory=lambda: np.zeros((1, 0, 81)))
    extra_factors: Array = field(repr=False, default_factory=lambda: np.zeros((1, 0)))

    @property
    def strength_factors(self) -> Array:
        """Real over label strength of each stock, those of the lot first, shape (D, S + E)."""
        return np.concatenate([super().strength_factors, self.extra_factors], axis=1)

    def take(self, draws: slice) -> WiderFit:
        """The same fit with some of its draws."""
        return replace(
            self,
            draws=self.draws[draws],
            kind=self.kind[draws],
            extra_spectra=self.extra_spectra[draws],
            extra_factors=self.extra_factors[draws],
        )

    def absorbance(self, mg_per_l: Array, thinning: Array, left: Array) -> Array:
        """As of LotFit, at label concentrations (C, S + E)."""
        own = mg_per_l.shape[1] - self.extra_factors.shape[1]
        absorbance = super().absorbance(mg_per_l[:, :own], thinning, left)
        out: Array = absorbance + np.einsum("cs,dsw->dcw", mg_per_l[:, own:], self.extra_spectra)
        return out


def widen_fit(fit: LotFit, stocks: Sequence[StockPrior]) -> WiderFit:
    """A fit with further stocks, each drawn from what its label says of it.

    No photo holds them, so that what is known of them is independent of all that the photos taught: their posterior
    is their prior, and the draws of the two join one to one. The first draw is the most probable of both.
    """
    count, path = len(fit.draws), fit.layout.view.path_cm
    normal = np.random.default_rng(3).standard_normal((3, count, len(stocks)))
    normal[:, :1] = 0.0
    spectra, factors = np.zeros((count, len(stocks), len(WAVELENGTHS_NM))), np.zeros((count, len(stocks)))
    for k, stock in enumerate(stocks):
        shape = stock.absorptivity * path
        factors[:, k] = np.exp(stock.log_factor + stock.log_factor_sd * normal[0, :, k])
        tail = stock.tail_sd * normal[1, :, k, None] * shape.max() * short_wave_tail()
        shift = stock.shift_sd_nm * normal[2, :, k, None] * -np.gradient(shape, WAVELENGTHS_NM)
        spectra[:, k] = factors[:, k, None] * np.maximum(shape + tail + shift, 0.0)
    own = {field.name: getattr(fit, field.name) for field in fields(LotFit)}
    return WiderFit(**own, extra_spectra=spectra, extra_factors=factors)
