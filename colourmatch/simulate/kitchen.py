"""The kitchen of the invented lot: what is truly in its batch, and the photos that are taken there.

The liquids, the phone and the light are drawn. The true dye is that of the stock, but the stock is somewhat weaker and
its drops somewhat smaller than its label says, as in life. The photos of the advised way ship with the program; any other
amount is drawn when it is asked for, so that a photo always shows what is truly in the batch.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass, replace
from pathlib import Path

from colourmatch.colour.spectra import planck_spectrum
from colourmatch.simulate.files import encode_photo
from colourmatch.simulate.geometry import Pose
from colourmatch.simulate.liquids import drink_transmittance
from colourmatch.simulate.render import render_photo, truth_of
from colourmatch.simulate.settings import Glint, Light, Phone, Printer, Rendered, Scene

COLOURANT, LABEL_STRENGTH_G_PER_100ML, LABEL_DROP_ML = "E129", 1.0, 0.05
#: Strength and drop as they truly are, against the label.
TRUE_STRENGTH, TRUE_DROP = 0.92, 0.96
VOLUME_ML, DEPTH_MM, DILUTION = 900.0, 10.0, 5.0
REFERENCE_MG_PER_L = 41.0
#: Absorbance of the natural base over 1 cm, undiluted; the reference's own is a little different.
BASE = {"caramel_a610": 0.012, "yellow_a430": 0.30}
REFERENCE_BASE = {"caramel_a610": 0.015, "yellow_a430": 0.33}
#: NUMBER-DROPS.jpg: the photo of that number with so many drops in; tests/bench/example_photos.py writes them.
SHIPPED = Path(__file__).parent / "photos"
#: A photo that is drawn while somebody waits is this wide: the colours are read from it as well as from a larger one.
_WAITED_FOR_PX = 1200


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


def take_photo(
    kitchen: Kitchen, number: int, *, depth_mm: float = DEPTH_MM, dilution: float = DILUTION
) -> bytes:
    """Photo `number` of the batch as it is, a JPEG: the one that ships where one shows just this, else a drawn one."""
    if (depth_mm, dilution) == (DEPTH_MM, DILUTION):
        for path in SHIPPED.glob(f"{number}-*.jpg"):
            shown = Kitchen().add_drops(int(path.stem.partition("-")[2]))
            if all(map(math.isclose, astuple(shown), astuple(kitchen))):
                return path.read_bytes()
    view = {"depth_mm": depth_mm, "dilution": dilution}
    return encode_photo(draw_demo_photo(kitchen, number, width_px=_WAITED_FOR_PX, **view))


def true_difference(kitchen: Kitchen) -> float:
    """CIEDE2000 of what is truly in the glasses, which no photo knows."""
    return float(truth_of(_lay_table(kitchen, DEPTH_MM, DILUTION))["delta_e_2000"])


def draw_demo_photo(
    kitchen: Kitchen,
    number: int,
    *,
    depth_mm: float = DEPTH_MM,
    dilution: float = DILUTION,
    width_px: int = 2016,
) -> Rendered:
    """Photo `number`: three glasses on the card, the phone held a little otherwise."""
    phone = Phone(
        "Phone B",
        name="Phone of the demonstration",
        matrix_error=0.015,
        saturation=1.02,
        exposure=0.62,
        s_curve=0.2,
    )
    light = Light(planck_spectrum(5600), "T5600", gradient=0.08, azimuth_degrees=200, vignetting=0.08)
    pose = Pose(
        3 + number % 3,
        70.0 * number,
        -4 + 3 * (number % 4),
        fill=0.82,
        width_px=width_px,
        height_px=width_px * 3 // 4,
    )
    printer = Printer(gamma=1.03, jitter=0.015, cast=0.004, seed=7)
    scene = _lay_table(kitchen, depth_mm, dilution)
    return render_photo(scene, phone, light, pose, seed=1000 + number, printer=printer)


def _lay_table(kitchen: Kitchen, depth_mm: float, dilution: float) -> Scene:
    """Both glasses filled and thinned alike, with the lamp mirrored in them."""
    view = {"depth_mm": depth_mm, "dilution": dilution}
    base = {name: value * kitchen.base_share for name, value in BASE.items()}
    return Scene(
        reference=drink_transmittance({COLOURANT: REFERENCE_MG_PER_L}, **view, **REFERENCE_BASE),
        batch=drink_transmittance({COLOURANT: kitchen.dye_mg_per_l}, **view, **base),
        glints=(Glint("reference", -9, 6), Glint("batch", 15, -8, radius_mm=1.2)),
        glass_shadow=0.12,
    )
