"""What is left of the reading error when everything but the camera is ideal: the floor under any reading without known
colours in the photo.

usage: python tests/bench/camera_floor.py [PHOTOS] [--seed S] [--json]

The liquids, phones and lights of the photo generator, without pixels: even light, plain paper, straight tones, no glass,
no noise. What the camera's channels make of both liquids relative to water goes through the reading's own colours
(photo/camera.py). Good light and true differences below 6, as in bench_reading.py.
"""

from __future__ import annotations

import argparse
import json

import numpy as np
from drawn import camera_matrix
from drawn.camera import photometric, sensor_curves
from drawn.liquids import lab_relative_to_water
from drawn.materials import paper_reflectance
from vary import WARM_LIGHTS, vary

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ, xyz_to_lab
from colourmatch.photo.camera import expect_camera


def see(seed: int) -> tuple[float, float] | None:
    """True and seen CIEDE2000 of one generated photo; None in warm light and where a channel is all but empty."""
    take = vary(seed)
    if take.light.name in WARM_LIGHTS:
        return None
    liquids = np.stack([take.scene.reference, take.scene.batch])
    paper = paper_reflectance() * photometric(take.light.spectrum)
    sensor = sensor_curves(take.phone.sensor, take.phone.peak_shift_nm)
    matrix = camera_matrix(take.phone, take.light.spectrum)
    # light passes each liquid twice
    seen = (paper * liquids**2) @ sensor / (paper @ sensor) @ matrix.T / matrix.sum(axis=1)
    if seen.min() < 0.02:
        return None
    own = RGB_TO_XYZ["Display P3" if take.phone.gamut == "p3" else "sRGB"]
    true = ciede2000(*lab_relative_to_water(liquids))
    return float(true), float(ciede2000(*xyz_to_lab(seen @ expect_camera(own).T)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=int, nargs="?", default=1000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--json", action="store_true", help="print one object with the figures, at the end")
    args = parser.parse_args()
    pairs = np.array([p for k in range(args.photos) if (p := see(args.seed + k)) and p[0] < 6])
    error = np.abs(pairs[:, 1] - pairs[:, 0])
    figures = {
        "photos": len(pairs),
        "error_median": float(np.median(error)),
        "error_p95": float(np.quantile(error, 0.95)),
    }
    print(
        f"the camera alone: {len(pairs)} photos, error median {figures['error_median']:.3f}, "
        f"95th percentile {figures['error_p95']:.3f}"
    )
    if args.json:
        print(json.dumps(figures))


if __name__ == "__main__":
    main()
