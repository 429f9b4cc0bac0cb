"""Standard observers and lights as arrays on one wavelength grid, and spectra summed to XYZ.

D65 and the 2 degree observer, which every reading needs at its start, lie in calibration/ (made from colour-science by
tests/colour/make_cie_tables.py). Every other observer, light and colour temperature is asked of that library when it
is named: importing it takes 1.1 s of processor time, a whole reading 0.4 s.
"""

from __future__ import annotations

import os
import re
import sys
from functools import cache
from typing import Any
from unittest.mock import Mock

import numpy as np
from numpy.typing import ArrayLike

from colourmatch.facts import read_rows
from colourmatch.records import Array

#: 380 to 780 nm every 5 nm: the grid of every spectrum in the package.
WAVELENGTHS_NM: Array = np.arange(380.0, 781.0, 5.0)
#: Every second of them, for smooth spectra with `weights_at_10_nm`: where thousands are summed, half the work.
EVERY_10_NM = slice(None, None, 2)

_OBSERVERS = {2: "CIE 1931 2 Degree Standard Observer", 10: "CIE 1964 10 Degree Standard Observer"}
_KELVIN = re.compile(r"(\d+(?:\.\d+)?)\s*K", re.IGNORECASE)
#: Colour temperatures that can be named, and the one from which on daylight is meant, not a glowing body: the change of
#: the reference light of colour rendering (CIE 13.3-1995).
LEAST_KELVIN, MOST_KELVIN, _DAYLIGHT_KELVIN = 1000, 25000, 5000


@cache
def _import_colour() -> Any:
    """colour-science, without its warning that Matplotlib is missing and without the stand-ins that it leaves for it."""
    os.environ.setdefault("COLOUR_SCIENCE__FILTER_USAGE_WARNINGS", "True")
    before = set(sys.modules)
    import colour

    for name in set(sys.modules) - before:  # else who asks for Matplotlib later is given a dummy
        if isinstance(sys.modules.get(name), Mock):
            sys.modules.pop(name, None)
    return colour


def _grid() -> Any:
    return _import_colour().SpectralShape(380, 780, 5)


def _on_grid(spectrum: Any) -> Array:
    """Values of one of the library's spectra, or of a set of them, on our grid."""
    return np.array(spectrum.copy().align(_grid()).values, float)


@cache
def read_observer(degrees: int = 2) -> Array:
    """Colour-matching functions of the 2 or 10 degree standard observer, shape (81, 3)."""
    if degrees not in _OBSERVERS:
        raise ValueError(f"degrees must be 2 or 10, got {degrees}")
    if degrees == 2:
        return np.array([[float(row[axis]) for axis in "xyz"] for row in read_rows("cie_observers.csv")])
    return _on_grid(_import_colour().MSDS_CMFS[_OBSERVERS[degrees]])


@cache
def list_illuminants() -> tuple[str, ...]:
    """The names of the CIE's lights whose tables cover our grid."""
    shapes = {name: table.shape for name, table in _import_colour().SDS_ILLUMINANTS.items()}
    return tuple(name for name, shape in shapes.items() if shape.start <= 380 and shape.end >= 780)


def name_illuminant(text: str) -> str:
    """The name of a light as it is kept, from how it was typed; ValueError when it is none.

    >>> name_illuminant("d65"), name_illuminant("2700k"), name_illuminant("led-b3")
    ('D65', '2700 K', 'LED-B3')
    """
    typed = text.strip()
    if typed.casefold() == "d65":
        return "D65"
    found = _KELVIN.fullmatch(typed)
    if found:
        kelvin = float(found[1])
        if not LEAST_KELVIN <= kelvin <= MOST_KELVIN:
            raise ValueError(f"colour temperature must be {LEAST_KELVIN} to {MOST_KELVIN} K, got {text!r}")
        return f"{kelvin:g} K"
    for name in list_illuminants():
        if name.casefold() == typed.casefold():
            return name
    known = ", ".join(list_illuminants())
    raise ValueError(f"illuminant must be one of {known}, or such as 2700 K, got {text!r}")


@cache
def read_illuminant(name: str = "D65") -> Array:
    """Relative spectral power of a CIE illuminant or a colour temperature ("2700 K"), shape (81,); ValueError for another."""
    known = name_illuminant(name)
    if known == "D65":
        return np.array([float(row["D65"]) for row in read_rows("cie_illuminants.csv")])
    if known.endswith(" K"):
        kelvin = float(known[:-2])
        return planck_spectrum(kelvin) if kelvin < _DAYLIGHT_KELVIN else daylight_spectrum(kelvin)
    return _on_grid(_import_colour().SDS_ILLUMINANTS[known])


def planck_spectrum(kelvin: float) -> Array:
    """Relative spectral power of a Planckian radiator, 1 at 560 nm, shape (81,). Source: CIE 015:2018, c2 = 1.4388e-2 m K."""
    if not LEAST_KELVIN <= kelvin <= 30000:
        raise ValueError(f"kelvin must be {LEAST_KELVIN} to 30000, got {kelvin}")
    return _relative(_import_colour().sd_blackbody(kelvin, _grid(), c2=1.4388e-2))


def daylight_spectrum(kelvin: float) -> Array:
    """Relative spectral power of a phase of daylight, 1 at 560 nm, shape (81,). Source: CIE 015:2018, D illuminants."""
    if not 4000 <= kelvin <= MOST_KELVIN:
        raise ValueError(f"kelvin must be 4000 to {MOST_KELVIN}, got {kelvin}")
    colour = _import_colour()
    return _relative(colour.sd_CIE_illuminant_D_series(colour.temperature.CCT_to_xy_CIE_D(float(kelvin))))


def _relative(spectrum: Any) -> Array:
    values = _on_grid(spectrum)
    relative: Array = values / values[WAVELENGTHS_NM == 560]
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


@cache
def _read_between() -> Array:
    """Values on the grid of smooth spectra given every 10 nm, as a matrix (81, 41): cubic, at both ends quadratic."""
    out = np.zeros((81, 41))
    out[EVERY_10_NM] = np.eye(41)
    for k in range(1, 39):
        out[2 * k + 1, k - 1 : k + 3] = np.array([-1, 9, 9, -1]) / 16
    out[1, :3] = out[-2, :-4:-1] = np.array([3, 6, -1]) / 8
    return out


def weights_at_10_nm(weights: Array) -> Array:
    """Weights (..., 81, C) of a sum over the grid as weights (..., 41, C) of a spectrum given at every second wavelength.

    Between them the spectrum is interpolated (Lagrange's coefficients, as weights for tables at 10 nm are made; ASTM
    E2022, from memory).
    """
    return np.asarray(_read_between().T @ weights)


def transmittance_to_xyz(transmittance: ArrayLike, illuminant: str = "D65", degrees: int = 2) -> Array:
    """XYZ, shape (..., 3), of spectra shape (..., 81); a spectrum of ones gives the white of that light.

    The white of CIE standard illuminant A, 109.85, 100, 35.58 (CIE 015:2018):

    >>> (100 * transmittance_to_xyz(np.ones(81), "A")).round(2).tolist()
    [109.85, 100.0, 35.58]
    """
    return np.asarray(transmittance, float) @ _weights(illuminant, degrees)
