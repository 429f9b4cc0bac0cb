"""The invented lot's photos, drawn: what its liquids are made of, its phone, its light and how the phone is held.

The program itself draws none: its photos are made from those of glasses with water (`../example_tables.py`).
"""

from __future__ import annotations

from colourmatch.colour.spectra import planck_spectrum
from colourmatch.simulate.kitchen import COLOURANT, DEPTH_MM, DILUTION, Kitchen
from drawn.geometry import Pose
from drawn.liquids import drink_transmittance
from drawn.render import render_photo
from drawn.settings import Glint, Light, Phone, Printer, Rendered, Scene

REFERENCE_MG_PER_L = 41.0
#: Absorbance of the natural base over 1 cm, undiluted; the reference's own is a little different.
BASE = {"caramel_a610": 0.012, "yellow_a430": 0.30}
REFERENCE_BASE = {"caramel_a610": 0.015, "yellow_a430": 0.33}
PHONE = Phone(
    "Phone B",
    name="Phone of the demonstration",
    matrix_error=0.015,
    saturation=1.02,
    exposure=0.62,
    s_curve=0.2,
)
LIGHT = Light(planck_spectrum(5600), "T5600", gradient=0.08, azimuth_degrees=200, vignetting=0.08)
PRINTER = Printer(gamma=1.03, jitter=0.015, cast=0.004, seed=7)
#: The lamp mirrored in both glasses, and their shadow.
TABLE = {"glints": (Glint("reference", -9, 6), Glint("batch", 15, -8, radius_mm=1.2)), "glass_shadow": 0.12}


def hold_phone(number: int, width_px: int) -> Pose:
    """How the phone is held for photo `number`: each time a little otherwise."""
    return Pose(
        3 + number % 3,
        70.0 * number,
        -4 + 3 * (number % 4),
        fill=0.82,
        width_px=width_px,
        height_px=width_px * 3 // 4,
    )


def draw_demo_photo(
    kitchen: Kitchen,
    number: int,
    *,
    depth_mm: float = DEPTH_MM,
    dilution: float = DILUTION,
    width_px: int = 2016,
) -> Rendered:
    """Photo `number`: three glasses on the card, both filled and thinned alike."""
    view = {"depth_mm": depth_mm, "dilution": dilution}
    base = {name: value * kitchen.base_share for name, value in BASE.items()}
    scene = Scene(
        reference=drink_transmittance({COLOURANT: REFERENCE_MG_PER_L}, **view, **REFERENCE_BASE),
        batch=drink_transmittance({COLOURANT: kitchen.dye_mg_per_l}, **view, **base),
        **TABLE,
    )
    return render_photo(scene, PHONE, LIGHT, hold_phone(number, width_px), seed=1000 + number, printer=PRINTER)
