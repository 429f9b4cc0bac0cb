"""The kitchen of the invented lot: what is truly in its batch, and the photos that are taken there.

The liquids, the phone and the light are invented. The true dye is that of the stock, but the stock is somewhat weaker and
its drops somewhat smaller than its label says, as in life. Photos of the table with water in the glasses ship with the
program (tests/bench/example_tables.py draws them); each photo is one of them with what is truly in the glasses.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from PIL import Image

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.colour.spectra import transmittance_to_xyz
from colourmatch.records import Array

COLOURANT, LABEL_STRENGTH_G_PER_100ML, LABEL_DROP_ML = "E129", 1.0, 0.05
#: Strength and drop as they truly are, against the label.
TRUE_STRENGTH, TRUE_DROP = 0.92, 0.96
VOLUME_ML, DEPTH_MM, DILUTION = 900.0, 10.0, 5.0
#: NUMBER.jpg: the table with water in the glasses; NUMBER.png: which part of the light comes through reference and batch.
SHIPPED = Path(__file__).parent / "photos"
#: Noise of a photo of its own, in levels of 255: no two photos of the same glasses are the same file.
_NOISE = 0.7


@dataclass(frozen=True)
class Kitchen:
    """What is truly in the batch: it knows what no photo says. Each drop and each sample makes a new one."""

    volume_ml: float = VOLUME_ML
    dye_mg: float = 0.0
    base_ml: float = VOLUME_ML

    def add_drops(self, drops: float) -> Kitchen:
        """The batch after so many true drops of the true stock."""
        return self.add_stock(drops * LABEL_DROP_ML * TRUE_DROP)

    def add_stock(self, ml: float) -> Kitchen:
        """The batch after so many ml of the true stock, measured as they are."""
        mg_per_ml = 10 * LABEL_STRENGTH_G_PER_100ML * TRUE_STRENGTH
        return replace(self, volume_ml=self.volume_ml + ml, dye_mg=self.dye_mg + ml * mg_per_ml)

    def add_untinted(self, ml: float) -> Kitchen:
        """The batch after so many ml of untinted batch were blended back."""
        return replace(self, volume_ml=self.volume_ml + ml, base_ml=self.base_ml + ml)

    def take_sample(self, ml: float) -> Kitchen:
        """The batch after so many ml of it were taken out."""
        left = 1 - ml / self.volume_ml
        return Kitchen(self.volume_ml - ml, self.dye_mg * left, self.base_ml * left)

    @property
    def dye_mg_per_l(self) -> float:
        """Dye in the batch as it truly is."""
        return 1000 * self.dye_mg / self.volume_ml

    @property
    def base_share(self) -> float:
        """Part of the volume that is base and not stock."""
        return self.base_ml / self.volume_ml


def take_photo(kitchen: Kitchen, number: int, *, depth_mm: float = DEPTH_MM, dilution: float = DILUTION) -> bytes:
    """Photo `number` of the batch as it is, a JPEG: both glasses filled and thinned alike."""
    tables = sorted(SHIPPED.glob("*.jpg"))
    table = tables[number % len(tables)]
    phone = _invented()
    with Image.open(table) as photo, Image.open(table.with_suffix(".png")) as shares:
        written = {name: photo.info[name] for name in ("exif", "icc_profile")}
        light = phone.levels[np.asarray(photo)] @ np.linalg.inv(phone.matrix).T
        through = np.asarray(shares) / np.float32(255)
    for glass, once in enumerate(_fill_glasses(kitchen, depth_mm, dilution)):
        # it is seen over white paper, so that light comes through it twice
        passed = once**2 @ phone.signals / phone.signals.sum(axis=0)
        light *= 1 - through[..., glass, None] * (1 - passed)
    level = np.interp(light @ phone.matrix.T, phone.levels, np.arange(256))
    level += np.random.default_rng(number).normal(0, _NOISE, level.shape)
    out = io.BytesIO()
    Image.fromarray(np.clip(level + 0.5, 0, 255).astype(np.uint8)).save(out, "JPEG", quality=92, **written)
    return out.getvalue()


def true_difference(kitchen: Kitchen) -> float:
    """CIEDE2000 of what is truly in the glasses, which no photo knows."""
    glasses = np.array(_fill_glasses(kitchen, DEPTH_MM, DILUTION))
    water = transmittance_to_xyz(np.ones_like(glasses))
    return float(ciede2000(*xyz_to_lab(transmittance_to_xyz(glasses**2), water)))


@cache
def _invented() -> SimpleNamespace:
    """What is invented: absorbances over 1 cm (81,) of `reference`, `base` and 1 mg/l of `dye`; `signals` (81, 3) of the
    phone for paper, `matrix` (3, 3) from them to its linear RGB, `levels` (256,) the light that each level stands for."""
    with np.load(SHIPPED / "kitchen.npz") as held:
        return SimpleNamespace(**held)


def _fill_glasses(kitchen: Kitchen, depth_mm: float, dilution: float) -> tuple[Array, Array]:
    """What reference and batch let through, once, (81,) each."""
    held = _invented()
    batch = kitchen.dye_mg_per_l * held.dye + kitchen.base_share * held.base
    return 10 ** (-held.reference * depth_mm / 10 / dilution), 10 ** (-batch * depth_mm / 10 / dilution)
