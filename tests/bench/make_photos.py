"""Writes varied simulated photos and their truth: make_photos.py OUTDIR COUNT [--seed S] [--hardness H] [--large] [--heic]
[--fields].

truth.json: {"photos": {name: {"spots": {spot: {"lab": [L, a, b], "haze": h}}, "delta_e_2000": d, "light":
..., "phone": ..., ...}}}. Photo k is vary(seed + k); every fourth one is stored turned, as phones do.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from drawn import save_photo
from vary import vary


def describe(
    seed: int, large: bool, folder: Path, suffix: str, hardness: float = 1.0, *, fields: bool = False
) -> tuple[str, dict[str, object]]:
    """Draws and writes one photo; its file name and its entry of truth.json."""
    take = vary(seed, large=large, hardness=hardness, fields=fields)
    rendered = take.render()
    name = f"varied-{seed:05d}{suffix}"
    save_photo(rendered, folder / name, exif_orientation=(1, 1, 1, 6)[seed % 4])
    pose, phone, light = take.pose, take.phone, take.light
    entry = rendered.truth | {
        "dilution": take.recipe["dilution"],
        "depth_mm": round(take.recipe["depth_mm"], 2),
        "tilt_degrees": round(pose.tilt_degrees, 1),
        "rotation_degrees": round(pose.rotation_degrees, 1),
        "fill": round(pose.fill, 3),
        "s_curve": round(phone.s_curve, 3),
        "sharpening": round(phone.sharpening, 3),
        "second_share": round(light.second_share, 3),
        "shadow": None if light.shadow is None else round(light.shadow.depth, 3),
        "seed": seed,
    }
    return name, entry


def main(arguments: list[str] | None = None) -> int:
    """Runs the command line."""
    parser = argparse.ArgumentParser(description="Write varied simulated photos and truth.json.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("count", type=int)
    parser.add_argument("--seed", type=int, default=0, help="seed of the first photo (default 0)")
    parser.add_argument("--large", action="store_true", help="4032 x 3024 pixels instead of 2016 x 1512")
    parser.add_argument("--hardness", type=float, default=1.0, help="how far all departs from ideal, as a factor")
    parser.add_argument("--heic", action="store_true", help="HEIC instead of JPEG")
    parser.add_argument("--fields", action="store_true", help="card 2, with colour fields")
    options = parser.parse_args(arguments)
    options.folder.mkdir(parents=True, exist_ok=True)
    photos = {}
    for k in range(options.count):
        name, photos_entry = describe(
            options.seed + k,
            options.large,
            options.folder,
            ".heic" if options.heic else ".jpg",
            options.hardness,
            fields=options.fields,
        )
        photos[name] = photos_entry
        print(f"{k + 1}/{options.count} {name}", file=sys.stderr)
    about = "Simulated photos of the card. lab: CIELAB, D65, 2 degrees, relative to water in the same glass."
    truth = {"about": about, "photos": photos}
    (options.folder / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
