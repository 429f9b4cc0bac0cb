"""Draws what the invented lot's photos are made from, which ships with the program: its table with water in the glasses.

Run: python tests/bench/example_tables.py      (after a change of drawn/; replaces all in SHIPPED)

Of each photo a second picture says which part of the light comes through the reference (its red) and the batch (its green).
`kitchen.npz` holds the absorbance of the liquids over 1 cm and what the phone makes of light.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from drawn import camera_matrix, save_photo
from drawn.camera import tone_curve
from drawn.demo import BASE, LIGHT, PHONE, PRINTER, REFERENCE_BASE, REFERENCE_MG_PER_L, TABLE, hold_phone
from drawn.liquids import drink_transmittance, dye_absorbance
from drawn.materials import paper_reflectance
from drawn.render import lay_table, render_photo
from drawn.settings import Scene
from PIL import Image

from colourmatch.simulate.kitchen import COLOURANT, SHIPPED

WIDTH_PX, TABLES = 1600, 4


def main() -> None:
    """Photos with water, where the glasses are in them, and one file for the liquids and the phone."""
    for old in SHIPPED.iterdir():
        old.unlink()
    water, ink = np.ones(81), np.zeros(81)
    scene = Scene(reference=water, batch=water, **TABLE)
    for number in range(TABLES):
        pose = hold_phone(number, WIDTH_PX)

        def lay(changed: Scene, number: int = number, pose=pose):
            return lay_table(changed, PHONE, LIGHT, pose, seed=1000 + number, printer=PRINTER)

        drawn = render_photo(scene, PHONE, LIGHT, pose, seed=1000 + number, printer=PRINTER)
        save_photo(drawn, SHIPPED / f"{number}.jpg")
        full = lay(scene)[0].picture
        shares = [
            1 - (lay(replace(scene, **{spot: ink}))[0].picture / full).mean(axis=2) for spot in ("reference", "batch")
        ]
        both = np.round(255 * np.stack([*shares, np.zeros_like(shares[0])], axis=2)).astype(np.uint8)
        Image.fromarray(both).save(SHIPPED / f"{number}.png", optimize=True)
    canvas, _gains, mixed = lay(scene)
    linear = np.linspace(0, 1.5, 30_000)
    np.savez_compressed(
        SHIPPED / "kitchen.npz",
        dye=dye_absorbance(COLOURANT),
        base=-np.log10(drink_transmittance(**BASE)),
        reference=-np.log10(drink_transmittance({COLOURANT: REFERENCE_MG_PER_L}, **REFERENCE_BASE)),
        signals=canvas.light_signals[:, 0] * paper_reflectance()[:, None],
        matrix=camera_matrix(PHONE, mixed),
        levels=np.interp(np.arange(256) / 255, tone_curve(linear, PHONE.s_curve, PHONE.shoulder), linear),
    )


if __name__ == "__main__":
    main()
