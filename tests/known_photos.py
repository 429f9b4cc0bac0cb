"""What photos show of glasses whose colours are known, as the book holds it; and lots that ended on such photos."""

from pathlib import Path
from typing import Any

import numpy as np
from drawn import Light, Obstacle, Phone, Pose, Printer, Scene, render_photo, save_photo

from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import compare_lab

REFERENCE = np.array([76.0, 45.0, 31.0])


def photograph_grey(path: Path, printer: Printer, phone: Phone, seed: int) -> tuple[int, int, int, int]:
    """A photo of a bare card with a grey card of 18 % on its middle ring, into a file; the grey's rectangle in pixels."""
    corners = ((107.0, 72.0), (143.0, 72.0), (143.0, 108.0), (107.0, 108.0))
    scene = Scene(blank=None, obstacles=(Obstacle(corners, (0.18, 0.18, 0.18)),))
    pose = Pose(fill=0.85, tilt_degrees=3, width_px=1512, height_px=1134)
    drawn = render_photo(scene, phone, Light(), pose, seed=seed, printer=printer)
    save_photo(drawn, path)
    x, y = drawn.view.to_pixels(np.array([[125.0, 90.0]]))[0]
    return int(x) - 20, int(y) - 20, 40, 40


def measured(gap, sd=0.1, phone="A", light=0.0, **more) -> dict[str, Any]:
    """A measurement of a batch `gap` in Lab away from its reference; `light` moves both, as another lamp does.

    sd: of each number of either glass beside the other; as colours by themselves they are known to 2.
    """
    covariance = np.eye(3) * sd**2
    labs = {"reference": REFERENCE + light, "batch": REFERENCE + light + np.asarray(gap, float)}
    seen = compare_lab(*labs.values(), 2 * covariance)
    doubt = {"lab_sd": [2.0] * 3, "lab_covariance": covariance.tolist()}
    spots = {name: doubt | {"lab": lab.tolist(), "white": "blank"} for name, lab in labs.items()}
    told = {"delta_e_2000": seen.delta_e_2000.to_json(), "difference": seen.to_json(), "quality": []}
    head = {"phone": phone, "profile": "sRGB", "taken_at": None}
    return {**head, "spots": spots | {"blank": None}, **told, **more}


def close_measured(book: LotBook, number: str, gap, name="Aperitif", photo=None, stock="red", **how) -> int:
    """A closed lot of 80 drops whose last photo shows it `gap` from its reference; photo: what else `measured` takes."""
    lot = book.lots.begin(name, 900, stock, number=number, **({"dilution": 5} | how)).id
    book.additions.add(lot, stock, drops=80)
    book.photos.add(lot, measured(gap, **(photo or {})))
    book.lots.close(lot, "matched")
    return lot
