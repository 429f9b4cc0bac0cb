"""Spectra of simulated drinks: dyes by their published strength, brown and botanical bases, a dilution.

It knows absorbance (Beer-Lambert) and the fact files, and refuses to know cameras. The base shapes are common
forms (an exponential tail, Gaussian bands) and stand for no real drink.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM, transmittance_to_xyz
from colourmatch.facts import read_rows
from colourmatch.liquid.colourants import shape_for, shape_moved
from colourmatch.records import Array

#: The dye whose measured shape stands in for every dye that has none of its own.
STAND_IN = "E129"


@cache
def _peak_and_strength(e_number: str) -> tuple[float, float]:
    row = next((row for row in read_rows("colourants.csv") if row["e_number"] == e_number), None)
    if row is None:
        raise ValueError(f"colourants.csv has no colourant {e_number!r}")
    if not row["peak_nm"] or not row["e1pct_1cm"]:
        raise ValueError(f"{e_number} has no absorption peak in colourants.csv; use caramel_a610 for E150")
    return float(row["peak_nm"]), float(row["e1pct_1cm"])


def dye_absorbance(e_number: str, wavelengths_nm: ArrayLike = WAVELENGTHS_NM) -> Array:
    """Absorbance of 1 mg/l of pure dye over 1 cm, shape as wavelengths_nm; ValueError for an unknown dye.

    E 1 % of 540 at the peak means 0.054 per mg/l and cm. A dye without a measured shape gets the E129 shape
    moved in wavenumber to its peak, an estimate. Source: calibration/colourants.csv, shapes.csv.
    """
    nm = np.asarray(wavelengths_nm, float)
    peak_nm, e1pct = _peak_and_strength(e_number)
    measured = any(row["e_number"] == e_number for row in read_rows("shapes.csv"))
    shape = shape_for(e_number, nm) if measured else shape_moved(STAND_IN, peak_nm, nm)
    return shape * e1pct / 1e4


def drink_transmittance(
    dyes_mg_per_l: Mapping[str, float] | None = None,
    *,
    depth_mm: float = 10.0,
    dilution: float = 1.0,
    caramel_a610: float = 0.0,
    caramel_k_per_nm: float = 0.012,
    anthocyanin_a525: float = 0.0,
    yellow_a430: float = 0.0,
) -> Array:
    """Single-pass transmittance of a drink, shape (81,): T = 10^-A, A = sum of c eps d / dilution.

    dyes_mg_per_l: pure dye in the undiluted liquid. The base is given by its absorbance per cm of undiluted
    liquid: caramel A610 exp(-k (nm - 610)), an anthocyanin-like band near 525 nm, a yellow-brown tail from a
    band near 400 nm given by its value at 430 nm. dilution 5 means one part made up to five. Raises
    ValueError for a negative amount, a depth that is not positive or a dilution under 1.
    """
    if depth_mm <= 0:
        raise ValueError(f"depth_mm must be positive, got {depth_mm}")
    if dilution < 1:
        raise ValueError(f"dilution must be at least 1, got {dilution}")
    amounts = [*(dyes_mg_per_l or {}).values(), caramel_a610, anthocyanin_a525, yellow_a430]
    if min(amounts) < 0:
        raise ValueError(f"amounts must not be negative, got {min(amounts)}")
    nm = WAVELENGTHS_NM
    per_cm = caramel_a610 * np.exp(-caramel_k_per_nm * (nm - 610))
    per_cm += anthocyanin_a525 * (np.exp(-0.5 * ((nm - 525) / 32) ** 2) + 0.35 * np.exp(-(((nm - 400) / 70) ** 2)))
    per_cm += yellow_a430 * np.exp(-0.5 * ((nm - 400) / 42) ** 2) / np.exp(-0.5 * (30 / 42) ** 2)
    for e_number, mg_per_l in (dyes_mg_per_l or {}).items():
        per_cm += mg_per_l * dye_absorbance(e_number)
    return 10 ** (-per_cm * depth_mm / 10 / dilution)


def lab_relative_to_water(transmittance: ArrayLike) -> Array:
    """CIELAB, D65, 2 degrees, of a single-pass transmittance, shape (..., 81), seen twice over a white.

    Water in the same glass is 100, 0, 0 exactly: the white is summed from the same table.
    """
    once = np.asarray(transmittance, float)
    return xyz_to_lab(transmittance_to_xyz(once**2), transmittance_to_xyz(np.ones(WAVELENGTHS_NM.size)))
