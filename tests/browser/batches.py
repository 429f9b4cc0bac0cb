"""Photos of a batch that takes on colour, small ones, drawn in a third of the time that full size takes; and of two vessels
without a card."""

from pathlib import Path

import numpy as np
from drawn import Light, Phone, Pose, Scene, drink_transmittance, render_photo, save_photo
from known_pictures import to_file

BASE = {"caramel_a610": 0.01, "yellow_a430": 0.05}
SMALL = Pose(fill=0.85, tilt_degrees=3, width_px=1200, height_px=900)


def draw_batches(folder: Path, *mg_per_l: float) -> list[Path]:
    """A photo for each amount of E129 in the batch, beside a reference with 12 mg/l of it, in good light."""
    made = []
    for seed, amount in enumerate(mg_per_l, 1):
        liquids = [drink_transmittance({"E129": mg}, **BASE) for mg in (12.0, amount)]
        drawn = render_photo(Scene(*liquids), Phone(), Light(), SMALL, seed=seed)
        made.append(save_photo(drawn, folder / f"batch-{seed}.jpg"))
    return made


#: A photo of two vessels, reference and batch, on light paper: its size, and where each is well inside.
SIZE = (1200, 900)
BOXES = {"white": (60, 60, 200, 200), "reference": (420, 330, 160, 200), "batch": (820, 330, 160, 200)}


def draw_vessels(shift: int = 0) -> bytes:
    """That photo as a JPEG, all of it so many pixels further to the right."""
    pixels = np.full((SIZE[1], SIZE[0], 3), 205.0)
    pixels[300:560, 380 + shift : 620 + shift] = (196, 96, 84)
    pixels[300:560, 780 + shift : 1020 + shift] = (198, 116, 96)
    pixels += np.random.default_rng(1).normal(0, 1.5, pixels.shape)
    return to_file(pixels, quality=92)
