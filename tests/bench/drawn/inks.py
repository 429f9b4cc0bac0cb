"""The inks of a colour printer and the card's colour fields printed with them; it knows spectra and no places.

Each ink is a sum of absorption bands (plausible forms, no source). A field is a halftone of its inks' solids and their
overprints: Neugebauer's mean (1937) with the spread of light in paper after Yule and Nielsen (1951), n = 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.facts import read_json
from colourmatch.records import Array

_N = 2.0
#: Per ink: bands as height, centre nm, width nm (sd); the yellow's is an edge: height, middle nm, width nm.
_CYAN = ((1.05, 632.0, 44.0), (0.35, 580.0, 30.0), (0.10, 410.0, 40.0))
_CYAN_LONG = ((0.95, 625.0, 38.0), (0.70, 682.0, 24.0), (0.12, 400.0, 45.0))
_MAGENTA = (
    ((0.90, 560.0, 26.0), (0.70, 525.0, 24.0), (0.20, 420.0, 45.0)),
    ((1.0, 548.0, 36.0), (0.28, 430.0, 50.0)),
    ((0.95, 570.0, 22.0), (0.65, 533.0, 22.0), (0.15, 400.0, 40.0)),
)
_YELLOW = ((0.95, 488.0, 12.0), (0.85, 478.0, 16.0), (1.05, 496.0, 10.0))


#: The ink's own pale stray over the whole spectrum.
_GREYNESS = 0.015


@dataclass(frozen=True, eq=False)
class Inks:
    """Densities of the solid inks, (81,) each: one pass counts for the way in and out."""

    cyan: Array
    magenta: Array
    yellow: Array


def _bands(bands: tuple[tuple[float, float, float], ...], moved: Array) -> Array:
    height, shift, widen = moved
    nm = WAVELENGTHS_NM
    out = np.zeros_like(nm)
    for size, centre, width in bands:
        out += size * np.exp(-0.5 * ((nm - centre - shift) / (width * widen)) ** 2)
    return height * out + _GREYNESS


def _edge(edge: tuple[float, float, float], moved: Array) -> Array:
    height, shift, widen = moved
    size, middle, width = edge
    return height * size / (1 + np.exp((WAVELENGTHS_NM - middle - shift) / (width * widen))) + _GREYNESS


def vary_inks(rng: np.random.Generator) -> Inks:
    """A printer's inks: one of some band shapes, heights within 22 %, peaks within 10 nm."""

    def moved() -> Array:
        return np.array([1 + rng.uniform(-0.22, 0.22), rng.uniform(-10, 10), 1 + rng.uniform(-0.15, 0.15)])

    cyan = _CYAN if rng.random() < 0.5 else _CYAN_LONG
    magenta, yellow = _MAGENTA[int(rng.integers(3))], _YELLOW[int(rng.integers(3))]
    return Inks(_bands(cyan, moved()), _bands(magenta, moved()), _edge(yellow, moved()))


def field_reflectances(inks: Inks) -> Array:
    """Reflectance of each field of card 2 relative to paper, shape (6, 81), in the order of the card's file."""
    densities = (inks.cyan, inks.magenta, inks.yellow)
    out = []
    for field in read_json("card-v2.json")["spots"]["colour_fields"]["sectors"]:
        cover = 1 - np.array(field["rgb"]) / 255  # device RGB to the share that each ink covers
        mean = np.zeros(len(WAVELENGTHS_NM))
        for on in product((0, 1), repeat=3):
            share = float(np.prod([c if k else 1 - c for c, k in zip(cover, on, strict=True)]))
            solid = 10 ** -sum((k * d for k, d in zip(on, densities, strict=True)), np.zeros(len(mean)))
            mean += share * solid ** (1 / _N)
        out.append(mean**_N)
    return np.array(out)
