"""Photos of a batch that takes on colour; small ones, drawn in a third of the time that full size takes."""

from __future__ import annotations

from pathlib import Path

from drawn import Light, Phone, Pose, Scene, drink_transmittance, render_photo, save_photo

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
