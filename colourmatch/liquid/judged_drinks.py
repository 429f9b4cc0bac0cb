"""An ensemble of tinted drinks, as spectra: what a reading may stand for when nothing is known of the drink.

Natural colours (smooth shapes of model.py) with none, one or two food colours of this trade; how much of each is common
practice, no source. It knows no phone.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import base_shapes
from colourmatch.records import Array

_COUNT = 1200
#: Dyes of tinted drinks and how often one is met against the others; reds and yellows most.
_DYES = {"E129": 5, "E124": 3, "E122": 3, "E110": 3, "E102": 3, "E120": 1, "E163": 1, "E162": 1}
#: Mean single-pass absorbance of each natural shape (browns, 450, 520, 600, 665 nm, grey), gamma distributed.
_NATURAL = 0.072 * np.array([1, 1, 1, 1, 0.6, 0.05, 0.05, 0.1])
#: A dye's peak absorbance lies between these (evenly in the logarithm); its own shape within some nm of the table's.
_PEAK, _SHIFT_NM = (0.05, 1.12), 3.0


@cache
def known_drinks() -> Array:
    """Reflectances over paper relative to water, shape (D, 81), seen twice through the depth; the same ones always."""
    rng = np.random.default_rng(2)
    shapes = np.array([find_colourant(name).shape for name in _DYES])
    odds = np.array(list(_DYES.values()), float) / sum(_DYES.values())
    absorbance = (rng.gamma(0.6, 1 / 0.6, (_COUNT, len(_NATURAL))) * _NATURAL) @ base_shapes()
    for row in absorbance:
        number = rng.choice([0, 1, 2], p=[0.1, 0.6, 0.3])
        for dye in rng.choice(len(shapes), size=number, replace=False, p=odds):
            shape = np.interp(WAVELENGTHS_NM - rng.normal(0, _SHIFT_NM), WAVELENGTHS_NM, shapes[dye])
            row += np.exp(rng.uniform(*np.log(_PEAK))) * shape
    return 10 ** (-2 * absorbance)
