"""Liquids whose spectra are known: a natural base with so much of each colourant, published solutions, average beer."""

import numpy as np

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.facts import read_rows
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import View, absorbance_to_lab, base_shapes

#: How the photos see them.
VIEW = View(10, 5)
BASE = 0.25 * base_shapes()[0] + 0.10 * base_shapes()[3]  # absorbance of 1 cm, undiluted


def look(mg_per_l: dict[str, float], share: float = 1.0, view: View = VIEW) -> np.ndarray:
    """True Lab in a view of the natural base, thinned to its share, with so much of each colourant."""
    dyes = sum((find_colourant(e).absorptivity() * c for e, c in mg_per_l.items()), np.zeros(81))
    return absorbance_to_lab((share * BASE + dyes) * view.path_cm, view.illuminant)


def nbs_solutions(nm: np.ndarray = WAVELENGTHS_NM) -> dict[str, np.ndarray]:
    """Absorbance in 1 cm of the NBS colour solutions (LC 929, 1948; LC 1017), from memory as the file says."""
    rows = read_rows("nbs_colour_solutions.csv")
    measured = [float(row["nm"]) for row in rows]
    names = ("copper", "cobalt", "chromate")
    return {name: np.interp(nm, measured, [float(row[name]) for row in rows]) for name in names}


def beer_shape(nm: np.ndarray = WAVELENGTHS_NM) -> np.ndarray:
    """Mean absorbance of beer, 1 at 430 nm: deLange, ASBC Beer-10, as the head of average_beer_lab.csv has it."""
    return 0.02465 * np.exp(-(nm - 430) / 17.591) + 0.97535 * np.exp(-(nm - 430) / 82.122)
