"""What is left of the reading error when everything but the camera is ideal: the floor under any reading without known
colours in the photo.

usage: python tests/bench/camera_floor.py [PHOTOS] [--seed S] [--json]

The liquids, phones and lights of the photo generator, without pixels: even light, straight tones, no glass, no noise. What
the camera's channels make of both liquids and of water, over white alone and over the colour fields too, goes through the
estimate (photo/estimate.py). Good light and true differences below 6, as in bench_reading.py.
"""

from __future__ import annotations

import argparse
import json

import numpy as np
from drawn import camera_matrix
from drawn.camera import photometric, sensor_curves
from drawn.liquids import lab_relative_to_water
from drawn.materials import paper_reflectance, printed_fields
from vary import WARM_LIGHTS, vary

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ
from colourmatch.measurement import SPOTS
from colourmatch.photo.estimate import GlassReading, estimate_pair


def see(seed: int) -> tuple[float, float, float] | None:
    """CIEDE2000 of one generated photo: true, seen over white, and with the fields.

    None in warm light and where a channel is all but empty.
    """
    take = vary(seed, fields=True)
    if take.light.name in WARM_LIGHTS:
        return None
    paper = paper_reflectance() * photometric(take.light.spectrum)
    sensor = sensor_curves(take.phone.sensor, take.phone.peak_shift_nm)
    matrix = camera_matrix(take.phone, take.light.spectrum)
    srgb = take.phone.gamut != "p3"
    to_p3 = np.linalg.inv(RGB_TO_XYZ["Display P3"]) @ RGB_TO_XYZ["sRGB" if srgb else "Display P3"]
    liquids = [take.scene.reference, take.scene.batch, np.ones_like(paper)]
    glasses = []
    for spot, liquid in zip(SPOTS, liquids, strict=True):
        sheet = np.vstack([np.ones_like(paper), printed_fields(take.printer, spot)])
        # light passes each liquid twice
        seen = (paper * liquid**2 * sheet) @ sensor / (paper @ sensor) @ matrix.T / matrix.sum(axis=1)
        exact = np.zeros((3, 3)), np.zeros((6, 3)), np.ones(6, bool), 0.0, 0.0, 0.0, 0.0
        glasses.append(GlassReading(seen @ to_p3.T, *exact))
    if min(glass.values[0].min() for glass in glasses) < 0.02:
        return None
    white, fields = (
        float(ciede2000(*estimate_pair(*read, srgb=srgb).lab))
        for read in ([glass.white_alone() for glass in glasses], glasses)
    )
    return float(ciede2000(*lab_relative_to_water(np.stack(liquids[:2])))), white, fields


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=int, nargs="?", default=1000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--json", action="store_true", help="print one object with the figures, at the end")
    args = parser.parse_args()
    found = np.array([p for k in range(args.photos) if (p := see(args.seed + k)) and p[0] < 6])
    figures: dict[str, float] = {"photos": len(found)}
    for k, card in enumerate(("white", "fields"), 1):
        error = np.abs(found[:, k] - found[:, 0])
        median, p95 = float(np.median(error)), float(np.quantile(error, 0.95))
        figures |= {f"{card}_error_median": median, f"{card}_error_p95": p95}
        print(f"the camera alone, {card}: {len(found)} photos, error median {median:.3f}, p95 {p95:.3f}")
    if args.json:
        print(json.dumps(figures))


if __name__ == "__main__":
    main()
