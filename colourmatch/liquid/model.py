"""The liquid as a spectrum: Beer-Lambert over wavelength, seen twice through the depth; no pixels, no doses to come.

R(l) = 10^(-2 A(l)), A the absorbance of one pass; absorbances add (Bouguer 1729, Lambert 1760, Beer 1852; IUPAC
Recommendations 1996, doi:10.1351/pac199668122223). XYZ by summation with the observer and the light (CIE 015:2018).
Relative to clear water in the same glass, whose surfaces both liquids share.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM, integration_weights
from colourmatch.records import Array


@dataclass(frozen=True)
class View:
    """How a liquid is looked at: depth in mm, made up to `dilution` parts with water, light, share of the weight."""

    depth_mm: float = 10.0
    dilution: float = 1.0
    illuminant: str = "D65"
    weight: float = 1.0
    name: str = "as measured"

    def __post_init__(self) -> None:
        if not self.depth_mm > 0 or not self.dilution >= 1 or not self.weight > 0:
            raise ValueError(f"depth_mm > 0, dilution >= 1 and weight > 0 are needed, got {self}")

    @property
    def path_cm(self) -> float:
        """Centimetres of undiluted liquid that one pass goes through."""
        return self.depth_mm / 10 / self.dilution


def absorbance_to_lab(absorbance: ArrayLike, illuminant: str = "D65") -> Array:
    """Lab (of that light's white, 2 degrees), shape (..., 3), of single-pass absorbance, shape (..., 81), over paper.

    Water is white; 10 mg/l of Allura red, looked at 10 mm deep:

    >>> [round(abs(v), 6) for v in absorbance_to_lab(np.zeros(81)).tolist()]
    [100.0, 0.0, 0.0]
    >>> from colourmatch.liquid.colourants import find_colourant
    >>> absorbance_to_lab(10 * find_colourant("E129").absorptivity()).round(1).tolist()
    [75.7, 55.3, 19.6]
    """
    weights = integration_weights(illuminant)
    xyz = np.power(10.0, -2 * np.asarray(absorbance, float)) @ weights
    return xyz_to_lab(xyz, weights.sum(axis=0))


#: The smooth families that make up an unknown drink, as single-pass absorbance shapes with peak or 430 nm value 1.
#: Browns fall exponentially with wavelength (caramel, Maillard and tannin colours; k from Linner 1970 for caramel, from
#: memory); yellows and reds are broad bands near carotenoids (450 nm) and anthocyanins (520 nm, Harborne 1958); green
#: near chlorophyll's 660 nm; blue as anthocyanin above pH 6 (600 nm); grey for what takes all light alike.
_BROWN_SLOPES_PER_NM = (0.007, 0.012, 0.020)
_BANDS_NM = ((450.0, 38.0), (520.0, 45.0), (600.0, 40.0), (665.0, 22.0))


@cache
def base_shapes() -> Array:
    """The basis of natural colours, shape (K, 81), each at most about 1."""
    browns = [np.exp(-k * (WAVELENGTHS_NM - 430)) for k in _BROWN_SLOPES_PER_NM]
    bands = [np.exp(-0.5 * ((WAVELENGTHS_NM - c) / s) ** 2) for c, s in _BANDS_NM]
    return np.array([*browns, *bands, np.ones_like(WAVELENGTHS_NM)])
