"""Reflectance spectra of everything in a simulated photo; it knows substances and no places.

Paper, toner and table are plausible smooth forms (from memory, no source); liquids are the scene's own
spectra.
"""

from __future__ import annotations

import numpy as np

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.facts import read_json
from colourmatch.records import Array
from drawn.inks import field_reflectances
from drawn.settings import Glass, Printer, Reflectance


def paper_reflectance() -> Array:
    """White office paper: near 0.88, falling below 430 nm; shape (81,)."""
    return 0.88 - 0.25 / (1 + np.exp((WAVELENGTHS_NM - 408) / 9)) + 0.02 * (WAVELENGTHS_NM - 580) / 200


def smooth_reflectance(anchors: Reflectance) -> Array:
    """A smooth spectrum through reflectances at 450, 550 and 630 nm; shape (81,)."""
    return np.clip(np.interp(WAVELENGTHS_NM, (450, 550, 630), anchors), 0.0, 1.0)


def printed_greys(printer: Printer) -> Array:
    """Reflectances relative to paper of the twelve grey steps, top row then bottom row, shape (12, 81)."""
    spec = read_json("card-v1.json")["grey_steps"]
    nominal = np.array(spec["nominal_relative_reflectance"])
    # The bottom row runs the other way in place but is listed lightest first, like the top one.
    both = np.concatenate([nominal, nominal])
    rng = np.random.default_rng([printer.seed, 12])
    value = both**printer.gamma * np.exp(printer.jitter * rng.uniform(-1, 1, both.size))
    # Half-toned ink shows its cast most in the mid-tones, not at all on bare paper.
    tint = printer.cast * 4 * (1 - both) * both
    slope = (WAVELENGTHS_NM - 560) / 150
    return np.clip(value[:, None] * (1 + tint[:, None] * slope), 0.002, 1.0)


def printed_fields(printer: Printer, spot: str) -> Array:
    """Reflectances relative to paper of the colour fields of one spot, shape (6, 81); ValueError without inks."""
    if printer.inks is None:
        raise ValueError("a printer without inks prints no colour fields")
    rng = np.random.default_rng([printer.seed, 6, sum(map(ord, spot))])
    fields = field_reflectances(printer.inks)
    return np.clip(fields * np.exp(printer.field_spread * rng.normal(size=(len(fields), 1))), 0.0, 1.0)


def black_ink(printer: Printer) -> Array:
    """Reflectance of solid black relative to paper, shape (81,)."""
    return printer.black * (1 + printer.cast * (WAVELENGTHS_NM - 560) / 150)


def seen_through(liquid: Array, glass: Glass, path: float = 1.0) -> Array:
    """What the paper is multiplied by when seen twice through a liquid; path stretches the depth."""
    return glass.transmission * np.power(np.maximum(liquid, 1e-12), 2 * path)
