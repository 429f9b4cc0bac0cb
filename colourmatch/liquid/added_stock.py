"""A fitted lot with stocks that it has not met yet: their strength and shape are as their labels say, no photo did.

It asks what a bottle from the shelf would do; it learns nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from colourmatch.liquid.learn import LotFit
from colourmatch.liquid.lot_model import DyeShapes, StockPrior
from colourmatch.records import Array


@dataclass(frozen=True)
class WiderFit(LotFit):
    """A LotFit whose stocks are followed by others: extra_spectra (D, E, 41) per label mg/l, extra_factors (D, E)."""

    extra_spectra: Array = field(repr=False, default_factory=lambda: np.zeros((1, 0, 41)))
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
    count = len(fit.draws)
    normal = np.random.default_rng(3).standard_normal((4, count, len(stocks)))
    normal[:, :1] = 0.0
    mean, factor_sd, tail_sd, width_sd, shift_nm, shift_sd_nm, peak = np.array(
        [
            (
                s.log_factor,
                s.log_factor_sd,
                s.tail_sd,
                s.width_sd,
                s.shift_nm,
                s.shift_sd_nm,
                s.absorptivity.max(),
            )
            for s in stocks
        ]
    ).T
    factors = np.exp(mean + factor_sd * normal[0])
    shapes = DyeShapes(stocks).at(tail_sd * normal[1], width_sd * normal[2], shift_nm + shift_sd_nm * normal[3])
    spectra = (factors * peak * fit.layout.view.path_cm)[..., None] * np.maximum(shapes[0], 0.0)
    own = {field.name: getattr(fit, field.name) for field in fields(LotFit)}
    return WiderFit(**own, extra_spectra=spectra, extra_factors=factors)
