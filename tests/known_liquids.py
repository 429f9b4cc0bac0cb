"""Liquids whose spectra are known: a natural base, alone or with so much of each colourant."""

from __future__ import annotations

import numpy as np

from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import View, absorbance_to_lab, base_shapes

#: How the photos see them.
VIEW = View(10, 5)
BASE = 0.25 * base_shapes()[0] + 0.10 * base_shapes()[3]  # absorbance of 1 cm, undiluted


def look(mg_per_l: dict[str, float], share: float = 1.0, view: View = VIEW) -> np.ndarray:
    """True Lab in a view of the natural base, thinned to its share, with so much of each colourant."""
    dyes = sum((find_colourant(e).absorptivity() * c for e, c in mg_per_l.items()), np.zeros(81))
    return absorbance_to_lab((share * BASE + dyes) * view.path_cm, view.illuminant)
