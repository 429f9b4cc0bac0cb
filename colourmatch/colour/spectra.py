"""Standard observers and lights as arrays on one wavelength grid, and spectra summed to XYZ.

Tables come from calibration/ (CIE 015:2018 values), not from colour-science at run time: importing that
library takes over a second, and the tests compare every table and sum with it.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from colourmatch.facts import read_rows

Array = NDArray[np.float64]

#: 380 to 780 nm every 5 nm: the grid of every spectrum in the package.
WAVELENGTHS_NM: Array = np.arange(380.0, 781.0, 5.0)


@cache
def read_observer(degrees: int = 2) -> Array:
    """Colour-matching functions of the 2 or 10 degree standard observer, shape (81, 3)."""
    if degrees not in (2, 10):
        raise ValueError(f"degrees must be 2 or 10, got {degrees}")
    rows = read_rows("cie_observers.csv")
    return np.array([[float(row[f"{axis}{degrees}"]) for axis in "xyz"] for row in rows])


@cache
def read_illuminant(name: str = "D65") -> Array:
    """Relative spectral power of a CIE illuminant, shape (81,); ValueError for a name that is not in the table."""
    rows = read_rows("cie_illuminants.csv")
    if name not in rows[0] or name == "nm":
        raise ValueError(f"illuminant must be one of {', '.join(list(rows[0])[1:])}, got {name!r}")
    return np.array([float(row[name]) for row in rows])


def planck_spectrum(kelvin: float) -> Array:
    """Relative spectral power of a Planckian radiator, 1 at 560 nm, shape (81,). Source: CIE 015:2018, c2 = 1.4388e-2 m K."""
    if not 1000 <= kelvin <= 30000:
        raise ValueError(f"kelvin must be 1000 to 30000, got {kelvin}")
    metres = WAVELENGTHS_NM * 1e-9
    power = metres**-5 / np.expm1(1.4388e-2 / (metres * kelvin))
    reference = (560e-9) ** -5 / np.expm1(1.4388e-2 / (560e-9 * kelvin))
    relative: Array = power / reference
    return relative


@cache
def _weights(illuminant: str, degrees: int) -> Array:
    product = read_observer(degrees) * read_illuminant(illuminant)[:, None]
    weights: Array = product / product[:, 1].sum()
    return weights


def integration_weights(illuminant: str = "D65", degrees: int = 2) -> Array:
    """Weights W, shape (81, 3), so that XYZ = T @ W for a transmittance or reflectance T with white Y = 1.

    Source: CIE 015:2018, summation at 5 nm.
    """
    return _weights(illuminant, degrees).copy()


def transmittance_to_xyz(transmittance: ArrayLike, illuminant: str = "D65", degrees: int = 2) -> Array:
    """XYZ, shape (..., 3), of spectra shape (..., 81); a spectrum of ones gives the white of that light.

    The white of CIE standard illuminant A, 109.85, 100, 35.58 (CIE 015:2018):

    >>> (100 * transmittance_to_xyz(np.ones(81), "A")).round(2).tolist()
    [109.85, 100.0, 35.58]
    """
    return np.asarray(transmittance, float) @ _weights(illuminant, degrees)
